"""Where each point was, from the poses around its time: arrays in, arrays out."""

import math

import numpy as np

from terrain.kernels.options import entry, inner

KEPT, NOT_FINITE, TOO_NEAR, TOO_FAR, OUTSIDE_POSES, POSE_GAP = range(6)


@inner
def interval_of(pose_time, t, guess):  # type: ignore[no-untyped-def]
    """Return i with pose_time[i] <= t < pose_time[i + 1]; -1 before the first, the last index from the last on."""
    n = len(pose_time)
    if 0 <= guess < n - 1 and pose_time[guess] <= t < pose_time[guess + 1]:
        return guess
    low, high = -1, n
    while high - low > 1:
        middle = (low + high) // 2
        if pose_time[middle] <= t:
            low = middle
        else:
            high = middle
    return low


@entry
def classify(  # type: ignore[no-untyped-def]
    begin, end, xyz, time, time_offset, pose_time, min_range, max_range, max_gap, code
):
    """(n, 3) sensor frame, (n,) scan clock, (m,) -> code (n,) uint8: KEPT, or why a point is dropped; begin to end.

    A point at the sensor itself is too near whatever min_range says. A point at the very time of a pose is kept
    however wide the gaps beside it are.
    """
    last = len(pose_time) - 1
    guess = np.int64(0)  # a literal would be compiled for as well
    for k in range(begin, end):
        x, y, z = xyz[k, 0], xyz[k, 1], xyz[k, 2]
        t = time[k] + time_offset
        distance = math.sqrt(x * x + y * y + z * z)
        if not (math.isfinite(x) and math.isfinite(y) and math.isfinite(z) and math.isfinite(t)):
            code[k] = NOT_FINITE
        elif not (distance >= min_range and distance > 0.0):
            code[k] = TOO_NEAR
        elif not distance <= max_range:
            code[k] = TOO_FAR
        elif not pose_time[0] <= t <= pose_time[last]:
            code[k] = OUTSIDE_POSES
        else:
            guess = interval_of(pose_time, t, guess)
            is_pose = pose_time[guess] == t
            if is_pose or pose_time[guess + 1] - pose_time[guess] <= max_gap:
                code[k] = KEPT
            else:
                code[k] = POSE_GAP


SMALL_ARC2 = 0.01
"""Squared chord up to which series tell the weights of an arc, to the last bit or two: a tenth of a radian."""


@inner
def arc_between(q, i, j):  # type: ignore[no-untyped-def]
    """Return what `arc_weights` needs of rows i and j of quaternions q (m, 4): sign, squared angle or angle, 1 / sin.

    For small arcs sin(s a) / sin(a) is the quotient of the series of both, and a^2 = (2 asin(chord / 2))^2 a series in
    the chord's square (Gradshteyn and Ryzhik 1.645.2, from memory): then the angle's square, and a / sin(a). For others
    minus the angle, and its sine.
    """
    dot = q[i, 0] * q[j, 0] + q[i, 1] * q[j, 1] + q[i, 2] * q[j, 2] + q[i, 3] * q[j, 3]
    sign = 1.0 if dot >= 0.0 else -1.0
    gap, sum_ = 0.0, 0.0
    for c in range(4):
        gap += (q[i, c] - sign * q[j, c]) ** 2
        sum_ += (q[i, c] + sign * q[j, c]) ** 2
    if gap < SMALL_ARC2:
        square = gap * (1.0 + gap * (1.0 / 12.0 + gap * (1.0 / 90.0 + gap * (1.0 / 560.0 + gap * (1.0 / 3150.0)))))
        return sign, square, 1.0 / over_angle(square)
    angle = 2.0 * math.atan2(math.sqrt(gap), math.sqrt(sum_))
    return sign, -angle, math.sin(angle)


@inner
def arc_weights(arc, share):  # type: ignore[no-untyped-def]
    """Return the weights of both ends of an arc, see `arc_between`, in their SLERP, the short way round."""
    sign, bend, per = arc
    rest = 1.0 - share
    if bend >= 0.0:
        a, b = per * rest * over_angle(rest * rest * bend), per * share * over_angle(share * share * bend)
    else:
        a, b = math.sin(rest * -bend) / per, math.sin(share * -bend) / per
    return a, b * sign


@inner
def over_angle(square):  # type: ignore[no-untyped-def]
    """Return sin(a) / a of an angle below a tenth of a radian, from its square."""
    return 1.0 + square * (-1.0 / 6.0 + square * (1.0 / 120.0 + square * (-1.0 / 5040.0 + square * (1.0 / 362880.0))))


@inner
def matrix_of(q):  # type: ignore[no-untyped-def]
    """Return the nine entries of a rotation, row by row, from a quaternion of any length."""
    x, y, z, w = q
    two = 2.0 / (x * x + y * y + z * z + w * w)
    return (
        1.0 - two * (y * y + z * z), two * (x * y - z * w), two * (x * z + y * w),
        two * (x * y + z * w), 1.0 - two * (x * x + z * z), two * (y * z - x * w),
        two * (x * z - y * w), two * (y * z + x * w), 1.0 - two * (x * x + y * y),
    )  # fmt: skip


@inner
def turned_by(m, x, y, z):  # type: ignore[no-untyped-def]
    """Return a rotation's entries times (x, y, z)."""
    return m[0] * x + m[1] * y + m[2] * z, m[3] * x + m[4] * y + m[5] * z, m[6] * x + m[7] * y + m[8] * z


@inner
def between(q, i, j, a, b):  # type: ignore[no-untyped-def]
    """Return the sum of rows i and j of quaternions (m, 4), a and b times."""
    return (
        a * q[i, 0] + b * q[j, 0], a * q[i, 1] + b * q[j, 1], a * q[i, 2] + b * q[j, 2], a * q[i, 3] + b * q[j, 3],
    )  # fmt: skip


@entry
def place(  # type: ignore[no-untyped-def]
    begin,
    end,
    row,
    xyz,
    time,
    time_offset,
    code,
    pose_time,
    pose_position,
    pose_quaternion,
    lever,
    origin,
    spread,
    base,
    out_xyz,
    out_time,
    out_view,
    out_cross,
):
    """Write the kept ones of points begin to end, in their order, into the out arrays from `row` on.

    pose_position (m, 3) of the body; pose_quaternion (m, 4) of the sensor in the map; lever (3,): the body's
    origin to the sensor, in the sensor's axes. A point p lies at R(t) (p + lever) + position(t), the sensor at
    R(t) lever + position(t). out_cross = sqrt((spread * range)^2 + base^2).
    """
    last = len(pose_time) - 1
    matrix = matrix_of((0.0, 0.0, 0.0, 1.0))
    position = np.empty(3)
    view = np.empty(3)
    i, of = np.int64(0), np.int64(-1)
    arc = (1.0, 0.0, 1.0)
    known = math.nan
    for k in range(begin, end):
        if code[k] != KEPT:
            continue
        t = time[k] + time_offset
        if not t == known:
            known = t
            i = interval_of(pose_time, t, i)
            j = min(i + 1, last)
            share = (t - pose_time[i]) / (pose_time[j] - pose_time[i]) if j > i else 0.0
            if i != of:
                of, arc = i, arc_between(pose_quaternion, i, j)
            a, b = arc_weights(arc, share)
            matrix = matrix_of(between(pose_quaternion, i, j, a, b))
            arm = turned_by(matrix, lever[0], lever[1], lever[2])
            for c in range(3):
                step = share * (pose_position[j, c] - pose_position[i, c])
                position[c] = pose_position[i, c] + step
                view[c] = arm[c] + (pose_position[i, c] - origin[c]) + step
        x, y, z = xyz[k, 0], xyz[k, 1], xyz[k, 2]
        distance = spread * math.sqrt(x * x + y * y + z * z)
        out_cross[row] = math.sqrt(distance * distance + base * base)
        out_time[row] = t
        x, y, z = turned_by(matrix, x + lever[0], y + lever[1], z + lever[2])
        out_xyz[row, 0], out_xyz[row, 1], out_xyz[row, 2] = x + position[0], y + position[1], z + position[2]
        out_view[row, 0], out_view[row, 1], out_view[row, 2] = view[0], view[1], view[2]
        row += 1


@entry
def turn(begin, end, xyz, matrix, out):  # type: ignore[no-untyped-def]
    """Write matrix @ row for rows begin to end of (n, 3) into out."""
    for k in range(begin, end):
        x, y, z = xyz[k, 0], xyz[k, 1], xyz[k, 2]
        for c in range(3):
            out[k, c] = matrix[c, 0] * x + matrix[c, 1] * y + matrix[c, 2] * z
