"""What arrives while a version is made is read beside that, by a thread of its own."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager

from terrain.errors import TerrainError
from terrain.follow.intake import Arrival, TakeAgainError

PAUSE_S = 0.02


class Eyes:
    """Looks again and again while something else is done; what looking raises is kept for later."""

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(1)
        self._trouble: TerrainError | TakeAgainError | None = None
        self.found: list[Arrival] = []
        """What has arrived since `open` was called last."""

    @contextmanager
    def open(self, look: Callable[[], Iterable[Arrival]]) -> Iterator[list[Arrival]]:
        """Look until the end of the block, with pauses before and between; the list holds what has arrived by then."""
        found: list[Arrival] = []
        self.found = found
        closing = threading.Event()

        def go_on() -> None:
            while not closing.wait(PAUSE_S):  # a block that is over at once costs no look
                try:
                    found.extend(look())
                except (TerrainError, TakeAgainError) as error:
                    self._trouble = error
                    return

        under_way = None if self._trouble is not None else self._thread.submit(go_on)
        try:
            yield found
        finally:
            closing.set()
            if under_way is not None:
                under_way.result()

    def tell(self) -> None:
        """Raise what looking raised, once."""
        trouble, self._trouble = self._trouble, None
        if trouble is not None:
            raise trouble

    def close(self) -> None:
        """End the thread."""
        self._thread.shutdown()
