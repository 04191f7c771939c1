"""The history of checks: a small SQLite table beside the survey, one row a check."""

from __future__ import annotations

import json
import math
import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from terrain.data import FloatArray, SensorModel
from terrain.errors import ReadError

FILE_NAME = "sensor-checks.sqlite"
VARIABLE = "TERRAIN_CHECKS"
SAME_M, SAME_RAD, SAME_S = 1e-4, math.radians(0.005), 1e-5
"""Mounts and clocks that differ by less are the same, written with fewer digits."""

_TABLE = """
CREATE TABLE IF NOT EXISTS checks (
    id INTEGER PRIMARY KEY,
    done_utc TEXT NOT NULL,
    sensor TEXT NOT NULL,
    setup TEXT NOT NULL,
    survey TEXT NOT NULL,
    verdict TEXT NOT NULL CHECK (verdict IN ('pass', 'fail', 'undecided')),
    valid_days REAL NOT NULL,
    mount TEXT,
    proposed TEXT,
    time_offset_s REAL,
    quantities TEXT NOT NULL
)
"""
_COLUMNS = "done_utc, sensor, setup, survey, verdict, valid_days, mount, proposed, time_offset_s, quantities"


@dataclass(frozen=True, slots=True)
class Entry:
    """One check as the history keeps it.

    mount, proposed: translation and quaternion (x, y, z, w) as stated and as corrected, or None; quantities: by name
    "of: what" the value, U, tolerance (or None), all in SI, the unit and the decision.
    """

    done_utc: str
    sensor: str
    setup: str
    survey: str
    verdict: str
    valid_days: float
    mount: tuple[float, ...] | None
    proposed: tuple[float, ...] | None
    time_offset_s: float | None
    quantities: Mapping[str, tuple[float | None, float | None, float | None, str, str]]

    @property
    def when(self) -> datetime:
        """Return the time of the check."""
        return datetime.fromisoformat(self.done_utc)


def history_path(survey_file: Path, stated: Path | None = None) -> Path:
    """Return where the history of a survey's sensors is: as stated, else by $TERRAIN_CHECKS, else beside the survey."""
    named = os.environ.get(VARIABLE, "")
    return stated or (Path(named) if named else survey_file.parent / FILE_NAME)


@contextmanager
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    try:
        with closing(sqlite3.connect(path, timeout=10.0)) as base, base:
            yield base
    except sqlite3.Error as error:
        raise ReadError(f"history {path}: {error}, expected a table of checks (SQLite) that can be written") from error


def append(path: Path, entry: Entry) -> None:
    """Add one check to a history, which is made where there is none.

    Raises
    ------
    ReadError
        The file is no such table, or cannot be written.
    """
    row = (
        entry.done_utc,
        entry.sensor,
        entry.setup,
        entry.survey,
        entry.verdict,
        entry.valid_days,
        json.dumps(entry.mount),
        json.dumps(entry.proposed),
        entry.time_offset_s,
        json.dumps(dict(entry.quantities)),
    )
    with _opened(path) as base:
        base.execute(_TABLE)
        base.execute(f"INSERT INTO checks ({_COLUMNS}) VALUES ({', '.join('?' * len(row))})", row)


def read_history(path: Path) -> tuple[Entry, ...]:
    """Return all checks of a history, oldest first; none where there is no file.

    Raises
    ------
    ReadError
        The file is no such table.
    """
    if not path.is_file():
        return ()
    with _opened(path) as base:
        rows = base.execute(f"SELECT {_COLUMNS} FROM checks ORDER BY done_utc, id").fetchall()
    try:
        return tuple(_entry(row) for row in rows)
    except (ValueError, TypeError) as error:
        raise ReadError(f"history {path}: a row is damaged ({error}), expected what checks have written") from error


def _entry(row: tuple[object, ...]) -> Entry:
    done, sensor, setup, survey, verdict, days, mount, proposed, offset, quantities = row
    datetime.fromisoformat(str(done))
    stated, wanted = json.loads(str(mount)), json.loads(str(proposed))
    return Entry(
        str(done),
        str(sensor),
        str(setup),
        str(survey),
        str(verdict),
        float(str(days)),
        None if stated is None else tuple(map(float, stated)),
        None if wanted is None else tuple(map(float, wanted)),
        None if offset is None else float(str(offset)),
        {name: tuple(values) for name, values in json.loads(str(quantities)).items()},
    )


def now_utc() -> str:
    """Return the time now, to the second."""
    return datetime.now(UTC).replace(microsecond=0).isoformat()


def mount_numbers(translation_m: FloatArray, rotation_xyzw: FloatArray) -> tuple[float, ...]:
    """Return a mount as seven plain numbers."""
    return tuple(float(one) for one in (*translation_m, *rotation_xyzw))


def same_mount(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    """Whether two mounts are the same but for rounding."""
    a, b = np.array(one), np.array(other)
    cosine = abs(float(a[3:] @ b[3:])) / float(np.linalg.norm(a[3:]) * np.linalg.norm(b[3:]))
    angle = 2.0 * math.acos(min(1.0, cosine))
    return bool(np.abs(a[:3] - b[:3]).max() <= SAME_M) and angle <= SAME_RAD


def survey_warnings(path: Path, sensors: Mapping[str, SensorModel], *, now: datetime | None = None) -> tuple[str, ...]:
    """Return what the history says against using the sensors of a survey as they are stated.

    Parameters
    ----------
    path : Path
        The history; without one there is nothing to say.
    sensors : mapping of name to SensorModel
        Of the survey.
    now : datetime, optional
        For the age of a check.

    Returns
    -------
    tuple of str
        One line each for a last check that failed or decided nothing, is older than it was valid for, or was made
        with another mount or clock. In a history of one sensor, and a survey of one, names need not agree; nor where
        a check of the very same mount did not pass.
    """
    entries = read_history(path)
    found: list[str] = []
    names = {entry.sensor for entry in entries}
    for name, sensor in sensors.items():
        alone = len(sensors) == 1 and (len(names) == 1 or name not in names)
        own = [entry for entry in entries if entry.sensor == name or alone]
        if own:
            found += _against(own[-1], sensor, now or datetime.now(UTC))
        if own and not alone and len(sensors) == 1:
            found += _under_other_names(entries, name, sensor, now or datetime.now(UTC))
    return tuple(found)


def _under_other_names(entries: Sequence[Entry], name: str, sensor: SensorModel, now: datetime) -> list[str]:
    """Return what checks of the same mount say that go by another name, as one made without targets does."""
    stated = mount_numbers(sensor.mount_translation_m, sensor.mount_rotation_xyzw)
    last = {entry.sensor: entry for entry in entries if entry.sensor != name}
    same = [entry for entry in last.values() if entry.mount is not None and same_mount(stated, entry.mount)]
    return [line for entry in same if entry.verdict != "pass" for line in _against(entry, sensor, now)]


def _against(last: Entry, sensor: SensorModel, now: datetime) -> list[str]:
    day = last.done_utc[:10]
    what = f"sensor check of '{last.sensor}' on {day}"
    found = []
    if last.verdict == "fail":
        bad = ", ".join(name for name, values in last.quantities.items() if values[4] == "fail")
        found.append(
            f"{what} failed ({bad or 'no quantity named'}): mend it and check again before you believe this map"
        )
    elif last.verdict == "undecided":
        found.append(f"{what} decided nothing: see its report for what to measure")
    if now - last.when > timedelta(days=last.valid_days):
        found.append(f"{what} is older than the {last.valid_days:g} days it was valid for: check again")
    if last.mount is None:
        return found
    stated = mount_numbers(sensor.mount_translation_m, sensor.mount_rotation_xyzw)
    if not same_mount(stated, last.mount):
        if last.proposed is not None and same_mount(stated, last.proposed):
            found.append(f"the survey's mount is the one that the {what} proposed, and has not been checked itself")
        else:
            found.append(f"the survey's mount is not the one of the {what}: check again with this one")
    if last.time_offset_s is not None and abs(sensor.time_offset_s - last.time_offset_s) > SAME_S:
        found.append(f"the survey's time_offset_s is not the one of the {what} ({last.time_offset_s:g} s)")
    return found
