"""What changed between two passes: thresholds against published formulas, areas against the changes that were built.

Level of detection: Lane, Westaway, Hicks, Earth Surf. Process. Landforms 28 (2003) 249-271, LoD = t sqrt(s1^2 + s2^2);
Lague, Brodu, Leroux, ISPRS J. 82 (2013) 10-26, LoD95 = 1.96 (sqrt(s1^2/n1 + s2^2/n2) + reg). Both from memory.
"""

from __future__ import annotations

import csv
import json
import math
import re
import sqlite3
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from terrain.cli.main import cli
from terrain.compare.changes import Change, detection_factor, level_of_detection
from terrain.compare.compare import CompareSettings, Comparison, compare_maps
from terrain.compare.output import describe, format_table, write_comparison
from terrain.data import FloatArray, Label
from terrain.errors import DataError, FrameError
from tests.support.rasters import level_of, map_of

Height = Callable[[FloatArray, FloatArray], FloatArray]
SIDE_M, TOP_M = 0.30, 0.20


def floor(x: FloatArray, y: FloatArray) -> FloatArray:
    return 0.02 * x + 0.0 * y


def with_block(
    x0_m: float, y0_m: float, *, top_m: float = TOP_M, side_m: float = SIDE_M, base: Height = floor
) -> Height:
    def height(x: FloatArray, y: FloatArray) -> FloatArray:
        inside = (x >= x0_m) & (x < x0_m + side_m) & (y >= y0_m) & (y < y0_m + side_m)
        return base(x, y) + np.where(inside, top_m, 0.0)

    return height


def compared(tmp_path: Path, before: object, after: object, **settings: float) -> Comparison:
    sides = []
    for name, side in (("before", before), ("after", after)):
        rasters = side if isinstance(side, tuple) else (side,)
        sides.append(map_of(tmp_path / name, *rasters))
    return compare_maps(sides[0], sides[1], settings=CompareSettings(**settings))


# --------------------------------------------------------------------------- the threshold


def test_level_of_detection_is_the_published_formula() -> None:
    # sqrt(3^2 + 4^2) = 5 mm, 2 mm of registration: 1.96 (5 + 2) = 13.72 mm
    assert float(level_of_detection(0.003, 0.004, 0.002)) == pytest.approx(0.01372, abs=1e-12)


def test_one_difference_in_twenty_is_over_the_level_of_detection_where_nothing_changed() -> None:
    rng = np.random.default_rng(3)
    n, sd = 200_000, (0.003, 0.005)
    difference = rng.normal(0.0, sd[1], n) - rng.normal(0.0, sd[0], n)
    share = np.mean(np.abs(difference) > level_of_detection(*sd, 0.0))
    assert share == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / n))


@pytest.mark.parametrize(("comparisons", "expected"), [(1, 1.960), (5, 2.576), (10, 2.807), (50, 3.291)])
def test_factor_grows_with_the_number_of_comparisons(comparisons: int, expected: float) -> None:
    """Normal quantiles at 0.05 / (2 m), as in any table: 0.975, 0.995, 0.9975, 0.9995."""
    assert detection_factor(comparisons, 0.05) == pytest.approx(expected, abs=6e-4)


def test_nothing_is_reported_where_nothing_changed(tmp_path: Path) -> None:
    """Independent noise of the stated size on a floor of loose cells: 12 pairs of passes."""
    false = 0
    for seed in range(12):
        passes = [
            level_of(floor, noise_m=0.004, sd_m=0.004, seed=2 * seed + k, patch_id=-1, x_m=(0, 2), y_m=(0, 2))
            for k in (0, 1)
        ]
        false += len(compared(tmp_path, *passes, least_height_m=0.0, least_area_m2=0.0004, edge_m=0.0).changed) > 0
    assert false <= 3  # more happen in 1 of 450 tries if each has a chance of 0.05 (binomial)


# --------------------------------------------------------------------------- what was built is found


def test_a_moved_block_is_one_area_lowered_and_one_raised(tmp_path: Path) -> None:
    got = compared(
        tmp_path,
        level_of(with_block(0.611, 1.007), noise_m=0.001, seed=1),
        level_of(with_block(1.811, 2.007), noise_m=0.001, seed=2),
    )
    assert [area.change for area in got.areas] == [Change.RAISED, Change.LOWERED] or [
        area.change for area in got.areas
    ] == [Change.LOWERED, Change.RAISED]
    for area in got.areas:
        sign, corner = (1, (1.811, 2.007)) if area.change == Change.RAISED else (-1, (0.611, 1.007))
        assert abs(area.area_m2 - SIDE_M**2) <= area.area_u_m2
        assert abs(area.height_change_m - sign * TOP_M) <= area.height_change_u_m
        assert area.centre_m == pytest.approx([corner[0] + SIDE_M / 2, corner[1] + SIDE_M / 2], abs=0.01)
        assert area.outline.area == pytest.approx(area.area_m2, rel=1e-6)
    assert got.registration.measured_m is not None and got.registration.measured_m < 0.001


def test_exchanged_maps_give_exchanged_changes(tmp_path: Path) -> None:
    one, two = level_of(with_block(0.6, 1.0)), level_of(with_block(1.0, 1.0, top_m=0.1))
    there, back = compared(tmp_path / "1", one, two), compared(tmp_path / "2", two, one)
    swap = {Change.RAISED: Change.LOWERED, Change.LOWERED: Change.RAISED}
    forth = sorted((swap[a.change], round(a.area_m2, 6), round(-a.height_change_m, 6)) for a in there.areas)
    assert forth == sorted((a.change, round(a.area_m2, 6), round(a.height_change_m, 6)) for a in back.areas)
    assert len(forth) >= 2


def test_a_border_that_came_out_a_centimetre_elsewhere_is_no_change(tmp_path: Path) -> None:
    got = compared(tmp_path, level_of(with_block(0.60, 1.0)), level_of(with_block(0.62, 0.98)))
    assert got.areas == ()


@pytest.mark.parametrize(("rise_m", "found"), [(0.004, 0), (0.015, 1)])
def test_changes_under_a_centimetre_are_left_out_however_sure(tmp_path: Path, rise_m: float, found: int) -> None:
    got = compared(tmp_path, level_of(floor, sd_m=1e-4), level_of(with_block(0.6, 1.0, top_m=rise_m), sd_m=1e-4))
    assert len(got.changed) == found


def test_uncertain_heights_hide_a_change_that_sure_ones_show(tmp_path: Path) -> None:
    sure = compared(tmp_path / "1", level_of(floor), level_of(with_block(0.6, 1.0, top_m=0.03)))
    unsure = compared(tmp_path / "2", level_of(floor, sd_m=0.02), level_of(with_block(0.6, 1.0, top_m=0.03), sd_m=0.02))
    assert (len(sure.changed), len(unsure.changed)) == (1, 0)


def test_small_areas_are_left_out(tmp_path: Path) -> None:
    after = level_of(with_block(0.6, 1.0, side_m=0.08))
    assert compared(tmp_path / "1", level_of(floor), after).areas == ()
    assert len(compared(tmp_path / "2", level_of(floor), after, least_area_m2=0.005).areas) == 1


def test_ground_that_one_pass_did_not_see_is_listed_apart(tmp_path: Path) -> None:
    def holed(x: FloatArray, y: FloatArray) -> FloatArray:
        return np.where((x > 1.0) & (x < 1.5) & (y > 1.0) & (y < 1.4), np.nan, floor(x, y))

    got = compared(tmp_path, level_of(holed), level_of(floor))
    assert [area.change for area in got.areas] == [Change.ONLY_AFTER]
    assert got.changed == ()
    assert got.areas[0].area_m2 == pytest.approx(0.2, abs=0.02)
    assert got.areas[0].label_before == Label.UNOBSERVED


def test_lost_ground_is_counted_by_label(tmp_path: Path) -> None:
    def beside(x: FloatArray, y: FloatArray) -> FloatArray:
        near = (x > 0.5) & (x < 1.0) & (y > 1.0) & (y < 1.4)
        return np.where(near, float(Label.UNSTEPPABLE), float(Label.STEPPABLE))

    got = compared(tmp_path, level_of(floor), level_of(with_block(0.6, 1.0), label=beside))
    assert got.moved_m2[Label.STEPPABLE][Label.UNSTEPPABLE] == pytest.approx(0.2, abs=0.02)
    assert got.areas[0].lost_m2 == pytest.approx(0.09, abs=0.02)
    assert (got.areas[0].label_before, got.areas[0].label_after) == (Label.STEPPABLE, Label.UNSTEPPABLE)
    said = re.search(
        r"([\d.]+) m2 are no longer steppable .*; ([\d.]+) and [\d.]+ m2 of that in areas listed", words(got)
    )
    assert [float(part) for part in said.groups()] == pytest.approx([0.2, 0.09], abs=0.02)


def words(got: Comparison) -> str:
    return " ".join(format_table(got).split())


# --------------------------------------------------------------------------- levels and headroom


def deck(x: FloatArray, y: FloatArray) -> FloatArray:
    return np.where((x > 1.0) & (x < 2.0) & (y > 1.0) & (y < 2.0), 1.2, np.nan)


def under_deck(x: FloatArray, y: FloatArray) -> FloatArray:
    return np.where(np.isfinite(deck(x, y)), 1.1, np.inf)


def test_a_deck_that_was_taken_away_is_gone_and_one_that_came_is_new(tmp_path: Path) -> None:
    decked = level_of(floor, headroom=under_deck), level_of(deck, level=1, patch_id=1)
    bare = level_of(floor)
    gone = compared(tmp_path / "1", decked, bare)
    new = compared(tmp_path / "2", bare, decked)
    assert [(a.change, a.level) for a in gone.areas] == [(Change.REMOVED, 1)]
    assert [(a.change, a.level) for a in new.areas] == [(Change.APPEARED, 1)]
    assert gone.areas[0].area_m2 == pytest.approx(1.0, abs=0.05)
    for one in (gone, new):  # a pass that never looked up there would give the same: no rate holds, and it is said
        assert "no false-alarm rate is claimed" in words(one)
    assert "no false-alarm rate" not in format_table(compared(tmp_path / "3", bare, bare))


def test_a_deck_seen_from_below_only_is_not_gone(tmp_path: Path) -> None:
    decked = level_of(floor, headroom=under_deck), level_of(deck, level=1, patch_id=1)
    got = compared(tmp_path, decked, level_of(floor, headroom=under_deck))
    assert [a.change for a in got.areas] == [Change.ONLY_BEFORE]


def test_floor_seen_under_a_deck_that_the_other_pass_saw_from_above_is_not_lower_ground(tmp_path: Path) -> None:
    def over(x: FloatArray, y: FloatArray) -> FloatArray:
        return np.where(np.isfinite(deck(x, y)), 1.2, floor(x, y))

    got = compared(tmp_path, level_of(over), level_of(floor, headroom=under_deck))
    assert got.changed == ()
    assert [a.change for a in got.areas] == [Change.ONLY_BEFORE]


def test_a_thing_that_hangs_lower_than_the_leg_needs_is_reported(tmp_path: Path) -> None:
    def hung(x: FloatArray, y: FloatArray) -> FloatArray:
        return np.where((x > 1.0) & (x < 1.4) & (y > 1.0) & (y < 1.4), 0.30, np.inf)

    got = compared(tmp_path / "1", level_of(floor), level_of(floor, headroom=hung))
    assert [a.change for a in got.areas] == [Change.LESS_HEADROOM]
    assert got.changed == ()  # for a look: air that no beam crossed counts as free in either map
    back = compared(tmp_path / "2", level_of(floor, headroom=hung), level_of(floor))
    assert [a.change for a in back.areas] == [Change.MORE_HEADROOM]
    high = compared(
        tmp_path / "3", level_of(floor), level_of(floor, headroom=lambda x, y: np.where(x > 1, 0.9, np.inf))
    )
    assert high.areas == ()


# --------------------------------------------------------------------------- frames


def test_maps_shifted_in_plan_are_refused_and_the_shift_is_named(tmp_path: Path) -> None:
    def yard(shift_m: float) -> Height:
        return with_block(0.6 + shift_m, 0.5, side_m=0.9, base=with_block(2.4 + shift_m, 1.5, side_m=0.8))

    with pytest.raises(FrameError, match=r"does not line up.*moved by x \-0\.3, y \+0\.0 m"):
        compared(tmp_path, level_of(yard(0.0)), level_of(yard(0.3)))


def test_maps_at_different_heights_are_refused(tmp_path: Path) -> None:
    with pytest.raises(FrameError, match=r"\+0\.200 m higher"):
        compared(tmp_path, level_of(floor), level_of(lambda x, y: floor(x, y) + 0.2))


def test_maps_of_different_places_are_refused(tmp_path: Path) -> None:
    with pytest.raises(FrameError, match="no place in common"):
        compared(tmp_path, level_of(floor), level_of(floor, x_m=(50.0, 54.0)))


def test_maps_tilted_against_each_other_are_refused(tmp_path: Path) -> None:
    one = map_of(tmp_path / "1", level_of(floor))
    two = map_of(tmp_path / "2", level_of(floor), gravity=np.array([0.17, 0.0, -0.98]))
    with pytest.raises(FrameError, match="gravity"):
        compare_maps(one, two)


def heaps(x: FloatArray, y: FloatArray) -> FloatArray:
    """Return heaps and pits on most of the half-metre squares, as many up as down, in no order."""
    change = np.repeat([-0.3, -0.2, 0.0, 0.2, 0.3], [10, 10, 8, 10, 10])
    return np.random.default_rng(4).permutation(change).reshape(6, 8)[(2 * y).astype(int), (2 * x).astype(int)]


def test_a_site_that_changed_all_over_is_refused_unless_asked_for(tmp_path: Path) -> None:
    one = map_of(tmp_path / "1", level_of(lambda x, y: 0.0 * x))
    two = map_of(tmp_path / "2", level_of(heaps))
    with pytest.raises(FrameError, match="is higher or lower"):
        compare_maps(one, two)
    assert compare_maps(one, two, check_frames=False).changed


def test_maps_that_cover_different_parts_are_compared_where_they_meet(tmp_path: Path) -> None:
    got = compared(
        tmp_path,
        level_of(floor, x_m=(0.0, 3.0)),
        level_of(with_block(1.6, 1.0), x_m=(1.0, 5.0), y_m=(-0.5, 2.0)),
    )
    assert [a.change for a in got.changed] == [Change.RAISED]
    assert got.changed[0].centre_m == pytest.approx([1.75, 1.15], abs=0.011)


def test_different_feet_are_said(tmp_path: Path) -> None:
    from tests.support.grounds import biped

    one = map_of(tmp_path / "1", level_of(floor))
    two = map_of(tmp_path / "2", level_of(floor), foot=biped(name="other", drop_m=0.05))
    assert any("different feet" in words for words in compare_maps(one, two).warnings)


# --------------------------------------------------------------------------- files and command


@pytest.fixture(scope="module")
def two_maps(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("compare")
    map_of(folder / "monday", level_of(with_block(0.6, 1.0)))
    map_of(folder / "friday", level_of(with_block(1.8, 2.0)))
    return folder / "monday", folder / "friday"


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli, ["compare", *map(str, arguments)])


def test_the_folder_says_the_same_in_every_file(two_maps: tuple[Path, Path], tmp_path: Path) -> None:
    import rasterio

    done = run(*two_maps, "--out", tmp_path / "changes")
    assert done.exit_code == 0, done.output
    assert "2 areas changed" in done.stdout
    summary = json.loads((tmp_path / "changes" / "changes.json").read_text(encoding="utf-8"))
    with (tmp_path / "changes" / "changes.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["change"] for row in rows] == [area["change"] for area in summary["areas"]]
    with sqlite3.connect(tmp_path / "changes" / "changes.gpkg") as base:
        layer = base.execute("select change, area_m2 from changes order by number").fetchall()
        srs = base.execute("select srs_id from gpkg_contents where table_name = 'changes'").fetchall()
    assert layer == [(row["change"], float(row["area_m2"])) for row in rows]
    assert srs == [(-1,)]
    with rasterio.open(tmp_path / "changes" / "changes-level-0.tif") as source:
        change, height = source.read(1), source.read(2)
        row, column = source.index(1.95, 2.15)
        assert change[row, column] == Change.RAISED
        assert height[row, column] == pytest.approx(TOP_M, abs=1e-6)
        cells = np.count_nonzero(change == Change.RAISED) * abs(source.transform.a * source.transform.e)
    assert cells == pytest.approx(next(float(r["area_m2"]) for r in rows if r["change"] == "raised"), abs=1e-6)


def test_equal_maps_give_equal_bytes(two_maps: tuple[Path, Path], tmp_path: Path) -> None:
    from terrain.maps.store import open_map

    for name in ("1", "2"):
        write_comparison(tmp_path / name, compare_maps(*(open_map(path) for path in two_maps)))
    for file in sorted((tmp_path / "1").iterdir()):
        assert file.read_bytes() == (tmp_path / "2" / file.name).read_bytes(), file.name


def test_a_folder_that_exists_is_left_alone(two_maps: tuple[Path, Path], tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("mine")
    for flags in ([], ["--replace"]):
        done = run(*two_maps, "--out", tmp_path / "mine", *flags)
        assert done.exit_code == 1
        assert str(tmp_path / "mine") in done.stderr and len(done.stderr.splitlines()) == 1
    assert [p.name for p in tmp_path.iterdir()] == ["mine"]
    assert run(*two_maps, "--out", tmp_path / "new").exit_code == 0
    assert run(*two_maps, "--out", tmp_path / "new").exit_code == 1
    assert run(*two_maps, "--out", tmp_path / "new", "--replace").exit_code == 0
    assert sorted(p.name for p in tmp_path.iterdir()) == ["mine", "new"]


def test_json_is_json_and_wrong_usage_is_exit_2(two_maps: tuple[Path, Path], tmp_path: Path) -> None:
    done = run(*two_maps, "--json")
    parsed = json.loads(done.stdout)
    assert {area["change"] for area in parsed["areas"]} == {"raised", "lowered"}
    assert run(two_maps[0], tmp_path / "missing").exit_code == 2
    assert run(*two_maps, "--false-alarm", "0").exit_code == 2
    assert run(two_maps[0], tmp_path).exit_code == 1


def test_no_change_is_said(two_maps: tuple[Path, Path], tmp_path: Path) -> None:
    done = run(two_maps[0], two_maps[0], "--out", tmp_path / "changes")
    assert done.exit_code == 0
    assert done.stdout.startswith("No change from monday to monday")
    assert "compares a pass with itself" in done.stdout
    assert (tmp_path / "changes" / "changes.gpkg").is_file()


def test_infinite_and_missing_numbers_are_null(tmp_path: Path) -> None:
    got = compared(tmp_path, (level_of(floor, headroom=under_deck), level_of(deck, level=1)), level_of(floor))
    text = json.dumps(describe(got), allow_nan=False)
    assert json.loads(text)["areas"][0]["height_change_m"] is None


def test_maps_of_other_cells_are_refused(tmp_path: Path) -> None:
    from dataclasses import replace

    one = map_of(tmp_path / "1", level_of(floor))
    two = map_of(tmp_path / "2", replace(level_of(floor), cell_m=0.04))
    with pytest.raises(DataError, match=r"cells of 0\.04 m, expected 0\.02 m"):
        compare_maps(one, two)
