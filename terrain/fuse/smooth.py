"""Poses as they were reported, and without the noise of single ones."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from terrain.data import FloatArray, Trajectory

GAP = 3.0
"""A step in time this many times the median one ends a run of poses."""


@dataclass(frozen=True, slots=True, eq=False)
class Poses:
    """T_map_body at time_s (m,), relative to the same point as the sample; rotation as quaternions x, y, z, w.

    new_position_m and new_rotation_xyzw stand in for the reported ones that placed the points.
    """

    time_s: FloatArray
    position_m: FloatArray
    rotation_xyzw: FloatArray
    new_position_m: FloatArray
    new_rotation_xyzw: FloatArray


def poses_about(trajectory: Trajectory, origin_m: FloatArray) -> Poses:
    """Return the poses relative to a point nearby, as copies: kernels would compile anew for sealed arrays."""
    position, rotation = trajectory.position_m - origin_m, trajectory.rotation_xyzw.copy()
    return Poses(trajectory.time_s.copy(), position, rotation, position, rotation)


def smoothed(poses: Poses, half_width_s: float) -> Poses:
    """Return poses whose stand-ins are smoothed over half_width_s to either side; ends and gaps are left alone.

    Notes
    -----
    A parabola through each pose's neighbours by least squares, at their true times; what moves slower than about
    1 / (4 half_width_s) Hz passes unchanged.
    """
    time = poses.time_s
    reach = round(half_width_s / float(np.median(np.diff(time)))) if len(time) > 2 else 0
    if reach < 2 or len(time) < 2 * reach + 1:
        return poses
    quaternion = poses.rotation_xyzw.copy()
    flips = np.einsum("ij,ij->i", quaternion[1:], quaternion[:-1]) < 0.0
    quaternion[1:] *= np.where(np.cumsum(flips) % 2 == 1, -1.0, 1.0)[:, None]
    values = _parabola(time, np.column_stack([poses.position_m, quaternion]), reach)
    values[:, 3:] /= np.linalg.norm(values[:, 3:], axis=1)[:, None]
    middle = slice(reach, len(time) - reach)
    step = np.diff(time)
    broken = np.r_[0, np.cumsum(step > GAP * np.median(step))]
    whole = np.zeros(len(time), dtype=bool)
    whole[middle] = broken[2 * reach :] == broken[: len(time) - 2 * reach]
    position = np.where(whole[:, None], values[:, :3], poses.position_m)
    rotation = np.where(whole[:, None], values[:, 3:], quaternion)
    return replace(
        poses, new_position_m=np.ascontiguousarray(position), new_rotation_xyzw=np.ascontiguousarray(rotation)
    )


def _parabola(time: FloatArray, values: FloatArray, reach: int) -> FloatArray:
    """Return at each row the value of the least-squares parabola through it and `reach` rows to either side."""
    n, columns = len(time), values.shape[1]
    scale = float(np.median(np.diff(time))) * reach
    power = np.zeros((5, n))
    product = np.zeros((3, columns, n))
    late, wide = np.pad(time, reach, mode="edge"), np.pad(values.T, ((0, 0), (reach, reach)), mode="edge")
    for step in range(2 * reach + 1):
        u = (late[step : step + n] - time) / scale
        beside = wide[:, step : step + n]
        weight = np.ones(n)
        for k in range(5):
            power[k] += weight
            if k < 3:
                product[k] += weight * beside
            weight = weight * u
    matrix = np.empty((n, 3, 3))
    for i in range(3):
        for j in range(3):
            matrix[:, i, j] = power[i + j]
    inverse_row = np.linalg.solve(matrix, np.broadcast_to(np.array([1.0, 0.0, 0.0])[:, None], (n, 3, 1)))[..., 0]
    return np.asarray(np.einsum("nk,kcn->nc", inverse_row, product))
