"""Fused points on disk, for those that are only to be labelled: written once, read once or twice, never held."""

from __future__ import annotations

import mmap
import tempfile
import weakref
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import ByteArray, Cloud, FloatArray, IntArray
from terrain.errors import DataError

COLUMNS: dict[str, tuple[int, type]] = {
    "xyz": (3, np.float32),
    "time": (1, np.float64),
    "view": (3, np.float32),
    "sd": (1, np.float32),
    "cross": (1, np.float32),
}
"""Values a point, and their type; a part of the points lies column by column."""
BYTES = sum(count * np.dtype(kind).itemsize for count, kind in COLUMNS.values())


class Spool:
    """Parts of a cloud in a file without a name, which is gone with the process however it ends.

    Parameters
    ----------
    folder : Path
        Where there is room: 40 bytes a point.
    origin_m : (3,)
        A point near the cloud; places are kept relative to it in single precision, 8 micrometres at 100 m.
    """

    def __init__(self, folder: Path, origin_m: FloatArray) -> None:
        self.origin_m = origin_m
        self._folder = folder
        try:
            self._file = tempfile.TemporaryFile(dir=folder)
        except OSError as error:
            raise DataError(f"{folder}: cannot put points aside there: {error.strerror}") from error
        weakref.finalize(self, self._file.close)
        self._points: list[int] = []

    def write(self, columns: Mapping[str, npt.NDArray[Any]]) -> None:
        """Put a part behind those there are: `xyz` (n, 3) and what else of `COLUMNS` there is; the rest become 0.

        Raises
        ------
        DataError
            The disk does not take it.
        """
        rows = len(columns["xyz"])
        if rows == 0:
            return
        try:
            for name, (count, kind) in COLUMNS.items():
                values = columns["xyz"] - self.origin_m if name == "xyz" else columns.get(name)
                if values is None:
                    values = np.zeros((rows, count), dtype=kind)
                self._file.write(np.ascontiguousarray(values, dtype=kind).data)
        except OSError as error:
            needed = f"{BYTES * (sum(self._points) + rows) / 1e9:.1f} GB and more"
            raise DataError(f"{self._folder}: cannot put points aside there ({needed}): {error.strerror}") from error
        self._points.append(rows)

    def finish(self, *, timed: bool, seen_from: bool) -> SpooledPoints:
        """Return what was written; say whether times and viewpoints mean anything."""
        self._file.flush()
        raw = np.memmap(self._file, dtype=np.uint8, mode="r")
        self._file.close()  # what is mapped stays
        return SpooledPoints(raw, np.array(self._points, dtype=np.int64), self.origin_m, timed, seen_from)


@dataclass(frozen=True, slots=True, eq=False)
class SpooledPoints:
    """Points that a `Spool` wrote, part by part in their order.

    raw (bytes,) mapped from disk; points (parts,): how many each part holds; origin_m (3,): what places and viewpoints
    are relative to; timed, seen_from: whether there are times and viewpoints.
    """

    raw: ByteArray
    points: IntArray
    origin_m: FloatArray
    timed: bool
    seen_from: bool

    def part(self, number: int) -> Cloud:
        """Return a part as a cloud of its own."""
        rows = int(self.points[number])
        first = at = BYTES * int(self.points[:number].sum())
        found: dict[str, npt.NDArray[Any]] = {}
        for name, (count, kind) in COLUMNS.items():
            size = rows * count * np.dtype(kind).itemsize
            values: npt.NDArray[Any] = np.frombuffer(self.raw[at : at + size].tobytes(), dtype=kind)
            found[name] = values.reshape(rows, count) if count > 1 else values
            at += size
        let_go(self.raw, first, at)
        return Cloud(
            xyz_map_m=found["xyz"] + self.origin_m,
            time_s=found["time"] if self.timed else None,
            view_map_m=found["view"] if self.seen_from else None,
            sd_m=found["sd"],
            cross_sd_m=found["cross"],
            origin_m=self.origin_m,
        )


def let_go(raw: npt.NDArray[Any], begin: int, end: int) -> None:
    """Let the system take back the memory of bytes that were read, if they are mapped from a file."""
    mapped = getattr(raw, "_mmap", None)
    if mapped is None or not hasattr(mmap, "MADV_DONTNEED"):
        return
    page = mmap.ALLOCATIONGRANULARITY
    start = begin // page * page
    mapped.madvise(mmap.MADV_DONTNEED, start, min(end, len(mapped)) - start)
