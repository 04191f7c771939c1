"""Verdicts on patches: the rule in the docstring, case by case."""

import numpy as np
import pytest
import shapely

from terrain.data import REASONS, Label
from terrain.score.dense import judge_everywhere
from terrain.score.patches import inscribed_circles, score_patches
from tests.support.grounds import Layer, biped, block, box, build_ground, flat, plane
from tests.support.patch_tables import level_rectangle, patch_table

FOOT = biped()
SMALL = {"x_m": (-0.5, 0.5), "y_m": (-0.4, 0.4)}
FLOOR = level_rectangle(-0.5, -0.4, 0.5, 0.4, 0.0)


def score(ground, patches, foot=FOOT):
    return score_patches(patches, ground, foot, judge_everywhere(ground, foot, yaws=8))


def words(verdicts, row=0):
    return Label(verdicts.label[row]).word, [REASONS[k] for k in verdicts.reason[row] if k >= 0]


def test_a_wide_level_floor_is_steppable_with_its_placements_and_inset():
    got = score(build_ground(Layer(flat()), **SMALL), patch_table(FLOOR))
    assert words(got) == ("steppable", [])
    assert got.level[0] == 0
    assert got.inset_m[0] == pytest.approx(0.4, abs=0.002)
    assert 0.5 < got.placements[0] < 1.0


def test_placements_is_the_share_of_cells_with_a_steppable_yaw():
    """A round sole of 30 mm needs the edge at 20 mm and z sd: cells within about 50 + 5 mm of the rim drop out."""
    ground = build_ground(Layer(flat(), edge_sd_m=0.003), **SMALL)
    angle = 2 * np.pi * np.arange(24) / 24
    foot = biped(outline_m=0.03 * np.column_stack([np.cos(angle), np.sin(angle)]), rocking_m=FOOT.beside_m)
    got = score(ground, patch_table(FLOOR), foot)
    rim = 0.03 + 0.02 + 1.645 * 0.003
    columns, rows = (2 * np.floor((half - rim) / 0.02 + 0.5) for half in (0.5, 0.4))
    assert got.placements[0] == pytest.approx(columns * rows / (50 * 40), rel=0.05)


def test_a_patch_too_small_for_the_sole_is_unsteppable_and_says_why():
    top = box(0.0, 0.0, 0.08, 0.08, 0.1)
    ground = build_ground(Layer(flat()), Layer(top, patch_id=1), merge=True, **SMALL)
    got = score(ground, patch_table(FLOOR, level_rectangle(0.0, 0.0, 0.08, 0.08, 0.1)))
    label, reasons = words(got, 1)
    assert label == "unsteppable"
    assert "edge" in reasons[:2]
    assert got.placements[1] == 0.0
    assert got.inset_m[1] == pytest.approx(0.04, abs=0.001)


def test_slope_decides_with_its_sd():
    for degrees, sd, label, reasons in (
        (8.0, 0.001, "steppable", []),
        (12.0, 0.001, "marginal", ["slope"]),
        (20.0, 0.001, "unsteppable", ["slope"]),
        (9.5, 0.02, "marginal", ["slope"]),
    ):
        tilt = np.deg2rad(degrees)
        ground = build_ground(Layer(plane(np.tan(tilt), 0.0), gradient_sd=sd), **SMALL)
        corners = [(x, y, np.tan(tilt) * x) for x, y in ((-0.5, -0.4), (0.5, -0.4), (0.5, 0.4), (-0.5, 0.4))]
        table = patch_table(shapely.Polygon(corners), normals=[[-np.sin(tilt), 0.0, np.cos(tilt)]], slope_sd_rad=sd)
        assert words(score(ground, table)) == (label, reasons), degrees


def test_a_wall_is_no_ground_for_its_slope():
    wall = shapely.Polygon([(0, 0, 0), (1, 0, 0), (1, 0, 1), (0, 0, 1)])
    got = score(build_ground(Layer(flat()), **SMALL), patch_table(FLOOR, wall, normals=[[0, 0, 1], [0, -1, 0]]))
    assert words(got, 1) == ("unsteppable", ["slope"])
    assert got.level[1] == -1
    assert got.inset_m[1] == pytest.approx(0.5, abs=0.002)


def test_an_upward_patch_that_holds_no_ground_says_so():
    got = score(build_ground(Layer(flat()), **SMALL), patch_table(FLOOR, level_rectangle(2, 2, 3, 3, 0)))
    assert words(got, 1) == ("unsteppable", ["no-ground"])


def test_a_patch_seen_too_thinly_everywhere_is_unobserved():
    got = score(build_ground(Layer(flat(), seen=1), **SMALL), patch_table(FLOOR))
    assert words(got) == ("unobserved", ["unobserved"])


def test_things_overhead_everywhere_are_the_reason():
    ground = build_ground(Layer(flat()), **SMALL, blocks=(block(-0.5, -0.4, 0.5, 0.4, 0.2, 0.3),))
    label, reasons = words(score(ground, patch_table(FLOOR)))
    assert label == "unsteppable" and {"headroom", "beside"} <= set(reasons)


def test_roughness_past_its_limit_outweighs_a_marginal_slope():
    table = patch_table(FLOOR, roughness_m=0.013, residual_m=0.015, noise_m=0.008, slope_sd_rad=0.2)
    got = score(build_ground(Layer(flat(), roughness_m=0.013), **SMALL), table)
    assert words(got) == ("unsteppable", ["roughness", "slope"])


def test_only_marginal_cells_make_a_marginal_patch_with_the_soles_reason():
    ground = build_ground(Layer(flat(), carries=lambda x, y: np.mod(x, 0.1) > 0.01), **SMALL)
    label, reasons = words(score(ground, patch_table(FLOOR)))
    assert (label, reasons) == ("marginal", ["support"])


def test_the_inscribed_circle_of_a_tilted_frame_lies_in_its_plane():
    """A 0.6 x 0.4 m rectangle on a 45 degree plane with a 0.2 m hole at one end: r = 0.2 at the other, clear of it."""
    tilt = np.deg2rad(45.0)
    up = lambda xy: [(x * np.cos(tilt), y, x * np.sin(tilt)) for x, y in xy]  # noqa: E731
    frame = shapely.Polygon(
        up([(0, 0), (0.6, 0), (0.6, 0.4), (0, 0.4)]), [up([(0.42, 0.1), (0.58, 0.1), (0.58, 0.3), (0.42, 0.3)])]
    )
    table = patch_table(frame, normals=[[-np.sin(tilt), 0.0, np.cos(tilt)]])
    centre, radius = inscribed_circles(table)
    assert radius[0] == pytest.approx(0.2, abs=0.002)
    assert centre[0, 1] == pytest.approx(0.2, abs=0.002)
    assert centre[0, 2] == pytest.approx(centre[0, 0], abs=1e-9)
    assert np.hypot(centre[0, 0], centre[0, 2]) == pytest.approx(0.21, abs=0.015)


def test_no_patches_give_no_verdicts():
    got = score(build_ground(Layer(flat(), patch_id=-1), **SMALL), patch_table())
    assert len(got.label) == len(got.inset_m) == len(got.placements) == 0
