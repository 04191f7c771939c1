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
def arc_weights(q, i, j, share):  # type: ignore[no-untyped-def]
    """Return the weights of rows i and j of quaternions q (m, 4) in their SLERP, the short way round.

    For small arcs sin(s a) / sin(a) is the quotient of the series of both, and a^2 = (2 asin(chord / 2))^2 a series in
    the chord's square (Gradshteyn and Ryzhik 1.645.2, from memory).
    """
    dot = q[i, 0] * q[j, 0] + q[i, 1] * q[j, 1] + q[i, 2] * q[j, 2] + q[i, 3] * q[j, 3]
    sign = 1.0 if dot >= 0.0 else -1.0
    gap, sum_ = 0.0, 0.0
    for c in range(4):
        gap += (q[i, c] - sign * q[j, c]) ** 2
        sum_ += (q[i, c] + sign * q[j, c]) ** 2
    if gap < SMALL_ARC2:
        square = gap * (1.0 + gap * (1.0 / 12.0 + gap * (1.0 / 90.0 + gap * (1.0 / 560.0 + gap * (1.0 / 3150.0)))))
        per, rest = 1.0 / over_angle(square), 1.0 - share
        a, b = per * rest * over_angle(rest * rest * square), per * share * over_angle(share * share * square)
    else:
        angle = 2.0 * math.atan2(math.sqrt(gap), math.sqrt(sum_))
        a, b = math.sin((1.0 - share) * angle) / math.sin(angle), math.sin(share * angle) / math.sin(angle)
    return a, b * sign


@inner
def over_angle(square):  # type: ignore[no-untyped-def]
    """Return sin(a) / a of an angle below a tenth of a radian, from its square."""
    return 1.0 + square * (-1.0 / 6.0 + square * (1.0 / 120.0 + square * (-1.0 / 5040.0 + square * (1.0 / 362880.0))))


@inner
def matrix_of(q, matrix):  # type: ignore[no-untyped-def]
    """Fill a (3, 3) rotation from a quaternion (4,) of any length."""
    x, y, z, w = q[0], q[1], q[2], q[3]
    two = 2.0 / (x * x + y * y + z * z + w * w)
    matrix[0, 0] = 1.0 - two * (y * y + z * z)
    matrix[0, 1] = two * (x * y - z * w)
    matrix[0, 2] = two * (x * z + y * w)
    matrix[1, 0] = two * (x * y + z * w)
    matrix[1, 1] = 1.0 - two * (x * x + z * z)
    matrix[1, 2] = two * (y * z - x * w)
    matrix[2, 0] = two * (x * z - y * w)
    matrix[2, 1] = two * (y * z + x * w)
    matrix[2, 2] = 1.0 - two * (x * x + y * y)


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
    matrix, turn_by = np.empty((3, 3)), np.empty(4)
    position = np.empty(3)
    view = np.empty(3)
    i = np.int64(0)
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
            a, b = arc_weights(pose_quaternion, i, j, share)
            for c in range(4):
                turn_by[c] = a * pose_quaternion[i, c] + b * pose_quaternion[j, c]
            matrix_of(turn_by, matrix)
            for c in range(3):
                step = share * (pose_position[j, c] - pose_position[i, c])
                position[c] = pose_position[i, c] + step
                arm = matrix[c, 0] * lever[0] + matrix[c, 1] * lever[1] + matrix[c, 2] * lever[2]
                view[c] = arm + (pose_position[i, c] - origin[c]) + step
        x, y, z = xyz[k, 0], xyz[k, 1], xyz[k, 2]
        distance = spread * math.sqrt(x * x + y * y + z * z)
        out_cross[row] = math.sqrt(distance * distance + base * base)
        out_time[row] = t
        x += lever[0]
        y += lever[1]
        z += lever[2]
        for c in range(3):
            out_xyz[row, c] = matrix[c, 0] * x + matrix[c, 1] * y + matrix[c, 2] * z + position[c]
            out_view[row, c] = view[c]
        row += 1


@entry
def turn(begin, end, xyz, matrix, out):  # type: ignore[no-untyped-def]
    """Write matrix @ row for rows begin to end of (n, 3) into out."""
    for k in range(begin, end):
        x, y, z = xyz[k, 0], xyz[k, 1], xyz[k, 2]
        for c in range(3):
            out[k, c] = matrix[c, 0] * x + matrix[c, 1] * y + matrix[c, 2] * z
