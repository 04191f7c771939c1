"""ROS 1 and ROS 2 bags (sqlite3, MCAP) without ROS: their topics, and the messages of some of them one by one.

A bag that was cut short is read as far as it goes where its format allows (MCAP), and says so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from terrain.errors import DataError, ReadError

CLOUD = "sensor_msgs/msg/PointCloud2"
ODOMETRY = "nav_msgs/msg/Odometry"
TRANSFORMS = "tf2_msgs/msg/TFMessage"
POSES = (ODOMETRY, "geometry_msgs/msg/PoseStamped", "geometry_msgs/msg/PoseWithCovarianceStamped", "nav_msgs/msg/Path")
_SAME = {"tf/msg/tfMessage": TRANSFORMS}
_STORAGE = (".mcap", ".db3")
ENDINGS = (".bag", *_STORAGE)


@dataclass(frozen=True, slots=True)
class Topic:
    """One topic of a bag."""

    name: str
    type: str
    messages: int


@dataclass(frozen=True, slots=True)
class Bag:
    """Topics of a bag, the span of its record times, and what is wrong with it."""

    path: Path
    format: str
    topics: tuple[Topic, ...]
    first_s: float | None
    last_s: float | None
    warnings: tuple[str, ...]
    _parts: tuple[tuple[Path, bool], ...]
    """Files or folders to read one after the other, and whether each is scanned instead of looked up."""

    def topic(self, asked: str | None, types: Sequence[str], *, what: str, key: str) -> Topic:
        """Return the topic asked for, or the only one of some types.

        Raises
        ------
        DataError
            There is none, several, or none of that name and type.
        """
        fitting = [topic for topic in self.topics if topic.type in types]
        names = ", ".join(topic.name for topic in fitting) or "none"
        if asked is not None:
            for topic in fitting:
                if topic.name == asked:
                    return topic
            known = next((f", {asked} is {t.type}" for t in self.topics if t.name == asked), "")
            raise DataError(f"{self.path}: got {key} {asked!r}{known}, expected a topic of {what}: {names}")
        if len(fitting) == 1:
            return fitting[0]
        got = f"{len(fitting)} topics of {what} ({names})" if fitting else f"no topic of {what}"
        raise DataError(f"{self.path}: got {got}, expected one, or {key} to name it")

    def messages(self, names: Sequence[str]) -> Iterator[tuple[str, float, Any]]:
        """Yield topic, record time in seconds, and message, one at a time."""
        for path, scanned in self._parts:
            read = _scanned if scanned else _indexed
            yield from read(path, set(names))


def is_bag(path: Path) -> bool:
    """Whether a path is a bag by its ending, or a folder that holds one."""
    if path.is_dir():
        return (path / "metadata.yaml").is_file() or any(file.suffix in _STORAGE for file in path.iterdir())
    return path.suffix.lower() in ENDINGS


def bag_files(path: Path) -> list[Path]:
    """Return the files a bag consists of."""
    return sorted(file for file in path.iterdir() if file.is_file()) if path.is_dir() else [path]


def open_bag(path: Path) -> Bag:
    """Return what a bag holds.

    Raises
    ------
    ReadError
        It is no bag, or so damaged that nothing can be read.
    """
    state = tuple((str(file), file.stat().st_mtime_ns, file.stat().st_size) for file in bag_files(path))
    return _opened(path, state)


@lru_cache(maxsize=8)
def _opened(path: Path, state: tuple[tuple[str, int, int], ...]) -> Bag:
    """Open a bag, once as long as its files stay as they are: without an index that reads all of it."""
    if not path.is_dir() and state[0][2] == 0:
        raise ReadError(f"{path}: got an empty file, expected a bag")
    try:
        return _looked_up(path)
    except ReadError as error:
        files = [file for file in bag_files(path) if file.suffix.lower() in _STORAGE]
        if not files or (not path.is_dir() and path.suffix.lower() != ".mcap"):
            raise
        bags = [_whole_or_scanned(file, str(error).removeprefix(f"{path}: ")) for file in files]
        return _joined(path, bags)


def _whole_or_scanned(file: Path, said: str) -> Bag:
    try:
        return _looked_up(file)
    except ReadError:
        if file.suffix.lower() != ".mcap":
            raise
        return _counted(file, said)


def _joined(path: Path, bags: list[Bag]) -> Bag:
    counts: dict[tuple[str, str], int] = {}
    for bag in bags:
        for topic in bag.topics:
            counts[topic.name, topic.type] = counts.get((topic.name, topic.type), 0) + topic.messages
    firsts, lasts = [b.first_s for b in bags if b.first_s is not None], [b.last_s for b in bags if b.last_s is not None]
    return Bag(
        path,
        bags[0].format,
        tuple(Topic(name, kind, count) for (name, kind), count in counts.items()),
        min(firsts, default=None),
        max(lasts, default=None),
        tuple(warning for bag in bags for warning in bag.warnings),
        tuple(part for bag in bags for part in bag._parts),
    )


def normal_type(kind: str) -> str:
    """Return a type's name as ROS 2 writes it."""
    words = kind.split("/")
    full = kind if len(words) != 2 else f"{words[0]}/msg/{words[1]}"
    return _SAME.get(full, full)


@contextmanager
def _reader(path: Path) -> Iterator[Any]:
    """Open a bag by its index; whatever the library raises becomes a ReadError."""
    from rosbags.rosbag1 import Reader as Reader1
    from rosbags.rosbag2 import Reader as Reader2

    with _no_library_error(path), ExitStack() as stack:
        reader = Reader1(path) if path.suffix.lower() == ".bag" else Reader2(path)
        yield stack.enter_context(reader)


@contextmanager
def _no_library_error(path: Path) -> Iterator[None]:
    try:
        yield
    except (ReadError, DataError, GeneratorExit):
        raise
    except MemoryError as error:  # a length that was overwritten asks for any amount
        raise ReadError(f"{path}: damaged, or it holds a record larger than the memory that is free") from error
    except Exception as error:
        said = " ".join(str(error).split())[:200] or type(error).__name__
        raise ReadError(f"{path}: damaged, cut short, or no bag: {said}") from error


def _looked_up(path: Path) -> Bag:
    with _reader(path) as reader:
        counts: dict[tuple[str, str], int] = {}
        for connection in reader.connections:
            key = connection.topic, normal_type(connection.msgtype)
            counts[key] = counts.get(key, 0) + int(connection.msgcount)
        some = reader.message_count > 0
        first, last = (reader.start_time * 1e-9, (reader.end_time - 1) * 1e-9) if some else (None, None)
    topics = tuple(Topic(name, kind, count) for (name, kind), count in counts.items())
    return Bag(path, _format_of(path), topics, first, last, (), ((path, False),))


def _format_of(path: Path) -> str:
    if path.suffix.lower() == ".bag":
        return "ROS 1 bag"
    storage = (
        path.suffix.lower() if path.is_file() else next((f.suffix for f in path.iterdir() if f.suffix in _STORAGE), "")
    )
    return "ROS 2 bag, " + {".mcap": "MCAP", ".db3": "sqlite3"}.get(storage, "storage unknown")


def _indexed(path: Path, names: set[str]) -> Iterator[tuple[str, float, Any]]:
    with _reader(path) as reader:
        wanted = [c for c in reader.connections if c.topic in names]
        decode = _decoder("ros1" if path.suffix.lower() == ".bag" else "cdr")
        if not wanted:
            return
        for connection, time_ns, data in reader.messages(connections=wanted):
            yield connection.topic, time_ns * 1e-9, decode(data, normal_type(connection.msgtype))


@cache
def _decoder(encoding: str) -> Callable[[Any, str], Any]:
    from rosbags.typesys import Stores, get_types_from_msg, get_typestore

    if encoding == "ros1":
        store = get_typestore(Stores.ROS1_NOETIC)
        store.register(get_types_from_msg("geometry_msgs/TransformStamped[] transforms", TRANSFORMS))
        return store.deserialize_ros1
    return get_typestore(Stores.ROS2_HUMBLE).deserialize_cdr


def decoded(path: Path, encoding: str, kind: str, data: bytes) -> Any:
    """Return a message from its bytes.

    Raises
    ------
    ReadError
        It is damaged, or of a type that is not known.
    """
    with _no_library_error(path):
        return _decoder(encoding)(data, kind)


def _records(path: Path) -> Iterator[Any]:
    """Yield the records of an MCAP file as far as it goes."""
    from mcap.stream_reader import StreamReader

    with open(path, "rb") as file:
        records = StreamReader(file).records
        while True:
            try:
                yield next(records)
            except StopIteration:
                return
            except Exception as error:  # of this library, of struct, of what unpacks: where the file is damaged
                yield error
                return


def _scanned(path: Path, names: set[str]) -> Iterator[tuple[str, float, Any]]:
    from mcap.records import Channel, Message, Schema

    schemas: dict[int, Any] = {}
    channels: dict[int, Any] = {}
    decoders: dict[str, Callable[[Any, str], Any]] = {}
    for record in _records(path):
        if isinstance(record, Schema):
            schemas[record.id] = record
        elif isinstance(record, Channel):
            channels[record.id] = record
        elif isinstance(record, Message):
            channel = channels.get(record.channel_id)
            if channel is None or channel.topic not in names or channel.schema_id not in schemas:
                continue
            decode = decoders.setdefault(channel.message_encoding, _decoder(channel.message_encoding))
            with _no_library_error(path):
                message = decode(record.data, normal_type(schemas[channel.schema_id].name))
            yield channel.topic, record.log_time * 1e-9, message


def _counted(path: Path, said: str) -> Bag:
    """Return what can be read of an MCAP file without its index."""
    from mcap.records import Channel, Message, Schema

    schemas: dict[int, str] = {}
    channels: dict[int, tuple[str, int]] = {}
    counts: dict[int, int] = {}
    first, last, ended = None, None, ""
    for record in _records(path):
        if isinstance(record, Schema):
            schemas[record.id] = normal_type(record.name)
        elif isinstance(record, Channel):
            channels[record.id] = record.topic, record.schema_id
        elif isinstance(record, Message):
            counts[record.channel_id] = counts.get(record.channel_id, 0) + 1
            time_s = record.log_time * 1e-9
            first, last = time_s if first is None else min(first, time_s), max(last or time_s, time_s)
        elif isinstance(record, BaseException):
            ended = " ".join(str(record).split()) or "it ends in the middle of a record"
    if not counts:
        raise ReadError(f"{path}: {said.rstrip('.')}; not one message of it could be recovered")
    topics = tuple(
        Topic(name, schemas.get(schema, "unknown"), counts.get(number, 0))
        for number, (name, schema) in channels.items()
    )
    why = f"cut short or damaged ({ended})" if ended else "without an index"
    warning = f"{path}: {why}; the {sum(counts.values())} messages before that were recovered"
    return Bag(path, "ROS 2 bag, MCAP", topics, first, last, (warning,), ((path, True),))
