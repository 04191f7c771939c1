"""A smooth correction of the poses: where points lie under it; arrays in, arrays out."""

import math

import numpy as np

from terrain.kernels.motion import (
    SMALL_ARC2,
    arc_between,
    arc_weights,
    between,
    interval_of,
    matrix_of,
    over_angle,
    turned_by,
)
from terrain.kernels.options import entry, inner


@inner
def after(grid, t, guess):  # type: ignore[no-untyped-def]
    """Return i with grid[i] <= t < grid[i + 1], held to 0 ... len(grid) - 2."""
    return max(min(interval_of(grid, t, guess), len(grid) - 2), 0)


@inner
def _pose_at(pose_time, pose_position, pose_quaternion, t, guess, arc):  # type: ignore[no-untyped-def]
    """Return the quaternion (x, y, z, w) by SLERP, the short way round, and the position at time t.

    Before them: the interval, and the arc along it; guess and arc: those of the point before, -1 for none.
    """
    last = len(pose_time) - 1
    if last == 0:
        a, b = 1.0, 0.0
        i, j, s = np.int64(0), np.int64(0), 0.0
    else:
        i = after(pose_time, t, guess)
        j = i + 1
        if i != guess:
            arc = arc_between(pose_quaternion, i, j)
        s = (t - pose_time[i]) / (pose_time[j] - pose_time[i])
        s = min(max(s, 0.0), 1.0)
        a, b = arc_weights(arc, s)
    p = (
        pose_position[i, 0] + s * (pose_position[j, 0] - pose_position[i, 0]),
        pose_position[i, 1] + s * (pose_position[j, 1] - pose_position[i, 1]),
        pose_position[i, 2] + s * (pose_position[j, 2] - pose_position[i, 2]),
    )
    return i, arc, between(pose_quaternion, i, j, a, b), p


@inner
def _then(by, q):  # type: ignore[no-untyped-def]
    """Return the turn q and then the turn `by`: their Hamilton product."""
    return (
        by[3] * q[0] + by[0] * q[3] + by[1] * q[2] - by[2] * q[1],
        by[3] * q[1] - by[0] * q[2] + by[1] * q[3] + by[2] * q[0],
        by[3] * q[2] + by[0] * q[1] - by[1] * q[0] + by[2] * q[3],
        by[3] * q[3] - by[0] * q[0] - by[1] * q[1] - by[2] * q[2],
    )


@inner
def _quaternion_of(x, y, z):  # type: ignore[no-untyped-def]
    """Return the quaternion of a rotation vector."""
    square = 0.25 * (x * x + y * y + z * z)  # of half the angle
    if square < SMALL_ARC2:
        sine = 0.5 * over_angle(square)
        cosine = 1.0 + square * (-0.5 + square * (1.0 / 24.0 + square * (-1.0 / 720.0 + square * (1.0 / 40320.0))))
    else:
        half = math.sqrt(square)
        sine, cosine = 0.5 * math.sin(half) / half, math.cos(half)
    return x * sine, y * sine, z * sine, cosine


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
    mounted = False
    for c in range(6):
        mounted |= mount[c] != 0.0
    moved = mounted or shift != 0.0
    for m in range(len(pose_time)):
        for c in range(3):
            moved |= new_position[m, c] != pose_position[m, c]
        for c in range(4):
            moved |= new_quaternion[m, c] != pose_quaternion[m, c]
    mount_by = _quaternion_of(mount[0], mount[1], mount[2])
    i, j, k = np.int64(-1), np.int64(-1), np.int64(0)  # a literal would be compiled for as well
    arc, late_arc = (1.0, 0.0, 1.0), (1.0, 0.0, 1.0)
    p, put, base = (0.0, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)
    matrix = matrix_of((0.0, 0.0, 0.0, 1.0))
    known = math.nan
    seen = np.full(3, math.nan)
    for row in range(len(time)):
        t = time[row]
        if not t == known:
            # All that happens to points of one time is one turn, about the pose that placed them, and one shift.
            known = t
            seen[0] = math.nan
            i, arc, q, p = _pose_at(pose_time, pose_position, pose_quaternion, t, i, arc)
            k = after(knot_time, t + shift, k)
            s = (t + shift - knot_time[k]) / (knot_time[k + 1] - knot_time[k])
            s = min(max(s, 0.0), 1.0)
            r = 1.0 - s
            by = _quaternion_of(
                r * spline[k, 0] + s * spline[k + 1, 0],
                r * spline[k, 1] + s * spline[k + 1, 1],
                r * spline[k, 2] + s * spline[k + 1, 2],
            )
            late_p = p
            if moved:
                j, late_arc, late_q, late_p = _pose_at(pose_time, new_position, new_quaternion, t + shift, j, late_arc)
                late_q = _then(by, late_q)
                q = (-q[0], -q[1], -q[2], q[3])
                if mounted:
                    put = turned_by(matrix_of(late_q), mount[3], mount[4], mount[5])
                    q = _then(mount_by, q)
                by = _then(late_q, q)
            matrix = matrix_of(by)
            base = (
                late_p[0] + r * spline[k, 3] + s * spline[k + 1, 3],
                late_p[1] + r * spline[k, 4] + s * spline[k + 1, 4],
                late_p[2] + r * spline[k, 5] + s * spline[k + 1, 5],
            )
        x, y, z = turned_by(matrix, xyz[row, 0] - p[0], xyz[row, 1] - p[1], xyz[row, 2] - p[2])
        x, y, z = x + put[0], y + put[1], z + put[2]
        lever[row, 0], lever[row, 1], lever[row, 2] = x, y, z
        out[row, 0], out[row, 1], out[row, 2] = x + base[0], y + base[1], z + base[2]
        if len(view) == 0:
            continue
        if view[row, 0] == seen[0] and view[row, 1] == seen[1] and view[row, 2] == seen[2]:
            for c in range(3):  # several beams of one firing
                out_view[row, c] = out_view[row - 1, c]
            continue
        for c in range(3):
            seen[c] = view[row, c]
        x, y, z = turned_by(matrix, seen[0] - p[0], seen[1] - p[1], seen[2] - p[2])
        out_view[row, 0], out_view[row, 1] = x + put[0] + base[0], y + put[1] + base[1]
        out_view[row, 2] = z + put[2] + base[2]
