"""From a cloud to planes: voxels, local RANSAC and growth, merging, points to planes, refit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from terrain.data import Cloud, FloatArray, Int32Array, IntArray
from terrain.errors import DataError

if TYPE_CHECKING:
    from terrain.kernels.neighbours import Near, Wider
    from terrain.kernels.voxels import Points, SortedPoints

KEY_CELLS = 1 << 20


@dataclass(frozen=True, slots=True)
class SegmentSettings:
    """What the segmentation is tuned by; lengths in metres."""

    voxel_m: float = 0.04
    floor_sd_m: float = 0.003
    """Departure that every surface is allowed beyond range noise: pose error and texture."""
    seed_flatness: float = 2.5
    """Mean squared departure over its prediction up to which a neighbourhood may start a region."""
    rounds: int = 2
    sweeps: int = 3
    cut2: float = 3.841
    """Squared departure over its variance at which MSAC stops counting (chi-squared, 0.95)."""
    min_points: int = 14
    min_voxels: int = 4
    cut: float = 2.5
    """A point further than this many of its own sd from a plane is none of its points."""
    own: float = 2.0
    """A point this close to the plane of its voxel is not offered to others."""
    narrow_m: float = 0.09
    """Up to this width a region may be a mere seam between two others."""
    merge_systematic_m: float = 0.0015
    """Difference between two planes that pose error alone can make."""


@dataclass(frozen=True, slots=True, eq=False)
class Voxels:
    """Voxels that hold points, sorted by key, with the points of each: rows of the cloud, and copies in that order."""

    low_m: FloatArray
    size_m: float
    cell: IntArray
    up: IntArray
    centre: FloatArray
    """(v, 3) relative to low_m."""
    start: IntArray
    order: Int32Array
    points: SortedPoints
    moments: FloatArray
    near: Near
    """What lies around each voxel."""
    wider: Wider
    """What lies within two cells of it."""


@dataclass(frozen=True, slots=True, eq=False)
class Planes:
    """normal . x = d with x relative to the voxel grid's corner, and what their points say about them."""

    plane: FloatArray
    """(r, 4) nx, ny, nz, d."""
    point_plane: Int32Array
    by_voxel: Int32Array
    """The planes of the points sorted by voxel."""
    sums: FloatArray
    centre: FloatArray
    """(r, 3) the points that the sums refer to, relative to the voxel grid's corner."""
    voxel_label: Int32Array


@dataclass(frozen=True, slots=True, eq=False)
class PlaneRows:
    """Rows of the cloud sorted by their plane, each plane's in their own order.

    Those of plane k are order[begins[k]:begins[k + 1]]; order (m,) int32, begins (r + 1,).
    """

    order: Int32Array
    begins: IntArray

    def of(self, k: int) -> Int32Array:
        """Return the rows of plane k."""
        return self.order[self.begins[k] : self.begins[k + 1]]


def rows_of(planes: Planes) -> PlaneRows:
    """Return the rows of each plane."""
    from terrain.kernels.voxels import rows_by_group

    return PlaneRows(*rows_by_group(planes.point_plane, len(planes.plane)))


def views_of(cloud: Cloud) -> tuple[np.ndarray, bool]:
    """Return the viewpoints as kernels take them, and whether there are any."""
    if cloud.view_map_m is None:
        return np.zeros((1, 3), dtype=np.float32), False
    return cloud.view_map_m, True


def points_of(cloud: Cloud) -> tuple[Points, bool]:
    """Return the cloud's points as kernels take them, and whether there are viewpoints."""
    from terrain.kernels import voxels as kernel

    view, has_view = views_of(cloud)
    return kernel.points_of(cloud.xyz_map_m, view, cloud.sd_m, cloud.cross_sd_m), has_view


def make_voxels(cloud: Cloud, *, size_m: float) -> Voxels:
    """Bin the points into voxels and sum their moments.

    Raises
    ------
    DataError
        The cloud spans more than about 40 km.
    """
    from terrain.kernels import voxels as kernel
    from terrain.kernels.neighbours import Wider, near_voxels

    view, has_view = views_of(cloud)
    made = kernel.voxelise(cloud.xyz_map_m, view, has_view, cloud.sd_m, cloud.cross_sd_m, cloud.origin_m, size_m)
    if made is None:
        span = np.ptp(cloud.xyz_map_m, axis=0).max()
        raise DataError(f"cloud: spans {span:.0f} m, expected at most {KEY_CELLS * size_m:.0f} m; lower max_range_m")
    low, keys, start, order, points, moments = made
    cell = kernel.cells_of(keys)
    centre = (cell + 0.5) * size_m
    near = near_voxels(keys)
    return Voxels(low, size_m, cell, keys & 1, centre, start, order, points, moments, near, Wider(near, 2))


def without_points(voxels: Voxels) -> Voxels:
    """Return the voxels without their copies of points, which take as much memory as the cloud."""
    none = type(voxels.points)(*(np.zeros_like(column, shape=(0, *column.shape[1:])) for column in voxels.points))
    return replace(voxels, points=none)


def find_planes(cloud: Cloud, voxels: Voxels, settings: SegmentSettings) -> Planes:
    """Return the planes of the cloud and the plane of each point."""
    from terrain.kernels import compete as contests
    from terrain.kernels import regions as kernel
    from terrain.kernels import voxels as voxel_kernel

    floor2 = settings.floor_sd_m**2
    normal, flatness, used = voxel_kernel.local_planes(
        voxels.near, voxels.cell, voxels.up, voxels.moments, voxels.size_m, floor2
    )
    # Flattest first; the number of points breaks near-ties, since few points look flat by chance.
    rank = flatness + 2.0 / np.sqrt(np.maximum(used, 1))
    seeds = np.argsort(rank, kind="stable").astype(np.int32)
    local = (normal, flatness, used)
    label = np.full(len(voxels.cell), -1, dtype=np.int32)
    planes = np.zeros((0, 4))
    for _ in range(settings.rounds):
        label, planes = kernel.grow_regions(
            seeds, voxels.near, voxels.centre, voxels.moments, *local, voxels.size_m, label, planes, floor2,
            settings.seed_flatness, settings.min_points, settings.min_voxels, settings.cut2,
        )  # fmt: skip
        label, planes = merge_regions(voxels, label, planes, settings)
        for _ in range(settings.sweeps):
            label, planes = contest(voxels, label, planes, settings)
        wrong = contests.misfits(voxels.centre, voxels.moments, *local, voxels.size_m, label, planes, floor2)
        label, planes = refitted(voxels, np.where(wrong, np.int32(-1), label), len(planes), settings)
    for _ in range(settings.sweeps):
        label, planes = contest(voxels, label, planes, settings)
    label, planes = dissolve_strips(voxels, label, planes, settings)
    label, planes = merge_regions(voxels, label, planes, settings)
    return settle_points(cloud, voxels, label, planes, settings)


def dissolve_strips(
    voxels: Voxels, label: Int32Array, planes: FloatArray, settings: SegmentSettings
) -> tuple[Int32Array, FloatArray]:
    """Take apart narrow regions that lie within the noise of larger ones beside them: the seams of edges."""
    from terrain.kernels import compete as contests
    from terrain.kernels import regions as kernel
    from terrain.kernels.voxels import smallest_axis

    _, moments, _ = kernel.region_moments(label, len(planes), voxels.centre, voxels.moments)
    shared = contests.explained(
        voxels.near, voxels.centre, voxels.moments, label, planes, moments[:, 0], settings.floor_sd_m**2
    )  # fmt: skip
    seam = np.zeros(len(planes) + 1, dtype=bool)
    for k, row in enumerate(moments):
        mean = row[1:4] / row[0]
        xx, xy, xz, yy, yz, zz = row[4:10] / row[0]
        second = np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]]) - np.outer(mean, mean)
        (a, b, c), (d, e), f = second[0], second[1, 1:], second[2, 2]
        middle = smallest_axis(a, b, c, d, e, f)[1]
        seam[k] = middle < settings.narrow_m**2 / 12.0 and shared[k] > 0.6 * row[0]
    label = np.where(seam[label], np.int32(-1), label)
    label = contests.compete(
        voxels.near, voxels.wider, voxels.centre, voxels.moments, label, planes, 1.3, settings.cut2,
        settings.floor_sd_m**2, True,
    )  # fmt: skip
    return refitted(voxels, label, len(planes), settings)


def slab_planes(cloud: Cloud, voxels: Voxels, slab: Int32Array, settings: SegmentSettings) -> Planes:
    """Return one plane a slab, and the plane of each point: its slab's, where it fits.

    Parameters
    ----------
    slab : (n,) int32
        Slab of each point, -1 for none.
    """
    from terrain.kernels import compete as contests
    from terrain.kernels import regions as kernel
    from terrain.kernels.assign import majority

    count = int(slab.max(initial=-1)) + 1
    origin, moments = part_moments(cloud, voxels, slab, count)
    kept = np.flatnonzero(moments[:, 0] >= settings.min_points)
    new = np.full(count + 1, -1, dtype=np.int32)
    new[kept] = np.arange(len(kept), dtype=np.int32)
    slab = new[slab]
    planes = kernel.turned_planes(moments, origin, kept)
    slab = slab[voxels.order]
    label = majority(voxels.start, slab)
    label = contests.compete(
        voxels.near, voxels.wider, voxels.centre, voxels.moments, label, planes, 1.3, settings.cut2,
        settings.floor_sd_m**2, True,
    )  # fmt: skip
    return settle_points(cloud, voxels, label, planes, settings, slab)


def part_moments(cloud: Cloud, voxels: Voxels, part: Int32Array, parts: int) -> tuple[FloatArray, FloatArray]:
    """Return the centres (p, 3), relative to the voxel grid's corner, and the moments (p, 15) of parts of the cloud."""
    from terrain.kernels import voxels as kernel

    points, has_view = points_of(cloud)
    made: tuple[FloatArray, FloatArray] = kernel.part_moments(
        points, has_view, part, parts, voxels.low_m, cloud.origin_m
    )
    return made


def part_middles(cloud: Cloud, voxels: Voxels, part: Int32Array, parts: int) -> FloatArray:
    """Return the centres alone, as `part_moments` does."""
    from terrain.kernels import voxels as kernel

    made: FloatArray = kernel.part_middles(points_of(cloud)[0].xyz, part, parts, voxels.low_m)
    return made


def contest(
    voxels: Voxels, label: Int32Array, planes: FloatArray, settings: SegmentSettings
) -> tuple[Int32Array, FloatArray]:
    """Let the planes compete for the voxels where they meet, refit them, and drop those left with too little."""
    from terrain.kernels import compete as contests

    label = contests.compete(
        voxels.near, voxels.wider, voxels.centre, voxels.moments, label, planes, 1.3, settings.cut2,
        settings.floor_sd_m**2, False,
    )  # fmt: skip
    label, parts = contests.islands(voxels.near, label, voxels.moments, settings.min_points, settings.min_voxels)
    return refitted(voxels, label, parts, settings)


def refitted(
    voxels: Voxels, label: Int32Array, regions: int, settings: SegmentSettings
) -> tuple[Int32Array, FloatArray]:
    """Fit each region to the moments of its voxels and renumber those that are left."""
    from terrain.kernels import regions as kernel

    origin, moments, held = kernel.region_moments(label, regions, voxels.centre, voxels.moments)
    kept = np.flatnonzero((moments[:, 0] >= settings.min_points) & (held >= settings.min_voxels))
    new = np.full(regions + 1, -1, dtype=np.int32)
    new[kept] = np.arange(len(kept), dtype=np.int32)
    return new[label], kernel.turned_planes(moments, origin, kept)


def merge_regions(
    voxels: Voxels, label: Int32Array, planes: FloatArray, settings: SegmentSettings
) -> tuple[Int32Array, FloatArray]:
    """Join touching regions that one plane explains as well as two do, those with most points first."""
    from terrain.kernels import merging
    from terrain.kernels import regions as kernel

    if len(planes) < 2:
        return label, planes
    pairs = merging.touching_pairs(voxels.near, voxels.wider, label, voxels.up, voxels.centre, planes, 0.02)
    if len(pairs) == 0:
        return label, planes
    origin, moments, _ = kernel.region_moments(label, len(planes), voxels.centre, voxels.moments)
    fewer = moments[pairs, 0].min(axis=1)
    pairs = pairs[np.argsort(-fewer, kind="stable")]
    root, moments = merging.merge_pairs(pairs, moments, origin, settings.floor_sd_m**2, settings.merge_systematic_m)
    kept, new = np.unique(root, return_inverse=True)
    label = np.where(label >= 0, new[np.maximum(label, 0)], -1).astype(np.int32)
    return label, kernel.turned_planes(moments, origin, kept)


def settle_points(
    cloud: Cloud,
    voxels: Voxels,
    label: Int32Array,
    planes: FloatArray,
    settings: SegmentSettings,
    prefer: Int32Array | None = None,
) -> Planes:
    """Give each point its plane, refit the planes to their points weighted by noise, and do both once more.

    `prefer` (n,) names the plane that each point, sorted by voxel, is to have if it fits it, -1 for none.
    """
    from terrain.kernels import assign as kernel
    from terrain.kernels.regions import region_moments

    _, has_view = views_of(cloud)
    floor2 = settings.floor_sd_m**2
    centre, _, _ = region_moments(label, len(planes), voxels.centre, voxels.moments)
    wanted = np.full(len(cloud), -1, dtype=np.int32) if prefer is None else prefer
    for _ in range(2):
        found, sums = kernel.assign_points(
            voxels.points, has_view, voxels.start, voxels.near, label, planes, centre, voxels.low_m, floor2,
            settings.cut, settings.own, wanted,
        )  # fmt: skip
        planes = refit(planes, sums, centre)
    point_plane = np.empty_like(found)
    point_plane[voxels.order] = found
    return Planes(planes, point_plane, found, sums, centre, label)


def refit(planes: FloatArray, sums: FloatArray, centre: FloatArray) -> FloatArray:
    """Return the planes through the weighted sums; a plane with too few points stays as it was."""
    out = planes.copy()
    kept = np.flatnonzero(sums[:, 0] >= 4)
    if len(kept) == 0:
        return out
    row = sums[kept] / sums[kept, 1:2]
    mean = row[:, 2:5]
    second = row[:, [[5, 6, 7], [6, 8, 9], [7, 9, 10]]] - mean[:, :, None] * mean[:, None, :]
    normal = np.linalg.eigh(second)[1][:, :, 0]
    normal = np.where((normal * planes[kept, :3]).sum(axis=1)[:, None] < 0, -normal, normal)
    out[kept, :3] = normal
    out[kept, 3] = [n @ at for n, at in zip(normal, mean + centre[kept], strict=True)]
    return out
