"""A foot profile: the sole, the limits it is judged by, and the room the leg needs."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import FloatArray, FootProfile, Limit
from terrain.errors import ConfigError, DataError
from terrain.settings import (
    REQUIRED,
    Key,
    Problems,
    check_tables,
    limit_pair,
    number,
    points,
    read_toml,
    refuse_other_kinds,
    shown,
    text,
)

ROUND_SOLE_CORNERS = 32
"""A round sole is judged as a regular polygon of this many corners and the same area as the circle."""

WATCHED_M = 0.10
"""How far beside the sole edges and obstacles are looked for; a limit beyond could never be met."""

_SOLE_KEYS = (
    Key("sole.length_m", number(0.02, 2.0), None, "length of a rectangular sole"),
    Key("sole.width_m", number(0.02, 2.0), None, "width of a rectangular sole"),
    Key("sole.heel_m", number(0.0, 2.0, above_low=True), None, "from the load point back to the heel"),
    Key("sole.radius_m", number(0.01, 1.0), None, "radius of a round sole"),
    Key(
        "sole.outline_m",
        points("a list of at least three [x, y] in metres, each from -2 to 2", low=-2.0, high=2.0),
        None,
        "corners of a sole of any shape",
    ),
)

KEYS = (
    Key("name", text(), REQUIRED, "what the profile is called"),
    *_SOLE_KEYS,
    Key("limits.slope_deg", limit_pair(0.0, 89.0, rising=True), REQUIRED, "tilt of the resting plane"),
    Key("limits.roughness_mm", limit_pair(0.0, 1000.0, rising=True), REQUIRED, "RMS departure from a plane"),
    Key("limits.support", limit_pair(0.0, 1.0, rising=False), REQUIRED, "share of the sole that is carried"),
    Key("limits.rocking_m", limit_pair(0.0, 1.0, rising=False), REQUIRED, "load point to border of what carries"),
    Key("limits.edge_m", limit_pair(-1.0, WATCHED_M, rising=False), REQUIRED, "sole to the nearest edge"),
    Key("limits.beside_m", limit_pair(0.0, WATCHED_M, rising=False), REQUIRED, "sole to the nearest obstacle"),
    Key("limits.observed", limit_pair(0.0, 1.0, rising=False), REQUIRED, "share of the sole that was seen"),
    Key("limits.contact_mm", number(0.0, 200.0, above_low=True), REQUIRED, "ground this close under carries"),
    Key("limits.drop_mm", number(0.0, 500.0, above_low=True), REQUIRED, "ground that departs this far is an edge"),
    Key("limits.joint_mm", number(0.0, 200.0), REQUIRED, "narrower joints are bridged"),
    Key("clearance.shin_radius_m", number(0.0, 1.0), REQUIRED, "radius of the free cylinder"),
    Key("clearance.height_m", number(0.0, 5.0, above_low=True), REQUIRED, "height of the free cylinder"),
    Key("step.max_up_m", number(0.0, 2.0), REQUIRED, "highest step up"),
    Key("step.max_down_m", number(0.0, 2.0), REQUIRED, "highest step down"),
    Key("step.max_reach_m", number(0.0, 5.0, above_low=True), REQUIRED, "longest step"),
    Key("confidence.z", number(0.0, 6.0), REQUIRED, "one-sided normal quantile"),
)

_LIMITS = ("slope_rad", "roughness_m", "support", "rocking_m", "edge_m", "beside_m", "observed")


def configs_folder() -> Path:
    """Return the folder of the profiles that come with the package, installed or in a checkout."""
    package = Path(__file__).resolve().parent
    packaged = package / "configs"
    return packaged if packaged.is_dir() else package.parent / "configs"


def foot_names() -> tuple[str, ...]:
    """Return the names of the profiles that come with the package, in the order of the alphabet."""
    return tuple(sorted(path.stem for path in (configs_folder() / "feet").glob("*.toml")))


def load_foot(profile: str | Path, *, relative_to: Path | None = None) -> FootProfile:
    """Return a foot profile by its name or from its TOML file.

    Parameters
    ----------
    profile : str or path
        A name out of `foot_names`, or the path of a file: anything that ends in .toml or holds a slash.
    relative_to : path, optional
        Folder that a relative path starts from; the working directory where it is left out.

    Returns
    -------
    FootProfile
        SI units; the outline counter-clockwise. A round sole comes as a regular 32-gon of the circle's area, its
        corners 0.3 % outside the circle.

    Raises
    ------
    ReadError
        The file cannot be read.
    ConfigError
        No such name; or the file is no TOML, or a key is unknown, missing or not allowed: one line names the file
        and every such key. `[sole]` takes exactly one of its three forms; every other key is required, those of
        `[step]` too, because a step plan must not be judged by limits nobody set.
    """
    path = _profile_path(profile, relative_to)
    tables = read_toml(path, what="foot profile")
    problems = Problems(f"foot profile {path}")
    refuse_other_kinds(tables, KEYS, problems.where)
    values = check_tables(tables, KEYS, problems)
    outline = _outline(values, tables.get("sole"), problems)
    _check_heights(values, problems)
    problems.raise_if_any()
    return FootProfile(
        name=values["name"],
        outline_m=outline,
        slope_rad=Limit(*(math.radians(part) for part in values["limits.slope_deg"])),
        roughness_m=Limit(*(part / 1000.0 for part in values["limits.roughness_mm"])),
        support=Limit(*values["limits.support"]),
        rocking_m=Limit(*values["limits.rocking_m"]),
        edge_m=Limit(*values["limits.edge_m"]),
        beside_m=Limit(*values["limits.beside_m"]),
        observed=Limit(*values["limits.observed"]),
        contact_m=values["limits.contact_mm"] / 1000.0,
        drop_m=values["limits.drop_mm"] / 1000.0,
        joint_m=values["limits.joint_mm"] / 1000.0,
        shin_radius_m=values["clearance.shin_radius_m"],
        clear_height_m=values["clearance.height_m"],
        max_up_m=values["step.max_up_m"],
        max_down_m=values["step.max_down_m"],
        max_reach_m=values["step.max_reach_m"],
        z=values["confidence.z"],
    )


def foot_to_dict(foot: FootProfile) -> dict[str, Any]:
    """Return a profile as plain numbers, lists and dicts, ready for JSON: SI units, names as in `FootProfile`."""
    plain: dict[str, Any] = {}
    for item in fields(foot):
        value = getattr(foot, item.name)
        if isinstance(value, Limit):
            value = {"comfort": value.comfort, "limit": value.limit}
        elif isinstance(value, np.ndarray):
            value = value.tolist()
        plain[item.name] = value
    return plain


def foot_from_dict(plain: Mapping[str, Any]) -> FootProfile:
    """Return the profile that `foot_to_dict` wrote, to the last bit.

    Raises
    ------
    DataError
        A name is missing, unknown, or not of its type.
    """
    names = {item.name for item in fields(FootProfile)}
    if set(plain) != names:
        odd = sorted(names ^ set(plain))
        raise DataError(f"foot profile: got keys that differ in {', '.join(odd)}, expected {', '.join(sorted(names))}")
    values: dict[str, Any] = {}
    try:
        for name, value in plain.items():
            if name == "name":
                values[name] = str(value)
            elif name == "outline_m":
                values[name] = np.array(value, dtype=np.float64)
            elif name in _LIMITS:
                values[name] = Limit(float(value["comfort"]), float(value["limit"]))
            else:
                values[name] = float(value)
        return FootProfile(**values)
    except (TypeError, ValueError, KeyError) as error:
        raise DataError(f"foot profile: got {shown(dict(plain))}, expected numbers as written: {error}") from error


def _profile_path(profile: str | Path, relative_to: Path | None) -> Path:
    word = str(profile)
    if isinstance(profile, Path) or word.endswith(".toml") or "/" in word or os.sep in word:
        return (relative_to or Path()) / word
    names = foot_names()
    if word not in names:
        raise ConfigError(f"foot profile: got {word!r}, expected one of {', '.join(names)}, or a path to a TOML file")
    return configs_folder() / "feet" / f"{word}.toml"


def _check_heights(values: Mapping[str, Any], problems: Problems) -> None:
    contact, drop = values.get("limits.contact_mm"), values.get("limits.drop_mm")
    if contact is not None and drop is not None and not contact < drop:
        problems.add("limits.drop_mm", f"got {drop!r}", f"a number above limits.contact_mm = {contact!r}")
    height = values.get("clearance.height_m")
    if drop is not None and height is not None and not drop / 1000.0 < height:
        problems.add("clearance.height_m", f"got {height!r}", f"a number above limits.drop_mm = {drop!r}")


def _outline(values: Mapping[str, Any], sole: Any, problems: Problems) -> FloatArray:
    """Return the outline of whichever form the sole takes; empty where there is a problem."""
    nothing = np.empty((0, 2))
    forms = {"sole.outline_m": ("outline_m",), "sole.radius_m": ("radius_m",), "sole.length_m": _RECTANGLE}
    stated = set(sole) if isinstance(sole, dict) else set()
    used = [name for name, keys in forms.items() if stated & set(keys)]
    if len(used) != 1:
        got = ", ".join(sorted(stated)) or "nothing"
        problems.add("sole", f"got {got}", "exactly one of length_m with width_m and heel_m, radius_m, outline_m")
        return nothing
    for name in forms[used[0]]:
        if name not in stated:
            problems.add(f"sole.{name}", "missing", next(k.kind.allowed for k in KEYS if k.name == f"sole.{name}"))
    if problems.found:
        return nothing
    if used[0] == "sole.radius_m":
        return _round_outline(values["sole.radius_m"])
    if used[0] == "sole.length_m":
        return _rectangle(values, problems)
    return _polygon(values["sole.outline_m"], problems)


_RECTANGLE = ("length_m", "width_m", "heel_m")


def _round_outline(radius_m: float) -> FloatArray:
    angle = 2.0 * math.pi / ROUND_SOLE_CORNERS
    corner_m = radius_m * math.sqrt(angle / math.sin(angle))
    turns = angle * np.arange(ROUND_SOLE_CORNERS)
    return np.column_stack((corner_m * np.cos(turns), corner_m * np.sin(turns)))


def _rectangle(values: Mapping[str, Any], problems: Problems) -> FloatArray:
    length, width, heel = (values[f"sole.{name}"] for name in _RECTANGLE)
    if not heel < length:
        problems.add("sole.heel_m", f"got {heel!r}", f"a number below sole.length_m = {length!r}")
    toe, side = length - heel, width / 2.0
    return np.array([[-heel, -side], [toe, -side], [toe, side], [-heel, side]])


def _polygon(corners: tuple[tuple[float, float], ...], problems: Problems) -> FloatArray:
    """Return the corners counter-clockwise, without a repeated last one."""
    outline = np.array(corners)
    if np.array_equal(outline[0], outline[-1]):
        outline = outline[:-1]
    x, y = outline.T
    area = 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    allowed = "a simple polygon of at least 1 cm2 with the load point [0, 0] inside"
    if len(outline) < 3 or abs(area) < 1e-4 or not _is_simple(outline):
        problems.add("sole.outline_m", f"got {shown([list(c) for c in corners])}, which is none", allowed)
    elif not _holds_origin(outline):
        problems.add("sole.outline_m", f"got {shown([list(c) for c in corners])}, [0, 0] outside", allowed)
    return outline if area > 0.0 else outline[::-1]


def _is_simple(outline: FloatArray) -> bool:
    """No two sides touch but neighbours at their common corner, and no side has no length."""
    n = len(outline)
    starts, ends = outline, np.roll(outline, -1, axis=0)
    if (np.hypot(*(ends - starts).T) < 1e-9).any():
        return False
    for i in range(n):
        for j in range(i + 1, n):
            if j == i + 1 or (i == 0 and j == n - 1):
                shared, one, other = (ends[i], starts[i], ends[j]) if j == i + 1 else (starts[i], ends[i], starts[j])
                if _side(shared, one, other) == 0.0 and float(np.dot(one - shared, other - shared)) > 0.0:
                    return False
            elif _touch(starts[i], ends[i], starts[j], ends[j]):
                return False
    return True


def _side(a: FloatArray, b: FloatArray, c: FloatArray) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))


def _touch(a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray) -> bool:
    """Whether the closed sides ab and cd have a point in common."""
    abc, abd, cda, cdb = _side(a, b, c), _side(a, b, d), _side(c, d, a), _side(c, d, b)
    if abc * abd > 0.0 or cda * cdb > 0.0:
        return False
    boxes_meet = (
        np.maximum(np.minimum(a, b), np.minimum(c, d)) <= np.minimum(np.maximum(a, b), np.maximum(c, d))
    ).all()
    return bool(boxes_meet)


def _holds_origin(outline: FloatArray) -> bool:
    """Whether the origin lies strictly inside: by crossings of the x axis, and off every side."""
    crossings = 0
    for (ax, ay), (bx, by) in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        cross = ax * by - ay * bx
        if cross == 0.0 and min(ax, bx) <= 0.0 <= max(ax, bx) and min(ay, by) <= 0.0 <= max(ay, by):
            return False
        if (ay > 0.0) != (by > 0.0):
            crossings += (ax + (bx - ax) * (-ay) / (by - ay)) > 0.0
    return crossings % 2 == 1
