"""The equations of a smooth correction of the poses, and how far residuals pull; arrays in, arrays out."""

import math

import numpy as np

from terrain.kernels.options import bare, entry, helper


@helper
def _inverse3(m00, m01, m02, m11, m12, m22):  # type: ignore[no-untyped-def]
    """Return the upper triangle of the adjugate of a symmetric positive 3 x 3 matrix, and what divides it.

    What divides is infinite where the matrix is singular: solutions are zeros then.
    """
    a = m11 * m22 - m12 * m12
    b = m02 * m12 - m01 * m22
    c = m01 * m12 - m02 * m11
    det = m00 * a + m01 * b + m02 * c
    if not det > 1e-12 * m00 * m11 * m22:
        return 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, np.inf
    return a, b, c, m00 * m22 - m02 * m02, m01 * m02 - m00 * m12, m00 * m11 - m01 * m01, det


@helper
def _times3(inverse, v0, v1, v2):  # type: ignore[no-untyped-def]
    """Return what `_inverse3` says of a right-hand side."""
    a, b, c, d, e, f, det = inverse
    return (a * v0 + b * v1 + c * v2) / det, (b * v0 + d * v1 + e * v2) / det, (c * v0 + e * v1 + f * v2) / det


@entry
def knots_of_cells(first, last, interval):  # type: ignore[no-untyped-def]
    """List the knots that each cell's points hang on: interval (n,) of each point, cells at first[c] : last[c].

    -> begins (cells + 1,), knots (t,) int32, rising in each cell: those of cell c are begins[c] : begins[c + 1]; until
    (t,) int32: where the run of knots that follow each other ends.
    """
    begins = np.empty(len(first) + 1, dtype=np.int64)
    most = 0
    for cell in range(len(first)):
        most += 2 * (last[cell] - first[cell])
    knots = np.empty(most, dtype=np.int32)
    used = 0
    for cell in range(len(first)):
        begins[cell] = used
        for row in range(first[cell], last[cell]):
            for knot in range(interval[row], interval[row] + 2):
                if used == begins[cell] or knots[used - 1] < knot:
                    knots[used] = knot
                    used += 1
    begins[-1] = used
    until = np.empty(used, dtype=np.int32)
    for cell in range(len(first)):
        end = begins[cell + 1]
        for place in range(end - 1, begins[cell] - 1, -1):
            if place < begins[cell + 1] - 1 and knots[place + 1] != knots[place] + 1:
                end = place + 1
            until[place] = end
    return begins, knots[:used].copy(), until


@entry
def mark_pairs(begins, knots, seen):  # type: ignore[no-untyped-def]
    """Mark in seen (k, k) which knots share a cell, the lower one first; as `knots_of_cells` lists them."""
    for cell in range(len(begins) - 1):
        for a in range(begins[cell], begins[cell + 1]):
            marks = seen[knots[a]]
            for b in range(a, begins[cell + 1]):
                marks[knots[b]] = True


@entry
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
    begins,
    here,
    fast,
    solved,
    own,
    right,
    extra,
    corner,
    extra_right,
):
    """Add the normal equations of every cell, its plane eliminated, to `right` and its kin, and what `blocks` need.

    Cell c owns rows first[c] : last[c] of the points, in the order of time. normal, along, middle (c, 3): the plane's
    normal, a direction in it and a point of it. Per point: xyz, lever (n, 3); columns (n, e, 3): how it moves with
    each extra unknown; sd (n,); interval (n,) and share (n,) of the knots around it. A residual r weighs
    1 / (1 + (r / width)^2)^2 / sd^2 (Geman-McClure).

    begins, here: the knots of each cell, see `knots_of_cells`. own (k, 63): see `spread`; fast, solved
    (3, 6 t): see `eliminate`; own and fast begin as zeros. extra (k, 6, e) couples knots and extra unknowns, corner
    (e, e) is their own block. right (k, 6), extra_right (e,): right-hand sides.
    """
    extras = columns.shape[1]
    fast_extra = np.zeros((3, extras))
    solved_extra = np.zeros((3, extras))
    g = np.empty(6)
    h = np.empty(extras)
    across = np.empty(3)
    for cell in range(len(first)):
        n = normal[cell]
        u = along[cell]
        _cross(n, u, across)
        x0, x1, x2 = _settle(first[cell], last[cell], xyz, middle[cell], n, u, across, sd, width)
        fast_extra[:] = 0.0
        m00, m01, m02, m11, m12, m22 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        e0, e1, e2 = 0.0, 0.0, 0.0
        place = begins[cell]
        for row in range(first[cell], last[cell]):
            r, a1, a2 = _local(xyz[row], middle[cell], n, u, across)
            r -= x0 + x1 * a1 + x2 * a2
            w = _weight(r, width, sd[row])
            _cross(lever[row], n, g)
            g[3], g[4], g[5] = n[0], n[1], n[2]
            while here[place] != interval[row]:
                place += 1
            s = share[row]
            i0, i1 = here[place], here[place + 1]
            w1, w2 = w * a1, w * a2
            m00, m01, m02 = m00 + w, m01 + w * a1, m02 + w * a2
            m11, m12, m22 = m11 + w1 * a1, m12 + w1 * a2, m22 + w2 * a2
            e0, e1, e2 = e0 + w * r, e1 + w1 * r, e2 + w2 * r
            low, high = w * (1.0 - s), w * s
            for c in range(6):
                at = 6 * place + c
                fast[0, at] += low * g[c]
                fast[1, at] += low * a1 * g[c]
                fast[2, at] += low * a2 * g[c]
                fast[0, at + 6] += high * g[c]
                fast[1, at + 6] += high * a1 * g[c]
                fast[2, at + 6] += high * a2 * g[c]
            at = 0
            none, both, all_ = (1.0 - s) * (1.0 - s), s * (1.0 - s), s * s
            for c in range(6):
                wg = w * g[c]
                right[i0, c] -= low * g[c] * r
                right[i1, c] -= high * g[c] * r
                for d in range(c, 6):
                    gg = wg * g[d]
                    own[i0, at] += none * gg
                    own[i0, at + 1] += both * gg
                    own[i0, at + 2] += all_ * gg
                    at += 3
            for k in range(extras):
                h[k] = n[0] * columns[row, k, 0] + n[1] * columns[row, k, 1] + n[2] * columns[row, k, 2]
                wh = w * h[k]
                extra_right[k] -= wh * r
                fast_extra[0, k] += wh
                fast_extra[1, k] += w1 * h[k]
                fast_extra[2, k] += w2 * h[k]
                for c in range(6):
                    extra[i0, c, k] += low * g[c] * h[k]
                    extra[i1, c, k] += high * g[c] * h[k]
                for o in range(k + 1):
                    corner[k, o] += wh * h[o]
        inverse = _inverse3(m00, m01, m02, m11, m12, m22)
        _without_plane(
            inverse, (e0, e1, e2), begins[cell], begins[cell + 1], here, fast, fast_extra, solved, solved_extra, right,
            extra, corner, extra_right,
        )  # fmt: skip
    for k in range(extras):
        for o in range(k):
            corner[o, k] = corner[k, o]


@helper
def _cross(p, q, out):  # type: ignore[no-untyped-def]
    out[0] = p[1] * q[2] - p[2] * q[1]
    out[1] = p[2] * q[0] - p[0] * q[2]
    out[2] = p[0] * q[1] - p[1] * q[0]


@helper
def _settle(first, last, xyz, middle, n, u, across, sd, width):  # type: ignore[no-untyped-def]
    """Return offset and two tilts of a cell's plane, after two turns of reweighting."""
    x0, x1, x2 = 0.0, 0.0, 0.0
    for _ in range(2):
        m00, m01, m02, m11, m12, m22 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        e0, e1, e2 = 0.0, 0.0, 0.0
        for row in range(first, last):
            r, a1, a2 = _local(xyz[row], middle, n, u, across)
            w = _weight(r - x0 - x1 * a1 - x2 * a2, width, sd[row])
            w1, w2 = w * a1, w * a2
            m00, m01, m02 = m00 + w, m01 + w * a1, m02 + w * a2
            m11, m12, m22 = m11 + w1 * a1, m12 + w1 * a2, m22 + w2 * a2
            e0, e1, e2 = e0 + w * r, e1 + w1 * r, e2 + w2 * r
        x0, x1, x2 = _times3(_inverse3(m00, m01, m02, m11, m12, m22), e0, e1, e2)
    return x0, x1, x2


@entry
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
    across, g = np.empty(3), np.empty(6)
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
        x0, x1, x2 = _settle(first[cell], last[cell], xyz, middle[cell], n, u, across, sd, width)
        m00, m01, m02, m11, m12, m22 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        taken[:] = 0.0
        weight, slope = 0.0, 0.0
        for row in range(first[cell], last[cell]):
            at = row - first[cell]
            r, a1, a2 = _local(xyz[row], middle[cell], n, u, across)
            r -= x0
            r -= x1 * a1 + x2 * a2
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
                taken[0, q] += w * move
                taken[1, q] += w * a1 * move
                taken[2, q] += w * a2 * move
            m00, m01, m02 = m00 + w, m01 + w * a1, m02 + w * a2
            m11, m12, m22 = m11 + w * a1 * a1, m12 + w * a1 * a2, m22 + w * a2 * a2
        inverse = _inverse3(m00, m01, m02, m11, m12, m22)
        for q in range(wanted):
            solved[0, q], solved[1, q], solved[2, q] = _times3(inverse, taken[0, q], taken[1, q], taken[2, q])
        count = last[cell] - first[cell]
        raised = math.sqrt(count / max(count - 3.0, 1.0)) * weight / max(slope, 0.5 * weight)
        for row in range(first[cell], last[cell]):
            at = row - first[cell]
            _, a1, a2 = _local(xyz[row], middle[cell], n, u, across)
            for q in range(wanted):
                free = moves[at, q] - solved[0, q] - solved[1, q] * a1 - solved[2, q] * a2
                pull = raised * weighs[at, 0] * weighs[at, 1] * free
                by_moment[moment[row], q] += pull
                by_group[group[cell], q] += pull
                alone[q] += pull * pull


@helper
def _local(point, middle, n, u, across):  # type: ignore[no-untyped-def]
    """Return the point's height above the plane, and its place in the plane."""
    x, y, z = point[0] - middle[0], point[1] - middle[1], point[2] - middle[2]
    return (
        n[0] * x + n[1] * y + n[2] * z,
        u[0] * x + u[1] * y + u[2] * z,
        across[0] * x + across[1] * y + across[2] * z,
    )


@helper
def _weight(r, width, sd):  # type: ignore[no-untyped-def]
    off = 1.0 + (r / width) ** 2
    return 1.0 / (off * off * sd * sd)


@entry
def spread(own, slot, blocks):  # type: ignore[no-untyped-def]
    """Add what each interval's points say of its own two knots: own (k, 63), upper triangles of three 6 x 6 blocks.

    slot (k, k): which of blocks (s, 6, 6) a pair of knots has; only i <= j are filled.
    """
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


@helper
def _without_plane(  # type: ignore[no-untyped-def]
    inverse, e, begin, end, here, fast, fast_extra, solved, solved_extra, right, extra, corner, extra_right
):
    """Take what the plane of one cell explains out of the equations but their blocks: see `eliminate`."""
    extras = fast_extra.shape[1]
    f0, f1, f2 = fast[0, 6 * begin : 6 * end], fast[1, 6 * begin : 6 * end], fast[2, 6 * begin : 6 * end]
    s0, s1, s2 = solved[0, 6 * begin : 6 * end], solved[1, 6 * begin : 6 * end], solved[2, 6 * begin : 6 * end]
    for at in range(len(f0)):
        s0[at], s1[at], s2[at] = _times3(inverse, f0[at], f1[at], f2[at])
    for k in range(extras):
        solved_extra[0, k], solved_extra[1, k], solved_extra[2, k] = _times3(
            inverse, fast_extra[0, k], fast_extra[1, k], fast_extra[2, k]
        )
    e0, e1, e2 = e
    for p in range(begin, end):
        i, at = here[p], 6 * (p - begin)
        for c in range(6):
            right[i, c] = right[i, c] + s0[at + c] * e0 + s1[at + c] * e1 + s2[at + c] * e2
            for k in range(extras):
                extra[i, c, k] = (
                    extra[i, c, k]
                    - f0[at + c] * solved_extra[0, k]
                    - f1[at + c] * solved_extra[1, k]
                    - f2[at + c] * solved_extra[2, k]
                )
    for k in range(extras):
        extra_right[k] = extra_right[k] + solved_extra[0, k] * e0 + solved_extra[1, k] * e1 + solved_extra[2, k] * e2
        for o in range(k + 1):
            for i in range(3):
                corner[k, o] -= fast_extra[i, k] * solved_extra[i, o]


@bare
def eliminate(begin, end, order, first, cell_of, begins, here, until, fast, solved, slot, row, blocks):  # type: ignore[no-untyped-def]
    """Take what planes explain out of the blocks of knots begin to end: the Schur complement of their 3 x 3 blocks.

    order[first[k] : first[k + 1]]: where knot k stands among the cells' knots `here`; cell_of (t,) of each of those;
    until (t,): see `knots_of_cells`; fast, solved (3, 6 t). Each knot has blocks of its own, and each block is added up
    in the order of the cells: in `row` (6, 6 k), room, where those of knots that follow each other lie side by side,
    for vectors.
    """
    for i in range(begin, end):
        for c in range(6):
            for x in range(6 * i, row.shape[1]):
                row[c, x] = 0.0
        for t in range(first[i], first[i + 1]):
            p = order[t]
            o, last = np.int64(p), begins[cell_of[p] + 1]
            while o < last:
                e = np.int64(until[o])
                at = 6 * here[o]
                s0, s1, s2 = solved[0, 6 * o : 6 * e], solved[1, 6 * o : 6 * e], solved[2, 6 * o : 6 * e]
                for c in range(6):
                    f0, f1, f2 = fast[0, 6 * p + c], fast[1, 6 * p + c], fast[2, 6 * p + c]
                    found = row[c, at : at + len(s0)]
                    for x in range(len(s0)):
                        found[x] -= f0 * s0[x] + f1 * s1[x] + f2 * s2[x]
                o = e
        for j in range(i, len(slot)):
            if slot[i, j] >= 0:
                for c in range(6):
                    for d in range(6):
                        blocks[slot[i, j], c, d] = row[c, 6 * j + d]


@entry
def fill_tiles(begin, end, slot, blocks, scale, rank, side, number, tiles):  # type: ignore[no-untyped-def]
    """Put blocks (s, 6, 6) of pairs of knots, scaled on both sides, into tiles (m, 6 side, 6 side), lower triangle.

    Of the pairs whose first knot is one of begin to end. slot (k, k): which block a pair i <= j has, -1 none; scale
    (k, 6); rank (k,): the place of each knot; number (t, t): which tile, rows first. The tiles begin as zeros. Those on
    the diagonal are filled in both triangles.
    """
    for i in range(begin, end):
        p = rank[i]
        for j in range(i, len(slot)):
            if slot[i, j] < 0:
                continue
            q, block = rank[j], blocks[slot[i, j]]
            tile = tiles[number[max(p, q) // side, min(p, q) // side]]
            row, column = 6 * (p % side), 6 * (q % side)
            same = p // side == q // side
            for c in range(6):
                for d in range(6):
                    value = block[c, d] * scale[i, c] * scale[j, d]
                    if p > q or same:
                        tile[row + c, column + d] = value
                    if p < q or same:
                        tile[column + d, row + c] = value


@bare
def less_product(begin, end, slot, blocks, known, out):  # type: ignore[no-untyped-def]
    """Take the matrix of blocks (s, 6, 6), of pairs i <= j of knots, times known (q, k, 6) from out (q, k, 6).

    Of the pairs whose first knot is one of begin to end. What a row's own knot gets is held in registers meanwhile.
    """
    for i in range(begin, end):
        for q in range(len(known)):
            x0, x1, x2, x3, x4, x5 = (
                known[q, i, 0], known[q, i, 1], known[q, i, 2], known[q, i, 3], known[q, i, 4], known[q, i, 5],
            )  # fmt: skip
            y0, y1, y2, y3, y4, y5 = (
                out[q, i, 0], out[q, i, 1], out[q, i, 2], out[q, i, 3], out[q, i, 4], out[q, i, 5],
            )  # fmt: skip
            for j in range(i, len(slot)):
                if slot[i, j] < 0:
                    continue
                block = blocks[slot[i, j]]
                for d in range(6):
                    z = known[q, j, d]
                    b0, b1, b2 = block[0, d], block[1, d], block[2, d]
                    b3, b4, b5 = block[3, d], block[4, d], block[5, d]
                    y0 -= b0 * z
                    y1 -= b1 * z
                    y2 -= b2 * z
                    y3 -= b3 * z
                    y4 -= b4 * z
                    y5 -= b5 * z
                    if j > i:
                        out[q, j, d] = out[q, j, d] - b0 * x0 - b1 * x1 - b2 * x2 - b3 * x3 - b4 * x4 - b5 * x5
            out[q, i, 0], out[q, i, 1], out[q, i, 2], out[q, i, 3], out[q, i, 4], out[q, i, 5] = y0, y1, y2, y3, y4, y5


@bare
def less_products(begin, end, slot, blocks, known, out):  # type: ignore[no-untyped-def]
    """Do the same for many columns, known and out (k, 6, q), which are what vectors go along."""
    for i in range(begin, end):
        x0, x1, x2, x3, x4, x5 = known[i, 0], known[i, 1], known[i, 2], known[i, 3], known[i, 4], known[i, 5]
        for j in range(i, len(slot)):
            if slot[i, j] < 0:
                continue
            block = blocks[slot[i, j]]
            z0, z1, z2, z3, z4, z5 = known[j, 0], known[j, 1], known[j, 2], known[j, 3], known[j, 4], known[j, 5]
            for c in range(6):
                b0, b1, b2, b3, b4, b5 = block[c, 0], block[c, 1], block[c, 2], block[c, 3], block[c, 4], block[c, 5]
                y = out[i, c]
                for q in range(len(y)):
                    y[q] = y[q] - b0 * z0[q] - b1 * z1[q] - b2 * z2[q] - b3 * z3[q] - b4 * z4[q] - b5 * z5[q]
                if j == i:
                    continue
                b0, b1, b2, b3, b4, b5 = block[0, c], block[1, c], block[2, c], block[3, c], block[4, c], block[5, c]
                y = out[j, c]
                for q in range(len(y)):
                    y[q] = y[q] - b0 * x0[q] - b1 * x1[q] - b2 * x2[q] - b3 * x3[q] - b4 * x4[q] - b5 * x5[q]
