"""Layers as bytes, against plain NumPy: what is kept from afar, and what a byte stands for."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from terrain.data import Label
from terrain.page.layers import INFINITE, NONE, STEPS, TILE, encoded, halved, layer_of, scale_of, tile_of, values_of
from tests.support.grounds import biped
from tests.support.map_contents import make_raster


@settings(max_examples=30, deadline=None)
@given(st.integers(1, 9), st.integers(1, 9), st.integers(0, 2**32 - 1))
def test_from_afar_the_steeper_of_four_cells_is_kept(ny: int, nx: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    code = rng.integers(0, STEPS + 1, (ny, nx)).astype(np.uint8)
    code[rng.random((ny, nx)) < 0.3] = NONE
    slope = layer_of("slope")
    assert slope is not None
    half = halved(slope, code)
    assert half.shape == (-(-ny // 2), -(-nx // 2))
    for row in range(half.shape[0]):
        for column in range(half.shape[1]):
            block = code[2 * row : 2 * row + 2, 2 * column : 2 * column + 2]
            known = block[block != NONE]
            assert half[row, column] == (known.max() if len(known) else NONE)


def test_from_afar_low_headroom_and_bad_labels_win() -> None:
    headroom, label = layer_of("headroom"), layer_of("label")
    assert headroom is not None
    assert label is not None
    assert halved(headroom, np.array([[200, 10], [INFINITE, NONE]], dtype=np.uint8)).tolist() == [[10]]
    four = np.array([[Label.STEPPABLE, Label.MARGINAL], [Label.STEPPABLE, NONE]], dtype=np.uint8)
    assert halved(label, four).tolist() == [[NONE]], "ground that nobody saw does not vanish among steppable ground"
    four[1, 1] = Label.UNSTEPPABLE
    assert halved(label, four).tolist() == [[Label.UNSTEPPABLE]]


def test_a_byte_stands_for_its_number() -> None:
    """The raster's slope is half a degree a column; the biped's limit is 18 degrees, so that the scale ends at 27."""
    raster, slope = make_raster(), layer_of("slope")
    assert slope is not None
    values = values_of(slope, raster, None)
    low, high = scale_of(slope, [values], biped())
    assert (low, high) == (0.0, pytest.approx(27.0))
    code = encoded(slope, values, (low, high), raster)
    column = np.arange(60)
    np.testing.assert_allclose(code[39] / STEPS * 27.0, np.minimum(column / 2, 27.0), atol=27.0 / STEPS)
    assert (code[:10, :10] == NONE).all()


def test_free_headroom_and_unseen_ground_have_bytes_of_their_own() -> None:
    raster = make_raster()
    headroom, label = layer_of("headroom"), layer_of("label")
    assert headroom is not None
    assert label is not None
    code = encoded(headroom, values_of(headroom, raster, None), (0.0, 1.6), raster)
    assert code[0, 20] == INFINITE
    assert code[35, 20] == round(0.3 / 1.6 * STEPS)
    code = encoded(label, values_of(label, raster, None), (0.0, 1.0), raster)
    assert code[0, 0] == NONE
    assert [code[39, k] for k in (5, 40, 50)] == [Label.STEPPABLE, Label.MARGINAL, Label.UNSTEPPABLE]


def test_tiles_are_filled_up_beyond_the_border() -> None:
    code = np.zeros((300, 10), dtype=np.uint8)
    tile = np.frombuffer(tile_of(code, 0, 1), dtype=np.uint8).reshape(TILE, TILE)
    assert (tile[:44, :10] == 0).all()
    assert (tile[44:] == NONE).all()
    assert (tile[:, 10:] == NONE).all()
    assert set(tile_of(code, 5, 5)) == {NONE}
