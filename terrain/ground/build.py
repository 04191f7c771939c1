"""The ground of a site: surfaces by column, their levels, and what stands or hangs over them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from terrain.data import Cloud, Float32Array, FloatArray, Grid, Ground, Int32Array, IntArray, Segmentation
from terrain.ground.columns import Surfaces, columns_of, joined, make_grid
from terrain.ground.levels import bridges, patch_levels, surface_levels
from terrain.ground.loose import sort_loose
from terrain.ground.stones import with_stones
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
    known = known.sorted_by_column(grid.columns)
    first = known.first(grid.columns)
    known, pierced_cells = _without_pierced(cloud, segmentation.point_patch, known, first, grid)
    first = known.first(grid.columns)
    rows = np.flatnonzero(segmentation.point_patch == -1)
    loose = sort_loose(cloud, rows, known, first, grid, settings)
    surfaces = joined([known, loose.surfaces]).sorted_by_column(grid.columns)
    first = surfaces.first(grid.columns)
    surfaces = surfaces.chosen(thin_columns(first, surfaces.height_m, surfaces.seen, settings.same_m))
    first = surfaces.first(grid.columns)
    of_patch = patch_levels(surfaces, first, patches, settings)
    level = surface_levels(surfaces, first, of_patch, settings)
    over, over_level = bridges(surfaces, level, grid, joint_m=joint_m, drop_m=drop_m)
    surfaces = joined([surfaces, over])
    level = np.concatenate([level, over_level])
    order = surfaces.order_by_column(grid.columns)
    surfaces, level = surfaces.chosen(order), level[order]
    walkable, warnings = _walkable(cloud, surfaces, level, grid)
    spans = _spans(cloud, segmentation, loose.things, grid, settings)
    surfaces = with_stones(surfaces, cloud, loose.things, spans, grid, drop_m=drop_m)
    span_first, low, high = spans
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


BEAM_PARTS = 64
"""Parts of the cloud whose beams are walked in turn: what they take differs several times over."""


def _without_pierced(
    cloud: Cloud, point_patch: Int32Array, known: Surfaces, first: IntArray, grid: Grid
) -> tuple[Surfaces, int]:
    """Take away surfaces that more beams crossed, on their way to something beneath, than met them."""
    from numba import get_num_threads

    from terrain.kernels.ground import highest, pierced
    from terrain.kernels.threads import in_order

    if cloud.view_map_m is None or len(known) == 0:
        return known, 0
    view = cloud.view_map_m
    top_of, block = highest(first, known.height_m, grid.tile_slot)
    edges = np.linspace(0, len(cloud), BEAM_PARTS + 1).astype(int).tolist()
    threads = min(int(get_num_threads()), BEAM_PARTS)

    def share(first_part: int) -> Int32Array:
        counts = np.zeros(len(known), dtype=np.int32)
        for k in range(first_part, BEAM_PARTS, threads):
            pierced(
                edges[k], edges[k + 1], cloud.xyz_map_m, view, cloud.origin_m, point_patch, grid.x0_m, grid.y0_m,
                grid.z0_m, grid.cell_m, grid.tile_slot, first, known.height_m, known.patch_id, top_of, block, 0.35,
                0.5, counts,
            )  # fmt: skip
        return counts

    crossed = np.sum(in_order(share, range(threads)), axis=0)
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
            f"no viewpoints: {max(covered * grid.cell_m**2, 0.01):.2f} m2 of surface lie over other ground and could "
            "be undersides; check them before a foot goes there"
        )
    return walkable, warnings


def _spans(
    cloud: Cloud,
    segmentation: Segmentation,
    things: IntArray,
    grid: Grid,
    settings: GroundSettings,
) -> tuple[IntArray, Float32Array, Float32Array]:
    """Return spans of all that is no ground: steep patches and undersides on their planes, loose things as seen."""
    from terrain.kernels.ground import laid_columns, merge_spans
    from terrain.kernels.threads import over_parts

    patches, masks = segmentation.patches, segmentation.masks
    pieces: list[tuple[IntArray, np.ndarray]] = []
    steep = np.append(~patches.upward & (masks.nx == 0), False)  # the last one is for points of no patch
    rows = np.flatnonzero(steep[np.maximum(segmentation.point_patch, -1)])
    column, height = np.empty(len(rows), dtype=np.int64), np.empty(len(rows), dtype=np.float32)
    over_parts(
        laid_columns, len(rows), rows, cloud.xyz_map_m, segmentation.point_patch, patches.normal, patches.offset_m,
        patches.origin_m, grid.x0_m, grid.y0_m, grid.z0_m, grid.cell_m, grid.tile_slot, column, height,
    )  # fmt: skip
    pieces.append((column, height))
    pieces.append(_piece(cloud.xyz_map_m[things], grid))
    for k in np.flatnonzero(~patches.upward & (masks.nx > 0)):
        iy, ix = np.nonzero(masks.window(int(k)))
        x = grid.x0_m + (masks.ix0[k] + ix + 0.5) * grid.cell_m
        y = grid.y0_m + (masks.iy0[k] + iy + 0.5) * grid.cell_m
        relative = np.stack([x, y], axis=1) - patches.origin_m[:2]
        z = (patches.offset_m[k] - relative @ patches.normal[k, :2]) / patches.normal[k, 2] + patches.origin_m[2]
        pieces.append(_piece(np.column_stack([x, y, z]), grid))
    column, height = _sorted_pieces(pieces)
    return merge_spans(column, height, height, grid.columns, np.float32(settings.span_gap_m))  # type: ignore[no-any-return]


def _sorted_pieces(pieces: list[tuple[IntArray, np.ndarray]]) -> tuple[IntArray, Float32Array]:
    """Return columns and heights sorted by column, then height; what lies in no column is left out.

    Both are packed into one whole number, of which the bits of the height rise with it: those sort several times as
    fast as two arrays do.
    """
    keys = []
    for column, height in pieces:
        inside = column >= 0
        bits = height[inside].astype(np.float32).view(np.int32)
        rising = np.where(bits < 0, bits ^ np.int32(0x7FFFFFFF), bits).astype(np.int64) + (1 << 31)
        keys.append(column[inside] << 32 | rising)
    key = np.concatenate(keys)
    key.sort()
    rising = ((key & 0xFFFFFFFF) - (1 << 31)).astype(np.int32)
    height = np.where(rising < 0, rising ^ np.int32(0x7FFFFFFF), rising).view(np.float32)
    return key >> 32, height


def _piece(xyz: np.ndarray, grid: Grid) -> tuple[IntArray, np.ndarray]:
    ix = np.floor((xyz[:, 0] - grid.x0_m) / grid.cell_m).astype(np.int64)
    iy = np.floor((xyz[:, 1] - grid.y0_m) / grid.cell_m).astype(np.int64)
    return columns_of(grid, ix, iy), xyz[:, 2] - grid.z0_m
