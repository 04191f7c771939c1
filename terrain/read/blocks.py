"""What every reader of points yields before times and angles are made of it: columns as stored."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from terrain.data import FloatArray, Spindle
from terrain.errors import DataError, ReadError

Column = npt.NDArray[Any]
COARSEST_M = 0.01
"""Steps of stored coordinates that still tell a surface; float32 has them up to 131 km from its origin."""
_LOOKED_AT = 1000


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Some points of one scan: the columns that were asked for, as stored, and the scan's stamp if it has one."""

    columns: Mapping[str, Column]
    count: int
    stamp_s: float | None = None
    low_time: float | None = None
    """The least stored time of the whole scan, where a block is only a part of it."""


class PointFile(Protocol):
    """One stream of points: a file, or a topic of a bag."""

    @property
    def where(self) -> str:
        """What errors call it."""

    @property
    def fields(self) -> Mapping[str, np.dtype[Any]]:
        """Name and stored type of each column, in the order of the file."""

    @property
    def count(self) -> int:
        """How many points it says it holds."""

    def blocks(self, names: Sequence[str], chunk_points: int) -> Iterator[Block]:
        """Yield the points in the order of the file; at least one block, even if empty."""


def axes(fields: Mapping[str, np.dtype[Any]], where: str) -> tuple[str, str, str]:
    """Return the names of the columns x, y and z.

    Raises
    ------
    ReadError
        One is missing.
    """
    bare = {name.lower(): name for name in reversed(list(fields))}
    missing = [axis for axis in "xyz" if axis not in bare]
    if missing:
        got = ", ".join(fields) or "no fields"
        raise ReadError(f"{where}: got {got}, expected x, y and z ({', '.join(missing)} missing)")
    return bare["x"], bare["y"], bare["z"]


def stacked(block: Block, names: tuple[str, str, str]) -> FloatArray:
    """Return x, y, z as (n, 3) float64, exactly as stored."""
    out = np.empty((block.count, 3))
    with np.errstate(invalid="ignore"):  # a NaN of the kind that signals is as good as any
        for column, name in enumerate(names):
            out[:, column] = block.columns[name]
    return out


def check_steps(block: Block, names: tuple[str, str, str], where: str) -> None:
    """Refuse coordinates too large for the float32 that they were stored as: the shapes are gone.

    Half the points must lie that far off: strays, and beams without a return, may lie anywhere.

    Raises
    ------
    DataError
        Steps between neighbouring numbers are wider than `COARSEST_M`.
    """
    for axis, name in zip("xyz", names, strict=True):
        column = block.columns[name]
        if column.dtype.kind != "f" or column.dtype.itemsize != 4:
            continue
        some = column[:: max(1, len(column) // _LOOKED_AT)]
        some = np.abs(some[np.isfinite(some)].astype(np.float64))
        if len(some) == 0:
            continue
        middle = float(np.median(some))
        step_m = float(np.spacing(np.float32(middle)))
        if step_m > COARSEST_M:
            raise DataError(
                f"{where}: got {axis} about {middle:.0f} m from 0 as float32, in steps of {step_m:.3g} m, expected "
                "float64, or coordinates from an origin near the site"
            )


def turned(xyz_m: FloatArray, angle: Column, spindle: Spindle) -> FloatArray:
    """Return points of a line scanner in the frame its spindle stands in; Rodrigues' formula, row by row."""
    radians = angle.astype(np.float64) * spindle.unit_rad + spindle.zero_rad
    points = xyz_m + spindle.offset_m
    cosine, sine = np.cos(radians)[:, np.newaxis], np.sin(radians)[:, np.newaxis]
    along = (points @ spindle.axis)[:, np.newaxis] * spindle.axis
    out: FloatArray = points * cosine + np.cross(spindle.axis, points) * sine + along * (1.0 - cosine)
    return out
