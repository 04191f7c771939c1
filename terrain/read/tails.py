"""Bags that are still being written: what has been added since the last look, message by message."""

from __future__ import annotations

import io
import sqlite3
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from terrain.errors import ReadError
from terrain.read.bags import Bag, Topic, bag_files, decoded, normal_type

_MAGIC = b"\x89MCAP0\r\n"
_HEAD = struct.Struct("<BQ")
_SCHEMA, _CHANNEL, _MESSAGE, _CHUNK = 3, 4, 5, 6
GROWING = (".mcap", ".db3")
"""Endings of bags that can be read while they are being written."""


@dataclass(frozen=True, slots=True)
class Raw:
    """One message as it was recorded: topic, type as ROS 2 writes it, encoding, record time, bytes."""

    topic: str
    type: str
    encoding: str
    time_ns: int
    data: bytes


@dataclass(frozen=True, slots=True)
class KeptBag(Bag):
    """Messages held in memory that read like those of a bag."""

    kept: tuple[Raw, ...] = ()

    def messages(self, names: Sequence[str]) -> Iterator[tuple[str, float, Any]]:
        """Yield topic, record time in seconds, and message, one at a time."""
        for raw in self.kept:
            if raw.topic in names:
                yield raw.topic, raw.time_ns * 1e-9, decoded(self.path, raw.encoding, raw.type, raw.data)


def kept_bag(path: Path, kept: Sequence[Raw]) -> KeptBag:
    """Return messages as a bag of that path."""
    counts: dict[tuple[str, str], int] = {}
    for raw in kept:
        counts[raw.topic, raw.type] = counts.get((raw.topic, raw.type), 0) + 1
    topics = tuple(Topic(name, kind, count) for (name, kind), count in counts.items())
    times = [raw.time_ns * 1e-9 for raw in kept]
    first, last = min(times, default=None), max(times, default=None)
    return KeptBag(path, "growing bag", topics, first, last, (), (), tuple(kept))


class BagTail:
    """A bag, or the folder of one, read further with every look.

    A record of MCAP counts once all of it is there, a row of sqlite3 once it is committed; so nothing is read half, and
    nothing twice.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._parts: dict[Path, _McapTail | _SqliteTail] = {}

    def grown(self) -> Iterator[Raw]:
        """Yield the messages that were added since.

        Raises
        ------
        ReadError
            It is no bag, damaged, or became shorter.
        """
        for file in sorted(bag_files(self.path)):
            if file.suffix.lower() not in GROWING:
                continue
            if file not in self._parts:
                self._parts[file] = _McapTail(file) if file.suffix.lower() == ".mcap" else _SqliteTail(file)
            yield from self._parts[file].grown()


class _McapTail:
    """Source of the layout: the MCAP format's specification (from memory): magic, then opcode, length, body."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._at = 0
        self._schemas: dict[int, str] = {}
        self._channels: dict[int, tuple[str, int, str]] = {}

    def grown(self) -> Iterator[Raw]:
        try:
            with open(self.path, "rb") as file:
                size = file.seek(0, io.SEEK_END)
                if size < self._at:
                    raise ReadError(f"{self.path}: got {size} bytes, expected the {self._at} that were read before")
                if self._at == 0:
                    file.seek(0)
                    start = file.read(len(_MAGIC))
                    if start != _MAGIC[: len(start)]:
                        raise ReadError(f"{self.path}: got a file that starts with {start!r}, expected MCAP")
                    if len(start) < len(_MAGIC):
                        return
                    self._at = len(_MAGIC)
                yield from self._records(file, size)
        except OSError as error:
            if isinstance(error, ReadError):
                raise
            raise ReadError(f"{self.path}: {error.strerror or error}") from error

    def _records(self, file: io.BufferedReader, size: int) -> Iterator[Raw]:
        while self._at + _HEAD.size <= size:
            file.seek(self._at)
            code, length = _HEAD.unpack(file.read(_HEAD.size))
            end = self._at + _HEAD.size + length
            if code == 0 or end > size:  # not written yet
                return
            found = (
                list(self._messages(code, file.read(length))) if code in (_SCHEMA, _CHANNEL, _MESSAGE, _CHUNK) else []
            )
            self._at = end
            yield from found

    def _messages(self, code: int, body: bytes) -> Iterator[Raw]:
        from mcap.data_stream import ReadDataStream
        from mcap.records import Channel, Chunk, Message, Schema
        from mcap.stream_reader import breakup_chunk

        try:
            if code == _CHUNK:
                records: list[Any] = breakup_chunk(Chunk.read(ReadDataStream(io.BytesIO(body))), validate_crc=True)
            else:
                kinds: dict[int, Any] = {_SCHEMA: Schema, _CHANNEL: Channel}
                stream = ReadDataStream(io.BytesIO(body))
                records = [Message.read(stream, len(body)) if code == _MESSAGE else kinds[code].read(stream)]
        except Exception as error:  # whatever the library makes of damaged bytes
            said = " ".join(str(error).split()) or type(error).__name__
            raise ReadError(f"{self.path}: damaged at byte {self._at}: {said}") from error
        for record in records:
            if isinstance(record, Schema):
                self._schemas[record.id] = normal_type(record.name)
            elif isinstance(record, Channel):
                self._channels[record.id] = record.topic, record.schema_id, record.message_encoding
            elif isinstance(record, Message) and record.channel_id in self._channels:
                topic, schema, encoding = self._channels[record.channel_id]
                if schema in self._schemas:
                    yield Raw(topic, self._schemas[schema], encoding, int(record.log_time), bytes(record.data))


class _SqliteTail:
    """Tables of rosbag2's sqlite3 storage (from memory): topics and messages."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._last = 0

    def grown(self) -> Iterator[Raw]:
        try:
            link = sqlite3.connect(f"file:{quote(str(self.path))}?mode=ro", uri=True, timeout=1.0)
        except sqlite3.Error:  # not there yet
            return
        try:
            yield from self._rows(link)
        except sqlite3.OperationalError:  # locked, or its tables are still to be made
            return
        except sqlite3.Error as error:
            raise ReadError(f"{self.path}: damaged, or no bag: {error}") from error
        finally:
            link.close()

    def _rows(self, link: sqlite3.Connection) -> Iterator[Raw]:
        topics = {
            number: (str(name), normal_type(str(kind)), str(encoding))
            for number, name, kind, encoding in link.execute("SELECT id, name, type, serialization_format FROM topics")
        }
        query = "SELECT id, topic_id, timestamp, data FROM messages WHERE id > ? ORDER BY id"
        for number, topic, time_ns, data in link.execute(query, (self._last,)):
            if topic not in topics:
                return
            self._last = int(number)
            yield Raw(*topics[topic], int(time_ns), bytes(data))
