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
    from terrain.kernels.slanted import Slanted

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
    from terrain.kernels.slanted import Limits, openings_along

    out = np.zeros_like(own)
    side_m = settings.oblique_cell_m
    if np.hypot(*own.shape) * cell_m < settings.oblique_length_m:
        return out
    size = np.ceil(np.array(own.shape[::-1]) * (cell_m / side_m)).astype(np.int64)
    hits = _counted(members * (cell_m / side_m), size)
    x, y = (np.minimum(((np.arange(n) + 0.5) * (side_m / cell_m)).astype(np.int64), most - 1)
            for n, most in zip(size, own.shape[::-1], strict=True))  # fmt: skip
    cover = own[np.ix_(y, x)].T.astype(np.float32)
    deep = _deep(float(cover.sum()), settings)
    limits = Limits(OWN, BESIDE, settings.least_expected, deep, settings.low_here)
    found = np.zeros(cover.shape, dtype=np.uint8)
    for turned, target, border in ((False, found, angle), (True, found.T, -angle)):
        grids = [np.ascontiguousarray(grid.T if turned else grid) for grid in (hits, cover)]
        slopes = slopes_off(border, settings)
        target |= openings_along(grids[0], grids[1], slopes, [_strip(slope, settings) for slope in slopes], limits)
    if found.any():
        x, y = (((np.arange(n) + 0.5) * (cell_m / side_m)).astype(np.int64) for n in own.shape[::-1])
        out = own & (found[np.ix_(x, y)].T > 0)
    return out


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
