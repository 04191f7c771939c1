"""Points as a mount, a clock and a range see them: what each would become if one of these were other than stated."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from terrain.data import BoolArray, Cloud, FloatArray, IntArray, SensorModel, Trajectory, sealed
from terrain.sensor.decide import even_width_sd


@dataclass(frozen=True, slots=True, eq=False)
class Mount:
    """T_body_sensor with the range and clock corrections that go with it.

    rotation (3, 3), translation_m (3,); a range r was measured as r (1 + scale) + offset; clock_s is to be added to
    the stated clock offset.
    """

    rotation: FloatArray
    translation_m: FloatArray
    range_offset_m: float = 0.0
    range_scale: float = 0.0
    clock_s: float = 0.0

    @classmethod
    def stated(cls, sensor: SensorModel) -> Mount:
        """Return what a survey states, without corrections."""
        from scipy.spatial.transform import Rotation

        return cls(Rotation.from_quat(sensor.mount_rotation_xyzw).as_matrix(), np.array(sensor.mount_translation_m))

    def moved(self, step: FloatArray) -> Mount:
        """Return the mount after a step (9,): rotation vector and shift in the body frame, offset, scale, clock."""
        from scipy.spatial.transform import Rotation

        turn = Rotation.from_rotvec(step[:3]).as_matrix()
        return Mount(
            turn @ self.rotation,
            self.translation_m + step[3:6],
            self.range_offset_m + float(step[6]),
            self.range_scale + float(step[7]),
            self.clock_s + float(step[8]),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """How some points were seen, one row a point; the sensor parts are empty for points already in the map frame.

    xyz_m (n, 3): map frame, as the survey states mount and clock; time_s (n,) or None; sd_m (n,): sd along the beam;
    spread_rad: sd of a beam's direction from its divergence; raw_m (n, 3): sensor frame; body_m (n, 3),
    turn (n, 3, 3): T_map_body; speed_mps, spin_radps (n, 3): of the body, map frame; stand (n,): pose errors are
    alike within one, -1 where there are no poses.
    """

    xyz_m: FloatArray
    time_s: FloatArray | None
    sd_m: FloatArray
    spread_rad: float
    raw_m: FloatArray
    body_m: FloatArray
    turn: FloatArray
    speed_mps: FloatArray
    spin_radps: FloatArray
    stand: IntArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "xyz_m", sealed("xyz_m", self.xyz_m, columns=3, copy=False))

    def __len__(self) -> int:
        """Return the number of points."""
        return len(self.xyz_m)

    @property
    def has_sensor(self) -> bool:
        """Whether it is known where each point was seen from."""
        return len(self.raw_m) == len(self.xyz_m)

    def taken(self, rows: BoolArray | IntArray) -> Sight:
        """Return some of the points."""
        known = rows if self.has_sensor else slice(0, 0)
        return Sight(
            xyz_m=self.xyz_m[rows],
            time_s=None if self.time_s is None else self.time_s[rows],
            sd_m=self.sd_m[rows],
            spread_rad=self.spread_rad,
            raw_m=self.raw_m[known],
            body_m=self.body_m[known],
            turn=self.turn[known],
            speed_mps=self.speed_mps[known],
            spin_radps=self.spin_radps[known],
            stand=self.stand[rows],
        )

    def range_m(self) -> FloatArray:
        """Return each point's distance from the sensor; NaN where that is unknown."""
        if not self.has_sensor:
            return np.full(len(self), math.nan)
        distance: FloatArray = np.linalg.norm(self.raw_m, axis=1)
        return distance

    def beam(self, mount: Mount) -> FloatArray:
        """Return the unit vector of each beam, away from the sensor, map frame; NaN where it is unknown."""
        if not self.has_sensor:
            return np.full((len(self), 3), math.nan)
        unit = self.raw_m / self.range_m()[:, None]
        beam: FloatArray = np.einsum("nij,nj->ni", self.turn, unit @ mount.rotation.T)
        return beam

    def placed(self, mount: Mount) -> FloatArray:
        """Return the points in the map frame as another mount, range and clock would place them."""
        if not self.has_sensor:
            return self.xyz_m
        moved: FloatArray = self.body_m + np.einsum("nij,nj->ni", self.turn, self.in_body(mount))
        if mount.clock_s:
            moved = moved + mount.clock_s * self.swept(moved)
        return moved

    def in_body(self, mount: Mount) -> FloatArray:
        """Return the points in the body frame."""
        distance = self.range_m()
        true = (distance - mount.range_offset_m) / (1.0 + mount.range_scale)
        point: FloatArray = (self.raw_m * (true / distance)[:, None]) @ mount.rotation.T + mount.translation_m
        return point

    def swept(self, xyz_m: FloatArray) -> FloatArray:
        """Return how fast each point would move if the clock did: (n, 3), metres a second."""
        swept: FloatArray = np.cross(self.spin_radps, xyz_m - self.body_m) + self.speed_mps
        return swept


def sight_of(
    cloud: Cloud,
    rows: IntArray,
    trajectory: Trajectory | None,
    sensor: SensorModel | None,
    *,
    stands: IntArray | None = None,
) -> Sight:
    """Return how some points of a cloud were seen.

    Parameters
    ----------
    cloud : Cloud
        In the frame of the poses: fused with gravity along -z, so that nothing was turned.
    rows : (n,)
        Which points.
    trajectory, sensor : Trajectory, SensorModel, optional
        As the cloud was fused with; None for points that were in the map frame already.
    stands : (m,), optional
        Stand of each pose, from `stands_of`.
    """
    xyz = cloud.xyz_map_m[rows]
    n = len(rows)
    time = None if cloud.time_s is None else cloud.time_s[rows]
    range_sd = np.asarray(cloud.sd_m[rows], dtype=np.float64)
    empty: Any = np.empty((0, 3))
    if trajectory is None or sensor is None or time is None:
        return Sight(
            xyz, time, range_sd, 0.0, empty, empty, np.empty((0, 3, 3)), empty, empty, np.full(n, -1, dtype=np.int64)
        )
    body, turn, speed, spin, at = _poses_at(trajectory, time)
    mount = Mount.stated(sensor)
    raw = (np.einsum("nji,nj->ni", turn, xyz - body) - mount.translation_m) @ mount.rotation
    range_sd = np.hypot(sensor.range_sd_m, sensor.range_sd_per_m2 * np.square(raw).sum(axis=1))
    stand = np.zeros(n, dtype=np.int64) if stands is None else stands[at]
    spread = even_width_sd(sensor.beam_divergence_rad / 2.0)
    return Sight(xyz, time, range_sd, spread, raw, body, turn, speed, spin, stand)


def _poses_at(
    trajectory: Trajectory, time: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, IntArray]:
    """Return position, rotation matrix, speed and spin (map frame) at each time, and the pose before it."""
    from scipy.spatial.transform import Rotation, Slerp

    knots, n = trajectory.time_s, len(time)
    at = np.clip(np.searchsorted(knots, time, side="right") - 1, 0, max(len(knots) - 2, 0)).astype(np.int64)
    all_turns = Rotation.from_quat(trajectory.rotation_xyzw)
    if len(knots) == 1:
        turn = np.broadcast_to(all_turns.as_matrix(), (n, 3, 3))
        still = np.zeros((n, 3))
        return np.broadcast_to(trajectory.position_m, (n, 3)), turn, still, still, at
    step_s = np.diff(knots)
    # At the very time of a pose the shorter interval beside it counts: the other one may be a gap.
    ends = (at > 0) & (time == knots[at])
    ends[ends] = step_s[at[ends] - 1] < step_s[at[ends]]
    at = at - ends
    share = ((time - knots[at]) / step_s[at])[:, None]
    move = np.diff(trajectory.position_m, axis=0)
    body = trajectory.position_m[at] + share * move[at]
    turn = Slerp(knots, all_turns)(np.clip(time, knots[0], knots[-1])).as_matrix()
    spin = (all_turns[1:] * all_turns[:-1].inv()).as_rotvec() / step_s[:, None]
    return body, turn, (move / step_s[:, None])[at], spin[at], at


def stands_of(trajectory: Trajectory, *, move_m: float, turn_rad: float) -> IntArray:
    """Return a number for each pose that rises where the body has moved or turned so far since the number began."""
    from scipy.spatial.transform import Rotation

    quaternion, position = Rotation.from_quat(trajectory.rotation_xyzw).as_quat(), trajectory.position_m
    stand = np.zeros(len(position), dtype=np.int64)
    cosine = math.cos(min(turn_rad, math.pi) / 2.0)
    first, number = 0, 0
    while first < len(position):
        far = np.linalg.norm(position[first:] - position[first], axis=1) > move_m
        turned = np.abs(quaternion[first:] @ quaternion[first]) < cosine
        over = np.flatnonzero(far | turned)
        last = first + int(over[0]) if len(over) else len(position)
        stand[first:last] = number
        first, number = last, number + 1
    return stand
