"""Poses out of a bag: odometry, stamped poses, paths, or a chain of transforms, and what is fixed on the body."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import QUATERNION_NORM_TOLERANCE, FloatArray, PoseOptions, Trajectory
from terrain.errors import DataError, FrameError
from terrain.read.bags import POSES, TRANSFORMS, Bag, open_bag
from terrain.read.pointclouds import stamp_of

_PATH = "nav_msgs/msg/Path"


@dataclass(frozen=True, slots=True, eq=False)
class Tree:
    """Transforms T_parent_child of a bag by child: rows of time, translation, quaternion x, y, z, w."""

    parent: dict[str, str] = field(default_factory=dict)
    moving: dict[str, FloatArray] = field(default_factory=dict)
    fixed: dict[str, FloatArray] = field(default_factory=dict)

    def chain(self, child: str) -> list[str]:
        """Return a frame and its ancestors, the root last."""
        found = [child]
        while found[-1] in self.parent and len(found) <= len(self.parent):
            found.append(self.parent[found[-1]])
        return found

    def frames(self) -> str:
        """Return all frames as words."""
        return ", ".join(sorted(set(self.parent) | set(self.parent.values()))) or "none"


def bag_trajectory(path: Path, options: PoseOptions) -> tuple[Trajectory, list[str]]:
    """Return the body's poses T_map_body out of a bag, and what there is to warn of.

    Raises
    ------
    ReadError
        It is no bag, or damaged.
    DataError
        There are no poses, or several topics or chains of frames and none is named; two poses differ at one time.
    FrameError
        A quaternion's norm is off 1, or the frames asked for are not connected.
    """
    return trajectory_of(open_bag(path), options)


def trajectory_of(bag: Bag, options: PoseOptions) -> tuple[Trajectory, list[str]]:
    """Return the body's poses out of a bag that is open; see `bag_trajectory`."""
    path = bag.path
    where = f"{path}"
    kinds = (*POSES, TRANSFORMS)
    stated = options.topic
    if stated is None and (options.map_frame or options.body_frame) and _has(bag, (TRANSFORMS,)):
        rows, said = transform_rows(bag, options)
    elif stated is None and not _has(bag, POSES):
        rows, said = transform_rows(bag, options)
    else:
        topic = bag.topic(stated, kinds if stated else POSES, what="poses", key="poses.topic")
        if topic.type == TRANSFORMS:
            rows, said = transform_rows(bag, options)
        else:
            rows, said = _pose_rows(bag, topic.name, topic.type, options)
            where = f"{path}, topic {topic.name}"
    if len(rows) == 0:
        raise DataError(f"{where}: got no poses, expected at least one")
    rows, warnings = _ordered(rows, where)
    return Trajectory(rows[:, 0], rows[:, 1:4], _unit(rows[:, 4:], where)), [*bag.warnings, *said, *warnings]


def _has(bag: Bag, types: Iterable[str]) -> bool:
    return any(topic.type in types for topic in bag.topics)


def _pose_rows(bag: Bag, name: str, kind: str, options: PoseOptions) -> tuple[FloatArray, list[str]]:
    rows: list[list[float]] = []
    frames: set[tuple[str, str]] = set()
    for _, _, message in bag.messages([name]):
        if kind == _PATH:
            rows = [[stamp_of(pose), *_numbers(pose.pose.position, pose.pose.orientation)] for pose in message.poses]
            frames.add((_frame(message.header.frame_id), ""))
            continue
        pose = getattr(message.pose, "pose", message.pose)
        rows.append([stamp_of(message), *_numbers(pose.position, pose.orientation)])
        frames.add((_frame(message.header.frame_id), _frame(getattr(message, "child_frame_id", ""))))
    where = f"{bag.path}, topic {name}"
    if len(frames) > 1:
        raise FrameError(f"{where}: got poses between several frames: {sorted(frames)}, expected one pair")
    for map_frame, body_frame in frames:
        stated = (("map_frame", options.map_frame, map_frame), ("body_frame", options.body_frame, body_frame))
        for key, asked, got in stated:
            if asked is not None and got and _frame(asked) != got:
                found = f"poses of {body_frame or 'a body'} in {map_frame}"
                raise FrameError(f"{where}: got {found}, expected poses.{key} {asked!r}")
    return np.array(rows).reshape(-1, 8), []


def _frame(name: Any) -> str:
    """Return a frame's name without the slash that ROS 1 allows in front of it."""
    return str(name).lstrip("/")


def _numbers(place: Any, turn: Any) -> list[float]:
    return [float(v) for v in (place.x, place.y, place.z, turn.x, turn.y, turn.z, turn.w)]


def read_tree(bag: Bag) -> Tree:
    """Return all transforms of a bag."""
    tree = Tree()
    rows: dict[str, list[list[float]]] = {}
    names = [topic.name for topic in bag.topics if topic.type == TRANSFORMS]
    static = {name for name in names if name.rstrip("/").endswith("static")}
    for name, _, message in bag.messages(names) if names else ():
        for entry in message.transforms:
            child = _frame(entry.child_frame_id)
            tree.parent[child] = _frame(entry.header.frame_id)
            numbers = [stamp_of(entry), *_numbers(entry.transform.translation, entry.transform.rotation)]
            if name in static:
                tree.fixed[child] = np.array(numbers)
            else:
                rows.setdefault(child, []).append(numbers)
    tree.moving.update({child: np.array(found) for child, found in rows.items()})
    return tree


def transform_rows(bag: Bag, options: PoseOptions) -> tuple[FloatArray, list[str]]:
    """Return T_map_body along a chain of transforms at the times of its fastest link."""
    tree = read_tree(bag)
    body = _frame(options.body_frame or _only_body(bag, tree))
    chain = tree.chain(body)
    top = _frame(options.map_frame or chain[-1])
    if body not in tree.parent or top not in chain:
        got = f"no transforms from {top!r} to {body!r}"
        raise FrameError(f"{bag.path}: got {got}, expected frames among {tree.frames()}")
    links = chain[: chain.index(top)]
    moving = [child for child in links if child in tree.moving and len(tree.moving[child]) > 1]
    if not moving:
        raise DataError(f"{bag.path}: nothing moves between {top!r} and {body!r}, expected transforms at several times")
    warnings: list[str] = []
    ordered: dict[str, FloatArray] = {}
    for child in moving:
        ordered[child], said = _ordered(tree.moving[child], f"{bag.path}, transforms of {child}")
        warnings += said
    fastest = max(moving, key=lambda child: len(ordered[child]))
    first, last = max(rows[0, 0] for rows in ordered.values()), min(rows[-1, 0] for rows in ordered.values())
    times = ordered[fastest][:, 0]
    times = times[(times >= first) & (times <= last)]
    if len(times) == 0:
        raise DataError(f"{bag.path}: the transforms between {top!r} and {body!r} share no time")
    position, rotation = np.zeros((len(times), 3)), _identity(len(times))
    for child in reversed(links):
        link = ordered.get(child)
        if link is None:
            row = np.atleast_2d(tree.fixed[child] if child in tree.fixed else tree.moving[child][0])
            place = np.tile(row[:, 1:4], (len(times), 1))
            turn = np.tile(_unit(row[:, 4:], str(bag.path)), (len(times), 1))
        else:
            place, turn = _interpolated(link, times, str(bag.path))
        position, rotation = position + _rotated(rotation, place), _times(rotation, turn)
    return np.column_stack((times, position, rotation)), warnings


def _only_body(bag: Bag, tree: Tree) -> str:
    """Return the frame that moves and has nothing moving below it, if there is just one."""
    below = {tree.parent[child] for child in tree.moving}
    ends = [child for child, rows in tree.moving.items() if child not in below and len(rows) > 1]
    if len(ends) != 1:
        got = f"{len(ends)} moving frames ({', '.join(sorted(ends)) or 'none'})"
        raise DataError(f"{bag.path}: got {got} among {tree.frames()}, expected poses.body_frame to name the body")
    return ends[0]


def static_transform(tree: Tree, parent: str, child: str) -> tuple[FloatArray, FloatArray] | None:
    """Return translation and quaternion of T_parent_child where only fixed transforms lie between, else None."""
    up_child, up_parent = tree.chain(child), tree.chain(parent)
    shared = next((frame for frame in up_child if frame in up_parent), None)
    if shared is None:
        return None
    to_shared = []
    for chain in (up_parent, up_child):
        place, turn = np.zeros((1, 3)), _identity(1)
        for link in reversed(chain[: chain.index(shared)]):
            if link not in tree.fixed:
                return None
            row = tree.fixed[link]
            place, turn = place + _rotated(turn, row[np.newaxis, 1:4]), _times(turn, _unit(row[np.newaxis, 4:], link))
        to_shared.append((place, turn))
    (place_p, turn_p), (place_c, turn_c) = to_shared
    back = turn_p * [-1.0, -1.0, -1.0, 1.0]
    return _rotated(back, place_c - place_p)[0], _times(back, turn_c)[0]


def _identity(count: int) -> FloatArray:
    return np.tile(np.array([0.0, 0.0, 0.0, 1.0]), (count, 1))


def _rotated(turn: FloatArray, place: FloatArray) -> FloatArray:
    from scipy.spatial.transform import Rotation

    out: FloatArray = Rotation.from_quat(turn).apply(place)
    return out


def _times(one: FloatArray, other: FloatArray) -> FloatArray:
    from scipy.spatial.transform import Rotation

    out: FloatArray = (Rotation.from_quat(one) * Rotation.from_quat(other)).as_quat()
    return out


def _interpolated(rows: FloatArray, times: FloatArray, where: str) -> tuple[FloatArray, FloatArray]:
    from scipy.spatial.transform import Rotation, Slerp

    turn = Slerp(rows[:, 0], Rotation.from_quat(_unit(rows[:, 4:], where)))(times).as_quat()
    place = np.column_stack([np.interp(times, rows[:, 0], rows[:, k]) for k in (1, 2, 3)])
    return place, turn


def _unit(quaternions: FloatArray, where: str) -> FloatArray:
    norm = np.linalg.norm(quaternions, axis=1)
    off = ~(np.abs(norm - 1.0) <= QUATERNION_NORM_TOLERANCE)
    if off.any():
        k = int(np.argmax(off))
        raise FrameError(
            f"{where}: got a quaternion of norm {norm[k]:.6f} at pose {k}, "
            f"expected 1 within {QUATERNION_NORM_TOLERANCE:g}"
        )
    unit: FloatArray = quaternions / norm[:, np.newaxis]
    return unit


def _ordered(rows: FloatArray, where: str) -> tuple[FloatArray, list[str]]:
    """Return poses in the order of their times, each time once; messages may overtake each other in a bag."""
    warnings = []
    bad = ~np.isfinite(rows).all(axis=1)
    if bad.any():
        raise DataError(f"{where}: pose {int(np.argmax(bad))} is not finite: {rows[bad][0].tolist()}")
    back = int((np.diff(rows[:, 0]) < 0).sum())
    if back:
        rows = rows[np.argsort(rows[:, 0], kind="stable")]
        warnings.append(f"{where}: {back} pose(s) came after a later one; they were put in order by their times")
    repeat = np.diff(rows[:, 0]) == 0
    if repeat.any():
        place = np.abs(rows[1:, 1:4] - rows[:-1, 1:4]).max(axis=1)
        turn = np.abs(np.einsum("ij,ij->i", rows[1:, 4:], rows[:-1, 4:]))
        clash = repeat & ((place > 1e-9) | (turn < 1.0 - 2.0 * QUATERNION_NORM_TOLERANCE))
        if clash.any():
            k = int(np.argmax(clash))
            raise DataError(
                f"{where}: two different poses at time {float(rows[k, 0])!r}, {place[k]:.3g} m apart: do two programs "
                "publish them? expected one pose at a time"
            )
        warnings.append(f"{where}: dropped {int(repeat.sum())} repeated pose(s), identical to the one before")
        rows = rows[np.concatenate(([True], ~repeat))]
    return rows, warnings
