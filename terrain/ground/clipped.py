"""The spread of departures of which those beyond a cut were left out."""

from __future__ import annotations

from functools import cache

import numpy as np

from terrain.data import FloatArray

CUT = 2.5
"""Returns further from a plane than so many of their sd are not counted to it (`terrain.segment`)."""
LARGEST = 2.0
"""Most that an sd is taken to be of the stated one: what lies within the cut is nearly as even for any larger one."""


@cache
def _table() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return variances within the cut, the whole ones, and the sd of an estimate of these from one value."""
    from scipy.special import ndtr

    sd = np.linspace(0.02, LARGEST, 400)
    cut = CUT / sd
    density = np.exp(-0.5 * cut**2) / np.sqrt(2.0 * np.pi) / (2.0 * ndtr(cut) - 1.0)
    within = sd**2 * (1.0 - 2.0 * cut * density)
    fourth = sd**4 * (3.0 - (2.0 * cut**3 + 6.0 * cut) * density)
    return within, sd**2, np.sqrt(fourth - within**2) * np.gradient(sd**2, within)


def whole_variance(within: FloatArray | float) -> FloatArray:
    """Return the variance of a normal quantity whose values within the cut have a mean square of `within`.

    Both as parts of the stated variance, which the cut is so many sd of. By the moments of the truncated normal
    distribution (Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions 1, chapter 13; from memory).
    """
    low, whole, _ = _table()
    return np.asarray(np.interp(within, low, whole))


def sd_of_whole(values: FloatArray | float) -> FloatArray:
    """Return the sd of `whole_variance` from so many values of the stated variance."""
    _, whole, sd = _table()
    return np.asarray(np.interp(1.0, whole, sd) / np.sqrt(np.maximum(values, 1.0)))
