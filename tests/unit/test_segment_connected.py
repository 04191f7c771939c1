"""Cells that hang together, against SciPy."""

import numpy as np
import pytest
from scipy import ndimage

from terrain.kernels import connected


@pytest.mark.parametrize("share", [0.0, 0.05, 0.4, 0.58, 0.9, 1.0])
@pytest.mark.parametrize("shape", [(1, 1), (1, 40), (40, 1), (61, 83)])
def test_pieces_are_numbered_and_boxed_as_in_scipy(share, shape):
    mask = np.random.default_rng(3).random(shape) < share
    numbered, count = connected.connected(mask)
    wanted, pieces = ndimage.label(mask)
    assert count == pieces and (numbered == wanted).all()
    boxes = connected.boxes_of(numbered, count)
    for k, box in enumerate(ndimage.find_objects(wanted), start=1):
        assert connected.box_of(boxes, k) == box and boxes[k, 4] == (wanted == k).sum()


def test_a_spiral_is_one_piece():
    """Its turns meet only at its end, so that numbers given on the way must be joined."""
    mask = np.ones((41, 41), dtype=bool)
    for k in range(1, 20, 2):
        mask[k, k : 41 - k] = mask[40 - k, k : 41 - k] = mask[k : 41 - k, 40 - k] = mask[k + 2 : 41 - k, k] = False
        mask[k + 1, k - 1 : k + 1] = True
    assert connected.connected(mask)[1] == ndimage.label(mask)[1] == 1
    numbered, _ = connected.connected(mask[::-1].T)
    assert (numbered == ndimage.label(mask[::-1].T)[0]).all()


def test_sums_and_pieces_that_are_dropped_are_those_of_scipy():
    rng = np.random.default_rng(5)
    mask, values = rng.random((70, 50)) < 0.5, rng.random((70, 50))
    numbered, count = connected.connected(mask)
    sums = np.zeros(count + 1)
    connected.add_by_piece(numbered, values, sums)
    assert sums == pytest.approx(ndimage.sum_labels(values, numbered, np.arange(count + 1)), rel=1e-12)
    seen = (rng.random(mask.shape) < 0.01).astype(np.uint16)
    kept = np.ones(count + 1, dtype=bool)
    connected.drop_seen(numbered, seen, kept)
    edge = np.ones(mask.shape, dtype=bool)
    edge[1:-1, 1:-1] = False
    dropped = ndimage.maximum((seen > 0) | edge, numbered, np.arange(count + 1))
    assert (kept == ~dropped.astype(bool)).all() and 5 < kept.sum() < count
    out = np.zeros(mask.shape, dtype=np.uint8)
    connected.add_pieces(numbered, kept, out)
    assert (out.astype(bool) == kept[numbered]).all()
