"""LAS and LAZ files: coordinates and times, in chunks, decoding nothing else."""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import Scan
from terrain.errors import ReadError

_SIGNATURE = b"LASF"
_SMALLEST_HEADER = 227
_RECORD_HEADER = 54
_LASZIP_RECORD = 34  # before its items
_CHUNKS_DIFFER = 0xFFFFFFFF


def read_las(path: Path, *, chunk_points: int) -> Iterator[Scan]:
    """Yield the points of a LAS or LAZ file, versions 1.0 to 1.4, all point formats.

    Parameters
    ----------
    path : path
        The file.
    chunk_points : int
        Most points of a chunk.

    Yields
    ------
    Scan
        Coordinates X * scale + offset in float64; `time_s` the gps_time as stored, None in a format without it.
        A file without points yields one empty chunk.

    Raises
    ------
    ReadError
        The file is no LAS or LAZ, damaged, or holds fewer points than it says.
    """
    with _opened(path) as reader:
        header = reader.header
        has_time = "gps_time" in header.point_format.dimension_names
        left = int(header.point_count)
        if left == 0:
            yield Scan(source=str(path), xyz_m=np.empty((0, 3)), time_s=np.empty(0) if has_time else None)
        while left > 0:
            wanted = min(chunk_points, left)
            chunk = _read_chunk(reader, path, wanted)
            left -= wanted
            yield _scan(str(path), chunk, header, has_time=has_time)


def count_las(path: Path) -> int:
    """Return the number of points a LAS or LAZ file says it holds, once its size allows as many.

    Raises
    ------
    ReadError
        The file is no LAS or LAZ, or it is too short.
    """
    with _opened(path) as reader:
        return int(reader.header.point_count)


def _scan(source: str, chunk: Any, header: Any, *, has_time: bool) -> Scan:
    from terrain.kernels import decode
    from terrain.kernels.threads import over_parts

    raw = chunk.array
    scales, offsets = (np.asarray(three, dtype=np.float64) for three in (header.scales, header.offsets))
    stored = raw["gps_time"] if has_time else np.zeros(0)
    xyz_m, time_s = np.empty((len(raw), 3)), np.empty(len(stored))
    over_parts(
        decode.scale_columns, len(raw), raw["X"], raw["Y"], raw["Z"], stored, scales, offsets, xyz_m, time_s
    )  # fmt: skip
    return Scan(source=source, xyz_m=xyz_m, time_s=time_s if has_time else None)


def _read_chunk(reader: Any, path: Path, wanted: int) -> Any:
    with _no_panic(path, "damaged or cut short"):
        chunk = reader.read_points(wanted)
    if len(chunk) != wanted:
        raise ReadError(f"{path}: got {len(chunk)} of the next {wanted} points, expected all that the header promises")
    return chunk


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """Open a file as far as its header and check what the header promises against the file's size."""
    import laspy

    fields = laspy.DecompressionSelection
    with _no_panic(path, "not a LAS or LAZ file"):
        size = os.path.getsize(path)
        _check_start(path, size)
        reader = laspy.open(
            path,
            laz_backend=laspy.LazBackend.LazrsParallel,
            decompression_selection=fields.XY_RETURNS_CHANNEL | fields.Z | fields.GPS_TIME,
            read_evlrs=False,
        )
    try:
        _check_header(path, reader.header, size)
        yield reader
    finally:
        reader.close()


def _check_start(path: Path, size: int) -> None:
    """Check what the decoder would trust: the signature, and that the records fit before the points."""
    with open(path, "rb") as file:
        start = file.read(_SMALLEST_HEADER)
    if size == 0:
        raise ReadError(f"{path}: got an empty file, expected LAS or LAZ")
    if start[:4] != _SIGNATURE:
        got = f"a file that starts with {start[:4]!r}"
        raise ReadError(f"{path}: got {got}, expected {_SIGNATURE!r} of a LAS or LAZ file")
    if size < _SMALLEST_HEADER:
        raise ReadError(f"{path}: cut short: got {size} bytes, expected a header of at least {_SMALLEST_HEADER}")
    header_size, points_at, records = struct.unpack_from("<HII", start, 94)
    if points_at > size:
        raise ReadError(f"{path}: cut short: got {size} bytes, expected points from byte {points_at} on")
    if header_size + _RECORD_HEADER * records > points_at:
        got = f"{records} records between byte {header_size} and the points at {points_at}"
        raise ReadError(f"{path}: damaged header: got {got}, expected at least {_RECORD_HEADER} bytes for each")


def _check_header(path: Path, header: Any, size: int) -> None:
    if not (np.isfinite(header.scales).all() and np.isfinite(header.offsets).all() and (header.scales != 0.0).all()):
        got = f"scales {list(header.scales)} and offsets {list(header.offsets)}"
        raise ReadError(f"{path}: damaged header: got {got}, expected finite numbers and no scale of 0")
    start, count, length = int(header.offset_to_point_data), int(header.point_count), int(header.point_format.size)
    if header.are_points_compressed and count > 0:
        _check_chunks(path, header, start, count, size)
    elif size < start + count * length:
        expected = f"{start + count * length} for {count} points"
        raise ReadError(f"{path}: cut short: got {size} bytes, expected at least {expected}")


def _check_chunks(path: Path, header: Any, start: int, count: int, size: int) -> None:
    """Check that a LAZ file reaches to its table of chunks, and that the chunks are as many as the points need.

    The table's place stands before the first chunk, -1 where the writer could not go back; at that place come a
    version and the number of chunks, 4 bytes each. The size of a chunk stands at byte 12 of the LASzip record.
    """
    record = header.vlrs.get("LasZipVlr")
    if record and len(record[0].record_data) < _LASZIP_RECORD:
        got = f"a LASzip record of {len(record[0].record_data)} bytes"
        raise ReadError(f"{path}: damaged header: got {got}, expected at least {_LASZIP_RECORD}")
    chunk_points = struct.unpack_from("<I", record[0].record_data, 12)[0] if record else 0
    with open(path, "rb") as file:
        file.seek(start)
        (table_at,) = struct.unpack("<q", file.read(8).ljust(8, b"\xff"))
        if table_at == -1 and size >= start + 8:
            return
        if not start < table_at <= size - 8:
            raise ReadError(f"{path}: cut short: got {size} bytes, expected a table of chunks at byte {table_at}")
        file.seek(table_at + 4)
        (chunks,) = struct.unpack("<I", file.read(4))
    if chunk_points != _CHUNKS_DIFFER and not (chunks - 1) * chunk_points < count <= chunks * chunk_points:
        got = f"{count} points in {chunks} chunks of {chunk_points}"
        raise ReadError(f"{path}: damaged: got {got}, expected as many chunks as the points need")


@contextmanager
def _no_panic(path: Path, what: str) -> Iterator[None]:
    """Turn whatever the decoder raises, its panics among them, into a ReadError that names the file."""
    try:
        yield
    except (ReadError, KeyboardInterrupt, SystemExit, GeneratorExit):
        raise
    except BaseException as error:
        if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
            raise
        said = " ".join(str(error).split()) or type(error).__name__
        raise ReadError(f"{path}: {what}: {said}") from error


def las_fields(path: Path) -> tuple[str, dict[str, str]]:
    """Return the format of a LAS or LAZ file in words, and the type of each dimension by name.

    Raises
    ------
    ReadError
        The file is no LAS or LAZ, or damaged.
    """
    with _opened(path) as reader:
        header = reader.header
        packed = "LAZ" if header.are_points_compressed else "LAS"
        octree = any(getattr(record, "user_id", "") == "copc" for record in header.vlrs)
        words = f"{'COPC, ' if octree else ''}{packed} {header.version}, point format {header.point_format.id}"
        return words, {d.name: str(d.dtype) for d in header.point_format.dimensions if d.dtype is not None}
