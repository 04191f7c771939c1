"""People and carts in the invented dock: where beams meet them, how many returns they make, and whose those are."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from clouds_demo.generate import MOVERS_FILE, generate, read_movers, read_truth
from clouds_demo.movers import CART, PERSON, Line, Mover, hit_movers
from clouds_demo.simulate import Faults
from clouds_demo.truth import Truth

LINE = Line(np.array([0.0, 10.0]), np.array([[0.0, 0.0, 0.0], [10.0, 0.0, 0.0]]))


@pytest.mark.parametrize(("time", "x"), [(0.0, 4.0), (2.0, 6.0)])
def test_a_beam_meets_a_cart_where_it_is_at_that_time(time: float, x: float) -> None:
    """A cart 1.2 m long, heading along x: from behind its rear face is met 0.6 m before its middle."""
    cart = Mover(CART, False, 0.0, 5.0, 4.0, 1.0, 0.0)
    distance, cosine = hit_movers(
        (cart,), LINE, np.array([time, 6.0]), np.tile([0.0, 0.0, 0.4], (2, 1)), np.tile([2.0, 0.0, 0.0], (2, 1))
    )
    assert distance[0] == pytest.approx(x - 0.6)
    assert cosine[0] == pytest.approx(1.0)
    assert np.isinf(distance[1]), "after its time it is gone"


def test_a_person_to_the_side_is_met_from_the_side_and_not_past_it() -> None:
    person = Mover(PERSON, True, 0.0, 5.0, 4.0, 0.0, 2.0)
    origin = np.tile([4.0, 0.0, 1.2], (3, 1))
    ray = np.array([[0.0, 1.0, 0.0], [0.0, -1.0, 0.0], [1.0, 0.0, 0.0]])
    distance, _ = hit_movers((person,), LINE, np.zeros(3), origin, ray)
    assert distance[0] == pytest.approx(2.0 - 0.24)
    assert np.isinf(distance[1:]).all()


def test_movers_make_their_share_of_the_returns_and_the_truth_names_them(tmp_path: Path) -> None:
    import laspy

    made = generate(tmp_path, seed=2, points=30_000, faults=Faults(movers=0.01))
    mover = read_movers(tmp_path)
    assert len(mover) == made.returns
    assert 0.005 < made.moving == mover.mean() < 0.02
    assert len(read_truth(made.truth).facets) > 100
    scans = [laspy.read(path) for path in sorted((tmp_path / "scans").glob("*.laz"))]
    assert sum(len(scan) for scan in scans) == len(mover)
    generate(tmp_path, seed=2, points=5_000)
    assert not (tmp_path / MOVERS_FILE).exists()
    assert Truth.read(tmp_path / "truth.json").facets
