"""Joints between slabs or blocks that returns alone show: strips where their density dips.

A joint 20 mm wide is narrower than the gaps between returns, so no cell of it stands out. Counted over a strip as
long as a block is wide, its dip does. Only the two directions in which the patch's own border runs are searched: in
all directions chance finds a dip somewhere.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from terrain.data import BoolArray, ByteArray, Cloud, Float32Array, FloatArray, Int32Array, IntArray
from terrain.kernels.stretches import stretches
from terrain.segment.masks import STEEP_COSINE, blurred
from terrain.segment.regions import PlaneRows, Planes, Voxels

CUT, SURFACE, SUSPECTED = 0, 1, 2
DEEP_M = 0.10
"""Returns further below a surface than this are not looked at for openings in it."""


@dataclass(frozen=True, slots=True)
class JointSettings:
    """What counts as a dip; lengths in metres."""

    across_m: float = 0.006
    along_m: float = 0.024
    """Cells that returns are counted in, across a joint and along it."""
    strip_m: float = 0.012
    lengths_m: tuple[float, ...] = (0.20, 0.38)
    flank_from_m: float = 0.018
    flank_to_m: float = 0.06
    """From where to where, beyond the strip's border, the returns beside it are counted."""
    short_m: float = 0.10
    low_here: float = 0.9
    """Along a dip only where returns over `short_m` are fewer than this share of those beside."""
    entered_here: float = 0.8
    """The same for beams that went in: how many standard deviations more than beside."""
    certain: float = 4.0
    suspected: float = 3.8
    """Depths of the dip in standard deviations of the counts, as they scatter on this very patch."""
    offsets_rad: tuple[float, ...] = (-0.026, 0.0, 0.026)
    ragged_m2: float = 2.0
    """The border of a part smaller than this tells its direction only roughly: it is searched beside it too."""
    false_cuts: float = 0.05
    """How many strips of a whole part may pass for certain by chance; a large part asks for deeper dips."""
    least_width_m: float = 0.0115
    """A joint that is narrower separates nothing, where returns are dense enough to tell (`width_sd_m`)."""
    width_sd_m: float = 0.0022
    opening_m: float = 0.03
    """How much further than the surface a beam ends, at most, that went into a joint and met its far side."""
    beam_strip_m: float = 0.018
    least_beyond_m: float = 0.0055
    """How much further than beside them beams that met the strip end on average, at least. A joint as wide as the strip
    makes it half its width over the sine of incidence, one of half that width a quarter of that; a groove little."""
    level_m: float = 0.04
    """Sd of the average that the height of returns over their plane is taken from: planes do not fit perfectly."""
    beam_weight: float = 0.9
    count_weight: float = 0.44
    """How the excess of beams that went in and the lack of returns count; squares add up to about one."""
    least_lack: float = 1.0
    """Without this much lack of returns, beams that went in are a groove and not a joint."""
    least_expected: float = 8.0
    deep: float = 0.65
    """Share of the returns beside it that a cut strip has at most."""


def border_angle(mask: BoolArray) -> float:
    """Return the direction, 0 to pi/2, in which most of the mask's border runs (or at right angles to it)."""
    border = np.zeros_like(mask)
    border[1:] |= mask[1:] ^ mask[:-1]
    border[:, 1:] |= mask[:, 1:] ^ mask[:, :-1]
    total = 0.0 + 0.0j
    for part in stretches(border, around=BORDER_REACH, reach=BORDER_REACH):
        rise = np.gradient(blurred(mask[part.wide].astype(np.float64), 2.0))
        steep = part.inner(rise[1]) + 1.0j * part.inner(rise[0])
        steep = steep[steep != 0.0]
        total += complex((steep**4 / np.abs(steep) ** 3).sum())  # four times the angle, weighted by how steep
    return float(np.angle(total) / 4.0 % (np.pi / 2))


BORDER_REACH = 10
"""Cells beside a border in which the blurred mask rises, and that this depends on."""


@dataclass(frozen=True, slots=True, eq=False)
class Beams:
    """Where beams met the plane that they ended on, or went through, and what they found there.

    xy_m (n, 2) float32 in the map frame relative to the voxel grid's corner; above_m (n,) how far above the plane the
    return is; cosine (n,) of incidence; sd_m (n,) of above_m; on (n,) whether the return lies on the plane.
    """

    xy_m: Float32Array
    above_m: Float32Array
    cosine: Float32Array
    sd_m: Float32Array
    on: BoolArray


@dataclass(frozen=True, slots=True, eq=False)
class BeamTable:
    """What tells the beams of a cloud by plane: they are worked out for a few planes at a time, or would fill memory.

    below (m, 5): beams of returns just below planes, sorted by plane, as the kernels have them; plane k's are
    below[begins[k] : begins[k + 1]].
    """

    cloud: Cloud
    planes: Planes
    rows: PlaneRows
    low_m: FloatArray
    floor2: float
    below: Float32Array
    begins: IntArray

    def of_planes(self, planes: list[int]) -> Beams:
        """Return the beams that ended on some flat planes or went through them: plane by plane, those on it first."""
        from terrain.kernels.joints import beams_on

        cloud, held = self.cloud, np.diff(self.begins)
        size = sum(len(self.rows.of(k)) + int(held[k]) for k in planes)
        xy, rest = np.empty((size, 2), dtype=np.float32), np.empty((3, size), dtype=np.float32)
        on = np.zeros(size, dtype=bool)
        at = 0
        for k in planes:
            rows, below = self.rows.of(k), self.below[self.begins[k] : self.begins[k + 1]]
            beams_on(
                rows, k, at, cloud.xyz_map_m, cloud.view_map_m, cloud.sd_m, cloud.cross_sd_m, self.planes.plane,
                self.low_m, cloud.origin_m, self.floor2, xy, rest,
            )  # fmt: skip
            on[at : at + len(rows)] = True
            at += len(rows)
            xy[at : at + len(below)], rest[:, at : at + len(below)] = below[:, :2], below[:, 2:].T
            at += len(below)
        return Beams(xy, rest[0], rest[1], rest[2], on)


def make_beams(
    cloud: Cloud, voxels: Voxels, planes: Planes, rows: PlaneRows, *, floor_sd_m: float, cut: float
) -> BeamTable | None:
    """Return the beams of the cloud by plane; None where the cloud does not tell where it was seen from."""
    from terrain.kernels.joints import beams_below
    from terrain.kernels.threads import in_order
    from terrain.kernels.voxels import rows_by_group

    if cloud.view_map_m is None:
        return None
    flat = np.abs(planes.plane[:, 2]) > STEEP_COSINE
    edges = np.linspace(0, len(voxels.cell), BELOW_PARTS + 1).astype(int).tolist()
    found = in_order(
        lambda part: beams_below(
            edges[part], edges[part + 1], voxels.points, voxels.start, voxels.near, planes.voxel_label,
            planes.by_voxel, planes.plane, flat, voxels.low_m, floor_sd_m**2, DEEP_M, cut,
        ),
        range(BELOW_PARTS),
    )  # fmt: skip
    order, begins = rows_by_group(np.concatenate([of for of, _ in found]), len(flat))
    below = np.concatenate([beams for _, beams in found])[order]
    return BeamTable(cloud, planes, rows, voxels.low_m, floor_sd_m**2, below, begins)


BELOW_PARTS = 32
"""Parts of the voxels that are looked through by themselves; what is found is in their order."""


def cut_joints(
    mask: BoolArray,
    xy: FloatArray,
    rows: Int32Array,
    first: FloatArray,
    *,
    cell_m: float,
    beams: Callable[[], Beams] | None = None,
    corner_m: FloatArray | None = None,
    settings: JointSettings | None = None,
) -> tuple[ByteArray, Any, int]:
    """Return the mask as states, and the pieces that cuts leave of it, numbered, and how many there are.

    States: 0 outside or a joint that is cut, 1 surface, 2 a suspected joint.

    Parameters
    ----------
    mask : (ny, nx) bool
        Where the surface is.
    xy, rows, first : (n, 2 or more) float64, (m,) int32, (2,) float64
        Points, which of them are the surface's returns, and the corner of the mask among them.
    beams : callable, optional
        Gives the beams that met the plane; what it gives is let go of soon. Without it only the lack of returns tells.
    corner_m : (2,) float64, optional
        The corner of the mask in the frame of the beams.
    """
    from terrain.kernels.connected import box_of, boxes_of, connected
    from terrain.kernels.joints import beams_by_part, cells_by_part

    settings = settings or JointSettings()
    state = mask.astype(np.uint8)
    numbered, count = connected(mask)
    boxes = boxes_of(numbered, count)
    corners = boxes[:, 1::-1].astype(np.float64)
    begins, cells = cells_by_part(xy, rows, first, cell_m, numbered, corners)
    met = None
    if beams is not None and corner_m is not None:
        every = beams()
        columns = every.xy_m, every.above_m, every.cosine, every.sd_m, every.on
        met = beams_by_part(*columns, corner_m, cell_m, numbered, corners)
        del every, columns
    cut = False
    for k in np.flatnonzero(boxes[:, 4] * cell_m * cell_m >= 0.02).tolist():
        box = box_of(boxes, k)
        own = numbered[box] == k
        scores = None
        if met is not None:
            part = slice(int(met[0][k]), int(met[0][k + 1]))
            scores = _scored(tuple(column[part] for column in met[1:]), own, cell_m, settings)
        found = _search(own, cells[begins[k] : begins[k + 1]], scores, cell_m, settings)
        target = state[box]
        target[own & (found == 1)] = SUSPECTED
        target[own & (found == 2)] = CUT
        cut |= bool((found == 2).any())
    if cut:
        numbered, count = connected(state > 0)
    return state, numbered, count


CHUNK = 1 << 15
"""Beams that are scored at a time, so that what is worked out on the way stays near the processor."""


def _scored(beams: tuple[Any, ...], own: BoolArray, cell_m: float, settings: JointSettings) -> _Scores | None:
    """Return where beams met a part's plane, and how much each looks as if it went into a joint.

    beams: where they met it, (n, 2) in cells from the part's corner; above, cosine, sd and on as in `Beams`.

    A beam that enters an opening of the surface ends further away, at its far side. The score is the logarithm of how
    much more probable the range is if the way beyond the surface is evenly spread up to `opening_m` than if it is
    none; heights are taken from their average around. Scores are scaled to variance one.
    """
    from scipy.special import ndtr

    from terrain.kernels.joints import add_heights

    cells, above_m, cosine, sd_m, on = beams
    shape = own.shape
    if on.sum() < 30:
        return None
    sigma, at = settings.level_m / cell_m, np.empty(len(cells), dtype=np.int32)
    held, height, smooth = np.zeros(shape), np.zeros(shape), np.empty(shape)
    add_heights(cells, above_m, on, at, held.ravel(), height.ravel(), shape[1])
    for part in stretches(own, around=0, reach=int(4.0 * sigma + 0.5)):
        count, sum_m = (
            blurred(np.ascontiguousarray(values[part.wide]), sigma, mirrored=True) for values in (held, height)
        )
        smooth[part.core] = part.inner(sum_m / np.maximum(count, 1e-9))
    mean = smooth.ravel()
    del held, height
    reach = settings.opening_m
    made = np.empty((2, len(at)))

    def score_part(begin: int) -> None:
        part = slice(begin, begin + CHUNK)
        slant = np.maximum(cosine[part], 0.05)
        beyond = (mean[at[part]] - above_m[part]) / slant
        sd = sd_m[part] / slant
        inside = (ndtr(beyond / sd) - ndtr((beyond - reach) / sd)) / reach
        none = np.exp(-0.5 * (beyond / sd) ** 2) / (sd * np.sqrt(2.0 * np.pi))
        made[0, part] = np.clip(np.log(np.maximum(inside, 1e-12) / np.maximum(none, 1e-12)), -1.5, 3.0)
        made[1, part] = np.clip(beyond, -reach, reach)

    _each(score_part, range(0, len(at), CHUNK), large=len(at) > 8 * CHUNK)
    score = made[0]
    score -= score.mean()
    score /= max(float(score.std()), 1e-6)
    return _Scores(cells, made)


@dataclass(frozen=True, slots=True, eq=False)
class _Scores:
    """Where beams met a part's plane, (n, 2) in cells, and made (2, n) of them.

    Their scores, and how far beyond the plane they ended, metres, within bounds.
    """

    xy_cells: FloatArray
    made: FloatArray


def _search(
    own: BoolArray, members: FloatArray, scores: _Scores | None, cell_m: float, settings: JointSettings
) -> ByteArray:
    """Dips of one connected part, as cells of its mask: 0 none, 1 suspected, 2 certain."""
    from terrain.kernels.joints import turned_back

    out = np.zeros(own.shape, dtype=np.uint8)
    angle = border_angle(np.pad(own, 4))
    small = own.sum() * cell_m**2 < settings.ragged_m2
    offsets = settings.offsets_rad if small else (0.0,)
    turns = [angle + offset + right for offset in offsets for right in RIGHT]
    large = own.size > LARGE_CELLS
    laid = _each(lambda turn: _laid(own, members, scores, turn, cell_m, settings), turns, large=large)

    def strips_of(job: tuple[float, _Laid]) -> _Strips:
        return _Strips(job[1], job[0], settings, trials=4 * len(offsets))

    every = _each(strips_of, [(length_m, grid) for length_m in settings.lengths_m for grid in laid], large=large)
    for begin in range(0, len(every), len(laid)):
        strips = every[begin : begin + len(laid)]
        for k, (grid, one) in enumerate(zip(laid, strips, strict=True)):
            # Many joints in a small part widen the scatter across them; the direction along them tells it too.
            other = strips[k ^ 1].scatter if small else one.scatter
            least = min(one.scatter, other)
            found = one.dips(least if scores is not None else float(np.sqrt(one.scatter * least)))
            if found is not None:
                turned_back(found, own, grid.c, grid.s, grid.scale[0], grid.scale[1], grid.low[0], grid.low[1], out)
    return out


RIGHT = (0.0, np.pi / 2)
LARGE_CELLS = 100_000
"""A part with so many cells in its window is worked on by all cores: one such can take as long as all others."""


def _each(job: Callable[[Any], Any], items: Iterable[Any], *, large: bool) -> list[Any]:
    """Return job(item) for each item, on all cores where that pays."""
    from terrain.kernels.threads import in_order

    return in_order(job, items) if large else [job(item) for item in items]


@dataclass(frozen=True, slots=True, eq=False)
class _Laid:
    """Returns and mask of a part on a grid whose second axis runs along a direction.

    rows: which of its cells are kept, nu, nv how many there are; area by rows; tables: sums over the grid; beyond: of
    how far beams end beyond the plane. rate: returns a cell.
    """

    rows: Any
    tables: Any
    beyond: Any
    area: Float32Array
    rate: float
    widths: Any
    shape: tuple[int, int]
    c: float
    s: float
    scale: FloatArray
    low: FloatArray


def _laid(
    own: BoolArray,
    members: FloatArray,
    scores: _Scores | None,
    turn: float,
    cell_m: float,
    settings: JointSettings,
) -> _Laid:
    from terrain.kernels.joints import add_turned, around_rows, turned_area, turned_rows
    from terrain.kernels.strips import Tables, Widths, summed

    c, s = float(np.cos(turn)), float(np.sin(turn))
    scale = np.array([cell_m / settings.along_m, cell_m / settings.across_m])
    far = np.array([[0, 0], [own.shape[1], 0], [0, own.shape[0]], [own.shape[1], own.shape[0]]], dtype=np.float64)
    turned = far @ np.array([[c, -s], [s, c]]) * scale
    low = np.floor(turned.min(axis=0)) - 1
    nu, nv = (np.ceil(turned.max(axis=0)) - low + 1).astype(int).tolist()
    grid = c, s, scale[0], scale[1], low[0], low[1]
    rows = turned_rows(own, *grid, nu, nv)
    made = np.zeros((2 if scores is None else 5, rows.size), dtype=np.float32)
    add_turned(members, np.empty((0, len(members))), *grid, rows, made[:1])
    turned_area(own, *grid, rows, made[1])
    across, beam = (max(1, round(wide / settings.across_m)) for wide in (settings.strip_m, settings.beam_strip_m))
    inner, outer = (round(far_m / settings.across_m) for far_m in (settings.flank_from_m, settings.flank_to_m))
    widths = Widths(across, beam, inner, outer, 3 * outer)
    reach = widths.wide + max(across, beam)
    wide = around_rows(rows, reach, round(max(settings.lengths_m) / settings.along_m) // 2 + 1)
    if scores is not None:
        add_turned(scores.xy_cells, scores.made, *grid, rows, made[2:])
    counts, area = made[0], made[1]
    hits, cover, *others = summed(made, rows, wide, nu)
    met, score, beyond = others or [np.zeros(0)] * 3
    rate = max(float(counts.sum() / max(area.sum(), 1.0)), 1e-9)
    return _Laid(
        rows, Tables(hits, cover, met, score, wide.base, reach), beyond, area, rate, widths, (nv, nu), c, s, scale, low
    )


def _lower_half(values: Float32Array) -> float:
    """Return how far the first quartile lies below the median, as NumPy's `quantile` and `median` tell them."""
    n = len(values)
    low, middle = (n - 1) // 4, (n - 1) // 2
    high = min(low + 1, n - 1)
    sort = np.partition(values, sorted({low, high, middle, n // 2}))
    share, rise = (n - 1) % 4 / 4, sort[high] - sort[low]
    quarter = sort[low] + rise * share if share < 0.5 else sort[high] - rise * (1.0 - share)
    return float(sort[[middle, n // 2]].mean() - quarter)


class _Strips:
    """Strips along the second axis of a grid, against the returns beside them."""

    def __init__(self, grid: _Laid, length_m: float, settings: JointSettings, *, trials: int) -> None:
        from scipy.special import ndtri

        from terrain.kernels.strips import strip_depths

        self._settings, self._grid = settings, grid
        self._along = round(length_m / settings.along_m) | 1
        self._short = round(settings.short_m / settings.along_m) | 1
        self._beams = len(grid.tables.met) > 0
        self._depth, values = strip_depths(
            grid.tables, grid.area, grid.rows, grid.widths, self._along, settings.least_expected,
            settings.count_weight, settings.beam_weight,
        )  # fmt: skip
        across = grid.widths.across
        width_sd_m = np.sqrt((across + 2 * grid.widths.inner) / (grid.rate * self._along)) * settings.across_m
        self._tells_width = bool(width_sd_m < settings.width_sd_m)
        # Scan lines make counts scatter more than chance does. Against a wider surrounding, so that a joint does not
        # raise the strips beside it, and below the median, so that dips are not in it.
        if len(values) < 200:
            values = self._depth[np.isfinite(self._depth)]
        strips = max(1.0, trials * len(values) / (across * self._along))
        self._certain = max(settings.certain, float(-ndtri(settings.false_cuts / strips / 2.0)))
        self.scatter = max(1.0, 1.4826 * _lower_half(values)) if len(values) else np.inf

    def dips(self, scatter: float) -> ByteArray | None:
        """Return 1 on suspected and 2 on certain dips; None where there is none."""
        from terrain.kernels.strips import strip_details

        settings, grid = self._settings, self._grid
        if not np.isfinite(scatter):
            return None
        deep = np.flatnonzero(self._depth > settings.suspected * scatter)
        if len(deep) == 0:
            return None
        row = np.searchsorted(grid.rows.base + grid.rows.high, deep, side="right")
        cells = np.column_stack([row, deep - grid.rows.base[row]])
        lack, share, width, beyond = strip_details(
            cells, grid.tables, grid.beyond, grid.widths, self._along, settings.least_expected
        )
        suspected = (width * settings.across_m > settings.least_width_m) | (not self._tells_width)
        suspected &= lack > settings.least_lack
        if self._beams:
            suspected &= beyond > settings.least_beyond_m
        certain = suspected & (self._depth[deep] > self._certain * scatter)
        if not self._beams:
            certain &= share < settings.deep
        return self._drawn(cells[suspected], cells[certain]) if suspected.any() else None

    def _drawn(self, suspected: IntArray, certain: IntArray) -> ByteArray:
        """Return the lines that strips about some cells, row and column, make: 1 and 2."""
        from scipy.ndimage import maximum_filter

        from terrain.kernels.strips import cells_along, close_along, strip_near

        settings, grid, rows = self._settings, self._grid, self._grid.rows
        out = np.zeros(grid.shape, dtype=np.uint8)
        # All that follows happens in the strips' own rows and those beside them.
        top = max(int(suspected[0, 0]) - 1, 0)
        drawn = out[top : int(suspected[-1, 0]) + 2]
        inside = np.zeros(drawn.shape, dtype=bool)
        for k in range(len(drawn)):
            low, high, base = rows.low[top + k], rows.high[top + k], rows.base[top + k]
            inside[k, low:high] = grid.area[base + low : base + high] > 0
        for value, cells in ((1, suspected), (2, certain)):
            if len(cells):
                line = np.zeros(drawn.shape, dtype=np.uint8)
                # A joint goes on to the border: what is outside bridges the last few centimetres to it.
                met = cells_along(cells, top, self._along // 2, inside, line)
                near = strip_near(
                    np.add(met, (top, 0)), grid.tables, grid.widths, self._along, self._short, settings.least_expected
                )
                line[met[:, 0], met[:, 1]] = near > settings.entered_here if self._beams else near < settings.low_here
                close_along(line, self._short // 2, np.empty(drawn.shape[1] + 1, dtype=np.int64))
                if value == 2:
                    line = maximum_filter(line, 3)
                drawn[(line > 0) & inside] = value
        return out
