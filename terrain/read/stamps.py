"""When each scan file was taken, where that stands beside the files or in their names."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from terrain.data import UNITS_S, FloatArray
from terrain.errors import DataError, ReadError
from terrain.read.times import EPOCH_S

_IN_NAME = re.compile(r"^(?:.*[^0-9.])?(\d{10}[._]\d{6,9}|\d{13}|\d{16}|\d{19})$")
_NUMBER = re.compile(r"(\d+)$")


def read_stamps(path: Path) -> FloatArray:
    """Return the times of a file of one a line: seconds, or dates as 2031-05-04 13:02:25.594 (UTC).

    Raises
    ------
    ReadError
        The file cannot be read.
    DataError
        A line is no time.
    """
    try:
        lines = [line.strip() for line in path.read_text(encoding="utf-8-sig").splitlines()]
    except (OSError, UnicodeDecodeError) as error:
        raise ReadError(f"{path}: {error}, expected a file of times, one a line") from error
    found = []
    for number, line in enumerate(lines, start=1):
        bare = line.partition("#")[0].strip()
        if not bare:
            continue
        try:
            found.append(float(bare) if ":" not in bare else float(np.datetime64(bare, "ns").astype(np.int64)) * 1e-9)
        except ValueError:
            raise DataError(
                f"{path}, line {number}: got {bare[:40]!r}, expected a time in seconds, or a date"
            ) from None
    if not found or not np.isfinite(found).all():
        raise DataError(f"{path}: got no times or some that are not finite, expected one a line")
    return np.array(found)


def stamps_of(files: Sequence[Path], stamps_file: Path | None) -> tuple[dict[Path, float], str]:
    """Return the time of each file, and what it is: a line of the stamps' file, a time in the name, or a number.

    Raises
    ------
    DataError
        The stamps do not fit the files.
    """
    if not files:
        return {}, "stamp"
    numbers = [_number(path) for path in files]
    if stamps_file is not None:
        times = read_stamps(stamps_file)
        known = [number for number in numbers if number is not None]
        if len(times) == len(files):
            return dict(zip(files, map(float, times), strict=True)), f"line in {stamps_file.name}"
        if len(known) == len(files) and len(set(known)) == len(known) and max(known) < len(times):
            return {path: float(times[k]) for path, k in zip(files, known, strict=True)}, f"line in {stamps_file.name}"
        raise DataError(
            f"{stamps_file}: got {len(times)} times for {len(files)} scan files, expected one each, or files whose "
            "names end in the number of their line, from 0"
        )
    named = [time_in_name(path) for path in files]
    if all(time is not None for time in named):
        return {path: time for path, time in zip(files, named, strict=True) if time is not None}, "time in the name"
    if all(path.suffix.lower() == ".bin" for path in files) and all(number is not None for number in numbers):
        return {path: float(k) for path, k in zip(files, numbers, strict=True) if k is not None}, "number in the name"
    return {}, "stamp"


def _number(path: Path) -> int | None:
    found = _NUMBER.search(path.stem)
    return int(found.group(1)) if found else None


def time_in_name(path: Path) -> float | None:
    """Return the time in a file's name where it can be nothing else: a date from 2000 to 2100 to the millisecond."""
    found = _IN_NAME.match(path.stem)
    if not found:
        return None
    digits = found.group(1)
    if "." in digits or "_" in digits:
        whole, _, part = digits.replace("_", ".").partition(".")
        time = int(whole) + int(part) / 10 ** len(part)
    else:
        time = int(digits) * UNITS_S[{13: "ms", 16: "us", 19: "ns"}[len(digits)]]
    return time if EPOCH_S[0] <= time <= EPOCH_S[1] else None
