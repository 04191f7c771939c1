"""A smooth correction of the poses: where points lie under it; arrays in, arrays out."""

import math

import numpy as np

from terrain.kernels.motion import SMALL_ARC2, arc_weights, interval_of, matrix_of, over_angle
from terrain.kernels.options import entry, inner


@inner
def after(grid, t, guess):  # type: ignore[no-untyped-def]
    """Return i with grid[i] <= t < grid[i + 1], held to 0 ... len(grid) - 2."""
    return max(min(interval_of(grid, t, guess), len(grid) - 2), 0)


@inner
def _pose_at(pose_time, pose_position, pose_quaternion, t, guess, q, p):  # type: ignore[no-untyped-def]
    """Fill quaternion q (x, y, z, w) by SLERP, the short way round, and position p at time t; return the interval."""
    if len(pose_time) == 1:
        for c in range(4):
            q[c] = pose_quaternion[0, c]
        for c in range(3):
            p[c] = pose_position[0, c]
        return 0
    i = after(pose_time, t, guess)
    s = (t - pose_time[i]) / (pose_time[i + 1] - pose_time[i])
    s = min(max(s, 0.0), 1.0)
    a, b = arc_weights(pose_quaternion, i, i + 1, s)
    for c in range(4):
        q[c] = a * pose_quaternion[i, c] + b * pose_quaternion[i + 1, c]
    for c in range(3):
        p[c] = pose_position[i, c] + s * (pose_position[i + 1, c] - pose_position[i, c])
    return i


@inner
def _then(by, q):  # type: ignore[no-untyped-def]
    """Make q the turn q and then the turn `by`: their Hamilton product."""
    q[0], q[1], q[2], q[3] = (
        by[3] * q[0] + by[0] * q[3] + by[1] * q[2] - by[2] * q[1],
        by[3] * q[1] - by[0] * q[2] + by[1] * q[3] + by[2] * q[0],
        by[3] * q[2] + by[0] * q[1] - by[1] * q[0] + by[2] * q[3],
        by[3] * q[3] - by[0] * q[0] - by[1] * q[1] - by[2] * q[2],
    )


@inner
def _quaternion_of(vector, q):  # type: ignore[no-untyped-def]
    """Fill the quaternion of a rotation vector, the first three of `vector`."""
    square = 0.25 * (vector[0] ** 2 + vector[1] ** 2 + vector[2] ** 2)  # of half the angle
    if square < SMALL_ARC2:
        sine = 0.5 * over_angle(square)
        cosine = 1.0 + square * (-0.5 + square * (1.0 / 24.0 + square * (-1.0 / 720.0 + square * (1.0 / 40320.0))))
    else:
        half = math.sqrt(square)
        sine, cosine = 0.5 * math.sin(half) / half, math.cos(half)
    for c in range(3):
        q[c] = vector[c] * sine
    q[3] = cosine


@entry
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
    by, mount_by = np.empty(4), np.empty(4)
    matrix, turned, put, base, body = np.empty((3, 3)), np.empty((3, 3)), np.zeros(3), np.empty(3), np.empty(3)
    mounted = False
    for c in range(6):
        mounted |= mount[c] != 0.0
    moved = mounted or shift != 0.0
    for m in range(len(pose_time)):
        for c in range(3):
            moved |= new_position[m, c] != pose_position[m, c]
        for c in range(4):
            moved |= new_quaternion[m, c] != pose_quaternion[m, c]
    _quaternion_of(mount, mount_by)
    i, j, k = np.int64(0), np.int64(0), np.int64(0)  # a literal would be compiled for as well
    known = math.nan
    seen = np.full(3, math.nan)
    for row in range(len(time)):
        t = time[row]
        if not t == known:
            # All that happens to points of one time is one turn, about the pose that placed them, and one shift.
            known = t
            seen[0] = math.nan
            i = _pose_at(pose_time, pose_position, pose_quaternion, t, i, q, p)
            k = after(knot_time, t + shift, k)
            s = (t + shift - knot_time[k]) / (knot_time[k + 1] - knot_time[k])
            s = min(max(s, 0.0), 1.0)
            for c in range(3):
                body[c] = (1.0 - s) * spline[k, c] + s * spline[k + 1, c]
            _quaternion_of(body, by)
            if moved:
                j = _pose_at(pose_time, new_position, new_quaternion, t + shift, j, late_q, late_p)
                _then(by, late_q)
                q[0], q[1], q[2] = -q[0], -q[1], -q[2]
                if mounted:
                    matrix_of(late_q, turned)
                    for c in range(3):
                        put[c] = turned[c, 0] * mount[3] + turned[c, 1] * mount[4] + turned[c, 2] * mount[5]
                    _then(mount_by, q)
                _then(late_q, q)
                matrix_of(q, matrix)
            else:
                matrix_of(by, matrix)
                for c in range(3):
                    late_p[c] = p[c]
            for c in range(3):
                base[c] = late_p[c] + (1.0 - s) * spline[k, 3 + c] + s * spline[k + 1, 3 + c]
        x, y, z = xyz[row, 0] - p[0], xyz[row, 1] - p[1], xyz[row, 2] - p[2]
        for c in range(3):
            body[c] = matrix[c, 0] * x + matrix[c, 1] * y + matrix[c, 2] * z + put[c]
            lever[row, c] = body[c]
            out[row, c] = body[c] + base[c]
        if len(view) == 0:
            continue
        if view[row, 0] == seen[0] and view[row, 1] == seen[1] and view[row, 2] == seen[2]:
            for c in range(3):  # several beams of one firing
                out_view[row, c] = out_view[row - 1, c]
            continue
        for c in range(3):
            seen[c] = view[row, c]
        x, y, z = seen[0] - p[0], seen[1] - p[1], seen[2] - p[2]
        for c in range(3):
            out_view[row, c] = matrix[c, 0] * x + matrix[c, 1] * y + matrix[c, 2] * z + put[c] + base[c]
