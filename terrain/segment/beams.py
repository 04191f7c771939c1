"""Beams that ended on the planes of a cloud or went through them: what they found there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from terrain.data import BoolArray, Cloud, Float32Array, FloatArray, IntArray
from terrain.segment.masks import STEEP_COSINE
from terrain.segment.regions import PlaneRows, Planes, Voxels

DEEP_M = 0.10
"""Returns further below a surface than this are not looked at for openings in it."""


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


@dataclass(frozen=True, slots=True, eq=False)
class BeamTable:
    """What tells the beams of a cloud by plane: they are worked out for a few planes at a time, or would fill memory.

    below (m, 5): beams of returns just below planes, sorted by plane, as the kernels have them; plane k's are
    below[begins[k] : begins[k + 1]].
    """

    cloud: Cloud
    planes: Planes
    rows: PlaneRows
    low_m: FloatArray
    floor2: float
    below: Float32Array
    begins: IntArray

    def of_planes(self, planes: list[int]) -> Beams:
        """Return the beams that ended on some flat planes or went through them: plane by plane, those on it first."""
        from terrain.kernels.joints import beams_on

        cloud, held = self.cloud, np.diff(self.begins)
        size = sum(len(self.rows.of(k)) + int(held[k]) for k in planes)
        xy, rest = np.empty((size, 2), dtype=np.float32), np.empty((3, size), dtype=np.float32)
        on = np.zeros(size, dtype=bool)
        at = 0
        for k in planes:
            rows, below = self.rows.of(k), self.below[self.begins[k] : self.begins[k + 1]]
            beams_on(
                rows, k, at, cloud.xyz_map_m, cloud.view_map_m, cloud.sd_m, cloud.cross_sd_m, self.planes.plane,
                self.low_m, cloud.origin_m, self.floor2, xy, rest,
            )  # fmt: skip
            on[at : at + len(rows)] = True
            at += len(rows)
            xy[at : at + len(below)], rest[:, at : at + len(below)] = below[:, :2], below[:, 2:].T
            at += len(below)
        return Beams(xy, rest[0], rest[1], rest[2], on)


def make_beams(
    cloud: Cloud, voxels: Voxels, planes: Planes, rows: PlaneRows, *, floor_sd_m: float, cut: float
) -> BeamTable | None:
    """Return the beams of the cloud by plane; None where the cloud does not tell where it was seen from."""
    from terrain.kernels.joints import beams_below
    from terrain.kernels.threads import in_order
    from terrain.kernels.voxels import rows_by_group

    if cloud.view_map_m is None:
        return None
    flat = np.abs(planes.plane[:, 2]) > STEEP_COSINE
    edges = np.linspace(0, len(voxels.cell), BELOW_PARTS + 1).astype(int).tolist()
    found = in_order(
        lambda part: beams_below(
            edges[part], edges[part + 1], voxels.points, voxels.start, voxels.near, planes.voxel_label,
            planes.by_voxel, planes.plane, flat, voxels.low_m, floor_sd_m**2, DEEP_M, cut,
        ),
        range(BELOW_PARTS),
    )  # fmt: skip
    order, begins = rows_by_group(np.concatenate([of for of, _ in found]), len(flat))
    below = np.concatenate([beams for _, beams in found])[order]
    return BeamTable(cloud, planes, rows, voxels.low_m, floor_sd_m**2, below, begins)


BELOW_PARTS = 32
"""Parts of the voxels that are looked through by themselves; what is found is in their order."""
