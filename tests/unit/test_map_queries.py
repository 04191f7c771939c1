"""What planners ask of an opened map: nearest, field, height, patches near; and the examples in the docstrings.

The map: a floor at 0 from x = -1 to 2 and y = -0.5 to 1.5, a block top at 0.1 m, a ramp of 20 degrees.
"""

from __future__ import annotations

import doctest
import json
import math
import shutil
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy.spatial.distance import cdist

import terrain
from terrain.data import Label
from terrain.errors import DataError, ReadError
from terrain.maps import store
from terrain.maps.nearest import candidate_moves
from terrain.maps.overrules import add_area
from terrain.maps.store import TerrainMap, open_map
from terrain.maps.write import write_map
from tests.support.map_contents import SLOPE_DEG, make_contents

HEEL_M, TOE_M, HALF_WIDTH_M = 0.09, 0.17, 0.065
"""Of the biped's sole, as its profile gives it: 0.26 x 0.13 m, 0.09 m behind the load."""
STEP_M = 0.02


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("queries") / "map-dock"
    write_map(out, make_contents(points=50), replace=False)
    return out


@pytest.fixture(scope="module")
def dock(folder: Path) -> TerrainMap:
    return open_map(folder)


def test_the_examples_in_the_docstrings_run(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder.parent)
    names = {"terrain": terrain, "open_map": open_map, "Label": Label, "dock": open_map("map-dock")}
    finder, runner = doctest.DocTestFinder(recurse=True), doctest.DocTestRunner()
    for thing in (store.TerrainMap, store.open_map):
        for example in finder.find(thing, globs=dict(names)):
            runner.run(example)
    result = runner.summarize()
    assert result.attempted >= 15
    assert result.failed == 0


def make_huge(folder: Path, *, tiles: int, surfaces: int) -> None:
    """Turn a map into one of tiles x tiles tiles, 0.64 m each, with empty (sparse) arrays of so many surfaces."""
    manifest = json.loads((folder / "map.json").read_text())
    section, columns = manifest["ground"], tiles * tiles * 64 * 64
    section["grid"].update(nx=tiles * 64, ny=tiles * 64)
    for name, entry in section["arrays"].items():
        if name.startswith("patch_id-level"):
            continue
        path = folder / "ground" / f"{name}.npy"
        if name == "tile_slot":
            entry["shape"] = [tiles, tiles]
            np.save(path, np.arange(tiles * tiles, dtype=np.int32).reshape(tiles, tiles))
            continue
        ends = name in ("first", "span_first")
        entry["shape"] = [columns + 1] if ends else [surfaces, *entry["shape"][1:]]
        array = np.lib.format.open_memmap(path, "w+", dtype=entry["dtype"], shape=tuple(entry["shape"]))
        if ends:
            array[-1] = surfaces
        array.flush()
    (folder / "map.json").write_text(json.dumps(manifest))


def test_a_site_of_4_000_square_metres_opens_at_once(folder: Path, tmp_path: Path) -> None:
    """4 GB of surfaces: what was mapped is not read. Processor time, so that a busy machine does not fail it."""
    own = tmp_path / "map"
    shutil.copytree(folder, own)
    try:
        make_huge(own, tiles=100, surfaces=100_000_000)
    except OSError as error:
        pytest.skip(f"no sparse files here: {error}")
    start = time.process_time()
    huge = open_map(own)
    taken_s = time.process_time() - start
    assert sum(array.nbytes for array in (huge.ground.height_m, huge.ground.gradient, huge.ground.first)) > 1.5e9
    assert taken_s < 0.3
    start = time.process_time()
    assert len(huge.height(np.linspace(0, 60, 1000), 30.0)) == 1000
    assert time.process_time() - start < 0.3


# --------------------------------------------------------------------------- nearest


def test_a_good_placement_stays(dock: TerrainMap) -> None:
    got = dock.nearest([[0.3, 0.9, 0.2]], 0.2)
    assert got.found[0] and got.moved_m[0] == 0.0 and got.turned_rad[0] == 0.0
    np.testing.assert_array_equal(got.verdicts.placement[0, :3], [0.3, 0.9, 0.2])


def test_nearest_is_the_nearest_of_all_that_were_judged(dock: TerrainMap) -> None:
    """Against judging every spot of a lattice about the placement, without any rounds."""
    rng = np.random.default_rng(3)
    wanted = np.column_stack([rng.uniform(-1.1, 2.1, 12), rng.uniform(-0.6, 1.6, 12), rng.uniform(-3, 3, 12)])
    got = dock.nearest(wanted, 0.16)
    steps = np.arange(-8, 9) * STEP_M
    dx, dy = (values.ravel() for values in np.meshgrid(steps, steps))
    near = np.hypot(dx, dy) <= 0.16 + 1e-9
    dx, dy = dx[near], dy[near]
    for row, (x, y, yaw) in enumerate(wanted):
        label = dock.judge(np.column_stack([x + dx, y + dy, np.full(len(dx), yaw)])).label
        way = np.hypot(dx, dy)
        for value in (Label.STEPPABLE, Label.MARGINAL):
            if (label == value).any():
                assert got.verdicts.label[row] == value
                assert got.moved_m[row] == pytest.approx(way[label == value].min(), abs=1e-9)
                break
        else:
            assert not got.found[row] and got.moved_m[row] == 0.0
            np.testing.assert_array_equal(got.verdicts.placement[row, :3], [x, y, yaw])
    assert 0 < np.count_nonzero(got.found) < len(wanted)
    again = dock.judge(got.verdicts.placement)
    np.testing.assert_array_equal(again.label, got.verdicts.label)


def test_turning_counts_as_far_as_it_moves_the_toe() -> None:
    arm_m = 0.2
    moves = candidate_moves(radius_m=0.1, step_m=STEP_M, turn_rad=math.radians(20.0), arm_m=arm_m)
    np.testing.assert_array_equal(moves[0], 0.0)
    assert np.degrees(np.unique(moves[:, 2])) == pytest.approx([-15.0, -7.5, 0.0, 7.5, 15.0])
    far = np.hypot(moves[:, 0], moves[:, 1]) + arm_m * np.abs(moves[:, 2])
    assert (np.diff(far) > -1e-9).all()
    assert np.hypot(moves[:, 0], moves[:, 1]).max() == pytest.approx(0.1)
    assert len(np.unique(moves, axis=0)) == len(moves) == 81 * 5  # 81 lattice points lie in a circle of 5 steps


def test_a_turn_finds_room_on_the_block(dock: TerrainMap) -> None:
    """The block's top is 0.5 x 0.5 m: from its border the foot must move in; along it may turn instead."""
    edge = [[-0.25, 0.25 - HALF_WIDTH_M - 0.03, math.pi / 2]]
    assert dock.judge(edge).label[0] != Label.STEPPABLE
    assert dock.nearest(edge, 0.0).moved_m[0] == 0.0
    turned = dock.nearest(edge, 0.0, turn_rad=math.pi)
    assert turned.verdicts.label[0] == Label.STEPPABLE
    assert abs(turned.turned_rad[0]) > math.radians(30.0)


@pytest.mark.parametrize(
    ("radius_m", "options", "message"),
    [
        (-0.1, {}, "radius_m: got -0.1"),
        (math.nan, {}, "radius_m: got nan"),
        (0.1, {"step_m": 0.0}, "step_m: got 0.0"),
        (0.1, {"turn_rad": math.inf}, "turn_rad: got inf"),
        (1000.0, {}, "spots to try, expected at most"),
    ],
)
def test_nearest_refuses(dock: TerrainMap, radius_m: float, options: dict[str, float], message: str) -> None:
    with pytest.raises(DataError, match=message):
        dock.nearest([[0.0, 0.0, 0.0]], radius_m, **options)


def test_nothing_asked_nothing_answered(dock: TerrainMap) -> None:
    assert len(dock.nearest(np.empty((0, 3)), 0.2)) == 0


# --------------------------------------------------------------------------- field


def test_the_field_has_the_labels_of_judge(dock: TerrainMap) -> None:
    x, y = np.arange(-0.8, -0.2, 0.1), np.arange(-0.3, 0.4, 0.1)
    field = dock.field(x, y, 0.4)
    for j, yj in enumerate(y):
        row = dock.judge(np.column_stack([x, np.full(len(x), yj), np.full(len(x), 0.4)]))
        np.testing.assert_array_equal(field.label[j], row.label)
        np.testing.assert_array_equal(field.z_m[j], row.z_m)
    assert len(set(field.label.ravel().tolist())) > 1


def test_the_border_lies_where_the_toe_reaches_the_edge(dock: TerrainMap) -> None:
    """The floor ends at x = 2: steppable up to toe and comfort before it (edge_m comfort 0.02), more for its sd."""
    x = np.arange(1.4, 1.9, STEP_M)
    field = dock.field(x, [1.0, 1.02], 0.0, reach_m=0.6)
    border = field.border_m[0]
    assert (np.diff(border) < 0).all()
    crossing = x[np.flatnonzero(border > 0)[-1]] + border[border > 0][-1]
    limit = 2.0 - TOE_M - dock.foot.edge_m.comfort
    assert limit - dock.foot.z * 0.003 - 2 * STEP_M < crossing <= limit + STEP_M / 2
    # away from the border the distance is the distance: 0.1 m on is 0.1 m nearer
    np.testing.assert_allclose(border[:-5] - border[5:], 5 * STEP_M, atol=1e-9)


def test_distances_are_those_to_the_nearest_node_of_the_other_kind(dock: TerrainMap) -> None:
    reach_m = 0.12
    x, y = np.arange(-0.7, 0.2, 0.05), np.arange(-0.4, 0.5, 0.05)
    field = dock.field(x, y, 1.0, reach_m=reach_m)
    wide = dock.field(np.arange(-0.85, 0.36, 0.05), np.arange(-0.55, 0.66, 0.05), 1.0, reach_m=0.0)
    nodes = np.column_stack([np.tile(wide.x_m, len(wide.y_m)), np.repeat(wide.y_m, len(wide.x_m))])
    on = wide.label.ravel() == Label.STEPPABLE
    asked = np.column_stack([np.tile(x, len(y)), np.repeat(y, len(x))])
    here = field.label.ravel() == Label.STEPPABLE
    away = cdist(asked, nodes)
    expected = np.where(
        here, np.where(on, np.inf, away).min(axis=1) - 0.025, 0.025 - np.where(on, away, np.inf).min(axis=1)
    )
    np.testing.assert_allclose(field.border_m.ravel(), np.clip(expected, -reach_m, reach_m), atol=1e-9)
    assert here.any() and not here.all()


def test_where_all_is_alike_the_distance_is_the_reach(dock: TerrainMap) -> None:
    np.testing.assert_array_equal(dock.field([50.0, 50.1], [50.0, 50.1], 0.0).border_m, -0.30)
    np.testing.assert_array_equal(dock.field([0.3, 0.35], [0.95, 1.0], 0.0, reach_m=0.1).border_m, 0.10)


@pytest.mark.parametrize(
    ("x", "y", "yaw", "options", "message"),
    [
        ([0.0], [0.0, 0.1], 0.0, {}, r"x: got shape \(1,\)"),
        ([0.0, 0.1, 0.3], [0.0, 0.1], 0.0, {}, "x: got uneven"),
        ([0.0, 0.1], [0.1, 0.0], 0.0, {}, "y: got uneven or falling"),
        ([0.0, np.nan], [0.1, 0.2], 0.0, {}, "x: got shape"),
        ([0.0, 0.1], [0.1, 0.2], math.inf, {}, "yaw: got inf"),
        ([0.0, 0.1], [0.1, 0.2], [0.0, 1.0], {}, "yaw: got"),
        ([0.0, 0.1], [0.1, 0.2], 0.0, {"reach_m": -1.0}, "reach_m: got -1.0"),
        ([0.0, 0.1], [0.1, 0.2], 0.0, {"level_z_m": math.inf}, "level_z_m: got inf"),
        ([0.0, 0.1], [0.1, 0.2], 0.0, {"reach_m": 1e9}, "expected at most"),
        (np.arange(3000) * 0.01, np.arange(3000) * 0.01, 0.0, {}, "field: got"),
    ],
)
def test_the_field_refuses(dock: TerrainMap, x, y, yaw, options, message: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(DataError, match=message):
        dock.field(x, y, yaw, **options)


# --------------------------------------------------------------------------- height and patches


def test_heights_are_those_of_the_surfaces(dock: TerrainMap) -> None:
    rng = np.random.default_rng(5)
    x, y = rng.uniform(0.62, 1.48, 50), rng.uniform(-0.48, 0.48, 50)
    got = dock.height(x, y)
    np.testing.assert_allclose(got.z_m, x * math.tan(math.radians(SLOPE_DEG)), atol=1e-6)
    np.testing.assert_array_equal(got.patch_id, 2)
    np.testing.assert_allclose(got.sd_m, 0.001)
    floor = dock.height([-0.25, 0.2, -0.25, 7.0], [0.0, 1.0, 0.0, 0.0], [np.nan, np.nan, 5.0, np.nan])
    np.testing.assert_allclose(floor.z_m, [0.1, 0.0, np.nan, np.nan], atol=1e-9)
    assert floor.patch_id.tolist() == [1, 0, -1, -1]
    assert dock.height(1.7e308, -1.7e308).level.tolist() == [-1] and len(dock.height([], [])) == 0


def test_heights_agree_with_judge_where_the_sole_lies_flat(dock: TerrainMap) -> None:
    spots = np.array([[-0.25, 0.0], [0.3, 0.9], [1.5, 1.2]])
    np.testing.assert_allclose(
        dock.height(*spots.T).z_m, dock.judge(np.column_stack([spots, np.zeros(3)])).z_m, atol=1e-4
    )


def test_height_refuses(dock: TerrainMap) -> None:
    with pytest.raises(DataError, match="do not fit together"):
        dock.height([1.0, 2.0], [1.0, 2.0, 3.0])
    with pytest.raises(DataError, match="row 1"):
        dock.height([1.0, np.nan], 0.0)


def test_patches_near(dock: TerrainMap) -> None:
    table = dock.patches()
    spot = shapely.Point(0.4, 0.0)
    for radius in (0.0, 0.19, 0.21, 0.5):
        near = dock.patches_near(spot.x, spot.y, radius)
        expected = [k for k in range(3) if table.outline[k].distance(spot) <= radius]
        assert near.patch_id.tolist() == expected
    assert near.outline[-1].equals(table.outline[2]) and near.reasons[-1] == ("slope",)
    assert len(dock.patches_near(90.0, 0.0, 1.0)) == 0
    with pytest.raises(DataError, match="radius"):
        dock.patches_near(0.0, 0.0, -1.0)


# --------------------------------------------------------------------------- a map that is replaced


def test_a_map_stays_what_it_was_when_its_folder_is_replaced(folder: Path, tmp_path: Path) -> None:
    own = tmp_path / "map"
    shutil.copytree(folder, own)
    before = open_map(own)
    assert before.is_current()
    write_map(own, make_contents(points=60), replace=True)
    assert not before.is_current()
    np.testing.assert_array_equal(before.judge([[0.3, 0.9, 0.0]]).label, [Label.STEPPABLE])
    with pytest.raises(ReadError, match="was replaced since it was opened"):
        before.level(0)
    with pytest.raises(ReadError, match="was replaced since it was opened"):
        before.patches()
    assert open_map(own).is_current() and open_map(own).version != before.version


def test_what_is_accepted_later_does_not_count_for_the_older_map(folder: Path, tmp_path: Path) -> None:
    """A placement on the block's border is marginal; the newer map is accepted there, the older one is not."""
    own = tmp_path / "map"
    shutil.copytree(folder, own)
    before = open_map(own)
    write_map(own, make_contents(points=60), replace=True)
    area = [(-0.9, -0.4), (1.9, -0.4), (1.9, 1.4), (-0.9, 1.4)]
    add_area(own, kind="accept", area_m=area, level=0, name="A. Nobody", reason="looked at it")
    after = open_map(own)
    x, y = np.meshgrid(np.arange(-0.45, 0.0, 0.02), np.arange(-0.2, 0.2, 0.02))
    spots = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    accepted = (before.judge(spots).label == Label.MARGINAL) & (after.judge(spots).label == Label.STEPPABLE)
    assert accepted.any()


def test_opening_while_maps_are_exchanged_never_mixes_two(folder: Path, tmp_path: Path) -> None:
    """One map has two levels, the other one: arrays of one with the manifest of the other would not fit."""
    own, other = tmp_path / "map", make_contents(points=60, levels=2)
    shutil.copytree(folder, own)
    stop, written = threading.Event(), []

    def exchange() -> None:
        while not stop.is_set():
            write_map(own, other if len(written) % 2 else make_contents(points=50), replace=True)
            written.append(1)

    thread = threading.Thread(target=exchange)
    thread.start()
    versions = set()
    try:
        while len(written) < 6:
            opened = open_map(own)
            assert len(opened.levels) == len([f for f in opened.manifest["files"] if f.startswith("level")])
            versions.add(opened.version)
    finally:
        stop.set()
        thread.join(30)
    assert len(versions) > 1
