"""Text files of poses: timestamp tx ty tz qx qy qz qw, one pose a line."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from terrain.data import QUATERNION_NORM_TOLERANCE, BoolArray, FloatArray, Trajectory
from terrain.errors import DataError, FrameError, ReadError

COLUMNS = "timestamp tx ty tz qx qy qz qw"
_TILTED = np.cos(np.radians(60.0))
_UPRIGHT = np.cos(np.radians(30.0))


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Poses as they stand in the file: values (n, 8), and the number of each one's line, from 1."""

    source: str
    values: FloatArray
    line: npt.NDArray[np.int64]


def read_trajectory(path: str | Path, *, gravity: npt.ArrayLike = (0.0, 0.0, -1.0)) -> tuple[Trajectory, list[str]]:
    """Return the poses of a text file, and what there is to warn of.

    Parameters
    ----------
    path : path
        Lines of eight numbers separated by blanks: seconds, metres, quaternion x, y, z, w; T_map_body. Blank lines
        and whatever follows a '#' are passed over.
    gravity : (3,)
        Direction of gravity in the map frame; only used to see whether the poses stand upright.

    Returns
    -------
    Trajectory
        Quaternions brought to norm 1 exactly; a pose that stands twice comes once.
    list of str
        One line where poses were dropped.

    Raises
    ------
    ReadError
        The file is missing or no text.
    DataError
        A line is not eight finite numbers, poses are out of order, two different poses have one time, or there is
        no pose at all.
    FrameError
        A quaternion's norm is off 1 by more than 1e-3, or the poses turn most of the survey upside down.

    Notes
    -----
    A file with w in front of x, y, z is told by its poses: most stand upside down; or most lean by more than 60
    degrees and would stand within 30 degrees of upright with w in front. A robot that walked the whole survey with
    its back turned to where it started reads as upright either way and is not told.
    """
    path = Path(path)
    rows = _parse(path)
    _check_finite(rows)
    rows, warnings = _without_repeats(rows)
    unit = _unit_quaternions(rows)
    up = -np.asarray(gravity, dtype=np.float64)
    _check_upright(rows, unit, up / np.linalg.norm(up))
    return Trajectory(time_s=rows.values[:, 0], position_m=rows.values[:, 1:4], rotation_xyzw=unit), warnings


def _parse(path: Path) -> _Rows:
    try:
        words = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise ReadError(f"{path}: no such file, expected a file of poses") from None
    except UnicodeDecodeError as error:
        raise ReadError(f"{path}: not text (byte {error.start}), expected lines of {COLUMNS}") from error
    except OSError as error:
        raise ReadError(f"{path}: {error.strerror or error}") from error
    kept = [
        (number, bare)
        for number, line in enumerate(words.splitlines(), start=1)
        if (bare := line.partition("#")[0].strip())
    ]
    if not kept:
        raise DataError(f"{path}: got no poses, expected lines of {COLUMNS}")
    lines = np.array([number for number, _ in kept], dtype=np.int64)
    try:
        values = np.loadtxt(io.StringIO("\n".join(bare for _, bare in kept)), comments=None, ndmin=2)
    except ValueError:
        values = np.empty((0, 0))
    if values.shape != (len(kept), 8):
        values = np.array([_parse_line(path, number, bare) for number, bare in kept])
    return _Rows(str(path), values, lines)


def _parse_line(path: Path, number: int, bare: str) -> list[float]:
    parts = bare.split()
    expected = f"expected 8 numbers: {COLUMNS}"
    if len(parts) != 8:
        raise DataError(f"{path}, line {number}: got {len(parts)} values, {expected}")
    try:
        return [float(part) for part in parts]
    except ValueError:
        raise DataError(f"{path}, line {number}: got {bare[:80]!r}, {expected}") from None


def _check_finite(rows: _Rows) -> None:
    bad = ~np.isfinite(rows.values).all(axis=1)
    if bad.any():
        k = int(np.argmax(bad))
        raise DataError(f"{rows.source}, line {rows.line[k]}: got {rows.values[k].tolist()}, expected finite numbers")


def _same_pose(values: FloatArray) -> BoolArray:
    """Return for each row but the first whether it states the pose of its predecessor; q and -q are one."""
    before, after = values[:-1], values[1:]
    place = (before[:, 1:4] == after[:, 1:4]).all(axis=1)
    turned = (before[:, 4:] == after[:, 4:]).all(axis=1) | (before[:, 4:] == -after[:, 4:]).all(axis=1)
    same: BoolArray = place & turned
    return same


def _without_repeats(rows: _Rows) -> tuple[_Rows, list[str]]:
    step = np.diff(rows.values[:, 0])
    back = step < 0
    if back.any():
        k = int(np.argmax(back))
        one, other = rows.values[k : k + 2, 0].tolist()
        raise DataError(
            f"{rows.source}: line {rows.line[k + 1]} (time {other!r}) comes after line {rows.line[k]} "
            f"(time {one!r}), expected times that rise"
        )
    repeat = step == 0
    if not repeat.any():
        return rows, []
    clash = repeat & ~_same_pose(rows.values)
    if clash.any():
        k = int(np.argmax(clash))
        raise DataError(
            f"{rows.source}: lines {rows.line[k]} and {rows.line[k + 1]} give different poses at time "
            f"{float(rows.values[k, 0])!r}, expected one pose at a time"
        )
    keep = np.concatenate(([True], ~repeat))
    dropped = rows.line[~keep]
    named = ", ".join(str(number) for number in dropped[:5]) + (", ..." if len(dropped) > 5 else "")
    warning = f"{rows.source}: dropped {len(dropped)} repeated pose(s), identical to the line before: {named}"
    return _Rows(rows.source, rows.values[keep], rows.line[keep]), [warning]


def _unit_quaternions(rows: _Rows) -> FloatArray:
    norm = np.linalg.norm(rows.values[:, 4:], axis=1)
    off = np.abs(norm - 1.0) > QUATERNION_NORM_TOLERANCE
    if off.any():
        k = int(np.argmax(off))
        raise FrameError(
            f"{rows.source}, line {rows.line[k]}: got a quaternion of norm {norm[k]:.6f}, "
            f"expected 1 within {QUATERNION_NORM_TOLERANCE:g}"
        )
    unit: FloatArray = rows.values[:, 4:] / norm[:, np.newaxis]
    return unit


def _upness(xyzw: FloatArray, up: FloatArray) -> FloatArray:
    """Return the cosine of the angle between each body's z axis and up."""
    x, y, z, w = xyzw.T
    axis = np.stack((2.0 * (x * z + w * y), 2.0 * (y * z - w * x), 1.0 - 2.0 * (x * x + y * y)))
    cosine: FloatArray = up @ axis
    return cosine


def _check_upright(rows: _Rows, unit: FloatArray, up: FloatArray) -> None:
    as_read = _upness(unit, up)
    w_first = _upness(np.roll(unit, -1, axis=1), up)
    inverted = float(np.mean(as_read < 0.0))
    leaning, upright = float(np.mean(as_read < _TILTED)), float(np.mean(w_first > _UPRIGHT))
    if inverted > 0.5 or (leaning > 0.5 and upright > 0.5):
        what = (
            f"{inverted:.0%} of the poses upside down" if inverted > 0.5 else f"{leaning:.0%} of the poses lying down"
        )
        raise FrameError(f"{rows.source}: got {what}, expected quaternions as x, y, z, w; the file is probably w-first")
