"""A targets file: what is known about the surfaces a sensor is checked against, and how well."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import FloatArray
from terrain.errors import ConfigError
from terrain.sensor.flatness import DIN_18202_MM, allowed_gap_m
from terrain.settings import (
    REQUIRED,
    BadValueError,
    Key,
    Kind,
    Problems,
    check_tables,
    number,
    read_toml,
    shown,
    text,
    texts,
    vector,
)

PARTS = ("mount", "range", "clock")
"""What `check.require` may name."""


def _finite(numbers: tuple[float, ...]) -> bool:
    return all(math.isfinite(one) for one in numbers)


def _is_direction(numbers: tuple[float, ...]) -> bool:
    return math.sqrt(sum(one * one for one in numbers)) > 1e-6


def _is_size(numbers: tuple[float, ...]) -> bool:
    return all(0.0 < one <= 1000.0 for one in numbers)


def _box() -> Kind:
    allowed = "two corners [[x, y, z], [x, y, z]], the lower one first"
    corner = vector(3, allowed, accept=_finite)

    def check(value: Any) -> tuple[tuple[float, ...], tuple[float, ...]]:
        if not isinstance(value, list) or len(value) != 2:
            raise BadValueError
        low, high = corner.check(value[0]), corner.check(value[1])
        if not all(a < b for a, b in zip(low, high, strict=True)):
            raise BadValueError
        return low, high

    def parse(words: str) -> Any:
        raise BadValueError(words)

    return Kind(allowed, check, parse)


def _names() -> Kind:
    allowed = "two different names of targets"
    base = texts()

    def check(value: Any) -> tuple[str, ...]:
        pair: tuple[str, ...] = base.check(value)
        if len(pair) != 2 or pair[0] == pair[1]:
            raise BadValueError
        return pair

    return Kind(allowed, check, base.parse)


def _parts() -> Kind:
    allowed = "a list of " + ", ".join(f'"{part}"' for part in PARTS) + ", or an empty one"

    def check(value: Any) -> tuple[str, ...]:
        if not isinstance(value, list) or not all(part in PARTS for part in value):
            raise BadValueError
        return tuple(part for part in PARTS if part in value)

    def parse(words: str) -> Any:
        raise BadValueError(words)

    return Kind(allowed, check, parse)


def _row() -> Kind:
    allowed = f"a row of DIN 18202, table 3: 1 to {len(DIN_18202_MM)}"

    def check(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or value not in DIN_18202_MM:
            raise BadValueError
        return value

    return Kind(allowed, check, int)


_POINT = vector(3, "three numbers", accept=_finite)
CHECK_KEYS = (
    Key("check.name", text(), REQUIRED, "what the set-up is called"),
    Key("check.sensor", text(), "sensor", "name or serial number of the sensor, for its history"),
    Key("check.valid_days", number(0.0, 3650.0, above_low=True), 30.0, "a check older than this is warned of"),
    Key("check.require", _parts(), ("mount", "range"), "what must be told before a check can pass"),
    Key("check.min_points", number(10.0, 1e9), 100.0, "fewer points on a target decide nothing"),
    Key("check.tolerance_mm", number(0.0, 1000.0, above_low=True), 10.0, "of a bias or a distance"),
    Key("check.tilt_tolerance_deg", number(0.0, 45.0, above_low=True), 0.5, "of a tilt or an angle"),
    Key("check.noise_tolerance", number(0.0, 10.0, above_low=True), 0.25, "noise beyond the stated one, as a share"),
    Key("check.flatness_tolerance_mm", number(0.0, 1000.0, above_low=True), 3.0, "of a plate's own shape"),
    Key("check.drift_tolerance_mm", number(0.0, 1000.0, above_low=True), 5.0, "of a change while a target is seen"),
    Key("check.mount_tolerance_deg", number(0.0, 45.0, above_low=True), 0.25, "of the mount about each axis"),
    Key("check.mount_tolerance_mm", number(0.0, 1000.0, above_low=True), 10.0, "of the mount along each axis"),
    Key("check.range_offset_tolerance_mm", number(0.0, 1000.0, above_low=True), 10.0, "of the range offset"),
    Key("check.range_scale_tolerance_ppm", number(0.0, 1e6, above_low=True), 1000.0, "of the range scale"),
    Key("check.clock_tolerance_ms", number(0.0, 1e6, above_low=True), 5.0, "of the clock offset"),
    Key("check.range_offset_sd_mm", number(0.0, 1000.0, above_low=True), 30.0, "what is known of it beforehand"),
    Key("check.range_scale_sd_ppm", number(0.0, 1e6, above_low=True), 2000.0, "what is known of it beforehand"),
    Key("check.clock_sd_ms", number(0.0, 1e6, above_low=True), 50.0, "what is known of it beforehand"),
    Key(
        "check.stand_m", number(0.0, 1000.0, above_low=True), 0.25, "pose errors are alike until the body moves so far"
    ),
    Key("check.stand_deg", number(0.0, 180.0, above_low=True), 10.0, "or turns so far"),
    Key("check.turn_s", number(0.0, 3600.0), 0.0, "time of one turn of the spindle; 0 where there is none"),
)
_HINT_KEYS = (
    Key("near_m", _POINT, None, "a point on the surface, roughly"),
    Key("radius_m", number(0.0, 1000.0, above_low=True), None, "how far from that point to look"),
    Key("box_m", _box(), None, "or the box that holds the surface"),
)
PLANE_KEYS = (
    Key("name", text(), REQUIRED, "what the target is called"),
    *_HINT_KEYS,
    Key("normal", vector(3, "three numbers, a direction", accept=_is_direction), None, "towards the sensor"),
    Key("normal_sd_deg", number(0.0, 45.0), None, "sd of that direction, per axis"),
    Key("offset_m", number(-1e7, 1e7), None, "normal . x of the plane"),
    Key("point_m", _POINT, None, "or a point exactly on it"),
    Key("offset_sd_mm", number(0.0, 1000.0), None, "sd of the plane's place along its normal, at the target"),
    Key("size_m", vector(2, "two lengths above 0", accept=_is_size), None, "length and width"),
    Key("tolerance_mm", number(0.0, 1000.0, above_low=True), None, "instead of check.tolerance_mm"),
    Key("tilt_tolerance_deg", number(0.0, 45.0, above_low=True), None, "instead of check.tilt_tolerance_deg"),
    Key("flatness_tolerance_mm", number(0.0, 1000.0, above_low=True), None, "instead of check.flatness_tolerance_mm"),
)
SPHERE_KEYS = (
    Key("name", text(), REQUIRED, "what the target is called"),
    *_HINT_KEYS,
    Key("radius_mm", number(5.0, 5000.0), REQUIRED, "radius of the sphere"),
    Key("radius_sd_mm", number(0.0, 100.0), 0.0, "its sd"),
    Key("centre_m", _POINT, None, "its centre in the map frame"),
    Key("centre_sd_mm", number(0.0, 1000.0), None, "sd of the centre, per axis"),
    Key("tolerance_mm", number(0.0, 1000.0, above_low=True), None, "instead of check.tolerance_mm"),
)
_PAIR = Key("between", _names(), REQUIRED, "the two targets")
RELATION_KEYS = {
    "angle": (
        _PAIR,
        Key("angle_deg", number(0.0, 180.0), REQUIRED, "between the two normals, which point towards the sensor"),
        Key("sd_deg", number(0.0, 45.0), REQUIRED, "its sd"),
        Key("tolerance_deg", number(0.0, 45.0, above_low=True), None, "instead of check.tilt_tolerance_deg"),
    ),
    "distance": (
        _PAIR,
        Key("distance_mm", number(0.0, 1e7), REQUIRED, "between two parallel surfaces, from the first's middle"),
        Key("sd_mm", number(0.0, 1000.0), REQUIRED, "its sd"),
        Key("tolerance_mm", number(0.0, 1000.0, above_low=True), None, "instead of check.tolerance_mm"),
    ),
    "step": (
        _PAIR,
        Key("height_mm", number(-1e6, 1e6), REQUIRED, "of the second over the first, along gravity"),
        Key("sd_mm", number(0.0, 1000.0), REQUIRED, "its sd"),
        Key("tolerance_mm", number(0.0, 1000.0, above_low=True), None, "instead of check.tolerance_mm"),
    ),
    "spacing": (
        _PAIR,
        Key("distance_mm", number(0.0, 1e7, above_low=True), REQUIRED, "between two sphere centres"),
        Key("sd_mm", number(0.0, 1000.0), REQUIRED, "its sd"),
        Key("tolerance_mm", number(0.0, 1000.0, above_low=True), None, "instead of check.tolerance_mm"),
    ),
    "flatness": (
        Key("of", text(), REQUIRED, "the plane"),
        Key("length_m", number(0.1, 15.0), REQUIRED, "length of the straightedge"),
        Key("row", _row(), None, "row of DIN 18202, table 3"),
        Key("gap_mm", number(0.0, 1000.0, above_low=True), None, "or the gap allowed under the straightedge"),
    ),
}
_WORDS = ("check", "plane", "sphere", *RELATION_KEYS)


@dataclass(frozen=True, slots=True, eq=False)
class Hint:
    """Where to look: a ball (near_m, radius_m) or a box (low_m, high_m), map frame."""

    near_m: FloatArray | None
    radius_m: float
    low_m: FloatArray | None
    high_m: FloatArray | None

    def holds(self, xyz_m: FloatArray) -> Any:
        """Return which points (n, 3) lie inside."""
        if self.near_m is not None or self.low_m is None or self.high_m is None:
            return np.square(xyz_m - np.asarray(self.near_m)).sum(axis=1) <= self.radius_m**2
        return ((xyz_m >= self.low_m) & (xyz_m <= self.high_m)).all(axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class PlaneTarget:
    """A plane: normal . x = offset_m, each with its sd, or None where it is not known."""

    name: str
    hint: Hint
    normal: FloatArray | None
    normal_sd_rad: float
    offset_m: float | None
    offset_sd_m: float
    size_m: tuple[float, float] | None
    tolerance_m: float
    tilt_tolerance_rad: float
    flatness_tolerance_m: float


@dataclass(frozen=True, slots=True, eq=False)
class SphereTarget:
    """A sphere of known radius; its centre, map frame, or None where only spacings are known."""

    name: str
    hint: Hint
    radius_m: float
    radius_sd_m: float
    centre_m: FloatArray | None
    centre_sd_m: float
    tolerance_m: float


@dataclass(frozen=True, slots=True)
class Relation:
    """What is known between two targets, or of one: kind, value, sd and tolerance in SI; length_m of a flatness."""

    kind: str
    names: tuple[str, ...]
    value: float
    sd: float
    tolerance: float
    length_m: float = 0.0

    @property
    def title(self) -> str:
        """Return what a report calls it."""
        return f"{self.kind} {' - '.join(self.names)}" + (f" over {self.length_m:g} m" if self.length_m else "")


@dataclass(frozen=True, slots=True)
class CheckSettings:
    """The `[check]` table, in SI."""

    name: str
    sensor: str
    valid_days: float
    require: tuple[str, ...]
    min_points: int
    tolerance_m: float
    noise_tolerance: float
    drift_tolerance_m: float
    mount_tolerance_rad: float
    mount_tolerance_m: float
    range_offset_tolerance_m: float
    range_scale_tolerance: float
    clock_tolerance_s: float
    range_offset_sd_m: float
    range_scale_sd: float
    clock_sd_s: float
    stand_m: float
    stand_rad: float
    turn_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Targets:
    """A targets file, checked."""

    path: Path
    settings: CheckSettings
    planes: tuple[PlaneTarget, ...]
    spheres: tuple[SphereTarget, ...]
    relations: tuple[Relation, ...]

    @property
    def all(self) -> tuple[PlaneTarget | SphereTarget, ...]:
        """Return planes, then spheres."""
        return (*self.planes, *self.spheres)


def load_targets(path: str | Path) -> Targets:
    """Return the known surfaces that a TOML file describes.

    Parameters
    ----------
    path : path
        `[check]`, `[[plane]]`, `[[sphere]]` and `[[angle]]`, `[[distance]]`, `[[step]]`, `[[spacing]]`,
        `[[flatness]]`; positions in the map frame of the survey, as its poses have it.

    Raises
    ------
    ReadError
        The file cannot be read.
    ConfigError
        It is no TOML, or something in it is unknown, missing or not allowed; one line names all of it.
    """
    path = Path(path)
    tables = read_toml(path, what="targets")
    problems = Problems(f"targets {path}")
    for word in tables.keys() - set(_WORDS):
        problems.add(word, f"unknown table with value {shown(tables[word])}", "one of " + ", ".join(_WORDS))
    common = check_tables({"check": tables.get("check", {})}, CHECK_KEYS, problems)
    if problems.found:
        problems.raise_if_any()
    planes = tuple(_plane(*item, common, problems) for item in _rows(tables, "plane", PLANE_KEYS, problems))
    spheres = tuple(_sphere(*item, common, problems) for item in _rows(tables, "sphere", SPHERE_KEYS, problems))
    relations: list[Relation] = []
    for kind, keys in RELATION_KEYS.items():
        rows = _rows(tables, kind, keys, problems)
        relations += [_relation(kind, where, values, common, problems) for where, values in rows]
    _check_names([one.name for one in planes], [one.name for one in spheres], relations, problems)
    problems.raise_if_any()
    return Targets(path, _settings(common), planes, spheres, tuple(relations))


def no_targets(name: str = "no targets") -> Targets:
    """Return a file's worth of default settings and no target, for the checks that need none."""
    common = check_tables({"check": {"name": name, "require": []}}, CHECK_KEYS, Problems("defaults"))
    return Targets(Path(), _settings(common), (), (), ())


def _rows(
    tables: Mapping[str, Any], word: str, keys: tuple[Key, ...], problems: Problems
) -> list[tuple[str, dict[str, Any]]]:
    """Return place and values of every table [[word]]; what is wrong is noted, and such tables are left out."""
    given = tables.get(word, [])
    if not isinstance(given, list) or not all(isinstance(row, dict) for row in given):
        problems.add(word, f"got {shown(given)}", f"tables that begin with [[{word}]]")
        return []
    found = []
    for number_, row in enumerate(given, start=1):
        name = row.get("name")
        where = f"{word} {number_}" + (f' "{name}"' if isinstance(name, str) else "")
        own = Problems(where)
        values = check_tables(row, keys, own)
        if own.found:
            problems.found += [f"{where}: {line}" for line in own.found]
        else:
            found.append((where, values))
    return found


def _hint(where: str, values: Mapping[str, Any], fallback_m: float | None, problems: Problems) -> Hint:
    near, box = values["near_m"], values["box_m"]
    if (near is None) == (box is None):
        got = "got both near_m and box_m" if near is not None else "got neither near_m nor box_m"
        problems.add(where, got, "one of them, to say where the surface is")
        return Hint(np.zeros(3), 1.0, None, None)
    if near is not None:
        return Hint(np.array(near), values["radius_m"] or fallback_m or 0.5, None, None)
    if values["radius_m"] is not None:
        problems.add(where, "got radius_m beside box_m", "radius_m only beside near_m")
    return Hint(None, 0.0, np.array(box[0]), np.array(box[1]))


def _needs(where: str, values: Mapping[str, Any], one: str, other: str, problems: Problems) -> None:
    if values[one] is not None and values[other] is None:
        problems.add(where, f"got {one} without {other}", f"both: nothing is known exactly, state {other} too")


def _plane(where: str, values: dict[str, Any], common: Mapping[str, Any], problems: Problems) -> PlaneTarget:
    size = values["size_m"]
    hint = _hint(where, values, math.hypot(*size) / 2.0 if size else None, problems)
    normal, offset, point = values["normal"], values["offset_m"], values["point_m"]
    unit = None if normal is None else np.array(normal) / np.linalg.norm(normal)
    _needs(where, values, "normal", "normal_sd_deg", problems)
    if offset is not None and point is not None:
        problems.add(where, "got both offset_m and point_m", "one of them")
    if (offset is not None or point is not None) and normal is None:
        problems.add(where, "got a place without normal", "normal beside offset_m or point_m")
    for one in ("offset_m", "point_m"):
        _needs(where, values, one, "offset_sd_mm", problems)
    if offset is None and point is not None and unit is not None:
        offset = float(unit @ np.array(point))
    elif offset is not None and normal is not None:
        offset = offset / float(np.linalg.norm(normal))
    return PlaneTarget(
        name=values["name"],
        hint=hint,
        normal=unit,
        normal_sd_rad=math.radians(values["normal_sd_deg"] or 0.0),
        offset_m=offset,
        offset_sd_m=(values["offset_sd_mm"] or 0.0) / 1e3,
        size_m=size,
        tolerance_m=(values["tolerance_mm"] or common["check.tolerance_mm"]) / 1e3,
        tilt_tolerance_rad=math.radians(values["tilt_tolerance_deg"] or common["check.tilt_tolerance_deg"]),
        flatness_tolerance_m=(values["flatness_tolerance_mm"] or common["check.flatness_tolerance_mm"]) / 1e3,
    )


def _sphere(where: str, values: dict[str, Any], common: Mapping[str, Any], problems: Problems) -> SphereTarget:
    _needs(where, values, "centre_m", "centre_sd_mm", problems)
    radius = values["radius_mm"] / 1e3
    return SphereTarget(
        name=values["name"],
        hint=_hint(where, values, radius * 2.0 + 0.2, problems),
        radius_m=radius,
        radius_sd_m=values["radius_sd_mm"] / 1e3,
        centre_m=None if values["centre_m"] is None else np.array(values["centre_m"]),
        centre_sd_m=(values["centre_sd_mm"] or 0.0) / 1e3,
        tolerance_m=(values["tolerance_mm"] or common["check.tolerance_mm"]) / 1e3,
    )


def _relation(
    kind: str, where: str, values: Mapping[str, Any], common: Mapping[str, Any], problems: Problems
) -> Relation:
    length_tolerance = (values.get("tolerance_mm") or common["check.tolerance_mm"]) / 1e3
    if kind == "angle":
        tolerance = math.radians(values["tolerance_deg"] or common["check.tilt_tolerance_deg"])
        angle, sd = math.radians(values["angle_deg"]), math.radians(values["sd_deg"])
        return Relation(kind, values["between"], angle, sd, tolerance)
    if kind == "flatness":
        row, gap, length = values["row"], values["gap_mm"], values["length_m"]
        if (row is None) == (gap is None):
            problems.add(where, "got both or neither of row and gap_mm", "one of them")
            return Relation(kind, (values["of"],), 0.0, 0.0, 1.0, length)
        allowed = allowed_gap_m(row, length) if gap is None else gap / 1e3
        return Relation(kind, (values["of"],), 0.0, 0.0, allowed, length)
    value = values["height_mm" if kind == "step" else "distance_mm"] / 1e3
    return Relation(kind, values["between"], value, values["sd_mm"] / 1e3, length_tolerance)


def _check_names(planes: list[str], spheres: list[str], relations: list[Relation], problems: Problems) -> None:
    names = [*planes, *spheres]
    for name in sorted({name for name in names if names.count(name) > 1}):
        problems.add("name", f'got "{name}" for {names.count(name)} targets', "a name of its own for each")
    for relation in relations:
        known, what = (spheres, "a sphere") if relation.kind == "spacing" else (planes, "a plane")
        for name in relation.names:
            if name not in known:
                have = ", ".join(f'"{one}"' for one in known) or "none"
                problems.add(relation.kind, f'got "{name}"', f"the name of {what}; there are {have}")
    if not names and not problems.found:
        raise ConfigError(f"{problems.where}: got no target, expected at least one [[plane]] or [[sphere]]")


def _settings(common: Mapping[str, Any]) -> CheckSettings:
    def at(name: str) -> Any:
        return common[f"check.{name}"]

    return CheckSettings(
        name=at("name"),
        sensor=at("sensor"),
        valid_days=at("valid_days"),
        require=at("require"),
        min_points=round(at("min_points")),
        tolerance_m=at("tolerance_mm") / 1e3,
        noise_tolerance=at("noise_tolerance"),
        drift_tolerance_m=at("drift_tolerance_mm") / 1e3,
        mount_tolerance_rad=math.radians(at("mount_tolerance_deg")),
        mount_tolerance_m=at("mount_tolerance_mm") / 1e3,
        range_offset_tolerance_m=at("range_offset_tolerance_mm") / 1e3,
        range_scale_tolerance=at("range_scale_tolerance_ppm") / 1e6,
        clock_tolerance_s=at("clock_tolerance_ms") / 1e3,
        range_offset_sd_m=at("range_offset_sd_mm") / 1e3,
        range_scale_sd=at("range_scale_sd_ppm") / 1e6,
        clock_sd_s=at("clock_sd_ms") / 1e3,
        stand_m=at("stand_m"),
        stand_rad=math.radians(at("stand_deg")),
        turn_s=at("turn_s"),
    )
