"""Points of a bag's topic: sensor_msgs/PointCloud2, decoded through a record type, one message at a time.

Source of the layout: sensor_msgs/PointCloud2 and PointField of ROS (from memory): fields with byte offsets in records
of point_step bytes, rows of row_step bytes; types 1 to 8 are int8, uint8, int16, uint16, int32, uint32, float32 and
float64.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from terrain.errors import DataError, ReadError
from terrain.read.bags import CLOUD, Bag, Topic
from terrain.read.blocks import Block

_TYPES = {1: "i1", 2: "u1", 3: "i2", 4: "u2", 5: "i4", 6: "u4", 7: "f4", 8: "f8"}
LOOKED_AT = 12
"""Messages with points that the times are told from."""


@dataclass(frozen=True, slots=True, eq=False)
class BagCloud:
    """The points of one topic of a bag."""

    where: str
    bag: Bag
    topic: Topic
    dtype: np.dtype[Any]
    frame: str
    points_each: float
    period_s: float | None
    """Usual time between two messages, of the first ones."""
    stamped: bool
    """Whether headers carry a time; the recorder's time of a message stands in where they do not."""

    @property
    def fields(self) -> Mapping[str, np.dtype[Any]]:
        """Name and type of each field."""
        return {name: self.dtype[name] for name in self.dtype.names or ()}

    @property
    def stamps(self) -> str:
        """What the stamps of its blocks are."""
        return "header stamp" if self.stamped else "record time (headers hold none)"

    @property
    def count(self) -> int:
        """About how many points there are: the first messages' mean times the number of messages."""
        return round(self.points_each * self.topic.messages)

    def blocks(self, names: Sequence[str], chunk_points: int) -> Iterator[Block]:
        """Yield the points of one message after the other, stamped with the time of its header.

        The fourth name, if there is one, is the field of times.

        Raises
        ------
        ReadError
            A message is damaged or lacks a field.
        """
        empty = True
        for number, (_, recorded_s, message) in enumerate(self.bag.messages([self.topic.name])):
            where = f"{self.where}, message {number}"
            records = _records(message, where)
            stamp_s = stamp_of(message) if self.stamped else recorded_s
            if len(records) == 0:  # some drivers send these before they are ready, even without fields
                yield Block({name: np.empty(0) for name in names}, 0, stamp_s)
                empty = False
                continue
            missing = [name for name in names if name not in (records.dtype.names or ())]
            if missing:
                raise ReadError(f"{where}: got no field {', '.join(missing)}, expected it as in the first message")
            empty = False
            if len(records) <= chunk_points:
                yield Block({name: records[name] for name in names}, len(records), stamp_s)
                continue
            low = float(records[names[3]].min()) if len(names) > 3 else None
            for first in range(0, len(records), chunk_points):
                part = records[first : first + chunk_points]
                yield Block({name: part[name] for name in names}, len(part), stamp_s, low)
        if empty:
            yield Block({name: np.empty(0) for name in names}, 0)


def open_bag_cloud(bag: Bag, asked: str | None) -> BagCloud:
    """Return the points of a topic.

    Raises
    ------
    DataError
        There is no such topic, or several and none is named.
    ReadError
        Its messages are damaged.
    """
    topic = bag.topic(asked, (CLOUD,), what="PointCloud2", key="scans.topic")
    where = f"{bag.path}, topic {topic.name}"
    dtype, frame, stamped = np.dtype([]), "", False
    sizes: list[int] = []
    times: list[float] = []
    filled = 0
    for _, recorded_s, message in bag.messages([topic.name]):
        points = int(message.width) * int(message.height)
        if not sizes or (points > 0 and filled == 0):
            dtype, frame = _record_type(message, where), str(message.header.frame_id)
        sizes.append(points)
        filled += points > 0
        stamped |= stamp_of(message) != 0.0
        times.append(stamp_of(message) or recorded_s)
        if filled == LOOKED_AT:
            break
    if not sizes:
        raise DataError(f"{where}: got a topic without messages, expected points")
    steps = np.diff(times)
    period_s = float(np.median(steps[steps > 0])) if (steps > 0).any() else None
    return BagCloud(where, bag, topic, dtype, frame, float(np.mean(sizes)), period_s, stamped)


def stamp_of(message: Any) -> float:
    """Return the time of a message's header in seconds."""
    stamp = message.header.stamp
    return int(stamp.sec) + int(stamp.nanosec) * 1e-9


def _record_type(message: Any, where: str) -> np.dtype[Any]:
    order = ">" if message.is_bigendian else "<"
    names, formats, offsets = [], [], []
    for field in message.fields:
        if int(field.datatype) not in _TYPES:
            raise ReadError(f"{where}: got the type {field.datatype} of field {field.name}, expected 1 to 8")
        code = order + _TYPES[int(field.datatype)]
        if int(field.count) > 1:
            code = f"({int(field.count)},){code}"
        names.append(re.sub(r"\s", "", str(field.name)))
        formats.append(code)
        offsets.append(int(field.offset))
    try:
        return np.dtype({"names": names, "formats": formats, "offsets": offsets, "itemsize": int(message.point_step)})
    except ValueError as error:
        raise ReadError(f"{where}: damaged fields: {error}") from error


def _records(message: Any, where: str) -> Any:
    """Return the points of a message as records, without the bytes that fill up its rows."""
    dtype = _record_type(message, where)
    width, height, row = int(message.width), int(message.height), int(message.row_step)
    data = np.asarray(message.data, dtype=np.uint8)
    used = width * dtype.itemsize
    if height <= 1 or row == 0:
        row = used
    if len(data) < row * (height - 1) + used or row < used:
        raise ReadError(f"{where}: got {len(data)} bytes, expected {row * height} for {width} x {height} points")
    if height > 1 and row != used:
        rows = np.lib.stride_tricks.as_strided(data, (height, used), (row, 1))
        data = np.ascontiguousarray(rows).ravel()
    return data[: width * height * dtype.itemsize].view(dtype) if width * height else np.empty(0, dtype)
