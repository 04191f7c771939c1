"""A smooth correction of the poses: where points lie under it, and the equations for it; arrays in, arrays out."""

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
    moved = shift != 0.0
    for c in range(6):
        moved |= mount[c] != 0.0
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


@njit(cache=True, nogil=True)
def _solve3(m, v, out):  # type: ignore[no-untyped-def]
    """Solve the symmetric positive 3 x 3 system m out = v; zeros where it is singular."""
    a = m[1, 1] * m[2, 2] - m[1, 2] * m[1, 2]
    b = m[0, 2] * m[1, 2] - m[0, 1] * m[2, 2]
    c = m[0, 1] * m[1, 2] - m[0, 2] * m[1, 1]
    det = m[0, 0] * a + m[0, 1] * b + m[0, 2] * c
    if not det > 1e-12 * m[0, 0] * m[1, 1] * m[2, 2]:
        out[0], out[1], out[2] = 0.0, 0.0, 0.0
        return
    out[0] = (a * v[0] + b * v[1] + c * v[2]) / det
    out[1] = (
        b * v[0] + (m[0, 0] * m[2, 2] - m[0, 2] ** 2) * v[1] + (m[0, 1] * m[0, 2] - m[0, 0] * m[1, 2]) * v[2]
    ) / det
    out[2] = (
        c * v[0] + (m[0, 1] * m[0, 2] - m[0, 0] * m[1, 2]) * v[1] + (m[0, 0] * m[1, 1] - m[0, 1] ** 2) * v[2]
    ) / det


@njit(cache=True, nogil=True)
def mark_pairs(first, last, interval, seen):  # type: ignore[no-untyped-def]
    """Mark in seen (k, k) which knots share a cell: interval (n,) of each point, cells at first[c] : last[c]."""
    knots = len(seen)
    here = np.empty(knots, dtype=np.int64)
    for cell in range(len(first)):
        count = 0
        for row in range(first[cell], last[cell]):
            for knot in range(interval[row], interval[row] + 2):
                known = False
                for m in range(count - 1, max(-1, count - 3), -1):
                    known |= here[m] == knot
                if not known:
                    here[count] = knot
                    count += 1
        for a in range(count):
            for b in range(count):
                seen[here[a], here[b]] = True


@njit(cache=True, nogil=True)
def accumulate(  # type: ignore[no-untyped-def]
    first,
    last,
    normal,
    along,
    middle,
    xyz,
    lever,
    columns,
    sd,
    width,
    interval,
    share,
    slot,
    blocks,
    right,
    extra,
    corner,
    extra_right,
):
    """Add the normal equations of every cell, its plane eliminated, to `blocks`, `right` and their kin.

    Cell c owns rows first[c] : last[c] of the points, in the order of time. normal, along, middle (c, 3): the plane's
    normal, a direction in it and a point of it. Per point: xyz, lever (n, 3); columns (n, e, 3): how it moves with
    each extra unknown; sd (n,); interval (n,) and share (n,) of the knots around it. A residual r weighs
    1 / (1 + (r / width)^2)^2 / sd^2 (Geman-McClure).

    slot (k, k): which of blocks (s, 6, 6) a pair of knots has (only i <= j are filled); extra (k, 6, e) couples knots
    and extra unknowns, corner (e, e) is their own block. right (k, 6), extra_right (e,): right-hand sides.
    """
    knots = slot.shape[0]
    extras = columns.shape[1]
    here = np.empty(knots, dtype=np.int64)
    own = np.zeros((knots, 63))
    fast = np.zeros((3, knots * 6))
    fast_extra = np.zeros((3, extras))
    solved = np.zeros((3, knots * 6))
    solved_extra = np.zeros((3, extras))
    m = np.empty((3, 3))
    e = np.empty(3)
    x = np.empty(3)
    a = np.empty(3)
    g = np.empty(6)
    h = np.empty(extras)
    across = np.empty(3)
    for cell in range(len(first)):
        n = normal[cell]
        u = along[cell]
        _cross(n, u, across)
        _settle(first[cell], last[cell], xyz, middle[cell], n, u, across, sd, width, m, e, a, x)
        count = np.int64(0)
        current = -1
        for row in range(first[cell], last[cell]):
            if interval[row] != current:
                current = interval[row]
                for knot in range(current, current + 2):
                    if count == 0 or here[count - 1] < knot:
                        here[count] = knot
                        count += 1
        fast[:, : 6 * count] = 0.0
        fast_extra[:] = 0.0
        m[:] = 0.0
        e[:] = 0.0
        place = 0
        for row in range(first[cell], last[cell]):
            r = _local(xyz[row], middle[cell], n, u, across, a)
            r -= x[0] + x[1] * a[1] + x[2] * a[2]
            w = _weight(r, width, sd[row])
            arm = lever[row]
            g[0] = arm[1] * n[2] - arm[2] * n[1]
            g[1] = arm[2] * n[0] - arm[0] * n[2]
            g[2] = arm[0] * n[1] - arm[1] * n[0]
            g[3], g[4], g[5] = n[0], n[1], n[2]
            while here[place] != interval[row]:
                place += 1
            s = share[row]
            i0, i1 = here[place], here[place + 1]
            for i in range(3):
                e[i] += w * a[i] * r
                for j in range(3):
                    m[i, j] += w * a[i] * a[j]
                low, high = w * (1.0 - s) * a[i], w * s * a[i]
                for c in range(6):
                    fast[i, 6 * place + c] += low * g[c]
                    fast[i, 6 * place + 6 + c] += high * g[c]
            at = 0
            for c in range(6):
                right[i0, c] -= w * (1.0 - s) * g[c] * r
                right[i1, c] -= w * s * g[c] * r
                for d in range(c, 6):
                    gg = w * g[c] * g[d]
                    own[i0, at] += (1.0 - s) * (1.0 - s) * gg
                    own[i0, at + 1] += s * (1.0 - s) * gg
                    own[i0, at + 2] += s * s * gg
                    at += 3
            for k in range(extras):
                h[k] = n[0] * columns[row, k, 0] + n[1] * columns[row, k, 1] + n[2] * columns[row, k, 2]
                extra_right[k] -= w * h[k] * r
                for i in range(3):
                    fast_extra[i, k] += w * a[i] * h[k]
                for c in range(6):
                    extra[i0, c, k] += w * (1.0 - s) * g[c] * h[k]
                    extra[i1, c, k] += w * s * g[c] * h[k]
                for o in range(k + 1):
                    corner[k, o] += w * h[k] * h[o]
        _eliminate(
            m, e, here, count, fast, fast_extra, solved, solved_extra, slot, blocks, right, extra, corner,
            extra_right,
        )  # fmt: skip
    _spread(own, slot, blocks)
    for k in range(extras):
        for o in range(k):
            corner[o, k] = corner[k, o]


@njit(cache=True, nogil=True)
def _cross(p, q, out):  # type: ignore[no-untyped-def]
    out[0] = p[1] * q[2] - p[2] * q[1]
    out[1] = p[2] * q[0] - p[0] * q[2]
    out[2] = p[0] * q[1] - p[1] * q[0]


@njit(cache=True, nogil=True)
def _settle(first, last, xyz, middle, n, u, across, sd, width, m, e, a, x):  # type: ignore[no-untyped-def]
    """Fill x with offset and two tilts of a cell's plane, after two turns of reweighting."""
    x[:] = 0.0
    for _ in range(2):
        m[:] = 0.0
        e[:] = 0.0
        for row in range(first, last):
            r = _local(xyz[row], middle, n, u, across, a)
            w = _weight(r - x[0] - x[1] * a[1] - x[2] * a[2], width, sd[row])
            for i in range(3):
                e[i] += w * a[i] * r
                for j in range(3):
                    m[i, j] += w * a[i] * a[j]
        _solve3(m, e, x)


@njit(cache=True, nogil=True)
def pulls(  # type: ignore[no-untyped-def]
    first,
    last,
    group,
    normal,
    along,
    middle,
    xyz,
    lever,
    columns,
    sd,
    width,
    interval,
    share,
    moment,
    effect,
    extra_effect,
    by_moment,
    by_group,
    alone,
):
    """Add up how far residuals pull q quantities: by_moment (m, q), by_group (g, q), and squared one by one, (q,).

    As in `accumulate`, and: group (c,) of each cell, moment (n,) of each point; effect (k, 6, q), extra_effect (e, q):
    the unknowns' answer to a unit pull on each quantity. What a cell's plane takes up does not pull.

    Pulls are raised by what a plane fitted to n points takes from residuals, sqrt(n / (n - 3)), and by how much more
    the solution yields to a pull than the weights say: the sum of the weights over that of the slopes of weight times
    residual, at most 2.
    """
    wanted = effect.shape[2]
    extras = columns.shape[1]
    m, e, x, a, across = np.empty((3, 3)), np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    g = np.empty(6)
    taken = np.empty((3, wanted))
    solved = np.empty((3, wanted))
    longest = 0
    for cell in range(len(first)):
        longest = max(longest, last[cell] - first[cell])
    moves = np.empty((longest, wanted))
    weighs = np.empty((longest, 2))
    for cell in range(len(first)):
        n = normal[cell]
        u = along[cell]
        _cross(n, u, across)
        _settle(first[cell], last[cell], xyz, middle[cell], n, u, across, sd, width, m, e, a, x)
        m[:] = 0.0
        taken[:] = 0.0
        weight, slope = 0.0, 0.0
        for row in range(first[cell], last[cell]):
            at = row - first[cell]
            r = _local(xyz[row], middle[cell], n, u, across, a) - x[0]
            r -= x[1] * a[1] + x[2] * a[2]
            w = _weight(r, width, sd[row])
            weighs[at, 0], weighs[at, 1] = w, r
            off = (r / width) ** 2
            weight += w
            slope += w * (1.0 - 3.0 * off) / (1.0 + off)
            _cross(lever[row], n, g)
            g[3], g[4], g[5] = n[0], n[1], n[2]
            s, i = share[row], interval[row]
            for q in range(wanted):
                move = 0.0
                for c in range(6):
                    move += g[c] * ((1.0 - s) * effect[i, c, q] + s * effect[i + 1, c, q])
                for k in range(extras):
                    h = n[0] * columns[row, k, 0] + n[1] * columns[row, k, 1] + n[2] * columns[row, k, 2]
                    move += h * extra_effect[k, q]
                moves[at, q] = move
                for c in range(3):
                    taken[c, q] += w * a[c] * move
            for c in range(3):
                for d in range(3):
                    m[c, d] += w * a[c] * a[d]
        for q in range(wanted):
            for c in range(3):
                a[c] = taken[c, q]
            _solve3(m, a, e)
            for c in range(3):
                solved[c, q] = e[c]
        count = last[cell] - first[cell]
        raised = math.sqrt(count / max(count - 3.0, 1.0)) * weight / max(slope, 0.5 * weight)
        for row in range(first[cell], last[cell]):
            at = row - first[cell]
            _local(xyz[row], middle[cell], n, u, across, a)
            for q in range(wanted):
                free = moves[at, q] - solved[0, q] - solved[1, q] * a[1] - solved[2, q] * a[2]
                pull = raised * weighs[at, 0] * weighs[at, 1] * free
                by_moment[moment[row], q] += pull
                by_group[group[cell], q] += pull
                alone[q] += pull * pull


@njit(cache=True, nogil=True)
def _local(point, middle, n, u, across, a):  # type: ignore[no-untyped-def]
    """Return the point's height above the plane; fill a with 1 and its place in the plane."""
    x, y, z = point[0] - middle[0], point[1] - middle[1], point[2] - middle[2]
    a[0] = 1.0
    a[1] = u[0] * x + u[1] * y + u[2] * z
    a[2] = across[0] * x + across[1] * y + across[2] * z
    return n[0] * x + n[1] * y + n[2] * z


@njit(cache=True, nogil=True)
def _weight(r, width, sd):  # type: ignore[no-untyped-def]
    off = 1.0 + (r / width) ** 2
    return 1.0 / (off * off * sd * sd)


@njit(cache=True, nogil=True)
def _spread(own, slot, blocks):  # type: ignore[no-untyped-def]
    """Add what each interval's points say of its own two knots: own (k, 63), upper triangles of three 6 x 6 blocks."""
    for i in range(len(own) - 1):
        if slot[i, i + 1] < 0:
            continue
        at = 0
        for c in range(6):
            for d in range(c, 6):
                for part in range(3):
                    block = blocks[slot[i + (part == 2), i + (part > 0)]]
                    block[c, d] += own[i, at + part]
                    if d > c:
                        block[d, c] += own[i, at + part]
                at += 3


@njit(cache=True, nogil=True)
def _eliminate(  # type: ignore[no-untyped-def]
    m, e, here, count, fast, fast_extra, solved, solved_extra, slot, blocks, right, extra, corner, extra_right
):
    """Take what the plane of one cell explains out of the equations: the Schur complement of its 3 x 3 block."""
    extras = fast_extra.shape[1]
    x = np.empty(3)
    v = np.empty(3)
    for column in range(6 * count):
        for i in range(3):
            v[i] = fast[i, column]
        _solve3(m, v, x)
        for i in range(3):
            solved[i, column] = x[i]
    for k in range(extras):
        for i in range(3):
            v[i] = fast_extra[i, k]
        _solve3(m, v, x)
        for i in range(3):
            solved_extra[i, k] = x[i]
    for p in range(count):
        i = here[p]
        for o in range(p, count):
            block = blocks[slot[i, here[o]]]
            for c in range(6):
                f0, f1, f2 = fast[0, 6 * p + c], fast[1, 6 * p + c], fast[2, 6 * p + c]
                for d in range(6):
                    to = 6 * o + d
                    block[c, d] -= f0 * solved[0, to] + f1 * solved[1, to] + f2 * solved[2, to]
        for c in range(6):
            for k in range(3):
                right[i, c] += solved[k, 6 * p + c] * e[k]
            for k in range(extras):
                for o in range(3):
                    extra[i, c, k] -= fast[o, 6 * p + c] * solved_extra[o, k]
    for k in range(extras):
        for i in range(3):
            extra_right[k] += solved_extra[i, k] * e[i]
        for o in range(k + 1):
            for i in range(3):
                corner[k, o] -= fast_extra[i, k] * solved_extra[i, o]
