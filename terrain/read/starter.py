"""A survey file to start from, of what was found in a file; what only the user knows is marked."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from terrain.data import StreamContents
from terrain.read.bag_poses import Tree, static_transform

_ASK = "# <- put in your own"
_FOOT = '[foot]\nprofile = "biped"            # `terrain feet` lists the profiles; or a path to your own\n'
_IDENTITY = "{ translation_m = [0.0, 0.0, 0.0], rotation_xyzw = [0.0, 0.0, 0.0, 1.0] }"


def starter(path: Path, streams: Sequence[StreamContents], tree: Tree | None) -> str:
    """Return the text of a survey.toml to stand beside a file; empty where the file holds nothing to start from."""
    clouds = [stream for stream in streams if stream.kind == "points" and stream.points]
    poses = _best_poses(streams)
    if not clouds and poses is None:
        return ""
    head = f'[survey]\nname = "{path.stem}"\n\n'
    if path.suffix.lower() == ".e57" and poses is not None and poses.messages > 0:
        return head + _sensor_frame(path, clouds, poses, None)
    timed = any(cloud.time is not None and cloud.time.base != "none" for cloud in clouds)
    if clouds and not timed and poses is None:
        return head + _map_frame(path)
    return head + _sensor_frame(path, clouds, poses, tree)


def _best_poses(streams: Sequence[StreamContents]) -> StreamContents | None:
    """Return poses, odometry before others, or transforms that move."""
    poses = [stream for stream in streams if stream.kind == "poses" and stream.messages > 0]
    poses.sort(key=lambda stream: (not stream.type.endswith("Odometry"), -stream.messages))
    moving = [s for s in streams if s.kind == "transforms" and not s.name.rstrip("/").endswith("static")]
    return next(iter([*poses, *moving]), None)


def _map_frame(path: Path) -> str:
    return (
        '[frame]\npoints = "sensor"            # each point in its own sensor\'s frame; "map" if fused already\n'
        f"gravity = [0.0, 0.0, -1.0]   {_ASK} if z of the poses is not up\n\n"
    )
    body = poses.child_frame if poses is not None else None
    if tree is not None and poses is not None and poses.kind == "transforms":
        ends = [child for child in tree.moving if child not in {tree.parent[c] for c in tree.moving}]
        body = ends[0] if len(ends) == 1 else None
    is_bag = tree is not None or path.suffix.lower() in (".bag", ".mcap", ".db3") or path.is_dir()
    scanner = path.suffix.lower() == ".e57"
    parts = []
    for cloud in clouds:
        profile = "survey_scanner" if scanner else "spinning"
        lines = [f'name = "{cloud.name.strip("/") or "sensor"}"'] if len(clouds) > 1 else []
        lines += [
            f'profile = "{profile}"'.ljust(29) + f"{_ASK}: or solid_state, depth_camera, spindle, survey_scanner",
            f"mount = {_mount(cloud, body, tree, scanner)}",
        ]
        if len(clouds) > 1:
            lines += [f'files = ["{path.name}"]', f'topic = "{cloud.name}"', *_times(cloud)]
        parts.append(("[[sensors]]\n" if len(clouds) > 1 else "[sensor]\n") + "\n".join(lines) + "\n\n")
    if not clouds:
        parts.append(f'[sensor]\nprofile = "spinning"         {_ASK}\nmount = {_IDENTITY}   {_ASK}\n\n')
    scans = ""
    if len(clouds) <= 1:
        files = path.name if clouds else "scans/*.laz"
        scans = f'[scans]\nfiles = ["{files}"]' + ("\n" if clouds else f"   {_ASK}\n")
        if clouds:
            lines = [f'topic = "{clouds[0].name}"'] if is_bag else []
            scans += "".join(line + "\n" for line in lines + _times(clouds[0]))
        scans += "\n"
    return frame + "".join(parts) + _poses(path, poses, body) + scans + _FOOT


def _mount(cloud: StreamContents, body: str | None, tree: Tree | None, scanner: bool) -> str:
    if scanner:
        return f"{_IDENTITY}   # the scanner's poses are those of its scans"
    if tree is not None and body and cloud.frame:
        found = static_transform(tree, body, cloud.frame.lstrip("/")) if body != cloud.frame else None
        if found is not None:
            place, turn = (", ".join(f"{v:.9g}" for v in part) for part in found)
            return f"{{ translation_m = [{place}], rotation_xyzw = [{turn}] }}   # from {body} to {cloud.frame}, static"
    return f"{_IDENTITY}   {_ASK}: sensor on the body"


def _times(cloud: StreamContents) -> list[str]:
    """Return keys that say what was told from the file, so that it is on record; nothing where it was not told."""
    if cloud.time is None or cloud.time.unit is None or cloud.time.field in (None, "gps_time"):
        return []
    base = "clock" if cloud.time.base == "clock" else "scan"
    return [
        f'time_field = "{cloud.time.field}"'.ljust(29) + "# as told from the file",
        f'time_unit = "{cloud.time.unit}"',
        f'time_base = "{base}"',
    ]


def _poses(path: Path, poses: StreamContents | None, body: str | None) -> str:
    if poses is None:
        source = f'file = "poses.txt"           {_ASK}: timestamp tx ty tz qx qy qz qw a line\n'
    elif poses.kind == "transforms":
        source = f'file = "{path.name}"\ntopic = "{poses.name}"\nbody_frame = "{body or "body"}"   {_ASK}, if another\n'
    elif poses.type.startswith(("nav_msgs", "geometry_msgs")):
        source = f'file = "{path.name}"\ntopic = "{poses.name}"\n'
    else:
        source = f'file = "{path.name}"\n'
    return (
        f"[poses]\n{source}position_sd_m = 0.01         {_ASK}: how good the poses are, per axis\n"
        f'attitude_sd_deg = 0.2        {_ASK}\nmax_gap_s = 0.2\nrefine = "auto"\n\n'
    )
