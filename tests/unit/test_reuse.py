"""Results between stages: what they depend on, that they come back bit by bit, and what happens when the disk errs."""

from __future__ import annotations

import dataclasses
import json
import os
import pickle
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from terrain.data import Cloud, Patches, PatchMasks, Segmentation
from terrain.errors import ConfigError
from terrain.foot import load_foot
from terrain.fuse.clean import WhatMoved
from terrain.fuse.move import Move
from terrain.fuse.rest import AllPoints
from terrain.fuse.spool import SpooledPoints
from terrain.reuse import shelf as shelf_module
from terrain.reuse.keeping import Keeping, reuse_folder
from terrain.reuse.keys import described, digest, keys_of, source_digest
from terrain.reuse.parts import MadeGround, UsedPoints, put_together, taken_apart
from terrain.reuse.shelf import Abandoned, DamagedEntryError, NoRoomError, Shelf
from terrain.survey import KEYS, load_survey
from tests.support.grounds import Layer, build_ground, flat

ROOT = Path(__file__).parents[2]
KEY, OTHER, THIRD = "a" * 64, "b" * 64, "c" * 64
PLENTY = 10**9


def points(n: int = 1000, seed: int = 3) -> UsedPoints:
    rng = np.random.default_rng(seed)
    cloud = Cloud(
        rng.normal(size=(n, 3)),
        rng.uniform(size=n),
        rng.normal(size=(n, 3)).astype(np.float32),
        rng.uniform(size=n).astype(np.float32),
        rng.uniform(size=n).astype(np.float32),
        np.array([1.0, 2.0, 3.0]),
    )
    refine = {"corrected": True, "sd": 0.1 + 0.2, "axis": [1.0, 0.0, 0.0], "clock": {"told": None}}
    return UsedPoints(cloud, None, n + 2, n, {"too near": 2}, ("a warning, with an ä",), (), refine)


def segmentation() -> Segmentation:
    hole = [[0.2, 0.2, 0.1], [0.2, 0.4, 0.1], [0.4, 0.2, 0.1]]
    outlines = (
        shapely.Polygon([[0, 0, 0.1], [1, 0, 1 / 3], [1, 1, 0.1]], holes=[hole]),
        shapely.Polygon([[0, 0, 2.0], [1, 0, 2.0], [1, 1, 2.0]]),
    )
    two = np.array([0.1, 0.2])
    normal = np.array([[0.0, 0.0, 1.0], [0.0, 0.6, 0.8]])
    patches = Patches(
        np.zeros(3), normal, two, normal, two, two, two, two, two, np.array([5, 6]), two, two > 0.1, outlines
    )
    row = np.array([1, 2])
    masks = PatchMasks(0.5, -0.5, 0.01, row, row, row, row, np.array([0, 1, 5]), np.arange(5, dtype=np.uint8))
    return Segmentation(patches, masks, np.array([-1, 0, 1], dtype=np.int32))


def assert_same(one: Any, two: Any, *, may_write: bool = False) -> None:
    """Compare everything, to the last bit; arrays are sealed but for those of what kernels were compiled for."""
    if dataclasses.is_dataclass(one):
        assert type(one) is type(two)
        for field in dataclasses.fields(one):
            same = isinstance(one, Move | WhatMoved)
            assert_same(getattr(one, field.name), getattr(two, field.name), may_write=same)
    elif isinstance(one, np.ndarray):
        assert one.dtype == two.dtype
        assert one.shape == two.shape
        assert one.tobytes() == two.tobytes()
        assert two.flags.writeable == may_write
    elif isinstance(one, tuple | list):
        assert len(one) == len(two)
        for a, b in zip(one, two, strict=True):
            assert_same(a, b)
    elif isinstance(one, dict):
        assert list(one) == list(two)
        for name in one:
            assert_same(one[name], two[name])
    elif isinstance(one, shapely.Polygon):
        assert shapely.equals_identical(one, two)
    else:
        assert one == two


# --------------------------------------------------------------------------- what is stored


def ground() -> MadeGround:
    made = build_ground(Layer(flat(0.0)), Layer(flat(0.5), patch_id=1, level=1), x_m=(0.0, 0.4), y_m=(0.0, 0.4))
    return MadeGround(made, np.array([0.001, np.nextafter(0.001, 1.0)]), ("one", "two"))


def bare() -> UsedPoints:
    """Points of a fused survey: no times, no viewpoints; here not one of them."""
    none = np.zeros(0, dtype=np.float32)
    cloud = Cloud(np.zeros((0, 3)), None, None, none, none, np.zeros(3))
    return UsedPoints(cloud, None, 0, 0, {}, (), (), {"corrected": False})


def dense() -> UsedPoints:
    """Points of a survey of which only a part is used, with what tells of the others."""
    rng = np.random.default_rng(4)
    rows, knots, slots = rng.normal(size=(7, 3)), rng.normal(size=(2, 6)), np.arange(64)
    move = Move(rows[0], rows[:, 0], rows, knots[:, :4], rows, knots[:, :4], 0.1 + 0.2, knots[0], rows[:2, 0], knots)
    moved = WhatMoved(
        rows[0], 0.04, np.zeros((1, 1, 1), dtype=np.int32), slots, slots.astype(np.int32), knots[:, :4], slots > 3,
        slots > 5, slots.astype(np.uint8), np.array([7]),
    )  # fmt: skip
    raw = rng.integers(0, 255, 80, dtype=np.uint8)
    spooled = SpooledPoints(raw, np.array([1, 1]), rows[1], timed=True, seen_from=False)
    return dataclasses.replace(points(), every=AllPoints(spooled, move, moved))


@pytest.mark.parametrize("make", [points, segmentation, ground, bare, dense])
def test_what_is_taken_is_what_was_put_to_the_last_bit(make: Callable[[], Any], tmp_path: Path) -> None:
    value = make()
    shelf = Shelf(tmp_path / "new" / "folder", most_bytes=PLENTY)
    assert shelf.take(KEY) is None
    assert shelf.put(KEY, value) > 0
    assert_same(value, shelf.take(KEY))
    assert shelf.put(KEY, value) == 0
    assert sorted(path.name for path in (tmp_path / "new" / "folder").iterdir()) == [KEY]


def test_arrays_are_mapped_and_keep_their_layout(tmp_path: Path) -> None:
    """Other layouts would make other sums, and compile kernels again."""
    rng = np.random.default_rng(1)
    value = {"c": rng.normal(size=(300, 3)), "f": np.asfortranarray(rng.normal(size=(300, 3)))}
    shelf = Shelf(tmp_path, most_bytes=PLENTY)
    shelf.put(KEY, value)
    taken = shelf.take(KEY)
    for name, array in value.items():
        assert taken[name].flags.c_contiguous == array.flags.c_contiguous
        assert isinstance(taken[name], np.memmap)
        assert np.array_equal(taken[name], array)


def test_nothing_of_another_kind_is_stored() -> None:
    with pytest.raises(TypeError, match="got object"):
        taken_apart({"a": object()})
    with pytest.raises(KeyError):
        put_together({"PosixPath": {}}, [])


# --------------------------------------------------------------------------- what it depends on

SURVEY = """
[survey]
name = "yard"
[frame]
points = "sensor"
[sensor]
mount = { translation_m = [0.1, 0.0, 0.2], rotation_xyzw = [0.0, 0.0, 0.0, 1.0] }
range_sd_m = 0.003
beam_divergence_mrad = 2.0
min_range_m = 0.1
max_range_m = 20.0
spindle = { axis = [0.0, 0.0, 1.0], angle_field = "angle", angle_unit = "deg", zero_deg = 0.0, offset_m = [0, 0, 0] }
[body]
low_m = [-0.5, -0.5, -0.5]
high_m = [0.5, 0.5, 0.5]
[poses]
file = "poses.txt"
position_sd_m = 0.001
attitude_sd_deg = 0.02
max_gap_s = 0.2
[scans]
files = ["a.laz"]
[foot]
profile = "biped"
"""
OTHERWISE = {
    "frame.points": "map",
    "frame.gravity": "0,0.001,-1",
    "sensor.mount.translation_m": "0.1,0,0.2000001",
    "sensor.mount.rotation_xyzw": "0,0,0.001,1",
    "sensor.range_sd_m": "0.0030000000000000001e0",
    "sensor.beam_divergence_mrad": "2.1",
    "sensor.min_range_m": "0.2",
    "sensor.max_range_m": "21",
    "sensor.time_offset_s": "1e-9",
    "sensor.range_sd_per_m2": "0.001",
    "sensor.spindle.axis": "0,0.001,1",
    "sensor.spindle.angle_field": "turn",
    "sensor.spindle.angle_unit": "rad",
    "sensor.spindle.zero_deg": "1",
    "sensor.spindle.offset_m": "0,0,0.1",
    "body.low_m": "-0.5,-0.5,-0.4",
    "body.high_m": "0.5,0.5,0.6",
    "poses.file": "{folder}/other.txt",
    "poses.position_sd_m": "0.002",
    "poses.attitude_sd_deg": "0.03",
    "poses.max_gap_s": "0.3",
    "poses.refine": "none",
    "poses.topic": "/poses",
    "poses.map_frame": "world",
    "poses.body_frame": "base",
    "poses.quaternion": "wxyz",
    "poses.stamps": "{folder}/times.txt",
    "scans.files": "{folder}/b.laz",
    "scans.topic": "/points",
    "scans.time_field": "t",
    "scans.time_unit": "ns",
    "scans.time_base": "scan",
    "scans.stamps": "{folder}/times.txt",
}
"""Every key of a survey, with another value than above."""
OTHERWISE["sensor.range_sd_m"] = repr(float(np.nextafter(0.003, 1.0)))
NOT_ENTERING = {"survey.name", "foot.profile", "sensor.profile"}
"""The last fills in what the others leave out, and here they leave out nothing."""
FILES = [("poses.txt", "1" * 64), ("a.laz", "2" * 64)]


@pytest.fixture(scope="module")
def survey_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("keys")
    for name in ("poses.txt", "other.txt", "times.txt", "a.laz", "b.laz"):
        (folder / name).write_text("")
    (folder / "survey.toml").write_text(SURVEY)
    return folder / "survey.toml"


def test_every_key_of_a_survey_is_tried() -> None:
    assert OTHERWISE.keys() | NOT_ENTERING == {key.name for key in KEYS}


@pytest.mark.parametrize("name", OTHERWISE)
def test_another_value_of_a_key_is_another_result(name: str, survey_file: Path) -> None:
    foot = load_foot("biped")
    before = keys_of(load_survey(survey_file), FILES, foot)
    words = OTHERWISE[name].format(folder=survey_file.parent)
    after = keys_of(load_survey(survey_file, {name: words}), FILES, foot)
    assert all(before[part] != after[part] for part in ("points", "patches", "ground"))


def test_name_and_foot_are_no_part_of_the_points(survey_file: Path) -> None:
    foot = load_foot("biped")
    before = keys_of(load_survey(survey_file), FILES, foot)
    assert before == keys_of(load_survey(survey_file, {"survey.name": "x", "foot.profile": "boot"}), FILES, foot)


def test_what_the_foot_changes(survey_file: Path) -> None:
    """`joint_m` and `drop_m` the ground, a very wide joint the patches too, nothing else anything."""
    survey, foot = load_survey(survey_file), load_foot("biped")
    before = keys_of(survey, FILES, foot)
    changed: dict[str, set[str]] = {}
    for field in dataclasses.fields(foot):
        value = getattr(foot, field.name)
        if isinstance(value, str | float):
            other = dataclasses.replace(foot, **{field.name: value + "x" if isinstance(value, str) else value * 1.5})
        elif isinstance(value, np.ndarray):
            other = dataclasses.replace(foot, **{field.name: value * 1.5})
        else:
            other = dataclasses.replace(foot, **{field.name: dataclasses.replace(value, comfort=value.comfort + 0.01)})
        after = keys_of(survey, FILES, other)
        changed[field.name] = {part for part in after if after[part] != before[part]}
    assert changed.pop("joint_m") == {"ground"}
    wide = keys_of(survey, FILES, dataclasses.replace(foot, joint_m=0.05))
    assert {part for part in wide if wide[part] != before[part]} == {"patches", "ground"}
    assert changed.pop("drop_m") == {"ground"}
    assert set().union(*changed.values()) == set()


@pytest.mark.parametrize(
    "files",
    [
        [("poses.txt", "1" * 64), ("a.laz", "3" * 64)],
        [("poses.txt", "1" * 64)],
        [("a.laz", "2" * 64), ("poses.txt", "1" * 64)],
        [("poses.txt", "1" * 64), ("b.laz", "2" * 64)],
    ],
    ids=["content", "number", "order", "name"],
)
def test_other_files_are_another_result(files: list[tuple[str, str]], survey_file: Path) -> None:
    survey, foot = load_survey(survey_file), load_foot("biped")
    assert keys_of(survey, FILES, foot)["points"] != keys_of(survey, files, foot)["points"]


def test_points_without_those_that_are_only_labelled_are_another_result(survey_file: Path) -> None:
    survey, foot = load_survey(survey_file), load_foot("biped")
    one, other = keys_of(survey, FILES, foot), keys_of(survey, FILES, foot, cloud=False)
    assert all(one[part] != other[part] for part in one)


def test_a_changed_source_is_another_result(tmp_path: Path) -> None:
    (tmp_path / "stage" / "inner").mkdir(parents=True)
    (tmp_path / "alone.py").write_text("a = 1\n")
    (tmp_path / "stage" / "inner" / "one.py").write_text("b = 1\n")
    names = ("alone.py", "stage")
    found = {source_digest(names, tmp_path)}
    (tmp_path / "stage" / "inner" / "one.py").write_text("b = 2\n")
    found.add(source_digest(names, tmp_path))
    (tmp_path / "stage" / "inner" / "one.py").rename(tmp_path / "stage" / "two.py")
    found.add(source_digest(names, tmp_path))
    (tmp_path / "alone.py").write_text("a = 1\n\n")
    found.add(source_digest(names, tmp_path))
    assert len(found) == 4
    (tmp_path / "elsewhere.py").write_text("c = 1\n")
    assert source_digest(names, tmp_path) in found


def test_settings_that_differ_are_described_differently() -> None:
    zero, one = np.zeros(2), np.ones(2)
    values = [
        *(None, "None", 1, 1.0, True, "1", 0.1, float(np.nextafter(0.1, 1.0)), 0.0, -0.0, float("inf"), float("nan")),
        *(Path("a"), "a", zero, one, zero.astype(np.float32), zero.reshape(1, 2), (zero, one)),
        *([[1, 2], [3]], [[1], [2, 3]], {"a": 1}, {"b": 1}, {"a": "1"}),
    ]
    assert len({digest(described(value)) for value in values}) == len(values)
    with pytest.raises(TypeError, match="got a setting of type object"):
        described(object())


# --------------------------------------------------------------------------- when it was damaged


def cut_short(entry: Path) -> None:
    path = entry / "00.npy"
    path.write_bytes(path.read_bytes()[:-8])


def flip_a_bit(entry: Path) -> None:
    path = entry / "00.npy"
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2] ^= 1
    path.write_bytes(raw)


def empty(entry: Path) -> None:
    (entry / "01.npy").write_bytes(b"")


def an_archive(entry: Path) -> None:
    with open(entry / "00.npy", "wb") as file:
        np.savez(file, a=np.zeros(3))


def exchange(entry: Path) -> None:
    os.replace(entry / "03.npy", entry / "04.npy")


def another_array(entry: Path) -> None:
    np.save(entry / "00.npy", np.zeros(7))


def take_away(entry: Path) -> None:
    (entry / "02.npy").unlink()


def no_list(entry: Path) -> None:
    (entry / "entry.json").unlink()


def half_a_list(entry: Path) -> None:
    path = entry / "entry.json"
    path.write_text(path.read_text()[:100])


def a_number(entry: Path) -> None:
    (entry / "entry.json").write_text("5")


def another_count(entry: Path) -> None:
    path = entry / "entry.json"
    path.write_text(path.read_text().replace("1002", "1003"))


def another_format(entry: Path) -> None:
    path = entry / "entry.json"
    path.write_text(path.read_text().replace(shelf_module.FORMAT, "something else"))


def a_file_instead(entry: Path) -> None:
    shutil.rmtree(entry)
    entry.write_text("x")


DAMAGES = (cut_short, flip_a_bit, exchange, another_array, take_away, no_list, half_a_list, a_number, another_count)
DAMAGES += (another_format, a_file_instead, empty, an_archive)


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_entry_is_told_of_removed_and_made_anew(damage: Callable[[Path], None], tmp_path: Path) -> None:
    value = points()
    Shelf(tmp_path, most_bytes=PLENTY).put(KEY, value)
    damage(tmp_path / KEY)
    with pytest.raises(DamagedEntryError, match=KEY):
        Shelf(tmp_path, most_bytes=PLENTY).take(KEY)
    with Keeping(tmp_path) as keeping:
        assert keeping.take({"points": KEY}, lambda done, total: None) == {}
        keeping.keep(KEY, value)
        done = keeping.finish(0.0)
    assert len(done.notes) == 1
    assert "points of an earlier run were damaged" in done.notes[0]
    assert done.warnings == ()
    assert_same(value, Shelf(tmp_path, most_bytes=PLENTY).take(KEY))
    assert [path.name for path in tmp_path.iterdir()] == [KEY]


def test_an_entry_under_the_key_of_another_is_refused(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path, most_bytes=PLENTY)
    shelf.put(KEY, points())
    shutil.copytree(tmp_path / KEY, tmp_path / OTHER)
    with pytest.raises(DamagedEntryError):
        shelf.take(OTHER)


def test_what_belongs_to_another_user_is_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Root may read anything, so that the refusal is made up."""
    Shelf(tmp_path, most_bytes=PLENTY).put(KEY, points())

    def refuse(*args: object, **kwargs: object) -> str:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_text", refuse)
    with Keeping(tmp_path) as keeping:
        assert keeping.take({"points": KEY}, lambda done, total: None) == {}
        keeping.keep(KEY, points())
        done = keeping.finish(0.0)
    assert done.notes == done.warnings == ()
    assert (tmp_path / KEY / "entry.json").exists()


class Trap:
    """Leaves a file behind when it is unpickled."""

    def __init__(self, mark: Path) -> None:
        self.mark = mark

    def __reduce__(self) -> tuple[Any, ...]:
        return open, (str(self.mark), "w")


def test_nothing_is_ever_unpickled(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "store", most_bytes=PLENTY)
    shelf.put(KEY, points())
    mark = tmp_path / "run"
    np.save(tmp_path / "store" / KEY / "00.npy", np.array([Trap(mark)], dtype=object), allow_pickle=True)
    with pytest.raises(DamagedEntryError):
        shelf.take(KEY)
    assert not mark.exists()
    pickle.loads(pickle.dumps(Trap(mark))).close()  # it would have
    assert mark.exists()


# --------------------------------------------------------------------------- when writing ends early


def test_writing_that_is_given_up_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shelf_module, "CHUNK_BYTES", 1000)
    answers = iter([False] * 20)
    with pytest.raises(Abandoned):
        Shelf(tmp_path, most_bytes=PLENTY).put(KEY, points(), stop=lambda: next(answers, None) is not False)
    assert list(tmp_path.iterdir()) == []


WRITER = """
import sys, time
from pathlib import Path
import numpy as np
from terrain.reuse import shelf
shelf.CHUNK_BYTES = 1000
def stop():
    print("writing", flush=True)
    time.sleep(0.01)
    return False
shelf.Shelf(Path(sys.argv[1]), most_bytes=10**9).put("a" * 64, {"a": np.zeros(10**6)}, stop=stop)
"""


def test_a_killed_writer_leaves_no_entry_and_the_next_one_clears_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    command = [sys.executable, "-c", WRITER, str(tmp_path)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        for _ in range(3):
            assert writer.stdout.readline().strip() == "writing"
        monkeypatch.setattr(shelf_module, "DRAFT_AGE_S", -1.0)
        shelf = Shelf(tmp_path, most_bytes=PLENTY)
        shelf.put(OTHER, points(10))
        names = {path.name for path in tmp_path.iterdir()}
        assert len(names) == 2, "a draft that is being written must stay"
        writer.send_signal(signal.SIGKILL)
        writer.wait()
    assert {path.name for path in tmp_path.iterdir()} == names
    assert shelf.take(KEY) is None
    shelf.put(THIRD, points(10))
    assert {path.name for path in tmp_path.iterdir()} == {OTHER, THIRD}


def test_writers_of_one_key_do_not_disturb_each_other(tmp_path: Path) -> None:
    value, failed = points(20_000), []

    def work() -> None:
        try:
            shelf = Shelf(tmp_path, most_bytes=PLENTY)
            shelf.put(KEY, value)
            assert_same(value, shelf.take(KEY))
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=work) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert [path.name for path in tmp_path.iterdir()] == [KEY]


def test_what_was_taken_lives_on_when_it_is_removed(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path, most_bytes=PLENTY)
    shelf.put(KEY, points())
    taken = shelf.take(KEY)
    shelf.remove(KEY)
    assert list(tmp_path.iterdir()) == []
    assert_same(points(), taken)


# --------------------------------------------------------------------------- how much is kept


def size_of(value: Any) -> int:
    return sum(array.nbytes for array in taken_apart(value)[1])


def test_what_was_not_used_for_longest_goes_first(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path, most_bytes=int(2.9 * size_of(points())))
    for age_s, key in ((300, KEY), (200, OTHER)):
        shelf.put(key, points())
        then = time.time() - age_s
        os.utime(tmp_path / key / "entry.json", (then, then))
    assert shelf.take(KEY) is not None  # used now
    shelf.put(THIRD, points())
    assert {path.name for path in tmp_path.iterdir()} == {KEY, THIRD}


def test_the_bound_holds_and_what_is_not_ours_stays(tmp_path: Path) -> None:
    most = int(4.5 * size_of(points()))
    shelf = Shelf(tmp_path, most_bytes=most)
    (tmp_path / "thesis").mkdir()
    (tmp_path / "thesis" / "only copy").write_bytes(b"x" * most)
    (tmp_path / "readme").write_text("mine")
    for k in range(12):
        shelf.put(f"{k:064x}", points(seed=k))
        entries = [path for path in tmp_path.iterdir() if len(path.name) == 64]
        assert sum(file.stat().st_size for entry in entries for file in entry.iterdir()) <= most
    assert len(entries) >= 3
    assert (tmp_path / "thesis" / "only copy").exists()
    assert (tmp_path / "readme").read_text() == "mine"


def test_more_than_the_bound_is_not_begun(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path, most_bytes=1000)
    with pytest.raises(NoRoomError, match="more than"):
        shelf.put(KEY, points())
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_is_nearly_full_is_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage._replace(free=shelf_module.LEFT_FREE_BYTES))
    with Keeping(tmp_path) as keeping:
        keeping.keep(KEY, points())
        keeping.keep(OTHER, points())
        done = keeping.finish(0.0)
    assert len(done.warnings) == 1
    assert "do not fit" in done.warnings[0]
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_refuses_gives_one_warning(tmp_path: Path) -> None:
    """A file where the folder should be stands for a disk that takes nothing: root may write to any folder."""
    (tmp_path / "taken").write_text("x")
    with Keeping(tmp_path / "taken" / "store") as keeping:
        assert keeping.take({"points": KEY}, lambda done, total: None) == {}
        keeping.keep(KEY, points())
        keeping.keep(OTHER, points())
        done = keeping.finish(0.0)
    assert len(done.warnings) == 1
    assert "not all results are kept for later runs" in done.warnings[0]
    assert done.kept_bytes == 0


def test_a_slow_disk_is_not_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from terrain.reuse import keeping as keeping_module

    monkeypatch.setattr(keeping_module, "LEAST_WAIT_S", 0.05)
    monkeypatch.setattr(shelf_module, "CHUNK_BYTES", 1000)
    monkeypatch.setattr(os, "fdatasync", lambda handle: time.sleep(0.02))
    with Keeping(tmp_path) as keeping:
        keeping.keep(KEY, points(100_000))
        done = keeping.finish(0.0)
    assert len(done.warnings) == 1
    assert "the disk takes longer" in done.warnings[0]
    assert list(tmp_path.iterdir()) == []


# --------------------------------------------------------------------------- where it lies


def test_the_folder_is_the_users_cache_unless_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The XDG Base Directory Specification: $XDG_CACHE_HOME, ~/.cache if unset or empty; relative paths are ignored."""
    monkeypatch.delenv("TERRAIN_REUSE")
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    usual = tmp_path / ".cache" / "terrain" / "assess"
    assert reuse_folder(True) == usual
    for ignored in ("", "relative"):
        monkeypatch.setenv("XDG_CACHE_HOME", ignored)
        assert reuse_folder(True) == usual
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "fast"))
    assert reuse_folder(True) == tmp_path / "fast" / "terrain" / "assess"
    monkeypatch.setenv("TERRAIN_REUSE", "~/results")
    assert reuse_folder(True) == tmp_path / "results"
    assert reuse_folder(tmp_path / "own") == tmp_path / "own"
    assert reuse_folder(False) is None
    monkeypatch.setenv("TERRAIN_REUSE", "Off")
    assert reuse_folder(True) is None
    assert reuse_folder(tmp_path / "own") == tmp_path / "own"


def test_others_cannot_read_it(tmp_path: Path) -> None:
    Shelf(tmp_path / "store", most_bytes=PLENTY).put(KEY, points())
    assert (tmp_path / "store").stat().st_mode & 0o077 == 0
    assert (tmp_path / "store" / KEY).stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("words", ["much", "-1", "nan", "inf"])
def test_a_wrong_size_is_named(words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERRAIN_REUSE_GB", words)
    with pytest.raises(ConfigError, match="TERRAIN_REUSE_GB"):
        Keeping(tmp_path)


def test_a_size_of_nothing_keeps_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERRAIN_REUSE_GB", "0")
    with Keeping(tmp_path) as keeping:
        keeping.keep(KEY, points())
        done = keeping.finish(0.0)
    assert len(done.warnings) == 1
    assert list(tmp_path.iterdir()) == []


def test_the_list_of_contents_is_plain_json(tmp_path: Path) -> None:
    Shelf(tmp_path, most_bytes=PLENTY).put(KEY, points())
    entry = json.loads((tmp_path / KEY / "entry.json").read_text())
    assert entry["key"] == KEY
    assert entry["arrays"][0]["shape"] == [1000, 3]
