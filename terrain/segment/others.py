"""The patches of returns that planes were not made of."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from terrain.data import Cloud, FloatArray, Int32Array, IntArray, Segmentation
from terrain.segment.regions import SegmentSettings

BESIDE_M = 0.04
"""A return goes to a patch of those in the same voxel of this size."""
MOST_BLOCKS = 64_000_000
"""On sites with more blocks of four voxels a side, voxels are larger."""


class PatchFinder:
    """Tells of any return the patch it fits best, of those that returns in its voxel are on.

    Parameters
    ----------
    cloud, segmentation : Cloud, Segmentation
        The returns that planes were made of, and what came of them.
    """

    def __init__(self, cloud: Cloud, segmentation: Segmentation) -> None:
        from terrain.kernels import freespace
        from terrain.kernels.threads import over_parts

        self.patches = segmentation.patches
        self._grid = _Grid(cloud.xyz_map_m)
        slot = np.empty(len(cloud), dtype=np.int64)
        over_parts(freespace.slots_of, len(cloud), cloud.xyz_map_m, *self._grid.arguments, slot)
        known = np.flatnonzero(segmentation.point_patch >= 0)
        patches = max(1, len(self.patches))
        pairs = slot[known] * patches + segmentation.point_patch[known]
        pairs.sort()
        slot, self._beside = np.divmod(pairs[np.flatnonzero(np.diff(pairs, prepend=-1))], patches)
        self._first: IntArray = np.searchsorted(slot, np.arange(freespace.SLOTS * self._grid.filled + 1))

    def find(self, cloud: Cloud) -> Int32Array:
        """Return the patch of each return (n,), -1 where it fits none as well as returns of a plane do."""
        from terrain.kernels import enough, freespace

        planes, patches = SegmentSettings(), self.patches
        slot = np.empty(len(cloud), dtype=np.int64)
        freespace.slots_of(0, len(cloud), cloud.xyz_map_m, *self._grid.arguments, slot)
        out = np.empty(len(cloud), dtype=np.int32)
        view: npt.NDArray[np.float32] = np.zeros((0, 3), np.float32) if cloud.view_map_m is None else cloud.view_map_m
        enough.patch_beside(
            slot, cloud.xyz_map_m, view, cloud.sd_m, cloud.cross_sd_m, cloud.origin_m, self._first, self._beside,
            patches.normal, patches.offset_m, patches.origin_m, planes.floor_sd_m**2, planes.cut, out,
        )  # fmt: skip
        return out


class _Grid:
    """Blocks of voxels that hold returns; see `terrain.kernels.freespace`."""

    def __init__(self, xyz_m: FloatArray) -> None:
        from terrain.kernels import freespace

        low, high = np.zeros(3), np.zeros(3)
        if len(xyz_m):
            freespace.bounds(xyz_m, low, high)
        size_m = BESIDE_M
        while True:
            shape = [int(side) for side in np.floor((high - low) / (freespace.SIDE * size_m)) + 1.0]
            if math.prod(shape) <= MOST_BLOCKS:
                break
            size_m *= 2.0
        block = np.full(shape, -1, dtype=np.int32)
        freespace.mark_blocks(xyz_m, 0, len(xyz_m), low, size_m, block)
        self.filled = len(freespace.number_blocks(block))
        self.arguments = low, size_m, block
