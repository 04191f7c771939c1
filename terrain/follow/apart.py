"""The process that puts versions into place, beside the one that makes them: `python -m terrain.follow.apart OUT`.

It is told what changed, and holds everything else itself.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from terrain.data import FootProfile
from terrain.follow.contents import Site, steppable_m2
from terrain.follow.talk import answer_all
from terrain.follow.windows import Renewed
from terrain.fusing import Clock
from terrain.maps.growing import GrowingFiles

if TYPE_CHECKING:
    from terrain.maps.blocks import Box
    from terrain.maps.contents import InputFile, MapContents


@dataclass(frozen=True, slots=True, eq=False)
class Put:
    """A version to put into place: what was made anew since the one before, and what it says of the rest.

    state: see `terrain.follow.contents.state_of`; inputs, scans: those that are new or other than in the version
    before, scans as in the manifest; seconds: by stage, so far.
    """

    renewed: Renewed
    state: Mapping[str, Any]
    inputs: tuple[InputFile, ...]
    scans: tuple[Mapping[str, Any], ...]
    seconds: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class InPlace:
    """What became of a version: seconds by stage, and steppable ground."""

    seconds: Mapping[str, float]
    steppable_m2: float


@dataclass(frozen=True, slots=True)
class Begin:
    """Forget all windows: a survey of this name, judged for a foot, is followed from its beginning."""

    survey_name: str
    foot: FootProfile


@dataclass(frozen=True, slots=True, eq=False)
class WarmUp:
    """Load and compile what putting a version into place needs, with some small ground."""

    renewed: Renewed
    foot: FootProfile


@dataclass(frozen=True, slots=True)
class Rest:
    """Answer when nothing is left to clear up."""


class Desk:
    """The map in place, as far as it was put there from here, and what the next version is made of."""

    def __init__(self, out: Path) -> None:
        self.out = out
        self._site: Site | None = None
        self._inputs: dict[str, InputFile] = {}
        self._scans: dict[str, Mapping[str, Any]] = {}
        self._files = GrowingFiles()
        self._identity: tuple[int, ...] = ()
        self._clearing_up = ThreadPoolExecutor(1)
        self._cleared: Future[None] | None = None

    def answer(self, message: Any) -> Any:
        """Do what a message says and return what there is to tell of it."""
        match message:
            case Put():
                return self._put(message)
            case Begin():
                self._site, self._files = Site(message.survey_name, message.foot), GrowingFiles()
                self._inputs.clear()
                self._scans.clear()
            case WarmUp():
                warm_up(message)
            case Rest():
                self._clear_up()
        return None

    def _put(self, message: Put) -> InPlace:
        site, clock = self._site, Clock()
        assert site is not None
        clock.seconds |= message.seconds
        site.take(message.renewed)
        contents = site.contents(self._state(message), clock)
        with clock.stage("write"):
            self._write(contents, site.drawn())
        return InPlace(clock.seconds, steppable_m2(contents))

    def _state(self, message: Put) -> dict[str, Any]:
        """Return the state with all inputs and scans so far."""
        self._inputs |= {file.path: file for file in message.inputs}
        self._scans |= {scan["path"]: scan for scan in message.scans}
        follow = {**message.state["follow"], "scans": list(self._scans.values())}
        return {**message.state, "inputs": tuple(self._inputs.values()), "follow": follow}

    def _write(self, contents: MapContents, drawn: Mapping[int, Iterable[Box]]) -> None:
        from terrain.maps.folder import MapDraft
        from terrain.maps.store import folder_identity
        from terrain.maps.write import writing_to

        self._clear_up()
        if not self._identity or folder_identity(self.out) != self._identity:
            self._files = GrowingFiles()
        self._identity = ()
        with MapDraft(self.out, replace=True) as draft, writing_to(self.out):
            self._files.fill(draft, contents, drawn)
            draft.commit()
            self._identity = folder_identity(self.out)
            self._cleared = self._clearing_up.submit(draft.hand_over())

    def _clear_up(self) -> None:
        """Wait until the map that was replaced last is deleted."""
        cleared, self._cleared = self._cleared, None
        if cleared is not None:
            cleared.result()


def warm_up(message: WarmUp) -> None:
    """Put a map of some small ground into place somewhere, and forget it."""
    import numpy as np

    site = Site("", message.foot)
    site.take(message.renewed)
    patches, _, ground, _ = site.judged()
    site.scorer.ask(ground, site.mosaic.changes(), np.asarray(patches.centre_m[:1]))
    nothing = {
        "points_read": 0, "points_dropped": {}, "points_kept": 0, "warnings": (), "settings": {}, "follow": {},
    }  # fmt: skip
    with tempfile.TemporaryDirectory() as name:
        desk = Desk(Path(name) / "map")
        desk.answer(Begin("", message.foot))
        desk.answer(Put(message.renewed, nothing, (), (), {}))
        desk.answer(Rest())


if __name__ == "__main__":
    from terrain.follow import apart  # messages are classes of that module, not of this one's second name

    answer_all(apart.Desk(Path(sys.argv[1])).answer)
