"""Strips aslant a grid: what lies in each against what lies beside it.

A line rises by a whole number of cells from column to column, so that sums along it are made by moving columns, and no
point is laid on a turned grid. Grids are (columns, rows), and lie in memory column by column.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from terrain.kernels.options import bare, inner

EVERY = 6
"""Strips have their middle in one of so many columns: those of neighbouring columns are nearly the same."""
BINS, BINS_A_UNIT = 1000, 50.0
"""What strips lack is counted in so many bins about 0, to tell how much it scatters."""


class Slanted(NamedTuple):
    """Strips of one slope, in cells.

    half: columns to both sides of the middle one; across: rows; inner, outer, wide: from where to where beyond them
    the rows beside them lie, and how far those that scatter is told by; short: columns to both sides that tell where
    along a strip it is; thick, long: rows and columns by which what is found is widened.
    """

    half: int
    across: int
    inner: int
    outer: int
    wide: int
    short: int
    thick: int
    long: int


class Lines(NamedTuple):
    """Sums of a grid (n, m) of returns, and of one of a part's cells, along lines of one slope.

    hits, cover (n + 1, m + 2 margin) float32: [k, margin + y] sums all of the columns before k on the line through
    row y of column k - 1. rise (n + 1,) int64: by how much lines have risen there.
    """

    hits: Any
    cover: Any
    rise: Any
    margin: int


class Limits(NamedTuple):
    """own, beside: the share of a strip, and of each side of it, that must lie in the part.

    least: how many returns must be expected in it; deep: from how many standard deviations on returns lack.
    """

    own: float
    beside: float
    least: float
    deep: float


@bare
def find_openings(hits, cover, span, lines, strip, limits, sums, beside, held, counts, middles):  # type: ignore[no-untyped-def]
    """Mark in middles (n, m) uint8 where strips of one slope that lack returns have theirs -> how many.

    hits, cover (n, m) float32: how many returns lie in each cell, 1 for the part's cells; lines: room for their sums;
    span (n, 2) int64: of each column the rows from the part's first to behind its last. Room: sums (k,), beside (2, k),
    held (5, k) float32 for the rows and their margins, counts (BINS + 2,) int64.
    """
    put_sums_along(hits, lines.rise, lines.margin, lines.hits)
    put_sums_along(cover, lines.rise, lines.margin, lines.cover)
    scatter = scatter_along(lines, span, strip, limits, sums, beside, held, counts)
    if scatter == 0.0:
        return 0
    return find_strips(lines, cover, span, strip, limits, limits.deep * max(scatter, 1.0), sums, beside, held, middles)


@bare
def put_sums_along(values, rise, margin, table):  # type: ignore[no-untyped-def]
    """Write to a table the sums of values (n, m) as `Lines` holds them."""
    n, m = values.shape
    table[0, :] = 0.0
    for x in range(n):
        before, after, own = table[x], table[x + 1], values[x]
        step = rise[x + 1] - rise[x]
        low, high = max(step, 0), len(after) + min(step, 0)
        kept, moved = before[low - step : high - step], after[low:high]
        for j in range(low):
            after[j] = 0.0
        for j in range(high, len(after)):
            after[j] = 0.0
        for j in range(len(kept)):
            moved[j] = kept[j]
        under = after[margin : margin + m]
        for j in range(m):
            under[j] += own[j]


@inner
def put_lines(table, rise, x, half, first, out):  # type: ignore[no-untyped-def]
    """Write to out (n,) what lies up to `half` columns from x on the lines through it, from place `first` on."""
    low, high = max(x - half, 0), min(x + half + 1, len(table) - 1)
    a = table[high][first + rise[high] - rise[x + 1] :]
    b = table[low][first + rise[low] - rise[x + 1] :]
    for j in range(len(out)):
        out[j] = a[j] - b[j]


@inner
def put_bands(lines, count, out):  # type: ignore[no-untyped-def]
    """Write to out (n,) the sums of `count` lines that follow each other, from each line on."""
    for j in range(len(out)):
        out[j] = lines[j]
    for k in range(1, count):
        more = lines[k:]
        for j in range(len(out)):
            out[j] += more[j]


@inner
def put_column(lines, x, low, strip, beyond, sums, beside, out):  # type: ignore[no-untyped-def]
    """Write what strips about the rows from `low` on of a column hold, and what the poorer side up to `beyond` holds.

    out (4, n): returns and cells of the strip, and of that side. sums, beside (2, k): room.
    """
    n = out.shape[1]
    first = lines.margin + low - strip.across // 2 - beyond
    count, other = beyond - strip.inner, beyond + strip.across + strip.inner
    for k in range(2):
        own = sums[: n + other + count]
        put_lines(lines.hits if k == 0 else lines.cover, lines.rise, x, strip.half, first, own)
        put_bands(own[beyond:], strip.across, out[k])
        put_bands(own, count, beside[k, : n + other])
    hits, cover, right, right_cover = beside[0], beside[1], beside[0, other:], beside[1, other:]
    poorer, cells = out[2], out[3]
    for j in range(n):
        poorer[j] = right[j] if right[j] * cover[j] < hits[j] * right_cover[j] else hits[j]
    for j in range(n):
        cells[j] = right_cover[j] if right[j] * cover[j] < hits[j] * right_cover[j] else cover[j]


@inner
def scatter_along(lines, span, strip, limits, sums, beside, held, counts):  # type: ignore[no-untyped-def]
    """Return by how much strips fall short of what is beside them scatters, as an sd told by its lower half; 0 if none.

    Against a wider surrounding, so that an opening does not raise the strips beside it, and below the median, so that
    openings are not in it.
    """
    counts[:] = 0
    used = 0
    columns = 2 * strip.half + 1
    least_own, least = np.float32(limits.own * strip.across * columns), np.float32(limits.least)
    least_side = np.float32(limits.beside * (strip.wide - strip.inner) * columns)
    for x in range(EVERY // 2, len(span), EVERY):
        low, n = span[x, 0], span[x, 1] - span[x, 0]
        if n <= 0:
            continue
        put_column(lines, x, low, strip, strip.wide, sums, beside, held[:4, :n])
        seen, area, side, side_area = held[0], held[1], held[2], held[3]
        for j in range(0, n, strip.across):
            if area[j] >= least_own and side_area[j] >= least_side and side[j] * area[j] >= least * side_area[j]:
                lack = 2.0 * (np.sqrt(side[j] * area[j] / side_area[j]) - np.sqrt(seen[j]))
                place = 1 + BINS // 2 + int(np.floor(lack * BINS_A_UNIT))
                counts[min(max(place, 0), BINS + 1)] += 1
                used += 1
    if used == 0:
        return 0.0
    return 1.4826 * (place_of(counts, 0.5 * used) - place_of(counts, 0.25 * used))


@bare
def place_of(counts, rank):  # type: ignore[no-untyped-def]
    """Return below which value so many of those counted lie, evenly spread within a bin."""
    below = 0
    for k in range(len(counts)):
        if below + counts[k] >= rank:
            return (k - 1 - BINS // 2 + (rank - below) / max(counts[k], 1)) / BINS_A_UNIT
        below += counts[k]
    return np.inf


@inner
def find_strips(lines, own, span, strip, limits, deep, sums, beside, held, middles):  # type: ignore[no-untyped-def]
    """Mark in middles (n, m) where strips that lack returns have theirs -> how many.

    own (n, m) float32: the part's cells; deep: by how many standard deviations (the root of the Poisson deviance, which
    is never more than twice the difference of roots). The rest as in `scatter_along`.
    """
    used = 0
    columns = 2 * strip.half + 1
    least_own = np.float32(limits.own * strip.across * columns)
    least_side = np.float32(limits.beside * (strip.outer - strip.inner) * columns)
    root, square = np.float32(deep), np.float32(0.25 * deep * deep)
    for x in range(EVERY // 2, len(span), EVERY):
        low, n = span[x, 0], span[x, 1] - span[x, 0]
        if n <= 0:
            continue
        put_column(lines, x, low, strip, strip.outer, sums, beside, held[:4, :n])
        seen, area, side, side_area, over = held[0], held[1], held[2], held[3], held[4]
        for j in range(n):
            over[j] = side[j] * area[j] - side_area[j] * (seen[j] + root * np.sqrt(seen[j]) + square)
        for j in range(n):
            if over[j] > 0.0 and own[x, low + j] > 0.0 and area[j] >= least_own:
                expected = side[j] * area[j] / side_area[j]
                if side_area[j] >= least_side and deviance_root(seen[j], expected, limits.least) > deep:
                    middles[x, low + j] = 1
                    used += 1
    return used


@bare
def deviance_root(seen, expected, least):  # type: ignore[no-untyped-def]
    """Root of the Poisson deviance of a strip that holds fewer returns than expected; 0 where that tells nothing."""
    if not expected >= least or seen >= expected:
        return 0.0
    deviance = np.float64(expected - seen)
    if seen > 0.0:
        deviance += seen * np.log(np.float64(seen) / expected)
    return np.sqrt(max(2.0 * deviance, 0.0))


@bare
def mark_along(cells, first, end, rise, own, out):  # type: ignore[no-untyped-def]
    """Mark in out (n, m) which of a part's own cells lie on the lines through some cells, by columns from them.

    From `first` columns on to before `end`; rise as in `Lines`; cells, own, out bool.
    """
    n, m = own.shape
    for x in range(n):
        low, high = max(x + first, 0), min(x + end, n)
        for y in range(m):
            if cells[x, y]:
                for column in range(low, high):
                    row = y + rise[column + 1] - rise[x + 1]
                    if 0 <= row < m and own[column, row]:
                        out[column, row] = True


@bare
def close_along(cells, most, rise, own, out):  # type: ignore[no-untyped-def]
    """Mark in out (n, m) what lies between cells on one line, no more than `most` columns apart, as `mark_along`."""
    n, m = own.shape
    for x in range(n):
        for y in range(m):
            if not cells[x, y]:
                continue
            next_one = 0
            for away in range(1, min(most, n - 1 - x) + 1):
                row = y + rise[x + away + 1] - rise[x + 1]
                if 0 <= row < m and cells[x + away, row]:
                    next_one = away
                    break
            for away in range(next_one):
                row = y + rise[x + away + 1] - rise[x + 1]
                if 0 <= row < m and own[x + away, row]:
                    out[x + away, row] = True
