"""Returns that lie on a lattice, as in a cloud that was resampled: strips between its lines are no joints."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from terrain.data import FloatArray

WINDOW_M = 1.0
"""Lines are looked for among returns in the middle of a part, this wide."""
BIN_M = 0.001
LEAST_M, MOST_M = 0.0025, 0.035
"""Distances of lines that are looked for: closer ones disturb no strip, wider ones are no surface."""
COHERENT = 0.35
"""Share of returns in step from which there are lines: of n scattered by chance it is about 1 / sqrt(n)."""
LEAST_RETURNS = 100
SOME = 1000
"""The middle of a part is told by about so many of its returns."""


def off_lattice(xy_m: FloatArray, angle_rad: float) -> FloatArray:
    """Return (n, 2) returns spread evenly over their mesh where they lie on lines; the very same array otherwise.

    Lines are looked for along x and y, and along a direction and at right angles to it. A joint stays as wide as it is,
    because a lattice that has one lacks lines, or parts of them, there.
    """
    if len(xy_m) < LEAST_RETURNS:
        return xy_m
    middle = np.median(xy_m[:: len(xy_m) // SOME + 1], axis=0)
    some = xy_m[(np.abs(xy_m[:, 0] - middle[0]) < 0.5 * WINDOW_M) & (np.abs(xy_m[:, 1] - middle[1]) < 0.5 * WINDOW_M)]
    for turn in (0.0, angle_rad):
        axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        along = (some - middle) @ axes.T
        apart_m = [line_distance(along[:, k]) for k in (0, 1)]
        if any(apart_m):
            return np.asarray(xy_m + ((_chances(xy_m) - 0.5) * apart_m) @ axes)
    return xy_m


def line_distance(along_m: FloatArray) -> float:
    """Return how far apart the lines are that coordinates (n,) lie on, metres; 0 where they do not.

    That is the longest period in which at least `COHERENT` of them are in step.
    """
    if len(along_m) < LEAST_RETURNS:
        return 0.0
    bins = np.floor((along_m - along_m.min()) / BIN_M).astype(np.int64)
    size = 1 << (int(2.0 * WINDOW_M / BIN_M) - 1).bit_length()
    share = np.abs(np.fft.rfft(np.bincount(bins, minlength=size)[:size], size)) / len(bins)
    wave = np.arange(len(share))
    wave = wave[(wave >= size * BIN_M / MOST_M) & (wave <= size * BIN_M / LEAST_M)]
    inside = share[wave]
    if not (inside >= COHERENT).any():
        return 0.0
    first = int(np.argmax(inside >= COHERENT))
    peak = first + int(np.argmax(inside[first : first + 8]))
    return float(size * BIN_M / wave[peak])


def _chances(xy_m: FloatArray) -> FloatArray:
    """Return two numbers from 0 to 1 for each return, scattered as by chance, that only its place decides."""
    place = np.round(xy_m * 1e5).astype(np.int64).view(np.uint64)
    both = place[:, :1] * np.uint64(0x9E3779B97F4A7C15) ^ place[:, 1:] * np.uint64(0xC2B2AE3D27D4EB4F)
    mixed = np.concatenate([both, both ^ np.uint64(0xD1B54A32D192ED03)], axis=1)
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
        mixed = (mixed ^ (mixed >> np.uint64(shift))) * np.uint64(factor)
    mixed ^= mixed >> np.uint64(31)
    scattered: npt.NDArray[np.float64] = (mixed >> np.uint64(11)).astype(np.float64) * 2.0**-53
    return scattered
