"""Surfaces of the ground: planes where patches are, local averages of the returns elsewhere."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from terrain.data import Cloud, FloatArray, Grid, Int32Array, IntArray, Patches, PatchMasks
from terrain.ground.clipped import sd_of_whole, whole_variance
from terrain.ground.columns import Surfaces, columns_of, joined

if TYPE_CHECKING:
    from terrain.kernels.stretches import Stretch


@dataclass(frozen=True, slots=True)
class GroundSettings:
    """What the ground is tuned by; lengths in metres."""

    seen_radius_m: float = 0.03
    rest_voxel_m: float = 0.02
    floor_sd_m: float = 0.003
    bump_sigma: float = 3.5
    """A patch's local mean that departs this many of its sd (and 3 mm) from the plane replaces the plane there."""
    rough_cells: int = 15
    least_spare: float = 30.0
    """Returns beyond the first of a cell that it takes to tell the noise from them."""
    near_m: float = 0.06
    rest_share: float = 0.5
    """Loose returns this close to a patch count only if they are this many times the patch's own there."""
    least_loose: int = 3
    span_gap_m: float = 0.06
    same_m: float = 0.03
    level_gap_m: float = 0.25
    level_area_m2: float = 0.02


def patch_surfaces(
    cloud: Cloud,
    patches: Patches,
    masks: PatchMasks,
    point_patch: Int32Array,
    cell_xy: Int32Array,
    grid: Grid,
    settings: GroundSettings,
) -> tuple[Surfaces, FloatArray]:
    """Return one record a cell of every upward patch's mask, and the roughness of each patch, (p,) metres.

    A patch's roughness is the root of the mean square of its cells'; that of other patches is left as it was.
    """
    from terrain.kernels.ground import patch_hits
    from terrain.kernels.stretches import stretches
    from terrain.kernels.threads import by_remainder, in_order

    planes = np.column_stack([patches.normal, patches.offset_m])
    sums = np.zeros((len(masks.cells), 3))
    by_remainder(
        patch_hits, cloud.xyz_map_m, point_patch, cell_xy, masks.ix0, masks.iy0, masks.nx, masks.offset, planes,
        patches.origin_m, sums,
    )  # fmt: skip
    rough = patches.roughness_m.copy()
    upward = np.flatnonzero(patches.upward & (masks.nx > 0)).tolist()

    def window(k: int) -> FloatArray:
        flat = sums[int(masks.offset[k]) : int(masks.offset[k + 1])]
        return flat.reshape(int(masks.ny[k]), int(masks.nx[k]), 3)

    jobs = [(k, part) for k in upward for part in stretches(masks.window(k) > 0, around=0, reach=REACH)]
    scatters = in_order(lambda job: _scatter(_returns(window(job[0])[job[1].core])), jobs)
    scatter = np.zeros((len(patches), 2))
    for (k, _), found in zip(jobs, scatters, strict=True):
        scatter[k] += found

    def one(job: tuple[int, Stretch]) -> Surfaces:
        k, part = job
        return _records(k, part, patches, masks, _returns(window(k)[part.wide]), scatter[k], grid, settings)

    parts = in_order(one, jobs)
    squares, records = np.zeros(len(patches)), np.zeros(len(patches))
    for (k, _), made in zip(jobs, parts, strict=True):
        squares[k] += float(np.square(made.roughness_m, dtype=np.float64).sum())
        records[k] += len(made)
    rough[upward] = np.sqrt(squares[upward] / np.maximum(records[upward], 1.0))
    return joined([*parts, no_surfaces()]), rough


REACH = 16
"""Cells around that what is known of a cell depends on, at most: half the widest window of `proven_roughness`."""


def _returns(sums: FloatArray) -> Returns:
    return Returns(*(np.ascontiguousarray(sums[..., c]) for c in range(3)))


def _scatter(returns: Returns) -> tuple[float, float]:
    """Return the sum of squares of returns about the mean of their cell, and how many of them are free."""
    inside = np.maximum(returns.square - np.square(returns.residual) / np.maximum(returns.hits, 1.0), 0.0)
    return float(inside.sum()), float(np.maximum(returns.hits - 1.0, 0.0).sum())


@dataclass(frozen=True, slots=True, eq=False)
class Returns:
    """Returns of one patch in the cells of its window, and the sums of their distances from its plane and squares."""

    hits: FloatArray
    residual: FloatArray
    square: FloatArray


def proven_roughness(
    returns: Returns,
    bump: FloatArray,
    noise_m: float,
    settings: GroundSettings,
    scatter: FloatArray | None = None,
) -> FloatArray:
    """Return the roughness about the stored heights that noise does not explain, metres, by cell.

    Two parts. What moves neighbouring returns together: over a window as wide as a sole, the mean squared distance
    from the stored surface (the plane, or the local mean `bump` where that stands for it), less what returns within
    one cell scatter among themselves. And what is finer than the returns are apart: what that scatter, over twice the
    window, has beyond the stated noise, with the returns that were left out because they lie too far off counted in
    (`whole_variance`). Each is zero within two and a half of its standard deviations. scatter (2,): `_scatter` of the
    whole patch, where these returns are a part of it.
    """
    from terrain.kernels.masks import mean_around

    n = returns.hits

    def total(values: FloatArray, width: int) -> FloatArray:
        return np.asarray(mean_around(values, width) * float(width * width))

    width = settings.rough_cells
    inside = np.maximum(returns.square - np.square(returns.residual) / np.maximum(n, 1.0), 0.0)
    spare = np.maximum(n - 1.0, 0.0)
    whole_inside, whole_spare = _scatter(returns) if scatter is None else scatter
    whole = float(whole_inside / whole_spare) if whole_spare >= settings.least_spare else np.inf
    local_spare = total(spare, 2 * width + 1)
    enough = local_spare >= settings.least_spare
    local = np.where(enough, total(inside, 2 * width + 1) / np.maximum(local_spare, 1.0), whole)
    known = np.isfinite(local)
    finer = whole_variance(np.where(known, local, 0.0) / noise_m**2) - 1.0
    finer = np.where(finer > 2.5 * sd_of_whole(np.where(enough, local_spare, whole_spare)), finer, 0.0) * noise_m**2
    noise2 = np.where(known, local, noise_m**2)
    count = np.maximum(total(n, width), 1e-9)
    about = returns.square - 2.0 * bump * returns.residual + n * np.square(bump)
    wider = np.maximum(total(about, width), 0.0) / np.maximum(count, 1.0) - noise2
    chance = 2.5 * np.sqrt(2.0 / np.maximum(count, 1.0)) * np.maximum(noise2, 1e-6)
    return np.where(count > 0.5, np.sqrt(np.where(wider > chance, wider, 0.0) + finer), 0.0)


def _records(
    k: int,
    part: Stretch,
    patches: Patches,
    masks: PatchMasks,
    returns: Returns,
    scatter: FloatArray,
    grid: Grid,
    settings: GroundSettings,
) -> Surfaces:
    """Return the records of one stretch of a patch's window; returns: of all that it depends on."""
    from scipy.ndimage import convolve

    from terrain.kernels.masks import mean_around

    top, left_end = part.wide[0].start, part.wide[1].start
    state = np.zeros(returns.hits.shape, dtype=np.uint8)
    part.inner(state)[:] = masks.window(k)[part.core]
    hit, left = returns.hits, returns.residual
    reach = int(settings.seen_radius_m / masks.cell_m)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    disc = ((x * x + y * y) <= reach * reach).astype(np.float64)
    seen = convolve(hit, disc, mode="constant")
    around = mean_around(hit, 5) * 25.0
    mean = mean_around(left, 5) * 25.0 / np.maximum(around, 1.0)
    noise = max(float(patches.noise_m[k]), 1e-4)
    chance = settings.bump_sigma * noise / np.sqrt(np.maximum(around, 1.0))
    significant = (around >= 4) & (np.abs(mean) > 0.003 + chance)
    iy, ix = np.nonzero(state > 0)
    normal = patches.normal[k]
    xy = np.stack(
        [
            grid.x0_m + (masks.ix0[k] + left_end + ix + 0.5) * grid.cell_m,
            grid.y0_m + (masks.iy0[k] + top + iy + 0.5) * grid.cell_m,
        ],
        axis=1,
    )
    relative = xy - patches.origin_m[:2]
    z = (patches.offset_m[k] - relative @ normal[:2]) / normal[2] + patches.origin_m[2]
    raised = np.where(significant, mean, 0.0)
    bump = raised[iy, ix]
    rough = proven_roughness(returns, raised, noise, settings, scatter)[iy, ix]
    away = np.linalg.norm(xy - patches.centre_m[k, :2], axis=1)
    sd = np.hypot(patches.height_sd_m[k], away * patches.slope_sd_rad[k])
    sd = np.where(bump != 0.0, np.hypot(sd, noise / np.sqrt(np.maximum(around[iy, ix], 1.0))), sd)
    density = np.maximum(mean_around(hit, 7), 0.02)[iy, ix]
    ones = np.ones(len(ix))
    return Surfaces(
        columns_of(grid, masks.ix0[k] + left_end + ix, masks.iy0[k] + top + iy),
        (z + bump / normal[2] - grid.z0_m).astype(np.float32),
        sd.astype(np.float32),
        np.tile(-normal[:2] / normal[2], (len(ix), 1)).astype(np.float32),
        (ones * patches.slope_sd_rad[k]).astype(np.float32),
        rough.astype(np.float32),
        edge_sd(density, grid.cell_m).astype(np.float32),
        np.minimum(seen[iy, ix] + 0.5, 255).astype(np.uint8),
        np.minimum(hit[iy, ix], 65535).astype(np.uint16),
        np.full(len(ix), k, dtype=np.int32),
        state[iy, ix] == 1,
    )


def edge_sd(density: FloatArray, cell_m: float) -> FloatArray:
    """Return the sd of where a surface ends, metres, from its returns per cell.

    A third of the spacing of the returns, and the cell's own rounding.
    """
    spacing = cell_m / np.sqrt(density)
    return np.asarray(np.hypot(spacing / 3.0, cell_m / np.sqrt(12.0)))


def no_surfaces() -> Surfaces:
    """Return no records."""
    f, i = np.zeros(0, dtype=np.float32), np.zeros(0, dtype=np.int64)
    return Surfaces(
        i, f, f, np.zeros((0, 2), dtype=np.float32), f, f, f, f.astype(np.uint8), f.astype(np.uint16),
        i.astype(np.int32), i.astype(bool),
    )  # fmt: skip


def loose_surfaces(
    cell: IntArray,
    local: FloatArray,
    flatness: FloatArray,
    used: IntArray,
    count: FloatArray,
    noise_m: FloatArray,
    low_m: FloatArray,
    size_m: float,
    grid: Grid,
) -> Surfaces:
    """Return surfaces of loose returns: one a voxel whose surroundings slope less than 60 degrees.

    Parameters
    ----------
    cell : (v, 3) int64
        Voxels of loose returns, seen from above.
    local : (v, 4) float64
        Plane through each voxel's surroundings (three voxels wide): unit normal, offset about the voxel's centre.
    flatness, used, count, noise_m : (v,)
        Mean squared departure over its prediction; returns in the surroundings; returns in the voxel; predicted sd.
    """
    normal = np.where(local[:, 2:3] < 0, -local[:, :3], local[:, :3])
    offset = np.where(local[:, 2] < 0, -local[:, 3], local[:, 3])
    good = (normal[:, 2] > 0.5) & np.isfinite(flatness) & (used >= 8)
    # In a column of voxels the one with most returns speaks for its neighbours above and below.
    rows = np.flatnonzero(good)
    order = rows[np.lexsort((cell[rows, 2], cell[rows, 1], cell[rows, 0]))]
    same = (np.diff(cell[order, 0]) == 0) & (np.diff(cell[order, 1]) == 0) & (np.diff(cell[order, 2]) <= 2)
    group = np.concatenate([[0], np.cumsum(~same)]) if len(order) else np.zeros(0, dtype=np.int64)
    best = order[np.lexsort((-cell[order, 2], -count[order], group))]
    _, at = np.unique(group, return_index=True)
    chosen = best[at] if len(order) else order
    normal, offset, flat, used_by = normal[chosen], offset[chosen], flatness[chosen], used[chosen]
    gradient = -normal[:, :2] / normal[:, 2:3]
    centre = low_m + (cell[chosen] + 0.5) * size_m
    spread = noise_m[chosen] * np.sqrt(np.maximum(flat, 1.0))
    sd = spread / np.sqrt(used_by)
    rough = noise_m[chosen] * np.sqrt(np.maximum(flat - 1.0 - 2.0 * np.sqrt(2.0 / used_by), 0.0))
    density = used_by / 9.0 * (grid.cell_m / size_m) ** 2
    parts = []
    half = size_m / 2.0
    steps = max(1, round(size_m / grid.cell_m))
    for a in range(steps):
        for b in range(steps):
            dx, dy = (a + 0.5) * grid.cell_m - half, (b + 0.5) * grid.cell_m - half
            ix = np.floor((centre[:, 0] + dx - grid.x0_m) / grid.cell_m).astype(np.int64)
            iy = np.floor((centre[:, 1] + dy - grid.y0_m) / grid.cell_m).astype(np.int64)
            x = grid.x0_m + (ix + 0.5) * grid.cell_m - centre[:, 0]
            y = grid.y0_m + (iy + 0.5) * grid.cell_m - centre[:, 1]
            z = centre[:, 2] + (offset - normal[:, 0] * x - normal[:, 1] * y) / normal[:, 2]
            parts.append(
                Surfaces(
                    columns_of(grid, ix, iy),
                    (z - grid.z0_m).astype(np.float32),
                    sd.astype(np.float32),
                    gradient.astype(np.float32),
                    (spread * np.sqrt(12.0 / used_by) / (3.0 * size_m)).astype(np.float32),
                    rough.astype(np.float32),
                    edge_sd(np.maximum(density, 0.02), grid.cell_m).astype(np.float32),
                    np.minimum(0.785 * used_by, 255).astype(np.uint8),
                    np.minimum(count[chosen] / steps**2 + 0.5, 65535).astype(np.uint16),
                    np.full(len(chosen), -1, dtype=np.int32),
                    np.ones(len(chosen), dtype=bool),
                )
            )
    found = joined([*parts, no_surfaces()])
    return found.chosen(found.column >= 0)
