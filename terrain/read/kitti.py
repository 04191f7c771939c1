"""Scans as bare records of four float32 (x, y, z, reflectance), no header: the layout of the KITTI data.

Source: A. Geiger, P. Lenz, C. Stiller, R. Urtasun, "Vision meets Robotics: The KITTI Dataset", IJRR 32(11), 2013 (from
memory): little-endian float32 x, y, z and reflectance, one file a revolution, no time a point.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from terrain.errors import ReadError
from terrain.read.blocks import Block

_RECORD = np.dtype([("x", "<f4"), ("y", "<f4"), ("z", "<f4"), ("reflectance", "<f4")])
_FARTHEST_M = 1000.0
_LOOKED_AT = 4096


@dataclass(frozen=True, slots=True)
class KittiFile:
    """The points of one revolution."""

    where: str
    path: Path
    count: int

    @property
    def fields(self) -> Mapping[str, np.dtype[Any]]:
        """x, y, z, reflectance."""
        return {name: _RECORD[name] for name in _RECORD.names or ()}

    def blocks(self, names: Sequence[str], chunk_points: int) -> Iterator[Block]:
        """Yield the points."""
        with open(self.path, "rb") as file:
            for first in range(0, max(self.count, 1), chunk_points):
                rows = np.fromfile(file, _RECORD, count=min(chunk_points, self.count - first))
                yield Block({name: rows[name] for name in names}, len(rows))


def open_kitti(path: Path) -> KittiFile:
    """Return the points of a .bin file, once its numbers look like such points.

    Raises
    ------
    ReadError
        Its size is no multiple of 16 bytes, or its numbers are no coordinates and reflectances.
    """
    size = path.stat().st_size
    expected = "expected records of four float32: x, y, z, reflectance"
    if size % _RECORD.itemsize:
        raise ReadError(
            f"{path}: got {size} bytes, no multiple of {_RECORD.itemsize}: cut short, or no such file; {expected}"
        )
    with open(path, "rb") as file:
        rows = np.fromfile(file, _RECORD, count=_LOOKED_AT)
    with np.errstate(invalid="ignore"):
        far = sum(int((~(np.abs(rows[name]) <= _FARTHEST_M)).sum()) for name in "xyz")
        odd = int((~((rows["reflectance"] >= 0.0) & (rows["reflectance"] <= 65535.0))).sum())
    if far + odd > 0.02 * max(len(rows), 1):
        got = f"{far} coordinates beyond {_FARTHEST_M:g} m and {odd} negative reflectances in {len(rows)} records"
        raise ReadError(f"{path}: got {got}: another layout; {expected}")
    return KittiFile(str(path), path, size // _RECORD.itemsize)
