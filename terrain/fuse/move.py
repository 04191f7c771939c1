"""A correction of poses, clock and mount, applied to points wherever they are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from terrain.data import Cloud, FloatArray

PART = 262_144
"""Points that a thread moves at a time."""


@dataclass(frozen=True, slots=True, eq=False)
class Move:
    """Where points go once clock, mount and drift are corrected; see `terrain.kernels.drift.carry`.

    pose_s (m,), position_m (m, 3), rotation_xyzw (m, 4): the poses that placed them, relative to origin_m (3,);
    new_position_m, new_rotation_xyzw: what stands in for those; shift_s: added to every time; mount (6,); knot_s (k,),
    spline (k, 6).
    """

    origin_m: FloatArray
    pose_s: FloatArray
    position_m: FloatArray
    rotation_xyzw: FloatArray
    new_position_m: FloatArray
    new_rotation_xyzw: FloatArray
    shift_s: float
    mount: FloatArray
    knot_s: FloatArray
    spline: FloatArray

    def applied(self, cloud: Cloud) -> Cloud:
        """Return a cloud as it lies under the correction; points that fall out of the span of the poses are left out.

        Its viewpoints must be relative to the same origin.
        """
        from terrain.kernels import drift
        from terrain.kernels.threads import in_order

        assert cloud.time_s is not None and cloud.view_map_m is not None
        all_xyz_m, all_view_m, all_time_s = cloud.xyz_map_m, cloud.view_map_m, cloud.time_s
        kept = None
        if self.shift_s != 0.0:
            late_s = all_time_s + self.shift_s
            kept = np.flatnonzero((late_s >= self.pose_s[0]) & (late_s <= self.pose_s[-1]))
            kept = None if len(kept) == len(cloud) else kept
        count = len(cloud) if kept is None else len(kept)
        out_m, view_m = np.empty((count, 3)), np.empty((count, 3), dtype=np.float32)

        def part(start: int) -> None:
            rows = slice(start, min(start + PART, count))
            pick = rows if kept is None else kept[rows]
            xyz, view, time = all_xyz_m[pick] - self.origin_m, all_view_m[pick].astype(np.float64), all_time_s[pick]
            drift.carry(
                xyz, view, time.copy(), self.shift_s, self.pose_s, self.position_m, self.rotation_xyzw,
                self.new_position_m, self.new_rotation_xyzw, self.mount, self.knot_s, self.spline, xyz, view,
                np.empty_like(xyz),
            )  # fmt: skip
            np.add(xyz, self.origin_m, out=out_m[rows])
            view_m[rows] = view

        in_order(part, range(0, count, PART))
        pick = slice(None) if kept is None else kept
        return Cloud(
            xyz_map_m=out_m,
            time_s=all_time_s[pick] + self.shift_s if self.shift_s != 0.0 else all_time_s,
            view_map_m=view_m,
            sd_m=cloud.sd_m[pick],
            cross_sd_m=cloud.cross_sd_m[pick],
            origin_m=cloud.origin_m,
        )
