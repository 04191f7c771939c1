"""Strips along the rows of a grid against what lies beside them: returns that lack, beams that ended further away."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numba import njit


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


@njit(cache=True, nogil=True)
def summed(values, rows, wide, columns):  # type: ignore[no-untyped-def]
    """Values by `rows` of a grid of so many columns -> sums of all above and to the left, by `wide` (`around_rows`)."""
    reach = (len(wide.low) - 1 - len(rows.low)) // 2
    out = np.empty(wide.size)
    total = np.zeros(columns + 1)
    for t in range(len(wide.low)):
        i = t - reach - 1
        if 0 <= i < len(rows.low):
            row = 0.0
            for j in range(rows.low[i], rows.high[i]):
                row += values[rows.base[i] + j]
                total[j + 1] += row
            if row != 0.0:
                for j in range(rows.high[i], columns):
                    total[j + 1] += row
        for j in range(wide.low[t], wide.high[t]):
            out[wide.base[t] + j] = total[min(max(j, 0), columns)]
    return out


@njit(cache=True, nogil=True)
def box(table, base, i0, i1, j0, j1):  # type: ignore[no-untyped-def]
    """Sum over rows i0 to i1 and columns j0 to j1 of a table, ends left out."""
    return table[base[i1] + j1] - table[base[i0] + j1] - table[base[i1] + j0] + table[base[i0] + j0]


@njit(cache=True, nogil=True)
def shortfall(tables, i0, i1, inner, outer, j0, j1, own_area, seen, least):  # type: ignore[no-untyped-def]
    """Signed root of the Poisson deviance of a strip against its poorer side, and the rate there; NaN: no telling."""
    full = (outer - inner) * (j1 - j0)
    left_area = box(tables.cover, tables.base, i0 - outer, i0 - inner, j0, j1)
    right_area = box(tables.cover, tables.base, i1 + inner, i1 + outer, j0, j1)
    if left_area < 0.4 * full or right_area < 0.4 * full:
        return np.nan, 0.0
    left = box(tables.hits, tables.base, i0 - outer, i0 - inner, j0, j1) / left_area
    right = box(tables.hits, tables.base, i1 + inner, i1 + outer, j0, j1) / right_area
    rate = min(left, right)
    expected = rate * own_area
    if expected < least:
        return np.nan, 0.0
    deviance = expected - seen
    if seen > 0.0:
        deviance += seen * np.log(seen / expected)
    root = np.sqrt(max(2.0 * deviance, 0.0))
    return (root if seen < expected else -root), rate


@njit(cache=True, nogil=True)
def strip_score(tables, values, i, widths, j0, j1, least):  # type: ignore[no-untyped-def]
    """How far values of variance one of the beams in a strip exceed those beside it; i: row of the tables.

    -> their sum less what the side with the larger mean would give, over its own sd; the difference of the means.
    Zeros where the strip or a side holds fewer than `least` beams.
    """
    base, met = tables.base, tables.met
    i0 = i - widths.beam // 2
    i1 = i0 + widths.beam
    own = box(met, base, i0, i1, j0, j1)
    if own < least:
        return 0.0, 0.0
    left = box(met, base, i0 - widths.outer, i0 - widths.inner, j0, j1)
    right = box(met, base, i1 + widths.inner, i1 + widths.outer, j0, j1)
    if left < least or right < least:
        return 0.0, 0.0
    a = box(values, base, i0 - widths.outer, i0 - widths.inner, j0, j1) / left
    b = box(values, base, i1 + widths.inner, i1 + widths.outer, j0, j1) / right
    mean, beside = (a, left) if a > b else (b, right)
    over = box(values, base, i0, i1, j0, j1) - own * mean
    return over / np.sqrt(own * (1.0 + own / beside)), over / own


@njit(cache=True, nogil=True)
def strip_depths(tables, area, rows, widths, along, least, count_weight, beam_weight):  # type: ignore[no-untyped-def]
    """How far strips along the second axis fall short of those beside them.

    -> depth by `rows`: signed root of the Poisson deviance, positive where too few, NaN where a side or the strip lies
    outside the part or too little is expected; and, row by row, the same against sides up to `wide` where that tells.
    With beams it is the weighted sum of that and of their `strip_score`, 0 where that does not tell.
    """
    depth = np.full(rows.size, np.nan, dtype=np.float32)
    broad = np.empty(rows.size, dtype=np.float32)
    used = 0
    half = along // 2
    of_count, of_beams = np.float32(count_weight), np.float32(beam_weight)
    for i in range(len(rows.low)):
        i0 = tables.first + i - widths.across // 2
        i1 = i0 + widths.across
        for j in range(rows.low[i], rows.high[i]):
            at = rows.base[i] + j
            if area[at] == 0.0:
                continue
            j0, j1 = j - half, j + half + 1
            own_area = box(tables.cover, tables.base, i0, i1, j0, j1)
            if own_area < 0.5 * widths.across * along:
                continue
            seen = box(tables.hits, tables.base, i0, i1, j0, j1)
            value, _ = shortfall(tables, i0, i1, widths.inner, widths.outer, j0, j1, own_area, seen, least)
            if np.isnan(value):
                continue
            wide, _ = shortfall(tables, i0, i1, widths.inner, widths.wide, j0, j1, own_area, seen, least)
            depth[at] = value
            broad[used] = wide
            if len(tables.met) > 0:
                score, _ = strip_score(tables, tables.score, tables.first + i, widths, j0, j1, least)
                entered = of_beams * np.float32(score)
                depth[at] = of_count * depth[at] + entered
                broad[used] = of_count * broad[used] + entered
            if not np.isnan(broad[used]):
                used += 1
    return depth, broad[:used]


@njit(cache=True, nogil=True)
def strip_details(cells, tables, beyond, widths, along, least):  # type: ignore[no-untyped-def]
    """Tell what strips about some cells (k, 2) of the grid, row and column, look like -> (4, k) float32.

    The depth by returns alone; the share of returns expected; how many cells across hold none, if those around hold as
    many as beside the strip; how much further beams end than beside it, by the table `beyond` (0 without beams).
    """
    out = np.zeros((4, len(cells)), dtype=np.float32)
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
    return out


@njit(cache=True, nogil=True)
def strip_near(cells, tables, widths, along, short, least):  # type: ignore[no-untyped-def]
    """Tell what short strips about some cells (k, 2) of the grid, row and column, hold -> (k,) float32.

    With beams their `strip_score`, from three beams on; else the share of returns expected, 1 where nothing tells.
    """
    out = np.ones(len(cells), dtype=np.float32)
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
    return out
