"""Which files of a survey are complete: looked at again and again, by size, time of change, and a try at reading.

A file that was renamed into place is complete at once.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from terrain.follow.renames import Renames

SETTLE_S = 0.1
"""A file must be unchanged for this long, seen in two looks."""
PATIENCE_S = 5.0
"""A file that cannot be read, or has no points, is set aside once it was unchanged for this long."""

AGAIN_S = 2.0
"""A file that is done with is looked at again this seldom."""


@dataclass(slots=True)
class _State:
    size: int
    changed_ns: int
    arrived_ns: int
    since: float
    done: bool = False
    checked: float = -math.inf


class Watch:
    """Files by how they stood at the last look.

    Parameters
    ----------
    settle_s, patience_s : float
        See `SETTLE_S` and `PATIENCE_S`.
    clock : callable
        Seconds that only rise.
    """

    def __init__(
        self,
        *,
        settle_s: float = SETTLE_S,
        patience_s: float = PATIENCE_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._settle_s, self.patience_s, self._clock = settle_s, patience_s, clock
        self._known: dict[Path, _State] = {}
        self._renames, self._renamed = Renames(), set[Path]()
        self.first_seen = 0
        """Files that the last look met for the first time, or changed: the next one may find them complete."""

    def look(self, files: Iterable[Path]) -> list[Path]:
        """Return the files that did not change since the last look and are not done with, in the order given.

        And those that were renamed into place: they need one look.
        """
        now, ready = self._clock(), []
        self.first_seen = 0
        fresh = self._renames.arrived()
        renamed, self._renamed = self._renamed | fresh, fresh  # a name may come up in the listing after this one
        for path in files:
            state = self._known.get(path)
            if state is not None and state.done and now - state.checked < AGAIN_S:
                continue
            try:
                stat = path.stat()
            except OSError:  # gone again: renamed, or taken back
                self._known.pop(path, None)
                continue
            if state is None or (state.size, state.changed_ns) != (stat.st_size, stat.st_mtime_ns):
                self._known[path] = _State(stat.st_size, stat.st_mtime_ns, max(stat.st_mtime_ns, stat.st_ctime_ns), now)
                self._renames.watch(path.parent)
                if path in renamed:
                    ready.append(path)
                else:
                    self.first_seen += 1
                continue
            state.checked = now
            if not state.done and now - state.since >= self._settle_s:
                ready.append(path)
        return ready

    def wait(self, seconds: float) -> None:
        """Wait until a file is renamed into place, or for so long."""
        self._renames.wait(seconds)

    def close(self) -> None:
        """Watch no more."""
        self._renames.close()

    def is_same(self, path: Path) -> bool:
        """Return whether a file still stands as it did at the last look."""
        state = self._known.get(path)
        try:
            stat = path.stat()
        except OSError:
            return False
        return state is not None and (state.size, state.changed_ns) == (stat.st_size, stat.st_mtime_ns)

    def changed_s(self, path: Path) -> float:
        """Return when a file was last written to or renamed into place, seconds since 1970."""
        return self._known[path].arrived_ns * 1e-9

    def done(self, path: Path) -> None:
        """Look at a file no more unless it changes."""
        self._known[path].done = True

    def recheck(self) -> None:
        """Let the next look take in files that are done with too."""
        for state in self._known.values():
            state.checked = -math.inf

    def is_lost(self, path: Path) -> bool:
        """Return whether a file that cannot be read has had its time."""
        return self._clock() - self._known[path].since >= self.patience_s

    def open_files(self) -> list[Path]:
        """Return the files that are neither taken in nor set aside."""
        return [path for path, state in self._known.items() if not state.done]
