"""`terrain follow` on a pad whose scans arrive one by one: the end is `assess`'s map, and nothing on the way lies."""

from __future__ import annotations

import doctest
import hashlib
import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner
from mcap.writer import Writer
from numba import get_num_threads

import terrain.maps.manifest
from terrain.cli.main import cli
from terrain.data import Label
from terrain.errors import ConfigError, DataError, ReadError
from terrain.follow import changes, turns, watch
from terrain.follow.contents import Version
from terrain.follow.follower import Follower
from terrain.follow.journal import Journal
from terrain.follow.points import TILE_M
from terrain.follow.publish import Publisher
from terrain.follow.windows import YAWS_GROWING, Windows
from terrain.maps.store import open_map
from terrain.pipeline import assess
from terrain.read.clouds import open_cloud
from terrain.read.tails import BagTail
from terrain.score.dense import judge_everywhere
from terrain.serve.shelf import Shelf
from tests.support.arriving import arrive, false_steppable, pad_points, write_pad
from tests.support.bags import BagWriter
from tests.support.clouds import write_laz
from tests.support.surveys import MAP_SURVEY

SCHEMA = json.loads((Path(terrain.maps.manifest.__file__).parent / "map.schema.json").read_text())
ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The map of all four scans, assessed in one go."""
    folder = tmp_path_factory.mktemp("whole")
    survey = write_pad(folder)
    arrive(survey, 0, 1, 2, 3)
    assess(survey, folder / "map")
    return folder / "map"


@pytest.fixture
def pad(tmp_path: Path) -> Path:
    return write_pad(tmp_path)


@pytest.fixture(autouse=True)
def quick_versions(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if versions came quickly, however busy the machine: how much a tile must grow follows what they take."""
    monkeypatch.setattr(changes, "MOST_GROWTH", changes.LEAST_GROWTH)
    monkeypatch.setattr(changes, "MOST_GAIN_CELLS", changes.GAIN_CELLS)
    monkeypatch.setattr(turns, "IDLE_AFTER_S", 0.0)
    monkeypatch.setattr(changes.Changes, "keep_up", lambda self, version_s: None)


def following(survey: Path, **options: Any) -> Follower:
    return Follower(survey, survey.parent / "map", settle_s=0.0, patience_s=0.0, **options)


def looked(follower: Follower) -> bool:
    """Two looks, so that what lies there is complete, and what is to be done then."""
    follower.look()
    follower.look()
    return follower.step()


def manifest(survey: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((survey.parent / "map" / "map.json").read_text())
    return found


def scans_in(survey: Path) -> list[str]:
    return [Path(scan["path"]).name for scan in manifest(survey)["follow"]["scans"]]


def files_of(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name != "map.json"
    }


def same_files(one: Path, other: Path) -> bool:
    return files_of(one) == files_of(other)


def test_the_command_ends_with_the_map_that_assess_makes(pad: Path, whole: Path) -> None:
    arrive(pad, 0)
    feeder = threading.Thread(target=lambda: [(time.sleep(0.6), arrive(pad, k)) for k in (1, 2, 3)])
    feeder.start()
    done = CliRunner().invoke(cli, ["follow", str(pad), "--out", str(pad.parent / "map"), "--until-quiet", "1.5"])
    feeder.join()
    assert done.exit_code == 0, done.output
    assert same_files(pad.parent / "map", whole)
    found = manifest(pad)
    jsonschema.validate(found, SCHEMA)
    hashes = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in (pad.parent / "later").iterdir()}
    assert found["follow"]["state"] == "finished"
    assert {Path(scan["path"]).name: scan["sha256"] for scan in found["follow"]["scans"]} == hashes
    assert found["counts"] == json.loads((whole / "map.json").read_text())["counts"]
    lines = [line for line in done.stderr.splitlines() if "  version " in line]
    assert lines and re.search(r"version 1: ([1-4]) scans \(\+\1\)", lines[0])
    assert "judged for the foot 'biped'" in done.stdout and "Advice from geometry" in done.stdout


def test_every_version_is_whole_and_calls_nothing_steppable_that_is_not(pad: Path) -> None:
    told: list[Version] = []
    with following(pad, on_version=told.append) as follower:
        for k in range(4):
            arrive(pad, k)
            assert looked(follower)
            found = manifest(pad)
            jsonschema.validate(found, SCHEMA)
            assert scans_in(pad) == [f"scan_{n}.laz" for n in range(k + 1)]
            assert found["follow"]["state"] == "growing"
            counted = sum(len(s.xyz_m) for n in range(k + 1) for s in open_cloud(pad.parent / f"later/scan_{n}.laz"))
            assert found["counts"]["points_read"] == told[-1].points == counted
            site = open_map(pad.parent / "map")
            for level in site.levels:
                raster = site.level(level)
                assert false_steppable(raster, site.foot.outline_m) == 0
                judged = judge_everywhere(site.ground, site.foot, yaws=YAWS_GROWING)[level]
                np.testing.assert_array_equal(judged.label, raster.label)
    assert [version.scans for version in told] == [1, 2, 3, 4]


def test_a_file_that_is_still_being_written_is_never_read_half(pad: Path) -> None:
    stored = (pad.parent / "later" / "scan_0.laz").read_bytes()
    path = pad.parent / "scans" / "scan_0.laz"
    arrive(pad, 1)
    arrive(pad, 2)  # one shows too little for a sole
    with Follower(pad, pad.parent / "map", settle_s=0.0, patience_s=60.0) as follower:
        for share in (0.0, 0.3, 0.6, 0.999):
            path.write_bytes(stored[: int(share * len(stored))])
            looked(follower)
            assert scans_in(pad) == ["scan_1.laz", "scan_2.laz"]
        path.write_bytes(stored)
        looked(follower)
        assert scans_in(pad) == ["scan_1.laz", "scan_2.laz", "scan_0.laz"]


def test_scans_are_in_the_journal_on_disk_before_a_version_holds_them(
    pad: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However long forcing them there takes; the version is made meanwhile."""
    seen: list[str] = []
    force, put, renew = Journal._force, Publisher.put, Windows.renew

    def noted(name: str, function: Any, wait_s: float = 0.0) -> Any:
        def call(*arguments: Any) -> Any:
            time.sleep(wait_s)
            seen.append(name)
            return function(*arguments)

        return call

    monkeypatch.setattr(Publisher, "put", noted("put", put))
    monkeypatch.setattr(Windows, "renew", noted("made", renew))
    arrive(pad, 1)
    arrive(pad, 2)
    with following(pad) as follower:
        monkeypatch.setattr(Journal, "_force", noted("forced", force, 0.5))
        looked(follower)
    assert seen == ["made", "forced", "put"]
    assert scans_in(pad) == ["scan_1.laz", "scan_2.laz"]


def test_a_file_that_changes_after_all_is_taken_in_again(
    pad: Path, whole: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A writer that paused for longer than it may: what it wrote first is a whole file by itself."""
    monkeypatch.setattr(watch, "AGAIN_S", 0.0)
    lines: list[str] = []
    scan = next(open_cloud(pad.parent / "later" / "scan_0.laz"))
    assert scan.time_s is not None
    write_laz(pad.parent / "scans" / "scan_0.laz", scan.xyz_m[:1000], scan.time_s[:1000])
    arrive(pad, 1)
    with following(pad, on_line=lines.append) as follower:
        looked(follower)
        before = manifest(pad)
        arrive(pad, 0)
        follower.look()
        follower.look()  # everything is begun again here
        assert manifest(pad) == before  # and what is in place stays meanwhile
        looked(follower)
        assert manifest(pad)["counts"]["points_read"] == len(scan.xyz_m) + before["follow"]["scans"][1]["points"]
        arrive(pad, 2, 3)
        looked(follower)
        follower.finish()
    assert "scans/scan_0.laz changed after it was taken in: all scans are taken in again" in lines
    assert same_files(pad.parent / "map", whole)


def test_what_is_near_the_robot_comes_first(pad: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The last pose is at x = 1.6, y = -0.6; only tiles within 0.9 m of it are near here."""
    told: list[Version] = []
    monkeypatch.setattr(turns, "NEAR_M", 0.9)
    monkeypatch.setattr(turns, "NEAR_S", 1e9)
    monkeypatch.setattr(turns, "REST_S", 0.0)
    arrive(pad, 0, 1, 2, 3)
    with following(pad, on_version=told.append) as follower:
        looked(follower)
        raster = open_map(pad.parent / "map").level(0)
        iy, ix = np.nonzero(np.isfinite(raster.height_m))
        x, y = raster.x0_m + (ix + 0.5) * raster.cell_m, raster.y0_m + (iy + 0.5) * raster.cell_m
        assert np.hypot(x - 1.6, y + 0.6).max() < 0.9 + np.hypot(TILE_M, TILE_M)
        assert told[0].waiting_m2 > 0.0 and false_steppable(raster, follower.foot.outline_m) == 0
        while follower.step():
            pass
        assert told[-1].waiting_m2 == 0.0 and told[-1].fresh == 0 and told[-1].steppable_m2 > told[0].steppable_m2


def test_poses_that_are_being_rewritten_do_not_end_it(pad: Path, whole: Path) -> None:
    poses = pad.parent / "poses.txt"
    stored = poses.read_text()
    with Follower(pad, pad.parent / "map", settle_s=0.0, patience_s=60.0) as follower:
        arrive(pad, 0)
        looked(follower)
        poses.write_text("# a moment later there is more\n")
        arrive(pad, 1)
        looked(follower)
        assert scans_in(pad) == ["scan_0.laz", "scan_1.laz"]
        poses.write_text(stored)
        arrive(pad, 2, 3)
        looked(follower)
        follower.finish()
    assert same_files(pad.parent / "map", whole)


def test_what_did_not_change_is_the_same_file_and_no_other_maps(pad: Path, whole: Path) -> None:
    """Three returns of known ground change nothing but the manifest; a map of someone else is not taken over."""
    scan = next(open_cloud(pad.parent / "later" / "scan_3.laz"))
    assert scan.time_s is not None
    arrive(pad, 0, 1, 2)
    level, told = pad.parent / "map" / "level-0.tif", list[Version]()
    with following(pad, on_version=told.append) as follower:
        looked(follower)
        for k in range(3):
            before, inode, bytes_before = manifest(pad), level.stat().st_ino, files_of(pad.parent / "map")
            if k == 2:
                shutil.rmtree(pad.parent / "map")
                shutil.copytree(whole, pad.parent / "map")
            rows = slice(3 * k, 3 * k + 3)
            write_laz(pad.parent / "scans" / f"few_{k}.laz", scan.xyz_m[rows], scan.time_s[rows])
            looked(follower)
            found = manifest(pad)
            assert found["counts"]["points_read"] == before["counts"]["points_read"] + 3
            assert len(found["follow"]["scans"]) == len(before["follow"]["scans"]) + 1 == len(found["inputs"]) - 1
            assert files_of(pad.parent / "map") == bytes_before
            assert (level.stat().st_ino == inode) is (k < 2)
            assert open_map(pad.parent / "map").level(0).label.shape
    assert [version.fresh for version in told] == [3, 1, 1, 1]


def test_a_broken_scan_is_named_and_set_aside_and_the_rest_goes_on(pad: Path, tmp_path: Path) -> None:
    lines: list[str] = []
    (pad.parent / "scans" / "scan_9.laz").write_bytes(b"LASF but no more than that")
    arrive(pad, 0)
    with following(pad, on_line=lines.append) as follower:
        looked(follower)
        arrive(pad, 1)
        looked(follower)
        follower.finish()
        assert list(follower.set_aside()) == ["scans/scan_9.laz"]
    assert len([line for line in lines if "scan_9.laz" in line and "set aside" in line]) == 1
    found = manifest(pad)["follow"]
    assert [aside["path"] for aside in found["set_aside"]] == ["scans/scan_9.laz"]
    (pad.parent / "scans" / "scan_9.laz").unlink()
    assess(pad, tmp_path / "plain")
    assert same_files(pad.parent / "map", tmp_path / "plain")


def test_the_same_scan_under_two_names_counts_once(pad: Path) -> None:
    lines: list[str] = []
    arrive(pad, 0)
    with following(pad, on_line=lines.append) as follower:
        looked(follower)
        (pad.parent / "scans" / "copy.laz").write_bytes((pad.parent / "later" / "scan_0.laz").read_bytes())
        looked(follower)
    assert scans_in(pad) == ["scan_0.laz"]
    assert lines == ["scans/copy.laz: the same content as scans/scan_0.laz; taken once"]


def test_points_later_than_the_last_pose_wait(pad: Path, whole: Path) -> None:
    poses = pad.parent / "poses.txt"
    lines = poses.read_text().splitlines(keepends=True)
    early = [line for line in lines if line.startswith("#") or float(line.split()[0]) <= 103.0]
    poses.write_text("".join(early) + lines[len(early)][:9])  # the next line, torn
    arrive(pad, 0, 1, 2, 3)
    with following(pad) as follower:
        looked(follower)
        times = [s.time_s for k in range(4) for s in open_cloud(pad.parent / "later" / f"scan_{k}.laz")]
        later = sum(int((time_s > 103.0).sum()) for time_s in times if time_s is not None)
        found = manifest(pad)
        assert (
            found["follow"]["waiting"]["points"] == found["counts"]["points_dropped"]["waiting for poses"] == later > 0
        )
        poses.write_text("".join(lines))
        looked(follower)
        follower.step()
        assert manifest(pad)["follow"]["waiting"]["points"] == 0
        follower.finish()
    assert same_files(pad.parent / "map", whole)


def test_what_goes_wrong_while_a_version_is_put_into_place_is_raised_where_it_is_waited_for(pad: Path) -> None:
    """The next one is not begun before; the version in place stays, and the scans are in the journal."""
    told: list[int] = []

    def on_version(version: Version) -> None:
        told.append(version.number)
        if version.number == 2:
            raise DataError("the disk is full")

    with following(pad, on_version=on_version) as follower:
        arrive(pad, 0)
        looked(follower)
        arrive(pad, 1)
        follower.look()
        follower.look()
        assert follower.advance()
        with pytest.raises(DataError, match="the disk is full"):
            follower.publisher.settle()
        arrive(pad, 2)
        looked(follower)
    assert told == [1, 2, 3] and scans_in(pad) == ["scan_0.laz", "scan_1.laz", "scan_2.laz"]


def test_what_a_version_could_not_be_put_into_place_for_is_raised_and_the_next_one_holds_it_all(pad: Path) -> None:
    """Another process puts versions into place, and tells of its errors."""
    with following(pad) as follower:
        arrive(pad, 0)
        looked(follower)
        shutil.rmtree(pad.parent / "map")
        (pad.parent / "map").write_text("of somebody else")
        arrive(pad, 1)
        follower.look()
        follower.look()
        with pytest.raises(DataError, match=r"map: got a file, expected a map folder"):
            follower.step()
        (pad.parent / "map").unlink()
        arrive(pad, 2)
        looked(follower)
        raster = open_map(pad.parent / "map").level(0)
        assert scans_in(pad) == ["scan_0.laz", "scan_1.laz", "scan_2.laz"]
        in_place = follower.windows.mosaic.rasters(np.arange(1000, dtype=np.int32))[0]
        np.testing.assert_array_equal(raster.label, in_place.label)


def test_the_end_of_the_process_that_writes_is_told(pad: Path, whole: Path) -> None:
    """The map in place stays, and a follower that starts again goes on with it."""
    with following(pad) as follower:
        arrive(pad, 0)
        looked(follower)
        follower.publisher._companion.process.kill()
        arrive(pad, 1)
        follower.look()
        follower.look()
        with pytest.raises(DataError, match=r"map: the process that writes it ended, exit status -9"):
            follower.step()
    assert scans_in(pad) == ["scan_0.laz"]
    arrive(pad, 2, 3)
    with following(pad) as follower:
        looked(follower)
        assert scans_in(pad) == [f"scan_{k}.laz" for k in range(4)]
        follower.finish()
    assert same_files(pad.parent / "map", whole)


@pytest.mark.skipif(get_num_threads() < 2, reason="on one core no other process makes windows")
def test_the_end_of_the_process_that_makes_windows_too_is_told(pad: Path, whole: Path) -> None:
    """Nothing is lost: the scans are in the journal, and a follower that starts again takes them in again."""
    with following(pad) as follower:
        follower.warm_up()
        assert follower.hands is not None
        follower.hands._companion.process.kill()
        arrive(pad, 0, 1)
        follower.look()
        follower.look()
        with pytest.raises(DataError, match=r"map: the process that makes windows beside ended, exit status -9"):
            follower.step()
    assert not (pad.parent / "map").exists()
    arrive(pad, 2, 3)
    with following(pad) as follower:
        follower.warm_up()
        looked(follower)
        assert scans_in(pad) == [f"scan_{k}.laz" for k in range(4)]
        assert follower.hands is not None and follower.hands.processor_s > 0.0
        follower.finish()
        assert follower.hands is None
    assert same_files(pad.parent / "map", whole)


def test_scans_and_poses_may_both_be_to_come(tmp_path: Path, whole: Path) -> None:
    survey = write_pad(tmp_path / "pad")
    poses = survey.parent / "poses.txt"
    stored = poses.read_bytes()
    poses.unlink()
    with following(survey) as follower:
        assert not looked(follower)
        arrive(survey, 0, 1, 2, 3)
        looked(follower)
        assert not (survey.parent / "map").exists()
        poses.write_bytes(stored)
        assert looked(follower)
        follower.finish()
    assert same_files(survey.parent / "map", whole)


def test_started_again_it_goes_on_without_losing_or_doubling_a_scan(pad: Path, whole: Path) -> None:
    arrive(pad, 0, 1)
    with following(pad) as follower:
        looked(follower)
    before = manifest(pad)
    told: list[Version] = []
    with following(pad, on_version=told.append) as follower:
        looked(follower)
        assert manifest(pad) == before and not told  # what is in place holds as much
        arrive(pad, 2)
        looked(follower)
        assert told[0].scans == 3
        while follower.step():
            pass
        assert told[-1].scans == 3 and told[-1].waiting_m2 == 0.0
        arrive(pad, 3)
        looked(follower)
        follower.finish()
    journal = [json.loads(line) for line in (pad.parent / "map.follow.jsonl").read_text().splitlines()]
    assert [line["scan"] for line in journal[1:]] == [f"scans/scan_{k}.laz" for k in range(4)]
    assert same_files(pad.parent / "map", whole)


def test_too_few_returns_for_any_sole_make_a_map_once_nothing_else_is_to_do(tmp_path: Path) -> None:
    """Some thirteen returns in each block of 16 cm: nothing is due, and nothing is steppable."""
    survey = write_pad(tmp_path, per_m2=500.0)
    told: list[Version] = []
    for k in (0, 1):
        arrive(survey, k)
        with following(survey, on_version=told.append) as follower:
            follower.look()
            steps = 0
            while follower.step():
                steps += 1
                assert steps < 10
        assert scans_in(survey) == [f"scan_{n}.laz" for n in range(k + 1)]
        assert told[-1].waiting_m2 == told[-1].steppable_m2 == 0.0


def test_what_must_not_change_is_refused_with_what_to_do(pad: Path, tmp_path: Path) -> None:
    arrive(pad, 0, 1)
    with following(pad) as follower:
        looked(follower)
        with pytest.raises(ConfigError, match="another follower"):
            following(pad)
    text = pad.read_text()
    pad.write_text(text.replace("0.003", "0.004"))
    with pytest.raises(ConfigError, match=r"the survey file survey.toml and its settings .* changed .* --replace"):
        following(pad)
    pad.write_text(text)
    with pytest.raises(ConfigError, match=r"the foot profile boot changed|settings or options"):
        following(pad, overrides={"foot.profile": "boot"})
    with following(pad) as follower:
        pad.write_text(text + "\n# one more line\n")
        with pytest.raises(ConfigError, match="changed while it is followed"):
            follower.look()
    pad.write_text(text)
    (pad.parent / "scans" / "scan_0.laz").write_bytes((pad.parent / "later" / "scan_3.laz").read_bytes())
    lines: list[str] = []
    with following(pad, on_line=lines.append) as follower:
        looked(follower)
    assert lines == ["scans/scan_0.laz: has other content than when it was taken in before; it is taken as it is now"]
    (pad.parent / "scans" / "scan_0.laz").unlink()
    gone = r"scan_0.laz was taken in before and is not there any more; put it back, or start anew with --replace"
    with following(pad) as follower, pytest.raises(ConfigError, match=gone):
        follower.run(until_quiet_s=0.0)
    os.unlink(pad.parent / "map.follow.jsonl")
    with pytest.raises(DataError, match=r"exists already.*--replace"):
        following(pad)


def test_the_example_in_the_docstring_runs(pad: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    arrive(pad, 0, 1)
    monkeypatch.chdir(pad.parent)
    finder, runner = doctest.DocTestFinder(recurse=True), doctest.DocTestRunner()
    for example in finder.find(Follower, globs={}):
        runner.run(example)
    result = runner.summarize()
    assert result.attempted >= 4 and result.failed == 0


def test_no_scan_at_all_is_one_line(pad: Path) -> None:
    done = CliRunner().invoke(cli, ["follow", str(pad), "--out", str(pad.parent / "map"), "--until-quiet", "0"])
    assert done.exit_code == 1
    assert "no scan arrived, expected at least one" in done.stderr and not (pad.parent / "map").exists()


def test_stamps_by_number_cannot_be_followed(pad: Path) -> None:
    (pad.parent / "times.txt").write_text("100.0\n")
    with pytest.raises(ConfigError, match=r"scans\.stamps.*cannot be followed"):
        following(pad, overrides={"scans.stamps": str(pad.parent / "times.txt")})


@pytest.fixture
def readers(pad: Path) -> Iterator[list[str]]:
    """Threads that open the map and answer from it all the time; what they had to complain of."""
    wrong: list[str] = []
    end = threading.Event()
    folder = pad.parent / "map"

    def read() -> None:
        seen = 0
        while not end.is_set():
            if not folder.exists():
                continue
            try:
                site = open_map(folder)
                scans = len(site.manifest["follow"]["scans"])
                labels = site.judge([[0.3, 0.3, 0.0], [1.4, 0.2, 1.0]]).label
                raster = site.level(0)
                if scans < seen or raster.patch_id.max() >= len(site.patches()) or len(labels) != 2:
                    wrong.append(f"{scans} scans after {seen}")
                seen = scans
            except ReadError as error:
                if "was replaced since it was opened" not in str(error):  # what a reader is told to open again
                    wrong.append(str(error))

    threads = [threading.Thread(target=read) for _ in range(2)]
    for thread in threads:
        thread.start()
    yield wrong
    end.set()
    for thread in threads:
        thread.join()


def test_readers_see_one_version_or_the_next(pad: Path, readers: list[str]) -> None:
    shelf = None
    with following(pad) as follower:
        for k in range(4):
            arrive(pad, k)
            looked(follower)
            if shelf is None:
                shelf = Shelf([("pad", pad.parent / "map")])
            shelf.refresh()
            served = shelf.get("pad")
            assert served is not None and len(served.manifest["follow"]["scans"]) == k + 1
    assert readers == []
    assert shelf is not None and shelf.reloads["pad"] == 3


def write_sweeps(writer: BagWriter, pad: Path, sweeps: range, *, topics: tuple[str, ...] = ("/points",)) -> None:
    """Write 0.2 s of odometry and one cloud a topic for each sweep, points dealt out to the topics in turn."""
    clouds = [s for k in range(4) for s in open_cloud(pad.parent / "later" / f"scan_{k}.laz")]
    xyz = np.concatenate([s.xyz_m for s in clouds])
    time_s = np.concatenate([s.time_s for s in clouds if s.time_s is not None])
    poses = np.loadtxt(pad.parent / "poses.txt")
    record = np.dtype([("x", "<f4"), ("y", "<f4"), ("z", "<f4"), ("t", "<f8")])
    for k in sweeps:
        for row in poses[(poses[:, 0] >= 100.0 + 0.2 * k) & (poses[:, 0] < 100.2 + 0.2 * k)]:
            writer.odometry("/odom", row[0], row[1:4], row[4:])
        every = np.flatnonzero((time_s >= 100.0 + 0.2 * k) & (time_s < 100.2 + 0.2 * k))
        for n, topic in enumerate(topics):
            rows = every[n :: len(topics)]
            records = np.zeros(len(rows), dtype=record)
            for axis, name in enumerate("xyz"):
                records[name] = xyz[rows, axis]
            records["t"] = time_s[rows]
            writer.cloud(topic, records, 100.0 + 0.2 * k)


def chunked(bag: Path) -> bytes:
    """Return the messages of a bag as one MCAP file of small chunks, as recorders write them to disk."""
    stored = io.BytesIO()
    writer = Writer(stored, chunk_size=20_000)
    writer.start()
    channels: dict[str, int] = {}
    for raw in BagTail(bag).grown():
        if raw.topic not in channels:
            channels[raw.topic] = writer.register_channel(
                raw.topic, raw.encoding, writer.register_schema(raw.type, "ros2msg", b"")
            )
        writer.add_message(channels[raw.topic], raw.time_ns, raw.data, raw.time_ns)
    writer.finish()
    return stored.getvalue()


def test_a_bag_is_followed_while_it_is_written(pad: Path) -> None:
    """Clouds and odometry of one bag; at the end the map is that of the finished bag."""
    pad.write_text(pad.read_text().replace("poses.txt", "pass.mcap").replace("scans/*.laz", "pass.mcap"))
    with BagWriter(pad.parent / "later", "db3") as writer:
        write_sweeps(writer, pad, range(40))
    stored, growing = chunked(writer.path), pad.parent / "pass.mcap"
    counted = []
    with following(pad) as follower:
        for share in (0.1, 0.6):
            growing.write_bytes(stored[: int(share * len(stored))])
            follower.look()
            follower.step()
            if (pad.parent / "map").exists():
                counted.append(manifest(pad)["follow"]["scans"][0]["messages"])
    assert len(counted) == 1 and 12 <= counted[0] < 40  # too few at first to tell how times are read
    growing.write_bytes(stored)
    with following(pad) as follower:
        follower.look()
        follower.step()
        found = manifest(pad)["follow"]["scans"]
        assert [(scan["path"], scan["messages"]) for scan in found] == [("pass.mcap", 40)]
        follower.finish()
    assess(pad, pad.parent / "plain")
    assert same_files(pad.parent / "map", pad.parent / "plain")
    journal = [json.loads(line) for line in (pad.parent / "map.follow.jsonl").read_text().splitlines()]
    assert [line["messages"] for line in journal[1:]] == [counted[0], 40]


def test_two_sensors_of_one_bag_are_both_followed(pad: Path) -> None:
    text = pad.read_text().replace('file = "poses.txt"', 'file = "pass"').replace("scans/*.laz", "pass")
    start, end = text.index("[sensor]"), text.index("[poses]")
    one = text[start:end].replace("[sensor]", "[[sensors]]")
    both = "".join(f'{one}name = "{name}"\ntopic = "/{name}"\n' for name in ("front", "rear"))
    pad.write_text(text[:start] + text[end:] + both)
    with BagWriter(pad.parent, "mcap") as writer:
        write_sweeps(writer, pad, range(20), topics=("/front", "/rear"))
    with following(pad) as follower:
        follower.look()
        assert follower.step()
        found = manifest(pad)
        assert [scan["path"] for scan in found["follow"]["scans"]] == ["pass [front]", "pass [rear]"]
        follower.finish()
    assess(pad, pad.parent / "plain")
    assert same_files(pad.parent / "map", pad.parent / "plain")
    assert manifest(pad)["counts"]["points_read"] == found["counts"]["points_read"]


def test_points_that_are_fused_already_are_followed_too(tmp_path: Path) -> None:
    """Without viewpoints every version is of the whole site: its labels are those of the end."""
    survey, xyz = tmp_path / "survey.toml", pad_points(6000.0)
    survey.write_text(MAP_SURVEY)
    with following(survey) as follower:
        for k, part in enumerate(np.array_split(xyz, 2)):
            write_laz(tmp_path / "scans" / f"scan_{k}.laz", part)
            looked(follower)
        between = open_map(tmp_path / "map").level(0)
        follower.finish()
    end = open_map(tmp_path / "map").level(0)
    np.testing.assert_array_equal(between.label, end.label)
    assess(survey, tmp_path / "plain")
    assert same_files(tmp_path / "map", tmp_path / "plain")


def test_a_stop_file_ends_it_and_replace_begins_anew(pad: Path) -> None:
    arrive(pad, 0)
    (pad.parent / "enough").touch()
    with following(pad) as follower:
        assert follower.run(stop_file=pad.parent / "enough").points_read == manifest(pad)["counts"]["points_read"]
    (pad.parent / "scans" / "scan_0.laz").unlink()
    arrive(pad, 1)
    with following(pad, replace=True) as follower:
        follower.run(stop_file=pad.parent / "enough")
    assert scans_in(pad) == ["scan_1.laz"] and manifest(pad)["follow"]["state"] == "finished"


def test_sigterm_finishes(pad: Path, whole: Path) -> None:
    arrive(pad, 0, 1, 2, 3)
    command = [sys.executable, "-W", "ignore", "-m", "terrain.cli.main", "follow", str(pad), "--out", "map"]
    with subprocess.Popen(command, cwd=pad.parent, stderr=subprocess.PIPE, stdout=subprocess.PIPE, env=_env()) as child:
        assert child.stderr is not None
        assert b"version 1: 4 scans" in child.stderr.readline()
        child.send_signal(signal.SIGTERM)
        out, _ = child.communicate(timeout=60)
    assert child.returncode == 0 and b"steppable" in out
    assert same_files(pad.parent / "map", whole)


def test_killed_at_any_moment_nothing_is_lost_doubled_or_torn(tmp_path: Path) -> None:
    command = [sys.executable, "-W", "ignore", "-m", "tests.support.killing", "--follow", str(tmp_path), "--turns", "2"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True, timeout=240)
    lines = done.stdout.splitlines()
    assert lines[-1].startswith("kills 2, passes ") and lines[-1].endswith("wrong 0"), done.stdout


def _env() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])}


def test_versions_call_less_steppable_than_the_end_not_more(pad: Path, whole: Path) -> None:
    """Of what a version with all scans calls steppable hardly a cell is not so in the end."""
    arrive(pad, 0, 1, 2, 3)
    with following(pad) as follower:
        looked(follower)
        while follower.step():
            pass
    one, other = open_map(pad.parent / "map").level(0), open_map(whole).level(0)
    x, y = round((other.x0_m - one.x0_m) / one.cell_m), round((other.y0_m - one.y0_m) / one.cell_m)
    assert (x, y) == (0, 0) and one.label.shape == other.label.shape
    more = (one.label == Label.STEPPABLE) & (other.label != Label.STEPPABLE)
    assert more.sum() <= 0.02 * (other.label == Label.STEPPABLE).sum()
    assert not ((one.label == Label.STEPPABLE) & (other.label == Label.UNSTEPPABLE)).any()
