"""How flat a surface is: its smooth form, and the gap under a straightedge after DIN 18202."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from terrain.data import FloatArray, IntArray

DIN_18202_LENGTHS_M = (0.1, 1.0, 4.0, 10.0, 15.0)
DIN_18202_MM = {
    1: (10.0, 15.0, 20.0, 25.0, 30.0),
    2: (5.0, 8.0, 12.0, 15.0, 20.0),
    3: (2.0, 4.0, 10.0, 12.0, 15.0),
    4: (1.0, 3.0, 9.0, 12.0, 15.0),
    5: (5.0, 10.0, 15.0, 25.0, 30.0),
    6: (3.0, 5.0, 10.0, 20.0, 25.0),
    7: (2.0, 3.0, 8.0, 15.0, 20.0),
}
"""DIN 18202, table 3: gap allowed under a straightedge, mm, by row of the table and distance of the supports."""


def allowed_gap_m(row: int, length_m: float) -> float:
    """Return the gap that DIN 18202, table 3, allows at a length: linear between its columns, in whole millimetres.

    Raises
    ------
    ValueError
        A row that is not in the table, or a length outside 0.1 to 15 m.
    """
    if row not in DIN_18202_MM:
        raise ValueError(f"row: got {row}, expected 1 to {len(DIN_18202_MM)}")
    if not DIN_18202_LENGTHS_M[0] <= length_m <= DIN_18202_LENGTHS_M[-1]:
        raise ValueError(f"length_m: got {length_m}, expected 0.1 to 15")
    return math.floor(float(np.interp(length_m, DIN_18202_LENGTHS_M, DIN_18202_MM[row])) + 0.5) / 1e3


@dataclass(frozen=True, slots=True, eq=False)
class CellMeans:
    """Mean residual in square cells of a surface's own plane; NaN where fewer than `least` points are.

    mean_m, sd_m (nv, nu): the mean and its sd from the noise of the points; count (nv, nu); u0_m, v0_m, cell_m.
    """

    u0_m: float
    v0_m: float
    cell_m: float
    mean_m: FloatArray
    sd_m: FloatArray
    count: IntArray


def cell_means(uv_m: FloatArray, residual_m: FloatArray, sd_m: FloatArray, *, cell_m: float, least: int) -> CellMeans:
    """Return means by cell, weighted by 1 / sd^2.

    Parameters
    ----------
    uv_m : (n, 2)
        In the plane.
    residual_m, sd_m : (n,)
        Distance from the plane and its noise.
    cell_m : float
        Side of a cell.
    least : int
        Points a cell must have.
    """
    low = uv_m.min(axis=0)
    index = np.floor((uv_m - low) / cell_m).astype(np.int64)
    nu, nv = (int(one) + 1 for one in index.max(axis=0))
    flat = index[:, 1] * nu + index[:, 0]
    weight = 1.0 / np.square(sd_m)
    total = np.bincount(flat, weight, nu * nv)
    count = np.bincount(flat, minlength=nu * nv)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.bincount(flat, weight * residual_m, nu * nv) / total
        sd = 1.0 / np.sqrt(total)
    thin = count < least
    mean[thin] = sd[thin] = np.nan
    return CellMeans(
        float(low[0]), float(low[1]), cell_m, mean.reshape(nv, nu), sd.reshape(nv, nu), count.reshape(nv, nu)
    )


def gap_under(profile_m: FloatArray) -> FloatArray:
    """Return the largest gap under a straightedge laid on each profile, (m, q) -> (m,).

    Notes
    -----
    A rigid straightedge rests on the upper hull of what lies under it; the gap is how far the profile is below that.
    A profile with a value missing has no gap (NaN).
    """
    m, q = profile_m.shape
    hull = profile_m.copy()
    for i in range(q):
        for j in range(i + 2, q):
            share = (np.arange(i + 1, j) - i) / (j - i)
            line = profile_m[:, i, None] * (1.0 - share) + profile_m[:, j, None] * share
            np.fmax(hull[:, i + 1 : j], line, out=hull[:, i + 1 : j])
    gap: FloatArray = (hull - profile_m).max(axis=1) if m else np.empty(0)
    return gap


def profiles(height_m: FloatArray, steps: int) -> FloatArray:
    """Return all straight runs of steps + 1 cells of a grid, along both axes, without missing cells; (m, steps + 1)."""
    runs = [
        np.lib.stride_tricks.sliding_window_view(grid, steps + 1, axis=1).reshape(-1, steps + 1)
        for grid in (height_m, height_m.T)
        if grid.shape[1] > steps
    ]
    found = np.concatenate(runs) if runs else np.empty((0, steps + 1))
    return found[np.isfinite(found).all(axis=1)]


@dataclass(frozen=True, slots=True)
class Gap:
    """Gap under a straightedge: corrected for what noise alone would show, with its standard uncertainty.

    runs counts the places where the straightedge lay; 0: the surface seen is shorter than it, and gap_m is NaN.
    """

    gap_m: float
    u_m: float
    noise_m: float
    runs: int


def straightedge(
    uv_m: FloatArray, residual_m: FloatArray, sd_m: FloatArray, length_m: float, *, rng: np.random.Generator
) -> Gap:
    """Return the largest gap under a straightedge of a length, laid along both axes of the surface everywhere.

    Notes
    -----
    Heights are means over cells a tenth of the length wide. Noise alone makes a gap: the median of 60 draws of it on
    an ideal plane is taken off in squares, and the draws on top of the measured heights give the uncertainty.
    Source of the test: DIN 18202, table 3; the averaging and the correction are ours.
    """
    steps = 10
    cells = cell_means(uv_m, residual_m, sd_m, cell_m=length_m / steps, least=3)
    runs = profiles(cells.mean_m, steps)
    if len(runs) == 0:
        return Gap(math.nan, math.nan, math.nan, 0)
    measured = float(gap_under(runs).max())
    sd = profiles(cells.sd_m, steps)
    if len(runs) > 400:
        kept = np.argsort(gap_under(runs))[-400:]
        runs, sd = runs[kept], sd[kept]
    noise = [float(gap_under(rng.normal(0.0, sd)).max()) for _ in range(60)]
    spread = [float(gap_under(runs + rng.normal(0.0, sd)).max()) for _ in range(60)]
    floor = float(np.median(noise))
    return Gap(math.sqrt(max(0.0, measured**2 - floor**2)), float(np.std(spread)), floor, len(runs))
