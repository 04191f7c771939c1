"""A survey file: which scans and poses belong together, and how well they were measured."""

from __future__ import annotations

import glob
import math
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import QUATERNION_NORM_TOLERANCE, FloatArray, PoseModel, SensorModel, sealed
from terrain.settings import REQUIRED, Key, Problems, check_tables, choice, number, read_toml, text, texts, vector


def _is_unit(numbers: tuple[float, ...]) -> bool:
    return abs(math.sqrt(sum(part * part for part in numbers)) - 1.0) <= QUATERNION_NORM_TOLERANCE


def _is_direction(numbers: tuple[float, ...]) -> bool:
    return math.sqrt(sum(part * part for part in numbers)) > 1e-6


KEYS = (
    Key("survey.name", text(), REQUIRED, "what the survey is called"),
    Key("frame.points", choice("sensor", "map"), REQUIRED, "frame of the points: sensor, or map for fused ones"),
    Key(
        "frame.gravity",
        vector(3, "three numbers, a direction in the map frame", accept=_is_direction),
        (0.0, 0.0, -1.0),
        "direction of gravity in the map frame",
    ),
    Key(
        "sensor.mount.translation_m",
        vector(3, "three numbers from -100 to 100", accept=lambda v: max(map(abs, v)) <= 100.0),
        REQUIRED,
        "where the sensor sits on the body",
    ),
    Key(
        "sensor.mount.rotation_xyzw",
        vector(4, f"a quaternion x, y, z, w of norm 1 within {QUATERNION_NORM_TOLERANCE:g}", accept=_is_unit),
        REQUIRED,
        "how the sensor is turned on the body",
    ),
    Key("sensor.range_sd_m", number(0.0, 1.0, above_low=True), REQUIRED, "sd of a range"),
    Key("sensor.beam_divergence_mrad", number(0.0, 100.0), REQUIRED, "full opening angle of a beam"),
    Key("sensor.min_range_m", number(0.0, 10_000.0), REQUIRED, "nearer points are dropped"),
    Key("sensor.max_range_m", number(0.0, 10_000.0, above_low=True), REQUIRED, "farther points are dropped"),
    Key("sensor.time_offset_s", number(-1e12, 1e12), 0.0, "scan clock + this = pose clock"),
    Key("poses.file", text(), REQUIRED, "file of poses"),
    Key("poses.position_sd_m", number(0.0, 10.0), REQUIRED, "sd of a pose's position, per axis"),
    Key("poses.attitude_sd_deg", number(0.0, 45.0), REQUIRED, "sd of a pose's attitude, per axis"),
    Key("poses.max_gap_s", number(0.0, 3600.0, above_low=True), REQUIRED, "points in a wider gap of poses are dropped"),
    Key("poses.refine", choice("none", "auto"), "auto", "trust the poses, or correct their drift"),
    Key("scans.files", texts(), REQUIRED, "scan files or patterns, separated by commas"),
    Key("foot.profile", text(), REQUIRED, "name of a foot profile, or path of its TOML file"),
)


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """The settings of one survey, checked; paths are absolute or relative to the working directory.

    gravity (3,): unit vector in the map frame as the survey states it. sensor and poses are None where a "map"
    survey leaves them out; foot_profile is a name, or the path of a file.
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

    def __post_init__(self) -> None:
        object.__setattr__(self, "gravity", sealed("gravity", self.gravity, rows=3))


def load_survey(path: str | Path, overrides: Mapping[str, str] | None = None) -> Survey:
    """Return the survey that a TOML file describes.

    Parameters
    ----------
    path : path
        The survey file. Paths in it are relative to its folder.
    overrides : mapping of dotted key to text, optional
        Values that replace those of the file, written as on the command line: numbers of a vector and scan
        patterns separated by commas; paths relative to the working directory.

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
    Left out, `frame.gravity` is (0, 0, -1), `sensor.time_offset_s` 0 and `poses.refine` "auto"; nothing else has a
    default. A survey whose points are in the map frame needs neither `[sensor]` nor `[poses]`; what they state is
    checked all the same, and of it only the range noise is used.
    """
    path = Path(path)
    tables = read_toml(path, what="survey")
    problems = Problems(f"survey {path}")
    given = dict(overrides or {})
    values = check_tables(tables, KEYS, problems, overrides=given, optional_sections=_sections_left_out)
    _check_ranges(values, problems)
    base = path.parent
    frame = values.get("frame.points")
    scan_files = _scan_files(values, Path() if "scans.files" in given else base, problems)
    poses_file = _poses_file(values, Path() if "poses.file" in given else base, problems)
    foot = _foot_profile(values, Path() if "foot.profile" in given else base)
    problems.raise_if_any()
    gravity = np.array(values["frame.gravity"])
    return Survey(
        name=values["survey.name"],
        path=path,
        frame=str(frame),
        gravity=gravity / np.linalg.norm(gravity),
        sensor=_sensor(values, frame),
        poses_file=poses_file,
        poses=_poses(values) if frame == "sensor" else None,
        scan_files=scan_files,
        foot_profile=foot,
    )


def _sections_left_out(raw: Mapping[str, Any]) -> set[str]:
    return {"sensor", "poses"} if raw.get("frame.points") == "map" else set()


def _check_ranges(values: Mapping[str, Any], problems: Problems) -> None:
    low, high = values.get("sensor.min_range_m"), values.get("sensor.max_range_m")
    if low is not None and high is not None and not low < high:
        problems.add("sensor.max_range_m", f"got {high!r}", f"a number above sensor.min_range_m = {low!r}")


def _sensor(values: Mapping[str, Any], frame: str | None) -> SensorModel | None:
    stated = {name: value for name, value in values.items() if name.startswith("sensor.") and value is not None}
    if not stated or (frame == "map" and "sensor.range_sd_m" not in stated):
        return None
    return SensorModel(
        mount_translation_m=np.array(stated.get("sensor.mount.translation_m", (0.0, 0.0, 0.0))),
        mount_rotation_xyzw=_unit(stated.get("sensor.mount.rotation_xyzw", (0.0, 0.0, 0.0, 1.0))),
        range_sd_m=stated["sensor.range_sd_m"],
        beam_divergence_rad=stated.get("sensor.beam_divergence_mrad", 0.0) / 1000.0,
        min_range_m=stated.get("sensor.min_range_m", 0.0),
        max_range_m=stated.get("sensor.max_range_m", math.inf),
        time_offset_s=stated.get("sensor.time_offset_s", 0.0),
    )


def _unit(numbers: tuple[float, ...]) -> FloatArray:
    array = np.array(numbers)
    unit: FloatArray = array / np.linalg.norm(array)
    return unit


def _poses(values: Mapping[str, Any]) -> PoseModel:
    return PoseModel(
        position_sd_m=values["poses.position_sd_m"],
        attitude_sd_rad=math.radians(values["poses.attitude_sd_deg"]),
        max_gap_s=values["poses.max_gap_s"],
        refine=values["poses.refine"],
    )


def _poses_file(values: Mapping[str, Any], base: Path, problems: Problems) -> Path | None:
    stated = values.get("poses.file")
    if stated is None or values.get("frame.points") == "map":
        return None
    path = base / str(stated)
    if not path.is_file():
        problems.add("poses.file", f"got {stated!r}, but {path} is no file", "a file of poses")
        return None
    return path


def _scan_files(values: Mapping[str, Any], base: Path, problems: Problems) -> tuple[Path, ...]:
    found: dict[Path, None] = {}
    for pattern in values.get("scans.files") or ():
        matched = [Path(name) for name in glob.glob(os.path.join(glob.escape(str(base)), pattern), recursive=True)]
        files = [path for path in matched if path.is_file()]
        if not files:
            problems.add("scans.files", f"got {pattern!r}, which matches no file in {base}", "at least one scan file")
        found |= dict.fromkeys(files)
    return tuple(sorted(found, key=_natural))


def _natural(path: Path) -> tuple[Any, ...]:
    """Sort scan_2 before scan_10; the plain text decides between equals such as 1 and 01."""
    parts = re.split(r"(\d+)", str(path))
    return tuple((int(part), "") if odd else (0, part) for odd, part in _numbered(parts)), str(path)


def _numbered(parts: list[str]) -> list[tuple[bool, str]]:
    return [(bool(k % 2), part) for k, part in enumerate(parts)]


def _foot_profile(values: Mapping[str, Any], base: Path) -> str:
    stated = str(values.get("foot.profile", ""))
    is_path = stated.endswith(".toml") or "/" in stated or os.sep in stated
    return str(base / stated) if is_path else stated
