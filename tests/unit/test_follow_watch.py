"""When a file counts as complete: told with a clock that the test turns."""

from __future__ import annotations

import sys
import threading
import time
from pathlib import Path

import pytest

from terrain.follow.watch import AGAIN_S, Watch


class Turned:
    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Turned:
    return Turned()


@pytest.fixture
def watch(clock: Turned) -> Watch:
    return Watch(settle_s=1.0, patience_s=5.0, clock=clock)


def test_a_file_that_grows_is_not_complete_until_it_rests(tmp_path: Path, watch: Watch, clock: Turned) -> None:
    path = tmp_path / "scan.bin"
    for size in range(1, 4):
        path.write_bytes(b"x" * size)
        assert watch.look([path]) == []
        clock.now += 0.9
        assert watch.look([path]) == []
    clock.now += 0.2
    assert watch.look([path]) == [path]


def test_one_look_is_never_enough(tmp_path: Path, watch: Watch, clock: Turned) -> None:
    path = tmp_path / "scan.bin"
    path.write_bytes(b"x")
    clock.now = 100.0
    assert watch.look([path]) == []


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells of renames")
def test_a_file_renamed_into_place_is_complete_at_once(tmp_path: Path, watch: Watch) -> None:
    first, second, written = (tmp_path / f"scan_{k}.bin" for k in range(3))
    first.write_bytes(b"x")
    assert watch.look([first]) == []  # the folder is watched from now on
    (tmp_path / ".part").write_bytes(b"xy")
    (tmp_path / ".part").rename(second)
    written.write_bytes(b"x")
    assert watch.look([first, second, written]) == [second]
    watch.done(second)
    assert watch.look([first, second, written]) == []


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells of renames")
def test_waiting_ends_when_a_file_is_renamed_into_place(tmp_path: Path, watch: Watch) -> None:
    """A minute is not waited for."""
    first, second = tmp_path / "scan_0.laz", tmp_path / "scan_1.laz"
    first.write_bytes(b"one")
    watch.look([first])
    (tmp_path / ".part").write_bytes(b"two")
    later = threading.Timer(0.2, (tmp_path / ".part").rename, [second])
    later.start()
    begun = time.monotonic()
    watch.wait(60.0)
    assert second.exists() and time.monotonic() - begun < 50.0
    assert watch.look([second]) == [second]
    watch.wait(0.0)


def test_a_file_that_is_done_comes_up_again_only_if_it_changes(tmp_path: Path, watch: Watch, clock: Turned) -> None:
    path = tmp_path / "scan.bin"
    path.write_bytes(b"x")
    watch.look([path])
    clock.now = 2.0
    assert watch.look([path]) == [path]
    watch.done(path)
    assert watch.look([path]) == [] and watch.open_files() == []
    path.write_bytes(b"xy")
    clock.now = 2.0 + AGAIN_S
    assert watch.look([path]) == [] and watch.open_files() == [path]
    clock.now += 1.0
    assert watch.look([path]) == [path]


def test_patience_counts_from_the_last_change(tmp_path: Path, watch: Watch, clock: Turned) -> None:
    path = tmp_path / "scan.bin"
    path.write_bytes(b"x")
    watch.look([path])
    clock.now = 4.9
    assert not watch.is_lost(path)
    path.write_bytes(b"xy")
    assert not watch.is_same(path)
    watch.look([path])
    assert watch.is_same(path)
    clock.now = 9.8
    assert not watch.is_lost(path)
    clock.now = 9.9
    assert watch.is_lost(path)


def test_a_file_that_goes_away_is_forgotten(tmp_path: Path, watch: Watch) -> None:
    path = tmp_path / "scan.bin"
    path.write_bytes(b"x")
    watch.look([path])
    path.unlink()
    assert watch.look([path]) == [] and watch.open_files() == [] and not watch.is_same(path)
