"""From planes to patches: masks, connected parts, outlines, and what is known of each."""

from __future__ import annotations

from typing import Any

import numpy as np

from terrain.data import (
    BoolArray,
    ByteArray,
    Cloud,
    FloatArray,
    Int32Array,
    Patches,
    PatchMasks,
    Segmentation,
)
from terrain.segment.beams import BeamTable, make_beams
from terrain.segment.holes import weigh_holes
from terrain.segment.joint_settings import JointSettings
from terrain.segment.joints import cut_joints
from terrain.segment.masks import STEEP_COSINE, MaskSettings, grow, outlines, piece_outlines, shrink
from terrain.segment.regions import (
    PlaneRows,
    Planes,
    SegmentSettings,
    Voxels,
    find_planes,
    make_voxels,
    part_middles,
    points_of,
    refit,
    rows_of,
    slab_planes,
    without_points,
)
from terrain.segment.slabs import find_slabs
from terrain.segment.windows import PlaneMasks, Windows, make_windows, plane_masks

FRINGE = -2
"""Point on a plane but outside every patch of it: evidence of nothing."""
LEAST_INSIDE = 50
"""Returns well inside a part from which on they alone tell its plane."""


Part = tuple[int, int, int, ByteArray, Any]
"""Plane, first cell in x and y, mask; or the outline of a steep part."""


def segment_planes(
    cloud: Cloud,
    *,
    joint_m: float,
    settings: SegmentSettings | None = None,
    masks: MaskSettings | None = None,
    by_slab: bool = True,
) -> Segmentation:
    """Return the planar patches of a cloud.

    Parameters
    ----------
    cloud : Cloud
        Fused points, map frame.
    joint_m : float
        A gap wider than this separates two patches, one under half as wide does not.
    by_slab : bool
        Whether planes are fitted anew to each piece that joints leave of them. Without it segmentation takes two
        thirds of the time, and patches on both sides of a joint share a plane where one explains both.

    Returns
    -------
    Segmentation
        Patches in the order of their number of points, most first; their masks; the patch of each point, -1 for
        none and -2 for a point on a plane but outside its patches.
    """
    settings = settings or SegmentSettings()
    masks = masks or MaskSettings()
    joints = JointSettings(joint_m=joint_m)
    voxels = make_voxels(cloud, size_m=settings.voxel_m)
    planes = find_planes(cloud, voxels, settings)
    windows = make_windows(cloud, planes, masks)
    found = plane_masks(cloud, voxels, planes, windows, joint_m=joint_m, masks=masks)
    if by_slab:
        slab = find_slabs(cloud, voxels, planes, windows, found.mask, settings, masks, joints)
        planes = slab_planes(cloud, voxels, slab, settings)
        del found, slab
        windows = make_windows(cloud, planes, masks, windows)
    rows = rows_of(planes)
    beams = make_beams(cloud, voxels, planes, rows, floor_sd_m=settings.floor_sd_m, cut=settings.cut)
    if by_slab:
        found = plane_masks(cloud, voxels, planes, windows, joint_m=joint_m, masks=masks)
    found = weigh_holes(cloud, voxels, planes, windows, found, masks)
    voxels = without_points(voxels)
    parts, part, inner = _parts(cloud, voxels, planes, rows, windows, found, beams=beams, masks=masks, joints=joints)
    return _patches(cloud, voxels, planes, windows, parts, part, inner, settings, masks)


def _parts(
    cloud: Cloud,
    voxels: Voxels,
    planes: Planes,
    by_plane: PlaneRows,
    windows: Windows,
    found: PlaneMasks,
    *,
    beams: BeamTable | None,
    masks: MaskSettings,
    joints: JointSettings,
) -> tuple[list[Part], Int32Array, Int32Array]:
    """Return the connected parts of all planes, the part of each point, and that of those well inside of it."""
    from terrain.kernels.threads import in_order

    def one(k: int) -> list[Any]:
        mask, rows = found.mask[k], by_plane.of(k)
        if mask is None:
            return _steep_parts(cloud, voxels, planes.plane[k], rows)
        corner = np.array([windows.x0_m + windows.ix0[k] * masks.cell_m, windows.y0_m + windows.iy0[k] * masks.cell_m])
        state, numbered, count = cut_joints(
            mask, cloud.xyz_map_m, rows, corner, cell_m=masks.cell_m,
            beams=None if beams is None else lambda: beams.of_planes([k]), corner_m=corner - voxels.low_m[:2],
            openings=True, settings=joints,
        )  # fmt: skip
        hits, misses = windows.view(found.hits, k), windows.view(found.misses, k)
        return _parts_of(mask, state, numbered, count, hits, misses, masks)

    parts: list[Part] = []
    part_cells = np.zeros(int(windows.offset[-1]), dtype=np.int32)  # from 1: most of it is never touched
    inner_cells = np.zeros_like(part_cells)
    every = in_order(one, range(len(planes.plane)))
    for k in np.flatnonzero(windows.nx).tolist():
        for row, column, window in every[k]:
            where = slice(row, row + window.shape[0]), slice(column, column + window.shape[1])
            windows.view(part_cells, k)[where][window > 0] = len(parts) + 1
            windows.view(inner_cells, k)[where][_well_inside(window > 0, masks)] = len(parts) + 1
            parts.append((k, int(windows.ix0[k] + column), int(windows.iy0[k] + row), window, None))
    point_part = _point_parts(planes, windows, part_cells)
    inner = _point_parts(planes, windows, inner_cells)
    for steep in np.flatnonzero(np.abs(planes.plane[:, 2]) <= STEEP_COSINE).tolist():
        for polygon, members in every[steep]:
            point_part[members] = inner[members] = len(parts)
            parts.append((steep, 0, 0, np.zeros((0, 0), dtype=np.uint8), polygon))
    return parts, point_part, inner


def _well_inside(part: BoolArray, masks: MaskSettings) -> BoolArray:
    """Return the cells of a part whose returns tell its plane: near its border some belong to what is beside it."""
    for radius_m in (masks.border_m, 0.5 * masks.border_m):
        inside = shrink(part, radius_m / masks.cell_m - 0.5)
        if inside.sum() >= masks.least_inside * part.sum():
            return inside
    return part


def _parts_of(
    mask: BoolArray,
    state: ByteArray,
    numbered: Int32Array,
    count: int,
    hits: FloatArray,
    misses: FloatArray,
    masks: MaskSettings,
) -> list[tuple[int, int, ByteArray]]:
    """Return the connected parts of one plane that are kept: first row and column, and the states of its cells.

    numbered: the parts of what the state leaves, `count` of them.
    """
    from terrain.kernels.connected import add_by_piece, box_of, boxes_of

    boxes = boxes_of(numbered, count)
    on, off = np.zeros((2, count + 1))
    add_by_piece(numbered, hits, on)
    add_by_piece(numbered, misses, off)
    kept = []
    for c in np.flatnonzero(boxes[:, 4] * masks.cell_m**2 >= masks.least_area_m2).tolist():
        if on[c] < masks.least_share * (on[c] + off[c]):
            continue
        where = box_of(boxes, c)
        inside = numbered[where] == c
        if not shrink(inside, masks.least_radius_m / masks.cell_m - 0.5).any():
            continue
        margin = int(np.ceil(masks.small_radius_m / masks.cell_m)) + 1
        near = tuple(slice(max(axis.start - margin, 0), axis.stop + margin) for axis in where)
        if not _frays(numbered[near] == c, mask[near], on[c], hits[near], masks):
            window = np.where(inside, state[where], 0).astype(np.uint8)
            kept.append((where[0].start, where[1].start, window))
    return kept


def _is_small(part: BoolArray, masks: MaskSettings) -> bool:
    return not shrink(part, masks.small_radius_m / masks.cell_m - 0.5).any()


def _frays(part: BoolArray, surface: BoolArray, on: float, hits: FloatArray, masks: MaskSettings) -> bool:
    """Whether a small part of a plane has no border of its own: returns on the plane go on beyond it.

    So does gravel, where chance lays a few stones level; a block's top ends. Joints cut out of the plane's surface are
    within its border.
    """
    if not _is_small(part, masks):
        return False
    around = grow(part, masks.small_radius_m / masks.cell_m) & ~surface
    return bool(hits[around].sum() > masks.most_fraying * on)


def _rough_for_small(parts: list[Part], sums: FloatArray, masks: MaskSettings) -> BoolArray:
    """Return the small parts whose returns scatter clearly more about their plane than those of most others do.

    Scatter is taken over its prediction, and the survey's own median is the measure, so that a noise that was stated
    wrongly does not matter; unless the median has hardly any, as where points are computed.
    """
    rough = np.zeros(len(parts), dtype=bool)
    counted = sums[:, 0] >= 4
    if not counted.any():
        return rough
    scatter = sums[:, 11] / np.maximum(sums[:, 12], 1e-30)
    order = np.argsort(scatter[counted], kind="stable")
    weight = np.cumsum(sums[counted, 0][order])
    median = scatter[counted][order][int(np.searchsorted(weight, 0.5 * weight[-1]))]
    for i in np.flatnonzero(counted & (scatter > masks.most_scatter * max(median, masks.least_scatter))):
        window = parts[i][3]
        rough[i] = window.size > 0 and _is_small(window > 0, masks)
    return rough


def _point_parts(planes: Planes, windows: Windows, part_cells: Int32Array) -> Int32Array:
    from terrain.kernels.masks import parts_of_points
    from terrain.kernels.threads import over_parts

    out = np.empty(len(planes.point_plane), dtype=np.int32)
    over_parts(
        parts_of_points, len(out), planes.point_plane, windows.cell_xy, windows.ix0, windows.iy0, windows.nx,
        windows.offset, part_cells, out,
    )  # fmt: skip
    # A plane none of whose parts was kept is no plane: its points are free again.
    kept = np.zeros(len(planes.plane), dtype=bool)
    kept[planes.point_plane[out >= 0]] = True
    # Beyond the border of an underside something hangs all the same: those points are things that stand in the way.
    kept &= planes.plane[:, 2] > 0.0
    beyond = np.flatnonzero(out == FRINGE)
    out[beyond[~kept[planes.point_plane[beyond]]]] = -1
    return out


def _steep_parts(cloud: Cloud, voxels: Voxels, plane: FloatArray, members: Int32Array) -> list[tuple[Any, Int32Array]]:
    """Return connected parts of a steep plane as polygons along the plane, with their points; 3 cm cells."""
    from shapely import transform

    from terrain.kernels.connected import connected
    from terrain.kernels.masks import cells_upright

    if len(members) < 14:
        return []
    cell = 0.03
    normal = plane[:3]
    along = np.array([-normal[1], normal[0], 0.0])
    along /= np.linalg.norm(along)
    upward = np.cross(normal, along)
    cells, span = np.empty((len(members), 2), dtype=np.int64), np.array([[1 << 40] * 2, [-(1 << 40)] * 2])
    cells_upright(cloud.xyz_map_m, members, voxels.low_m, along, upward, cell, cells, span)
    low = span[0] - 3
    filled = np.zeros((span[1] - low + 4)[::-1], dtype=bool)
    place = (cells[:, 1] - low[1]) * filled.shape[1] + (cells[:, 0] - low[0])
    filled.ravel()[place] = True
    mask = shrink(grow(filled, 1.5), 1.5)
    numbered, count = connected(mask)
    at = numbered.ravel()[place]
    out = []
    foot = normal * plane[3] + voxels.low_m
    flat = piece_outlines(numbered, x0_m=low[0] * cell, y0_m=low[1] * cell, cell_m=cell)
    area = np.bincount(numbered.ravel(), minlength=count + 1) * cell * cell
    held = np.bincount(at, minlength=count + 1)

    def lift(xyz: FloatArray) -> FloatArray:
        return np.asarray(foot + xyz[:, :1] * along + xyz[:, 1:2] * upward)

    for c, polygon in enumerate(flat, start=1):
        if held[c] >= 14 and not area[c] < 0.01 and polygon is not None:
            out.append((transform(_with_z(polygon), lift, include_z=True), members[at == c]))
    return out


def _with_z(polygon: Any) -> Any:
    from shapely import force_3d

    return force_3d(polygon, 0.0)


def _lifted(polygon: Any, plane: FloatArray, low_m: FloatArray) -> Any:
    from shapely import transform

    def lift(xyz: FloatArray) -> FloatArray:
        z = (plane[3] - plane[0] * (xyz[:, 0] - low_m[0]) - plane[1] * (xyz[:, 1] - low_m[1])) / plane[2] + low_m[2]
        return np.column_stack([xyz[:, :2], z])

    return transform(_with_z(polygon), lift, include_z=True)


def _patches(
    cloud: Cloud,
    voxels: Voxels,
    planes: Planes,
    windows: Windows,
    parts: list[Part],
    point_part: Int32Array,
    inner: Int32Array,
    settings: SegmentSettings,
    masks: MaskSettings,
) -> Segmentation:
    """Return the parts as patches, most points first, with what is known of each."""
    from terrain.kernels.assign import plane_sums
    from terrain.kernels.threads import in_order

    points, has_view = points_of(cloud)
    own = np.array([planes.plane[k] for k, *_ in parts]).reshape(-1, 4)
    centre = part_middles(cloud, voxels, point_part, len(parts))
    fixed = (centre, voxels.low_m, cloud.origin_m, settings.floor_sd_m**2)
    told = plane_sums(points, has_view, inner, own, *fixed)
    enough = told[:, :1] >= LEAST_INSIDE
    own = refit(own, np.where(enough, told, 0.0), centre)
    told = plane_sums(points, has_view, inner, own, *fixed)
    sums = plane_sums(points, has_view, point_part, own, *fixed)
    told = np.where(enough, told, sums)
    rank = sorted(range(len(parts)), key=lambda i: (-sums[i, 0], parts[i][0], parts[i][2], parts[i][1], i))
    rough = _rough_for_small(parts, sums, masks)
    rank = [i for i in rank if sums[i, 0] >= 4 and not rough[i]]
    new = np.full(len(parts) + 2, -1, dtype=np.int32)
    new[rank] = np.arange(len(rank), dtype=np.int32)
    new[FRINGE] = FRINGE
    new[-1] = -1
    rows = in_order(
        lambda i: _row(voxels, own[i], sums[i], told[i], centre[i], parts[i], windows, masks, settings), rank
    )
    columns = {name: np.array([row[name] for row in rows]) for name in (rows[0] if rows else {}) if name != "outline"}
    if not rows:
        columns = _no_columns()
    patches = Patches(origin_m=voxels.low_m, outline=tuple(row["outline"] for row in rows), **columns)
    windows_of = [parts[i] for i in rank]
    sizes = np.array([w[3].size for w in windows_of], dtype=np.int64)
    mask_set = PatchMasks(
        windows.x0_m,
        windows.y0_m,
        masks.cell_m,
        np.array([w[1] for w in windows_of], dtype=np.int64),
        np.array([w[2] for w in windows_of], dtype=np.int64),
        np.array([w[3].shape[1] for w in windows_of], dtype=np.int64),
        np.array([w[3].shape[0] for w in windows_of], dtype=np.int64),
        np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64),
        np.concatenate([w[3].ravel() for w in windows_of]) if windows_of else np.zeros(0, dtype=np.uint8),
    )
    return Segmentation(patches, mask_set, new[point_part])


def _no_columns() -> dict[str, Any]:
    empty = np.zeros(0)
    names = ("offset_m", "slope_sd_rad", "height_sd_m", "roughness_m", "residual_m", "noise_m", "points", "area_m2")
    return {
        "normal": np.zeros((0, 3)),
        "centre_m": np.zeros((0, 3)),
        "upward": np.zeros(0, dtype=bool),
        **dict.fromkeys(names, empty),
    }


def _row(
    voxels: Voxels,
    plane: FloatArray,
    sums: FloatArray,
    told: FloatArray,
    centre: FloatArray,
    part: Part,
    windows: Windows,
    masks: MaskSettings,
    settings: SegmentSettings,
) -> dict[str, Any]:
    """Return what is known of one patch.

    sums, told : of all its points, and of those that told its plane

    The covariance of the plane comes from the latter: their weighted second moments along the plane give the sd of
    its tilt. The roughness is what the mean squared residual has beyond its prediction, once that excess is more
    than two of its own standard deviations (sqrt(2 / n) of the prediction).
    """
    points = sums[0]
    mean = sums[2:5] / sums[1]
    middle = told[2:5] / told[1]
    xx, xy, xz, yy, yz, zz = told[5:11]
    second = np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]]) - told[1] * np.outer(middle, middle)
    values = np.linalg.eigvalsh(second)
    inflate = max(1.0, told[13] / told[0])
    tilt_var = inflate * (1.0 / max(values[1], 1e-9) + 1.0 / max(values[2], 1e-9))
    systematic = (0.3 * settings.floor_sd_m) ** 2
    residual2, noise2 = sums[11] / points, sums[12] / points
    excess = residual2 - noise2
    rough = np.sqrt(excess) if excess > 2.0 * noise2 * np.sqrt(2.0 / points) else 0.0
    _, ix0, iy0, window, polygon = part
    if polygon is None:
        flat = outlines(
            window > 0,
            x0_m=windows.x0_m + ix0 * masks.cell_m,
            y0_m=windows.y0_m + iy0 * masks.cell_m,
            cell_m=masks.cell_m,
        )
        largest = max(flat, key=lambda p: p.area)  # type: ignore[attr-defined]
        polygon = _lifted(largest, plane, voxels.low_m)
        area = float((window > 0).sum()) * masks.cell_m**2 / abs(plane[2])
    else:
        area = _area_3d(polygon, plane)
    return {
        "normal": plane[:3],
        "offset_m": plane[3],
        "centre_m": mean + centre + voxels.low_m,
        "slope_sd_rad": float(np.sqrt(tilt_var)),
        "height_sd_m": float(np.sqrt(inflate / told[1] + systematic)) / max(abs(plane[2]), 0.1),
        "roughness_m": float(rough),
        "residual_m": float(np.sqrt(residual2)),
        "noise_m": float(np.sqrt(noise2)),
        "points": int(points),
        "area_m2": area,
        "upward": bool(plane[2] > STEEP_COSINE),
        "outline": polygon,
    }


def _area_3d(polygon: Any, plane: FloatArray) -> float:
    """Area along the plane of a 3D polygon, from its rings (Newell's formula)."""

    def ring(coordinates: FloatArray) -> float:
        shifted = coordinates - coordinates[0]
        return float(abs(0.5 * np.cross(shifted[:-1], shifted[1:]).sum(axis=0) @ plane[:3]))

    outer = ring(np.asarray(polygon.exterior.coords))
    return outer - sum(ring(np.asarray(hole.coords)) for hole in polygon.interiors)
