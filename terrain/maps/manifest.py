"""The manifest of a map, `map.json`; its JSON Schema is `map.schema.json` beside this module."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import FootProfile, Label, Limit
from terrain.errors import ReadError
from terrain.foot import foot_to_dict
from terrain.maps.contents import MapContents
from terrain.maps.folder import FORMAT, MANIFEST

FORMAT_VERSION = 2
"""1: without `follow`."""

CAUTIONS = (
    "Advice from geometry as it was at scan time. It is no safety function and no safety-related part of a control "
    "system under any standard, and has not been assessed for conformity with one.",
    "It does not replace the risk assessment and the duties that employer, integrator and operator have under their "
    "law. Local rules and licensed practice come first.",
    "A verdict says whether a placement meets the configured geometric limits, and nothing about what the ground "
    "bears: soft ground, thin covers, gratings, hollows and undercut edges look like firm ground to a lidar.",
    "Friction is not measured: wet, oily or icy ground looks like dry ground.",
    "Loose things look fixed: blocks, pallets and lids can tip or slide under a foot.",
    "Ground that no beam reached, behind steps and in holes, is unobserved, not flat; unobserved ground is never "
    "steppable.",
    "Glass, mirrors, standing water, and very dark or retro-reflecting surfaces can be missing or misplaced; dust, "
    "steam and rain leave points where nothing is; plants can be taken for the ground under them.",
    "Gaps narrower than the spacing of the points or than one beam, and steps lower than the noise, cannot be seen.",
    "Whatever changed after the scan is not in the map.",
    "Look before you step, load a foothold gradually, keep people out of reach and the emergency stop at hand, and "
    "check mount and clock again after any knock.",
)
"""What a terrain map cannot see, and how it is meant to be used."""

_PLAIN = ("inputs", "follow")
"""Sections that are JSON values as they are made: a pass may have ten thousand scans."""
_LIMITS = (
    ("slope_deg", "slope_rad", 180.0 / math.pi),
    ("roughness_mm", "roughness_m", 1000.0),
    ("support", "support", 1.0),
    ("rocking_m", "rocking_m", 1.0),
    ("edge_m", "edge_m", 1.0),
    ("beside_m", "beside_m", 1.0),
    ("observed", "observed", 1.0),
)


PATCHES = "patches.gpkg"


def limits_of(foot: FootProfile) -> dict[str, dict[str, float]]:
    """Return the limits in the names and units of foot profiles: name -> comfort and limit."""
    return {
        name: {edge: round(getattr(getattr(foot, field), edge) * factor, 9) for edge in ("comfort", "limit")}
        for name, field, factor in _LIMITS
    }


def foot_from_json(section: Mapping[str, Any]) -> FootProfile:
    """Return the profile that `foot_to_dict` described; keys that are missing or unknown are a TypeError."""
    values: dict[str, Any] = {k: Limit(**v) if isinstance(v, dict) else v for k, v in section.items()}
    return FootProfile(**values)


def make_manifest(
    contents: MapContents, *, points_written: bool, ground: Mapping[str, Any], write_s: Mapping[str, float]
) -> dict[str, Any]:
    """Return the manifest; `ground` is the section of the internal arrays, `write_s` the seconds writing took."""
    files = [PATCHES, *(level_file(raster.level) for raster in contents.rasters)]
    manifest = {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "software": {"name": "terrain", "version": _software()},
        "created": datetime.now(UTC).isoformat(timespec="seconds"),
        "survey": contents.survey_name,
        "frame": {
            "name": "map",
            "gravity": contents.gravity.tolist(),
            "unit": "metre",
            "handedness": "right-handed, z up against gravity, yaw counter-clockwise from x",
        },
        "foot": {"profile": contents.foot_source, "si": foot_to_dict(contents.foot)},
        "limits": limits_of(contents.foot),
        "settings": contents.settings,
        "inputs": [{"path": k.path, "sha256": k.sha256, "size_bytes": k.size_bytes} for k in contents.inputs],
        "counts": _counts(contents),
        "refine": contents.refine,
        "follow": contents.follow,
        "timings_s": {k: round(float(v), 4) for k, v in {**contents.timings_s, **write_s}.items()},
        "files": [*files, *(["cloud.laz"] if points_written else [])],
        "levels": [_level_section(raster) for raster in contents.rasters],
        "ground": ground,
        "warnings": contents.warnings,
        "cautions": CAUTIONS,
    }
    return {name: section if name in _PLAIN else plain(section) for name, section in manifest.items()}


@lru_cache(maxsize=1)
def _software() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("terrain-steppability")
    except PackageNotFoundError:
        return "unknown"


def level_file(level: int) -> str:
    """Return the file name of a level's raster."""
    return f"level-{level}.tif"


def _level_section(raster: Any) -> dict[str, Any]:
    ny, nx = raster.height_m.shape
    extent = [raster.x0_m, raster.y0_m, raster.x0_m + nx * raster.cell_m, raster.y0_m + ny * raster.cell_m]
    return {
        "level": raster.level,
        "file": level_file(raster.level),
        "cell_m": raster.cell_m,
        "cells": [nx, ny],
        "extent_m": extent,
    }


def _counts(contents: MapContents) -> dict[str, Any]:
    patch_label = contents.patch_verdicts.label
    area = dict.fromkeys((label.word for label in Label), 0.0)
    for raster in contents.rasters:
        measured = raster.label[np.isfinite(raster.height_m)]  # where no ground is there is no area either
        for label in Label:
            area[label.word] += int(np.count_nonzero(measured == label)) * raster.cell_m**2
    return {
        "points_read": contents.points_read,
        "points_dropped": {reason: int(count) for reason, count in sorted(contents.points_dropped.items())},
        "points_kept": contents.points_kept,
        "points_per_label": contents.points_per_label,
        "patches": len(contents.patches),
        "patches_per_label": {label.word: int(np.count_nonzero(patch_label == label)) for label in Label},
        "ground_m2_per_label": {word: round(value, 6) for word, value in area.items()},
    }


def plain(value: Any) -> Any:
    """Return settings as JSON values: tuples and arrays become lists, paths text, infinite numbers null."""
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [plain(v) for v in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if value is None or isinstance(value, bool | int | float | str):
        return value
    return str(value)


def write_manifest(folder: Path, manifest: Mapping[str, Any]) -> None:
    """Write `map.json` into the folder; on one line while the map grows, which takes a quarter of the time."""
    growing = (manifest.get("follow") or {}).get("state") == "growing"
    text = json.dumps(manifest, indent=None if growing else 2, ensure_ascii=False, allow_nan=False)
    (folder / MANIFEST).write_text(text + "\n", encoding="utf-8")


def read_manifest(folder: Path) -> dict[str, Any]:
    """Return the manifest of a map folder.

    Raises
    ------
    ReadError
        The path is no map folder, the manifest is damaged, or its format is newer than this software.
    """
    path = folder / MANIFEST
    if not folder.is_dir():
        raise ReadError(f"{folder}: is not a map folder, expected a folder that `terrain assess` wrote")
    try:
        manifest = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise ReadError(f"{folder}: is not a map folder, it has no {MANIFEST}") from error
    except OSError as error:
        raise ReadError(f"{path}: cannot be read: {error.strerror}") from error
    except ValueError as error:
        raise ReadError(f"{path}: is damaged or cut short: {error}") from error
    if not isinstance(manifest, dict) or manifest.get("format") != FORMAT:
        raise ReadError(f"{path}: is not the manifest of a map, expected format {FORMAT!r}")
    version = manifest.get("format_version")
    if not isinstance(version, int) or version < 1:
        raise ReadError(f"{path}: format_version is {version!r}, expected a whole number from 1 to {FORMAT_VERSION}")
    if version > FORMAT_VERSION:
        raise ReadError(
            f"{path}: format_version is {version}, this software reads up to {FORMAT_VERSION}; update the software"
        )
    return manifest
