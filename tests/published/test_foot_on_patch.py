"""A 0.25 x 0.13 m sole on a 0.40 x 0.40 m patch: plane geometry, worked by hand and by shapely.

Sole length and breadth are near the 5th to 50th percentile of the feet in the ANSUR II survey's public records
(length 250 to 271 mm) and the widened last of a shoe; the margins follow from the two rectangles alone.
"""

import numpy as np
import pytest
import shapely
from shapely import affinity

from terrain.data import Label
from terrain.score.placements import judge_placements
from tests.support.grounds import Layer, biped, box, build_ground, rectangle

FOOT = biped(outline_m=rectangle(0.25, 0.13, 0.125))
PATCH = box(-0.2, -0.2, 0.2, 0.2, 0.0)
AREA = shapely.box(-0.2, -0.2, 0.2, 0.2)


def judged(x=0.0, y=0.0, yaw_deg=0.0):
    ground = build_ground(Layer(PATCH), x_m=(-0.5, 0.5), y_m=(-0.5, 0.5))
    return judge_placements(ground, FOOT, [[x, y, np.deg2rad(yaw_deg)]])


@pytest.mark.parametrize(("yaw_deg", "margin_m"), [(0, 0.075), (90, 0.075), (180, 0.075)])
def test_centred_edge_margin_along_the_sides(yaw_deg, margin_m):
    """(0.40 - 0.25) / 2 = 0.075 m."""
    got = judged(yaw_deg=yaw_deg)
    assert got.edge_m[0] == pytest.approx(margin_m, abs=1e-6)
    assert Label(got.label[0]) == Label.STEPPABLE


def test_centred_edge_margin_turned_by_45_degrees():
    """0.20 - (0.125 + 0.065) / sqrt(2) = 0.0656 m."""
    assert judged(yaw_deg=45).edge_m[0] == pytest.approx(0.2 - (0.125 + 0.065) / np.sqrt(2), abs=1e-6)


def test_shifted_by_a_tenth_of_a_metre_a_tenth_of_the_sole_overhangs_by_25_mm():
    """Toes at 0.100 + 0.125 = 0.225 m, patch to 0.200: 25 mm of 250 mm, support 90 %."""
    got = judged(x=0.10)
    assert got.support[0] == pytest.approx(0.90, abs=1e-6)
    assert got.edge_m[0] == pytest.approx(-0.025, abs=1e-6)
    assert Label(got.label[0]) == Label.UNSTEPPABLE
    assert "edge" in got.reasons(0)


def test_rocking_of_the_whole_sole_is_half_its_width_and_of_the_shifted_one_too():
    assert judged().rocking_m[0] == pytest.approx(0.065, abs=1e-9)
    assert judged(x=0.10).rocking_m[0] == pytest.approx(0.065, abs=1e-6)
    """Load 0.16, patch to 0.20: 40 mm of carried sole in front of it."""
    assert judged(x=0.16).rocking_m[0] == pytest.approx(0.04, abs=1e-6)


@pytest.mark.parametrize("seed", range(20))
def test_support_edge_and_rocking_equal_shapelys_for_any_placement(seed):
    rng = np.random.default_rng(seed)
    x, y, yaw = *rng.uniform(-0.18, 0.18, 2), rng.uniform(-180, 180)
    got = judged(x, y, yaw)
    sole = affinity.translate(affinity.rotate(shapely.Polygon(FOOT.outline_m), yaw, origin=(0, 0)), x, y)
    carried = sole.intersection(AREA)
    assert got.support[0] == pytest.approx(carried.area / sole.area, abs=1e-6)
    assert got.observed[0] == pytest.approx(carried.area / sole.area, abs=1e-6)
    assert got.rocking_m[0] == pytest.approx(carried.exterior.distance(shapely.Point(x, y)), abs=1e-6)
    if AREA.contains(sole):
        assert got.edge_m[0] == pytest.approx(min(AREA.exterior.distance(sole), 0.10), abs=1e-6)
    else:
        overhang = shapely.get_coordinates(sole.difference(AREA))
        deepest = shapely.distance(sole.exterior, shapely.points(overhang)).max()
        assert -0.065 <= got.edge_m[0] <= -deepest + 0.005
