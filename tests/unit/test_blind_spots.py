"""Unseen ground that matters: what it would join, and sights past what stands in the way, against built scenes."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from terrain.cli.main import cli
from terrain.data import FloatArray, Ground, Label
from terrain.errors import DataError
from terrain.maps.blind_search import SearchSettings
from terrain.maps.blind_spots import BlindSpots, eye_of, find_blind_spots
from terrain.maps.blind_words import format_table
from terrain.maps.sight import Eye, visible
from terrain.maps.store import TerrainMap
from tests.support.grounds import Block, Layer, biped, block, box, build_ground, flat, outside, within
from tests.support.rasters import level_of, map_of

X_M, Y_M = (0.0, 4.0), (0.0, 3.0)
BOX = (1.6, 1.2, 2.2, 1.8, 0.5)
"""x0, y0, x1, y1 and height of a box on a floor at 0."""


def boxed_floor() -> Ground:
    x0, y0, x1, y1, top = BOX
    floor = Layer(outside(flat(0.0), x0, y0, x1, y1))
    return build_ground(
        floor, Layer(box(x0, y0, x1, y1, top)), x_m=X_M, y_m=Y_M, blocks=(block(x0, y0, x1, y1, 0.0, top),)
    )


def through_box(eye: FloatArray, target: FloatArray, *, grown_m: float) -> np.ndarray:
    """Return which segments meet the box, grown on all sides: the slab method."""
    x0, y0, x1, y1, top = BOX
    low, high = np.array([x0, y0, 0.0]) - grown_m, np.array([x1, y1, top]) + grown_m
    with np.errstate(divide="ignore"):
        near, far = (low - eye) / (target - eye), (high - eye) / (target - eye)
    enter, leave = np.minimum(near, far).max(axis=1), np.maximum(near, far).min(axis=1)
    return (enter < leave) & (leave > 0.0) & (enter < 1.0)


# --------------------------------------------------------------------------- sights


def test_sights_end_where_a_box_stands() -> None:
    """Against segments cut by slabs; sights that pass within 3 cm of its faces may go either way."""
    rng = np.random.default_rng(5)
    ground, sensor = boxed_floor(), Eye(height_m=0.6, grazing_rad=math.radians(2.0), min_range_m=0.0)
    spots = np.column_stack([rng.uniform(0.1, 3.9, 400), rng.uniform(0.1, 2.9, 400), np.zeros(400)])
    x0, y0, x1, y1, _ = BOX
    off = (spots[:, 0] < x0 - 0.1) | (spots[:, 0] > x1 + 0.1) | (spots[:, 1] < y0 - 0.1) | (spots[:, 1] > y1 + 0.1)
    place, target = spots[off][:150], spots[off][150:]
    seen = visible(ground, sensor, place, target)
    eye = np.repeat(place + np.array([0.0, 0.0, 0.6]), len(target), axis=0)
    end = np.tile(target, (len(place), 1))
    surely, perhaps = (through_box(eye, end, grown_m=grown).reshape(seen.shape) for grown in (-0.03, 0.03))
    assert 0.05 < surely.mean() < 0.6
    assert not seen[surely].any()
    assert seen[~perhaps].all()


def test_a_deck_hides_what_is_under_it_from_above_and_not_from_the_side() -> None:
    deck = Layer(box(1.0, 1.0, 2.0, 2.0, 1.2), patch_id=1, level=1)
    ground = build_ground(Layer(flat(0.0)), deck, x_m=X_M, y_m=Y_M)
    target = np.array([[1.5, 1.5, 0.0]])
    place = np.array([[1.45, 1.4, 1.2], [1.5, 0.4, 0.0], [1.5, 1.5, 1.2]])
    assert visible(ground, Eye(), place, target)[:, 0].tolist() == [False, True, False]


def test_ranges_angles_and_grazing_count() -> None:
    ground = build_ground(Layer(flat(0.0)), x_m=X_M, y_m=Y_M)
    place = np.array([[0.5, 1.0, 0.0]])
    target = np.array([[0.6, 1.0, 0.0], [1.1, 1.0, 0.0], [3.9, 1.0, 0.0]])  # 80, 45 and 10 degrees down from 0.6 m

    def seen(**known: float) -> list[bool]:
        return visible(ground, Eye(**{"min_range_m": 0.0, "grazing_rad": 0.0, **known}), place, target)[0].tolist()

    assert seen() == [True, True, True]
    assert seen(min_range_m=0.7) == [False, True, True]
    assert seen(max_range_m=1.0) == [True, True, False]
    assert seen(grazing_rad=math.radians(12)) == [True, True, False]
    assert seen(steepest_rad=math.radians(60)) == [False, True, True]
    assert seen(shallowest_rad=math.radians(30)) == [True, True, False]


@pytest.mark.parametrize("known", [{"height_m": 0.0}, {"min_range_m": 5.0, "max_range_m": 2.0}, {"steepest_rad": -2.0}])
def test_a_sensor_that_cannot_be_is_refused(known: dict[str, float]) -> None:
    with pytest.raises(DataError, match="expected"):
        Eye(**known)


# --------------------------------------------------------------------------- what unseen ground would join


def two_floors(gap_m: float, rise_m: float = 0.0) -> tuple[object, ...]:
    """Return a height function of two floors with a gap from x = 2 on, the second one higher."""
    end = 2.0 + gap_m
    return (lambda x, y: np.where(x < 2.0, 0.0, np.where(x > end, rise_m, np.nan)), end)


def scene(folder: Path, height: object, *, blocks: tuple[Block, ...] = (), **changes: object) -> TerrainMap:
    ground = build_ground(Layer(height), x_m=X_M, y_m=Y_M, blocks=blocks)
    return map_of(folder, level_of(height, x_m=X_M, y_m=Y_M), ground=ground, **changes)


def found(folder: Path, height: object, *, blocks: tuple[Block, ...] = (), **known: object) -> BlindSpots:
    return find_blind_spots(scene(folder, height, blocks=blocks), **known)


def test_a_gap_joins_the_smaller_of_the_areas_beside_it(tmp_path: Path) -> None:
    height, end = two_floors(0.9)
    got = found(tmp_path, height)
    assert len(got.spots) == 1
    spot = got.spots[0]
    assert spot.gain_m2 == pytest.approx((4.0 - end) * 3.0, abs=0.1)
    assert spot.joins_m2[0] == pytest.approx(2.0 * 3.0, abs=0.1)
    assert spot.area_m2 == pytest.approx(0.9 * 3.0, rel=0.1)
    assert spot.centre_m == pytest.approx([2.45, 1.5], abs=0.05)
    assert spot.outline.area == pytest.approx(spot.area_m2, rel=1e-6)


def test_a_gap_that_a_step_leads_over_joins_nothing_new(tmp_path: Path) -> None:
    got = found(tmp_path, two_floors(0.4)[0])  # a foot reaches 0.55 m
    assert got.areas_m2 == pytest.approx([2.0 * 3.0 + 1.6 * 3.0], abs=0.1)
    assert [spot.gain_m2 for spot in got.spots] == [0.0]


def test_areas_that_lie_too_far_apart_in_height_are_not_joined(tmp_path: Path) -> None:
    low, high = found(tmp_path / "1", two_floors(0.9, 0.4)[0]), found(tmp_path / "2", two_floors(0.9, 1.5)[0])
    assert low.spots[0].gain_m2 > 1.0  # two steps of 0.2 m and unseen ground to take them on
    assert high.spots[0].gain_m2 == 0.0


def test_a_gap_too_narrow_for_a_sole_joins_nothing(tmp_path: Path) -> None:
    """Too high for one step, and no room for a foot between: seeing it would not help."""
    got = found(tmp_path, two_floors(0.10, 0.35)[0])
    assert len(got.areas_m2) == 2
    assert all(spot.gain_m2 == 0.0 for spot in got.spots)


def test_a_wall_between_areas_keeps_them_apart(tmp_path: Path) -> None:
    height = two_floors(0.4)[0]
    got = found(tmp_path, height, blocks=(block(2.1, 0.0, 2.3, 3.0, 0.0, 1.0),))
    assert len(got.areas_m2) == 2
    assert all(spot.gain_m2 == 0.0 for spot in got.spots)  # what is known to stand there is no unseen ground


def test_a_map_without_steppable_ground_has_nothing_to_join_and_no_place_to_look_from(tmp_path: Path) -> None:
    hole = outside(flat(0.0), 1.0, 1.0, 1.6, 1.6)
    raster = level_of(hole, x_m=X_M, y_m=Y_M, label=Label.UNSTEPPABLE)
    terrain_map = map_of(tmp_path, raster, ground=build_ground(Layer(hole), x_m=X_M, y_m=Y_M))
    assert find_blind_spots(terrain_map).spots == ()
    walked = find_blind_spots(terrain_map, route_m=((0.5, 1.3), (3.5, 1.3)))
    assert walked.spots[0].route_m == pytest.approx(0.6, abs=0.05)
    assert walked.spots[0].viewpoints == ()
    assert "No ground is steppable" in format_table(terrain_map, walked)


def test_where_the_floor_was_seen_between_two_decks_there_is_no_blind_spot(tmp_path: Path) -> None:
    """Beams that met the floor passed where a deck would be; under a roof that hides a gap between decks none did."""

    def decks(x: FloatArray, y: FloatArray) -> FloatArray:
        return np.where((y > 0.5) & (y < 2.5) & (((x > 0.5) & (x < 1.6)) | ((x > 2.0) & (x < 3.4))), 1.5, np.nan)

    ground = build_ground(Layer(flat(0.0)), Layer(decks, patch_id=1, level=1), x_m=X_M, y_m=Y_M)
    floor, upper = level_of(flat(0.0)), level_of(decks, level=1, patch_id=1)
    assert find_blind_spots(map_of(tmp_path / "1", floor, upper, ground=ground)).spots == ()
    roofed = level_of(flat(0.0), headroom=lambda x, y: np.where((x > 1.6) & (x < 2.0), 1.4, np.inf))
    assert [spot.level for spot in find_blind_spots(map_of(tmp_path / "2", roofed, upper, ground=ground)).spots] == [1]


def test_open_country_around_a_site_is_no_blind_spot(tmp_path: Path) -> None:
    height = within(flat(0.0), 0.5, 0.5, 3.5, 2.5)
    assert found(tmp_path, height).spots == ()


def test_small_holes_are_left_out_and_counted_no_more(tmp_path: Path) -> None:
    height = outside(flat(0.0), 2.0, 1.0, 2.08, 1.08)
    assert found(tmp_path / "1", height).spots == ()
    assert len(found(tmp_path / "2", height, settings=SearchSettings(least_area_m2=0.005)).spots) == 1


def test_the_most_worthwhile_come_first_and_the_rest_are_counted(tmp_path: Path) -> None:
    def holes(x: FloatArray, y: FloatArray) -> FloatArray:
        small = (np.abs(x - 1.0) < 0.1) & (np.abs(y - 1.0) < 0.1)
        large = (np.abs(x - 1.0) < 0.2) & (np.abs(y - 2.0) < 0.2)
        return np.where(small | large | ((x > 2.5) & (x < 3.3)), np.nan, 0.0)

    got = found(tmp_path / "1", holes)
    assert [round(spot.centre_m[0], 1) for spot in got.spots] == [2.9, 1.0, 1.0]
    assert got.spots[1].area_m2 > got.spots[2].area_m2
    few = found(tmp_path / "2", holes, settings=SearchSettings(most=1))
    assert (len(few.spots), few.left_out) == (1, 2)
    assert few.left_out_m2 == pytest.approx(0.04 + 0.16, abs=0.02)


def test_ground_on_a_route_counts_first_with_its_length(tmp_path: Path) -> None:
    def hole(x: FloatArray, y: FloatArray) -> FloatArray:
        return np.where((x > 1.0) & (x < 1.5) & (y > 1.0) & (y < 1.5), np.nan, np.where(x > 3.0, np.nan, 0.0))

    plain = found(tmp_path / "1", hole)
    assert [spot.centre_m for spot in plain.spots] == [pytest.approx([1.25, 1.25], abs=0.03)]
    walked = found(tmp_path / "2", hole, route_m=((0.5, 2.5), (3.8, 2.5), (3.8, 0.5)))
    assert walked.spots[0].route_m == pytest.approx(0.8 + 2.0, abs=0.06)
    assert walked.spots[1].route_m == 0.0
    off = found(tmp_path / "3", hole, route_m=((0.5, 2.5), (6.0, 2.5)))  # leaves the raster
    assert off.spots[0].route_m == pytest.approx(3.0, abs=0.06)


def test_a_route_over_a_deck_does_not_want_what_is_under_it(tmp_path: Path) -> None:
    deck = within(flat(1.2), 0.5, 1.0, 3.5, 2.0)
    floor = within(flat(0.0), 0.0, 0.0, 4.0, 0.8)
    ground = build_ground(Layer(floor), Layer(deck, patch_id=1, level=1), x_m=X_M, y_m=Y_M)
    terrain_map = map_of(tmp_path, level_of(floor), level_of(deck, level=1, patch_id=1), ground=ground)
    got = find_blind_spots(terrain_map, route_m=((0.8, 1.5), (3.2, 1.5)))
    assert [spot.route_m for spot in got.spots if spot.route_m > 0] == []
    off = find_blind_spots(terrain_map, route_m=((0.8, 1.5), (0.8, 2.8)))  # over the deck's end into the unseen
    assert off.spots[0].route_m == pytest.approx(0.8, abs=0.05)


@pytest.mark.parametrize(
    "route",
    [
        ((1.0, 1.0),),
        ((0.0, 0.0), (math.nan, 1.0)),
        *(((0.0, 0.0), (far, far)) for far in (9e5, 1e9, 1e17, 1e308)),
    ],
)
def test_routes_that_are_none_are_refused(tmp_path: Path, route: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(DataError, match="route"):
        found(tmp_path, flat(0.0), route_m=route)


# --------------------------------------------------------------------------- viewpoints


def test_viewpoints_stand_on_steppable_ground_and_see_what_they_say(tmp_path: Path) -> None:
    """A wall hides the hole from three sides: it must be looked at from the open one, x beyond 2.6."""
    hole = outside(flat(0.0), 2.0, 1.2, 2.6, 1.8)
    walls = tuple(
        block(*sides, 0.0, 1.5) for sides in ((1.86, 1.0, 1.92, 2.0), (1.86, 1.0, 2.7, 1.06), (1.86, 1.94, 2.7, 2.0))
    )
    terrain_map = scene(tmp_path, hole, blocks=walls)
    got = find_blind_spots(terrain_map)
    spot = got.spots[0]
    assert spot.viewpoints and spot.seen_share > 0.9
    for view in spot.viewpoints:
        assert view.x_m > 2.6
        assert view.sensor_z_m == pytest.approx(view.z_m + 0.6)
        assert math.isfinite(float(hole(np.array([view.x_m]), np.array([view.y_m]))[0]))
    assert got.stops[0].sees[spot.number] == pytest.approx(spot.viewpoints[0].sees)


def test_what_no_place_sees_is_said(tmp_path: Path) -> None:
    hole = outside(flat(0.0), 2.0, 1.2, 2.6, 1.8)
    sides = ((1.9, 1.1, 2.0, 1.9), (2.6, 1.1, 2.7, 1.9), (1.9, 1.1, 2.7, 1.2), (1.9, 1.8, 2.7, 1.9))
    walls = tuple(block(*side, 0.0, 3.0) for side in sides)
    got = found(tmp_path, hole, blocks=walls, route_m=((0.5, 1.5), (3.5, 1.5)))
    assert got.spots[0].route_m == pytest.approx(0.6, abs=0.05)
    assert got.spots[0].viewpoints == ()
    assert got.spots[0].seen_share == 0.0
    assert got.stops == ()


def test_a_narrow_gap_must_be_looked_into_steeply(tmp_path: Path) -> None:
    """Unseen ground may lie as deep as the gap is wide: 45 degrees and more for a slot across the line of sight."""
    got = found(tmp_path, outside(flat(0.0), 2.0, 0.0, 2.2, 3.0), settings=SearchSettings(gap_m=0.5))
    for view in got.spots[0].viewpoints:
        assert abs(view.x_m - 2.1) < 1.0


def test_one_stop_shows_two_holes_that_are_side_by_side(tmp_path: Path) -> None:
    def holes(x: FloatArray, y: FloatArray) -> FloatArray:
        near = (np.abs(y - 1.5) < 0.15) & ((np.abs(x - 1.7) < 0.15) | (np.abs(x - 2.3) < 0.15))
        return np.where(near, np.nan, 0.0)

    got = found(tmp_path, holes)
    assert len(got.spots) == 2
    assert len(got.stops) == 1
    assert set(got.stops[0].sees) == {1, 2}


def test_ranges_come_from_the_survey(tmp_path: Path) -> None:
    sensor = {"sensor": {"min_range_m": 0.5, "max_range_m": 12.0}}
    assert eye_of(scene(tmp_path / "1", flat(0.0), settings=sensor)).max_range_m == 12.0
    assert eye_of(scene(tmp_path / "2", flat(0.0), settings={"sensor": {"max_range_m": math.inf}})).max_range_m == 10.0
    assert eye_of(scene(tmp_path / "3", flat(0.0), settings={}), height_m=1.2).height_m == 1.2


def test_a_map_of_another_foot_steps_otherwise(tmp_path: Path) -> None:
    far = find_blind_spots(scene(tmp_path, two_floors(0.9)[0], foot=biped(max_reach_m=1.2)))
    assert len(far.areas_m2) == 1


# --------------------------------------------------------------------------- command


@pytest.fixture(scope="module")
def map_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return scene(tmp_path_factory.mktemp("unseen") / "yard", two_floors(0.9)[0]).path


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli, ["unseen", *map(str, arguments)])


def test_table_json_and_picture(map_folder: Path, tmp_path: Path) -> None:
    done = run(map_folder, "--picture", tmp_path / "unseen.png", "--route", "0.5,1 3.5,1")
    assert done.exit_code == 0, done.output
    assert "1 blind spot worth a look" in done.stdout
    with Image.open(tmp_path / "unseen.png") as image:
        assert ((np.asarray(image.convert("RGB")) == (0xAA, 0x33, 0x77)).all(axis=2)).sum() > 5000
    parsed = json.loads(run(map_folder, "--json").stdout)
    assert parsed["spots"][0]["gain_m2"] == pytest.approx(3.3, abs=0.1)
    assert parsed["spots"][0]["outline_wkt"].startswith("POLYGON")
    again = run(map_folder, "--picture", tmp_path / "again.png", "--route", "0.5,1 3.5,1")
    assert again.stdout == done.stdout
    assert (tmp_path / "again.png").read_bytes() == (tmp_path / "unseen.png").read_bytes()


def test_columns_stay_apart_at_large_coordinates(tmp_path: Path) -> None:
    """Eastings and northings have six and seven figures; the numbers of two columns must not run into one."""
    terrain_map = scene(tmp_path, outside(flat(0.0), 2.0, 1.2, 2.6, 1.8))
    got = find_blind_spots(terrain_map)
    spots = tuple(
        dataclasses.replace(spot, centre_m=(spot.centre_m[0] + 500_123.0, spot.centre_m[1] + 5_800_456.0))
        for spot in got.spots
    )
    head, *rows = format_table(terrain_map, dataclasses.replace(got, spots=spots)).splitlines()[3 : 4 + len(spots)]
    assert len(rows) == len(spots) > 0
    for row, spot in zip(rows, spots, strict=True):
        x, y, z = row[head.index("at x, y, z") : head.index("look from")].split(", ")
        assert (float(x), float(y)) == pytest.approx(spot.centre_m, abs=0.01)
        assert float(z) == pytest.approx(spot.z_m, abs=0.01) and z.endswith("  ")


@pytest.mark.parametrize(
    "wrong",
    [["--route", "1,2"], ["--route", "a,b c,d"], ["--route", "1,2 3,inf"], ["--field-of-view-deg", "60,10"],
     ["--sensor-height-m", "0"], ["--picture", "plan.jpg"]],
)  # fmt: skip
def test_wrong_usage_is_exit_2_and_says_what_was_expected(map_folder: Path, wrong: list[str]) -> None:
    done = run(map_folder, *wrong)
    assert done.exit_code == 2, done.output
    assert wrong[0] in done.stderr


def test_a_folder_that_is_no_map_is_one_line(tmp_path: Path) -> None:
    done = run(tmp_path)
    assert done.exit_code == 1
    assert len(done.stderr.splitlines()) == 1
