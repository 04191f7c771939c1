"""Cell windows of planes in the map's x-y plane."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from terrain.data import BoolArray, Cloud, Int32Array, IntArray
from terrain.segment.masks import STEEP_COSINE, MaskSettings, surface_mask
from terrain.segment.regions import Planes, Voxels, views_of


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """Cell windows of all planes in one flat array; see `terrain.data.PatchMasks`."""

    x0_m: float
    y0_m: float
    ix0: IntArray
    iy0: IntArray
    nx: IntArray
    ny: IntArray
    offset: IntArray
    cell_xy: Int32Array

    def view(self, flat: Any, k: int) -> Any:
        """Return the (ny, nx) window of plane k in a flat array."""
        return flat[self.offset[k] : self.offset[k + 1]].reshape(int(self.ny[k]), int(self.nx[k]))


def make_windows(cloud: Cloud, planes: Planes, masks: MaskSettings, before: Windows | None = None) -> Windows:
    """Return a window around the points of each plane less than 60 degrees steep; `before`: for planes before these."""
    from terrain.kernels import masks as kernel
    from terrain.kernels.voxels import bounds

    tile = 64 * masks.cell_m
    if before is None:
        x0, y0 = (np.floor(bounds(cloud.xyz_map_m)[0, :2] / tile) - 1) * tile
        cell_xy = kernel.cells_of(cloud.xyz_map_m, x0, y0, masks.cell_m)
    else:
        x0, y0, cell_xy = before.x0_m, before.y0_m, before.cell_xy
    span = kernel.window_bounds(cell_xy, planes.point_plane, len(planes.plane))
    margin = int(np.ceil(masks.close_most_m / masks.cell_m)) + 3
    flat = (np.abs(planes.plane[:, 2]) > STEEP_COSINE) & (span[:, 0] <= span[:, 2])
    nx = np.where(flat, span[:, 2] - span[:, 0] + 1 + 2 * margin, 0)
    ny = np.where(flat, span[:, 3] - span[:, 1] + 1 + 2 * margin, 0)
    offset = np.concatenate([[0], np.cumsum(nx * ny)])
    return Windows(float(x0), float(y0), span[:, 0] - margin, span[:, 1] - margin, nx, ny, offset, cell_xy)


@dataclass(frozen=True, slots=True, eq=False)
class PlaneMasks:
    """Returns on and near each plane by cell of its window (flat), and where its surface is."""

    hits: Any
    misses: Any
    mask: list[BoolArray | None]


def plane_masks(
    cloud: Cloud, voxels: Voxels, planes: Planes, windows: Windows, *, joint_m: float, masks: MaskSettings
) -> PlaneMasks:
    """Return where the surface of each plane is; None for a steep plane."""
    from terrain.kernels import masks as kernel
    from terrain.kernels.threads import by_remainder, in_order

    view, has_view = views_of(cloud)
    hits, shared, misses = (np.zeros(windows.offset[-1], dtype=np.uint16) for _ in range(3))
    by_remainder(
        kernel.count_hits, cloud.xyz_map_m, view, has_view, planes.point_plane, planes.plane, windows.cell_xy,
        windows.ix0, windows.iy0, windows.nx, windows.offset, cloud.origin_m, masks.grazing_rad, hits,
    )  # fmt: skip
    by_remainder(
        lambda part, parts: kernel.count_beside(
            part,
            parts,
            voxels.points,
            voxels.start,
            voxels.order,
            voxels.near,
            planes.voxel_label,
            planes.by_voxel,
            planes.plane,
            windows.cell_xy,
            windows.ix0,
            windows.iy0,
            windows.nx,
            windows.ny,
            windows.offset,
            voxels.low_m,
            masks.foot_m,
            masks.near_m,
            masks.fold_m,
            masks.fold_cosine,
            hits,
            shared,
            misses,
            np.empty(12, dtype=np.int32),
        )
    )

    def one(k: int) -> BoolArray | None:
        if windows.nx[k] == 0:
            return None
        hit, miss, beside = (windows.view(counts, k) for counts in (hits, misses, shared))
        return surface_mask(hit, miss, beside, joint_m=joint_m, settings=masks)

    return PlaneMasks(hits, misses, in_order(one, range(len(planes.plane))))
