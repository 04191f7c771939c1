"""What a follower has taken in, line by line beside the map, so that it can go on after any end."""

from __future__ import annotations

import fcntl
import json
import os
import time
from collections.abc import Iterable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from terrain.errors import ConfigError, DataError

FORMAT = "terrain follow journal"
FORMAT_VERSION = 1
LOCK_WAIT_S = 3.0


def journal_path(out: Path) -> Path:
    """Return where the journal of a map lies: beside it, so that replacing the map leaves it alone."""
    return out.with_name(f"{out.name}.follow.jsonl")


class Journal:
    """A file of JSON lines that only grows; each line is on disk before anything that readers see is built on it.

    Parameters
    ----------
    path : Path
        The file; made where it is missing.
    setup : mapping
        Name to fingerprint of all that must be the same when a follower starts again. The names are for people.
    fresh : bool
        Whether to forget what is there.
    wait_s : float
        For how long to wait for another that holds it.

    Raises
    ------
    ConfigError
        Something of `setup` is not what it was; or another follower holds the journal.
    DataError
        It is no journal, or damaged. A torn last line is no damage: it was never confirmed, and is dropped.
    """

    def __init__(
        self, path: Path, setup: Mapping[str, str], *, fresh: bool = False, wait_s: float = LOCK_WAIT_S
    ) -> None:
        self.path, self._wait_s = path, wait_s
        self._forcing, self._under_way = ThreadPoolExecutor(1), list[Future[None]]()
        self.scans: dict[str, dict[str, Any]] = {}
        """What was taken in, by name, the last line of each."""
        self.aside: dict[str, str] = {}
        """Why a file was set aside, by name."""
        self.resumed = False
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file: IO[bytes] = open(path, "a+b")
        except OSError as error:
            raise DataError(f"{path}: cannot write there: {error.strerror}") from error
        try:
            self._lock()
            if fresh:
                self._file.truncate(0)
            self._start(setup)
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> Journal:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file; another follower may take it."""
        self._forcing.shutdown()
        self._file.close()

    def take(self, scans: Iterable[tuple[str, str, int, int | None]]) -> None:
        """Note that files, or bags up to a number of clouds, are taken in: name, SHA-256, points, clouds.

        A killed follower leaves the lines; that they are on the disk is only sure after `settle`.
        """
        lines: dict[str, dict[str, Any]] = {}
        for name, sha256, points, messages in scans:
            line = {"scan": name, "sha256": sha256, "points": points, "messages": messages}
            if self.scans.get(name) != line:
                lines[name] = line
        if lines:
            self._write(*lines.values())
            self._under_way.append(self._forcing.submit(self._force))
            self.scans |= lines

    def settle(self) -> None:
        """Wait until all that was taken is on the disk; what that raises is raised here."""
        under_way, self._under_way = self._under_way, []
        for each in under_way:
            each.result()

    def set_aside(self, name: str, why: str) -> None:
        """Note that a file could not be read."""
        if self.aside.get(name) != why:
            self._append({"aside": name, "why": why})
            self.aside[name] = why

    def _append(self, *lines: Mapping[str, Any]) -> None:
        self._write(*lines)
        self._force()

    def _write(self, *lines: Mapping[str, Any]) -> None:
        try:
            self._file.write(b"".join(json.dumps(line, ensure_ascii=False).encode() + b"\n" for line in lines))
            self._file.flush()
        except OSError as error:
            raise self._trouble(error) from error

    def _force(self) -> None:
        try:
            os.fsync(self._file.fileno())
        except OSError as error:
            raise self._trouble(error) from error

    def _trouble(self, error: OSError) -> DataError:
        return DataError(f"{self.path}: cannot write: {error.strerror}")

    def fileno(self) -> int:
        """Return the open file with the lock on it: who holds it too keeps the lock."""
        return self._file.fileno()

    def _lock(self) -> None:
        """Take the lock; a follower that was killed leaves a process that ends after the version it is at."""
        until = time.monotonic() + self._wait_s
        while True:
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                return
            except OSError as error:
                if time.monotonic() > until:
                    raise ConfigError(f"{self.path}: another follower is at work on this map; stop it first") from error
            time.sleep(0.05)

    def _start(self, setup: Mapping[str, str]) -> None:
        self._file.seek(0)
        stored = self._file.read()
        whole = stored[: stored.rfind(b"\n") + 1]
        if len(whole) < len(stored):
            self._file.truncate(len(whole))
        lines = [self._parsed(number, line) for number, line in enumerate(whole.splitlines(), start=1)]
        if not lines:
            self._append({"format": FORMAT, "format_version": FORMAT_VERSION, "setup": dict(setup)})
            self._sync_folder()
            return
        self._check(lines[0], setup)
        self.resumed = True
        for line in lines[1:]:
            if "scan" in line:
                self.scans[line["scan"]] = line
            elif "aside" in line:
                self.aside[line["aside"]] = line["why"]

    def _parsed(self, number: int, line: bytes) -> dict[str, Any]:
        try:
            found = json.loads(line)
        except ValueError:
            found = None
        if not isinstance(found, dict):
            raise DataError(f"{self.path}, line {number}: damaged, expected JSON; start anew with --replace")
        return found

    def _check(self, head: Mapping[str, Any], setup: Mapping[str, str]) -> None:
        if head.get("format") != FORMAT or head.get("format_version") != FORMAT_VERSION:
            got = f"{head.get('format')!r}, version {head.get('format_version')!r}"
            raise DataError(f"{self.path}: got {got}, expected {FORMAT!r}, version {FORMAT_VERSION}")
        before = head.get("setup") or {}
        other = [name for name in setup if before.get(name) != setup[name]]
        if other:
            raise ConfigError(
                f"{self.path}: {' and '.join(other)} changed since this map was begun; put back what was there, "
                "or start anew with --replace, or give another --out"
            )

    def _sync_folder(self) -> None:
        handle = os.open(self.path.parent, os.O_RDONLY)
        try:
            os.fsync(handle)
        except OSError:  # some network file systems cannot
            pass
        finally:
            os.close(handle)
