"""How thick surfaces are in a cloud, and whether a correction made them thinner."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from terrain.data import FloatArray
from terrain.fuse.planes import moments, planar_cells

CELL_M = 0.3
FEWEST = 12
"""Points of a cell at least: fewer say little about how thick it is."""

SURE = 3.0
"""Standard errors by which surfaces must be thinner before a correction is believed."""


@dataclass(frozen=True, slots=True)
class Thickness:
    """Thickness of the same surfaces before and after, metres: the median over points of the RMS about the plane.

    gain: mean logarithm of before over after; gain_sd its standard error; cells: how many were compared.
    """

    before_m: float
    after_m: float
    gain: float
    gain_sd: float
    cells: int

    @property
    def is_thinner(self) -> bool:
        """Whether surfaces became thinner by more than chance."""
        return self.cells > 0 and self.gain > SURE * self.gain_sd


def compare_thickness(before_m: FloatArray, after_m: FloatArray) -> Thickness:
    """Return how thick surfaces are in two placements (n, 3) of the same points.

    Cells are laid over the one placement, and over the other: neither is favoured. In each the same points are fitted
    in both placements.
    """
    pairs = [_paired(before_m, after_m), _paired(after_m, before_m)[:, [0, 2, 1, 3]]]
    table = np.concatenate(pairs)
    if len(table) < 20:
        return Thickness(math.nan, math.nan, 0.0, math.inf, 0)
    points, before, after = table[:, 0], table[:, 1], table[:, 2]
    ratio = np.log(before / after)
    gain = float(np.average(ratio, weights=points))
    # Every point stands in both layouts, and neighbouring cells go together: squares of 1 m count as one.
    square, number = np.unique(table[:, 3], return_inverse=True)
    pull = np.bincount(number, weights=points * (ratio - gain), minlength=len(square))
    gain_sd = float(np.sqrt((pull**2).sum()) / points.sum())
    return Thickness(_median(before, points), _median(after, points), gain, gain_sd, len(pairs[0]))


def _paired(laid_m: FloatArray, other_m: FloatArray) -> FloatArray:
    """Return for every planar cell of the first placement: points, thickness in it and in the other, its square."""
    cells = planar_cells(laid_m, cell_m=CELL_M, fewest=FEWEST)
    if len(cells) == 0:
        return np.empty((0, 4))
    last = np.cumsum(cells.last - cells.first)
    first = np.r_[0, last[:-1]]
    rows = cells.order[np.arange(last[-1]) + np.repeat(cells.first - first, cells.last - cells.first)]
    out = []
    for xyz in (laid_m, other_m):
        count, _, scatter = moments(np.take(xyz, rows, axis=0), first, last)
        smallest = np.maximum(np.linalg.eigvalsh(scatter)[:, 0], 1e-12)
        out.append(np.sqrt(smallest * count / (count - 3.0)))
    square = np.floor(cells.middle)
    number = (square[:, 0] + 4096.0) * 8192.0 * 8192.0 + (square[:, 1] + 4096.0) * 8192.0 + square[:, 2] + 4096.0
    return np.column_stack([count, *out, number])


def _median(values: FloatArray, weights: FloatArray) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])
