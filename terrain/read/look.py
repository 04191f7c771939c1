"""What a file of points, a bag or a file of poses holds, and a survey file to start from."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from terrain.data import FileContents, PoseOptions, ScanOptions, StreamContents, TimeReading, Trajectory
from terrain.errors import DataError, FrameError, ReadError
from terrain.read import bags, clouds
from terrain.read.bag_poses import Tree, bag_trajectory, read_tree
from terrain.read.e57 import E57File, open_e57, scan_stamps
from terrain.read.pose_checks import odd_poses
from terrain.read.poses import read_trajectory
from terrain.read.starter import starter

GAP_S = 0.2
"""Poses farther apart than this are called a gap, as in the example survey."""
_FORMATS = {".ply": "PLY", ".pcd": "PCD", ".e57": "E57", ".bin": "records of four float32, KITTI's layout"}
_TEXT = (".txt", ".csv", ".tum", ".poses")


def look_at(path: Path) -> FileContents:
    """Return what a file or a bag holds.

    A file of points is read as a whole; of each topic of points in a bag the first messages are looked at, and all of
    its poses.

    Raises
    ------
    ReadError
        It is missing, damaged, or of no format that is read.
    DataError
        A file of poses holds none, or lines that are none.
    """
    if not path.exists():
        raise ReadError(f"{path}: no such file, expected a file of points or poses, or a bag")
    size = sum(file.stat().st_size for file in bags.bag_files(path))
    if bags.is_bag(path):
        bag = bags.open_bag(path)
        streams, tree = _bag_streams(bag)
        return FileContents(path, bag.format, size, streams, bag.warnings, starter(path, streams, tree))
    if path.suffix.lower() in _TEXT:
        stream = _pose_file(path)
        return FileContents(path, "text, a pose a line", size, (stream,), (), starter(path, (stream,), None))
    kind, cloud = _cloud_stream(path)
    streams = (cloud, *_e57_poses(path)) if path.suffix.lower() == ".e57" else (cloud,)
    return FileContents(path, kind, size, streams, (), starter(path, streams, None))


def _cloud_stream(path: Path) -> tuple[str, StreamContents]:
    options = ScanOptions(frame="map" if path.suffix.lower() == ".e57" else "sensor")
    notes: list[str] = []
    if path.suffix.lower() in clouds.LAS:
        from terrain.read.las import las_fields

        kind, fields = las_fields(path)
    else:
        source = clouds.point_file(path, options)
        kind, fields = _FORMATS[path.suffix.lower()], {name: str(dtype) for name, dtype in source.fields.items()}
        if isinstance(source, E57File):
            fields = dict.fromkeys((name for scan in source.scans for name in scan.fields), "")
        notes += _viewpoint(source)
    plan, time = _plan(path, options, notes)
    extent = clouds.extent_of(path, plan)
    notes += extent.odd_points()
    span = None if extent.first_s is None or extent.last_s is None else extent.last_s - extent.first_s
    return kind, StreamContents(
        name=path.name,
        kind="points",
        type=kind,
        messages=1,
        fields=fields,
        points=extent.points,
        low_m=extent.low_m,
        high_m=extent.high_m,
        first_s=extent.first_s,
        last_s=extent.last_s,
        rate_hz=extent.points / span if span else None,
        time=time,
        notes=tuple(notes),
    )


def _plan(path: Path, options: ScanOptions, notes: list[str]) -> tuple[clouds.ReadingPlan, TimeReading | None]:
    """Return how times are read; where that cannot be told, why, and a plan without times."""
    try:
        plan = clouds.plan_reading([path], options)
    except DataError as error:
        notes.append(f"times cannot be told from this file alone: {error}")
        kind = clouds.kind_of(path)
        return clouds.ReadingPlan(options, readings={kind: TimeReading(None, 1.0, "none", "not told")}), None
    notes += plan.warnings
    return plan, next(iter(plan.readings.values()))


def _viewpoint(source: object) -> list[str]:
    viewpoint = getattr(source, "viewpoint", None)
    if viewpoint is None or tuple(viewpoint) == (0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0):
        return []
    return [f"VIEWPOINT is {' '.join(f'{v:g}' for v in viewpoint)} (x y z, then quaternion w first); it is not applied"]


def _e57_poses(path: Path) -> tuple[StreamContents, ...]:
    scans = open_e57(path, in_map=False).scans
    stamps, said = scan_stamps(scans)
    posed = [scan for scan in scans if scan.has_pose]
    notes = [f"{len(posed)} of {len(scans)} scans have a pose; the time of each is its {said}"]
    return (
        StreamContents(
            name="scans", kind="poses", type="pose of each scan", messages=len(posed),
            first_s=min(stamps) if posed else None, last_s=max(stamps) if posed else None, notes=tuple(notes),
        ),
    )  # fmt: skip


def _pose_file(path: Path) -> StreamContents:
    trajectory, warnings = read_trajectory(path)
    return _pose_stream(path.name, "lines of poses", trajectory, [*warnings], {})


def _pose_stream(
    name: str, kind: str, trajectory: Trajectory, notes: list[str], frames: Mapping[str, str | None]
) -> StreamContents:
    time_s, position = trajectory.time_s, trajectory.position_m
    steps = np.diff(time_s)
    low, high = position.min(axis=0).tolist(), position.max(axis=0).tolist()
    walked = float(np.linalg.norm(np.diff(position, axis=0), axis=1).sum())
    return StreamContents(
        name=name,
        kind="poses",
        type=kind,
        messages=len(time_s),
        frame=frames.get("frame"),
        child_frame=frames.get("child"),
        low_m=(low[0], low[1], low[2]),
        high_m=(high[0], high[1], high[2]),
        first_s=float(time_s[0]),
        last_s=float(time_s[-1]),
        rate_hz=1.0 / float(np.median(steps)) if len(steps) else None,
        notes=(f"{walked:.1f} m of way", *notes, *odd_poses(trajectory, max_gap_s=GAP_S, where=name)),
    )


def _bag_streams(bag: bags.Bag) -> tuple[tuple[StreamContents, ...], Tree | None]:
    has_tree = any(topic.type == bags.TRANSFORMS for topic in bag.topics)
    tree = read_tree(bag) if has_tree else None
    streams = []
    for topic in bag.topics:
        if topic.messages and topic.type == bags.CLOUD:
            streams.append(_bag_cloud(bag, topic))
        elif topic.messages and topic.type in bags.POSES:
            streams.append(_bag_poses(bag, topic))
        elif topic.messages and topic.type == bags.TRANSFORMS and tree is not None:
            streams.append(_transforms(bag, topic, tree))
        else:
            streams.append(StreamContents(topic.name, "other", topic.type, topic.messages))
    return tuple(streams), tree


def _bag_cloud(bag: bags.Bag, topic: bags.Topic) -> StreamContents:
    from terrain.read.pointclouds import LOOKED_AT, open_bag_cloud

    notes: list[str] = []
    options = ScanOptions(topic=topic.name)
    try:
        source = open_bag_cloud(bag, topic.name)
        plan, time = _plan(bag.path, options, notes)
        extent = clouds.extent_of(bag.path, plan, most_scans=LOOKED_AT)
    except ReadError as error:
        return StreamContents(topic.name, "points", topic.type, topic.messages, notes=(f"cannot be read: {error}",))
    notes += extent.odd_points()
    if not source.stamped:
        notes.append("headers hold no time: the recorder's time of each message stands in for it")
    return StreamContents(
        name=topic.name,
        kind="points",
        type=topic.type,
        messages=topic.messages,
        fields={name: str(dtype) for name, dtype in source.fields.items()},
        frame=source.frame,
        points=extent.points if extent.whole else source.count,
        points_exact=extent.whole,
        low_m=extent.low_m,
        high_m=extent.high_m,
        bounds_exact=extent.whole,
        first_s=extent.first_s,
        last_s=extent.last_s if extent.whole else None,
        rate_hz=1.0 / source.period_s if source.period_s else None,
        time=time,
        notes=tuple(notes),
    )


def _bag_poses(bag: bags.Bag, topic: bags.Topic) -> StreamContents:
    frames = _frames(bag, topic)
    try:
        trajectory, warnings = bag_trajectory(bag.path, PoseOptions(topic=topic.name))
    except (DataError, FrameError) as error:
        return StreamContents(topic.name, "poses", topic.type, topic.messages, notes=(f"cannot be used: {error}",))
    notes = [warning for warning in warnings if warning not in bag.warnings]
    return _pose_stream(topic.name, topic.type, trajectory, notes, frames)


def _frames(bag: bags.Bag, topic: bags.Topic) -> dict[str, str | None]:
    for _, _, message in bag.messages([topic.name]):
        return {"frame": str(message.header.frame_id), "child": str(getattr(message, "child_frame_id", "")) or None}
    return {}


def _transforms(bag: bags.Bag, topic: bags.Topic, tree: Tree) -> StreamContents:
    static = topic.name.rstrip("/").endswith("static")
    links = [f"{parent} > {child}" for child, parent in tree.parent.items() if (child in tree.fixed) == static]
    notes = ["; ".join(links) or "no frames"]
    if static:
        return StreamContents(topic.name, "transforms", topic.type, topic.messages, notes=tuple(notes))
    try:
        trajectory, warnings = bag_trajectory(bag.path, PoseOptions(topic=topic.name))
    except (DataError, FrameError) as error:
        notes.append(f"as poses: {error}")
        return StreamContents(topic.name, "transforms", topic.type, topic.messages, notes=tuple(notes))
    poses = _pose_stream(topic.name, topic.type, trajectory, [w for w in warnings if w not in bag.warnings], {})
    return dataclasses.replace(poses, kind="transforms", messages=topic.messages, notes=(*notes, *poses.notes))
