"""The ground of a site: surfaces by column, their levels, and what stands or hangs over them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from terrain.data import Cloud, Float32Array, FloatArray, Grid, Ground, Int32Array, IntArray, Segmentation
from terrain.ground.columns import Surfaces, columns_of, joined, make_grid
from terrain.ground.levels import bridges, patch_levels, surface_levels
from terrain.ground.loose import sort_loose
from terrain.ground.surfaces import GroundSettings, patch_surfaces


@dataclass(frozen=True, slots=True, eq=False)
class GroundReport:
    """What the ground was made from."""

    noise_points: int
    pierced_cells: int
    patch_level: tuple[int, ...]
    patch_roughness_m: FloatArray
    """(p,) what the returns of each patch prove beyond noise, locally."""
    warnings: tuple[str, ...]


def build_ground(
    cloud: Cloud,
    segmentation: Segmentation,
    *,
    joint_m: float,
    drop_m: float,
    settings: GroundSettings | None = None,
) -> tuple[Ground, GroundReport]:
    """Return the ground that feet are judged on.

    Parameters
    ----------
    cloud, segmentation
        The fused points, and the patches found in them.
    joint_m : float
        Openings narrower than this are bridged: they neither carry nor are edges.
    drop_m : float
        An opening shallower than this is no opening.
    """
    from terrain.kernels.ground import thin_columns
    from terrain.kernels.masks import cells_of

    settings = settings or GroundSettings()
    patches, masks = segmentation.patches, segmentation.masks
    cell_xy = cells_of(cloud.xyz_map_m, masks.x0_m, masks.y0_m, masks.cell_m)
    grid = make_grid(cloud, masks, cell_xy)
    known, rough = patch_surfaces(cloud, patches, masks, segmentation.point_patch, cell_xy, grid, settings)
    known = known.sorted_by_column()
    first = known.first(grid.columns)
    known, pierced_cells = _without_pierced(cloud, segmentation.point_patch, known, first, grid)
    first = known.first(grid.columns)
    rows = np.flatnonzero(segmentation.point_patch == -1)
    loose = sort_loose(cloud, rows, known, first, grid, settings)
    surfaces = joined([known, loose.surfaces]).sorted_by_column()
    first = surfaces.first(grid.columns)
    surfaces = surfaces.chosen(thin_columns(first, surfaces.height_m, surfaces.seen, settings.same_m))
    first = surfaces.first(grid.columns)
    of_patch = patch_levels(surfaces, first, patches, settings)
    level = surface_levels(surfaces, first, of_patch, settings)
    over, over_level = bridges(surfaces, level, grid, joint_m=joint_m, drop_m=drop_m)
    surfaces = joined([surfaces, over])
    level = np.concatenate([level, over_level])
    order = np.lexsort((surfaces.patch_id, surfaces.height_m, surfaces.column))
    surfaces, level = surfaces.chosen(order), level[order]
    walkable, warnings = _walkable(cloud, surfaces, level, grid)
    span_first, low, high = _spans(cloud, segmentation, loose.things, cell_xy, grid, settings)
    ground = Ground(
        grid,
        surfaces.first(grid.columns),
        surfaces.height_m,
        surfaces.height_sd_m,
        surfaces.gradient,
        surfaces.gradient_sd,
        surfaces.roughness_m,
        surfaces.edge_sd_m,
        surfaces.seen,
        surfaces.points,
        surfaces.patch_id,
        level.astype(np.int16),
        surfaces.carries,
        walkable,
        span_first,
        low,
        high,
        levels=int(level.max(initial=-1)) + 1,
    )
    report = GroundReport(loose.dropped, pierced_cells, tuple(int(k) for k in of_patch), rough, tuple(warnings))
    return ground, report


def _without_pierced(
    cloud: Cloud, point_patch: Int32Array, known: Surfaces, first: IntArray, grid: Grid
) -> tuple[Surfaces, int]:
    """Take away surfaces that more beams crossed, on their way to something beneath, than met them."""
    from terrain.kernels.ground import pierced
    from terrain.kernels.threads import in_order

    if cloud.view_map_m is None or len(known) == 0:
        return known, 0
    view = cloud.view_map_m
    edges = np.linspace(0, len(cloud), 5).astype(int).tolist()

    def part(k: int) -> Int32Array:
        counts: Int32Array = pierced(
            edges[k], edges[k + 1], cloud.xyz_map_m, view, cloud.origin_m, point_patch, grid.x0_m, grid.y0_m,
            grid.z0_m, grid.cell_m, grid.tile_slot, first, known.height_m, known.patch_id, 0.35, 0.5,
        )  # fmt: skip
        return counts

    crossed = np.sum(in_order(part, range(4)), axis=0)
    gone = (crossed >= 2) & (crossed > 2 * known.points.astype(np.int64))
    return known.chosen(~gone), int(gone.sum())


def _walkable(cloud: Cloud, surfaces: Surfaces, level: IntArray, grid: Grid) -> tuple[np.ndarray, list[str]]:
    """Tell which surfaces a foot can be judged on.

    With viewpoints undersides were told apart beam by beam. Without them a surface 1.2 m and more above other ground
    that covers most of all ground below it is taken for a ceiling.
    """
    walkable = np.ones(len(surfaces), dtype=bool)
    warnings: list[str] = []
    if cloud.view_map_m is not None or len(surfaces) == 0:
        return walkable, warnings
    column_low = np.full(grid.columns, np.inf, dtype=np.float32)
    np.minimum.at(column_low, surfaces.column, surfaces.height_m)
    over = surfaces.height_m - column_low[surfaces.column] > 1.2
    ground_columns = len(np.unique(surfaces.column[~over]))
    covered = len(np.unique(surfaces.column[over]))
    if ground_columns and covered > 0.6 * ground_columns:
        walkable = ~over
        warnings.append(
            f"no viewpoints: {covered * grid.cell_m**2:.1f} m2 of surface more than 1.2 m above other ground cover "
            "most of it and are taken for a ceiling, not for ground"
        )
    elif covered:
        warnings.append(
            f"no viewpoints: {covered * grid.cell_m**2:.1f} m2 of surface lie over other ground and could be "
            "undersides; check them before a foot goes there"
        )
    return walkable, warnings


def _spans(
    cloud: Cloud,
    segmentation: Segmentation,
    things: IntArray,
    cell_xy: Int32Array,
    grid: Grid,
    settings: GroundSettings,
) -> tuple[IntArray, Float32Array, Float32Array]:
    """Return spans of all that is no ground: steep patches and undersides on their planes, loose things as seen."""
    from terrain.kernels.ground import merge_spans

    patches, masks = segmentation.patches, segmentation.masks
    pieces: list[tuple[IntArray, np.ndarray]] = []
    steep = np.array([not patches.upward[k] and masks.nx[k] == 0 for k in range(len(patches))], dtype=bool)
    rows = np.flatnonzero(segmentation.point_patch >= 0)
    rows = rows[steep[segmentation.point_patch[rows]]] if len(patches) else rows[:0]
    own = segmentation.point_patch[rows]
    xyz = cloud.xyz_map_m[rows]
    off = ((xyz - patches.origin_m) * patches.normal[own]).sum(axis=1) - patches.offset_m[own]
    pieces.append(_piece(xyz - off[:, None] * patches.normal[own], grid))
    pieces.append(_piece(cloud.xyz_map_m[things], grid))
    for k in np.flatnonzero(~patches.upward & (masks.nx > 0)):
        iy, ix = np.nonzero(masks.window(int(k)))
        x = grid.x0_m + (masks.ix0[k] + ix + 0.5) * grid.cell_m
        y = grid.y0_m + (masks.iy0[k] + iy + 0.5) * grid.cell_m
        relative = np.stack([x, y], axis=1) - patches.origin_m[:2]
        z = (patches.offset_m[k] - relative @ patches.normal[k, :2]) / patches.normal[k, 2] + patches.origin_m[2]
        pieces.append(_piece(np.column_stack([x, y, z]), grid))
    column = np.concatenate([c for c, _ in pieces])
    height = np.concatenate([z for _, z in pieces])
    column, height = column[column >= 0], height[column >= 0]
    order = np.lexsort((height, column))
    column, height = column[order], height[order].astype(np.float32)
    return merge_spans(column, height, height, grid.columns, np.float32(settings.span_gap_m))  # type: ignore[no-any-return]


def _piece(xyz: np.ndarray, grid: Grid) -> tuple[IntArray, np.ndarray]:
    ix = np.floor((xyz[:, 0] - grid.x0_m) / grid.cell_m).astype(np.int64)
    iy = np.floor((xyz[:, 1] - grid.y0_m) / grid.cell_m).astype(np.int64)
    return columns_of(grid, ix, iy), xyz[:, 2] - grid.z0_m
