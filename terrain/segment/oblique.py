"""Openings that run in other directions than the border of their surface does: strips that hold too few returns.

By returns alone: beams that graze a surface do not tell whether they went in.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from terrain.data import BoolArray, Float32Array, FloatArray, IntArray
from terrain.segment.joint_settings import JointSettings

if TYPE_CHECKING:
    from terrain.kernels.slanted import Limits, Lines, Slanted

OWN, BESIDE = 0.5, 0.4
"""Share of a strip, and of what lies on either side of it, that must be in the part."""


def oblique_openings(
    own: BoolArray, angle: float, members: FloatArray, cell_m: float, settings: JointSettings
) -> BoolArray:
    """Return in which cells of a part (ny, nx) returns lack along a strip as an opening makes them.

    Parameters
    ----------
    own : (ny, nx) bool
        The cells of the part.
    angle : float
        The direction of its border, radians, or at right angles to it: strips along it are looked at elsewhere.
    members : (n, 2) float64
        The returns on it, in cells from its corner.
    cell_m : float
        The side of a cell, metres.
    """
    from terrain.kernels.slanted import Limits

    out = np.zeros_like(own)
    side_m = settings.oblique_cell_m
    if np.hypot(*own.shape) * cell_m < settings.oblique_length_m:
        return out
    size = np.ceil(np.array(own.shape[::-1]) * (cell_m / side_m)).astype(np.int64)
    hits = _counted(members * (cell_m / side_m), size)
    x, y = (np.minimum(((np.arange(n) + 0.5) * (side_m / cell_m)).astype(np.int64), most - 1)
            for n, most in zip(size, own.shape[::-1], strict=True))  # fmt: skip
    cover = own[np.ix_(y, x)].T.astype(np.float32)
    limits = Limits(OWN, BESIDE, settings.least_expected, _deep(float(cover.sum()), settings))
    found = np.zeros(cover.shape, dtype=np.bool_)
    for turned, target, border in ((False, found, angle), (True, found.T, -angle)):
        grids = [np.ascontiguousarray(grid.T if turned else grid) for grid in (hits, cover)]
        _search(grids[0], grids[1], slopes_off(border, settings), limits, settings, target)
    if found.any():
        x, y = (((np.arange(n) + 0.5) * (cell_m / side_m)).astype(np.int64) for n in own.shape[::-1])
        out = own & found[np.ix_(x, y)].T
    return out


def _search(
    hits: Float32Array,
    cover: Float32Array,
    slopes: list[float],
    limits: Limits,
    settings: JointSettings,
    found: BoolArray,
) -> None:
    """Mark in which cells of a grid (n, m) returns lack along strips of some slopes, rows by column."""
    from terrain.kernels.slanted import BINS, Lines, find_openings

    n, m = hits.shape
    span, strips = _spans(cover), [_strip(slope, settings) for slope in slopes]
    margin = max(strip.half + strip.across + strip.wide + 2 for strip in strips)
    tables = np.empty((2, n + 1, m + 2 * margin), dtype=np.float32)
    room = np.empty((8, m + 2 * margin), dtype=np.float32)
    counts, rise = np.zeros(BINS + 2, dtype=np.int64), np.zeros(n + 1, dtype=np.int64)
    middles = np.zeros((n, m), dtype=np.uint8)
    with np.errstate(all="ignore"):  # what does not tell may divide by zero, where this is not compiled
        for slope, strip in zip(slopes, strips, strict=True):
            rise[1:] = np.floor(slope * np.arange(n) + 0.5)
            lines = Lines(tables[0], tables[1], rise, margin)
            if find_openings(
                hits, cover, span, lines, strip, limits, room[0], room[1:3], room[3:], counts, middles
            ):  # fmt: skip
                found |= _drawn(lines, cover > 0.0, strip, middles > 0, settings.low_here)
                middles[:] = 0


def _drawn(lines: Lines, own: BoolArray, strip: Slanted, middles: BoolArray, low_here: float) -> BoolArray:
    """Return the cells of strips with the given middles, as far as returns lack there.

    Gaps no longer than a short strip are closed, and what is left is widened and lengthened.
    """
    from terrain.kernels.slanted import close_along, mark_along

    rise = lines.rise
    met, kept, long = (np.zeros_like(own) for _ in range(3))
    mark_along(middles, -strip.half, strip.half + 1, rise, own, met)
    x, y = np.nonzero(met)
    low = _lacks_here(lines, x, y, strip, low_here)
    kept[x[low], y[low]] = True
    closed = kept.copy()
    close_along(kept, 2 * strip.short + 1, rise, own, closed)
    mark_along(closed, -strip.long, strip.long + 1, rise, own, long)
    wide = long.copy()
    for away in range(1, strip.thick + 1):
        wide[:, away:] |= long[:, :-away]
        wide[:, :-away] |= long[:, away:]
    return wide & own


def _lacks_here(lines: Lines, x: IntArray, y: IntArray, strip: Slanted, low_here: float) -> BoolArray:
    """Return whether short strips about some cells hold too few returns for what lies beside the whole ones."""
    across, count = strip.across, strip.outer - strip.inner
    first, rates = y - across // 2, []
    for at in (first - strip.outer, first + across + strip.inner):
        held, cells = (strip_sums(table, lines, x, at, strip.half, count) for table in (lines.hits, lines.cover))
        rates.append(held / cells)
    expected = np.minimum(*rates) * strip_sums(lines.cover, lines, x, first, strip.short, across)
    seen = strip_sums(lines.hits, lines, x, first, strip.short, across)
    return np.asarray(seen < low_here * np.maximum(expected, 1.0))  # False where a side holds no cell


def strip_sums(table: Float32Array, lines: Lines, x: IntArray, first: IntArray, half: int, count: int) -> FloatArray:
    """Return what `count` lines from row `first` (k,) of columns x (k,) on hold, up to `half` columns from there."""
    low, high = np.maximum(x - half, 0), np.minimum(x + half + 1, len(table) - 1)
    total = np.zeros(len(x))
    for row in range(count):
        at = lines.margin + first + row - lines.rise[x + 1]
        total += table[high, at + lines.rise[high]] - table[low, at + lines.rise[low]]
    return total


def _spans(cover: Float32Array) -> IntArray:
    """Return of each column of a grid the rows from the part's first to behind its last, (n, 2)."""
    inside = cover > 0.0
    span = np.zeros((len(cover), 2), dtype=np.int64)
    filled = np.flatnonzero(inside.any(axis=1))
    span[filled, 0] = inside[filled].argmax(axis=1)
    span[filled, 1] = cover.shape[1] - inside[filled, ::-1].argmax(axis=1)
    return span


def slopes_off(angle: float, settings: JointSettings) -> list[float]:
    """Return slopes from -1 to 1, those left out that run nearly as a direction does or at right angles to it."""
    steps = (np.arange(settings.oblique) + 0.5) / settings.oblique
    slopes = np.concatenate([-steps, steps])
    away = (np.arctan(slopes) - angle + np.pi / 4) % (np.pi / 2) - np.pi / 4
    return [float(slope) for slope in slopes[np.abs(away) > settings.oblique_least_rad]]


def _deep(cells: float, settings: JointSettings) -> float:
    """Return from how many standard deviations on a strip of a part of so many cells is one by more than chance."""
    from scipy.special import ndtri

    strip = _strip(1.0, settings)
    tried = 4 * settings.oblique * cells / (strip.across * (2 * strip.half + 1))
    return max(settings.oblique_alone, float(-ndtri(settings.false_cuts / max(tried, 1.0) / 2.0)))


def _counted(xy: FloatArray, size: IntArray) -> Float32Array:
    """Return how many points (n, 2) lie in each cell of a grid, float32."""
    x, y = np.clip(np.floor(xy).astype(np.int64).T, 0, (size - 1)[:, None])
    return np.bincount(x * size[1] + y, minlength=int(size.prod())).reshape(size).astype(np.float32)


@cache
def _strip(slope: float, settings: JointSettings) -> Slanted:
    """Return the measures of strips of a slope."""
    from terrain.kernels.slanted import Slanted

    side_m = settings.oblique_cell_m
    along_m, across_m = side_m * np.hypot(1.0, slope), side_m / np.hypot(1.0, slope)
    far_m = settings.flank_to_m
    across = [settings.opening_strip_m, settings.flank_from_m, far_m, 3.0 * far_m, settings.oblique_widened_m]
    strip, inner, outer, wide, thick = (max(1, round(float(wide_m / across_m))) for wide_m in across)
    halves = settings.oblique_length_m, settings.short_m, 2.0 * settings.oblique_lengthened_m
    half, short, long = (round(float(length_m / along_m / 2.0)) for length_m in halves)
    return Slanted(half, strip, inner, outer, wide, short, thick, long)
