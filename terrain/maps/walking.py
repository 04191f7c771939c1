"""Which steppable ground belongs together: pieces that a foot can go between by steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from terrain.data import BoolArray, FloatArray, FootProfile, Ground, Int32Array, IntArray, Label, LevelRaster

_THIN_M = 0.06
"""Borders of pieces are thinned to one spot in a square of this side; reach is that uncertain."""
_TRIED = 24
"""So many of the shortest steps between two pieces are tried for a thing in the way."""


@dataclass(frozen=True, slots=True, eq=False)
class WalkingAreas:
    """Steppable ground by area; number[k] (ny, nx) int32 belongs to raster k, -1 where it is not steppable.

    area_m2 (w,): of each walking area, all its pieces on all levels; pieces: how many connected pieces there were.
    """

    number: tuple[Int32Array, ...]
    area_m2: FloatArray
    pieces: int


def find_walking_areas(rasters: tuple[LevelRaster, ...], ground: Ground, foot: FootProfile) -> WalkingAreas:
    """Return which steppable cells a walker can go between.

    Cells that touch, and do not differ in height by more than a step, are one piece. Pieces are joined where a step
    of at most `max_reach_m` in plan and the lesser of `max_up_m` and `max_down_m` in height leads over, with nothing
    known in its way. Cells are load points: reach counts from one to the next.
    """
    step_m = min(foot.max_up_m, foot.max_down_m)
    numbers: list[Int32Array] = []
    count = 0
    for raster in rasters:
        piece, found = _pieces(raster, step_m)
        numbers.append(np.where(piece >= 0, piece + count, -1).astype(np.int32))
        count += found
    spots, piece = _borders(rasters, numbers)
    joined = _joined(spots, piece, count, ground, foot, step_m)
    areas = tuple(np.where(n >= 0, joined[np.maximum(n, 0)], -1).astype(np.int32) if count else n for n in numbers)
    total = int(joined.max(initial=-1)) + 1
    area_m2 = np.zeros(total)
    for raster, number in zip(rasters, areas, strict=True):
        area_m2 += np.bincount(number[number >= 0], minlength=total) * raster.cell_m**2
    return WalkingAreas(areas, area_m2, count)


def _pieces(raster: LevelRaster, step_m: float) -> tuple[IntArray, int]:
    """Return the connected piece of each steppable cell, -1 elsewhere, and how many there are."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    good: BoolArray = raster.label == Label.STEPPABLE
    index = np.full(good.shape, -1, dtype=np.int64)
    index[good] = np.arange(np.count_nonzero(good))
    links = []
    for dy, dx in ((0, 1), (1, 0), (1, 1), (1, -1)):
        here = (slice(0, good.shape[0] - dy), slice(max(-dx, 0), good.shape[1] - max(dx, 0)))
        there = (slice(dy, good.shape[0]), slice(max(dx, 0), good.shape[1] - max(-dx, 0)))
        both = good[here] & good[there] & (np.abs(raster.height_m[here] - raster.height_m[there]) <= step_m)
        links.append(np.column_stack([index[here][both], index[there][both]]))
    pair = np.concatenate(links)
    n = int(np.count_nonzero(good))
    graph = coo_array((np.ones(len(pair), dtype=np.int8), (pair[:, 0], pair[:, 1])), shape=(n, n))
    found, of_cell = connected_components(graph, directed=False)
    piece = np.full(good.shape, -1, dtype=np.int64)
    piece[good] = of_cell
    return piece, int(found)


def _borders(rasters: tuple[LevelRaster, ...], numbers: list[Int32Array]) -> tuple[FloatArray, IntArray]:
    """Return thinned border cells of all pieces as x, y, z, and the piece of each."""
    spots, pieces = [], []
    for raster, number in zip(rasters, numbers, strict=True):
        padded = np.pad(number, 1, constant_values=-1)
        inner = (number >= 0).copy()
        for dy, dx in ((0, 1), (2, 1), (1, 0), (1, 2)):
            inner &= padded[dy : dy + number.shape[0], dx : dx + number.shape[1]] == number
        rows, columns = np.nonzero((number >= 0) & ~inner)
        thin = max(1, round(_THIN_M / raster.cell_m))
        key = np.column_stack([number[rows, columns], rows // thin, columns // thin])
        _, kept = np.unique(key, axis=0, return_index=True)
        rows, columns = rows[kept], columns[kept]
        x = raster.x0_m + (columns + 0.5) * raster.cell_m
        y = raster.y0_m + (rows + 0.5) * raster.cell_m
        spots.append(np.column_stack([x, y, raster.height_m[rows, columns].astype(np.float64)]))
        pieces.append(number[rows, columns].astype(np.int64))
    if not spots:
        return np.empty((0, 3)), np.empty(0, dtype=np.int64)
    return np.concatenate(spots), np.concatenate(pieces)


def _joined(
    spots: FloatArray, piece: IntArray, count: int, ground: Ground, foot: FootProfile, step_m: float
) -> IntArray:
    """Return the walking area of each piece."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    if count == 0:
        return np.empty(0, dtype=np.int64)
    pair = np.empty((0, 2), dtype=np.int64)
    if len(spots):
        pair = cKDTree(spots[:, :2]).query_pairs(foot.max_reach_m, output_type="ndarray")
        other = piece[pair[:, 0]] != piece[pair[:, 1]]
        near = np.abs(spots[pair[:, 0], 2] - spots[pair[:, 1], 2]) <= step_m
        pair = _shortest(pair[other & near], spots, piece)
        pair = pair[_free(spots[pair[:, 0]], spots[pair[:, 1]], ground, step_m)]
    ends = piece[pair]
    graph = coo_array((np.ones(len(ends), dtype=np.int8), (ends[:, 0], ends[:, 1])), shape=(count, count))
    _, area = connected_components(graph, directed=False)
    return np.asarray(area, dtype=np.int64)


def _shortest(pair: IntArray, spots: FloatArray, piece: IntArray) -> IntArray:
    """Return the shortest few steps between each two pieces."""
    ends = np.sort(piece[pair], axis=1)
    length = np.linalg.norm(spots[pair[:, 0]] - spots[pair[:, 1]], axis=1)
    order = np.lexsort((length, ends[:, 1], ends[:, 0]))
    ends, pair = ends[order], pair[order]
    fresh = np.ones(len(pair), dtype=bool)
    fresh[1:] = (ends[1:] != ends[:-1]).any(axis=1)
    start = np.flatnonzero(fresh)
    rank = np.arange(len(pair)) - np.repeat(start, np.diff(np.append(start, len(pair))))
    kept: IntArray = pair[rank < _TRIED]
    return kept


def _free(one: FloatArray, two: FloatArray, ground: Ground, step_m: float) -> BoolArray:
    """Return where nothing known stands in the way of a foot lifted over by a step's height."""
    from terrain.kernels.sight import sight_clear

    over = np.maximum(one[:, 2], two[:, 2]) + step_m
    grid = ground.grid
    clear = np.empty(len(one), dtype=np.bool_)
    sight_clear(
        np.column_stack([one[:, :2], over]), np.column_stack([two[:, :2], over]),
        grid.x0_m, grid.y0_m, grid.z0_m, grid.cell_m, grid.tile_slot, ground.first, ground.height_m,
        ground.span_first, ground.span_low_m, ground.span_high_m, 0.0, 0.02, clear,
    )  # fmt: skip
    return clear
