"""A survey file: which scans and poses belong together, and how well they were measured."""

from __future__ import annotations

import dataclasses
import glob
import math
import os
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import FloatArray, PoseModel, PoseOptions, ScanOptions, SensorModel, SensorScans, sealed
from terrain.settings import (
    REQUIRED,
    Key,
    Problems,
    check_tables,
    choice,
    number,
    read_toml,
    refuse_other_kinds,
    text,
    texts,
    vector,
)
from terrain.survey_sensors import (
    READING,
    SENSOR,
    check_ranges,
    is_direction,
    listed_sensors,
    model_of,
    options_of,
    prefixed,
    spindle_of,
    with_class,
)

BODY_CORNER = "three numbers from -100 to 100, metres in the body frame"


def is_near(corner: tuple[float, ...]) -> bool:
    """Tell whether a corner of the robot's own box is one."""
    return all(abs(part) <= 100.0 for part in corner)


KEYS = (
    Key("survey.name", text(), REQUIRED, "what the survey is called"),
    Key("frame.points", choice("sensor", "map"), REQUIRED, "frame of the points: sensor, or map for fused ones"),
    Key(
        "frame.gravity",
        vector(3, "three numbers, a direction in the map frame", accept=is_direction),
        (0.0, 0.0, -1.0),
        "direction of gravity in the map frame",
    ),
    *prefixed("sensor", SENSOR),
    Key("body.low_m", vector(3, BODY_CORNER, accept=is_near), None, "low corner of the box around the robot itself"),
    Key("body.high_m", vector(3, BODY_CORNER, accept=is_near), None, "high corner of that box, body frame"),
    Key("poses.file", text(), REQUIRED, "file of poses: text, E57, or a bag"),
    Key("poses.position_sd_m", number(0.0, 10.0), REQUIRED, "sd of a pose's position, per axis"),
    Key("poses.attitude_sd_deg", number(0.0, 45.0), REQUIRED, "sd of a pose's attitude, per axis"),
    Key("poses.max_gap_s", number(0.0, 3600.0, above_low=True), REQUIRED, "points in a wider gap of poses are dropped"),
    Key("poses.refine", choice("none", "auto"), "auto", "trust the poses, or correct their drift"),
    Key("poses.topic", text(), None, "topic of a bag to take poses from"),
    Key("poses.map_frame", text(), None, "frame of a bag the poses are in"),
    Key("poses.body_frame", text(), None, "frame of a bag that is the body"),
    Key("poses.quaternion", choice("xyzw", "wxyz"), "xyzw", "order of quaternions in a text file"),
    Key("poses.stamps", text(), None, "file of one time a line, for poses that are bare matrices"),
    Key("scans.files", texts(), REQUIRED, "scan files or patterns, separated by commas"),
    *prefixed("scans", READING),
    Key("foot.profile", text(), REQUIRED, "name of a foot profile, or path of its TOML file"),
)


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """The settings of one survey, checked; paths are absolute or relative to the working directory.

    gravity (3,): unit vector in the map frame as the survey states it. sensor and poses are None where a "map"
    survey leaves them out; sensor is the first of `sensors`, scan_files are those of all; foot_profile is a name, or
    the path of a file; own_body: low and high corner (3,) of the box in the body frame that holds the robot itself.
    """

    name: str
    path: Path
    frame: str
    gravity: FloatArray
    sensor: SensorModel | None
    poses_file: Path | None
    poses: PoseModel | None
    scan_files: tuple[Path, ...]
    foot_profile: str
    sensors: tuple[SensorScans, ...] = ()
    pose_options: PoseOptions = field(default_factory=PoseOptions)
    own_body: tuple[FloatArray, FloatArray] | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "gravity", sealed("gravity", self.gravity, rows=3))


def load_survey(path: str | Path, overrides: Mapping[str, str] | None = None, *, arriving: bool = False) -> Survey:
    """Return the survey that a TOML file describes.

    Parameters
    ----------
    path : path
        The survey file. Paths in it are relative to its folder.
    overrides : mapping of dotted key to text, optional
        Values that replace those of the file, written as on the command line: numbers of a vector and scan
        patterns separated by commas; paths relative to the working directory.
    arriving : bool
        Whether scans and poses may still be to come: then patterns may match nothing, and the file of poses may be
        missing.

    Returns
    -------
    Survey
        SI units. Where gravity is not along -z the points are not level yet: fusing turns the whole map by the
        smallest rotation that takes -gravity to +z.

    Raises
    ------
    ReadError
        The file cannot be read.
    ConfigError
        It is no TOML, or a key is unknown, missing or not allowed; one line names the file and every such key.

    Notes
    -----
    Left out, `frame.gravity` is (0, 0, -1), `sensor.time_offset_s` 0 and `poses.refine` "auto"; how files are to be
    read is told from the files themselves; a `sensor.profile` fills in what [sensor] leaves out; nothing else has a
    default. Several sensors stand in [[sensors]] tables instead of [sensor], each with a name, the keys of [sensor],
    and those of [scans] that differ; a command-line override of such a key holds for all of them. A survey whose
    points are in the map frame needs neither `[sensor]` nor `[poses]`; what they state is checked all the same, and
    of it only the range noise is used.
    """
    path = Path(path)
    tables = read_toml(path, what="survey")
    problems = Problems(f"survey {path}")
    refuse_other_kinds(tables, KEYS, problems.where)
    given = dict(overrides or {})
    base = path.parent
    listed = tables.pop("sensors", None)
    if listed is None:
        _take_class(tables, given, base, problems)
    elif "sensor" in tables:
        problems.add("sensor", "got both [sensor] and [[sensors]]", "one of them")
    values = check_tables(tables, KEYS, problems, overrides=given, optional_sections=_sections_left_out(listed))
    frame = values.get("frame.points")
    files_in = partial(_files, arriving=arriving)
    scan_files = files_in(
        "scans.files", values.get("scans.files"), Path() if "scans.files" in given else base, problems
    )
    poses_file = _poses_file(values, Path() if "poses.file" in given else base, problems, arriving=arriving)
    if listed is None:
        sensors = _single(values, frame, Path() if "scans.stamps" in given else base, scan_files, problems)
    else:
        sensors = listed_sensors(
            listed,
            frame=frame,
            base=base,
            overrides=given,
            common={key.name: values.get(f"scans.{key.name}") for key in READING},
            scan_files=scan_files,
            files_of=lambda key, patterns, noted: files_in(key, patterns, base, noted),
            problems=problems,
            arriving=arriving,
        )
    pose_options = _pose_options(values, Path() if "poses.stamps" in given else base, problems)
    foot = _foot_profile(values, Path() if "foot.profile" in given else base)
    own_body = _own_body(values, problems)
    problems.raise_if_any()
    gravity = np.array(values["frame.gravity"])
    sensors = tuple(_with_base(sensor, poses_file) for sensor in sensors)
    return Survey(
        name=values["survey.name"],
        path=path,
        frame=str(frame),
        gravity=gravity / np.linalg.norm(gravity),
        sensor=sensors[0].sensor,
        poses_file=poses_file,
        poses=_poses(values) if frame == "sensor" else None,
        scan_files=tuple(dict.fromkeys(file for sensor in sensors for file in sensor.files)),
        foot_profile=foot,
        sensors=sensors,
        pose_options=pose_options,
        own_body=own_body,
    )


def _own_body(values: Mapping[str, Any], problems: Problems) -> tuple[FloatArray, FloatArray] | None:
    low, high = values.get("body.low_m"), values.get("body.high_m")
    if low is None and high is None:
        return None
    if low is None or high is None:
        problems.add("body", f"got only {'body.high_m' if low is None else 'body.low_m'}", "both corners or neither")
        return None
    if not all(a < b for a, b in zip(low, high, strict=True)):
        problems.add("body.high_m", f"got {list(high)}", f"more than body.low_m = {list(low)} along every axis")
        return None
    return np.array(low), np.array(high)


def _take_class(tables: dict[str, Any], given: Mapping[str, str], base: Path, problems: Problems) -> None:
    """Fill what [sensor] leaves out from its class."""
    table = tables.get("sensor", {})
    word = given.get("sensor.profile", table.get("profile") if isinstance(table, dict) else None)
    if word is not None and isinstance(table, dict):
        from_folder = Path() if "sensor.profile" in given else base
        tables["sensor"] = with_class(table, word, from_folder, "sensor.profile", problems)


def _single(
    values: Mapping[str, Any], frame: str | None, base: Path, scan_files: tuple[Path, ...], problems: Problems
) -> tuple[SensorScans, ...]:
    """Return the one sensor of [sensor] and [scans]."""
    check_ranges(values, problems, "sensor.")
    spindle = spindle_of(values, problems, "sensor.")
    options = options_of({key.name: values.get(f"scans.{key.name}") for key in READING}, frame, base, spindle, problems)
    if problems.found:
        return ()
    bare = {key.name: values.get(f"sensor.{key.name}") for key in SENSOR}
    return (SensorScans("sensor", model_of(bare), scan_files, options),)


def _with_base(sensor: SensorScans, poses_file: Path | None) -> SensorScans:
    """Return a sensor whose scans stand still where their poses come one a scan, out of an E57 file."""
    if poses_file is None or poses_file.suffix.lower() != ".e57" or sensor.options.time_base is not None:
        return sensor
    options: ScanOptions = dataclasses.replace(sensor.options, time_base="scan")
    return dataclasses.replace(sensor, options=options)


def _pose_options(values: Mapping[str, Any], base: Path, problems: Problems) -> PoseOptions:
    stamps = values.get("poses.stamps")
    stamps_file = base / str(stamps) if stamps else None
    if stamps_file is not None and not stamps_file.is_file():
        problems.add("poses.stamps", f"got {stamps!r}, but {stamps_file} is no file", "a file of one time a line")
    return PoseOptions(
        topic=values.get("poses.topic"),
        map_frame=values.get("poses.map_frame"),
        body_frame=values.get("poses.body_frame"),
        quaternion_order=values.get("poses.quaternion") or "xyzw",
        stamps_file=stamps_file,
    )


def _sections_left_out(listed: Any) -> Callable[[Mapping[str, Any]], set[str]]:
    """Return what names the sections that may be left out: in a map survey, and where [[sensors]] stand for them."""
    instead: set[str] = set()
    if listed is not None:
        instead.add("sensor")
        if isinstance(listed, list) and all(isinstance(table, dict) and table.get("files") for table in listed):
            instead.add("scans")
    return lambda raw: instead | ({"sensor", "poses"} if raw.get("frame.points") == "map" else set())


def _poses(values: Mapping[str, Any]) -> PoseModel:
    return PoseModel(
        position_sd_m=values["poses.position_sd_m"],
        attitude_sd_rad=math.radians(values["poses.attitude_sd_deg"]),
        max_gap_s=values["poses.max_gap_s"],
        refine=values["poses.refine"],
    )


def _poses_file(values: Mapping[str, Any], base: Path, problems: Problems, *, arriving: bool) -> Path | None:
    stated = values.get("poses.file")
    if stated is None or values.get("frame.points") == "map":
        return None
    path = base / str(stated)
    if not path.is_file() and not _is_bag_folder(path) and not (arriving and not path.exists()):
        problems.add("poses.file", f"got {stated!r}, but {path} is no file", "a file of poses")
        return None
    return path


def _is_bag_folder(path: Path) -> bool:
    """Whether a folder is a ROS 2 bag."""
    if not path.is_dir():
        return False
    return (path / "metadata.yaml").is_file() or any(file.suffix in (".mcap", ".db3") for file in path.iterdir())


def _files(key: str, patterns: Any, base: Path, problems: Problems, *, arriving: bool = False) -> tuple[Path, ...]:
    found: dict[str, Path] = {}
    for pattern in patterns or ():
        names = glob.glob(os.path.join(glob.escape(str(base)), pattern), recursive=True)
        known = _FILES if arriving else {}  # looked at again and again: what was a file is one
        files = {name: path for name in names if (path := known.get(name) or _file(name)) is not None}
        if not files and not arriving:
            problems.add(key, f"got {pattern!r}, which matches no file in {base}", "at least one scan file")
        found |= files
    seen = [name for name in _FILES if name in found] if arriving else []
    names = sorted([*seen, *(found.keys() - seen)], key=_order_of_name)
    if arriving:
        _FILES.update((name, found[name]) for name in names if name not in _FILES and found[name].is_file())
    return tuple(dict.fromkeys(found[name] for name in names))


_FILES: dict[str, Path] = {}
"""Scan files that were seen in this process while scans arrive, by name; about in their order: that is soon sorted."""


def _file(name: str) -> Path | None:
    path = Path(name)
    return path if path.is_file() or _is_bag_folder(path) else None


@lru_cache(maxsize=1 << 16)
def _order_of_name(name: str) -> tuple[Any, ...]:
    return natural_order(Path(name))


def natural_order(path: Path) -> tuple[Any, ...]:
    """Sort scan_2 before scan_10; the plain text decides between equals such as 1 and 01."""
    parts = re.split(r"(\d+)", str(path))
    return tuple((int(part), "") if odd else (0, part) for odd, part in _numbered(parts)), str(path)


def _numbered(parts: list[str]) -> list[tuple[bool, str]]:
    return [(bool(k % 2), part) for k, part in enumerate(parts)]


def _foot_profile(values: Mapping[str, Any], base: Path) -> str:
    stated = str(values.get("foot.profile", ""))
    is_path = stated.endswith(".toml") or "/" in stated or os.sep in stated
    return str(base / stated) if is_path else stated
