"""Windows made by another process: the same as here, however they are shared out; and how that process ends."""

from __future__ import annotations

import dataclasses
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from terrain.data import Cloud, FootProfile
from terrain.errors import DataError
from terrain.follow.hands import Hands
from terrain.follow.making import Job, Made, Maker
from terrain.follow.mosaic import beside
from terrain.follow.points import Points
from terrain.follow.share import LEAST_SHARE, SLACK, by_whoever_is_free, groups, shared_out
from terrain.follow.talk import Companion
from terrain.follow.windows import Windows
from terrain.foot import load_foot
from terrain.fusing import Clock
from tests.support.arriving import fused_pad


@pytest.fixture(scope="module")
def cloud(tmp_path_factory: pytest.TempPathFactory) -> Cloud:
    return fused_pad(tmp_path_factory.mktemp("pad"))


@pytest.fixture(scope="module")
def foot() -> FootProfile:
    return load_foot("biped", relative_to=Path())


@pytest.fixture(autouse=True)
def two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    """Share windows out between two, however many cores there are."""
    monkeypatch.setattr("terrain.follow.windows.get_num_threads", lambda: 2)


@pytest.fixture(scope="module")
def process(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Hands]:
    hands = Hands(tmp_path_factory.mktemp("out") / "map")
    yield hands
    hands.close()


def same(one: Any, other: Any, where: str = "made") -> int:
    """Compare two results part by part; return how many arrays there were."""
    assert type(one) is type(other), where
    if isinstance(one, np.ndarray) and one.dtype != object:
        assert one.dtype == other.dtype, where
        np.testing.assert_array_equal(one, other, err_msg=where)
        return 1
    if dataclasses.is_dataclass(one):
        names = [field.name for field in dataclasses.fields(one) if field.name != "seconds"]
        return sum(same(getattr(one, name), getattr(other, name), f"{where}.{name}") for name in names)
    if isinstance(one, dict):
        assert one.keys() == other.keys(), where
        return sum(same(one[key], other[key], f"{where}[{key}]") for key in one)
    if isinstance(one, np.ndarray | list | tuple):
        assert len(one) == len(other), where
        return sum(same(a, b, f"{where}[{k}]") for k, (a, b) in enumerate(zip(one, other, strict=True)))
    assert one == other, where
    return 0


def jobs_of(points: Points, shares: int) -> list[Job]:
    every = set(points.in_tile)
    return [
        Job(tuple(group), frozenset(beside(group, 1) & every), others=True)
        for group in shared_out(points.in_tile, shares)
    ]


def test_the_other_process_makes_the_very_same_windows(cloud: Cloud, foot: FootProfile, process: Hands) -> None:
    """Points told in two parts, and some left out before."""
    points = Points()
    points.append(cloud.some(slice(0, 20_000)))
    process.begin(foot)
    process.know(points)
    points.append(cloud.some(slice(20_000, len(cloud))))
    process.know(points)
    gone = np.arange(0, points.count, 7)
    reasons = np.ones(len(gone), dtype=np.uint8)
    assert len(points.leave_out(gone, reasons)) == len(gone)
    process.leave_out(gone, reasons)
    maker = Maker(points, foot, whole=False)
    for job in (*jobs_of(points, 3), Job(((0, 0),), frozenset(), others=True)):
        here, there = maker.made(job), process.made(job)
        assert here.window is not None and len(here.window.segmentation.patches) > 0
        assert same(here, there) > 30
        assert here.rows.size and set(there.seconds) == {"clean", "segment", "ground"}


def test_versions_do_not_depend_on_who_made_their_windows(cloud: Cloud, foot: FootProfile, process: Hands) -> None:
    """Some windows made there, all of them there, and none; the second version is of points that came later."""
    found = []
    for workers in ("both", "there", "here"):
        points = Points()
        windows = Windows(points, foot, whole=False)
        windows.use(None if workers == "here" else process)
        if workers == "there":
            windows._workers = lambda threads: [process.made]  # type: ignore[method-assign]
        for part in (slice(0, 30_000), slice(30_000, len(cloud))):
            points.append(cloud.some(part))
            windows.know()
            windows.renew(points.in_tile, Clock())
        found.append((windows.mosaic.ground(), windows.renewed().found, points.left_out.copy()))
        process.settle()
    for other in found[1:]:
        same(found[0][0], other[0], "ground")
        assert [each.tiles for each in found[0][1]] == [each.tiles for each in other[1]]
        same([each.segmentation.point_patch for each in found[0][1]], [e.segmentation.point_patch for e in other[1]])
        same(found[0][2], other[2], "left out")
    assert len(found[0][1]) >= 4


def test_what_goes_wrong_there_is_raised_here_and_the_next_window_is_made(
    cloud: Cloud, foot: FootProfile, process: Hands
) -> None:
    points = Points()
    points.append(cloud)
    process.begin(foot)
    process.know(points)
    process.leave_out(np.array([points.count]), np.ones(1, dtype=np.uint8))
    with pytest.raises(IndexError, match="out of bounds"):
        process.made(jobs_of(points, 2)[0])
    assert process.made(jobs_of(points, 2)[0]).window is not None


def test_the_end_of_the_process_is_told(cloud: Cloud, foot: FootProfile, tmp_path: Path) -> None:
    points = Points()
    points.append(cloud)
    hands = Hands(tmp_path / "map")
    windows = Windows(points, foot, whole=False)
    windows.use(hands)
    hands.settle()
    hands._companion.process.kill()
    with pytest.raises(DataError, match=r"map: the process that makes windows beside ended, exit status -9"):
        windows.renew(points.in_tile, Clock())
    assert not windows.mosaic.tiles
    hands.close()


def test_signals_that_reach_all_processes_do_not_end_it(foot: FootProfile, tmp_path: Path) -> None:
    hands = Hands(tmp_path / "map")
    hands.begin(foot)
    hands.settle()  # it has begun to answer
    for number in (signal.SIGINT, signal.SIGTERM):
        hands._companion.process.send_signal(number)
    hands.begin(foot)
    hands.settle()
    hands.close()
    assert hands._companion.process.returncode == 0


STARTER = """
import sys, time
from pathlib import Path
from terrain.follow.hands import Hands
from terrain.foot import load_foot
hands = Hands(Path("map"))
hands.begin(load_foot("biped", relative_to=Path()))
hands.settle()
print(hands._companion.process.pid, flush=True)
time.sleep(600)
"""


def test_it_ends_when_the_one_that_started_it_is_killed() -> None:
    with subprocess.Popen([sys.executable, "-c", STARTER], stdout=subprocess.PIPE) as starter:
        assert starter.stdout is not None
        pid = int(starter.stdout.readline())
        assert running(pid)
        starter.kill()
    until = time.monotonic() + 30.0
    while running(pid) and time.monotonic() < until:
        time.sleep(0.02)
    assert not running(pid)


def running(pid: int) -> bool:
    """Return whether a process has not ended, by what the system tells; one that waits to be counted has."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"


def test_a_process_that_cannot_be_started_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", str(tmp_path / "none"))
    with pytest.raises(DataError, match=r"map: cannot start a process that makes windows beside: No such file"):
        Hands(tmp_path / "map")


def test_messages_of_any_length_come_back_as_they_were(tmp_path: Path) -> None:
    """Longer than what a socket holds; answered in order, though none is waited for."""
    companion = Companion("tests.support.echo", out=tmp_path / "map", does="echoes")
    sent = [np.arange(n, dtype=np.float64) for n in (0, 1, 3_000_000, 10)]
    for one, other in zip(sent, [companion.tell(each) for each in sent], strict=True):
        np.testing.assert_array_equal(one, other.result())
    companion.close()
    assert companion.processor_s > 0.0 and companion.process.returncode == 0


def test_groups_are_cut_until_none_is_more_than_a_share() -> None:
    """A long strip, a block, and what is too small to be cut; every tile is in one group, and each hangs together."""
    strip = {(x, 0) for x in range(20)}
    block = {(x, y) for x in range(30, 34) for y in range(5)}
    for tiles in (strip, block, strip | block, {(0, 0), (1, 0)}, {(0, 0)}):
        for shares in (1, 2, 3, 8):
            found = shared_out(tiles, shares)
            assert sorted(tile for group in found for tile in group) == sorted(tiles)
            assert all(len(groups(group)) == 1 for group in found)
            fair = max((1.0 + SLACK) * len(tiles) / shares + 1.0, LEAST_SHARE)
            assert all(len(group) <= fair for group in found)
            assert [len(group) for group in found] == sorted(map(len, found), reverse=True)
    assert [set(group) for group in shared_out(strip, 2)] == [
        {t for t in strip if t[0] < 10},
        strip - {(x, 0) for x in range(10)},
    ]
    assert shared_out([], 2) == []


def test_groups_that_are_fair_already_are_not_cut() -> None:
    apart = [{(x, y) for x in range(at, at + 3)} for at, y in ((0, 0), (10, 0), (20, 0))]
    assert [set(group) for group in shared_out(set().union(*apart), 3)] == apart
    assert len(shared_out(set().union(*apart), 2)) == 3


def test_who_is_free_takes_the_next() -> None:
    """One worker waits until the others have made all the rest; results keep their order."""
    begun, rest, by = threading.Event(), threading.Event(), dict[int, str]()

    def slow(item: int) -> int:
        by[item] = "slow"
        begun.set()
        assert rest.wait(30.0)
        return -item

    def quick(item: int) -> int:
        assert begun.wait(30.0)
        by[item] = "quick"
        if len(by) == 10:
            rest.set()
        return -item

    assert by_whoever_is_free([slow, quick], range(10)) == [-k for k in range(10)]
    assert list(by.values()).count("slow") == 1
    assert by_whoever_is_free([abs, quick], []) == []


def test_after_what_goes_wrong_nothing_more_is_begun() -> None:
    begun = []

    def work(item: int) -> Made:
        begun.append(item)
        raise DataError("no")

    with pytest.raises(DataError, match="no"):
        by_whoever_is_free([work, work], range(100))
    assert len(begun) <= 2
