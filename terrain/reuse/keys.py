"""What results between stages depend on, as one SHA-256 each: files, settings, and the code that made them."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import platform
import sys
from collections.abc import Iterable, Mapping
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import FootProfile
from terrain.segment.masks import always_closed
from terrain.survey import Survey

PACKAGE = Path(__file__).resolve().parents[1]
NOT_ENTERING = ("name", "path", "foot_profile")
"""Of a survey: the points do not depend on what it is called, where its file lies, or the foot."""
COMMON = ("data", "kernels", "errors.py", "settings.py", "pipeline.py", "reuse")
SOURCES = {
    "points": (*COMMON, "read", "fuse", "fusing.py", "survey.py", "survey_sensors.py"),
    "patches": (*COMMON, "segment"),
    "ground": (*COMMON, "ground"),
}
"""The modules and folders of the package that make each part, what they import included."""
LIBRARIES = ("numpy", "scipy", "numba", "llvmlite", "shapely", "laspy", "lazrs", "rosbags", "mcap", "pye57")
PARTS = tuple(SOURCES)


def keys_of(
    survey: Survey, files: Iterable[tuple[str, str]], foot: FootProfile, *, cloud: bool = True
) -> dict[str, str]:
    """Return the key of each part of a run: `points`, `patches` and `ground`.

    Parameters
    ----------
    survey : Survey
        Every setting enters, and paths as they are written, because warnings and notes name them.
    files : iterable of (name, SHA-256)
        What is read, without the survey file itself, whose settings are in `survey`.
    foot : FootProfile
        `joint_m` and `drop_m` enter into the ground, `joint_m` into patches too where it is very wide or no beams tell
        joints; nothing else does.
    cloud : bool
        Whether all points are kept, or only those that planes need.
    """
    points = digest(["points", made_by("points"), _entering(survey), [list(file) for file in files], cloud])
    joint = foot.joint_m if survey.frame == "map" else always_closed(foot.joint_m)
    patches = digest(["patches", made_by("patches"), points, described(joint)])
    ground = digest(["ground", made_by("ground"), patches, described(foot.joint_m), described(foot.drop_m)])
    return {"points": points, "patches": patches, "ground": ground}


def _entering(survey: Survey) -> dict[str, Any]:
    names = [field.name for field in dataclasses.fields(survey) if field.name not in NOT_ENTERING]
    return {name: described(getattr(survey, name)) for name in names}


def digest(value: Any) -> str:
    """Return the SHA-256 of a JSON value as 64 hexadecimal digits."""
    return hashlib.sha256(json.dumps(value, sort_keys=True).encode()).hexdigest()


def described(value: Any) -> Any:
    """Return a setting as a JSON value that differs wherever the setting does, to the last bit."""
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        return ["float", value.hex()]
    if isinstance(value, Path):
        return ["path", str(value)]
    if isinstance(value, np.ndarray):
        return ["array", value.dtype.str, list(value.shape), value.tobytes().hex()]
    if isinstance(value, tuple | list):
        return ["rows", [described(part) for part in value]]
    if isinstance(value, Mapping):
        return ["table", {str(name): described(part) for name, part in value.items()}]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {field.name: described(getattr(value, field.name)) for field in dataclasses.fields(value)}
        return [type(value).__name__, fields]
    raise TypeError(f"got a setting of type {type(value).__name__}, which has no description")


def made_by(part: str) -> dict[str, Any]:
    """Return what makes a part, beside its input: versions, and the source of the stages themselves.

    The source is there for whoever changes it: between two releases a version stays the same.
    """
    versions = {name: _version(name) for name in ("terrain-steppability", *LIBRARIES)}
    machine = [platform.machine(), *sys.version_info[:2]]
    return {"versions": versions, "machine": machine, "source": source_digest(SOURCES[part])}


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "none"


def source_digest(names: Iterable[str], package: Path = PACKAGE) -> str:
    """Return the SHA-256 of modules and of all modules in folders of the package, names included.

    Raises
    ------
    OSError
        A source cannot be read.
    """
    whole = hashlib.sha256()
    for name in names:
        path = package / name
        files = [path] if path.suffix else sorted(path.rglob("*.py"))
        for file in files:
            raw = file.read_bytes()
            whole.update(f"{file.relative_to(package).as_posix()}\0{len(raw)}\0".encode() + raw)
    return whole.hexdigest()
