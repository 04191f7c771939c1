"""Joints between slabs or blocks that returns alone show: strips where their density dips.

A joint 20 mm wide is narrower than the gaps between returns, so no cell of it stands out. Counted over a strip as
long as a block is wide, its dip does. Only the two directions in which the patch's own border runs are searched: in
all directions chance finds a dip somewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from terrain.data import BoolArray, ByteArray, Cloud, Float32Array, FloatArray, IntArray, rows_by
from terrain.segment.masks import STEEP_COSINE
from terrain.segment.regions import Planes, Voxels

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
    from scipy.ndimage import gaussian_filter

    soft = gaussian_filter(mask.astype(np.float64), 2.0, mode="constant")
    gy, gx = np.gradient(soft)
    weight = np.hypot(gx, gy)
    angle = 4.0 * np.arctan2(gy, gx)
    return float(np.arctan2((weight * np.sin(angle)).sum(), (weight * np.cos(angle)).sum()) / 4.0 % (np.pi / 2))


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

    def of(self, rows: IntArray) -> Beams:
        """Return some of the beams."""
        return Beams(self.xy_m[rows], self.above_m[rows], self.cosine[rows], self.sd_m[rows], self.on[rows])


@dataclass(frozen=True, slots=True, eq=False)
class BeamTable:
    """The beams of a cloud by plane: those of returns on it, and those of returns just below it."""

    beams: Beams
    order: IntArray
    begins: IntArray

    def of_planes(self, planes: list[int]) -> Beams:
        """Return the beams that ended on some planes or went through them."""
        rows = [self.order[self.begins[k] : self.begins[k + 1]] for k in planes]
        return self.beams.of(np.concatenate(rows))


def make_beams(cloud: Cloud, voxels: Voxels, planes: Planes, *, floor_sd_m: float, cut: float) -> BeamTable | None:
    """Return the beams of the cloud by plane; None where the cloud does not tell where it was seen from."""
    from terrain.kernels.joints import beams_below, beams_on

    if cloud.view_map_m is None:
        return None
    flat = np.abs(planes.plane[:, 2]) > STEEP_COSINE
    met = cloud.xyz_map_m, cloud.view_map_m, cloud.sd_m, cloud.cross_sd_m
    about = voxels.low_m, cloud.origin_m, floor_sd_m**2
    on = beams_on(*met, planes.point_plane, planes.plane, *about)
    of, below = beams_below(
        *met, voxels.start, voxels.order, voxels.cell, planes.voxel_label, voxels.table, voxels.value,
        planes.point_plane, planes.plane, flat, *about, DEEP_M, cut,
    )  # fmt: skip
    rows = np.flatnonzero(planes.point_plane >= 0)
    rows = rows[flat[planes.point_plane[rows]]]
    every = np.concatenate([on[rows], below])
    plane = np.concatenate([planes.point_plane[rows], of])
    order, begins = rows_by(plane, len(planes.plane))
    is_on = np.arange(len(every)) < len(rows)
    return BeamTable(Beams(every[:, :2], every[:, 2], every[:, 3], every[:, 4], is_on), order, begins)


def cut_joints(
    mask: BoolArray,
    xy_cells: FloatArray,
    *,
    cell_m: float,
    beams: Beams | None = None,
    corner_m: FloatArray | None = None,
    settings: JointSettings | None = None,
) -> ByteArray:
    """Return the mask as states: 0 outside or a joint that is cut, 1 surface, 2 a suspected joint.

    Parameters
    ----------
    mask : (ny, nx) bool
        Where the surface is.
    xy_cells : (n, 2) float64
        Its returns, in cells from the corner of the mask.
    beams : Beams, optional
        The beams that met the plane. Without them only the lack of returns tells.
    corner_m : (2,) float64, optional
        The corner of the mask in the frame of the beams.
    """
    from scipy.ndimage import find_objects
    from scipy.ndimage import label as connected

    settings = settings or JointSettings()
    state = mask.astype(np.uint8)
    numbered, count = connected(mask)
    column = np.clip(xy_cells[:, 0].astype(np.int64), 0, mask.shape[1] - 1)
    row = np.clip(xy_cells[:, 1].astype(np.int64), 0, mask.shape[0] - 1)
    by_part, begins = rows_by(numbered[row, column], count + 1)
    entered = _Entered(beams, corner_m, numbered, count, cell_m) if beams is not None and corner_m is not None else None
    for k, box in enumerate(find_objects(numbered), start=1):
        own = numbered[box] == k
        if own.sum() * cell_m * cell_m < 0.02:
            continue
        corner = np.array([box[1].start, box[0].start])
        members = xy_cells[by_part[begins[k] : begins[k + 1]]] - corner
        scores = None if entered is None else _scored(*entered.part(k), corner, own.shape, cell_m, settings)
        found = _search(own, members, scores, cell_m, settings)
        target = state[box]
        target[own & (found == 1)] = SUSPECTED
        target[own & (found == 2)] = CUT
    return state


class _Entered:
    """The beams that met a mask, by its parts."""

    def __init__(self, beams: Beams, corner_m: FloatArray, numbered: Any, count: int, cell_m: float) -> None:
        self._beams = beams
        self._cells = (beams.xy_m.astype(np.float64) - corner_m) / cell_m
        column, row = np.floor(self._cells).astype(np.int64).T
        ny, nx = numbered.shape
        inside = (column >= 0) & (row >= 0) & (column < nx) & (row < ny)
        part = np.zeros(len(self._cells), dtype=np.int64)
        part[inside] = numbered[row[inside], column[inside]]
        self._order, self._begins = rows_by(part, count + 1)

    def part(self, k: int) -> tuple[Beams, FloatArray]:
        """Return the beams that met part k, and where, in cells of the mask."""
        rows = self._order[self._begins[k] : self._begins[k + 1]]
        return self._beams.of(rows), self._cells[rows]


def _scored(
    own: Beams, cells: FloatArray, corner: IntArray, shape: tuple[int, ...], cell_m: float, settings: JointSettings
) -> _Scores | None:
    """Return where beams met a part's plane, and how much each looks as if it went into a joint.

    A beam that enters an opening of the surface ends further away, at its far side. The score is the logarithm of how
    much more probable the range is if the way beyond the surface is evenly spread up to `opening_m` than if it is
    none; heights are taken from their average around. Scores are scaled to variance one.
    """
    from scipy.ndimage import gaussian_filter
    from scipy.special import ndtr

    if own.on.sum() < 30:
        return None
    cells = cells - corner
    at = np.floor(cells[:, 1]).astype(np.int64) * shape[1] + np.floor(cells[:, 0]).astype(np.int64)
    size = shape[0] * shape[1]
    sigma = settings.level_m / cell_m
    held = gaussian_filter(np.bincount(at[own.on], minlength=size).reshape(shape).astype(np.float64), sigma)
    height = gaussian_filter(np.bincount(at[own.on], own.above_m[own.on], minlength=size).reshape(shape), sigma)
    level = (height / np.maximum(held, 1e-9)).ravel()[at]
    cosine = np.maximum(own.cosine, 0.05)
    beyond = (level - own.above_m) / cosine
    sd = own.sd_m / cosine
    reach = settings.opening_m
    inside = (ndtr(beyond / sd) - ndtr((beyond - reach) / sd)) / reach
    none = np.exp(-0.5 * (beyond / sd) ** 2) / (sd * np.sqrt(2.0 * np.pi))
    score = np.clip(np.log(np.maximum(inside, 1e-12) / np.maximum(none, 1e-12)), -1.5, 3.0)
    score -= score.mean()
    return _Scores(cells, score / max(float(score.std()), 1e-6), np.clip(beyond, -reach, reach))


@dataclass(frozen=True, slots=True, eq=False)
class _Scores:
    """Where beams met a part's plane, in cells; their scores; how far beyond it they ended, metres, within bounds."""

    xy_cells: FloatArray
    score: FloatArray
    beyond_m: FloatArray


def _search(
    own: BoolArray, members: FloatArray, scores: _Scores | None, cell_m: float, settings: JointSettings
) -> ByteArray:
    """Dips of one connected part, as cells of its mask: 0 none, 1 suspected, 2 certain."""
    from terrain.kernels.joints import turned_back

    out = np.zeros(own.shape, dtype=np.uint8)
    angle = border_angle(np.pad(own, 4))
    small = own.sum() * cell_m**2 < settings.ragged_m2
    offsets = settings.offsets_rad if small else (0.0,)
    laid = [
        _laid(own, members, scores, angle + offset + right, cell_m, settings) for offset in offsets for right in RIGHT
    ]
    for length_m in settings.lengths_m:
        strips = [_Strips(grid, length_m, settings, trials=4 * len(offsets)) for grid in laid]
        for k, (grid, one) in enumerate(zip(laid, strips, strict=True)):
            # Many joints in a small part widen the scatter across them; the direction along them tells it too.
            other = strips[k ^ 1].scatter if small else one.scatter
            least = min(one.scatter, other)
            found = one.dips(least if scores is not None else float(np.sqrt(one.scatter * least)))
            if found.any():
                turned_back(found, own, grid.c, grid.s, grid.scale[0], grid.scale[1], grid.low[0], grid.low[1], out)
    return out


RIGHT = (0.0, np.pi / 2)


@dataclass(frozen=True, slots=True, eq=False)
class _Laid:
    """Returns and mask of a part on a grid whose second axis runs along a direction.

    met, score, beyond: where beams met the plane, and their scores and ways beyond it; None without beams.
    """

    counts: Float32Array
    area: Float32Array
    met: Float32Array | None
    score: Float32Array | None
    beyond: Float32Array | None
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
    from terrain.kernels.joints import turned_area, turned_sums

    c, s = float(np.cos(turn)), float(np.sin(turn))
    scale = np.array([cell_m / settings.along_m, cell_m / settings.across_m])
    far = np.array([[0, 0], [own.shape[1], 0], [0, own.shape[0]], [own.shape[1], own.shape[0]]], dtype=np.float64)
    turned = far @ np.array([[c, -s], [s, c]]) * scale
    low = np.floor(turned.min(axis=0)) - 1
    nu, nv = (np.ceil(turned.max(axis=0)) - low + 1).astype(int)
    grid = c, s, scale[0], scale[1], low[0], low[1], nu, nv
    counts, _ = turned_sums(members, np.empty((0, len(members))), *grid)
    met = score = beyond = None
    if scores is not None:
        met, (score, beyond) = turned_sums(scores.xy_cells, np.stack([scores.score, scores.beyond_m]), *grid)
    return _Laid(counts, turned_area(own, *grid), met, score, beyond, c, s, scale, low)


class _Strips:
    """Strips along the second axis of a grid, against the returns beside them."""

    def __init__(self, grid: _Laid, length_m: float, settings: JointSettings, *, trials: int) -> None:
        from scipy.special import ndtri

        from terrain.kernels.joints import strip_dips, strip_scores

        counts, area = grid.counts, grid.area
        self._settings, self._area = settings, area
        self._along = round(length_m / settings.along_m) | 1
        self._short = round(settings.short_m / settings.along_m) | 1
        across = max(1, round(settings.strip_m / settings.across_m))
        inner = round(settings.flank_from_m / settings.across_m)
        outer = round(settings.flank_to_m / settings.across_m)
        self._depth, wide, self._share, self._near, self._width = strip_dips(
            counts, area, self._along, across, inner, outer, 3 * outer, self._short, settings.least_expected
        )
        self._lack, self._beams = self._depth, grid.met is not None
        self._goes_in = np.ones(area.shape, dtype=bool)
        if grid.met is not None:
            wide_strip = round(settings.beam_strip_m / settings.across_m)
            strip = wide_strip, inner, outer
            entered, _ = strip_scores(grid.met, grid.score, area, self._along, *strip, settings.least_expected)
            entered = np.where(np.isfinite(entered), entered, 0.0)
            near, _ = strip_scores(grid.met, grid.score, area, self._short, *strip, 3.0)
            self._entered_near = np.where(np.isfinite(near), near, 0.0)
            _, beyond = strip_scores(grid.met, grid.beyond, area, self._along, *strip, settings.least_expected)
            self._goes_in = beyond > settings.least_beyond_m
            self._depth = settings.count_weight * self._depth + settings.beam_weight * entered
            wide = settings.count_weight * wide + settings.beam_weight * entered
        rate = max(float(counts.sum() / max(area.sum(), 1.0)), 1e-9)
        width_sd_m = np.sqrt((across + 2 * inner) / (rate * self._along)) * settings.across_m
        self._tells_width = bool(width_sd_m < settings.width_sd_m)
        # Scan lines make counts scatter more than chance does. Against a wider surrounding, so that a joint does not
        # raise the strips beside it, and below the median, so that dips are not in it.
        values = wide[np.isfinite(wide)]
        if len(values) < 200:
            values = self._depth[np.isfinite(self._depth)]
        strips = max(1.0, trials * len(values) / (across * self._along))
        self._certain = max(settings.certain, float(-ndtri(settings.false_cuts / strips / 2.0)))
        self.scatter = (
            max(1.0, 1.4826 * float(np.median(values) - np.quantile(values, 0.25))) if len(values) else np.inf
        )

    def dips(self, scatter: float) -> ByteArray:
        """Return 1 on suspected and 2 on certain dips."""
        from scipy.ndimage import maximum_filter, maximum_filter1d, minimum_filter1d

        settings = self._settings
        out = np.zeros(self._depth.shape, dtype=np.uint8)
        if not np.isfinite(scatter):
            return out
        with np.errstate(invalid="ignore"):
            suspected = self._depth > settings.suspected * scatter
            wide = (self._width * settings.across_m > settings.least_width_m) | (not self._tells_width)
            suspected &= wide & (self._lack > settings.least_lack) & self._goes_in
            certain = suspected & (self._depth > self._certain * scatter)
            if not self._beams:
                certain &= self._share < settings.deep
        for value, where in ((1, suspected), (2, certain)):
            if where.any():
                reach = maximum_filter1d(where.astype(np.uint8), self._along, axis=1) > 0
                here = self._entered_near > settings.entered_here if self._beams else self._near < settings.low_here
                # A joint goes on to the border: what is outside bridges the last few centimetres to it.
                low = (reach & (here | (self._area == 0))).astype(np.uint8)
                line = minimum_filter1d(maximum_filter1d(low, self._short, axis=1), self._short, axis=1)
                if value == 2:
                    line = maximum_filter(line, 3)
                out[(line > 0) & (self._area > 0)] = value
        return out
