"""Versions put into place by a process of their own, beside the making of the next."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from terrain.data import FootProfile
from terrain.follow.apart import Begin, InPlace, Put, Rest, WarmUp
from terrain.follow.talk import Companion
from terrain.follow.windows import Renewed


class Publisher:
    """The process that puts versions into place, one at a time.

    Parameters
    ----------
    out : Path
        The map's folder.
    held : int
        An open file that the process holds too, as long as it lives: with the lock on it.

    Raises
    ------
    DataError
        There is no room for another process.
    """

    def __init__(self, out: Path, held: int) -> None:
        self._companion = Companion("terrain.follow.apart", str(out.absolute()), out=out, does="writes it", held=[held])
        self._under_way: Future[Any] | None = None

    @property
    def processor_s(self) -> float:
        """Return what the process has used so far."""
        return self._companion.processor_s

    def begin(self, survey_name: str, foot: FootProfile) -> None:
        """Start with nothing made."""
        self._start(Begin(survey_name, foot))

    def warm_up(self, renewed: Renewed, foot: FootProfile) -> None:
        """Wait until all is loaded and compiled; renewed: some small ground to try it with."""
        self._start(WarmUp(renewed, foot))
        self.wait()

    def put(self, version: Put, then: Callable[[InPlace], None]) -> None:
        """Put a version into place, beside what the caller goes on with; `then` is called by another thread."""
        self._start(version, then)

    def settle(self) -> None:
        """Wait until the version that is under way is in place; what putting it there raises is raised here."""
        under_way, self._under_way = self._under_way, None
        if under_way is not None:
            under_way.result()

    def wait(self) -> None:
        """Wait for all that is under way, until the map that was replaced last is gone."""
        self._start(Rest())
        self.settle()

    def close(self) -> None:
        """End after what is under way and what is left to clear up."""
        self._companion.close()

    def _start(self, message: Any, then: Callable[[Any], None] = lambda answer: None) -> None:
        """Send a message as it is now; one at a time is under way."""
        self.settle()
        self._under_way = self._companion.tell(message, then)
