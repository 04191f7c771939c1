"""What lies around a voxel.

Voxels are sorted by x, y, z and the way their beams went, so that those of one column (one x and y) follow each other,
and so do the columns of one x. Touching voxels are listed once, and so is what lies further off where it is asked for.
Everything is given in ascending order of voxels.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from terrain.kernels.options import bare, entry
from terrain.kernels.threads import over_parts

FAR = 3
"""Cells up to which `around` can look."""
MOST = 2 * (2 * FAR + 1) ** 3
"""Voxels within FAR cells, at most."""


class Near(NamedTuple):
    """Voxels v, columns c.

    touching_from (v + 1,) int64 and touching int32: the voxels within one cell of each, itself included
    level (v,) int32: cell number in z
    column (v,) int32: column of each voxel
    column_from (c + 1,) int32: first voxel of each column
    column_key (c + 1,) int64: cell numbers in x and y of each column, x << 20 | y; the last one is past all others
    strip (c, 2 FAR + 1) int32: first column at x + dx, dx from -FAR, whose y is at least y - FAR, or a later one
    """

    touching_from: Any
    touching: Any
    level: Any
    column: Any
    column_from: Any
    column_key: Any
    strip: Any


@bare
def around(k, reach, near, out):  # type: ignore[no-untyped-def]
    """Voxels within `reach` cells of voxel k, itself included -> how many were written to out."""
    c = near.column[k]
    key = near.column_key[c]
    low = near.level[k] - reach
    high = near.level[k] + reach
    count = 0
    for dx in range(-reach, reach + 1):
        at = key + (dx << 20)
        b = near.strip[c, dx + FAR]
        while near.column_key[b] < at - reach:
            b += 1
        while near.column_key[b] <= at + reach:
            j = near.column_from[b]
            end = near.column_from[b + 1]
            past = end
            while past - j > 8:
                middle = (j + past) >> 1
                if near.level[middle] < low:
                    j = middle
                else:
                    past = middle
            while j < end and near.level[j] < low:
                j += 1
            while j < end and near.level[j] <= high:
                out[count] = j
                count += 1
                j += 1
            b += 1
    return count


@bare
def away2(k, j, near):  # type: ignore[no-untyped-def]
    """Squared distance between voxels k and j in cells."""
    apart = near.column_key[near.column[j]] - near.column_key[near.column[k]]
    dx = (apart + (1 << 19)) >> 20
    dy = apart - (dx << 20)
    dz = near.level[j] - near.level[k]
    return dx * dx + dy * dy + dz * dz


@entry
def columns(keys):  # type: ignore[no-untyped-def]
    """(v,) sorted voxel keys -> the fields of `Near` about columns."""
    v = len(keys)
    level = np.empty(v, dtype=np.int32)
    column = np.empty(v, dtype=np.int32)
    column_from = np.empty(v + 1, dtype=np.int32)
    column_key = np.empty(v + 1, dtype=np.int64)
    used = 0
    for k in range(v):
        level[k] = (keys[k] >> 1) & ((1 << 20) - 1)
        key = keys[k] >> 21
        if used == 0 or column_key[used - 1] != key:
            column_from[used] = k
            column_key[used] = key
            used += 1
        column[k] = used - 1
    column_from[used] = v
    column_key[used] = np.int64(1) << 62
    strip = np.empty((used, 2 * FAR + 1), dtype=np.int32)
    for dx in range(-FAR, FAR + 1):
        b = 0
        for c in range(used):
            while column_key[b] < column_key[c] + (dx << 20) - FAR:
                b += 1
            strip[c, dx + FAR] = b
    return level, column, column_from[: used + 1].copy(), column_key[: used + 1].copy(), strip


@bare
def list_around(begin, end, rows, reach, near, count, out):  # type: ignore[no-untyped-def]
    """Write what lies around voxels rows[begin:end] to out, and how many those are to count -> how many in all."""
    used = 0
    for m in range(begin, end):
        count[m] = around(np.int64(rows[m]), reach, near, out[used:])
        used += count[m]
    return used


def listed(rows: Any, reach: int, near: Near) -> Any:
    """Return what lies around some voxels (m,) int32, one after the other, and how many those are, (m,) int64."""
    count = np.empty(len(rows), dtype=np.int64)

    def part(begin: int, end: int) -> Any:
        out = np.empty(2 * (2 * reach + 1) ** 3 * (end - begin), dtype=np.int32)  # most of it is never touched
        return out[: list_around(begin, end, rows, reach, near, count, out)]

    return np.concatenate(over_parts(part, len(rows))), count


class Lists(NamedTuple):
    """What lies around voxel k: voxels[first[k] : end[k]], ascending."""

    first: Any
    end: Any
    voxels: Any


class Wider:
    """Voxels within `reach` cells of those that were asked for: regions meet at the same voxels again and again."""

    def __init__(self, near: Near, reach: int) -> None:
        self.reach = reach
        self._near, self._used = near, 0
        size = len(near.level)
        self._lists = Lists(np.zeros(size, np.int64), np.zeros(size, np.int64), np.zeros(0, np.int32))

    def of(self, rows: Any) -> Lists:
        """Return lists that hold what lies around some voxels, (m,) int32."""
        first, end, voxels = self._lists
        rows = rows[end[rows] == 0]
        if len(rows):
            found, count = listed(rows, self.reach, self._near)
            after = self._used + len(found)
            if after > len(voxels):
                voxels, before = np.empty(2 * after, dtype=np.int32), voxels[: self._used]
                voxels[: self._used] = before
            voxels[self._used : after] = found
            end[rows] = self._used + np.cumsum(count)
            first[rows] = end[rows] - count
            self._lists, self._used = Lists(first, end, voxels), after
        return self._lists


def near_voxels(keys: Any) -> Near:
    """(v,) sorted distinct voxel keys -> what lies around each voxel."""
    table = columns(keys)
    none = Near(np.zeros(1, dtype=np.int64), np.zeros(0, dtype=np.int32), *table)
    touching, count = listed(np.arange(len(keys), dtype=np.int32), 1, none)
    return Near(np.concatenate([[0], np.cumsum(count)]), touching, *table)
