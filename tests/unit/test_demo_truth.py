"""The truth of the invented dock, on scenes small enough to work out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clouds_demo.shapes import Builder, Scene, plane_through, rectangle
from clouds_demo.truth import CELL_M, Truth, biped, resting_plane, resting_plane_by_programme
from terrain.foot import load_foot

KINDS = {"top": "block_top", "side": "block_side"}
LEVEL = np.zeros(3)


def truth_of(*blocks: tuple[np.ndarray, np.ndarray], floor_z: float = 0.0, floor: bool = True) -> Truth:
    """Return the truth of a floor (20 m square) with prisms (footprint, top plane) on it."""
    builder = Builder()
    ground = np.array([0.0, 0.0, floor_z])
    if floor:
        corners = rectangle(-10.0, -10.0, 10.0, 10.0)
        builder.add("floor", "floor", builder.new_solid(), np.column_stack([corners, np.full(4, floor_z)]))
    for k, (ring, top) in enumerate(blocks):
        builder.prism(f"block {k}", ring, top, ground, KINDS)
    return Truth(Scene(0, 1, tuple(builder.facets), (), np.zeros((1, 3)), np.ones(1)))


def height(z: float) -> np.ndarray:
    return np.array([0.0, 0.0, z])


def at(x: float, y: float, yaw: float = 0.0, level: float = 0.0) -> np.ndarray:
    return np.array([[x, y, yaw, level]])


def test_its_foot_is_the_shipped_biped() -> None:
    mine, theirs = biped(), load_foot("biped")
    for name in type(mine).__slots__:
        a, b = getattr(mine, name), getattr(theirs, name)
        if name == "outline_m":
            assert {tuple(row) for row in np.round(a, 9)} == {tuple(row) for row in np.round(b, 9)}
        elif name == "name":
            assert a == b
        else:
            left, right = (a, b) if isinstance(a, float) else ((a.comfort, a.limit), (b.comfort, b.limit))
            assert left == pytest.approx(right), name


@pytest.mark.parametrize("yaw", [0.0, 0.7, -2.0])
def test_flat_floor(yaw: float) -> None:
    found = truth_of().measure(at(1.0, 2.0, yaw))
    assert found.slope_rad[0] == pytest.approx(0.0, abs=1e-9)
    assert found.support[0] == 1.0
    assert found.rocking_m[0] == pytest.approx(0.065, abs=1e-6)  # half of the sole's width
    assert found.roughness_m[0] == pytest.approx(0.0, abs=1e-9)
    assert (found.edge_m[0], found.beside_m[0], found.clear_m[0]) == (0.1, 0.1, 0.1)
    assert found.headroom_m[0] == np.inf
    assert found.label[0] == 1
    assert found.reasons(0) == ()


@pytest.mark.parametrize("tilt_deg", [3.0, 8.0, 13.0])
@pytest.mark.parametrize("yaw", [0.0, 1.1])
def test_slope_of_a_tilted_plane(tilt_deg: float, yaw: float) -> None:
    gradient = np.tan(np.deg2rad(tilt_deg)) * np.array([0.6, 0.8])
    top = plane_through(np.array([0.0, 0.0, 1.0]), gradient)
    found = truth_of((rectangle(-1.0, -1.0, 1.0, 1.0), top)).measure(at(0.05, 0.02, yaw, 1.0))
    assert np.rad2deg(found.slope_rad[0]) == pytest.approx(tilt_deg, abs=1e-6)
    assert found.z_m[0] == pytest.approx(1.0 + gradient @ [0.05, 0.02], abs=1e-9)
    assert found.label[0] == (1 if tilt_deg < 10 else 2)


def test_sole_over_an_edge() -> None:
    """A sole 0.25 m long, middle 0.10 m off the middle of a top 0.40 m long: 25 mm overhang, 90 % supported.

    Plain geometry: 0.10 + 0.125 - 0.20 = 0.025 m, 1 - 0.025 / 0.25 = 0.90.
    """
    foot = replace(biped(), outline_m=np.array([[-0.125, -0.065], [0.125, -0.065], [0.125, 0.065], [-0.125, 0.065]]))
    truth = truth_of((rectangle(-0.2, -0.2, 0.2, 0.2), height(0.2)))
    found = truth.measure(at(0.10, 0.0, 0.0, 0.2), foot)
    assert found.support[0] == pytest.approx(0.90, abs=0.005)
    assert found.edge_m[0] == pytest.approx(-0.025, abs=CELL_M / 2)
    assert found.rocking_m[0] == pytest.approx(0.065, abs=CELL_M / 2)
    assert found.label[0] == 3
    assert "edge" in found.reasons(0)


@pytest.mark.parametrize("yaw_deg, margin", [(0.0, 0.075), (45.0, 0.0656)])
def test_margin_of_a_sole_on_a_square_top(yaw_deg: float, margin: float) -> None:
    """Sole 0.25 x 0.13 m on a top 0.40 m square; at 45 degrees 0.2 - (0.125 + 0.065) / sqrt(2) = 0.0656."""
    foot = replace(biped(), outline_m=np.array([[-0.125, -0.065], [0.125, -0.065], [0.125, 0.065], [-0.125, 0.065]]))
    truth = truth_of((rectangle(-0.2, -0.2, 0.2, 0.2), height(0.2)))
    found = truth.measure(at(0.0, 0.0, np.deg2rad(yaw_deg), 0.2), foot)
    assert found.edge_m[0] == pytest.approx(margin, abs=CELL_M)


@pytest.mark.parametrize("gap_m, is_edge", [(0.015, False), (0.020, False), (0.030, True), (0.040, True)])
@pytest.mark.parametrize("yaw", [0.0, 0.35, np.pi / 2])
def test_only_openings_wider_than_the_joint_are_edges(gap_m: float, is_edge: bool, yaw: float) -> None:
    left, right = rectangle(-1.0, -1.0, -gap_m / 2, 1.0), rectangle(gap_m / 2, -1.0, 1.0, 1.0)
    found = truth_of((left, height(0.2)), (right, height(0.2))).measure(at(0.0, 0.0, yaw, 0.2))
    assert (found.edge_m[0] < 0) == is_edge


def test_riser_in_front_is_beside_and_no_edge() -> None:
    step = rectangle(0.20, -1.0, 2.0, 1.0)
    found = truth_of((step, height(0.18))).measure(at(0.0, 0.0))
    assert found.beside_m[0] == pytest.approx(0.03, abs=CELL_M / 2)  # 0.20 - 0.17
    assert found.edge_m[0] == 0.1
    assert found.label[0] == 1
    wall = truth_of((step, height(1.0))).measure(at(0.0, 0.0))
    assert wall.beside_m[0] == pytest.approx(0.03, abs=CELL_M / 2)
    assert wall.edge_m[0] == 0.1
    assert wall.label[0] == 1


def test_wall_inside_the_shin_cylinder() -> None:
    found = truth_of((rectangle(-1.0, 0.07, 1.0, 1.0), height(1.0))).measure(at(0.0, 0.0))
    assert found.beside_m[0] == pytest.approx(0.005, abs=CELL_M / 2)
    assert found.clear_m[0] == pytest.approx(-0.03, abs=CELL_M / 2)  # 0.07 - 0.10
    assert found.label[0] == 3
    assert found.reasons(0)[0] == "headroom"


@pytest.mark.parametrize("free_m, label", [(0.30, 3), (0.50, 1)])
def test_headroom_under_a_slab(free_m: float, label: int) -> None:
    builder = Builder()
    corners = rectangle(-5.0, -5.0, 5.0, 5.0)
    builder.add("floor", "floor", builder.new_solid(), np.column_stack([corners, np.zeros(4)]))
    kinds = {"top": "deck", "side": "deck_side", "bottom": "deck_underside"}
    builder.prism("deck", rectangle(-1.0, -1.0, 1.0, 1.0), height(free_m + 0.1), height(free_m), kinds)
    truth = Truth(Scene(0, 1, tuple(builder.facets), (), np.zeros((1, 3)), np.ones(1)))
    below = truth.measure(at(0.0, 0.0))
    assert below.label[0] == label
    assert below.z_m[0] == pytest.approx(0.0, abs=1e-9)
    if label == 3:
        assert below.headroom_m[0] == pytest.approx(free_m, abs=1e-9)
    above = truth.measure(at(0.0, 0.0, 0.0, free_m + 0.1))
    assert above.label[0] == 1
    assert above.z_m[0] == pytest.approx(free_m + 0.1, abs=1e-9)
    assert [round(z, 6) for z, _ in truth.surfaces_at(0.0, 0.0)] == [0.0, round(free_m + 0.1, 6)]


def test_sole_bridging_two_heights_rests_on_both() -> None:
    """Toe on a slab 30 mm up whose border is 0.10 m before the ankle: the plane runs from the heel to that border.

    Heel corner at -0.09, border at 0.10: slope atan(0.03 / 0.19).
    """
    found = truth_of((rectangle(0.10, -1.0, 1.0, 1.0), height(0.03))).measure(at(0.0, 0.0))
    assert np.tan(found.slope_rad[0]) == pytest.approx(0.03 / 0.19, rel=0.02)


def test_ground_on_one_side_of_the_load_only_is_rocking() -> None:
    found = truth_of((rectangle(0.02, -1.0, 1.0, 1.0), height(0.2)), floor=False).measure(at(0.0, 0.0, 0.0, 0.2))
    assert found.label[0] == 3
    assert found.reasons(0)[0] == "rocking"
    assert np.isnan([found.slope_rad[0], found.support[0], found.edge_m[0]]).all()


def test_no_ground() -> None:
    found = truth_of().measure(at(50.0, 0.0))
    assert found.label[0] == 3
    assert found.reasons(0) == ("no-ground",)


def test_surface_under_a_block_is_not_open() -> None:
    truth = truth_of((rectangle(0.0, 0.0, 1.0, 1.0), height(0.2)))
    assert [z for z, _ in truth.surfaces_at(0.5, 0.5)] == pytest.approx([0.2])
    assert [z for z, _ in truth.surfaces_at(-0.5, 0.5)] == pytest.approx([0.0])


def test_classify_takes_the_nearest_facet_within_4_cm() -> None:
    truth = truth_of((rectangle(0.0, 0.0, 1.0, 1.0), height(0.2)))
    points = np.array([[0.5, 0.5, 0.21], [-1.0, 0.0, 0.03], [0.5, 0.5, 0.30], [-0.02, 0.5, 0.1]])
    ids = truth.classify(points)
    kinds = [truth.facets[i].kind if i >= 0 else None for i in ids.tolist()]
    assert kinds == ["block_top", "floor", None, "block_side"]


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 2**31), points=st.integers(3, 400), wild=st.sampled_from([0.0, 0.002, 0.05]))
def test_resting_plane_is_the_linear_programme(seed: int, points: int, wild: float) -> None:
    rng = np.random.default_rng(seed)
    uv = rng.uniform([-0.09, -0.065], [0.17, 0.065], (points, 2))
    z = rng.normal(0.0, wild, points) + uv @ rng.normal(0.0, 0.3, 2) + rng.uniform(-5.0, 5.0)
    mine, theirs = resting_plane(uv, z), resting_plane_by_programme(uv, z)
    assert (mine is None) == (theirs is None)
    if mine is not None and theirs is not None:
        assert mine[2] == pytest.approx(theirs[2], abs=1e-7)
        assert (uv @ mine[:2] + mine[2] - z).min() > -1e-8
