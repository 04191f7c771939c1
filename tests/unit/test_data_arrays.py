"""Rows by the numbers they carry, against NumPy's sorting."""

import numpy as np
import pytest

from terrain.data import rows_by


@pytest.mark.parametrize("dtype", [np.int32, np.int64])
def test_rows_by_a_number_are_those_that_carry_it_in_their_order(dtype):
    rng = np.random.default_rng(1)
    number = rng.integers(-2, 9, 500).astype(dtype)
    order, begins = rows_by(number, 7)
    for k in range(7):
        assert (order[begins[k] : begins[k + 1]] == np.flatnonzero(number == k)).all()
    assert begins[-1] == len(order) == ((number >= 0) & (number < 7)).sum()


def test_no_rows_carry_no_number():
    order, begins = rows_by(np.zeros(0, dtype=np.int64), 3)
    assert len(order) == 0
    assert begins.tolist() == [0, 0, 0, 0]
