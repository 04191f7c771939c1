"""Stored integers to coordinates: arrays in, arrays out."""

import numpy as np
from numba import njit, prange


@njit(parallel=True, cache=True)
def scale_columns(x, y, z, scale, offset):  # type: ignore[no-untyped-def]
    """Three (n,) int32 columns of any stride, (3,), (3,) -> (n, 3) float64 X * scale + offset."""
    n = len(x)
    out = np.empty((n, 3))
    for k in prange(n):
        out[k, 0] = x[k] * scale[0] + offset[0]
        out[k, 1] = y[k] * scale[1] + offset[1]
        out[k, 2] = z[k] * scale[2] + offset[2]
    return out


@njit(parallel=True, cache=True)
def copy_column(column):  # type: ignore[no-untyped-def]
    """(n,) float64 of any stride -> the same, contiguous."""
    out = np.empty(len(column))
    for k in prange(len(column)):
        out[k] = column[k]
    return out
