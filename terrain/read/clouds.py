"""One way into every file of points, whatever its format."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain, islice
from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import UNITS_S, Scan, ScanOptions, TimeReading
from terrain.errors import DataError, ReadError
from terrain.read import bags
from terrain.read.blocks import Block, PointFile, axes, check_steps, stacked, turned
from terrain.read.pointclouds import LOOKED_AT, BagCloud, open_bag_cloud
from terrain.read.stamps import stamps_of
from terrain.read.times import TimeFacts, TimeSample, applied, read_times, sample_of, time_field

LAS = (".las", ".laz")
SINGLE = (".ply", ".pcd", ".bin")
READ_NOW = (*LAS, *SINGLE, ".e57", *bags.ENDINGS)
CHUNK_POINTS = 500_000
GATHERED_POINTS = 100_000
"""Messages of a bag are put together until they hold this many: small chunks cost more in what follows."""
_FILES_LOOKED_AT = 4
GPS_TIME = "gps_time is taken in seconds, as stored"


@dataclass(frozen=True, slots=True, eq=False)
class ReadingPlan:
    """How the files of one sensor are read: stamps by file, how times are read by kind of file, what to tell of it."""

    options: ScanOptions
    stamps: Mapping[Path, float] = field(default_factory=dict)
    readings: Mapping[str, TimeReading] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def plan_reading(
    paths: Sequence[str | Path], options: ScanOptions, *, poses_s: tuple[float, float] | None = None
) -> ReadingPlan:
    """Tell from a few scans how the times of a sensor's files are to be read.

    Parameters
    ----------
    paths : sequence of path
        The sensor's files, in order.
    options : ScanOptions
        What the survey states.
    poses_s : (first, last), optional
        Span of the poses on the scan clock: evidence for the unit of times.

    Returns
    -------
    ReadingPlan
        With a note for each kind of file on how its times are read and why. For points in the map frame, which need
        no times, times that cannot be told are left out, and a note says so.

    Raises
    ------
    ReadError, DataError
        A file is missing or damaged, or its times cannot be told; the message names the key that settles it.
    """
    files = [Path(path) for path in paths]
    kinds = list(dict.fromkeys(kind_of(f) for f in files))
    _check_options(files, kinds, options)
    unstamped = SINGLE if options.stamps_file is None else (*SINGLE, *LAS)
    stamps, said = stamps_of([f for f in files if kind_of(f) in unstamped], options.stamps_file)
    readings: dict[str, TimeReading] = {}
    for kind in kinds:
        if kind in LAS:
            readings[kind] = _las_reading(options, said)
            continue
        same = [f for f in files if kind_of(f) == kind]
        try:
            readings[kind] = _reading(kind, same, options, stamps, said, poses_s)
        except DataError as error:
            if options.frame != "map" or options.time_field is not None:
                raise
            readings[kind] = TimeReading(None, 1.0, "none", f"left out: {error}")
    usual = TimeReading("gps_time", 1.0, "clock", GPS_TIME)
    notes = tuple(f"times of {kind} files: {reading.why}" for kind, reading in readings.items() if reading != usual)
    bag_notes = [w for f in files if kind_of(f) == "bag" for w in bags.open_bag(f).warnings]
    warnings = tuple(reading.warning for reading in readings.values() if reading.warning and options.frame != "map")
    return ReadingPlan(options, stamps, readings, notes, (*bag_notes, *warnings))


def open_cloud(
    path: str | Path,
    *,
    chunk_points: int = CHUNK_POINTS,
    plan: ReadingPlan | None = None,
    options: ScanOptions | None = None,
) -> Iterator[Scan]:
    """Return the points of a file, chunk by chunk in the order of the file.

    Parameters
    ----------
    path : path
        LAS, LAZ, COPC, PLY, PCD, E57, KITTI's .bin, or a ROS bag (a file, or the folder of a ROS 2 bag), told by its
        ending.
    chunk_points : int
        Most points that are held at a time; a multiple of 50,000 suits LAZ files best. A compressed PCD file and one
        message of a bag are held as a whole.
    plan : ReadingPlan, optional
        How times are read; made from this file alone where it is left out.
    options : ScanOptions, optional
        For a plan that is left out; by default that of points in the map frame.

    Returns
    -------
    iterator of Scan
        At least one, so that a file without points is seen; coordinates exact in float64, as the file has them.

    Raises
    ------
    ReadError
        The file is missing or not of a format that is read; from the iterator: it is damaged.
    DataError
        Its times cannot be told; from the iterator: it holds coordinates too large for float32.
    """
    path = Path(path)
    kind = kind_of(path)
    if kind in LAS:
        from terrain.read.las import read_las

        scans = read_las(path, chunk_points=chunk_points)
        return scans if plan is None else _restamped(scans, plan.readings[kind], plan.stamps.get(path))
    plan = plan or plan_reading([path], options or ScanOptions(frame="map"))
    scans = _scans(point_file(path, plan.options), path, plan, plan.readings[kind], chunk_points)
    return _gathered(scans, min(chunk_points, GATHERED_POINTS)) if kind == "bag" else scans


def plan_growing(bag: bags.Bag, options: ScanOptions, *, poses_s: tuple[float, float] | None = None) -> ReadingPlan:
    """Tell from its first clouds how the times of a bag that is still being written are to be read.

    Raises
    ------
    ReadError, DataError
        As for `plan_reading`.
    """
    _check_options([bag.path], ["bag"], options)
    reading = _bag_reading(open_bag_cloud(bag, options.topic), options, poses_s)
    warnings = (reading.warning,) if reading.warning and options.frame != "map" else ()
    return ReadingPlan(options, {}, {"bag": reading}, (f"times of bag files: {reading.why}",), warnings)


def growing_scans(bag: bags.Bag, plan: ReadingPlan) -> Iterator[Scan]:
    """Return the clouds of a bag that is still being written, one scan a message."""
    return _scans(open_bag_cloud(bag, plan.options.topic), bag.path, plan, plan.readings["bag"], CHUNK_POINTS)


def count_points(paths: Iterable[str | Path], options: ScanOptions | None = None) -> int:
    """Return how many points the files say they hold, from their headers alone; about how many for a bag.

    Raises
    ------
    ReadError
        A file is missing, damaged, cut short, or not of a format that is read.
    """
    total = 0
    for path in map(Path, paths):
        if kind_of(path) in LAS:
            from terrain.read.las import count_las

            total += count_las(path)
        else:
            total += point_file(path, options or ScanOptions(frame="map")).count
    return total


@dataclass(frozen=True, slots=True)
class Extent:
    """How much of a stream was looked at, where its points lie, and when; None where there is nothing to say."""

    points: int
    whole: bool
    low_m: tuple[float, float, float] | None
    high_m: tuple[float, float, float] | None
    first_s: float | None
    last_s: float | None
    at_origin: int
    not_finite: int

    def odd_points(self) -> list[str]:
        """Return a line for points that are no returns."""
        found = []
        if self.not_finite:
            found.append(f"{self.not_finite:,} points are not finite: beams without a return; they are dropped")
        if self.at_origin:
            found.append(
                f"{self.at_origin:,} points lie within 1 cm of the origin: no returns, if the origin is the sensor; "
                'with frame.points = "sensor" and a min_range_m they are dropped'
            )
        return found


def extent_of(path: Path, plan: ReadingPlan, *, most_scans: int | None = None) -> Extent:
    """Return where and when the points of a file lie, by reading it, or its first scans.

    Raises
    ------
    ReadError
        The file is damaged.
    """
    scans = open_cloud(path, plan=plan)
    low, high = np.full(3, math.inf), np.full(3, -math.inf)
    first, last, points, at_origin, not_finite = math.inf, -math.inf, 0, 0, 0
    for scan in islice(scans, most_scans):
        points += len(scan.xyz_m)
        if len(scan.xyz_m) == 0:
            continue
        good = scan.xyz_m[np.isfinite(scan.xyz_m).all(axis=1)]
        not_finite += len(scan.xyz_m) - len(good)
        at_origin += int((np.abs(good).max(axis=1, initial=0.0) < 0.01).sum())
        if len(good):
            low, high = np.minimum(low, good.min(axis=0)), np.maximum(high, good.max(axis=0))
        if scan.time_s is not None and np.isfinite(scan.time_s).any():
            first, last = min(first, float(np.nanmin(scan.time_s))), max(last, float(np.nanmax(scan.time_s)))
    whole = most_scans is None or next(scans, None) is None
    found = bool(np.isfinite(low).all())
    return Extent(
        points, whole, _triple(low) if found else None, _triple(high) if found else None,
        first if math.isfinite(first) else None, last if math.isfinite(last) else None, at_origin, not_finite,
    )  # fmt: skip


def _triple(values: Any) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


def kind_of(path: Path) -> str:
    """Return what a file is by its ending: that ending in lower case, or "bag"."""
    ending = path.suffix.lower()
    if path.is_dir() and bags.is_bag(path):
        return "bag"
    if ending not in READ_NOW:
        got = "a folder that is no bag" if path.is_dir() else f"a file ending in {ending!r}"
        raise ReadError(f"{path}: got {got}, expected one of {', '.join(READ_NOW)}")
    if not path.is_file():
        raise ReadError(f"{path}: no such file, expected a file of points")
    return "bag" if ending in bags.ENDINGS else ending


def point_file(path: Path, options: ScanOptions) -> PointFile:
    """Return the points of a file that is no LAS, once its header makes sense."""
    kind = kind_of(path)
    if kind == ".ply":
        from terrain.read.ply import open_ply

        return open_ply(path)
    if kind == ".pcd":
        from terrain.read.pcd import open_pcd

        return open_pcd(path)
    if kind == ".bin":
        from terrain.read.kitti import open_kitti

        return open_kitti(path)
    if kind == ".e57":
        from terrain.read.e57 import open_e57

        return open_e57(path, in_map=options.frame == "map")
    return open_bag_cloud(bags.open_bag(path), options.topic)


def _check_options(files: list[Path], kinds: list[str], options: ScanOptions) -> None:
    """Refuse what a survey states and none of these files can follow, so that no key is passed over in silence."""
    where, held = str(files[0]), ", ".join(kinds)
    if options.topic is not None and "bag" not in kinds:
        raise DataError(f"{where}: got scans.topic {options.topic!r} for {held} files, expected a bag or no topic")
    if options.stamps_file is not None and not set(kinds) & {*SINGLE, *LAS}:
        got = f"got scans.stamps {options.stamps_file.name!r} for {held} files"
        raise DataError(f"{where}: {got}, whose scans hold stamps of their own; expected no such key")
    if any(kind in LAS for kind in kinds):
        if options.spindle is not None:
            raise DataError(f"{where}: got a spindle for a LAS file, expected ply, pcd or a bag with a field of angles")
        if options.time_field not in (None, "gps_time"):
            raise DataError(f"{where}: got scans.time_field {options.time_field!r}, expected gps_time of a LAS file")


def _las_reading(options: ScanOptions, said: str) -> TimeReading:
    unit, stamps = options.time_unit or "s", options.stamps_file
    if options.time_base == "scan" and stamps:
        return TimeReading("gps_time", UNITS_S[unit], "stamp", f"gps_time in {unit} counts from the scan's {said}")
    if options.time_base == "scan":
        raise DataError('scans.time_base: got "scan" for LAS files, expected scans.stamps, a file of one time a scan')
    if stamps:
        why = f"gps_time in {unit}; where it is missing or all 0, the scan's {said}"
        return TimeReading("gps_time", UNITS_S[unit], "clock", why)
    why = GPS_TIME if unit == "s" else f"gps_time is taken in {unit}, as the survey states"
    return TimeReading("gps_time", UNITS_S[unit], "clock", why)


def _restamped(scans: Iterator[Scan], reading: TimeReading, stamp_s: float | None) -> Iterator[Scan]:
    """Yield the scans of a LAS file with their times as the plan reads them."""
    for scan in scans:
        raw = scan.time_s
        if stamp_s is not None and (raw is None or not raw.any()):
            yield Scan(source=scan.source, xyz_m=scan.xyz_m, time_s=np.full(len(scan.xyz_m), stamp_s))
        elif raw is not None and (reading.scale_s != 1.0 or reading.base == "stamp"):
            yield Scan(scan.source, scan.xyz_m, applied(reading, raw, len(raw), stamp_s, None))
        else:
            yield scan


def _reading(
    kind: str,
    files: list[Path],
    options: ScanOptions,
    stamps: Mapping[Path, float],
    said: str,
    poses_s: tuple[float, float] | None,
) -> TimeReading:
    first = point_file(files[0], options)
    some = files[:_FILES_LOOKED_AT]
    where = first.where + (f" and {len(some) - 1} more" if len(some) > 1 else "")
    name = time_field(list(first.fields), options.time_field, where=where)
    if kind == ".e57" and options.time_base == "scan":
        name = None
    if kind == ".e57" and name is None:
        if options.frame == "map":
            return TimeReading(None, 1.0, "none", "not needed: points are in the map frame")
        return TimeReading(None, 1.0, "whole", "each scan stands still, at the time of its start or its number")
    samples: list[TimeSample] = []
    for path in some:
        samples += _samples(point_file(path, options), name, stamps.get(path))
        if kind == "bag":
            break
    dtype = first.fields[name] if name is not None else None
    label = first.stamps if isinstance(first, BagCloud) else "acquisitionStart" if kind == ".e57" else said
    reading = read_times(TimeFacts(where, name, dtype, tuple(samples), label, poses_s, len(files)), options)
    return _by_recorder(first, reading) if isinstance(first, BagCloud) else reading


def _bag_reading(source: BagCloud, options: ScanOptions, poses_s: tuple[float, float] | None) -> TimeReading:
    name = time_field(list(source.fields), options.time_field, where=source.where)
    dtype = source.fields[name] if name is not None else None
    samples = tuple(_samples(source, name, None))
    facts = TimeFacts(source.where, name, dtype, samples, source.stamps, poses_s, 1)
    return _by_recorder(source, read_times(facts, options))


def _by_recorder(source: BagCloud, reading: TimeReading) -> TimeReading:
    """Return the reading with a warning where the recorder's times stand in for those of the headers."""
    if source.stamped or reading.base in ("clock", "none"):
        return reading
    said = f"{source.where}: headers hold no time: the recorder's time of each message stands in, which comes later"
    return replace(reading, warning="; ".join(filter(None, (reading.warning, said))))


def _samples(source: PointFile, name: str | None, stamp_s: float | None) -> list[TimeSample]:
    """Return what is to be known of the times of each scan in a file; of its first scans for a bag."""
    names = (*axes(source.fields, source.where), *((name,) if name is not None else ()))
    if isinstance(source, BagCloud):
        blocks = _looked_at(source, names)
        return [sample_of(b.columns[name] if name else None, b.stamp_s) for b in blocks]
    if name is None:
        return [TimeSample(math.nan, math.nan, source.count, True, stamp_s)]
    merged: dict[float | None, TimeSample] = {}
    for block in source.blocks(names, CHUNK_POINTS):
        stamp = block.stamp_s if block.stamp_s is not None else stamp_s
        merged[stamp] = _merged(merged.get(stamp), sample_of(block.columns[name], stamp))
    return list(merged.values())


def _looked_at(source: BagCloud, names: Sequence[str]) -> list[Block]:
    """Return the first messages that hold points; where none does, the first one."""
    blocks = source.blocks(names, 1 << 40)
    first = next(blocks)
    filled = (block for block in chain([first], blocks) if block.count)
    return list(islice(filled, LOOKED_AT)) or [first]


def _merged(one: TimeSample | None, other: TimeSample) -> TimeSample:
    if one is None or one.points == 0:
        return other
    low, high = float(np.fmin(one.low, other.low)), float(np.fmax(one.high, other.high))
    return TimeSample(low, high, one.points + other.points, one.whole and other.whole, one.stamp_s)


def _scans(source: PointFile, path: Path, plan: ReadingPlan, reading: TimeReading, chunk_points: int) -> Iterator[Scan]:
    xyz = axes(source.fields, source.where)
    spindle = plan.options.spindle
    names = [*xyz, *((reading.field,) if reading.field else ())]
    if spindle is not None and spindle.angle_field not in source.fields:
        got = ", ".join(source.fields)
        raise DataError(f"{source.where}: got the fields {got}, expected {spindle.angle_field!r}, the spindle's angle")
    if reading.field is not None and reading.field not in source.fields:
        got = ", ".join(source.fields)
        raise DataError(f"{source.where}: got the fields {got}, expected {reading.field!r} as in the first file")
    own_low = None
    if reading.base == "own" and plan.stamps:
        own_low = _samples(source, reading.field, plan.stamps.get(path))[0].low
    for block in source.blocks([*names, *((spindle.angle_field,) if spindle else ())], chunk_points):
        stamp = block.stamp_s if block.stamp_s is not None else plan.stamps.get(path)
        raw = block.columns[reading.field] if reading.field else None
        low = block.low_time if block.low_time is not None else own_low
        check_steps(block, xyz, source.where)
        xyz_m = stacked(block, xyz)
        if spindle is not None:
            xyz_m = turned(xyz_m, block.columns[spindle.angle_field], spindle)
        yield Scan(source=source.where, xyz_m=xyz_m, time_s=applied(reading, raw, block.count, stamp, low))


def _gathered(scans: Iterator[Scan], enough: int) -> Iterator[Scan]:
    """Yield the same points in fewer scans."""
    held: list[Scan] = []
    count = 0
    for scan in scans:
        if held and count + len(scan.xyz_m) > enough:
            yield _joined(held)
            held, count = [], 0
        held.append(scan)
        count += len(scan.xyz_m)
    yield _joined(held)


def _joined(scans: list[Scan]) -> Scan:
    times = [scan.time_s for scan in scans if scan.time_s is not None]
    xyz_m = np.concatenate([scan.xyz_m for scan in scans])
    return Scan(scans[0].source, xyz_m, np.concatenate(times) if len(times) == len(scans) else None)
