"""Every return of a survey with its patch and label, part by part, for the map's cloud."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from terrain.data import Cloud, FloatArray, Int32Array, IntArray, Label, LevelRaster, Segmentation
from terrain.fuse.rest import AllPoints
from terrain.maps.contents import LabelledPart

NEAR_M = 0.05
"""A return this near to ground has the ground's label."""
PART = 131_072


@dataclass(frozen=True, slots=True, eq=False)
class Labelling:
    """What tells of every return what it is; the points of a map's cloud (`terrain.maps.contents.LabelledPoints`).

    cloud: the used points, of which chosen (k,) were segmented, None for all; every: all points, None where all are
    used.
    """

    cloud: Cloud
    chosen: IntArray | None
    segmentation: Segmentation
    rasters: tuple[LevelRaster, ...]
    every: AllPoints | None

    @property
    def origin_m(self) -> FloatArray:
        """Return a point near the cloud."""
        return self.cloud.origin_m

    def parts(self) -> Iterator[LabelledPart]:
        """Yield all points of the site in their order, labelled on as many threads as numba uses."""
        from terrain.kernels.threads import as_they_come

        yield from as_they_come(*self._parts())

    def _parts(self) -> tuple[Callable[[int], LabelledPart], range]:
        """Return what makes a part of the cloud, and the numbers of the parts."""
        every, cloud, point_patch = self.every, self.cloud, self.segmentation.point_patch
        if every is None and self.chosen is None:

            def of_used(begin: int) -> LabelledPart:
                rows = slice(begin, begin + PART)
                part = cloud.some(rows)
                return self._labelled(part, point_patch[rows], {})

            return of_used, range(0, len(cloud), PART)
        from terrain.segment.others import PatchFinder

        used = cloud if self.chosen is None else cloud.some(self.chosen)
        finder = PatchFinder(used, self.segmentation)

        def of_all(number: int) -> LabelledPart:
            part, left_out = (cloud.some(slice(number, number + PART)), {}) if every is None else every.part(number)
            return self._labelled(part, finder.find(part), left_out)

        return of_all, range(0, len(cloud), PART) if every is None else range(len(every))

    def _labelled(self, part: Cloud, point_patch: Int32Array, left_out: Mapping[str, int]) -> LabelledPart:
        """Return a part with the patch of each return, -1 none, and its label: that of the ground it lies on.

        One on something steep or overhead is unsteppable; one on no ground that was judged is unobserved.
        """
        from terrain.kernels import enough

        patch_id = np.maximum(point_patch, -1).astype(np.int32)
        label = np.full(len(part), int(Label.UNOBSERVED), dtype=np.uint8)
        steep = np.append(~self.segmentation.patches.upward, False)  # the last for -1
        label[steep[patch_id]] = int(Label.UNSTEPPABLE)
        for raster in self.rasters:
            enough.label_of_ground(
                part.xyz_map_m, raster.height_m, raster.label, raster.x0_m, raster.y0_m, raster.cell_m, NEAR_M, label
            )
        return LabelledPart(part.xyz_map_m, part.time_s, patch_id, label, left_out)
