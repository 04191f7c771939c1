"""The sensors of a survey file: their classes, mounts and noise, and how their scans are to be read."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import QUATERNION_NORM_TOLERANCE, FloatArray, ScanOptions, SensorModel, SensorScans, Spindle
from terrain.errors import ConfigError, ReadError
from terrain.foot import configs_folder
from terrain.settings import (
    REQUIRED,
    Key,
    Problems,
    check_tables,
    choice,
    number,
    read_toml,
    shown,
    text,
    texts,
    vector,
)

FilesOf = Callable[[str, Any, Problems], tuple[Path, ...]]
"""Given a key, its patterns and where to note problems, the files."""


def is_unit(numbers: tuple[float, ...]) -> bool:
    """Whether a quaternion has norm 1 within the tolerance."""
    return abs(math.sqrt(sum(part * part for part in numbers)) - 1.0) <= QUATERNION_NORM_TOLERANCE


def is_direction(numbers: tuple[float, ...]) -> bool:
    """Whether a vector has a length."""
    return math.sqrt(sum(part * part for part in numbers)) > 1e-6


_PLACE = vector(3, "three numbers from -100 to 100", accept=lambda v: max(map(abs, v)) <= 100.0)
_MOUNT = (
    Key("mount.translation_m", _PLACE, REQUIRED, "where the sensor sits on the body"),
    Key(
        "mount.rotation_xyzw",
        vector(4, f"a quaternion x, y, z, w of norm 1 within {QUATERNION_NORM_TOLERANCE:g}", accept=is_unit),
        REQUIRED,
        "how the sensor is turned on the body",
    ),
)
_NOISE = (
    Key("range_sd_m", number(0.0, 1.0, above_low=True), REQUIRED, "sd of a range"),
    Key("beam_divergence_mrad", number(0.0, 100.0), REQUIRED, "full opening angle of a beam"),
    Key("min_range_m", number(0.0, 10_000.0), REQUIRED, "nearer points are dropped"),
    Key("max_range_m", number(0.0, 10_000.0, above_low=True), REQUIRED, "farther points are dropped"),
)
_GROWTH = (Key("range_sd_per_m2", number(0.0, 1.0), 0.0, "sd that grows with the square of the range, per m2"),)
_SPINDLE = (
    Key(
        "spindle.axis",
        vector(3, "three numbers, a direction in the frame of the mount", accept=is_direction),
        None,
        "axis a line scanner is turned about",
    ),
    Key("spindle.angle_field", text(), None, "field of the encoder's angle at every point"),
    Key("spindle.angle_unit", choice("rad", "deg"), None, "unit of that angle"),
    Key("spindle.zero_deg", number(-360.0, 360.0), None, "angle at which the encoder reads 0"),
    Key("spindle.offset_m", _PLACE, None, "scanner's origin off the axis, in the scanner's frame"),
)
_CLOCK = (Key("time_offset_s", number(-1e12, 1e12), 0.0, "scan clock + this = pose clock"),)
_PROFILE = (
    Key("profile", text(), None, "a sensor class in configs/sensors, or path of its file: what the rest leaves out"),
)
SENSOR = (*_MOUNT, *_NOISE, *_CLOCK, *_PROFILE, *_GROWTH, *_SPINDLE)
READING = (
    Key("topic", text(), None, "topic of a bag to read"),
    Key("time_field", text(), None, "field of the points' times"),
    Key("time_unit", choice("s", "ms", "us", "ns"), None, "unit of the points' times"),
    Key("time_base", choice("clock", "scan"), None, "times stand on a clock, or count from each scan's stamp"),
    Key("stamps", text(), None, "file of one time a line, one line a scan file"),
)
_OWN = (
    Key("name", text(), REQUIRED, "what the sensor is called"),
    Key("files", texts(), None, "the sensor's own scan files or patterns"),
)
_CLASS = (
    Key("name", text(), REQUIRED, "name of the class"),
    Key("summary", text(), REQUIRED, "what it is, in a line"),
    *(Key("sensor." + key.name, key.kind, key.default, key.help) for key in (*_NOISE, *_GROWTH, *_SPINDLE)),
)


def prefixed(section: str, keys: tuple[Key, ...]) -> tuple[Key, ...]:
    """Return keys as those of a section."""
    return tuple(Key(f"{section}.{key.name}", key.kind, key.default, key.help) for key in keys)


@dataclass(frozen=True, slots=True)
class SensorClass:
    """A sensor class that comes with the package: a name, a line of what it is, and its sensor table as stored."""

    name: str
    summary: str
    table: Mapping[str, Any]


def sensor_names() -> tuple[str, ...]:
    """Return the names of the sensor classes that come with the package, in the order of the alphabet."""
    return tuple(sorted(path.stem for path in (configs_folder() / "sensors").glob("*.toml")))


def load_class(word: str, base: Path) -> SensorClass:
    """Return a sensor class by its name, or from its file: anything that ends in .toml or holds a slash.

    Raises
    ------
    ConfigError
        There is none of that name, or a key of the file is unknown, missing or not allowed.
    ReadError
        The file cannot be read.
    """
    if word.endswith(".toml") or "/" in word:
        path = base / word
    else:
        path = configs_folder() / "sensors" / f"{word}.toml"
        if not path.is_file():
            raise ConfigError(f"got {word!r}, expected one of {', '.join(sensor_names())}, or the path of a .toml file")
    problems = Problems(f"sensor class {path}")
    tables = read_toml(path, what="sensor class")
    values = check_tables(tables, _CLASS, problems)
    problems.raise_if_any()
    return SensorClass(values["name"], values["summary"], tables["sensor"])


def with_class(table: Mapping[str, Any], word: Any, base: Path, key: str, problems: Problems) -> dict[str, Any]:
    """Return a sensor's table with what it leaves out taken from its class."""
    if not isinstance(word, str) or not word.strip():
        return dict(table)
    try:
        known = load_class(word, base).table
    except (ConfigError, ReadError) as error:
        problems.note(key, str(error))
        known = load_class(sensor_names()[0], base).table  # so that what the class would fill in is not missed too
    merged = {**known, **table}
    if isinstance(table.get("spindle"), dict) and isinstance(known.get("spindle"), dict):
        merged["spindle"] = {**known["spindle"], **table["spindle"]}
    return merged


def listed_sensors(
    listed: Any,
    *,
    frame: str | None,
    base: Path,
    overrides: Mapping[str, str],
    common: Mapping[str, Any],
    scan_files: tuple[Path, ...],
    files_of: FilesOf,
    problems: Problems,
    arriving: bool = False,
) -> tuple[SensorScans, ...]:
    """Return the sensors of [[sensors]] tables; what is wrong is noted with the sensor's name.

    Parameters
    ----------
    listed : Any
        What the file holds under `sensors`.
    frame : str, optional
        "sensor" or "map".
    base : Path
        Folder that paths start from.
    overrides : mapping
        Of keys of [sensor] and [scans]; each applies to every sensor.
    common : mapping
        Values of [scans] by bare key: what a sensor's table leaves out.
    scan_files : tuple of Path
        Files of [scans], for sensors without their own.
    arriving : bool
        Whether files may still be to come.
    """
    if not isinstance(listed, list) or not listed or not all(isinstance(table, dict) for table in listed):
        problems.add("sensors", f"got {shown(listed)}", "tables that begin with [[sensors]]")
        return ()
    keys = (*_OWN, *SENSOR, *READING)
    known = {key.name for key in keys} - {"name", "files"}
    both = ("sensor.", "scans.")
    bare = {name.partition(".")[2]: words for name, words in overrides.items() if name.startswith(both)}
    given = {name: words for name, words in bare.items() if name in known}
    optional = {key.name.split(".")[0] for key in keys} - {"name"} if frame == "map" else set()
    found: list[SensorScans] = []
    for k, table in enumerate(listed, start=1):
        name = table.get("name") if isinstance(table.get("name"), str) else k
        own = Problems("")
        profile = given.get("profile", table.get("profile"))
        whole = with_class(table, profile, Path() if "profile" in given else base, "profile", own)
        values = check_tables(whole, keys, own, overrides=given, optional_sections=lambda raw: optional)
        check_ranges(values, own, "")
        spindle = spindle_of(values, own, "")
        has_own = bool(values.get("files")) and "scans.files" not in overrides
        files = files_of("files", values["files"], own) if has_own else scan_files
        if not files and not own.found and not arriving:
            own.add("files", "missing", "scan files of the sensor's own, or scans.files")
        for problem in own.found:
            problems.found.append(f"sensors[{name}].{problem}")
        if own.found:
            continue
        merged = {key.name: values.get(key.name) or common.get(key.name) for key in READING}
        stamps_base = Path() if "scans.stamps" in overrides else base
        options = options_of(merged, frame, stamps_base, spindle, problems)
        found.append(SensorScans(values["name"], model_of(values), files, options))
    names = [sensor.name for sensor in found]
    if len(set(names)) < len(names):
        problems.add("sensors", f"got the names {', '.join(names)}", "a name of its own for each sensor")
    return tuple(found)


def check_ranges(values: Mapping[str, Any], problems: Problems, prefix: str) -> None:
    """Note where the nearest range is not below the farthest."""
    low, high = values.get(f"{prefix}min_range_m"), values.get(f"{prefix}max_range_m")
    if low is not None and high is not None and not low < high:
        problems.add(f"{prefix}max_range_m", f"got {high!r}", f"a number above {prefix}min_range_m = {low!r}")


def spindle_of(values: Mapping[str, Any], problems: Problems, prefix: str) -> Spindle | None:
    """Return the spindle of checked values; noted where axis or angle field is missing."""
    stated = {
        name: values.get(f"{prefix}spindle.{name}")
        for name in ("axis", "angle_field", "angle_unit", "zero_deg", "offset_m")
    }
    if all(value is None for value in stated.values()):
        return None
    for name in ("axis", "angle_field", "angle_unit"):
        if stated[name] is None and not any(
            problem.startswith(f"{prefix}spindle.{name}:") for problem in problems.found
        ):
            problems.add(f"{prefix}spindle.{name}", "missing", "all of spindle.axis, angle_field and angle_unit")
    if problems.found:
        return None
    axis = np.array(stated["axis"])
    return Spindle(
        axis=axis / np.linalg.norm(axis),
        angle_field=str(stated["angle_field"]),
        unit_rad=1.0 if stated["angle_unit"] == "rad" else math.radians(1.0),
        zero_rad=math.radians(stated["zero_deg"] or 0.0),
        offset_m=np.array(stated["offset_m"] or (0.0, 0.0, 0.0)),
    )


def options_of(
    values: Mapping[str, Any], frame: str | None, base: Path, spindle: Spindle | None, problems: Problems
) -> ScanOptions:
    """Return how scans are to be read, of checked values by bare key."""
    stamps = values.get("stamps")
    stamps_file = base / str(stamps) if stamps else None
    if stamps_file is not None and not stamps_file.is_file():
        problems.add("scans.stamps", f"got {stamps!r}, but {stamps_file} is no file", "a file of one time a line")
    return ScanOptions(
        frame=frame or "sensor",
        topic=values.get("topic"),
        time_field=values.get("time_field"),
        time_unit=values.get("time_unit"),
        time_base=values.get("time_base"),
        stamps_file=stamps_file,
        spindle=spindle,
    )


def model_of(values: Mapping[str, Any]) -> SensorModel | None:
    """Return the sensor of checked values by bare key; None where a map survey states no noise."""
    stated = {name: value for name, value in values.items() if value is not None}
    if "range_sd_m" not in stated:
        return None
    return SensorModel(
        mount_translation_m=np.array(stated.get("mount.translation_m", (0.0, 0.0, 0.0))),
        mount_rotation_xyzw=unit(stated.get("mount.rotation_xyzw", (0.0, 0.0, 0.0, 1.0))),
        range_sd_m=stated["range_sd_m"],
        beam_divergence_rad=stated.get("beam_divergence_mrad", 0.0) / 1000.0,
        min_range_m=stated.get("min_range_m", 0.0),
        max_range_m=stated.get("max_range_m", math.inf),
        time_offset_s=stated.get("time_offset_s", 0.0),
        range_sd_per_m2=stated.get("range_sd_per_m2", 0.0),
    )


def unit(numbers: tuple[float, ...]) -> FloatArray:
    """Return a vector of norm 1."""
    array = np.array(numbers)
    one: FloatArray = array / np.linalg.norm(array)
    return one
