"""Where points and poses come from, how they are to be read, and what a file was found to hold."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from terrain.data.arrays import FloatArray, seal
from terrain.data.settings import SensorModel

UNITS_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
"""Seconds in each unit that times are stored in."""


@dataclass(frozen=True, slots=True, eq=False)
class Spindle:
    """A line scanner turned about an axis, with the encoder's angle stored at every point.

    axis (3,) is a unit vector in the frame of the mount, offset_m (3,) takes the scanner's origin off the axis. A
    point p of the scanner lies at R(axis, angle + zero) (p + offset) in the frame of the mount.
    """

    axis: FloatArray
    angle_field: str
    unit_rad: float
    """Radians in one unit of the stored angle."""
    zero_rad: float
    offset_m: FloatArray

    def __post_init__(self) -> None:
        seal(self, "axis", rows=3)
        seal(self, "offset_m", rows=3)


@dataclass(frozen=True, slots=True, eq=False)
class ScanOptions:
    """How scan files are to be read; None where the file itself is to show it.

    frame is "sensor" or "map"; time_base "clock" (times stand on one clock) or "scan" (they count from the start of
    each scan, or there is one time for a whole scan); stamps_file holds one time a line, one line a scan file.
    """

    frame: str = "sensor"
    topic: str | None = None
    time_field: str | None = None
    time_unit: str | None = None
    time_base: str | None = None
    stamps_file: Path | None = None
    spindle: Spindle | None = None


@dataclass(frozen=True, slots=True)
class PoseOptions:
    """How a file of poses is to be read; None where the file itself is to show it.

    topic, map_frame and body_frame choose among those of a bag; quaternion_order is "xyzw" or "wxyz" for text;
    stamps_file holds one time a line for poses that come as bare matrices.
    """

    topic: str | None = None
    map_frame: str | None = None
    body_frame: str | None = None
    quaternion_order: str = "xyzw"
    stamps_file: Path | None = None


@dataclass(frozen=True, slots=True, eq=False)
class SensorScans:
    """One sensor of a survey, its files, and how to read them; `sensor` is None where a map survey states none."""

    name: str
    sensor: SensorModel | None
    files: tuple[Path, ...]
    options: ScanOptions = field(default_factory=ScanOptions)


@dataclass(frozen=True, slots=True)
class TimeReading:
    """How the times of a set of scans are read, and by what evidence.

    base: "clock": value * scale_s is the scan clock; "stamp": the scan's stamp + value * scale_s; "own": the stamp +
    (value - the scan's least value) * scale_s; "whole": one stamp for the whole scan; "none": there is no time.
    """

    field: str | None
    scale_s: float
    base: str
    why: str
    warning: str | None = None

    @property
    def unit(self) -> str | None:
        """Word for the unit of the stored values."""
        return next((word for word, scale in UNITS_S.items() if scale == self.scale_s), None) if self.field else None


@dataclass(frozen=True, slots=True, eq=False)
class StreamContents:
    """One stream of points or poses in a file: a topic of a bag, the points of a file, a scan's poses.

    kind is "points", "poses", "transforms" or "other". low_m and high_m are None where no point was looked at.
    """

    name: str
    kind: str
    type: str
    messages: int
    fields: Mapping[str, str] = field(default_factory=dict)
    frame: str | None = None
    child_frame: str | None = None
    points: int | None = None
    points_exact: bool = True
    low_m: tuple[float, float, float] | None = None
    high_m: tuple[float, float, float] | None = None
    bounds_exact: bool = True
    first_s: float | None = None
    last_s: float | None = None
    rate_hz: float | None = None
    time: TimeReading | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class FileContents:
    """What a file or a bag holds, and a survey file to start from (empty where there is nothing to survey)."""

    path: Path
    format: str
    size_bytes: int
    streams: tuple[StreamContents, ...]
    warnings: tuple[str, ...]
    survey_toml: str
