"""Bags written by the rosbags library, in every storage: clouds, odometry, transforms."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from rosbags.rosbag1 import Writer as Writer1
from rosbags.rosbag2 import StoragePlugin
from rosbags.rosbag2 import Writer as Writer2
from rosbags.typesys import Stores, get_types_from_msg, get_typestore

STORAGES = ("bag", "mcap", "db3")
_DATATYPES = {"i1": 1, "u1": 2, "i2": 3, "u2": 4, "i4": 5, "u4": 6, "f4": 7, "f8": 8}


class BagWriter:
    """Writes messages of one bag; `path` is what `open_cloud` takes: a file, or the folder of a ROS 2 bag."""

    def __init__(self, folder: Path, storage: str, name: str = "pass") -> None:
        self.ros1 = storage == "bag"
        self.store = get_typestore(Stores.ROS1_NOETIC if self.ros1 else Stores.ROS2_HUMBLE)
        if self.ros1:  # the library's types of ROS 1 lack this one
            self.store.register(
                get_types_from_msg("geometry_msgs/TransformStamped[] transforms", "tf2_msgs/msg/TFMessage")
            )
        self.path = folder / (f"{name}.bag" if self.ros1 else name)
        if self.ros1:
            self.writer: Any = Writer1(self.path)
        else:
            plugin = StoragePlugin.MCAP if storage == "mcap" else StoragePlugin.SQLITE3
            self.writer = Writer2(self.path, version=9, storage_plugin=plugin)
        self.connections: dict[str, Any] = {}
        self.count = 0

    def __enter__(self) -> BagWriter:
        self.writer.open()
        return self

    def __exit__(self, *error: object) -> None:
        self.writer.close()

    def type(self, name: str) -> Any:
        return self.store.types[name]

    def header(self, time_s: float, frame: str) -> Any:
        sec = int(np.floor(time_s))
        stamp = self.type("builtin_interfaces/msg/Time")(sec=sec, nanosec=round((time_s - sec) * 1e9))
        values = {"stamp": stamp, "frame_id": frame, **({"seq": self.count} if self.ros1 else {})}
        return self.type("std_msgs/msg/Header")(**values)

    def write(self, topic: str, kind: str, message: Any, time_s: float) -> None:
        if topic not in self.connections:
            self.connections[topic] = self.writer.add_connection(topic, kind, typestore=self.store)
        data = (self.store.serialize_ros1 if self.ros1 else self.store.serialize_cdr)(message, kind)
        self.writer.write(self.connections[topic], round(time_s * 1e9), bytes(data))
        self.count += 1

    def cloud(
        self,
        topic: str,
        records: np.ndarray,
        time_s: float,
        *,
        frame: str = "lidar",
        height: int = 1,
        row_padding: int = 0,
        big_endian: bool = False,
        recorded_s: float | None = None,
    ) -> None:
        """Write a structured array as PointCloud2, with its own offsets and padding."""
        dtype = records.dtype
        field = self.type("sensor_msgs/msg/PointField")
        fields = [
            field(name=name, offset=dtype.fields[name][1], datatype=_DATATYPES[dtype[name].str[1:]], count=1)
            for name in dtype.names
        ]
        width = len(records) // height
        rows = records.view(np.uint8).reshape(height, width * dtype.itemsize)
        padded = np.concatenate([rows, np.full((height, row_padding), 0xAB, dtype=np.uint8)], axis=1)
        message = self.type("sensor_msgs/msg/PointCloud2")(
            header=self.header(time_s, frame), height=height, width=width, fields=fields, is_bigendian=big_endian,
            point_step=dtype.itemsize, row_step=padded.shape[1], data=padded.ravel(), is_dense=True,
        )  # fmt: skip
        self.write(topic, "sensor_msgs/msg/PointCloud2", message, time_s if recorded_s is None else recorded_s)

    def _pose(self, place: Sequence[float], turn: Sequence[float]) -> Any:
        point = self.type("geometry_msgs/msg/Point")(*map(float, place))
        return self.type("geometry_msgs/msg/Pose")(position=point, orientation=self._turn(turn))

    def _turn(self, turn: Sequence[float]) -> Any:
        return self.type("geometry_msgs/msg/Quaternion")(*map(float, turn))

    def odometry(
        self, topic: str, time_s: float, place: Sequence[float], turn: Sequence[float], *, frames=("odom", "base")
    ) -> None:
        zero = self.type("geometry_msgs/msg/Vector3")(0.0, 0.0, 0.0)
        twist = self.type("geometry_msgs/msg/Twist")(linear=zero, angular=zero)
        message = self.type("nav_msgs/msg/Odometry")(
            header=self.header(time_s, frames[0]), child_frame_id=frames[1],
            pose=self.type("geometry_msgs/msg/PoseWithCovariance")(self._pose(place, turn), np.zeros(36)),
            twist=self.type("geometry_msgs/msg/TwistWithCovariance")(twist, np.zeros(36)),
        )  # fmt: skip
        self.write(topic, "nav_msgs/msg/Odometry", message, time_s)

    def pose(self, topic: str, time_s: float, place: Sequence[float], turn: Sequence[float]) -> None:
        message = self.type("geometry_msgs/msg/PoseStamped")(self.header(time_s, "map"), self._pose(place, turn))
        self.write(topic, "geometry_msgs/msg/PoseStamped", message, time_s)

    def transforms(self, topic: str, time_s: float, links: Iterable[tuple[str, str, Any, Any]]) -> None:
        """Write (parent, child, translation, quaternion) as one TFMessage."""
        stamped = [
            self.type("geometry_msgs/msg/TransformStamped")(
                header=self.header(time_s, parent),
                child_frame_id=child,
                transform=self.type("geometry_msgs/msg/Transform")(
                    translation=self.type("geometry_msgs/msg/Vector3")(*map(float, place)), rotation=self._turn(turn)
                ),
            )
            for parent, child, place, turn in links
        ]
        kind = "tf2_msgs/msg/TFMessage"
        self.write(topic, kind, self.type(kind)(transforms=stamped), time_s)
