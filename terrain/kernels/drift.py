"""A smooth correction of the poses: where points lie under it; arrays in, arrays out."""

import math

import numpy as np
from numba import njit

from terrain.kernels.motion import arc_weights, interval_of


@njit(cache=True, nogil=True)
def _after(grid, t, guess):  # type: ignore[no-untyped-def]
    """Return i with grid[i] <= t < grid[i + 1], held to 0 ... len(grid) - 2."""
    return max(min(interval_of(grid, t, guess), len(grid) - 2), 0)


@njit(cache=True, nogil=True)
def _pose_at(pose_time, pose_position, pose_quaternion, t, guess, q, p):  # type: ignore[no-untyped-def]
    """Fill quaternion q (x, y, z, w) by SLERP, the short way round, and position p at time t; return the interval."""
    if len(pose_time) == 1:
        for c in range(4):
            q[c] = pose_quaternion[0, c]
        for c in range(3):
            p[c] = pose_position[0, c]
        return 0
    i = _after(pose_time, t, guess)
    s = (t - pose_time[i]) / (pose_time[i + 1] - pose_time[i])
    s = min(max(s, 0.0), 1.0)
    # Less than a thousandth of a radian: the chord is the arc to 1e-11.
    a, b = arc_weights(pose_quaternion[i], pose_quaternion[i + 1], s, 1e-6)
    norm = 0.0
    for c in range(4):
        q[c] = a * pose_quaternion[i, c] + b * pose_quaternion[i + 1, c]
        norm += q[c] * q[c]
    for c in range(4):
        q[c] /= math.sqrt(norm)
    for c in range(3):
        p[c] = pose_position[i, c] + s * (pose_position[i + 1, c] - pose_position[i, c])
    return i


@njit(cache=True, nogil=True)
def _turn(qx, qy, qz, qw, v, out):  # type: ignore[no-untyped-def]
    """Write v turned by the quaternion into out."""
    tx = 2.0 * (qy * v[2] - qz * v[1])
    ty = 2.0 * (qz * v[0] - qx * v[2])
    tz = 2.0 * (qx * v[1] - qy * v[0])
    x, y, z = v[0], v[1], v[2]
    out[0] = x + qw * tx + qy * tz - qz * ty
    out[1] = y + qw * ty + qz * tx - qx * tz
    out[2] = z + qw * tz + qx * ty - qy * tx


@njit(cache=True, nogil=True)
def _turn_by(rotation, v, out):  # type: ignore[no-untyped-def]
    """Write v turned by a rotation vector into out."""
    angle = math.sqrt(rotation[0] ** 2 + rotation[1] ** 2 + rotation[2] ** 2)
    half = 0.5 * angle
    sine = math.sin(half) / angle if angle > 1e-12 else 0.5
    _turn(rotation[0] * sine, rotation[1] * sine, rotation[2] * sine, math.cos(half), v, out)


@njit(cache=True, nogil=True)
def carry(  # type: ignore[no-untyped-def]
    xyz,
    view,
    time,
    shift,
    pose_time,
    pose_position,
    pose_quaternion,
    new_position,
    new_quaternion,
    mount,
    knot_time,
    spline,
    out,
    out_view,
    lever,
):
    """Write where points and viewpoints lie once clock, mount and drift are corrected.

    xyz, view (n, 3) as placed by the poses (m,) at time (n,); shift: seconds added to every time; new_position and
    new_quaternion: the poses that stand in for those; mount (6,): a rotation vector and a translation of the sensor's
    points in the body frame; spline (k, 6) at knot_time (k,): a rotation vector about the body's position, and a
    translation, both along the map's axes, linear between knots. lever (n, 3): the body's corrected position to the
    point. The outputs may be the inputs themselves; views of no rows are passed over.
    """
    q, p, late_q, late_p = np.empty(4), np.empty(3), np.empty(4), np.empty(3)
    rotation, arm, body = np.empty(3), np.empty(3), np.empty(3)
    mounted = False
    for c in range(6):
        mounted |= mount[c] != 0.0
    moved = mounted or shift != 0.0
    for m in range(len(pose_time)):
        for c in range(3):
            moved |= new_position[m, c] != pose_position[m, c]
        for c in range(4):
            moved |= new_quaternion[m, c] != pose_quaternion[m, c]
    i, j, k, s = np.int64(0), np.int64(0), np.int64(0), 0.0  # a literal would be compiled for as well
    known = math.nan
    seen = np.full(3, math.nan)
    for row in range(len(time)):
        t = time[row]
        if not t == known:
            known = t
            seen[0] = math.nan
            i = _pose_at(pose_time, pose_position, pose_quaternion, t, i, q, p)
            if moved:
                j = _pose_at(pose_time, new_position, new_quaternion, t + shift, j, late_q, late_p)
            else:
                for c in range(3):
                    late_p[c] = p[c]
            k = _after(knot_time, t + shift, k)
            s = (t + shift - knot_time[k]) / (knot_time[k + 1] - knot_time[k])
            s = min(max(s, 0.0), 1.0)
            for c in range(3):
                rotation[c] = (1.0 - s) * spline[k, c] + s * spline[k + 1, c]
        for what in range(1 + (len(view) > 0)):
            if what == 1 and view[row, 0] == seen[0] and view[row, 1] == seen[1] and view[row, 2] == seen[2]:
                for c in range(3):  # several beams of one firing
                    out_view[row, c] = out_view[row - 1, c]
                continue
            source = xyz if what == 0 else view
            for c in range(3):
                arm[c] = source[row, c] - p[c]
                if what == 1:
                    seen[c] = source[row, c]
            if moved:
                _turn(-q[0], -q[1], -q[2], q[3], arm, body)
                if mounted:
                    _turn_by(mount[:3], body, arm)
                    for c in range(3):
                        body[c] = arm[c] + mount[3 + c]
                _turn(late_q[0], late_q[1], late_q[2], late_q[3], body, arm)
            _turn_by(rotation, arm, body)
            for c in range(3):
                step = (1.0 - s) * spline[k, 3 + c] + s * spline[k + 1, 3 + c]
                if what == 0:
                    lever[row, c] = body[c]
                    out[row, c] = body[c] + (late_p[c] + step)
                else:
                    out_view[row, c] = body[c] + (late_p[c] + step)
