"""The follower's journal: what is on disk counts, whatever ended the last run."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from terrain.errors import ConfigError, DataError
from terrain.follow.journal import Journal, journal_path

SETUP = {"the survey file pad.toml": "a" * 64, "the foot profile biped": "b" * 64}


def test_lines_are_there_after_another_start(tmp_path: Path) -> None:
    path = journal_path(tmp_path / "map")
    assert path == tmp_path / "map.follow.jsonl"
    with Journal(path, SETUP) as journal:
        assert not journal.resumed
        journal.take([("one.laz", "1" * 64, 10, None)])
        journal.take([("pass", "2" * 64, 20, 2)])
        journal.take([("pass", "3" * 64, 30, 3)])
        journal.set_aside("two.laz", "damaged")
    with Journal(path, SETUP) as journal:
        assert journal.resumed
        assert list(journal.scans) == ["one.laz", "pass"]
        assert journal.scans["pass"] == {"scan": "pass", "sha256": "3" * 64, "points": 30, "messages": 3}
        assert journal.aside == {"two.laz": "damaged"}


def test_what_is_noted_twice_stands_once(tmp_path: Path) -> None:
    with Journal(tmp_path / "j", SETUP) as journal:
        for _ in range(2):
            journal.take([("one.laz", "1" * 64, 10, None)])
            journal.set_aside("two.laz", "damaged")
    assert len((tmp_path / "j").read_text().splitlines()) == 3


def test_lines_are_written_at_once_and_forced_to_disk_meanwhile(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, begun, going_on = tmp_path / "j", threading.Event(), threading.Event()
    with Journal(path, SETUP) as journal:

        def slow(handle: int) -> None:
            begun.set()
            assert going_on.wait(20.0)
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(os, "fsync", slow)
        journal.take([("one.laz", "1" * 64, 10, None)])
        assert begun.wait(20.0) and json.loads(path.read_text().splitlines()[-1])["scan"] == "one.laz"
        threading.Timer(0.2, going_on.set).start()
        with pytest.raises(DataError, match="cannot write: No space left"):
            journal.settle()
        assert going_on.is_set()
        journal.settle()  # once said


@pytest.mark.parametrize("cut", range(1, 60, 7))
def test_a_torn_last_line_is_dropped_and_the_next_one_is_whole(tmp_path: Path, cut: int) -> None:
    path = tmp_path / "j"
    with Journal(path, SETUP) as journal:
        journal.take([("one.laz", "1" * 64, 10, None)])
        whole = path.stat().st_size
        journal.take([("two.laz", "2" * 64, 10, None)])
    path.write_bytes(path.read_bytes()[: whole + cut])
    with Journal(path, SETUP) as journal:
        assert list(journal.scans) == ["one.laz"]
        journal.take([("three.laz", "3" * 64, 10, None)])
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    assert [line["scan"] for line in lines[1:]] == ["one.laz", "three.laz"]


def test_a_torn_first_line_is_a_journal_that_was_never_begun(tmp_path: Path) -> None:
    (tmp_path / "j").write_bytes(b'{"format": "terr')
    with Journal(tmp_path / "j", SETUP) as journal:
        assert not journal.resumed
    assert json.loads((tmp_path / "j").read_text())["setup"] == SETUP


def test_a_damaged_line_among_good_ones_is_an_error(tmp_path: Path) -> None:
    path = tmp_path / "j"
    with Journal(path, SETUP) as journal:
        journal.take([("one.laz", "1" * 64, 10, None)])
    path.write_bytes(path.read_bytes().replace(b'{"scan"', b"{scan", 1))
    with pytest.raises(DataError, match=r"line 2: damaged.*--replace"):
        Journal(path, SETUP)


def test_another_survey_or_foot_is_refused_with_what_to_do(tmp_path: Path) -> None:
    with Journal(tmp_path / "j", SETUP):
        pass
    other = {**SETUP, "the foot profile biped": "c" * 64}
    with pytest.raises(
        ConfigError, match=r"the foot profile biped changed since .* put back .* --replace, or .* --out"
    ):
        Journal(tmp_path / "j", other)
    with Journal(tmp_path / "j", other, fresh=True) as journal:
        assert not journal.resumed


def test_a_second_follower_is_refused(tmp_path: Path) -> None:
    with Journal(tmp_path / "j", SETUP), pytest.raises(ConfigError, match="another follower"):
        Journal(tmp_path / "j", SETUP, wait_s=0.2)
    with Journal(tmp_path / "j", SETUP):
        pass


def test_a_follower_waits_for_what_a_killed_one_left_at_work(tmp_path: Path) -> None:
    """The process that puts versions into place holds the lock too, until it ends."""
    journal = Journal(tmp_path / "j", SETUP)
    program = "import sys, time; time.sleep(1.0)"
    with subprocess.Popen([sys.executable, "-c", program], pass_fds=(journal.fileno(),)) as other:
        journal.close()
        with pytest.raises(ConfigError, match="another follower"):
            Journal(tmp_path / "j", SETUP, wait_s=0.0)
        with Journal(tmp_path / "j", SETUP, wait_s=60.0):
            assert other.poll() is not None or other.wait(5.0) == 0
