"""One least-squares adjustment: a smooth correction of poses, clock and mount, so that planes are planes."""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np

from terrain.data import FloatArray, IntArray
from terrain.fuse.blocked import factored
from terrain.fuse.planes import Cells, planar_cells
from terrain.fuse.smooth import Poses, smoothed

First = TypeVar("First")
Second = TypeVar("Second")

WEIGHT = 0.3
"""Of what independent points would weigh: errors within one scan go together."""

DIFFERENCE_S = 0.04
SPEED_SMOOTHING_S = 0.1
"""The speed of points is taken over twice the one, from poses smoothed over the other to either side: the noise of
single poses must not pass for motion that shows the clock."""

LEAN_S = 2.0
"""Roll and pitch of poses this far apart are taken as told apart by gravity."""

RETAKE_S = 0.003
"""The speeds of points are taken anew once the clock has moved by this."""


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """Points of a fused cloud in the order of time, relative to a point nearby.

    xyz_m, view_m (n, 3); time_s (n,); sd_m, cross_sd_m (n,): along and across the beam.
    """

    xyz_m: FloatArray
    view_m: FloatArray
    time_s: FloatArray
    sd_m: FloatArray
    cross_sd_m: FloatArray

    def __len__(self) -> int:
        return len(self.time_s)

    def thinned(self, step: int) -> Sample:
        """Return every step-th point."""
        if step <= 1:
            return self
        return Sample(*(np.ascontiguousarray(getattr(self, name)[::step]) for name in self.__slots__))


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """What is corrected: spline (k, 6) at knot_s (k,), seconds on the clock, and the mount (6,)."""

    knot_s: FloatArray
    spline: FloatArray
    shift_s: float = 0.0
    mount: FloatArray = field(default_factory=lambda: np.zeros(6))


@dataclass(frozen=True, slots=True)
class Priors:
    """How far the truth may lie from what was reported, as standard deviations.

    walk_m, walk_rad: gained in the square root of a second; start_m, start_rad: of position and heading at the first
    knot; lean_rad: of roll and pitch at any time, since gravity shows them; clock_s about clock_about_s; mount_m,
    mount_rad.
    """

    walk_m: float
    walk_rad: float
    start_m: float
    start_rad: float
    lean_rad: float
    clock_s: float = 0.1
    clock_about_s: float = 0.0
    mount_m: float = 0.03
    mount_rad: float = 0.035


@dataclass(frozen=True, slots=True)
class Free:
    """What may move."""

    clock: bool = True
    mount: bool = False

    @property
    def extras(self) -> int:
        """Return the number of unknowns beside the spline."""
        return int(self.clock) + 6 * int(self.mount)


@dataclass(frozen=True, slots=True)
class Step:
    """One iteration: the cells' size, the width of the kernel, every how many-th point is used."""

    cell_m: float
    width_m: float
    thin: int = 1


STEPS = (
    Step(0.50, 0.120, 4),
    Step(0.42, 0.080, 4),
    Step(0.35, 0.052, 2),
    Step(0.29, 0.034, 2),
    Step(0.24, 0.022, 2),
    Step(0.20, 0.015),
)
LAST = (STEPS[-1],) * 2
"""What an adjustment ends with; one step is not yet where it settles."""

SDS_WIDE, WIDEST_M = 4.0, 0.04
"""In the last steps the kernel is so many times as wide as surfaces are thick, between that step's width and the other:
narrower ones throw away part of what noisy walls tell."""

COARSE = (Step(1.0, 0.30, 4), Step(0.7, 0.20, 4))
"""What goes before for large errors."""


def knots_for(time_s: FloatArray, spacing_s: float, *, start_s: float) -> FloatArray:
    """Return the times of knots: evenly spread, at both ends of every interval that holds points, and nowhere else.

    The first lies at start_s, when the poses start, or up to a spacing before the first point: there the frame hangs.
    """
    first, last = min(max(start_s, float(time_s[0]) - spacing_s), float(time_s[0])), float(time_s[-1])
    intervals = max(1, math.ceil((last - first) / spacing_s))
    spacing_s = max((last - first) / intervals, 1e-6)
    used = np.unique(np.r_[0, np.minimum(((time_s - first) / spacing_s).astype(np.int64), intervals - 1)])
    return first + spacing_s * np.unique(np.r_[used, used + 1])


def carried(sample: Sample, poses: Poses, state: State, *, later_s: float = 0.0) -> tuple[FloatArray, FloatArray]:
    """Return where the points lie under a correction, (n, 3), and the body's position to each, (n, 3)."""
    from terrain.kernels import drift
    from terrain.kernels.threads import in_order

    out, lever, none = np.empty((len(sample), 3)), np.empty((len(sample), 3)), np.empty((0, 3))

    def part(start: int) -> None:
        rows = slice(start, start + PART)
        drift.carry(
            sample.xyz_m[rows], none, sample.time_s[rows], state.shift_s + later_s, poses.time_s, poses.position_m,
            poses.rotation_xyzw, poses.new_position_m, poses.new_rotation_xyzw, state.mount, state.knot_s,
            state.spline, out[rows], none, lever[rows],
        )  # fmt: skip

    in_order(part, range(0, len(sample), PART))
    return out, lever


PART = 16_384
"""Points that a thread moves at a time."""


def together(one: Callable[[], First], other: Callable[[], Second]) -> tuple[First, Second]:
    """Return what two independent jobs return, worked out side by side where there are threads for it."""
    from terrain.kernels.threads import in_order

    first, second = in_order(lambda job: job(), [one, other])
    return first, second


@dataclass(frozen=True, slots=True, eq=False)
class Equations:
    """Normal equations of the data alone, planes eliminated.

    slot (k, k): which block a pair of knots has, -1 none; blocks (s, 6, 6); extra (k, 6, e); corner (e, e);
    right (k, 6) and extra_right (e,).
    """

    slot: IntArray
    blocks: FloatArray
    extra: FloatArray
    corner: FloatArray
    right: FloatArray
    extra_right: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """A sample under a correction, sorted into planar cells: the rows that the kernels go through.

    Per point, in the order of the cells: time_s (n,); and, filled in for points of planar cells alone, xyz_m, lever_m
    (n, 3), columns (n, e, 3), interval, share and sd_m (n,), the noise across the cell's plane.
    """

    cells: Cells
    xyz_m: FloatArray
    lever_m: FloatArray
    columns: FloatArray
    sd_m: FloatArray
    interval: IntArray
    share: FloatArray
    time_s: FloatArray


def lay(sample: Sample, poses: Poses, state: State, columns: FloatArray, *, cell_m: float) -> Laid:
    """Return the sample under a state, in cells; columns (n, e, 3): how points move with the other unknowns."""
    from terrain.kernels.cells import lay_rows
    from terrain.kernels.threads import over_parts

    xyz_m, lever_m = carried(sample, poses, state)
    cells = planar_cells(xyz_m, cell_m=cell_m)
    rows, extras = len(cells.order), columns.shape[1]
    laid = Laid(
        cells,
        np.empty((rows, 3)),
        np.empty((rows, 3)),
        np.empty((rows, extras, 3)),
        np.empty(rows),
        np.empty(rows, dtype=np.int64),
        np.empty(rows),
        sample.time_s[cells.order],
    )
    over_parts(
        lay_rows, len(cells), cells.first, cells.last, cells.normal, cells.order, xyz_m, lever_m,
        np.ascontiguousarray(columns), sample.xyz_m, sample.view_m, sample.time_s, sample.sd_m, sample.cross_sd_m,
        state.shift_s, state.knot_s, laid.xyz_m, laid.lever_m, laid.columns, laid.sd_m, laid.interval, laid.share,
    )  # fmt: skip
    return laid


def build(laid: Laid, knots: int, *, width_m: float) -> Equations:
    """Return the equations of a sample in cells."""
    from terrain.kernels import equations
    from terrain.kernels.threads import in_order, over_parts
    from terrain.kernels.voxels import rows_by_group

    cells, extras = laid.cells, laid.columns.shape[1]
    begins, here, until = equations.knots_of_cells(cells.first, cells.last, laid.interval)
    seen = np.eye(knots, dtype=np.bool_) | np.eye(knots, k=1, dtype=np.bool_)  # where priors are
    equations.mark_pairs(begins, here, seen)
    slot = np.full((knots, knots), -1)
    pairs = np.nonzero(seen)
    slot[pairs] = np.arange(len(pairs[0]))
    fast, solved = np.zeros((3, 6 * len(here))), np.empty((3, 6 * len(here)))
    sums = [_no_sums(knots, extras) for _ in range(CELL_PARTS)]

    def add(part: int) -> None:
        rows = slice(len(cells) * part // CELL_PARTS, len(cells) * (part + 1) // CELL_PARTS)
        equations.accumulate(
            cells.first[rows], cells.last[rows], cells.normal[rows], cells.along[rows], cells.middle[rows], laid.xyz_m,
            laid.lever_m, laid.columns, laid.sd_m, width_m, laid.interval, laid.share,
            begins[rows.start : rows.stop + 1], here, fast, solved, *sums[part],
        )  # fmt: skip

    in_order(add, range(CELL_PARTS))
    own, right, extra, corner, extra_right = (np.sum(each, axis=0) for each in zip(*sums, strict=True))
    made = Equations(slot, np.zeros((len(pairs[0]), 6, 6)), extra, corner, right, extra_right)
    order, first = rows_by_group(here, knots)
    cell_of = np.repeat(np.arange(len(cells)), np.diff(begins))
    over_parts(
        lambda begin, end: equations.eliminate(
            begin, end, order, first, cell_of, begins, here, until, fast, solved, slot, np.empty((6, 6 * knots)),
            made.blocks,
        ), knots,
    )  # fmt: skip
    equations.spread(own, slot, made.blocks)
    return made


CELL_PARTS = 4
"""Parts of the cells that are added up by themselves, always as many, so that threads make no difference."""


def _no_sums(knots: int, extras: int) -> tuple[FloatArray, ...]:
    """Return zeros for what `accumulate` adds to: own, right, extra, corner, extra_right."""
    shapes: tuple[tuple[int, ...], ...] = ((knots, 63), (knots, 6), (knots, 6, extras), (extras, extras), (extras,))
    return tuple(np.zeros(shape) for shape in shapes)


def columns_of(sample: Sample, poses: Poses, calm: Poses, state: State, free: Free) -> FloatArray:
    """Return how each point moves with each unknown beside the spline, (n, e, 3); calm: the poses without noise."""
    out = np.empty((len(sample), free.extras, 3))
    if free.clock:
        late, _ = carried(sample, calm, state, later_s=DIFFERENCE_S)
        early, _ = carried(sample, calm, state, later_s=-DIFFERENCE_S)
        out[:, 0] = (late - early) / (2.0 * DIFFERENCE_S)
    if free.mount:
        base, _ = carried(sample, poses, state)
        for k in range(6):
            mount = state.mount.copy()
            mount[k] += 1e-4
            moved, _ = carried(sample, poses, replace(state, mount=mount))
            out[:, int(free.clock) + k] = (moved - base) / 1e-4
    return out


def _prior(state: State, priors: Priors, free: Free) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the priors' part: blocks on the diagonal (k, 6, 6), beside it (k - 1, 6), right (k, 6), extras (e, 2)."""
    knots = len(state.knot_s)
    step = np.diff(state.knot_s)
    walk = np.repeat([1.0 / priors.walk_rad**2, 1.0 / priors.walk_m**2], 3) / step[:, None]
    diagonal = np.zeros((knots, 6))
    diagonal[:-1] += walk
    diagonal[1:] += walk
    gained = np.diff(state.spline, axis=0)
    right = np.zeros((knots, 6))
    right[:-1] += walk * gained
    right[1:] -= walk * gained
    start = np.array([0.0, 0.0, 1.0 / priors.start_rad**2, *(1.0 / priors.start_m**2,) * 3])
    diagonal[0] += start
    right[0] -= start * state.spline[0]
    held = np.gradient(state.knot_s)[:, None] / LEAN_S / priors.lean_rad**2
    diagonal[:, :2] += held
    right[:, :2] -= held * state.spline[:, :2]
    extras = np.zeros((free.extras, 2))
    if free.clock:
        extras[0] = 1.0 / priors.clock_s**2, (priors.clock_about_s - state.shift_s) / priors.clock_s**2
    if free.mount:
        weight = np.repeat([1.0 / priors.mount_rad**2, 1.0 / priors.mount_m**2], 3)
        extras[int(free.clock) :] = np.column_stack([weight, -weight * state.mount])
    return diagonal, -walk, right, extras


class System:
    """The equations with the priors, ready to be solved for several right-hand sides."""

    def __init__(self, made: Equations, state: State, priors: Priors, free: Free) -> None:
        self.made = made
        self.diagonal, self.beside, right, self.extras_prior = _prior(state, priors, free)
        self._solved = factored(_with_prior(made, self.diagonal, self.beside), made.slot)
        self._coupling = WEIGHT * made.extra.reshape(6 * len(made.right), free.extras)
        self._right = (right + WEIGHT * made.right).reshape(-1, 1)
        self._extra_right = (WEIGHT * made.extra_right + self.extras_prior[:, 1])[:, None]

    def change(self) -> tuple[FloatArray, FloatArray]:
        """Return the change of the spline (k, 6) and of the extras (e,)."""
        spline, extras = self.answer(self._right, self._extra_right)
        return spline.reshape(-1, 6), extras[:, 0]

    def answer(self, right: FloatArray, extra_right: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the unknowns (6 k, q) and (e, q) for right-hand sides of those shapes."""
        wanted = right.shape[1]
        found = self._solved(np.hstack([right, self._coupling]))
        if not len(extra_right):
            return found, extra_right
        reduced = WEIGHT * self.made.corner + np.diag(self.extras_prior[:, 0]) - self._coupling.T @ found[:, wanted:]
        extras = np.linalg.solve(reduced, extra_right - self._coupling.T @ found[:, :wanted])
        return found[:, :wanted] - found[:, wanted:] @ extras, extras.astype(np.float64)


def _with_prior(made: Equations, diagonal: FloatArray, beside: FloatArray) -> FloatArray:
    """Return the weighted blocks with the prior: diagonal (k, 6), and beside (k - 1, 6) of knots that follow."""
    blocks: FloatArray = WEIGHT * made.blocks
    k, c = np.arange(len(diagonal)), np.arange(6)
    blocks[made.slot[k, k][:, None], c, c] += diagonal
    blocks[made.slot[k[:-1], k[1:]][:, None], c, c] += beside
    return blocks


def one_blas_thread() -> AbstractContextManager[object]:
    """Return a context in which linear algebra runs on one thread: the bytes must not depend on how many there are."""
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    limits: AbstractContextManager[object] = threadpool_limits(limits=1, user_api="blas")
    return limits


@dataclass(frozen=True, slots=True, eq=False)
class Adjusted:
    """Where an adjustment ended: the state, and equations, columns, free unknowns and kernel of its last step."""

    state: State
    system: System
    columns: FloatArray
    free: Free
    width_m: float


def adjust(
    sample: Sample, poses: Poses, state: State, priors: Priors, free: Free, steps: tuple[Step, ...] = COARSE + STEPS
) -> Adjusted:
    """Return where the steps lead to, coarse to fine."""
    calm = smoothed(poses, SPEED_SMOOTHING_S) if free.clock else poses
    columns, taken_at = columns_of(sample, poses, calm, state, free), state.shift_s
    width_m = steps[-1].width_m
    for step in steps:
        if abs(state.shift_s - taken_at) > RETAKE_S:
            columns, taken_at = columns_of(sample, poses, calm, state, free), state.shift_s
        laid = lay(sample.thinned(step.thin), poses, state, columns[:: step.thin], cell_m=step.cell_m)
        width_m = _width_for(laid.cells) if step == STEPS[-1] else step.width_m
        made = build(laid, len(state.knot_s), width_m=width_m)
        system = System(made, state, priors, free)
        spline, extras = system.change()
        shift_s = state.shift_s + (float(extras[0]) if free.clock else 0.0)
        mount = state.mount + (extras[int(free.clock) :] if free.mount else 0.0)
        state = State(state.knot_s, state.spline + spline, shift_s, mount)
    return Adjusted(state, system, columns, free, width_m)


def _width_for(cells: Cells) -> float:
    """Return the width of the last steps' kernel: several times the thickness that three cells in four keep below."""
    if len(cells) == 0:
        return STEPS[-1].width_m
    thick_m = math.sqrt(float(np.quantile(cells.variance_m2, 0.75)))
    return min(max(SDS_WIDE * thick_m, STEPS[-1].width_m), WIDEST_M)
