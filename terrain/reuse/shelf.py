"""A folder of results by key: written whole or not at all, checked when read, the least recently used removed."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import json
import os
import shutil
import tempfile
import time
import zlib
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from terrain.errors import DataError
from terrain.fuse.spool import let_go
from terrain.reuse.keys import digest
from terrain.reuse.parts import AnyArray, put_together, taken_apart

FORMAT = "terrain results between stages, 1"
ENTRY = "entry.json"
DRAFT = "draft-"
GIGABYTE = 1_000_000_000
LEFT_FREE_BYTES = 2 * GIGABYTE
"""What is left free on the disk: the map needs room too."""
CHUNK_BYTES = 32 << 20
DRAFT_AGE_S, DRAFT_AGE_UNLOCKED_S = 60.0, 86_400.0
"""A draft that nobody has locked is a killed run's after this time, or this where locks do not work."""


class DamagedEntryError(DataError):
    """An entry is not what was written."""


class NoRoomError(DataError):
    """An entry does not fit into the bound, or on the disk."""


class Abandoned(Exception):
    """Writing was given up on request."""


class Shelf:
    """Results by key in a folder, which is made when the first is written; any number of processes may use it.

    Parameters
    ----------
    folder : Path
        What lies in it under other names than ours is left alone.
    most_bytes : int
        Beyond that the entries that were not used for the longest time are removed.
    """

    def __init__(self, folder: Path, *, most_bytes: int) -> None:
        self.folder = folder
        self.most_bytes = most_bytes

    def has(self, key: str) -> bool:
        """Tell whether there is something under the key."""
        return os.path.lexists(self.folder / key)

    def take(self, key: str) -> Any:
        """Return what was put under a key, its arrays mapped from disk, or None.

        Raises
        ------
        DamagedEntryError
            Something else than what was written lies there.
        """
        path = self.folder / key
        if not self.has(key):
            return None
        try:
            entry = json.loads((path / ENTRY).read_text(encoding="utf-8"))
            if entry["format"] != FORMAT or entry["key"] != key or entry["sha256"] != _seal(entry):
                raise ValueError("its list of contents is not the one that was written")
            with ThreadPoolExecutor(max_workers=2) as pool:
                rows = entry["arrays"]
                arrays = list(pool.map(lambda k: _checked(path / _array_file(k), rows[k]), range(len(rows))))
            found = put_together(entry["tree"], arrays)
        except PermissionError:  # another user's
            return None
        except Exception as error:  # whatever somebody put there: NumPy, JSON and shapely raise much
            if not self.has(key):  # removed by another process meanwhile
                return None
            raise DamagedEntryError(f"{path}: {error}") from error
        with contextlib.suppress(OSError):
            os.utime(path / ENTRY)
        return found

    def put(self, key: str, value: Any, *, stop: Callable[[], bool] = lambda: False) -> int:
        """Write a value under a key; return its size in bytes, 0 where it is there already.

        Parameters
        ----------
        stop : callable, optional
            Asked every 32 MB; where it says so, nothing is left.

        Raises
        ------
        NoRoomError
            It does not fit.
        Abandoned
            `stop` said so.
        OSError
            The disk does not take it.
        """
        if self.has(key):
            return 0
        tree, arrays = taken_apart(value)
        size = sum(array.nbytes for array in arrays)
        self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        self._make_room(size)
        with self._draft() as draft:
            rows = [_write_array(draft / _array_file(k), array, stop) for k, array in enumerate(arrays)]
            entry = {"format": FORMAT, "key": key, "arrays": rows, "tree": tree}
            text = json.dumps({**entry, "sha256": _seal(entry)})
            with open(draft / ENTRY, "wb") as file:
                _write(file, memoryview(text.encode()), stop)
            try:
                draft.rename(self.folder / key)
            except OSError as error:
                if error.errno not in (errno.EEXIST, errno.ENOTEMPTY):
                    raise
                return 0  # another process was first
        return size + len(text)

    def remove(self, key: str) -> None:
        """Remove what lies under a key, in one step for whoever reads it.

        Raises
        ------
        OSError
            The disk does not let it.
        """
        aside = Path(tempfile.mkdtemp(prefix=DRAFT, dir=self.folder))
        with contextlib.suppress(FileNotFoundError):  # another process was first
            (self.folder / key).rename(aside / key)
        shutil.rmtree(aside, ignore_errors=True)

    @contextmanager
    def _draft(self) -> Iterator[Path]:
        """Yield a folder that is locked as long as this process lives, and removed unless it was renamed."""
        path = Path(tempfile.mkdtemp(prefix=DRAFT, dir=self.folder))
        handle = os.open(path, os.O_RDONLY)
        try:
            with contextlib.suppress(OSError):
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            yield path
        finally:
            os.close(handle)
            shutil.rmtree(path, ignore_errors=True)

    def _make_room(self, size: int) -> None:
        """Remove drafts of killed runs, and what was not used for long, until so many bytes more fit."""
        for path in [path for path in self._folders() if path.name.startswith(DRAFT) and _is_dead(path)]:
            shutil.rmtree(path, ignore_errors=True)
        entries = sorted(self._entries())
        held = sum(bytes_ for _, bytes_, _ in entries)
        free = shutil.disk_usage(self.folder).free
        if size > self.most_bytes:
            raise NoRoomError(f"{_said(size)} are more than the {_said(self.most_bytes)} that may be kept")
        if free + held - size < LEFT_FREE_BYTES:
            raise NoRoomError(f"{_said(size)} do not fit: {_said(free)} are free, {_said(LEFT_FREE_BYTES)} are left so")
        for _, bytes_, key in entries:
            if held + size <= self.most_bytes and free - size >= LEFT_FREE_BYTES:
                break
            self.remove(key)
            held, free = held - bytes_, free + bytes_

    def _entries(self) -> Iterator[tuple[float, int, str]]:
        """Yield of each entry when it was last used, its size and its key."""
        for path in self._folders():
            if len(path.name) == 64 and set(path.name) <= set("0123456789abcdef"):
                with contextlib.suppress(OSError):
                    used = (path / ENTRY).stat().st_mtime if (path / ENTRY).exists() else 0.0
                    yield used, sum(file.stat().st_size for file in path.iterdir()), path.name

    def _folders(self) -> list[Path]:
        return [path for path in self.folder.iterdir() if path.is_dir() and not path.is_symlink()]


def _said(size: int) -> str:
    return f"{size / GIGABYTE:.1f} GB" if size >= GIGABYTE else f"{size / 1e6:.0f} MB"


def _seal(entry: dict[str, Any]) -> str:
    return digest({name: entry[name] for name in ("format", "key", "arrays", "tree")})


def _array_file(number: int) -> str:
    return f"{number:02d}.npy"


def _is_dead(draft: Path) -> bool:
    """Tell whether a draft is one that a killed run left."""
    try:
        age = time.time() - draft.stat().st_mtime
        handle = os.open(draft, os.O_RDONLY)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return age > DRAFT_AGE_UNLOCKED_S
    finally:
        os.close(handle)
    return age > DRAFT_AGE_S


def _write_array(path: Path, array: AnyArray, stop: Callable[[], bool]) -> dict[str, Any]:
    """Write an array as .npy; return its row of the list of contents."""
    if not (array.flags.c_contiguous or array.flags.f_contiguous):
        array = np.ascontiguousarray(array)
    flat = array.reshape(-1, order="A")
    with open(path, "wb") as file:
        np.lib.format.write_array_header_1_0(file, np.lib.format.header_data_from_array_1_0(array))
        raw = flat.view(np.uint8)
        crc = _write(file, raw.data, stop, lambda begin, end: let_go(raw, begin, end))
    return {"dtype": array.dtype.str, "shape": list(array.shape), "crc32": crc}


def _write(
    file: BinaryIO,
    raw: memoryview,
    stop: Callable[[], bool],
    written: Callable[[int, int], None] = lambda begin, end: None,
) -> int:
    """Write and force to disk piece by piece, telling of each piece that was; return the CRC-32 of it."""
    crc = 0
    for begin in range(0, len(raw), CHUNK_BYTES):
        if stop():
            raise Abandoned
        piece = raw[begin : begin + CHUNK_BYTES]
        crc = zlib.crc32(piece, crc)
        file.write(piece)
        file.flush()
        os.fdatasync(file.fileno())
        written(begin, begin + len(piece))
    return crc


def _checked(path: Path, row: dict[str, Any]) -> AnyArray:
    """Return an array, mapped, after comparing it with the list of contents."""
    array: AnyArray = np.load(path, mmap_mode="r", allow_pickle=False)
    if array.dtype.str != row["dtype"] or list(array.shape) != row["shape"]:
        raise ValueError(f"{path.name}: got {array.dtype.str} of {array.shape}, expected {row}")
    if zlib.crc32(array.reshape(-1, order="A").view(np.uint8).data) != row["crc32"]:
        raise ValueError(f"{path.name}: its bytes are not those that were written")
    return array
