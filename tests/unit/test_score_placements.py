"""Verdicts on single placements: against the definitions worked out anew, and case by case."""

import numpy as np
import pytest

from terrain.data import Label, Limit
from terrain.errors import DataError
from terrain.score.placements import NEAR_M, along_z_curve, judge_placements
from tests.support.grounds import (
    Layer,
    biped,
    block,
    box,
    build_ground,
    cells,
    flat,
    outside,
    plane,
    rectangle,
    stairs,
    tread_number,
)
from tests.support.twin import measure

FOOT = biped()
SMALL = {"x_m": (-0.6, 0.6), "y_m": (-0.6, 0.6)}


def one(ground, x=0.0, y=0.0, yaw=0.0, level=np.nan, foot=FOOT):
    return judge_placements(ground, foot, [[x, y, yaw, level]])


def verdict(ground, *args, **kwargs):
    got = one(ground, *args, **kwargs)
    return Label(got.label[0]).word, got.reasons(0)


# --------------------------------------------------------------------------- against the definitions


@pytest.mark.parametrize("seed", range(25))
def test_quantities_equal_those_worked_out_from_the_definitions(seed):
    rng = np.random.default_rng(seed)
    xx, yy = np.meshgrid((np.arange(120) + 0.5) * 0.01 - 0.6, (np.arange(120) + 0.5) * 0.01 - 0.6)
    a, b = rng.uniform(-0.2, 0.2, 2)
    heights = rng.normal(0, rng.choice([0.0, 0.003, 0.008]), xx.shape) + a * xx + b * yy
    heights += np.where(xx > rng.uniform(-0.3, 0.3), rng.uniform(-0.1, 0.1), 0.0)
    heights[rng.random(xx.shape) < rng.choice([0.0, 0.01])] = np.nan
    layer = Layer(
        cells(heights, x0_m=-0.6, y0_m=-0.6),
        patch_id=-1,
        seen=lambda x, y: rng.integers(1, 9, x.shape),
        carries=lambda x, y: rng.random(x.shape) > 0.03,
        roughness_m=0.002,
    )
    low = rng.uniform(-0.1, 0.3)
    ground = build_ground(layer, **SMALL, blocks=(block(0.1, 0.1, 0.13, 0.13, low, low + 0.1),))
    x, y, yaw = *rng.uniform(-0.2, 0.2, 2), rng.uniform(-3, 3)
    got = one(ground, x, y, yaw)
    level = heights[int((y + 0.6) // 0.01), int((x + 0.6) // 0.01)]
    if np.isnan(level):
        pytest.skip("no ground under the load point: which cell decides is not the twin's business")
    want = measure(ground, FOOT, x, y, yaw, float(np.float32(level)))
    assert want.bounded == bool(np.isfinite(got.z_m[0]))
    assert got.observed[0] == pytest.approx(want.observed, abs=1e-6)
    for name in ("z_m", "slope_rad", "roughness_m", "support", "rocking_m", "headroom_m"):
        assert getattr(got, name)[0] == pytest.approx(getattr(want, name), abs=1e-7, nan_ok=True), name
    for name in ("edge_m", "beside_m"):
        value, wanted = getattr(got, name)[0], getattr(want, name)
        within = 1e-7 if not wanted < 0 else 0.005
        assert value == pytest.approx(wanted, abs=within, nan_ok=True), name


@pytest.mark.parametrize("seed", range(12))
def test_what_is_near_among_many_things_is_the_nearest(seed):
    """Holes, low sills and hanging bars all around: what is farther than another of its kind changes nothing."""
    rng = np.random.default_rng(100 + seed)
    heights = np.zeros((120, 120))
    for row, column in rng.integers(0, 116, (rng.integers(5, 60), 2)):
        heights[row : row + 3, column : column + 4] = rng.choice([np.nan, -0.1, -0.03, 0.03, 0.1])
    heights[59:62, 59:62] = 0.0
    corners = rng.uniform(-0.45, 0.45, (rng.integers(3, 30), 2))
    blocks = [
        block(x, y, x + 0.02, y + 0.05, low, low + 0.06)
        for (x, y), low in zip(corners, rng.uniform(0.0, 0.5, 30), strict=False)
    ]
    ground = build_ground(Layer(cells(heights, x0_m=-0.6, y0_m=-0.6), patch_id=-1), **SMALL, blocks=tuple(blocks))
    for x, y, yaw in np.column_stack([rng.uniform(-0.01, 0.01, (6, 2)), rng.uniform(-3, 3, 6)]):
        got, want = one(ground, x, y, yaw), measure(ground, FOOT, x, y, yaw, 0.0)
        assert got.headroom_m[0] == pytest.approx(want.headroom_m, abs=1e-7, nan_ok=True)
        for name in ("edge_m", "beside_m"):
            value, wanted = getattr(got, name)[0], getattr(want, name)
            assert value == pytest.approx(wanted, abs=1e-7 if not wanted < 0 else 0.005, nan_ok=True), name


@pytest.mark.parametrize("seed", range(5))
def test_open_ground_is_judged_alike_with_and_without_the_short_way(seed):
    rng = np.random.default_rng(seed)
    a, b = rng.uniform(-0.15, 0.15, 2)
    heights = plane(a, b, 0.2)
    x, y, yaw = *rng.uniform(-0.1, 0.1, 2), rng.uniform(-3, 3)
    wide = {"x_m": (-0.8, 0.8), "y_m": (-0.8, 0.8)}
    # One odd cell in a corner of what is looked at, beyond the reach of the sole, makes every cell be laid out.
    far = 0.26 + np.hypot(*np.abs([x, y]))

    def rough(px, py):
        return np.where(np.hypot(px, py) > far, 1e-9, 0.0)

    short = one(build_ground(Layer(heights), **wide), x, y, yaw)
    full = one(build_ground(Layer(heights, roughness_m=rough), **wide), x, y, yaw)
    assert short.label[0] == full.label[0]
    assert short.reasons(0) == full.reasons(0)
    for name in (
        "z_m",
        "slope_rad",
        "slope_sd_rad",
        "support",
        "support_sd",
        "rocking_m",
        "rocking_sd_m",
        "edge_m",
        "edge_sd_m",
        "beside_m",
        "beside_sd_m",
        "observed",
        "observed_sd",
        "headroom_m",
        "roughness_m",
    ):
        assert getattr(short, name)[0] == pytest.approx(getattr(full, name)[0], abs=2e-6), name


# --------------------------------------------------------------------------- what is ground, what is not


def test_the_middle_of_a_well_observed_floor_is_steppable():
    got = one(build_ground(Layer(flat(0.3)), **SMALL))
    assert (Label(got.label[0]), got.reasons(0)) == (Label.STEPPABLE, ())
    assert got.z_m[0] == pytest.approx(0.3, abs=1e-6)
    assert [got.edge_m[0], got.beside_m[0], got.support[0], got.observed[0]] == pytest.approx([0.1, 0.1, 1.0, 1.0])
    assert got.rocking_m[0] == pytest.approx(0.065)
    assert got.headroom_m[0] == np.inf


def test_without_any_ground_the_label_is_unobserved():
    got = one(build_ground(Layer(box(0.3, 0.3, 0.5, 0.5, 0.0)), **SMALL), x=-0.3)
    assert (Label(got.label[0]), got.reasons(0)) == (Label.UNOBSERVED, ("no-ground", "unobserved"))
    assert np.isnan(got.z_m[0]) and np.isnan(got.edge_m[0]) and got.observed[0] == 0.0
    assert got.patch_id[0] == -1 and got.level[0] == -1


def test_far_outside_the_grid_is_unobserved():
    ground = build_ground(Layer(flat()), **SMALL)
    assert verdict(ground, 1e12, -1e300) == ("unobserved", ("no-ground", "unobserved"))


def test_ground_on_one_side_of_the_load_only_is_unsteppable_for_rocking():
    got = one(build_ground(Layer(box(0.02, -0.5, 0.5, 0.5, 0.0)), **SMALL))
    assert Label(got.label[0]) == Label.UNSTEPPABLE
    assert got.reasons(0)[0] == "rocking"
    assert np.isnan([got.slope_rad[0], got.edge_m[0], got.support[0], got.rocking_m[0], got.headroom_m[0]]).all()


def test_too_few_returns_make_it_unobserved_though_the_surface_is_flat():
    assert verdict(build_ground(Layer(flat(), seen=2), **SMALL)) == ("unobserved", ("unobserved",))
    half = Layer(flat(), seen=lambda x, y: np.where(y > 0.03, 2, 20))
    got = one(build_ground(half, **SMALL))
    assert got.observed[0] == pytest.approx(0.095 / 0.13, abs=1e-9)
    assert (Label(got.label[0]), got.reasons(0)) == (Label.MARGINAL, ("unobserved",))


def test_what_was_seen_past_its_limit_is_unsteppable_even_where_little_was_observed():
    sparse = lambda x, y: np.where(np.abs(y) < 0.02, 20, 2)  # noqa: E731
    assert verdict(build_ground(Layer(plane(0.0, 0.6), seen=sparse), **SMALL))[0] == "unsteppable"
    unsure = Layer(plane(0.0, 0.33), seen=sparse, gradient_sd=0.1)
    label, reasons = verdict(build_ground(unsure, **SMALL))
    assert (label, reasons[0]) == ("unobserved", "unobserved")


def test_levels_are_told_apart_by_height():
    ground = build_ground(Layer(flat(0.0)), Layer(plane(0.0, 0.0, 1.0), patch_id=1, level=1), **SMALL)
    got = judge_placements(ground, FOOT, [[0, 0, 0, 0.1], [0, 0, 0, np.nan], [0, 0, 0, 0.9], [0, 0, 0, 0.5]])
    assert got.level.tolist() == [0, 1, 1, -1]
    assert got.z_m[:3] == pytest.approx([0.0, 1.0, 1.0])
    assert Label(got.label[3]) == Label.UNOBSERVED
    assert got.headroom_m[0] == np.inf


def test_a_low_deck_overhead_counts_against_headroom():
    ground = build_ground(Layer(flat(0.0)), Layer(flat(0.35), patch_id=1, level=1), **SMALL)
    got = one(ground, level=0.0)
    assert got.headroom_m[0] == pytest.approx(0.35, abs=1e-6)
    assert Label(got.label[0]) == Label.UNSTEPPABLE
    assert set(got.reasons(0)) == {"headroom", "beside"}
    higher = one(build_ground(Layer(flat(0.0)), Layer(flat(0.41), patch_id=1, level=1), **SMALL), level=0.0)
    assert Label(higher.label[0]) == Label.STEPPABLE


def test_a_surface_no_foot_can_be_judged_on_is_an_obstacle_and_never_ground():
    lid = Layer(flat(0.2), walkable=False, patch_id=1, level=-1)
    got = one(build_ground(Layer(flat(0.0)), lid, **SMALL))
    assert got.z_m[0] == pytest.approx(0.0)
    assert got.headroom_m[0] == pytest.approx(0.2, abs=1e-6)
    assert verdict(build_ground(lid, **SMALL))[0] == "unobserved"


def test_a_bridged_joint_is_no_edge_and_carries_nothing():
    joint = lambda x, y: ~((x > 0.05) & (x < 0.07))  # noqa: E731
    got = one(build_ground(Layer(flat(), carries=joint), **SMALL))
    assert got.edge_m[0] == pytest.approx(0.1)
    assert got.support[0] == pytest.approx(1 - 0.02 / 0.26)
    assert (Label(got.label[0]), got.reasons(0)) == (Label.MARGINAL, ("support",))


def test_a_joint_that_stands_proud_does_not_lift_the_sole():
    strip = lambda x, y: np.where((x > 0.05) & (x < 0.06), 0.01, 0.0)  # noqa: E731
    kept = Layer(strip, carries=lambda x, y: ~((x > 0.05) & (x < 0.06)), gradient=lambda x, y: (0.0, 0.0))
    assert one(build_ground(kept, **SMALL)).slope_rad[0] == pytest.approx(0.0, abs=1e-6)


def test_a_load_point_over_a_hole_takes_the_level_of_the_nearest_ground():
    ground = build_ground(Layer(outside(flat(0.5), -0.01, -0.01, 0.01, 0.01)), Layer(flat(-2.0), patch_id=1), **SMALL)
    deep = one(ground)
    assert deep.z_m[0] == pytest.approx(-2.0)
    got = one(ground, level=0.5)
    assert got.z_m[0] == pytest.approx(0.5)
    assert got.edge_m[0] == pytest.approx(-0.065, abs=1e-6)
    assert "edge" in got.reasons(0)


# --------------------------------------------------------------------------- edges, risers, obstacles


def test_a_riser_in_front_of_the_toes_is_beside_and_no_edge():
    steps = {"risers": 1, "tread_m": 0.5, "riser_m": 0.15, "x0_m": 0.2}
    ground = build_ground(Layer(stairs(**steps), patch_id=tread_number(risers=1, tread_m=0.5, x0_m=0.2)), **SMALL)
    got = one(ground)
    assert got.beside_m[0] == pytest.approx(0.03, abs=1e-7)
    assert got.edge_m[0] == pytest.approx(0.1)
    above = one(ground, x=0.32)
    assert above.edge_m[0] == pytest.approx(0.03, abs=1e-7)
    assert above.beside_m[0] == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("low", "high", "away"), [(0.0, 0.5, 0.03), (0.39, 0.6, 0.03), (0.41, 0.6, 0.1), (0.0, 0.03, 0.1)]
)
def test_things_beside_count_between_the_drop_and_the_clearance(low, high, away):
    ground = build_ground(Layer(flat()), **SMALL, blocks=(block(0.20, -0.1, 0.25, 0.1, low, high),))
    assert one(ground).beside_m[0] == pytest.approx(away, abs=1e-7)


def test_things_in_the_cylinder_stop_the_shin_and_those_outside_do_not():
    near = build_ground(Layer(flat()), **SMALL, blocks=(block(-0.01, 0.08, 0.01, 0.12, 0.2, 0.5),))
    got = one(near)
    assert got.headroom_m[0] == pytest.approx(0.2, abs=1e-6)
    assert "headroom" in got.reasons(0)
    free = build_ground(Layer(flat()), **SMALL, blocks=(block(-0.01, 0.11, 0.01, 0.12, 0.2, 0.5),))
    assert one(free).headroom_m[0] == np.inf


def test_the_patchs_own_slope_is_no_obstacle_uphill():
    got = one(build_ground(Layer(plane(0.3, 0.0)), **SMALL))
    assert got.headroom_m[0] == np.inf and got.beside_m[0] == pytest.approx(0.1)
    assert got.slope_rad[0] == pytest.approx(np.arctan(0.3), abs=1e-5)


def test_a_kerb_whose_height_is_near_the_drop_is_marginal():
    lower = Layer(box(0.185, -0.6, 0.6, 0.6, -0.039), patch_id=1, height_sd_m=0.002)
    got = one(build_ground(Layer(box(-0.6, -0.6, 0.185, 0.6, 0.0)), lower, **SMALL))
    assert got.edge_m[0] == pytest.approx(0.1)
    assert (Label(got.label[0]), got.reasons(0)) == (Label.MARGINAL, ("edge",))


# --------------------------------------------------------------------------- labels and reasons


def test_estimates_between_the_limits_are_marginal_and_past_them_unsteppable():
    for degrees, label in ((9.0, "steppable"), (10.0, "marginal"), (17.9, "marginal"), (18.1, "unsteppable")):
        ground = build_ground(Layer(plane(np.tan(np.deg2rad(degrees)), 0.0)), **SMALL)
        assert verdict(ground)[0] == label, degrees


def test_a_wide_sd_turns_a_comfortable_estimate_marginal():
    slope = np.tan(np.deg2rad(9.0))
    assert verdict(build_ground(Layer(plane(slope, 0.0), gradient_sd=0.002), **SMALL)) == ("steppable", ())
    got = one(build_ground(Layer(plane(slope, 0.0), gradient_sd=0.02), **SMALL))
    assert (Label(got.label[0]), got.reasons(0)) == (Label.MARGINAL, ("slope",))
    assert got.slope_sd_rad[0] == pytest.approx(0.02 / (1 + slope**2), rel=1e-3)


def test_slope_sd_of_unrelated_cells_is_their_height_sd_through_the_contacts():
    """A sole on three lone posts: sd of the gradient along u is sqrt(sum w^2) sd, w = u . grad of the weights."""
    posts = {(-0.05, 0.0): 0.0, (0.1, 0.04): 0.0, (0.1, -0.04): 0.0}
    heights = np.full((120, 120), -0.02)
    for (x, y), z in posts.items():
        heights[round((y + 0.6) / 0.01), round((x + 0.6) / 0.01)] = z
    layer = Layer(cells(heights, x0_m=-0.6, y0_m=-0.6), patch_id=-1, height_sd_m=0.001)
    got = one(build_ground(layer, **SMALL))
    x = np.array([-0.045, 0.105, 0.105])
    y = np.array([0.005, 0.045, -0.035])
    weights = np.linalg.inv(np.array([x, y, np.ones(3)]))[:, :2]
    worst = np.sqrt((weights**2).sum(axis=0)).max() * 0.001
    assert got.slope_rad[0] == pytest.approx(0.0, abs=1e-6)
    assert got.slope_sd_rad[0] == pytest.approx(worst, rel=1e-3)


def test_reasons_come_worst_first_and_name_everything_that_is_not_comfortable():
    ground = build_ground(
        Layer(plane(np.tan(np.deg2rad(12.0)), 0.0)), **SMALL, blocks=(block(0.175, -0.1, 0.2, 0.1, 0.0, 0.5),)
    )
    got = one(ground, x=0.01)
    assert got.reasons(0)[0] in ("beside", "headroom")
    assert got.reasons(0)[-1] == "slope"
    assert Label(got.label[0]) == Label.UNSTEPPABLE


def test_rough_ground_is_told_by_its_departure_and_by_proven_roughness():
    wavy = lambda x, y: 0.01 * np.sin(2 * np.pi * x / 0.05)  # noqa: E731
    got = one(build_ground(Layer(wavy, gradient=lambda x, y: (0.0, 0.0)), **SMALL))
    assert got.roughness_m[0] == pytest.approx(0.01 / np.sqrt(2), rel=0.05)
    proven = one(build_ground(Layer(flat(), roughness_m=0.013), **SMALL))
    assert (Label(proven.label[0]), proven.reasons(0)) == (Label.UNSTEPPABLE, ("roughness",))


def test_limits_exactly_met_are_not_past():
    foot = biped(edge_m=Limit(0.03, 0.03), beside_m=Limit(0.0, 0.0))
    ground = build_ground(Layer(box(-0.6, -0.6, 0.2, 0.6, 0.0), edge_sd_m=0.0), **SMALL)
    assert one(ground, foot=foot).edge_m[0] == pytest.approx(0.03, abs=1e-9)
    assert verdict(ground, foot=foot) == ("steppable", ())
    assert verdict(ground, x=0.001, foot=foot)[0] == "unsteppable"


# --------------------------------------------------------------------------- arguments


def test_heights_are_absolute_whatever_the_grids_zero():
    ground = build_ground(Layer(flat(102.5)), z0_m=100.0, **SMALL)
    got = one(ground, level=102.4)
    assert got.z_m[0] == pytest.approx(102.5, abs=1e-6)
    assert got.plane[0] == pytest.approx([0.0, 0.0, 102.5], abs=1e-5)


def test_rows_of_three_take_the_topmost_level_and_rows_keep_their_order():
    ground = build_ground(Layer(flat(0.0)), Layer(box(-0.6, -0.6, 0.6, 0.6, 1.0), patch_id=1, level=1), **SMALL)
    got = judge_placements(ground, FOOT, [[0.1, 0, 0], [5.0, 0, 0], [0.0, 0, 1]])
    assert got.level.tolist() == [1, -1, 1]
    assert np.isnan(got.placement[:, 3]).all()


def test_no_placements_give_no_verdicts():
    assert len(judge_placements(build_ground(Layer(flat()), **SMALL), FOOT, np.empty((0, 4)))) == 0


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([[0.0, 0.0]], r"shape \(1, 2\)"),
        ([[0, 0, 0, 0], [0, np.nan, 0, 0]], "row 1"),
        ([[0, 0, np.inf, 0]], "row 0"),
        ([[0, 0, 0, np.inf]], "row 0"),
    ],
)
def test_placements_that_are_none_are_refused(rows, words):
    with pytest.raises(DataError, match=words):
        judge_placements(build_ground(Layer(flat()), **SMALL), FOOT, rows)


def test_the_number_of_threads_changes_nothing():
    import numba

    rng = np.random.default_rng(2)
    heights = rng.normal(0.0, 0.01, (120, 120))
    ground = build_ground(Layer(cells(heights, x0_m=-0.6, y0_m=-0.6), patch_id=-1), **SMALL)
    rows = np.column_stack([rng.uniform(-0.5, 0.5, (200, 2)), rng.uniform(-3, 3, 200)])
    before = numba.get_num_threads()
    try:
        numba.set_num_threads(1)
        single = judge_placements(ground, FOOT, rows)
    finally:
        numba.set_num_threads(before)
    many = judge_placements(ground, FOOT, rows)
    for name in single.__slots__:
        assert getattr(single, name).tobytes() == getattr(many, name).tobytes(), name


def test_placements_are_taken_along_mortons_curve():
    """Places on the curve written out: the digits of row and column, base 2, in turns (Morton, 1966)."""
    rng = np.random.default_rng(4)
    cell = np.concatenate([rng.integers(0, 2**24, (40, 2)), rng.integers(0, 8, (200, 2))])
    digits = [(f"{column:024b}", f"{row:024b}") for column, row in cell.tolist()]
    place = [int("".join(y + x for x, y in zip(*pair, strict=True)), 2) for pair in digits]
    order = along_z_curve((cell + 0.5) * NEAR_M)
    assert order.tolist() == sorted(range(len(place)), key=place.__getitem__)
    beyond = np.array([[1e12, 1e12], [0.0, 0.0], [-1e12, -5.0], [1e300, -1e300]])
    assert sorted(along_z_curve(beyond).tolist()) == [0, 1, 2, 3]


def test_a_sole_that_is_not_convex_is_measured_with_its_waist():
    waisted = np.array([[-0.1, -0.04], [0.0, -0.01], [0.1, -0.04], [0.1, 0.04], [0.0, 0.01], [-0.1, 0.04]])
    foot = biped(outline_m=waisted)
    ground = build_ground(Layer(outside(flat(), -0.01, 0.03, 0.01, 0.05)), **SMALL)
    got = one(ground, foot=foot)
    assert got.support[0] == pytest.approx(1.0)
    assert 0.0 < got.edge_m[0] < 0.02
    filled = biped(outline_m=rectangle(0.2, 0.08, 0.1))
    assert one(ground, foot=filled).edge_m[0] < 0.0
