"""The invented dry dock: floor, drains, keel blocks, altars, stair, deck, ramps, timber, gravel and a hull.

Every measure is drawn from the seed. The site is 12 x 9 m; `scale` sets that many docks in a row.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from clouds_demo.shapes import Builder, FloatArray, Scene, lift, moved, plane_through, rectangle, turn

DOCK_LENGTH_M, DOCK_WIDTH_M = 12.0, 9.0
SLOT_X, SLOT_Y = (0.9, 4.7, 8.5), (0.85, 4.4)
SLOT_SIZE = (2.75, 2.1)
AISLE_X, AISLE_Y = (0.45, 4.18, 7.98, 11.6), (0.42, 3.68, 6.95)
TREADS, TREAD_M, RISE_M = 8, 0.279, 0.178
WALL_M = 3.2
DETOUR_PACE = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class Altar:
    """The big steps along the dock wall: step k is depth[k] deep and top[k] above the floor at y = 0."""

    front_y: FloatArray
    top: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Slot:
    """A place for one module: local u along the dock, v across it, turned by half a turn where `flipped`."""

    origin: FloatArray
    size: tuple[float, float]
    flipped: bool
    floor: FloatArray

    def xy(self, uv: FloatArray) -> FloatArray:
        """Return (n, 2) site coordinates."""
        local = np.asarray(uv, dtype=np.float64)
        return self.origin + (np.array(self.size) - local if self.flipped else local)

    def gradient(self, uv: FloatArray) -> FloatArray:
        """Return a gradient in site axes."""
        return -uv if self.flipped else uv

    def z(self, uv: FloatArray) -> float:
        """Return the floor's height at one local point."""
        return float(lift(self.xy(uv)[None], self.floor)[0, 2])


@dataclass(frozen=True, slots=True, eq=False)
class Spur:
    """A detour of the walk: leaves the aisles at `anchor`, follows `points` (n, 3) and comes back the same way."""

    anchor: FloatArray
    points: FloatArray


def build_scene(seed: int, *, scale: int = 1) -> Scene:
    """Return the scene of a seed in the map frame.

    Parameters
    ----------
    seed : int
        Draws the layout and every measure; nothing is tuned to one value.
    scale : int
        Number of docks in a row along x.
    """
    rng = np.random.default_rng([seed, 0])
    floor = np.array([rng.uniform(-0.006, 0.006) / scale, rng.uniform(0.003, 0.012), 0.0])
    builder = Builder()
    altar = draw_altar(rng)
    channels, walk = [], []
    for dock in range(scale):
        tile = np.random.default_rng([seed, 1 + dock])
        shift = np.array([dock * DOCK_LENGTH_M, 0.0])
        channels += draw_channels(tile, shift)
        spurs = furnish(builder, tile, shift, floor, dock)
        walk.append(draw_walk(spurs, shift, floor, altar))
    build_floor(builder, channels, floor, altar, scale)
    build_altar(builder, altar, floor, scale)
    build_walls(builder, floor, scale)
    route = np.concatenate(walk)
    scene = Scene(seed, scale, tuple(builder.facets), tuple(builder.fields), route[:, :3], route[:, 3])
    return moved(scene, float(rng.uniform(-0.5, 0.5)), np.array([*rng.uniform(-3.0, 3.0, 2), rng.uniform(-1.0, 1.0)]))


# --------------------------------------------------------------------------- floor, drains, walls


def draw_channels(rng: np.random.Generator, shift: FloatArray) -> list[tuple[str, FloatArray, float]]:
    """Return name, footprint and depth of each drain of one dock."""
    wide, side = rng.uniform(0.10, 0.20), rng.uniform(0.10, 0.16)
    y = AISLE_Y[1] + rng.choice((-1, 1)) * rng.uniform(0.2, 0.4)
    x = AISLE_X[3] + rng.uniform(-0.1, 0.1)
    out = [
        ("wide drain", rectangle(0.3, y - wide / 2, 11.2, y + wide / 2)),
        ("side drain", rectangle(x - side / 2, 0.6, x + side / 2, 6.6)),
    ]
    for k, aisle in enumerate(AISLE_X[1:3]):
        narrow = rng.uniform(0.03, 0.06)
        x = aisle + rng.uniform(-0.25, 0.25)
        y0, y1 = ((0.3, 2.9), (4.45, 6.7))[int(rng.integers(2))]
        out.append((f"narrow drain {k}", rectangle(x - narrow / 2, y0, x + narrow / 2, y1)))
    narrow = rng.uniform(0.03, 0.06)
    y = rng.uniform(0.25, 0.6)
    out.append(("narrow drain 2", rectangle(1.0, y - narrow / 2, 3.6, y + narrow / 2)))
    return [(name, ring + shift, float(rng.uniform(0.06, 0.10))) for name, ring in out]


def build_floor(
    builder: Builder,
    channels: list[tuple[str, FloatArray, float]],
    floor: FloatArray,
    altar: Altar,
    scale: int,
) -> None:
    """Add the floor with its drains cut out, and the drains."""
    rings = [ring for _, ring, _ in channels]
    end = scale * DOCK_LENGTH_M + 0.5
    whole = shapely.Polygon(rectangle(-0.5, 0.0, end, float(altar.front_y[0])))
    left = whole.difference(shapely.union_all([shapely.Polygon(ring) for ring in rings]))
    ground = builder.new_solid()
    for piece in shapely.get_parts(left):
        piece = shapely.geometry.polygon.orient(piece)
        holes = [lift(np.array(hole.coords)[:-1], floor) for hole in piece.interiors]
        builder.add("floor", "floor", ground, lift(np.array(piece.exterior.coords)[:-1], floor), holes)
    for name, ring, depth in channels:
        bottom = floor - [0.0, 0.0, depth]
        builder.add(name, "drain", builder.new_solid(), lift(ring, bottom))
        low, high = lift(ring, bottom), lift(ring, floor)
        for k in range(4):
            j = (k + 1) % 4
            builder.add(f"{name} side {k}", "drain_side", ground, [low[j], low[k], high[k], high[j]])


def draw_altar(rng: np.random.Generator) -> Altar:
    """Return three or four steps along the wall."""
    steps = int(rng.integers(3, 5))
    depth = rng.uniform(0.30, 0.40 if steps == 4 else 0.50, steps)
    rise = rng.uniform(0.18, 0.22, steps)
    return Altar(DOCK_WIDTH_M - np.cumsum(depth[::-1])[::-1], np.cumsum(rise))


def build_altar(builder: Builder, altar: Altar, floor: FloatArray, scale: int) -> None:
    """Add the altar steps; their tops are level, as a builder would lay them."""
    steps = len(altar.top)
    back = np.append(altar.front_y[1:], DOCK_WIDTH_M)
    end = scale * DOCK_LENGTH_M + 0.5
    for k in range(steps):
        top = level_above(floor, altar, float(altar.top[k]))
        below = floor if k == 0 else level_above(floor, altar, float(altar.top[k - 1]))
        ring = rectangle(-0.5, float(altar.front_y[k]), end, float(back[k]))
        kinds = {"top": "altar_tread", "side": "altar_side", "side 0": "altar_riser"}
        builder.prism(f"altar {k}", ring, top, {0: below, 1: floor, 3: floor}, kinds)


def level_above(floor: FloatArray, altar: Altar, height: float) -> FloatArray:
    """Return the plane of an altar step: level across the dock, and with the floor's fall along it."""
    return np.array([floor[0], 0.0, floor[2] + floor[1] * altar.front_y[0] + height])


def build_walls(builder: Builder, floor: FloatArray, scale: int) -> None:
    """Add the two dock walls and the gate at the low end."""
    end = scale * DOCK_LENGTH_M + 0.5
    top = np.array([0.0, 0.0, WALL_M])
    kinds = {"top": "wall_top", "side": "wall"}
    for name, ring in (
        ("north wall", rectangle(-0.8, DOCK_WIDTH_M, end, DOCK_WIDTH_M + 0.3)),
        ("south wall", rectangle(-0.8, -0.3, end, 0.0)),
        ("gate", rectangle(-0.8, 0.0, -0.5, DOCK_WIDTH_M)),
    ):
        builder.prism(name, ring, top, floor, kinds)


# --------------------------------------------------------------------------- modules


def furnish(builder: Builder, rng: np.random.Generator, shift: FloatArray, floor: FloatArray, dock: int) -> list[Spur]:
    """Put the modules into their slots in a drawn order; return the detours that visit them."""
    row, first = int(rng.integers(2)), int(rng.integers(2))
    long = Slot(
        np.array([SLOT_X[first], SLOT_Y[row]]) + shift,
        (SLOT_X[1] - SLOT_X[0] + SLOT_SIZE[0], SLOT_SIZE[1]),
        bool(rng.integers(2)),
        floor,
    )
    free = [(i, j) for j in range(2) for i in range(3) if not (j == row and i in (first, first + 1))]
    order = rng.permutation(4)
    slots = [
        Slot(np.array([SLOT_X[free[k][0]], SLOT_Y[free[k][1]]]) + shift, SLOT_SIZE, bool(rng.integers(2)), floor)
        for k in order
    ]
    tag = f"dock {dock} " if dock else ""
    spurs = build_stair(builder, rng, long, tag)
    build_blocks(builder, rng, slots[0], f"{tag}block A")
    build_blocks(builder, rng, slots[1], f"{tag}block B")
    build_hull(builder, rng, slots[1], tag)
    spurs += build_ramps(builder, rng, slots[2], tag)
    build_debris(builder, rng, slots[3], tag)
    spurs += [through(slots[0], shift, 0.2), through(slots[3], shift, 0.1)]
    return spurs


def through(slot: Slot, shift: FloatArray, lift_m: float) -> Spur:
    """Return a detour from the middle aisle into the slot, over what lies there."""
    middle = slot.origin + np.array(slot.size) / 2
    anchor = np.array([middle[0], AISLE_Y[1] + shift[1]])
    away = np.sign(middle[1] - anchor[1])
    ends = np.array([[middle[0], anchor[1] + away * reach] for reach in (0.8, 2.4)])
    return Spur(anchor, lift(ends, slot.floor + np.array([0.0, 0.0, lift_m])))


def build_blocks(builder: Builder, rng: np.random.Generator, slot: Slot, name: str) -> None:
    """Add three rows of keel blocks, 0.4 x 0.2 m, laid side by side in clusters."""
    number = 0
    for row in range(3):
        u, v = rng.uniform(0.02, 0.12), 0.3 + 0.75 * row + rng.uniform(-0.05, 0.05)
        skew = np.deg2rad(rng.uniform(-2.0, 2.0))
        while u + 0.2 < SLOT_SIZE[0]:
            size = int(rng.integers(2, 6))
            gap = 0.02 if rng.random() < 0.5 else rng.uniform(0.032, 0.04)
            height, even = rng.uniform(0.11, 0.24), rng.random() < 0.3
            for _ in range(size):
                if u + 0.2 > SLOT_SIZE[0]:
                    break
                tilt = np.deg2rad(rng.uniform(0.0, 3.0) if even else rng.uniform(0.0, 12.0))
                rise = height + rng.uniform(-0.004, 0.004) * (1 if even else 5)
                _add_block(builder, rng, slot, f"{name}{number}", (u, v), skew, tilt, rise)
                number += 1
                u += 0.2 + gap
            u += rng.uniform(0.12, 0.30)


def _add_block(
    builder: Builder,
    rng: np.random.Generator,
    slot: Slot,
    name: str,
    corner: tuple[float, float],
    skew: float,
    tilt: float,
    rise: float,
) -> None:
    u, v = corner
    ring = (rectangle(u, v - 0.2, u + 0.2, v + 0.2) - [SLOT_SIZE[0] / 2, v]) @ turn(skew).T + [SLOT_SIZE[0] / 2, v]
    footprint = slot.xy(ring)
    centre = lift(footprint.mean(axis=0)[None], slot.floor)[0] + [0.0, 0.0, min(max(rise, 0.10), 0.25)]
    heading = rng.uniform(-np.pi, np.pi)
    gradient = np.tan(tilt) * np.array([np.cos(heading), np.sin(heading)])
    builder.prism(
        name, footprint, plane_through(centre, gradient), slot.floor, {"top": "block_top", "side": "block_side"}
    )


def build_hull(builder: Builder, rng: np.random.Generator, slot: Slot, tag: str) -> None:
    """Add a hull over the slot: from a low keel line it rises gently, then steeply, to about 2.6 m on either side.

    No part of its bottom is level: a lidar carried above the keel would never see that.
    """
    middle = SLOT_SIZE[1] / 2
    keel = slot.z(np.array([SLOT_SIZE[0] / 2, middle])) + rng.uniform(0.47, 0.55)
    inner, reach = rng.uniform(0.5, 0.65), 1.4
    low, high = inner * np.tan(np.deg2rad(rng.uniform(14.0, 18.0))), rng.uniform(2.0, 2.2)
    profile = np.array([[-reach, high], [-inner, low], [0.0, 0.0], [inner, low], [reach, high]])
    profile += [middle, keel]
    ends = (-0.05, SLOT_SIZE[0] + 0.05)
    solid = builder.new_solid()
    for k in range(len(profile) - 1):
        (v0, z0), (v1, z1) = profile[k], profile[k + 1]
        ring = slot.xy(rectangle(ends[0], v0, ends[1], v1))
        builder.add(f"{tag}hull {k}", "hull", solid, np.column_stack([ring, [z0, z0, z1, z1]])[::-1])
    for k, u in enumerate(ends):
        face = np.column_stack([slot.xy(np.column_stack([np.full(len(profile), u), profile[:, 0]])), profile[:, 1]])
        builder.add(f"{tag}hull end {k}", "hull_end", solid, face if k else face[::-1])


def build_ramps(builder: Builder, rng: np.random.Generator, slot: Slot, tag: str) -> list[Spur]:
    """Add a ramp of 8 degrees and one of 12 to 15, each up to a landing."""
    spurs = []
    for k, (angle, run) in enumerate(((8.0, 1.55), (rng.uniform(12.0, 15.0), 1.25))):
        slope = np.tan(np.deg2rad(angle))
        v0, v1 = ((0.05, 0.95), (1.15, 2.05))[k]
        start, way = ((0.12, 1.0), (SLOT_SIZE[0] - 0.12, -1.0))[k]
        foot = np.array([start, (v0 + v1) / 2])
        u = np.sort([start, start + way * run])
        base = np.array([*slot.xy(foot), slot.z(foot)])
        plane = plane_through(base, slot.gradient(np.array([way * slope, 0.0])))
        kinds = {"top": "ramp", "side": "ramp_side"}
        edges = dict.fromkeys((0, 2), slot.floor - [0.0, 0.0, 0.03])  # the foot may lie a little under the floor
        builder.prism(f"{tag}ramp {k}", slot.xy(rectangle(u[0], v0, u[1], v1)), plane, edges, kinds)
        top = np.array([0.0, 0.0, base[2] + run * slope])
        u = np.sort([start + way * run, start + way * (run + 0.6)])
        edges = {e: slot.floor for e in range(4) if e != (3 if way > 0 else 1)}
        kinds = {"top": "landing", "side": "landing_side"}
        builder.prism(f"{tag}landing {k}", slot.xy(rectangle(u[0], v0, u[1], v1)), top, edges, kinds)
        stops = foot + np.outer([0.0, run, run + 0.4], [way, 0.0])
        points = np.column_stack([slot.xy(stops), base[2] + np.array([0.0, run * slope, run * slope])])
        spurs.append(Spur(_aisle_beside(points[0, :2]), points))
    return spurs


def _aisle_beside(xy: FloatArray) -> FloatArray:
    dock = np.floor(xy[0] / DOCK_LENGTH_M) * DOCK_LENGTH_M
    aisles = np.array(AISLE_X) + dock
    return np.array([aisles[np.argmin(np.abs(aisles - xy[0]))], xy[1]])


def build_stair(builder: Builder, rng: np.random.Generator, slot: Slot, tag: str) -> list[Spur]:
    """Add a stair of eight treads up to a deck with open floor beneath."""
    middle, half, u0 = 1.05, 0.45, 0.25
    ground = slot.z(np.array([u0, middle]))
    for k in range(TREADS):
        u = u0 + k * TREAD_M
        top = np.array([0.0, 0.0, ground + (k + 1) * RISE_M])
        below = slot.floor if k == 0 else top - [0.0, 0.0, RISE_M]
        edges = {0: slot.floor, 2: slot.floor, 3: below}
        if k == TREADS - 1:
            edges[1] = slot.floor
        kinds = {"top": "tread", "side": "stair_side", "side 3": "riser"}
        builder.prism(
            f"{tag}tread {k}", slot.xy(rectangle(u, middle - half, u + TREAD_M, middle + half)), top, edges, kinds
        )
    height = ground + (TREADS + 1) * RISE_M
    u, far = u0 + TREADS * TREAD_M, slot.size[0] - rng.uniform(0.3, 0.6)
    wide = rng.uniform(0.6, 0.75)
    ring = rectangle(u, middle - wide, far, middle + wide)
    top = np.array([0.0, 0.0, height])
    kinds = {"top": "deck", "side": "deck_side", "bottom": "deck_underside"}
    builder.prism(f"{tag}deck", slot.xy(ring), top, top - [0.0, 0.0, RISE_M], kinds)
    for k, (a, b) in enumerate(((u + 0.05, -1), (u + 0.05, 1), (far - 0.15, -1), (far - 0.15, 1))):
        edge = middle + b * (wide - 0.1)
        post = slot.xy(rectangle(a, edge - 0.05, a + 0.1, edge + 0.05))
        solid = builder.new_solid()
        low, high = lift(post, slot.floor), lift(post, top - [0.0, 0.0, RISE_M])
        builder.add(f"{tag}post {k}", "post_top", solid, high)
        for e in range(4):
            f = (e + 1) % 4
            builder.add(f"{tag}post {k} side {e}", "post", solid, [low[e], low[f], high[f], high[e]])
    stops = np.array([[0.1, middle], [u, middle], [(u + far) / 2, middle], [far - 0.35, middle]])
    points = np.column_stack([slot.xy(stops), [ground, height, height, height]])
    return [Spur(_aisle_beside(points[0, :2]), points)]


def build_debris(builder: Builder, rng: np.random.Generator, slot: Slot, tag: str) -> None:
    """Add a patch of gravel and square baulks of timber, one of them leaning on another."""
    size = rng.uniform(1.05, 1.25, 2)
    corner = np.array([rng.uniform(0.05, 0.15), rng.uniform(0.05, SLOT_SIZE[1] - size[1] - 0.05)])
    origin = slot.xy(corner)
    builder.add_field(
        f"{tag}gravel", origin, np.pi if slot.flipped else 0.0, 0.0125, draw_gravel(rng, size, 0.0125), slot.floor
    )
    for k in range(3):
        side, length = rng.uniform(0.10, 0.20), rng.uniform(0.6, 1.1)
        uv = np.array([2.05 + rng.uniform(-0.1, 0.1), 0.35 + 0.7 * k + rng.uniform(-0.05, 0.05)])
        yaw = rng.uniform(-0.45, 0.45) + (np.pi if slot.flipped else 0.0)
        _lay_baulk(builder, slot, f"{tag}timber {k}", uv, yaw, np.array([length, side, side]), 0.0)
    side = rng.uniform(0.10, 0.15)
    uv = np.array([2.05, 0.7 + 0.7 * int(rng.integers(2))])
    yaw = np.pi / 2 + rng.uniform(-0.2, 0.2)
    lean = np.deg2rad(rng.uniform(10.0, 16.0))
    _lay_baulk(builder, slot, f"{tag}leaning timber", uv, yaw, np.array([rng.uniform(0.9, 1.1), side, side]), lean)


def _lay_baulk(
    builder: Builder, slot: Slot, name: str, uv: FloatArray, yaw: float, size: FloatArray, lean: float
) -> None:
    """Lay a baulk on the floor; a leaning one has its low end on the floor."""
    along = np.array([np.cos(yaw) * np.cos(lean), np.sin(yaw) * np.cos(lean), np.sin(lean)])
    across = np.array([-np.sin(yaw), np.cos(yaw), 0.0])
    axes = np.column_stack([along, across, np.cross(along, across)])
    xy = slot.xy(uv)
    drop = np.abs(axes[2]) @ size / 2
    centre = np.array([*xy, slot.z(uv) + drop])
    builder.box(name, centre, axes, size, "timber")


def draw_gravel(rng: np.random.Generator, size: FloatArray, cell_m: float) -> FloatArray:
    """Return heights of stones, 10 to 30 mm high, on a grid that ends in bare floor."""
    nx, ny = (np.round(size / cell_m).astype(int) + 1).tolist()
    height = np.zeros((ny, nx))
    size = np.array([nx - 1, ny - 1]) * cell_m
    stones = int(900 * size[0] * size[1])
    centre = rng.uniform([0.0, 0.0], size, (stones, 2))
    radius, top = rng.uniform(0.015, 0.045, stones), rng.uniform(0.010, 0.030, stones)
    x, y = np.arange(nx) * cell_m, np.arange(ny) * cell_m
    for (cx, cy), r, h in zip(centre, radius, top, strict=True):
        if min(cx, cy, size[0] - cx, size[1] - cy) < r:
            continue
        j = slice(*np.searchsorted(x, [cx - r, cx + r]))
        i = slice(*np.searchsorted(y, [cy - r, cy + r]))
        away = ((x[j] - cx)[None] ** 2 + (y[i] - cy)[:, None] ** 2) / r**2
        height[i, j] = np.maximum(height[i, j], h * np.sqrt(np.clip(1.0 - away, 0.0, 1.0)))
    return np.round(height, 4)


# --------------------------------------------------------------------------- the walk

ROUTE = (
    *((0, 1), (0, 0), (1, 0), (1, 1), (0, 1), (0, 2), "altar", (3, 2), (2, 2), (1, 2), (0, 2), (1, 2), (1, 1)),
    *((2, 1), (2, 2), (2, 1), (2, 0), (1, 0), (2, 0), (3, 0), (3, 1), (3, 2), (3, 1), (2, 1)),
)


def draw_walk(spurs: list[Spur], shift: FloatArray, floor: FloatArray, altar: Altar) -> FloatArray:
    """Return the ground points, and the pace, of a walk through every aisle, along the altar and into every detour."""
    points: list[FloatArray] = []
    waiting = list(spurs)
    here: FloatArray | None = None
    for stop in ROUTE:
        if isinstance(stop, str):
            points.append(_paced(_altar_walk(shift, floor, altar), 1.0))
            here = None
            continue
        there = np.array([AISLE_X[stop[0]], AISLE_Y[stop[1]]]) + shift
        for spur in _spurs_between(waiting, here, there) if here is not None else []:
            start = lift(spur.anchor[None], floor)
            out = _paced(np.concatenate([start, spur.points, spur.points[::-1], start]), DETOUR_PACE)
            out[-1, 3] = 1.0
            points.append(out)
            waiting.remove(spur)
        points.append(_paced(lift(there[None], floor), 1.0))
        here = there
    if waiting:
        raise AssertionError(f"the walk misses {len(waiting)} of its detours")
    return np.concatenate(points)


def _paced(points: FloatArray, pace: float) -> FloatArray:
    return np.column_stack([points, np.full(len(points), pace)])


def _spurs_between(spurs: list[Spur], here: FloatArray, there: FloatArray) -> list[Spur]:
    way = there - here
    length = np.linalg.norm(way)
    found = []
    for spur in spurs:
        along = (spur.anchor - here) @ way / length
        across = abs(way[0] * (spur.anchor - here)[1] - way[1] * (spur.anchor - here)[0]) / length
        if across < 0.05 and 0.0 <= along <= length:
            found.append((float(along), spur))
    return [spur for _, spur in sorted(found, key=lambda pair: pair[0])]


def _altar_walk(shift: FloatArray, floor: FloatArray, altar: Altar) -> FloatArray:
    """Return a walk along the altar: half of it on the last step but two, half on the last but one."""
    heights = [level_above(floor, altar, float(top)) for top in altar.top]
    middle = (altar.front_y + np.append(altar.front_y[1:], DOCK_WIDTH_M)) / 2
    inner = len(heights) - 2
    outer = inner - 1
    stops = [(0.7, 0), (1.0, outer), (6.0, outer), (6.5, inner), (11.0, inner), (11.3, outer), (11.5, 0)]
    return np.concatenate([lift(np.array([[x, middle[k]]]) + shift, heights[k]) for x, k in stops])
