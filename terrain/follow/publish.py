"""A version put into place, beside the making of the next: what did not change is the same file under a second name."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from terrain.maps.contents import MapContents


class Publisher:
    """The map in place, as far as this follower put it there."""

    def __init__(self, out: Path) -> None:
        self.out = out
        self._last: MapContents | None = None
        self._ground: dict[str, Any] = {}
        self._identity: tuple[int, ...] = ()
        self._writing, self._pool = ThreadPoolExecutor(1), ThreadPoolExecutor(1)
        self._clearing: Future[None] | None = None
        self._under_way: Future[None] | None = None

    @property
    def last(self) -> MapContents | None:
        """Return what is in place; None if that was not put there from here."""
        from terrain.maps.store import folder_identity

        is_own = self._last is not None and folder_identity(self.out) == self._identity
        return self._last if is_own else None

    def put(self, contents: MapContents, *, anew: bool) -> None:
        """Replace the map in place.

        anew: whether anything but the manifest differs from `last`.
        """
        from terrain.maps.folder import MapDraft
        from terrain.maps.store import folder_identity
        from terrain.maps.write import fill_draft, refill_draft, writing_to

        self._wait_for_clearing()
        with MapDraft(self.out, replace=True) as draft, writing_to(self.out):
            if anew or not refill_draft(draft, contents, ground=self._ground, old=self.out):
                _, self._ground = fill_draft(draft, contents, overviews=False)
            draft.commit()
            self._last, self._identity = contents, folder_identity(self.out)
            self._clearing = self._pool.submit(draft.hand_over())

    def start(self, job: Callable[[], None]) -> None:
        """Run a job that calls `put`, beside what the caller goes on with; one at a time."""
        self.settle()
        self._under_way = self._writing.submit(job)

    def settle(self) -> None:
        """Wait until the version that is under way is in place; what putting it there raises is raised here."""
        under_way, self._under_way = self._under_way, None
        if under_way is not None:
            under_way.result()

    def wait(self) -> None:
        """Wait for all that is under way, until the map that was replaced last is gone."""
        self.settle()
        self._wait_for_clearing()

    def _wait_for_clearing(self) -> None:
        if self._clearing is not None:
            self._clearing.result()
            self._clearing = None

    def close(self) -> None:
        """End after what is under way and what is left to clear up."""
        self._writing.shutdown(wait=True)
        self._pool.shutdown(wait=True)
