"""People and carts that cross the scene while it is scanned: boxes that travel along the walk, and when."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from clouds_demo.shapes import FloatArray, Scene

NEAREST_M = 1.0
"""A mover nearer to the sensor than this is taken as absent: the walker keeps clear of it."""

PERSON = np.array(
    [
        [-0.10, 0.05, 0.0, 0.16, 0.17, 0.85],
        [-0.10, -0.17, 0.0, 0.16, -0.05, 0.85],
        [-0.13, -0.24, 0.85, 0.13, 0.24, 1.48],
        [-0.10, -0.09, 1.50, 0.11, 0.09, 1.75],
    ]
)
"""Two legs, trunk and head: lowest and highest corner, x forward, z from the ground."""

CART = np.array(
    [
        [-0.60, -0.35, 0.22, 0.60, 0.35, 0.62],
        [-0.50, 0.27, 0.0, -0.30, 0.35, 0.22],
        [-0.50, -0.35, 0.0, -0.30, -0.27, 0.22],
        [0.30, 0.27, 0.0, 0.50, 0.35, 0.22],
        [0.30, -0.35, 0.0, 0.50, -0.27, 0.22],
    ]
)
"""A low cart on four wheels."""

STRIDE_M = 0.35
STEPS_A_SECOND = 0.95


@dataclass(frozen=True, slots=True, eq=False)
class Mover:
    """One thing that travels along the walk's line from `first_s` to `last_s`.

    start_m: where on the line it is at first_s; speed_m_s: along the line, negative against it; side_m: left of it.
    """

    boxes: FloatArray
    strides: bool
    first_s: float
    last_s: float
    start_m: float
    speed_m_s: float
    side_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """The ground under the walk by its length in plan: along (k,), points (k, 3)."""

    along_m: FloatArray
    points: FloatArray

    def at(self, along_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return points (n, 3) and headings (n,) at the lengths, which end at the ends of the line."""
        k = np.clip(np.searchsorted(self.along_m, along_m, side="right") - 1, 0, len(self.along_m) - 2)
        step = self.points[k + 1] - self.points[k]
        length = self.along_m[k + 1] - self.along_m[k]
        share = np.clip((along_m - self.along_m[k]) / length, 0.0, 1.0)
        return self.points[k] + share[:, None] * step, np.arctan2(step[:, 1], step[:, 0])


def line_of(scene: Scene) -> Line:
    """Return the scene's walk as a line; points that repeat in plan are left out."""
    step = np.linalg.norm(np.diff(scene.walk[:, :2], axis=0), axis=1)
    keep = np.concatenate([[True], step > 1e-6])
    points = scene.walk[keep]
    return Line(np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points[:, :2], axis=0), axis=1))]), points)


def draw_mover(rng: np.random.Generator, line: Line, start_s: float, end_s: float, walked: FloatArray) -> Mover:
    """Return one person or cart, near the walker for up to 14 s, going ahead of it or coming towards it.

    walked (m, 2): times and the lengths along the line that the walker has then come to.
    """
    cart = rng.random() < 0.3
    first = rng.uniform(start_s, max(start_s, end_s - 6.0))
    last = min(first + rng.uniform(6.0, 14.0), end_s)
    here = float(np.interp(first, walked[:, 0], walked[:, 1]))
    towards = rng.random() < 0.5
    ahead = rng.uniform(5.0, 8.0) if towards else rng.uniform(2.0, 3.5)
    speed = -rng.uniform(0.5, 0.9) if towards else rng.uniform(0.7, 1.2)
    side = rng.uniform(-0.3, 0.3)
    left = (line.along_m[-1] if speed > 0.0 else 0.0) - (here + ahead)
    last = min(last, first + max(left / speed, 0.0))  # nobody stands still at the end of the line
    return Mover(CART if cart else PERSON, not cart, first, last, here + ahead, speed, side)


def draw_movers(
    share: float, shown: Callable[[tuple[Mover, ...]], float], draw: Callable[[], Mover], *, most: int = 60
) -> tuple[Mover, ...]:
    """Return as many movers as it takes to make `share` of the returns; the last one is cut short to meet it.

    shown: the share of the returns that some movers make; draw: one more mover.
    """
    movers: tuple[Mover, ...] = ()
    seen = 0.0
    while seen < share and len(movers) < most:
        one = draw()
        now = shown((*movers, one))
        if now > share:
            part = (share - seen) / (now - seen)
            last = one.first_s + part * (one.last_s - one.first_s)
            one = Mover(one.boxes, one.strides, one.first_s, last, one.start_m, one.speed_m_s, one.side_m)
            return (*movers, one)
        movers, seen = (*movers, one), now
    return movers


def hit_movers(
    movers: tuple[Mover, ...], line: Line, time_s: FloatArray, origin: FloatArray, ray: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the range (n,) at which each beam meets a mover, inf where it meets none, and |cosine| of incidence."""
    distance = np.full(len(time_s), np.inf)
    slant = np.zeros(len(time_s))
    unit = ray / np.linalg.norm(ray, axis=1)[:, None]
    for mover in movers:
        rows = np.flatnonzero((time_s >= mover.first_s) & (time_s <= mover.last_s))
        if len(rows) == 0:
            continue
        since = time_s[rows] - mover.first_s
        foot, heading = line.at(mover.start_m + mover.speed_m_s * since)
        c, s = np.cos(heading), np.sin(heading)
        foot = foot + mover.side_m * np.column_stack([-s, c, np.zeros(len(c))])
        from_foot = origin[rows] - foot
        away = np.linalg.norm(from_foot[:, :2], axis=1) > NEAREST_M
        rows, since, c, s, from_foot = rows[away], since[away], c[away], s[away], from_foot[away]
        o = np.column_stack(
            [c * from_foot[:, 0] + s * from_foot[:, 1], -s * from_foot[:, 0] + c * from_foot[:, 1], from_foot[:, 2]]
        )
        u = unit[rows]
        d = np.column_stack([c * u[:, 0] + s * u[:, 1], -s * u[:, 0] + c * u[:, 1], u[:, 2]])
        swing = STRIDE_M * np.sin(2.0 * np.pi * STEPS_A_SECOND * since)
        for number, box in enumerate(mover.boxes):
            shift = (swing if number == 0 else -swing) if mover.strides and number < 2 else np.zeros(len(since))
            near, cosine = _box(o - shift[:, None] * [1.0, 0.0, 0.0], d, box)
            better = near < distance[rows]
            distance[rows[better]], slant[rows[better]] = near[better], cosine[better]
    return distance, slant


def _box(origin: FloatArray, ray: FloatArray, box: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return where unit rays enter a box, inf where they do not, and |cosine| of incidence (slab method)."""
    safe = np.where(np.abs(ray) < 1e-12, 1e-12, ray)
    a, b = (box[:3] - origin) / safe, (box[3:] - origin) / safe
    low, high = np.minimum(a, b), np.maximum(a, b)
    enter = low.max(axis=1)
    met = (enter <= high.min(axis=1)) & (enter > 0.0)
    cosine = np.abs(ray[np.arange(len(ray)), low.argmax(axis=1)])
    return np.where(met, enter, np.inf), cosine
