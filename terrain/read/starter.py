"""A survey file to start from, of what was found in a file; what only the user knows is marked."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from terrain.data import StreamContents
from terrain.read.bag_poses import Tree, static_transform

_ASK = "# <- put in your own"
_IDENTITY = "{ translation_m = [0.0, 0.0, 0.0], rotation_xyzw = [0.0, 0.0, 0.0, 1.0] }"
_FOOT = ["[foot]", 'profile = "biped"            # `terrain feet` lists the profiles; or a path to your own']


def starter(path: Path, streams: Sequence[StreamContents], tree: Tree | None) -> str:
    """Return the text of a survey.toml to stand beside a file; empty where the file holds nothing to start from."""
    clouds = [stream for stream in streams if stream.kind == "points" and stream.points]
    poses = _best_poses(streams)
    if not clouds and poses is None:
        return ""
    timed = any(cloud.time is None or cloud.time.base != "none" for cloud in clouds)
    head = ["[survey]", f"name = {_text(path.stem)}", ""]
    if poses is None and not timed:
        return "\n".join([*head, *_map_frame(path)]) + "\n"
    body = _body(poses, tree)
    is_bag = path.is_dir() or path.suffix.lower() in (".bag", ".mcap", ".db3")
    scans = _scans(path, clouds, is_bag) if len(clouds) <= 1 else []
    lines = [*head, *_frame(), *_sensors(path, clouds, body, tree), *_poses(path, poses, body), *scans, *_FOOT]
    return "\n".join(lines) + "\n"


def _text(words: str | None) -> str:
    """Return text as TOML holds it; its basic strings escape as those of JSON do."""
    return json.dumps(words, ensure_ascii=False)


def _best_poses(streams: Sequence[StreamContents]) -> StreamContents | None:
    """Return poses, odometry before others, or transforms that move."""
    poses = [stream for stream in streams if stream.kind == "poses" and stream.messages > 0]
    poses.sort(key=lambda stream: (not stream.type.endswith("Odometry"), -stream.messages))
    moving = [s for s in streams if s.kind == "transforms" and not s.name.rstrip("/").endswith("static")]
    return next(iter([*poses, *moving]), None)


def _body(poses: StreamContents | None, tree: Tree | None) -> str | None:
    """Return the frame that is the body, where the poses or the transforms tell it."""
    if poses is not None and poses.child_frame:
        return poses.child_frame.lstrip("/")
    if tree is None:
        return None
    above = {tree.parent[child] for child in tree.moving}
    ends = [child for child in tree.moving if child not in above]
    return ends[0] if len(ends) == 1 else None


def _map_frame(path: Path) -> list[str]:
    return [
        "[frame]",
        'points = "map"               # no times were found, so taken as already in one frame, level and fused',
        f"gravity = [0.0, 0.0, -1.0]   {_ASK} if z is not up",
        "",
        "[sensor]",
        f"range_sd_m = 0.01            {_ASK}: sd of a range",
        "",
        "[scans]",
        f"files = [{_text(path.name)}]",
        "",
        *_FOOT,
    ]


def _frame() -> list[str]:
    return [
        "[frame]",
        'points = "sensor"            # each point in its own sensor\'s frame; "map" if fused already',
        f"gravity = [0.0, 0.0, -1.0]   {_ASK} if z of the poses is not up",
        "",
    ]


def _sensors(path: Path, clouds: Sequence[StreamContents], body: str | None, tree: Tree | None) -> list[str]:
    scanner = path.suffix.lower() == ".e57"
    word = 'profile = "survey_scanner"' if scanner else 'profile = "spinning"'
    profile = word.ljust(29) + f"{_ASK}: spinning, solid_state, depth_camera, spindle or survey_scanner"
    if not clouds:
        return ["[sensor]", profile, f"mount = {_IDENTITY}   {_ASK}: sensor on the body", ""]
    lines: list[str] = []
    for cloud in clouds:
        several = len(clouds) > 1
        lines += ["[[sensors]]", f"name = {_text(cloud.name.strip('/'))}"] if several else ["[sensor]"]
        lines += [profile, f"mount = {_mount(cloud, body, tree, scanner)}"]
        if several:
            lines += [f"files = [{_text(path.name)}]", f"topic = {_text(cloud.name)}", *_times(cloud)]
        lines.append("")
    return lines


def _mount(cloud: StreamContents, body: str | None, tree: Tree | None, scanner: bool) -> str:
    if scanner:
        return f"{_IDENTITY}   # the poses are those of the scanner"
    frame = (cloud.frame or "").lstrip("/")
    found = static_transform(tree, body, frame) if tree is not None and body and frame else None
    if found is None:
        return f"{_IDENTITY}   {_ASK}: sensor on the body"
    place, turn = (", ".join(f"{value + 0.0:.9g}" for value in part) for part in found)
    return f"{{ translation_m = [{place}], rotation_xyzw = [{turn}] }}   # {body} > {frame}, from the static transforms"


def _scans(path: Path, clouds: Sequence[StreamContents], is_bag: bool) -> list[str]:
    if not clouds:
        return ["[scans]", f'files = ["scans/*.laz"]      {_ASK}', ""]
    topic = [f"topic = {_text(clouds[0].name)}"] if is_bag else []
    return ["[scans]", f"files = [{_text(path.name)}]", *topic, *_times(clouds[0]), ""]


def _times(cloud: StreamContents) -> list[str]:
    """Return keys that put on record what was told from the file; nothing where there is nothing to tell."""
    if cloud.time is None:
        return [f'# time_unit = "ns"           {_ASK}: the file alone does not tell it', '# time_base = "clock"']
    if cloud.time.unit is None or cloud.time.field in (None, "gps_time"):
        return []
    return [
        f"time_field = {_text(cloud.time.field)}".ljust(29) + "# as told from the file",
        f'time_unit = "{cloud.time.unit}"',
        f'time_base = "{"clock" if cloud.time.base == "clock" else "scan"}"',
    ]


def _poses(path: Path, poses: StreamContents | None, body: str | None) -> list[str]:
    if poses is None:
        source = [f'file = "poses.txt"           {_ASK}: timestamp tx ty tz qx qy qz qw a line']
    elif poses.kind == "transforms":
        frame = f"body_frame = {_text(body)}" if body else f'body_frame = "base_link"     {_ASK}'
        source = [f"file = {_text(path.name)}", f"topic = {_text(poses.name)}", frame]
    elif poses.type.startswith(("nav_msgs", "geometry_msgs")):
        source = [f"file = {_text(path.name)}", f"topic = {_text(poses.name)}"]
    else:
        source = [f"file = {_text(path.name)}"]
    return [
        "[poses]",
        *source,
        f"position_sd_m = 0.01         {_ASK}: how good the poses are, per axis",
        f"attitude_sd_deg = 0.2        {_ASK}",
        "max_gap_s = 0.2              # points in a wider gap are dropped",
        'refine = "none"              # stations stand still' if path.suffix.lower() == ".e57" else 'refine = "auto"',
        "",
    ]
