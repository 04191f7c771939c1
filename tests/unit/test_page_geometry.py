"""Sections and what carries a sole, on ground whose answer is worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from terrain.data import Verdicts
from terrain.page.geometry import CARRIED, EDGE, NOTHING, contact, section
from tests.support.grounds import Layer, biped, box, build_ground, flat, plane
from tests.support.map_contents import make_ground


def resting(x: float, y: float, yaw: float, *, a: float = 0.0, b: float = 0.0, c: float = 0.0) -> Verdicts:
    """Return a verdict with a known plane; nothing else of it is read."""
    one = np.full(1, np.nan)
    values = dict.fromkeys(Verdicts.__slots__, one)
    values |= {
        "placement": np.array([[x, y, yaw, np.nan]]), "z_m": np.full(1, c), "plane": np.array([[a, b, c]]),
        "label": np.ones(1), "reason": np.full((1, 10), -1), "patch_id": np.zeros(1), "level": np.zeros(1),
        "measured_label": np.ones(1), "overrule": np.zeros(1),
    }  # fmt: skip
    return Verdicts(**values)


def test_a_flat_floor_carries_all_of_a_sole() -> None:
    """Sole 0.26 m by 0.13 m: the load stands 65 mm from its sides; cells of 10 mm, so their centres 60 mm."""
    ground = build_ground(Layer(flat(0.0), patch_id=0), x_m=(-1, 1), y_m=(-1, 1))
    drawn = contact(ground, biped(), resting(0.0, 0.0, 0.0), 0)
    assert drawn["support"] == 1.0
    assert len(drawn["cells"]["state"]) == pytest.approx(26 * 13, abs=26)
    assert math.dist(drawn["nearest_m"], (0.0, 0.0)) == pytest.approx(0.06, abs=0.006)
    np.testing.assert_allclose(
        sorted(drawn["outline_m"]), [[-0.09, -0.065, 0], [-0.09, 0.065, 0], [0.17, -0.065, 0], [0.17, 0.065, 0]]
    )
    assert drawn["downhill_deg"] is None


def test_a_sole_half_over_a_block_is_carried_by_the_part_on_it() -> None:
    """A block 0.3 m high that ends at x = 0.05: 14 of 26 cm of the sole lie on it, the rest is past an edge."""
    ground = build_ground(
        Layer(flat(0.0), patch_id=0),
        Layer(box(-0.5, -0.5, 0.05, 0.5, 0.2), patch_id=1),
        x_m=(-1, 1), y_m=(-1, 1), merge=True,
    )  # fmt: skip
    drawn = contact(ground, biped(), resting(0.0, 0.0, 0.0, c=0.2), 0)
    assert drawn["support"] == pytest.approx(14 / 26, abs=0.02)
    states = np.array(drawn["cells"]["state"])
    assert set(states) == {CARRIED, EDGE}
    x = np.array(drawn["cells"]["x_m"])
    assert x[states == CARRIED].max() < 0.05 < x[states == EDGE].min()
    assert drawn["nearest_m"][0] == pytest.approx(0.045, abs=0.001)


def test_a_plane_falls_where_it_should() -> None:
    """z = 0.1 x falls towards -x, that is 180 degrees; the toe is higher than the heel by 0.1 x 0.26 m."""
    ground = build_ground(Layer(plane(0.1, 0.0), patch_id=0), x_m=(-1, 1), y_m=(-1, 1))
    drawn = contact(ground, biped(), resting(0.0, 0.0, 0.0, a=0.1), 0)
    assert abs(drawn["downhill_deg"]) == pytest.approx(180.0)
    z = [corner[2] for corner in drawn["outline_m"]]
    assert max(z) - min(z) == pytest.approx(0.026, abs=1e-3)
    assert drawn["support"] == 1.0


def test_no_ground_is_shown_as_nothing() -> None:
    ground = build_ground(Layer(flat(0.0), patch_id=0), x_m=(-1, 1), y_m=(-1, 1))
    drawn = contact(ground, biped(), resting(5.0, 5.0, 0.0, a=np.nan, b=np.nan, c=np.nan), 0)
    assert set(drawn["cells"]["state"]) == {NOTHING}
    assert drawn["hull_m"] == []
    assert drawn["nearest_m"] is None
    assert not drawn["has_plane"]


def test_a_section_meets_every_surface_at_its_height() -> None:
    """Along y = 0 of the hand-made map: floor at 0, the block's top at 0.1 from -0.5 to 0, a ramp of 20 degrees."""
    cut = section(make_ground(), (-0.9, 0.0), (1.4, 0.0))
    assert cut["length_m"] == pytest.approx(2.3)
    assert cut["step_m"] == pytest.approx(0.01, rel=0.01)
    x = -0.9 + np.array(cut["surface"]["sample"]) * cut["step_m"]
    z = np.array(cut["surface"]["height_m"])
    patch = np.array(cut["surface"]["patch_id"])
    assert set(patch) == {0, 1, 2}
    np.testing.assert_allclose(z[patch == 1], 0.1, atol=1e-4)
    assert x[patch == 1].min() == pytest.approx(-0.5, abs=0.011)
    assert x[patch == 1].max() == pytest.approx(0.0, abs=0.011)
    ramp = patch == 2
    np.testing.assert_allclose(z[ramp], x[ramp] * math.tan(math.radians(20.0)), atol=0.005)


def test_a_section_off_the_map_is_empty() -> None:
    cut = section(make_ground(), (50.0, 50.0), (51.0, 50.0))
    assert cut["surface"]["sample"] == []
    assert cut["samples"] == 101
