"""Blocks, stairs and test ramps of published sizes, with feet on them; distances worked by hand.

- Concrete block: specified 193.7 x 193.7 x 396.9 mm, nominal 203.2 x 203.2 x 406.4 with a 9.5 mm joint (ASTM C90).
- Stairs: riser 178 mm, tread 279 mm (IBC 1011.5.2, 7 and 11 inches); 30 to 50 degrees (29 CFR 1910.25(c)).
- Ramps of 15 degrees, pitched and rolled (ASTM E2826 and E2827; the angle from memory); stepfields of 100 mm square
  posts (ASTM E2828; post width from memory).
"""

import numpy as np
import pytest

from terrain.data import Label
from terrain.score.placements import judge_placements
from tests.support.grounds import Layer, biped, box, build_ground, cells, plane, rectangle, stairs, tread_number

FOOT = biped()
RISER_M, TREAD_M = 7 * 0.0254, 11 * 0.0254
BLOCK_M, BLOCK_LONG_M = 0.1937, 0.3969
FINE = {"cell_m": 0.005}


# --------------------------------------------------------------------------- ramps


def test_pitch_and_roll_of_fifteen_degrees_make_twenty_and_three_quarters():
    """tan^2 adds for slopes along two axes: arctan(sqrt(2) tan 15) = 20.75 degrees, past a limit of 18."""
    grade = np.tan(np.deg2rad(15.0))
    ground = build_ground(Layer(plane(grade, grade)), x_m=(-0.4, 0.4), y_m=(-0.4, 0.4))
    got = judge_placements(ground, FOOT, [[0.0, 0.0, 0.5]])
    assert np.rad2deg(got.slope_rad[0]) == pytest.approx(20.75, abs=0.01)
    assert got.reasons(0)[0] == "slope" and got.label[0] == Label.UNSTEPPABLE


def test_a_single_fifteen_degree_ramp_is_marginal_between_ten_and_eighteen():
    ground = build_ground(Layer(plane(np.tan(np.deg2rad(15.0)), 0.0)), x_m=(-0.4, 0.4), y_m=(-0.4, 0.4))
    got = judge_placements(ground, FOOT, [[0.0, 0.0, 0.0]])
    assert (Label(got.label[0]), got.reasons(0)) == (Label.MARGINAL, ("slope",))


def test_the_ridge_of_two_ramps_carries_a_sole_on_its_crest():
    """Crossing ramps of 15 degrees: a sole along the crest rests level on it and the sides fall away at tan 15."""
    grade = np.tan(np.deg2rad(15.0))
    ridge = lambda x, y: -grade * np.abs(y)  # noqa: E731
    ground = build_ground(Layer(ridge, patch_id=-1), x_m=(-0.4, 0.4), y_m=(-0.4, 0.4))
    got = judge_placements(ground, FOOT, [[0.0, 0.0, 0.0]])
    assert got.z_m[0] == pytest.approx(-grade * 0.005, abs=1e-6)
    carried = 2 * (0.01 * np.floor(0.015 / grade / 0.01 + 0.5)) / 0.13
    assert got.support[0] == pytest.approx(carried, abs=0.16)


# --------------------------------------------------------------------------- stepfields


def post_field(heights_m):
    """Return square posts of 100 mm with tops at the given heights (rows of y, columns of x), one patch each."""
    values = np.repeat(np.repeat(np.asarray(heights_m), 10, axis=0), 10, axis=1)
    ny, nx = values.shape
    numbers = np.repeat(np.repeat(np.arange(ny * nx // 100).reshape(ny // 10, nx // 10), 10, axis=0), 10, axis=1)
    at = {"x0_m": -0.005 * nx, "y0_m": -0.005 * ny}
    number = cells(numbers.astype(float), **at)
    layer = Layer(cells(values, **at), patch_id=lambda x, y: number(x, y).astype(int), gradient=lambda x, y: (0.0, 0.0))
    return build_ground(layer, x_m=(-0.005 * nx, 0.005 * nx), y_m=(-0.005 * ny, 0.005 * ny))


def test_a_small_pad_centred_on_a_post_has_its_margin_and_a_sole_does_not_fit():
    """Pad of 50 mm on a 100 mm post: (100 - 50) / 2 = 25 mm to the edge all round; neighbours 100 mm lower."""
    tops = np.zeros((8, 8))
    tops[4, 4] = 0.1
    ground = post_field(tops)
    pad = biped(outline_m=rectangle(0.05, 0.05, 0.025), rocking_m=FOOT.beside_m)
    got = judge_placements(ground, pad, [[0.05, 0.05, 0.0]])
    assert got.edge_m[0] == pytest.approx(0.025, abs=1e-6)
    assert got.z_m[0] == pytest.approx(0.1, abs=1e-6)
    whole = judge_placements(ground, FOOT, [[0.05, 0.05, 0.0]])
    assert whole.label[0] == Label.UNSTEPPABLE and "edge" in whole.reasons(0)


def test_a_pad_at_the_foot_of_a_higher_post_stands_beside_it():
    tops = np.zeros((8, 8))
    tops[4, 5] = 0.2
    pad = biped(outline_m=rectangle(0.05, 0.05, 0.025), rocking_m=FOOT.beside_m, shin_radius_m=0.03)
    got = judge_placements(post_field(tops), pad, [[0.05, 0.05, 0.0]])
    assert got.beside_m[0] == pytest.approx(0.10 - 0.05 - 0.025, abs=1e-6)
    assert got.edge_m[0] == pytest.approx(0.1)


# --------------------------------------------------------------------------- stairs


def flight():
    """Return four treads of 279 mm behind a floor; risers of 178 mm, the first at x = 0."""
    size = {"risers": 4, "tread_m": TREAD_M}
    layer = Layer(stairs(riser_m=RISER_M, **size), patch_id=tread_number(**size), gradient=lambda x, y: (0.0, 0.0))
    return build_ground(layer, x_m=(-0.4, 1.3), y_m=(-0.4, 0.4), **FINE)


def snapped(x_m):
    """Return the border between cells of 5 mm centred before and behind a riser at x."""
    return np.round(x_m / 0.005) * 0.005


def test_a_sole_in_the_middle_of_a_tread_has_its_halves_to_nosing_and_riser():
    """Tread 279.4 mm, sole 260 mm: 19.4 mm left; heel to the nosing and toes to the next riser share it."""
    ground = flight()
    low, high = snapped(TREAD_M), snapped(2 * TREAD_M)
    x = low + 0.010 + 0.09
    got = judge_placements(ground, FOOT, [[x, 0.0, 0.0]])
    assert got.z_m[0] == pytest.approx(2 * RISER_M, abs=1e-6)
    assert got.edge_m[0] == pytest.approx(0.010, abs=1e-6)
    assert got.beside_m[0] == pytest.approx(high - low - 0.27, abs=1e-6)
    assert abs(high - low - TREAD_M) <= 0.005
    assert got.label[0] != Label.STEPPABLE


def test_a_shorter_sole_has_room_on_the_same_tread():
    """Sole 200 mm, 30 mm behind the nosing: 279 - 230 = 49 mm to the riser; sideways it has the whole width."""
    foot = biped(outline_m=rectangle(0.20, 0.13, 0.09), shin_radius_m=0.06)
    low, high = snapped(TREAD_M), snapped(2 * TREAD_M)
    got = judge_placements(flight(), foot, [[low + 0.03 + 0.09, 0.0, 0.0]])
    assert got.edge_m[0] == pytest.approx(0.03, abs=1e-6)
    assert got.beside_m[0] == pytest.approx(high - low - 0.23, abs=1e-6)
    assert Label(got.label[0]) == Label.STEPPABLE


def test_toes_over_the_nosing_overhang_and_turn_the_verdict():
    """Going down: toes 20 mm past the nosing, 20 / 260 of the sole unsupported."""
    low = snapped(TREAD_M)
    got = judge_placements(flight(), FOOT, [[low - 0.02 + 0.17, 0.0, np.pi]])
    assert got.edge_m[0] == pytest.approx(-0.02, abs=1e-6)
    assert got.support[0] == pytest.approx(240 / 260, abs=1e-6)
    assert got.label[0] == Label.UNSTEPPABLE


def test_a_sole_across_two_treads_tilts_at_least_as_steeply_as_the_flight():
    """The nosing line rises at arctan(7 / 11) = 32.47 degrees; a sole that bridges a riser is never flatter."""
    x = snapped(TREAD_M) - 0.03
    got = judge_placements(flight(), FOOT, [[x, 0.0, 0.0]])
    assert np.rad2deg(got.slope_rad[0]) >= 32.47
    assert got.label[0] == Label.UNSTEPPABLE


# --------------------------------------------------------------------------- blocks


def test_a_dry_stacked_block_top_and_the_room_on_it():
    """Block 193.7 mm high, 396.9 x 193.7 mm: a sole along it keeps (193.7 - 130) / 2 = 31.8 mm at the sides."""
    half_long, half_wide = BLOCK_LONG_M / 2, BLOCK_M / 2
    top = box(-half_long, -half_wide, half_long, half_wide, BLOCK_M)
    floor = Layer(lambda x, y: np.zeros_like(x))
    ground = build_ground(floor, Layer(top, patch_id=1), x_m=(-0.5, 0.5), y_m=(-0.5, 0.5), merge=True, cell_m=0.0025)
    got = judge_placements(ground, FOOT, [[-0.04, 0.0, 0.0]])
    assert got.z_m[0] == pytest.approx(BLOCK_M, abs=1e-6)
    assert got.edge_m[0] == pytest.approx((BLOCK_M - 0.13) / 2, abs=0.0025)
    assert Label(got.label[0]) == Label.STEPPABLE
    across = judge_placements(ground, FOOT, [[0.0, -0.04, np.pi / 2]])
    assert across.edge_m[0] == pytest.approx(-(0.26 - BLOCK_M) / 2, abs=0.0025)
    assert across.label[0] == Label.UNSTEPPABLE


def test_two_blocks_of_unlike_courses_are_no_step_of_a_few_millimetres():
    """Nominal 203.2 against specified 193.7 mm is 9.5 mm a course: within contact (15 mm) yet felt as tilt."""
    step = 0.2032 - BLOCK_M
    layer = Layer(lambda x, y: np.where(x < 0.0, 0.2032, BLOCK_M), patch_id=lambda x, y: (x >= 0.0).astype(int))
    ground = build_ground(layer, x_m=(-0.4, 0.4), y_m=(-0.4, 0.4))
    got = judge_placements(ground, FOOT, [[0.02, 0.0, 0.0]])
    """Rests on the upper edge, cell centre at -5 mm, and the last cell under the toes at 185 mm."""
    assert np.tan(got.slope_rad[0]) == pytest.approx(step / (0.185 + 0.005), rel=1e-4)
