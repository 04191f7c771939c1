"""Versions put into place by a process of their own, beside the making of the next."""

from __future__ import annotations

import pickle
import subprocess
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

from terrain.beside import start_beside
from terrain.data import FootProfile
from terrain.errors import DataError
from terrain.follow.apart import Begin, InPlace, Put, Rest, WarmUp, receive, send
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
        self.out = out
        self.processor_s = 0.0
        """What the process has used so far."""
        self._thread = ThreadPoolExecutor(1)
        self._under_way: Future[None] | None = None
        pipe = subprocess.PIPE
        try:
            self._process = start_beside(
                "terrain.follow.apart", str(out.absolute()), stdin=pipe, stdout=pipe, pass_fds=(held,)
            )
        except OSError as error:
            raise DataError(f"{out}: cannot start a process that writes it: {error.strerror}") from error

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
        self._thread.shutdown(wait=True)
        assert self._process.stdin is not None and self._process.stdout is not None
        try:
            self._process.stdin.close()
        except BrokenPipeError:  # it is gone already
            pass
        self._process.wait()
        self._process.stdout.close()

    def _start(self, message: Any, then: Callable[[Any], None] = lambda answer: None) -> None:
        """Send a message as it is now; one at a time is under way."""
        self.settle()
        packed = pickle.dumps(message, protocol=5)
        self._under_way = self._thread.submit(self._exchange, packed, then)

    def _exchange(self, packed: bytes, then: Callable[[Any], None]) -> None:
        assert self._process.stdin is not None and self._process.stdout is not None
        try:
            send(self._process.stdin, packed)
            answer, self.processor_s = receive(self._process.stdout)
        except (EOFError, BrokenPipeError) as error:
            status = self._process.wait()
            raise DataError(f"{self.out}: the process that writes it ended, exit status {status}") from error
        if isinstance(answer, BaseException):
            raise answer
        then(answer)
