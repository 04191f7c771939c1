"""The history of checks, and what `assess` warns of because of it."""

from __future__ import annotations

import math
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from terrain.data import SensorModel
from terrain.errors import ReadError
from terrain.sensor.history import (
    FILE_NAME,
    VARIABLE,
    Entry,
    append,
    history_path,
    read_history,
    same_mount,
    survey_warnings,
)

MOUNT = (0.1, 0.0, 0.45, 0.0, 0.0, 0.0, 1.0)
PROPOSED = (0.102, 0.0, 0.45, 0.0, float(np.sin(0.004)), 0.0, float(np.cos(0.004)))
DONE = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
ENTRY = Entry(
    DONE.isoformat(), "front", "corner", "yard", "pass", 30.0, MOUNT, PROPOSED, 0.25,
    {"across targets: mount pitch": (0.001, 0.0004, 0.004, "rad", "pass")},
)  # fmt: skip


def model(mount: tuple[float, ...] = MOUNT, offset: float = 0.25) -> SensorModel:
    return SensorModel(np.array(mount[:3]), np.array(mount[3:]), time_offset_s=offset)


def warned(folder: Path, *entries: Entry, sensor: SensorModel | None = None, days: float = 1.0) -> tuple[str, ...]:
    path = folder / "checks.sqlite"
    for entry in entries:
        append(path, entry)
    return survey_warnings(path, {"sensor": sensor or model()}, now=DONE + timedelta(days=days))


def test_what_is_appended_is_read_back_in_order(tmp_path: Path) -> None:
    path = tmp_path / "checks.sqlite"
    assert read_history(path) == ()
    later = replace(ENTRY, done_utc=(DONE + timedelta(days=2)).isoformat(), verdict="fail", mount=None, proposed=None)
    append(path, later)
    append(path, ENTRY)
    assert read_history(path) == (ENTRY, later)
    with sqlite3.connect(path) as base:  # a table that other programs can read
        assert base.execute("SELECT sensor, verdict FROM checks ORDER BY done_utc").fetchall() == [
            ("front", "pass"), ("front", "fail"),
        ]  # fmt: skip


def test_where_the_history_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(VARIABLE, raising=False)
    assert history_path(tmp_path / "survey.toml") == tmp_path / FILE_NAME
    monkeypatch.setenv(VARIABLE, str(tmp_path / "all.sqlite"))
    assert history_path(tmp_path / "survey.toml") == tmp_path / "all.sqlite"
    assert history_path(tmp_path / "survey.toml", tmp_path / "mine") == tmp_path / "mine"


def test_a_good_recent_check_of_this_mount_warns_of_nothing(tmp_path: Path) -> None:
    assert survey_warnings(tmp_path / "none.sqlite", {"sensor": model()}) == ()
    assert warned(tmp_path, ENTRY) == ()


def test_a_failed_check_warns_until_one_passes(tmp_path: Path) -> None:
    failed = replace(ENTRY, verdict="fail", quantities={"floor: bias": (0.02, 0.001, 0.01, "m", "fail")})
    (words,) = warned(tmp_path, failed)
    assert words.startswith("sensor check of 'front' on 2026-03-01 failed (floor: bias)")
    assert warned(tmp_path, replace(ENTRY, done_utc=(DONE + timedelta(hours=1)).isoformat())) == ()


@pytest.mark.parametrize(
    ("entry", "sensor", "days", "words"),
    [
        (replace(ENTRY, verdict="undecided"), model(), 1.0, "decided nothing"),
        (ENTRY, model(), 31.0, "older than the 30 days"),
        (ENTRY, model((0.11, *MOUNT[1:])), 1.0, "is not the one of the sensor check"),
        (ENTRY, model(PROPOSED), 1.0, "is the one that the sensor check of 'front' on 2026-03-01 proposed"),
        (ENTRY, model(offset=0.26), 1.0, "time_offset_s is not the one"),
    ],
)
def test_other_reasons_to_warn(entry: Entry, sensor: SensorModel, days: float, words: str, tmp_path: Path) -> None:
    (found,) = warned(tmp_path, entry, sensor=sensor, days=days)
    assert words in found


def test_a_failed_check_is_not_hidden_by_one_of_the_same_mount_under_another_name(tmp_path: Path) -> None:
    """A check without targets goes by the survey's name of the sensor, one with targets by theirs."""
    failed = replace(ENTRY, verdict="fail")
    (words,) = warned(
        tmp_path, failed, replace(ENTRY, sensor="sensor", done_utc=(DONE + timedelta(hours=1)).isoformat())
    )
    assert words.startswith("sensor check of 'front' on 2026-03-01 failed")
    elsewhere = replace(failed, sensor="other robot", mount=PROPOSED)
    assert warned(tmp_path, elsewhere) == (words,)
    assert warned(tmp_path, replace(ENTRY, done_utc=(DONE + timedelta(hours=2)).isoformat())) == ()


def test_each_sensor_goes_by_its_name(tmp_path: Path) -> None:
    path = tmp_path / "checks.sqlite"
    append(path, replace(ENTRY, sensor="left", verdict="fail"))
    append(path, replace(ENTRY, sensor="right"))
    two = {"left": model(), "right": model()}
    (words,) = survey_warnings(path, two, now=DONE)
    assert "'left'" in words


def test_mounts_are_compared_beyond_rounding_and_sign() -> None:
    turned = Rotation.from_euler("y", 0.02, degrees=True).as_quat()
    assert same_mount(MOUNT, (*MOUNT[:3], 0.0, 0.0, 0.0, -1.0))
    assert same_mount(MOUNT, (0.10004, *MOUNT[1:]))
    assert not same_mount(MOUNT, (0.1003, *MOUNT[1:]))
    assert not same_mount(MOUNT, (*MOUNT[:3], *turned))
    assert same_mount(MOUNT, (*MOUNT[:3], 0.0, math.sin(1e-5), 0.0, math.cos(1e-5)))


def test_a_file_that_is_no_history_is_named(tmp_path: Path) -> None:
    path = tmp_path / "checks.sqlite"
    path.write_text("this is no database, but a text that is long enough to be taken for one" * 20)
    with pytest.raises(ReadError, match=r"history .*checks.sqlite: file is not a database"):
        read_history(path)
    with pytest.raises(ReadError, match=r"checks\.sqlite"):
        append(path, ENTRY)
    append(tmp_path / "good.sqlite", ENTRY)
    with sqlite3.connect(tmp_path / "good.sqlite") as base:
        base.execute("UPDATE checks SET quantities = 'x'")
    with pytest.raises(ReadError, match="a row is damaged"):
        read_history(tmp_path / "good.sqlite")
