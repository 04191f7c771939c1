"""Single files that appear under their name whole, or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from terrain.errors import DataError, TerrainError

_FULL = 1 << 18
"""Fewer bytes than this are no space: a library that failed keeps what it wrote until its file is removed."""


def check_writable(path: Path) -> None:
    """Raise a DataError unless `path`, and missing folders above it, could be made; call it before the work."""
    check_name(path)
    above = Path(os.path.abspath(path)).parent
    while not os.path.lexists(above):
        above = above.parent
    if not above.is_dir():
        raise DataError(f"{path}: {above} is no folder, expected one to write into")
    if not os.access(above, os.W_OK | os.X_OK):
        raise DataError(f"{path}: cannot write to the folder {above}, expected one that you may write to")


def check_name(path: Path) -> None:
    """Raise a DataError for a path that GDAL cannot open: one with control characters, or that is no UTF-8."""
    full = os.path.abspath(path)
    bad = next((letter for letter in full if ord(letter) < 32 or 0xD800 <= ord(letter) < 0xE000), None)
    if bad is not None:
        raise DataError(f"{full!r}: got {bad!r} in a path, expected UTF-8 without control characters")


def why_not_written(path: Path, error: Exception) -> str:
    """Return why a library could not write a file; few of them say that the disk is full."""
    if shutil.disk_usage(path.parent).free < _FULL:
        return "no space left on the disk"
    return str(error)


@contextmanager
def writing_laz(path: Path) -> Iterator[None]:
    """Tell what the LAZ library says of a file that it could not write as a DataError; `path` names the file."""
    try:
        yield
    except Exception as error:
        if type(error).__name__ != "LazrsError":  # its module is not imported for the sake of other files
            raise
        raise DataError(f"{path}: cannot write: {why_not_written(path, error)}") from error


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Yield a temporary name beside `path`; what was written there gets the name `path` when the block ends well.

    Raises
    ------
    DataError
        The folder is missing or not writable, or `path` is a folder or a device.
    """
    final = path.resolve()
    if final.exists() and not final.is_file():
        raise DataError(f"{path}: is no ordinary file, expected the name of a file to write")
    try:
        handle, name = tempfile.mkstemp(prefix=f".{final.name}.partial-", suffix=final.suffix, dir=final.parent)
    except OSError as error:
        raise DataError(f"{path}: cannot write there: {error.strerror}") from error
    os.close(handle)
    draft = Path(name)
    try:
        with writing_laz(path):
            yield draft
        umask = os.umask(0)
        os.umask(umask)
        draft.chmod(0o666 & ~umask)
        with draft.open("rb") as file:
            os.fsync(file.fileno())
        draft.replace(final)
    except TerrainError:
        raise
    except OSError as error:
        raise DataError(f"{path}: cannot write: {error}") from error
    finally:
        draft.unlink(missing_ok=True)
