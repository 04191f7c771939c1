"""Verdicts do not depend on where a scene lies, how it is turned, or on its unit; and thin evidence never helps."""

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from terrain.data import Label
from terrain.score.placements import judge_placements
from tests.support.grounds import Layer, biped, build_ground, cells, disc, rectangle

FOOT = biped()
SIDE = 80
HALF = 0.4
QUANTITIES = ("slope_rad", "roughness_m", "support", "rocking_m", "edge_m", "beside_m", "observed", "headroom_m")
common = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])

seeds = st.integers(0, 2**32 - 1)
places = st.tuples(st.floats(-0.15, 0.15), st.floats(-0.15, 0.15), st.floats(-3.1, 3.1))


def scene(seed):
    """Return heights with a ledge, holes and bumps, and how often each cell was seen."""
    rng = np.random.default_rng(seed)
    heights = rng.normal(0.0, rng.choice([0.0, 0.002, 0.006]), (SIDE, SIDE))
    edge = int(rng.integers(20, 60))
    heights[:, edge:] += rng.choice([-0.15, -0.012, 0.0, 0.012, 0.15])
    row, column = rng.integers(20, 60, 2)
    heights[row : row + 4, column : column + 4] = rng.choice([np.nan, 0.3, 0.05])
    seen = rng.integers(0, 9, (SIDE, SIDE)) if rng.random() < 0.5 else np.full((SIDE, SIDE), 9)
    return heights, seen


def on_a_side(x, y, yaw):
    """Return whether a cell's centre lies on the outline, where rounding decides whether it is under the sole."""
    centre = -HALF + (np.arange(SIDE) + 0.5) * 0.01
    east, north = np.meshgrid(centre - x, centre - y)
    along, across = np.cos(yaw) * east + np.sin(yaw) * north, -np.sin(yaw) * east + np.cos(yaw) * north
    sides = np.stack([along + 0.09, along - 0.17, across + 0.065, across - 0.065])
    return bool((np.abs(sides) < 1e-5).any())


def ground_of(heights, seen, *, x0=-HALF, y0=-HALF, z0=0.0, cell=0.01, sd=0.001):
    at = {"x0_m": x0, "y0_m": y0, "cell_m": cell}
    layer = Layer(
        cells(heights, **at), seen=cells(seen.astype(float), **at), patch_id=-1, gradient=lambda x, y: (0.0, 0.0),
        height_sd_m=sd, edge_sd_m=3.0 * sd,
    )  # fmt: skip
    return build_ground(layer, x_m=(x0, x0 + SIDE * cell), y_m=(y0, y0 + SIDE * cell), cell_m=cell, z0_m=z0)


def same(one, other, *, within=1e-6):
    assert one.label[0] == other.label[0]
    assert set(one.reasons(0)) == set(other.reasons(0))
    for name in QUANTITIES:
        assert getattr(one, name) == pytest.approx(getattr(other, name), abs=within, nan_ok=True), name


@common
@given(seed=seeds, place=places, turns=st.integers(1, 3))
def test_turning_scene_and_sole_by_quarter_turns_changes_nothing(seed, place, turns):
    heights, seen = scene(seed)
    x, y, yaw = place
    assume(not on_a_side(x, y, yaw))
    before = judge_placements(ground_of(heights, seen), FOOT, [[x, y, yaw]])
    for _ in range(turns):
        heights, seen = (np.rot90(a, k=-1) for a in (heights, seen))  # rows are y, upwards: a turn counter-clockwise
        x, y, yaw = -y, x, yaw + np.pi / 2
    same(before, judge_placements(ground_of(heights.copy(), seen.copy()), FOOT, [[x, y, yaw]]))


@common
@given(
    seed=seeds,
    place=places,
    shift=st.tuples(*[st.integers(-50000, 50000)] * 2),
    up=st.floats(-500.0, 500.0),
)
def test_moving_scene_and_sole_changes_nothing(seed, place, shift, up):
    heights, seen = scene(seed)
    x, y, yaw = place
    assume(not on_a_side(x, y, yaw))
    dx, dy = shift[0] / 100.0, shift[1] / 100.0
    before = judge_placements(ground_of(heights, seen), FOOT, [[x, y, yaw]])
    moved = ground_of(heights + up, seen, x0=-HALF + dx, y0=-HALF + dy, z0=up)
    after = judge_placements(moved, FOOT, [[x + dx, y + dy, yaw]])
    same(before, after, within=1e-5)
    assert after.z_m - up == pytest.approx(before.z_m, abs=1e-5, nan_ok=True)


@common
@given(seed=seeds, place=places)
def test_a_full_turn_changes_nothing(seed, place):
    heights, seen = scene(seed)
    ground = ground_of(heights, seen)
    x, y, yaw = place
    assume(not on_a_side(x, y, yaw))
    same(judge_placements(ground, FOOT, [[x, y, yaw]]), judge_placements(ground, FOOT, [[x, y, yaw + 2 * np.pi]]))


@common
@given(seed=seeds, place=places)
def test_quantities_with_a_reach_of_their_own_apart_half_the_scene_is_the_same_scene(seed, place):
    """Slope, support, and shares do not depend on the unit: everything, sole and limits too, at half the size."""
    heights, seen = scene(seed)
    x, y, yaw = place
    assume(not on_a_side(x, y, yaw))
    half = biped(
        outline_m=FOOT.outline_m / 2, contact_m=FOOT.contact_m / 2, drop_m=FOOT.drop_m / 2,
        shin_radius_m=FOOT.shin_radius_m / 2, clear_height_m=FOOT.clear_height_m / 2,
    )  # fmt: skip
    bounded = np.clip(heights, -0.12, 0.12)  # the level's reach of 0.25 m is not scaled
    whole = judge_placements(ground_of(bounded, seen), FOOT, [[x, y, yaw]])
    small = judge_placements(
        ground_of(bounded / 2, seen, x0=-HALF / 2, y0=-HALF / 2, cell=0.005), half, [[x / 2, y / 2, yaw]]
    )
    assert small.slope_rad == pytest.approx(whole.slope_rad, abs=1e-5, nan_ok=True)
    assert small.support == pytest.approx(whole.support, abs=1e-6, nan_ok=True)
    assert small.observed == pytest.approx(whole.observed, abs=1e-6)
    for name in ("z_m", "roughness_m", "rocking_m"):
        assert 2 * getattr(small, name) == pytest.approx(getattr(whole, name), abs=1e-6, nan_ok=True), name


@common
@given(seed=seeds, place=places, returns=st.integers(0, 2), fill=st.floats(-0.2, 0.2))
def test_surfaces_seen_less_than_three_times_never_make_unobserved_steppable(seed, place, returns, fill):
    heights, _ = scene(seed)
    rng = np.random.default_rng(seed)
    heights[rng.random(heights.shape) < rng.choice([0.3, 0.6, 1.0])] = np.nan
    seen = np.where(np.isnan(heights), 0, 9)
    x, y, yaw = place
    before = judge_placements(ground_of(heights, seen), FOOT, [[x, y, yaw]])
    filled = np.where(np.isnan(heights), fill, heights)
    after = judge_placements(ground_of(filled, np.where(np.isnan(heights), returns, seen)), FOOT, [[x, y, yaw]])
    if before.label[0] == Label.UNOBSERVED:
        assert after.label[0] != Label.STEPPABLE
    if seen[int((y + HALF) // 0.01), int((x + HALF) // 0.01)] > 0:  # the level stays
        assert after.observed[0] <= before.observed[0] + 1e-9


@common
@given(seed=seeds, place=places)
def test_a_sole_is_never_better_on_ground_that_was_seen_less(seed, place):
    heights, seen = scene(seed)
    x, y, yaw = place
    order = {Label.STEPPABLE: 0, Label.MARGINAL: 1, Label.UNSTEPPABLE: 2, Label.UNOBSERVED: 2}
    well = judge_placements(ground_of(heights, np.maximum(seen, 9)), FOOT, [[x, y, yaw]])
    less = judge_placements(ground_of(heights, seen), FOOT, [[x, y, yaw]])
    assert order[Label(less.label[0])] >= order[Label(well.label[0])]


@common
@given(seed=seeds, place=places)
def test_wider_sds_never_make_a_verdict_better(seed, place):
    heights, seen = scene(seed)
    x, y, yaw = place
    order = {Label.STEPPABLE: 0, Label.MARGINAL: 1, Label.UNSTEPPABLE: 2, Label.UNOBSERVED: 2}
    sharp, blurred = (
        judge_placements(ground_of(heights, seen, sd=sd), FOOT, [[x, y, yaw]]).label[0] for sd in (0.0005, 0.004)
    )
    assert order[Label(blurred)] >= order[Label(sharp)]


@common
@given(seed=seeds, place=places, outline=st.sampled_from([rectangle(0.26, 0.13, 0.09), disc(0.04, 16)]))
def test_every_verdict_hangs_together(seed, place, outline):
    heights, seen = scene(seed)
    foot = biped(outline_m=outline)
    got = judge_placements(ground_of(heights, seen), foot, [list(place)])
    assert (got.label[0] == Label.STEPPABLE) == (got.reasons(0) == ())
    assert 0.0 <= got.observed[0] <= 1.0
    if np.isfinite(got.z_m[0]):
        assert 0.0 <= got.support[0] <= 1.0
        assert max(got.edge_m[0], got.beside_m[0]) <= 0.10
        for name in ("slope_sd_rad", "roughness_sd_m", "support_sd", "rocking_sd_m", "edge_sd_m", "beside_sd_m"):
            assert getattr(got, name)[0] >= 0.0, name
