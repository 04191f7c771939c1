"""What each planar patch allows: its slope and roughness against the limits, and where the sole can be put down."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any, Protocol

import numpy as np

from terrain.data import (
    REASONS,
    BoolArray,
    ByteArray,
    FloatArray,
    FootProfile,
    Ground,
    IntArray,
    Label,
    LevelRaster,
    Limit,
    Patches,
    PatchVerdicts,
    rows_by,
)
from terrain.score.placements import judge_placements

INSET_TOLERANCE_M = 1e-3
TRIED_YAWS = 16
SLOPE, ROUGHNESS, NO_GROUND = (REASONS.index(name) for name in ("slope", "roughness", "no-ground"))
COMFORTABLE, BETWEEN, PAST = range(3)


class Cells(Protocol):
    """The cells of the dense judgement by patch: how many there are, (p,) each, by label, and the level of most."""

    total: IntArray
    steppable: IntArray
    marginal: IntArray
    unobserved: IntArray
    level: IntArray

    def best(self, wanted: IntArray, centre: FloatArray) -> dict[int, FloatArray]:
        """Return x, y and height of the best cell of each wanted patch, that is nearest to its centre (p, 3)."""


def score_patches(patches: Patches, ground: Ground, foot: FootProfile, rasters: Sequence[LevelRaster]) -> PatchVerdicts:
    """Return the verdict on each patch; see `judge_patches` for what it says.

    Parameters
    ----------
    patches : Patches
        The planar regions; row k is patch_id k of the ground.
    ground : Ground
        Surfaces and obstacles in the map frame.
    foot : FootProfile
        The sole and its limits.
    rasters : sequence of LevelRaster
        The dense judgement of the same ground and foot.
    """
    cells = RasterCells(rasters, len(patches))
    return judge_patches(patches, foot, cells, inscribed_circles(patches), partial(reasons_at, ground, foot))


def judge_patches(
    patches: Patches,
    foot: FootProfile,
    cells: Cells,
    circles: tuple[FloatArray, FloatArray],
    ask: Callable[[FloatArray], list[list[int]]],
) -> PatchVerdicts:
    """Return the verdict on each patch by what is known of its cells.

    Parameters
    ----------
    patches : Patches
        The planar regions.
    foot : FootProfile
        The sole and its limits.
    cells : Cells
        The dense judgement by patch.
    circles : pair of arrays
        What `inscribed_circles` gives for the patches.
    ask : callable
        What `reasons_at` says of spots (k, 3) on the ground with the foot.

    Returns
    -------
    PatchVerdicts
        One row a patch.

    Notes
    -----
    A patch is `unsteppable` where it is no ground (reason `slope` if too steep to be, else `no-ground`), where its
    slope or roughness is past the limit, or where no cell of it takes the sole; `unobserved` where none does and most
    of its cells are unobserved; `steppable` where slope and roughness are comfortable with z sd and some cell is
    steppable; `marginal` otherwise. Reasons are the patch's own quantities that are not comfortable; then, where none
    of them is past its limit and no cell is steppable, those of the sole at the patch's best cell, most frequent first
    over the yaws. The best cell has the best label and lies nearest to the centre of the largest inscribed circle.

    The roughness's sd follows from that of an RMS of n residuals, residual / sqrt(2 n), as roughness is
    sqrt(residual^2 - noise^2); at most the roughness that one sd of the residuals alone would show.
    """
    n = len(patches)
    centre, inset = circles
    slope_sd = patches.slope_sd_rad
    slope = np.arccos(np.clip(patches.normal[:, 2], -1.0, 1.0))
    tilt = _state(slope, slope_sd, foot.slope_rad, foot.z)
    rough = _state(patches.roughness_m, _roughness_sd(patches), foot.roughness_m, foot.z)

    label = np.full(n, Label.MARGINAL, dtype=np.uint8)
    label[(tilt == COMFORTABLE) & (rough == COMFORTABLE) & (cells.steppable > 0)] = Label.STEPPABLE
    nowhere = cells.steppable + cells.marginal == 0
    label[nowhere] = Label.UNSTEPPABLE
    label[nowhere & (2 * cells.unobserved > cells.total)] = Label.UNOBSERVED
    label[(tilt == PAST) | (rough == PAST) | ~patches.upward | (cells.total == 0)] = Label.UNSTEPPABLE

    open_to = patches.upward & (cells.total > 0) & (cells.steppable == 0) & (tilt != PAST) & (rough != PAST)
    spots = cells.best(np.flatnonzero(open_to), centre)
    found = ask(np.array(list(spots.values())).reshape(-1, 3))
    seen_under_sole = dict(zip(spots, found, strict=True))
    reason = np.full((n, len(REASONS)), -1, dtype=np.int8)
    for k in range(n):
        own = [(-int(state[k]), name) for state, name in ((tilt, SLOPE), (rough, ROUGHNESS)) if state[k] > COMFORTABLE]
        names = [name for _, name in sorted(own)]
        if not patches.upward[k]:
            names = [SLOPE, *(name for name in names if name != SLOPE)]
        elif cells.total[k] == 0:
            names.append(NO_GROUND)
        names += [name for name in seen_under_sole.get(k, ()) if name not in names]
        reason[k, : len(names)] = names
    return PatchVerdicts(
        label=label,
        reason=reason,
        level=np.where(patches.upward, cells.level, -1).astype(np.int16),
        inset_m=inset,
        placements=cells.steppable / np.maximum(cells.total, 1),
    )


def inscribed_circles(patches: Patches) -> tuple[FloatArray, FloatArray]:
    """Return centre (p, 3) in the map frame and radius (p,) of each outline's largest inscribed circle, in metres.

    The circle lies in the patch's plane. An outline without area has radius 0.
    """
    centre, radius = patches.centre_m.copy(), np.zeros(len(patches))
    for k, outline in enumerate(patches.outline):
        centre[k], radius[k] = inscribed_circle(outline, patches.normal[k], patches.centre_m[k])
    return centre, radius


def inscribed_circle(outline: Any, normal: FloatArray, centre_m: FloatArray) -> tuple[FloatArray, float]:
    """Return the same of one outline on the plane with a normal (3,) through centre_m (3,)."""
    if outline.is_empty:
        return centre_m, 0.0
    axes = _plane_axes(normal)
    middle, radius = _largest_circle(outline, axes, centre_m)
    return centre_m + middle @ axes, radius


def _plane_axes(normal: FloatArray) -> FloatArray:
    """Return two unit vectors (2, 3) that span the plane, right-handed with the normal."""
    helper = np.array([1.0, 0.0, 0.0]) if abs(normal[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    first = np.cross(helper, normal)
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(normal, first)])


def _largest_circle(outline: Any, axes: FloatArray, centre: FloatArray) -> tuple[FloatArray, float]:
    import shapely
    from shapely.ops import polylabel

    turn = np.column_stack([axes.T, np.zeros(3)])
    flat = shapely.force_2d(shapely.transform(outline, lambda xyz: (xyz - centre) @ turn, include_z=True))
    if not flat.is_valid:
        flat = flat.buffer(0.0)
    if flat.geom_type != "Polygon":
        flat = max(flat.geoms, key=lambda part: part.area, default=None)
    if flat is None or flat.area <= 0.0:
        return np.zeros(2), 0.0
    if hasattr(shapely, "maximum_inscribed_circle"):
        line = shapely.maximum_inscribed_circle(flat, tolerance=INSET_TOLERANCE_M)
        return shapely.get_coordinates(line)[0], float(line.length)
    point = polylabel(flat, tolerance=INSET_TOLERANCE_M)
    return shapely.get_coordinates(point)[0], float(flat.boundary.distance(point))


def _state(value: FloatArray, sd: FloatArray, limit: Limit, z: float) -> IntArray:
    """Return 0 comfortable, 1 between, 2 past the limit, for a quantity that is worse the larger it is."""
    state = np.full(len(value), PAST)
    state[value <= limit.limit] = BETWEEN
    state[(value <= limit.limit) & (value + z * sd <= limit.comfort)] = COMFORTABLE
    return state


def _roughness_sd(patches: Patches) -> FloatArray:
    points = np.maximum(patches.points, 1)
    spread = patches.residual_m**2 / np.sqrt(2.0 * points)
    with np.errstate(divide="ignore", invalid="ignore"):
        sd = np.where(patches.roughness_m > 0.0, spread / patches.roughness_m, np.inf)
    return np.minimum(sd, np.sqrt(2.0 * spread))


class RasterCells:
    """The cells of rasters by patch."""

    def __init__(self, rasters: Sequence[LevelRaster], patches: int) -> None:
        self._rasters = rasters
        patch, label, raster, place = [], [], [], []
        for k, one in enumerate(rasters):
            at = np.flatnonzero((one.patch_id >= 0) & (one.patch_id < patches))
            patch.append(one.patch_id.ravel()[at])
            label.append(one.label.ravel()[at])
            raster.append(np.full(len(at), k))
            place.append(at)
        empty = [np.empty(0, dtype=np.int64)]
        self.patch: IntArray = np.concatenate(patch or empty).astype(np.int64)
        self.label: ByteArray = np.concatenate(label or empty).astype(np.uint8)
        self.raster: IntArray = np.concatenate(raster or empty)
        self.place: IntArray = np.concatenate(place or empty)
        self.total = self._count(np.ones(len(self.patch), dtype=np.bool_), patches)
        self.steppable = self._count(self.label == Label.STEPPABLE, patches)
        self.marginal = self._count(self.label == Label.MARGINAL, patches)
        self.unobserved = self._count(self.label == Label.UNOBSERVED, patches)
        per_level = np.stack([self._count(self.raster == k, patches) for k in range(max(len(rasters), 1))])
        named = np.array([one.level for one in rasters] or [-1])
        self.level: IntArray = np.where(self.total > 0, named[per_level.argmax(axis=0)], -1)
        self.order, self.first = rows_by(self.patch, patches)

    def _count(self, which: BoolArray, patches: int) -> IntArray:
        return np.bincount(self.patch[which], minlength=patches)

    def best(self, wanted: IntArray, centre: FloatArray) -> dict[int, FloatArray]:
        """Return x, y and height of the best cell of each wanted patch."""
        spots = {}
        for k in wanted:
            rows = self.order[self.first[k] : self.first[k + 1]]
            xyz = np.empty((len(rows), 3))
            for number, one in enumerate(self._rasters):
                here = self.raster[rows] == number
                xyz[here] = cell_places(one, *np.divmod(self.place[rows[here]], one.label.shape[1]))
            spots[int(k)] = xyz[best_cell(xyz, self.label[rows], centre[k])]
        return spots


def cell_places(raster: LevelRaster, iy: IntArray, ix: IntArray) -> FloatArray:
    """Return the centres of cells and their heights, (k, 3)."""
    x, y = raster.x0_m + (ix + 0.5) * raster.cell_m, raster.y0_m + (iy + 0.5) * raster.cell_m
    return np.column_stack([x, y, raster.height_m[iy, ix].astype(np.float64)])


def best_cell(xyz: FloatArray, label: ByteArray, centre: FloatArray) -> int:
    """Return which of a patch's cells (k, 3) is the best: marginal if one is, then the nearest to its centre."""
    rank = np.where(label == Label.MARGINAL, 0, 1)
    away = np.hypot(xyz[:, 0] - centre[0], xyz[:, 1] - centre[1])
    return int(np.lexsort((away, rank))[0])


def reasons_at(ground: Ground, foot: FootProfile, spots: FloatArray) -> list[list[int]]:
    """Return the reasons at each spot (k, 3) over the yaws with the best label there, most frequent and worst first."""
    if len(spots) == 0:
        return []
    yaw = 2.0 * np.pi * np.arange(TRIED_YAWS) / TRIED_YAWS
    placements = [
        np.column_stack([np.tile(xyz[:2], (TRIED_YAWS, 1)), yaw, np.full(TRIED_YAWS, xyz[2])]) for xyz in spots
    ]
    verdicts = judge_placements(ground, foot, np.concatenate(placements))
    found = []
    for row in range(len(spots)):
        part = slice(row * TRIED_YAWS, (row + 1) * TRIED_YAWS)
        label, reason = verdicts.label[part], verdicts.reason[part]
        better = np.isin(label, (Label.STEPPABLE, Label.MARGINAL))
        if better.any():
            reason = reason[better]
        weight = np.zeros(len(REASONS))
        for place in range(reason.shape[1]):
            names = reason[:, place][reason[:, place] >= 0]
            weight += np.bincount(names, minlength=len(REASONS)) / (1.0 + place)
        found.append([int(name) for name in np.argsort(-weight, kind="stable") if weight[name] > 0])
    return found
