"""Strips along the rows of a grid against what lies beside them: returns that lack, beams that ended further away."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from terrain.kernels.options import bare, inner


class Widths(NamedTuple):
    """Of strips, in cells: across, of those that beams are looked up in; where the flanks begin and end beyond them."""

    across: int
    beam: int
    inner: int
    outer: int
    wide: int


class Tables(NamedTuple):
    """Sums over a grid as `summed` makes them: returns, cells of the part; beams that met it, what they score.

    base: of their rows, see `Rows`; row `first` of them lies before row 0 of the grid. Without beams met and score are
    empty.
    """

    hits: Any
    cover: Any
    met: Any
    score: Any
    base: Any
    first: int


def summed(values: Any, rows: Any, wide: Any, columns: int) -> Any:
    """Several values by `rows` of a grid of so many columns, (k, size) -> sums of all above and to the left, (k, size).

    By `wide` (`around_rows`).
    """
    out = np.empty((len(values), wide.size))
    add_up(values, rows, wide, np.zeros((len(values), columns + 1)), out)
    return out


@bare
def add_up(values, rows, wide, totals, out):  # type: ignore[no-untyped-def]
    """Write what `summed` returns; totals (k, columns + 1): zeros."""
    reach = (len(wide.low) - 1 - len(rows.low)) // 2
    columns = totals.shape[1] - 1
    for k in range(len(values)):
        own, total, made = values[k], totals[k], out[k]
        for t in range(len(wide.low)):
            i = t - reach - 1
            if 0 <= i < len(rows.low):
                row = 0.0
                first, last = rows.low[i], rows.high[i]
                held, under = own[rows.base[i] + first : rows.base[i] + last], total[first + 1 : last + 1]
                for j in range(len(held)):
                    row += held[j]
                    under[j] += row
                if row != 0.0:
                    beyond = total[last + 1 :]
                    for j in range(len(beyond)):
                        beyond[j] += row
            low, high, base = wide.low[t], wide.high[t], wide.base[t]
            first, last = min(max(low, 0), high), max(min(high, columns + 1), low)
            for j in range(low, first):
                made[base + j] = 0.0
            sums, line = total[first:last], made[base + first : base + last]
            for j in range(len(sums)):
                line[j] = sums[j]
            for j in range(last, high):
                made[base + j] = total[columns]


@bare
def box(table, base, i0, i1, j0, j1):  # type: ignore[no-untyped-def]
    """Sum over rows i0 to i1 and columns j0 to j1 of a table, ends left out."""
    return table[base[i1] + j1] - table[base[i0] + j1] - table[base[i1] + j0] + table[base[i0] + j0]


ENOUGH = 0.4
"""Share of a side that must lie in the part."""


@inner
def against(left, left_area, right, right_area, own_area, seen, least):  # type: ignore[no-untyped-def]
    """Signed root of the Poisson deviance of what a strip holds against its poorer side, and the rate there.

    Returns and areas of both sides and the strip. NaN where too little is expected to tell.
    """
    rate = min(left / left_area, right / right_area)
    expected = rate * own_area
    if expected < least:
        return np.nan, 0.0
    deviance = expected - seen
    if seen > 0.0:
        deviance += seen * np.log(seen / expected)
    root = np.sqrt(max(2.0 * deviance, 0.0))
    return (root if seen < expected else -root), rate


@inner
def shortfall(tables, i0, i1, inner, outer, j0, j1, own_area, seen, least):  # type: ignore[no-untyped-def]
    """`against` for the strip of rows i0 to i1 of the tables; NaN too where a side lies outside the part."""
    full = (outer - inner) * (j1 - j0)
    left_area = box(tables.cover, tables.base, i0 - outer, i0 - inner, j0, j1)
    right_area = box(tables.cover, tables.base, i1 + inner, i1 + outer, j0, j1)
    if left_area < ENOUGH * full or right_area < ENOUGH * full:
        return np.nan, 0.0
    left = box(tables.hits, tables.base, i0 - outer, i0 - inner, j0, j1)
    right = box(tables.hits, tables.base, i1 + inner, i1 + outer, j0, j1)
    return against(left, left_area, right, right_area, own_area, seen, least)


@inner
def excess(own, total, left, left_total, right, right_total, least):  # type: ignore[no-untyped-def]
    """How far values of variance one of the beams in a strip exceed those beside it, from how many there are and sums.

    -> their sum less what the side with the larger mean would give, over its own sd; the difference of the means.
    Zeros where the strip or a side holds fewer than `least` beams.
    """
    if own < least or left < least or right < least:
        return 0.0, 0.0
    a, b = left_total / left, right_total / right
    mean, beside = (a, left) if a > b else (b, right)
    over = total - own * mean
    return over / np.sqrt(own * (1.0 + own / beside)), over / own


@bare
def strip_score(tables, values, i, widths, j0, j1, least):  # type: ignore[no-untyped-def]
    """`excess` of the values in the strip about row i of the tables."""
    base, met = tables.base, tables.met
    i0 = i - widths.beam // 2
    i1 = i0 + widths.beam
    k0, k1 = i0 - widths.outer, i0 - widths.inner
    m0, m1 = i1 + widths.inner, i1 + widths.outer
    return excess(
        box(met, base, i0, i1, j0, j1), box(values, base, i0, i1, j0, j1), box(met, base, k0, k1, j0, j1),
        box(values, base, k0, k1, j0, j1), box(met, base, m0, m1, j0, j1), box(values, base, m0, m1, j0, j1), least,
    )  # fmt: skip


@inner
def boxes_along(table, base, i0, i1, low, half, out):  # type: ignore[no-untyped-def]
    """Write to out (n,) the sums over rows i0 to i1 and `half` columns to both sides of n columns from `low` on."""
    n, j0, j1 = len(out), low - half, low + half + 1
    a, b = table[base[i0] + j0 : base[i0] + j0 + n], table[base[i0] + j1 : base[i0] + j1 + n]
    c, d = table[base[i1] + j0 : base[i1] + j0 + n], table[base[i1] + j1 : base[i1] + j1 + n]
    for j in range(n):
        out[j] = (d[j] - b[j]) - (c[j] - a[j])


@inner
def sides_along(table, base, i0, i1, inner, outer, low, half, left, right):  # type: ignore[no-untyped-def]
    """`boxes_along` for both sides of the strips of rows i0 to i1."""
    boxes_along(table, base, i0 - outer, i0 - inner, low, half, left)
    boxes_along(table, base, i1 + inner, i1 + outer, low, half, right)


@inner
def logarithms(x, bits, power):  # type: ignore[no-untyped-def]
    """Replace positive numbers by their logarithms, whole vectors at once; bits are the same memory as int64.

    With x = 2^p m and f = (m - 1) / (m + 1): p ln 2 + 2 (f + f^3 / 3 + f^5 / 5 ...), |f| < 0.172 (Abramowitz and
    Stegun 4.1.27). power: room.
    """
    for j in range(len(x)):
        power[j] = np.float64((bits[j] >> 52) - 1023)
    for j in range(len(x)):
        bits[j] = (bits[j] & 0xFFFFFFFFFFFFF) | 0x3FF0000000000000
    for j in range(len(x)):
        large = x[j] > 1.4142135623730951
        m = 0.5 * x[j] if large else x[j]
        p = power[j] + 1.0 if large else power[j]
        f = (m - 1.0) / (m + 1.0)
        s = f * f
        t = 1.0 / 17.0 + s * (1.0 / 19.0 + s * (1.0 / 21.0))
        t = 1.0 / 9.0 + s * (1.0 / 11.0 + s * (1.0 / 13.0 + s * (1.0 / 15.0 + s * t)))
        t = 1.0 + s * (1.0 / 3.0 + s * (1.0 / 5.0 + s * (1.0 / 7.0 + s * t)))
        x[j] = p * 0.6931471805599453 + 2.0 * f * t


@inner
def against_along(left, left_area, right, right_area, own_area, seen, least, expected, power, bits, out):  # type: ignore[no-untyped-def]
    """Write `against` for the strips of a row; bits int64 are the memory of out, expected and power room.

    Loops that write to one row each: of more, the compiler does not find out that they can be made vectors.
    """
    for j in range(len(out)):
        one, other = left[j] / left_area[j], right[j] / right_area[j]
        expected[j] = (other if other < one else one) * own_area[j]
    for j in range(len(out)):
        out[j] = seen[j] / expected[j]
    logarithms(out, bits, power)
    for j in range(len(out)):
        deviance = expected[j] - seen[j] + (seen[j] * out[j] if seen[j] > 0.0 else 0.0)
        root = np.sqrt(2.0 * deviance if deviance > 0.0 else 0.0)
        signed = root if seen[j] < expected[j] else -root
        out[j] = signed if expected[j] >= least else np.nan


@inner
def entered_along(own, total, left, left_total, right, right_total, least, out):  # type: ignore[no-untyped-def]
    """Write the first of `excess` for the strips of a row."""
    for j in range(len(out)):
        one, other = left_total[j] / left[j], right_total[j] / right[j]
        mean = one if one > other else other
        beside = left[j] if one > other else right[j]
        score = (total[j] - own[j] * mean) / np.sqrt(own[j] * (1.0 + own[j] / beside))
        fewest = min(own[j], min(left[j], right[j]))
        out[j] = score if fewest >= least else 0.0


@bare
def depths_along(  # type: ignore[no-untyped-def]
    tables, area, rows, widths, along, least, count_weight, beam_weight, room, bits, depth, broad
):
    """Write what `strip_depths` returns -> how many of broad. room (12, n) and bits, its int64, for rows of n cells."""
    used = 0
    base, half, beams = tables.base, along // 2, len(tables.met) > 0
    of_count, of_beams = np.float32(count_weight if beams else 1.0), np.float32(beam_weight)
    inner, outer, wide = widths.inner, widths.outer, widths.wide
    least_own = 0.5 * widths.across * along
    least_side, least_wide = ENOUGH * (outer - inner) * along, ENOUGH * (wide - inner) * along
    for i in range(len(rows.low)):
        low, n = rows.low[i], rows.high[i] - rows.low[i]
        if n == 0:
            continue
        own, total, left, left_total = room[0][:n], room[1][:n], room[2][:n], room[3][:n]
        right, right_total, expected, power = room[4][:n], room[5][:n], room[6][:n], room[7][:n]
        entered, value, broader, side = room[8][:n], room[9][:n], room[10][:n], room[11][:n]
        if beams:
            i0 = tables.first + i - widths.beam // 2
            i1 = i0 + widths.beam
            boxes_along(tables.met, base, i0, i1, low, half, own)
            boxes_along(tables.score, base, i0, i1, low, half, total)
            sides_along(tables.met, base, i0, i1, inner, outer, low, half, left, right)
            sides_along(tables.score, base, i0, i1, inner, outer, low, half, left_total, right_total)
            entered_along(own, total, left, left_total, right, right_total, least, entered)
        i0 = tables.first + i - widths.across // 2
        i1 = i0 + widths.across
        boxes_along(tables.cover, base, i0, i1, low, half, own)
        boxes_along(tables.hits, base, i0, i1, low, half, total)
        sides_along(tables.hits, base, i0, i1, inner, wide, low, half, left_total, right_total)
        sides_along(tables.cover, base, i0, i1, inner, wide, low, half, left, right)
        against_along(left_total, left, right_total, right, own, total, least, expected, power, bits[10][:n], broader)
        for j in range(n):
            side[j] = min(left[j], right[j])
        sides_along(tables.hits, base, i0, i1, inner, outer, low, half, left_total, right_total)
        sides_along(tables.cover, base, i0, i1, inner, outer, low, half, left, right)
        against_along(left_total, left, right_total, right, own, total, least, expected, power, bits[9][:n], value)
        start = rows.base[i] + low
        for j in range(n):
            if area[start + j] == 0.0 or own[j] < least_own or min(left[j], right[j]) < least_side:
                continue
            if np.isnan(value[j]):
                continue
            more = of_beams * np.float32(entered[j])
            depth[start + j] = of_count * np.float32(value[j]) + more
            if side[j] >= least_wide and not np.isnan(broader[j]):
                broad[used] = of_count * np.float32(broader[j]) + more
                used += 1
    return used


def strip_depths(
    tables: Tables, area: Any, rows: Any, widths: Widths, along: int, least: float, count_weight: float,
    beam_weight: float,
) -> Any:  # fmt: skip
    """How far strips along the second axis fall short of those beside them.

    -> depth by `rows`: signed root of the Poisson deviance, positive where too few, NaN where a side or the strip lies
    outside the part or too little is expected; and, row by row, the same against sides up to `wide` where that tells.
    With beams it is the weighted sum of that and of their `strip_score`, 0 where that does not tell. Row by row, so
    that making sums and telling by them is a matter of whole vectors.
    """
    depth, broad = np.full(rows.size, np.nan, dtype=np.float32), np.empty(rows.size, dtype=np.float32)
    room = np.zeros((12, max(int((rows.high - rows.low).max(initial=0)), 1)))
    with np.errstate(all="ignore"):  # what does not tell may divide by zero, where this is not compiled
        used = depths_along(
            tables, area, rows, widths, along, least, count_weight, beam_weight, room, room.view(np.int64), depth, broad
        )
    return depth, broad[:used]


def strip_details(cells: Any, tables: Tables, beyond: Any, widths: Widths, along: int, least: float) -> Any:
    """Tell what strips about some cells (k, 2) of the grid, row and column, look like -> (4, k) float32.

    The depth by returns alone; the share of returns expected; how many cells across hold none, if those around hold as
    many as beside the strip; how much further beams end than beside it, by the table `beyond` (0 without beams).
    """
    out = np.zeros((4, len(cells)), dtype=np.float32)
    put_details(cells, tables, beyond, widths, along, least, out)
    return out


@bare
def put_details(cells, tables, beyond, widths, along, least, out):  # type: ignore[no-untyped-def]
    """Write what `strip_details` returns."""
    for c in range(len(cells)):
        i0 = tables.first + cells[c, 0] - widths.across // 2
        i1 = i0 + widths.across
        j0, j1 = cells[c, 1] - along // 2, cells[c, 1] + along // 2 + 1
        own_area = box(tables.cover, tables.base, i0, i1, j0, j1)
        seen = box(tables.hits, tables.base, i0, i1, j0, j1)
        out[0, c], rate = shortfall(tables, i0, i1, widths.inner, widths.outer, j0, j1, own_area, seen, least)
        out[1, c] = seen / (rate * own_area)
        around = box(tables.cover, tables.base, i0 - widths.inner, i1 + widths.inner, j0, j1)
        missing = rate * around - box(tables.hits, tables.base, i0 - widths.inner, i1 + widths.inner, j0, j1)
        out[2, c] = missing / (rate * along)
        if len(tables.met) > 0:
            _, out[3, c] = strip_score(tables, beyond, tables.first + cells[c, 0], widths, j0, j1, least)


def strip_near(cells: Any, tables: Tables, widths: Widths, along: int, short: int, least: float) -> Any:
    """Tell what short strips about some cells (k, 2) of the grid, row and column, hold -> (k,) float32.

    With beams their `strip_score`, from three beams on; else the share of returns expected, 1 where nothing tells.
    """
    out = np.ones(len(cells), dtype=np.float32)
    put_near(cells, tables, widths, along, short, least, out)
    return out


@bare
def put_near(cells, tables, widths, along, short, least, out):  # type: ignore[no-untyped-def]
    """Write what `strip_near` returns."""
    for c in range(len(cells)):
        i, j = tables.first + cells[c, 0], cells[c, 1]
        k0, k1 = j - short // 2, j + short // 2 + 1
        if len(tables.met) > 0:
            out[c], _ = strip_score(tables, tables.score, i, widths, k0, k1, 3.0)
            continue
        i0 = i - widths.across // 2
        i1 = i0 + widths.across
        j0, j1 = j - along // 2, j + along // 2 + 1
        own_area = box(tables.cover, tables.base, i0, i1, j0, j1)
        if own_area >= 0.5 * widths.across * along:
            seen = box(tables.hits, tables.base, i0, i1, j0, j1)
            value, rate = shortfall(tables, i0, i1, widths.inner, widths.outer, j0, j1, own_area, seen, least)
            if not np.isnan(value):
                expected = rate * box(tables.cover, tables.base, i0, i1, k0, k1)
                out[c] = box(tables.hits, tables.base, i0, i1, k0, k1) / max(expected, 1.0)


def cells_along(cells: Any, top: int, half: int, inside: Any, line: Any) -> Any:
    """Mark in `line` (n, m) all within `half` columns of some cells (k, 2), row and column, rows counted from `top`.

    -> those of them inside (n, m), (p, 2), row by row.
    """
    draw_along(cells, top, half, line)
    return np.argwhere(line.view(np.bool_) & inside)


@bare
def draw_along(cells, top, half, line):  # type: ignore[no-untyped-def]
    """Mark in `line` all within `half` columns of the cells, which are sorted; see `cells_along`."""
    columns = line.shape[1]
    for c in range(len(cells)):
        i, j = cells[c, 0] - top, cells[c, 1]
        for k in range(max(j - half, 0), min(j + half + 1, columns)):
            line[i, k] = 1


@bare
def close_along(line, half, total):  # type: ignore[no-untyped-def]
    """Close the rows of `line` (n, m), 0 or 1, over `half` columns to each side; what lies outside does not count.

    As SciPy's `maximum_filter1d` and then `minimum_filter1d` do. total (m + 1,) int64: room.
    """
    columns = line.shape[1]
    for i in range(len(line)):
        row = line[i]
        for turn in range(2):
            total[0] = 0
            for j in range(columns):
                total[j + 1] = total[j] + row[j]
            if total[columns] == 0:
                break
            for j in range(columns):
                first, last = max(j - half, 0), min(j + half + 1, columns)
                count = total[last] - total[first]
                row[j] = count > 0 if turn == 0 else count == last - first
