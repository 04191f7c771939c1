"""Poses: text files here (timestamp tx ty tz qx qy qz qw, or a matrix a line), E57 files and bags beside it."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from terrain.data import QUATERNION_NORM_TOLERANCE, UNITS_S, BoolArray, FloatArray, PoseOptions, Trajectory
from terrain.errors import DataError, FrameError, ReadError
from terrain.read.bags import is_bag
from terrain.read.stamps import read_stamps
from terrain.read.times import EPOCH_S, WORDS

COLUMNS = "timestamp tx ty tz qx qy qz qw"
_TILTED = np.cos(np.radians(60.0))
_UPRIGHT = np.cos(np.radians(30.0))


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Poses as they stand in the file: values (n, 8), and the number of each one's line, from 1."""

    source: str
    values: FloatArray
    line: npt.NDArray[np.int64]
    from_matrices: bool = False


def read_trajectory(
    path: str | Path,
    *,
    gravity: npt.ArrayLike = (0.0, 0.0, -1.0),
    options: PoseOptions | None = None,
    growing: bool = False,
) -> tuple[Trajectory, list[str]]:
    """Return the poses of a file, and what there is to warn of.

    Parameters
    ----------
    path : path
        An E57 file (a pose a scan), a bag (odometry, poses or transforms), or text: lines of eight numbers separated
        by blanks or commas: seconds, metres, quaternion x, y, z, w; T_map_body. Or lines of twelve: the first three
        rows of the matrix T_map_body, row by row, timed by `options.stamps_file` or, without one, by their numbers
        from 0. Blank lines and whatever follows a '#' are passed over.
    gravity : (3,)
        Direction of gravity in the map frame; only used to see whether the poses stand upright.
    options : PoseOptions, optional
        What the survey states: topic and frames of a bag, order of the quaternion, times of matrices.
    growing : bool
        Whether the text is still being written: a last line without its end is left out.

    Returns
    -------
    Trajectory
        Quaternions brought to norm 1 exactly; a pose that stands twice comes once.
    list of str
        One line where poses were dropped, one where those of a bag turn most of the survey upside down.

    Raises
    ------
    ReadError
        The file is missing or no text.
    DataError
        A line is not eight finite numbers, poses are out of order, two different poses have one time, or there is
        no pose at all.
    FrameError
        A quaternion's norm is off 1 by more than 1e-3, a matrix is no rotation, or the poses turn most of the survey
        upside down.

    Notes
    -----
    Times of text that are dates between 2000 and 2100 only if taken in milli-, micro- or nanoseconds are read so, and
    a warning says it. A file with w in front of x, y, z is told by its heading, or by its poses: most stand upside
    down; or most lean by more than 60 degrees and would stand within 30 degrees of upright with w in front. A robot
    that walked the whole survey with its back turned to where it started reads as upright either way and is not told.
    """
    path, options = Path(path), options or PoseOptions()
    _check_options(path, options)
    if is_bag(path):
        from terrain.read.bag_poses import bag_trajectory

        trajectory, said = bag_trajectory(path, options)
        return trajectory, said + _upside_down(path, trajectory, gravity)
    if path.suffix.lower() == ".e57":
        return _e57_trajectory(path)
    stored = _stored(path)
    return _trajectory(_parse(path, _whole_lines(stored) if growing else stored, options), gravity, options)


def _trajectory(rows: _Rows, gravity: npt.ArrayLike, options: PoseOptions) -> tuple[Trajectory, list[str]]:
    """Return the trajectory of poses as they stand in a file, checked as a whole, and what there is to warn of."""
    _check_finite(rows)
    rows, in_seconds = _in_seconds(rows)
    rows, warnings = _without_repeats(rows)
    unit = _unit_quaternions(rows)
    up = -np.asarray(gravity, dtype=np.float64)
    if not rows.from_matrices:
        _check_upright(rows, unit, up / np.linalg.norm(up), options)
    trajectory = Trajectory(time_s=rows.values[:, 0], position_m=rows.values[:, 1:4], rotation_xyzw=unit)
    return trajectory, in_seconds + warnings


class GrowingPoses:
    """A text of poses that is being written: what was read before is not parsed again.

    `read` returns and raises what `read_trajectory` with `growing` does. A text that does not go on as it was, byte by
    byte, is read anew.
    """

    def __init__(self, path: Path, *, gravity: npt.ArrayLike, options: PoseOptions) -> None:
        self._path, self._gravity, self._options = path, gravity, options
        self._known, self._lines = b"", 0
        self._rows: _Rows | None = None

    def read(self) -> tuple[Trajectory, list[str]]:
        """Return the poses so far, and what there is to warn of."""
        _check_options(self._path, self._options)
        whole = _whole_lines(_stored(self._path))
        goes_on = self._rows is not None and len(self._known) > 0 and whole.startswith(self._known)
        more = whole[len(self._known) :].splitlines()
        rows = self._longer(more) if goes_on else None
        if rows is None:
            self._known, self._rows, self._lines, more = b"", None, 0, whole.splitlines()
            rows = _parse(self._path, whole, self._options)
        found = _trajectory(rows, self._gravity, self._options)
        if not rows.from_matrices:
            self._known, self._rows, self._lines = whole, rows, self._lines + len(more)
        return found

    def _longer(self, lines: list[bytes]) -> _Rows | None:
        """Return the rows known with those of some more lines; None where these are not of the plain kind."""
        assert self._rows is not None
        numbers = [k for k, line in enumerate(lines) if line.partition(b"#")[0].strip()]
        try:
            text = b"\n".join(lines[k] for k in numbers).decode().replace(",", " ")
            values = np.loadtxt(io.StringIO(text), ndmin=2) if numbers else np.empty((0, 8))
        except ValueError:
            return None
        if values.shape != (len(numbers), 8):
            return None
        if self._options.quaternion_order == "wxyz":
            values = values[:, [0, 1, 2, 3, 5, 6, 7, 4]]
        at = np.array(numbers, dtype=np.int64) + self._lines + 1
        before = self._rows
        return _Rows(before.source, np.concatenate([before.values, values]), np.concatenate([before.line, at]))


def _check_options(path: Path, options: PoseOptions) -> None:
    """Refuse what a survey states and a file of this kind cannot follow, so that no key is passed over in silence."""
    of_bag = (("topic", options.topic), ("map_frame", options.map_frame), ("body_frame", options.body_frame))
    if not is_bag(path):
        for key, asked in of_bag:
            if asked is not None:
                raise DataError(f"{path}: got poses.{key} {asked!r} for a file that is no bag, expected no such key")
    of_text = options.stamps_file is not None or options.quaternion_order != "xyzw"
    if of_text and (is_bag(path) or path.suffix.lower() == ".e57"):
        raise DataError(f"{path}: got poses.quaternion or poses.stamps, expected them only for text files")


def _e57_trajectory(path: Path) -> tuple[Trajectory, list[str]]:
    from terrain.read.e57 import open_e57, scan_stamps

    scans = open_e57(path, in_map=False).scans
    if not scans:
        raise DataError(f"{path}: got no scans, expected at least one with a pose")
    stamps, _ = scan_stamps(scans)
    unposed = [scan.name for scan in scans if not scan.has_pose]
    if unposed and len(scans) > 1:
        raise DataError(f"{path}: got {len(unposed)} scan(s) without a pose ({unposed[0]}), expected one for each scan")
    position = np.array([scan.translation_m for scan in scans])
    rotation = np.array([scan.rotation_xyzw for scan in scans])
    warnings = [f"{path}: the scan has no pose, it was left where it is"] if unposed else []
    return Trajectory(time_s=np.array(stamps), position_m=position, rotation_xyzw=rotation), warnings


def _stored(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise ReadError(f"{path}: no such file, expected a file of poses") from None
    except OSError as error:
        raise ReadError(f"{path}: {error.strerror or error}") from error


def _whole_lines(stored: bytes) -> bytes:
    return stored[: stored.rfind(b"\n") + 1]


def _parse(path: Path, stored: bytes, options: PoseOptions) -> _Rows:
    """Return the poses that the bytes of a file hold."""
    try:
        words = stored.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ReadError(f"{path}: not text (byte {error.start}), expected lines of {COLUMNS}") from error
    kept = [
        (number, bare)
        for number, line in enumerate(words.splitlines(), start=1)
        if (bare := line.partition("#")[0].strip())
    ]
    if all("," in bare for _, bare in kept):
        kept = [(number, bare.replace(",", " ")) for number, bare in kept]
    _check_header(path, words, options)
    if kept and "qw" in kept[0][1].lower().replace("_", "").split():
        kept = kept[1:]
    if not kept:
        raise DataError(f"{path}: got no poses, expected lines of {COLUMNS}")
    lines = np.array([number for number, _ in kept], dtype=np.int64)
    try:
        values = np.loadtxt(io.StringIO("\n".join(bare for _, bare in kept)), comments=None, ndmin=2)
    except ValueError:
        values = np.empty((0, 0))
    if values.shape == (len(kept), 12):
        return _from_matrices(path, values, lines, options)
    if values.shape != (len(kept), 8):
        values = np.array([_parse_line(path, number, bare) for number, bare in kept])
    if options.stamps_file is not None:
        raise DataError(f"{path}: got poses.stamps for poses that hold their own times, expected it for matrices only")
    if options.quaternion_order == "wxyz":
        values = values[:, [0, 1, 2, 3, 5, 6, 7, 4]]
    return _Rows(str(path), values, lines)


def _check_header(path: Path, words: str, options: PoseOptions) -> None:
    """Refuse a file whose own heading names the parts of quaternions in another order than they are read in."""
    for line in words.splitlines()[:20]:
        names = re.sub(r"[^a-z ]", "", line.lower().replace(",", " ").replace("_rs_", "")).split()
        said = " ".join(name for name in names if len(name) == 2 and name[0] == "q")
        for order, other in (("qx qy qz qw", "wxyz"), ("qw qx qy qz", "xyzw")):
            if said == order and options.quaternion_order == other:
                raise FrameError(
                    f"{path}: its heading says {order}, but quaternions are read as {other}; set poses.quaternion = "
                    f'"{order.replace("q", "").replace(" ", "")}"'
                )


def _from_matrices(path: Path, values: FloatArray, lines: npt.NDArray[np.int64], options: PoseOptions) -> _Rows:
    """Return poses of lines of twelve numbers, the first three rows of a 4 x 4 matrix."""
    from scipy.spatial.transform import Rotation

    if options.quaternion_order != "xyzw":
        raise DataError(f"{path}: got poses.quaternion for a file of matrices, expected no such key")
    matrices = values.reshape(-1, 3, 4)
    rotation = matrices[:, :, :3]
    finite = np.isfinite(values).all(axis=1)
    off = np.where(finite, np.abs(rotation @ rotation.transpose(0, 2, 1) - np.eye(3)).max(axis=(1, 2)), np.inf)
    right_handed = np.linalg.det(np.where(np.isfinite(rotation), rotation, 0.0)) > 0.0
    bad = (off > 2.0 * QUATERNION_NORM_TOLERANCE) | ~right_handed
    if bad.any():
        k = int(np.argmax(bad))
        raise FrameError(f"{path}, line {lines[k]}: its matrix is no rotation (off by {off[k]:.3g}), expected one")
    if options.stamps_file is None:
        time_s = np.arange(len(values), dtype=np.float64)
    else:
        time_s = read_stamps(options.stamps_file)
        if len(time_s) != len(values):
            got = f"{len(time_s)} times for {len(values)} poses of {path}"
            raise DataError(f"{options.stamps_file}: got {got}, expected one each")
    quaternions = Rotation.from_matrix(rotation).as_quat()
    return _Rows(str(path), np.column_stack((time_s, matrices[:, :, 3], quaternions)), lines, from_matrices=True)


def _in_seconds(rows: _Rows) -> tuple[_Rows, list[str]]:
    """Return poses whose times are dates only in a smaller unit in seconds, and say so."""
    low, high = float(rows.values[:, 0].min()), float(rows.values[:, 0].max())
    for unit in ("ms", "us", "ns"):
        if EPOCH_S[0] <= low * UNITS_S[unit] and high * UNITS_S[unit] <= EPOCH_S[1]:
            values = rows.values.copy()
            values[:, 0] *= UNITS_S[unit]
            said = f"{rows.source}: times from {low:.15g} on were read as {WORDS[unit]} since 1970"
            return _Rows(rows.source, values, rows.line, rows.from_matrices), [said]
    return rows, []


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
    return _Rows(rows.source, rows.values[keep], rows.line[keep], rows.from_matrices), [warning]


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


def _upside_down(path: Path, trajectory: Trajectory, gravity: npt.ArrayLike) -> list[str]:
    """Return a warning where the poses of a bag, whose quaternions bear names, mostly stand upside down."""
    up = -np.asarray(gravity, dtype=np.float64)
    share = float(np.mean(_upness(trajectory.rotation_xyzw, up) < 0.0))
    if share <= 0.5:
        return []
    return [
        f"{path}: {share:.0%} of the poses stand upside down: does the map frame's z point down (state frame.gravity), "
        "or the body's (poses.body_frame names another)?"
    ]


def _check_upright(rows: _Rows, unit: FloatArray, up: FloatArray, options: PoseOptions) -> None:
    as_read = _upness(unit, up)
    w_first = _upness(np.roll(unit, -1, axis=1), up)
    inverted = float(np.mean(as_read < 0.0))
    leaning, upright = float(np.mean(as_read < _TILTED)), float(np.mean(w_first > _UPRIGHT))
    if inverted > 0.5 or (leaning > 0.5 and upright > 0.5):
        what = (
            f"{inverted:.0%} of the poses upside down" if inverted > 0.5 else f"{leaning:.0%} of the poses lying down"
        )
        if options.quaternion_order == "wxyz":
            raise FrameError(f'{rows.source}: got {what} with poses.quaternion = "wxyz"; the file is probably w-last')
        cause = 'the file is probably w-first: if so, set poses.quaternion = "wxyz"'
        if float(np.mean(as_read < -_UPRIGHT)) > 0.5:  # turned over they would stand upright
            cause += "; or frame.gravity points up, where it must point down"
        raise FrameError(f"{rows.source}: got {what}, expected quaternions as x, y, z, w; {cause}")
