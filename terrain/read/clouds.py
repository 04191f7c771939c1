"""One way into every file of points, whatever its format."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from terrain.data import Scan
from terrain.errors import ReadError

READ_NOW = (".las", ".laz")
NOT_YET = (".ply", ".pcd", ".e57", ".bag", ".db3", ".mcap")


def open_cloud(path: str | Path, *, chunk_points: int = 500_000) -> Iterator[Scan]:
    """Return the points of a file, chunk by chunk in the order of the file.

    Parameters
    ----------
    path : path
        A LAS or LAZ file, told by its ending.
    chunk_points : int
        Most points that are held at a time; a multiple of 50,000 suits LAZ files best.

    Returns
    -------
    iterator of Scan
        At least one, so that a file without points is seen; coordinates exact in float64, as the file has them.

    Raises
    ------
    ReadError
        The file is missing or not of a format that is read; from the iterator: it is damaged.
    """
    path = Path(path)
    _checked_format(path)
    from terrain.read.las import read_las

    return read_las(path, chunk_points=chunk_points)


def count_points(paths: Iterable[str | Path]) -> int:
    """Return how many points the files say they hold, from their headers alone.

    Raises
    ------
    ReadError
        A file is missing, damaged, cut short, or not of a format that is read.
    """
    total = 0
    for path in map(Path, paths):
        _checked_format(path)
        from terrain.read.las import count_las

        total += count_las(path)
    return total


def _checked_format(path: Path) -> str:
    ending = path.suffix.lower()
    if ending in NOT_YET:
        raise ReadError(f"{path}: {ending} files are not read yet, expected one of {', '.join(READ_NOW)}")
    if ending not in READ_NOW:
        raise ReadError(f"{path}: got a file ending in {ending!r}, expected one of {', '.join(READ_NOW)}")
    if not path.is_file():
        raise ReadError(f"{path}: no such file, expected a file of points")
    return ending
