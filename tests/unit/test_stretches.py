"""Stretches of a window: each filled cell once, with all that lies around it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import maximum_filter

from terrain.kernels.stretches import Stretch, stretches

SHAPES = {"band": (700, 900), "sparse": (513, 1001), "flat": (130, 2000), "small": (60, 70)}


def filled(name: str) -> np.ndarray:
    """A band across the window, a few cells by chance, or a frame along its border."""
    ny, nx = SHAPES[name]
    y, x = np.mgrid[:ny, :nx]
    if name == "band":
        return np.abs(y / ny - x / nx) < 0.01
    if name == "flat":
        return (y == 0) | (y == ny - 1) | (x == 0) | (x == nx - 1)
    return np.random.default_rng(3).random((ny, nx)) < 1e-4


@pytest.mark.parametrize("around", [0, 8, 16, 20])
@pytest.mark.parametrize("name", SHAPES)
def test_cores_hold_what_is_filled_and_what_lies_around_once(name: str, around: int) -> None:
    mask = filled(name)
    times = np.zeros(mask.shape, dtype=int)
    for part in stretches(mask, around=around, reach=5):
        times[part.core] += 1
    assert times.max() == 1
    assert times[maximum_filter(mask, 2 * around + 1)].all()


@pytest.mark.parametrize("name", SHAPES)
def test_what_depends_on_cells_around_is_the_same_stretch_by_stretch(name: str) -> None:
    mask = filled(name)
    values = np.random.default_rng(4).random(mask.shape)
    whole = maximum_filter(values, 11, mode="constant")
    found = np.full(mask.shape, np.nan)
    for part in stretches(mask, around=0, reach=5):
        found[part.core] = part.inner(maximum_filter(values[part.wide], 11, mode="constant"))
    assert (found[mask] == whole[mask]).all()


def test_a_thin_band_costs_what_it_covers() -> None:
    """A band one cell wide down the diagonal of 4,000 x 4,000 cells: less than a tenth of them is looked at."""
    mask = np.eye(4000, dtype=bool)
    parts = stretches(mask, around=0, reach=16)
    looked_at = sum((p.wide[0].stop - p.wide[0].start) * (p.wide[1].stop - p.wide[1].start) for p in parts)
    assert looked_at < 0.1 * mask.size


def test_a_window_of_which_most_is_filled_is_one_stretch() -> None:
    every = slice(0, 300), slice(0, 400)
    assert stretches(np.ones((300, 400), dtype=bool), around=0, reach=16) == [Stretch(every, every)]
