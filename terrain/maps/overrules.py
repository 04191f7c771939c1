"""What people decided about a map: areas kept out or accepted, in a file that only grows.

`overrules.jsonl` in the map folder holds one decision a line, numbered from 1. Nothing in it is ever changed: undoing
a decision is another line. Writers take turns by a lock on the file and force each line to disk before they report
success; a line that a crash cut short was never reported and is dropped by the next writer. Each line carries a
checksum, so that damage is noticed: a map whose decisions cannot all be read answers nothing.

Decisions belong to the map they were made on, known by the SHA-256 of its manifest. When a map is replaced the file
goes along: areas kept out stay so, at every level, because whoever closed them had a reason; acceptances lapse, because
the ground they were given for has been measured anew.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import math
import os
import unicodedata
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from terrain.errors import DataError, ReadError
from terrain.maps.folder import MANIFEST

OVERRULES = "overrules.jsonl"
KINDS = ("keep-out", "accept", "accept-past-limit", "undo")
LIMITED = ("slope_deg", "roughness_mm", "support", "rocking_m", "edge_m", "beside_m", "headroom_m")
"""Quantities whose limit a person may go past by name. Ground that was not seen is not among them."""
MAX_NAME, MAX_REASON, MAX_CORNERS = 80, 500, 500
MIN_AREA_M2 = 1e-4


@dataclass(frozen=True, slots=True)
class Overrule:
    """One line of the file.

    number: from 1; kind: one of `KINDS`; area_m: corners, map frame, empty for what refers to another line; level:
    the level it counts for, None for every one; name, reason: as typed; time: ISO 8601, UTC; map_id: SHA-256 of the
    manifest it was made on; of: the line that is undone or taken past a limit; past_limits: quantity -> the worst
    value that is accepted, in the unit of its name.
    """

    number: int
    kind: str
    name: str
    reason: str
    time: str
    map_id: str
    area_m: tuple[tuple[float, float], ...] = ()
    level: int | None = None
    of: int | None = None
    past_limits: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class OverruleLayer:
    """Every line of the file, and the map as it is now."""

    records: tuple[Overrule, ...]
    map_id: str

    def in_force(self) -> tuple[Overrule, ...]:
        """Return areas that count now, oldest first; an acceptance with the limits it was taken past.

        Areas kept out on an earlier map count at every level; acceptances of an earlier map do not count.
        """
        undone = {record.of for record in self.records if record.kind == "undo"}
        past: dict[int, dict[str, float]] = {}
        for record in self.records:
            if record.kind == "accept-past-limit" and record.of is not None and record.number not in undone:
                past.setdefault(record.of, {}).update(record.past_limits)
        found = []
        for record in self.records:
            here = record.map_id == self.map_id
            if record.number in undone or record.kind not in ("keep-out", "accept"):
                continue
            if record.kind == "keep-out":
                found.append(record if here else replace(record, level=None))
            elif here:
                found.append(replace(record, past_limits=past.get(record.number, {})))
        return tuple(found)

    def lapsed(self) -> tuple[Overrule, ...]:
        """Return acceptances of an earlier map that nobody undid: they count no more."""
        undone = {record.of for record in self.records if record.kind == "undo"}
        return tuple(
            record
            for record in self.records
            if record.kind == "accept" and record.map_id != self.map_id and record.number not in undone
        )


# --------------------------------------------------------------------------- reading


def read_overrules(folder: Path) -> OverruleLayer:
    """Return the decisions on a map; none where there is no such file.

    Raises
    ------
    ReadError
        A line is damaged, or the manifest is missing.
    """
    map_id = _map_id(folder)
    path = folder / OVERRULES
    try:
        stat = path.stat()
    except FileNotFoundError:
        return OverruleLayer((), map_id)
    return OverruleLayer(_records(path, stat.st_ino, stat.st_size, stat.st_mtime_ns), map_id)


def _map_id(folder: Path) -> str:
    path = folder / MANIFEST
    try:
        stat = path.stat()
        return _hash(path, stat.st_ino, stat.st_size, stat.st_mtime_ns)
    except OSError as error:
        raise ReadError(f"{path}: cannot read: {error.strerror}") from error


@lru_cache(maxsize=16)
def _hash(path: Path, *_identity: int) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@lru_cache(maxsize=16)
def _records(path: Path, *_identity: int) -> tuple[Overrule, ...]:
    try:
        whole, _, _torn = path.read_bytes().rpartition(b"\n")
    except OSError as error:
        raise ReadError(f"{path}: cannot read: {error.strerror}") from error
    return _parse(path, whole)


def _parse(path: Path, whole: bytes) -> tuple[Overrule, ...]:
    lines = whole.split(b"\n") if whole else []
    records = []
    for number, line in enumerate(lines, start=1):
        try:
            body, check = json.loads(line)
            if check != _check(body) or body["number"] != number or body["kind"] not in KINDS:
                raise ValueError("its checksum or number is wrong")
            corners = tuple((float(x), float(y)) for x, y in body["area_m"])
            records.append(Overrule(**{**body, "area_m": corners}))
        except (ValueError, TypeError, KeyError) as error:
            raise ReadError(
                f"{path}: line {number} is damaged ({error}); nothing is answered from this map until the line is "
                "put right or the file is moved away by someone who knows what was decided"
            ) from error
    return tuple(records)


def _check(body: Mapping[str, Any]) -> str:
    text = json.dumps(body, sort_keys=True, ensure_ascii=False, allow_nan=False)
    return f"{zlib.crc32(text.encode()):08x}"


# --------------------------------------------------------------------------- writing


def add_area(
    folder: Path,
    *,
    kind: str,
    area_m: Sequence[Sequence[float]],
    level: int | None,
    name: str,
    reason: str,
    seen_map_id: str | None = None,
) -> Overrule:
    """Keep an area out, or accept its marginal ground; return the line that was written.

    Parameters
    ----------
    folder : Path
        The map.
    kind : str
        `keep-out` or `accept`.
    area_m : sequence of (x, y)
        Three to 500 corners of a simple polygon, metres, map frame.
    level : int or None
        The level it counts for; None for every one. An acceptance needs one.
    name, reason : str
        Who decides, as typed by that person, and why.
    seen_map_id : str, optional
        The `map_id` of the map that the person looked at.

    Raises
    ------
    DataError
        One of these is not as described, the map was replaced since the person looked at it, or the file cannot be
        written.
    """
    if kind not in ("keep-out", "accept"):
        raise DataError(f"kind: got {kind!r}, expected keep-out or accept")
    if kind == "accept" and level is None:
        raise DataError("level: got none, expected the level whose ground is accepted")
    corners = _checked_area(area_m)
    words = {"name": _text("name", name, MAX_NAME), "reason": _text("reason", reason, MAX_REASON)}
    return _append(folder, lambda layer: {"kind": kind, "area_m": corners, "level": level, **words}, seen_map_id)


def accept_past_limit(
    folder: Path,
    *,
    of: int,
    past_limits: Mapping[str, float],
    confirmed: Sequence[str],
    name: str,
    reason: str,
    seen_map_id: str | None = None,
) -> Overrule:
    """Take an acceptance past limits, each of which the person names a second time.

    Parameters
    ----------
    of : int
        Number of an acceptance in force.
    past_limits : mapping
        Quantity, one of `LIMITED`, to the worst value that is accepted, in the unit of its name.
    confirmed : sequence of str
        The same quantities, typed or ticked one by one.

    Raises
    ------
    DataError
        `confirmed` does not name exactly those limits, a quantity is not one that can be accepted (`observed` cannot:
        ground that was not seen is never steppable), or no such acceptance is in force.
    """
    for quantity, worst in past_limits.items():
        if quantity not in LIMITED:
            raise DataError(f"past_limits: got {quantity!r}, expected some of {', '.join(LIMITED)}")
        if isinstance(worst, bool) or not isinstance(worst, int | float) or not math.isfinite(worst):
            raise DataError(f"past_limits: {quantity} is {worst!r}, expected the worst value that is accepted")
    if not past_limits or sorted(confirmed) != sorted(past_limits):
        got = ", ".join(confirmed) or "nothing"
        raise DataError(
            f"confirmation: got {got}, expected each limit by name: {', '.join(past_limits) or 'at least one'}"
        )
    words = {"name": _text("name", name, MAX_NAME), "reason": _text("reason", reason, MAX_REASON)}

    def body(layer: OverruleLayer) -> dict[str, Any]:
        if not any(record.number == of and record.kind == "accept" for record in layer.in_force()):
            raise DataError(f"overrule {of}: is no acceptance in force, expected the number of one")
        return {"kind": "accept-past-limit", "of": of, "past_limits": dict(past_limits), **words}

    return _append(folder, body, seen_map_id)


def undo(folder: Path, *, of: int, name: str, reason: str = "") -> Overrule:
    """Take a decision back; the line stays, and one that undoes it follows.

    Raises
    ------
    DataError
        No such decision, or it is undone already.
    """
    words = {"name": _text("name", name, MAX_NAME), "reason": _text("reason", reason, MAX_REASON, needed=False)}

    def body(layer: OverruleLayer) -> dict[str, Any]:
        known = {record.number for record in layer.records if record.kind != "undo"}
        undone = {record.of for record in layer.records if record.kind == "undo"}
        if of not in known or of in undone:
            raise DataError(f"overrule {of}: {'is undone already' if of in undone else 'there is none of that number'}")
        return {"kind": "undo", "of": of, **words}

    return _append(folder, body)


def _append(folder: Path, make: Callable[[OverruleLayer], dict[str, Any]], seen_map_id: str | None = None) -> Overrule:
    """Write the line that `make` returns for the layer as it is once it is this writer's turn."""
    path = folder / OVERRULES
    _map_id(folder)  # no file is made where there is no map
    try:
        with _turn(path, create=True) as handle:
            map_id = _map_id(folder)
            if seen_map_id not in (None, map_id):
                raise DataError(f"{folder}: the map was replaced since you looked at it; look again, then decide")
            data = _read_all(handle)
            whole, newline, torn = data.rpartition(b"\n")
            records = _parse(path, whole)
            body = {
                "number": len(records) + 1,
                "kind": "",
                "area_m": [],
                "level": None,
                "of": None,
                "past_limits": {},
                "time": datetime.now(UTC).isoformat(timespec="seconds"),
                "map_id": map_id,
                **make(OverruleLayer(records, map_id)),
            }
            line = json.dumps([body, _check(body)], ensure_ascii=False, allow_nan=False).encode() + b"\n"
            kept = len(whole) + len(newline)
            if torn:
                os.ftruncate(handle, kept)
            _write_all(handle, line, kept)
    except OSError as error:
        raise DataError(f"{path}: cannot write the decision: {error.strerror}; nothing was overruled") from error
    return Overrule(**{**body, "area_m": tuple((x, y) for x, y in body["area_m"])})


def _write_all(handle: int, line: bytes, kept: int) -> None:
    """Append the line and force it to disk; take back what was written of it where the disk refuses."""
    try:
        done = 0
        while done < len(line):
            done += os.write(handle, line[done:])
        os.fsync(handle)
    except OSError:
        os.ftruncate(handle, kept)
        raise


def _read_all(handle: int) -> bytes:
    os.lseek(handle, 0, os.SEEK_SET)
    parts = []
    while part := os.read(handle, 1 << 20):
        parts.append(part)
    return b"".join(parts)


@contextmanager
def _turn(path: Path, *, create: bool) -> Iterator[int]:
    """Hold the lock on the file that has this name now: a map may be replaced while one waits."""
    flags = os.O_RDWR | os.O_APPEND | os.O_CLOEXEC | (os.O_CREAT if create else 0)
    while True:
        handle = os.open(path, flags, 0o666)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            if path.exists() and os.path.samestat(os.fstat(handle), path.stat()):
                yield handle
                return
        finally:
            os.close(handle)


@contextmanager
def carried_over(old: Path, fresh: Path) -> Iterator[None]:
    """Copy the decisions on `old` into the draft `fresh`, and hold writers back while the two change places."""
    path = old / OVERRULES
    if not path.is_file():
        yield
        return
    with _turn(path, create=False) as handle:
        with (fresh / OVERRULES).open("wb") as copy:
            copy.write(_read_all(handle))
            copy.flush()
            os.fsync(copy.fileno())
        folder = os.open(fresh, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
        yield


# --------------------------------------------------------------------------- what is allowed


def _text(what: str, value: object, longest: int, *, needed: bool = True) -> str:
    """Return text without control characters and outer blanks."""
    if not isinstance(value, str):
        raise DataError(f"{what}: got {value!r}, expected text")
    plain = " ".join("".join(" " if unicodedata.category(c).startswith("C") else c for c in value).split())
    if needed and not plain:
        raise DataError(f"{what}: is empty, expected {'who decides' if what == 'name' else 'why'}")
    if what == "name" and not plain[0].isalnum():
        raise DataError(f"name: starts with {plain[0]!r}, expected a letter or digit")
    if len(plain) > longest:
        raise DataError(f"{what}: got {len(plain)} characters, expected at most {longest}")
    return plain


def _checked_area(area_m: Sequence[Sequence[float]]) -> list[list[float]]:
    import shapely

    try:
        corners = [[round(float(x), 4), round(float(y), 4)] for x, y in area_m]
    except (TypeError, ValueError) as error:
        raise DataError("area: expected a list of [x, y] in metres") from error
    if not 3 <= len(corners) <= MAX_CORNERS:
        raise DataError(f"area: got {len(corners)} corners, expected 3 to {MAX_CORNERS}")
    if not all(math.isfinite(v) and abs(v) < 1e7 for corner in corners for v in corner):
        raise DataError("area: a corner is not finite, expected metres in the map frame")
    polygon = shapely.Polygon(corners)
    if not polygon.is_valid:
        raise DataError("area: its border crosses itself, expected a simple outline")
    if polygon.area < MIN_AREA_M2:
        raise DataError(f"area: covers {polygon.area:.2g} m2, expected at least {MIN_AREA_M2:g}")
    return corners
