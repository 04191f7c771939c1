"""What one run takes over and keeps: nothing that goes wrong here may stop it, or hold it up for long."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Any

from terrain.errors import ConfigError
from terrain.reuse.shelf import GIGABYTE, Abandoned, DamagedEntryError, NoRoomError, Shelf

FOLDER_VARIABLE, SIZE_VARIABLE = "TERRAIN_REUSE", "TERRAIN_REUSE_GB"
MOST_GB = 10.0
OFF = ("off", "no", "none", "0")
LEAST_WAIT_S, WAIT_SHARE = 5.0, 0.03
"""How long a finished run waits for what is still being written, at least, and as a share of its own time."""


@dataclass(slots=True)
class Reused:
    """What became of results between stages: parts that were taken over, bytes that were kept, what went wrong.

    folder is None where a run neither looks for any nor keeps any; notes and warnings are about it, not about the map.
    """

    folder: Path | None = None
    parts: tuple[str, ...] = ()
    kept_bytes: int = 0
    notes: tuple[str, ...] = field(default=())
    warnings: tuple[str, ...] = field(default=())


def reuse_folder(asked: Path | bool) -> Path | None:
    """Return the folder of results between stages, or None for none.

    Parameters
    ----------
    asked : Path or bool
        A folder; False for none; True for what `$TERRAIN_REUSE` says (a folder, or `off`), else the user's cache.
    """
    if asked is False:
        return None
    if isinstance(asked, Path):
        return asked
    stated = os.environ.get(FOLDER_VARIABLE, "")
    if stated.lower() in OFF:
        return None
    if stated:
        return Path(stated).expanduser()
    cache = os.environ.get("XDG_CACHE_HOME", "")
    try:
        base = Path(cache) if os.path.isabs(cache) else Path.home() / ".cache"
    except RuntimeError:  # a user without a home
        return None
    return base / "terrain" / "assess"


def most_bytes() -> int:
    """Return how much may be kept.

    Raises
    ------
    ConfigError
        `$TERRAIN_REUSE_GB` is no number of at least 0.
    """
    stated = os.environ.get(SIZE_VARIABLE, "") or str(MOST_GB)
    try:
        size = float(stated)
    except ValueError:
        size = -1.0
    if not 0.0 <= size < 1e9:
        raise ConfigError(f"${SIZE_VARIABLE}: got {stated!r}, expected gigabytes, 0 or more")
    return round(size * GIGABYTE)


class Keeping:
    """Takes over what earlier runs left, and keeps what this one makes, on a thread of its own; for `with`."""

    def __init__(self, asked: Path | bool) -> None:
        folder = reuse_folder(asked)
        self.done = Reused(folder)
        self._shelf = None if folder is None else Shelf(folder, most_bytes=most_bytes())
        self._pool = ThreadPoolExecutor(max_workers=1)
        self._stop = threading.Event()
        self._waiting: list[Future[None]] = []

    def __enter__(self) -> Keeping:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._pool.shutdown(wait=True)

    @property
    def active(self) -> bool:
        """Whether anything is looked for or kept."""
        return self._shelf is not None

    def give_up(self, why: str) -> None:
        """Neither look for anything nor keep anything in this run, and say why."""
        self._shelf = None
        self._warn(why)

    def take(self, keys: Mapping[str, str], report: Callable[[int, int], None]) -> dict[str, Any]:
        """Return by name the parts that an earlier run left; what is damaged is told of, and removed."""
        shelf = self._shelf
        if shelf is None:
            return {}
        there = [name for name in keys if shelf.has(keys[name])]
        found: dict[str, Any] = {}
        for done, name in enumerate(there):
            report(done, len(there))
            try:
                value = shelf.take(keys[name])
            except DamagedEntryError as error:
                self.done.notes += (f"{name} of an earlier run were damaged and are made anew: {error}",)
                self._attempt(partial(shelf.remove, keys[name]))
                continue
            if value is not None:
                found[name] = value
        if there:
            report(len(there), len(there))
        self.done.parts = tuple(found)
        return found

    def keep(self, key: str | None, value: Any) -> None:
        """Begin to write a part for later runs; the run goes on meanwhile."""
        shelf = self._shelf
        if shelf is None or key is None:
            return

        def write() -> None:
            self.done.kept_bytes += shelf.put(key, value, stop=self._stop.is_set)

        self._waiting.append(self._pool.submit(lambda: self._attempt(write)))

    def finish(self, elapsed_s: float) -> Reused:
        """Wait a little for what is still being written; give the rest up. Return what there is to tell."""
        left_s = max(LEAST_WAIT_S, WAIT_SHARE * elapsed_s)
        if wait(self._waiting, timeout=left_s).not_done:
            self._warn(f"the disk takes longer than {left_s:.0f} s more")
        self._stop.set()
        self._pool.shutdown(wait=True)
        for future in self._waiting:
            future.result()
        return self.done

    def _attempt(self, action: Callable[[], None]) -> None:
        """Do what the disk may refuse; the first refusal is told, and ends all further writing."""
        if self._stop.is_set():
            return
        try:
            action()
        except Abandoned:
            pass
        except NoRoomError as error:
            self._warn(str(error))
        except OSError as error:
            self._warn(error.strerror or str(error))

    def _warn(self, why: str) -> None:
        self._stop.set()
        self.done.warnings += (f"not all results are kept for later runs in {self.done.folder}: {why}",)
