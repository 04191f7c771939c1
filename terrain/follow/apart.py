"""The process that puts versions into place, beside the one that makes them: `python -m terrain.follow.apart OUT`.

It is told what changed, and holds everything else itself. Messages and answers are pickles behind their length, between
these two processes only. It ends when the other one does, after the version it is at.
"""

from __future__ import annotations

import dataclasses
import os
import pickle
import signal
import struct
import sys
import tempfile
import time
import traceback
from collections.abc import Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from terrain.data import FootProfile
from terrain.errors import TerrainError
from terrain.follow.contents import Site, steppable_m2
from terrain.follow.windows import Renewed
from terrain.fusing import Clock

if TYPE_CHECKING:
    from terrain.maps.contents import MapContents

_LENGTH = struct.Struct("<Q")


@dataclass(frozen=True, slots=True, eq=False)
class Put:
    """A version to put into place: what was made anew since the one before, and what it says of the rest.

    state: see `terrain.follow.contents.state_of`; seconds: by stage, so far.
    """

    renewed: Renewed
    state: Mapping[str, Any]
    seconds: Mapping[str, float]
    anew: bool
    """Whether anything but the manifest may differ from the version before."""


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
        self._last: MapContents | None = None
        self._ground: dict[str, Any] = {}
        self._identity: tuple[int, ...] = ()
        self._clearing_up = ThreadPoolExecutor(1)
        self._cleared: Future[None] | None = None

    def answer(self, message: Any) -> Any:
        """Do what a message says and return what there is to tell of it."""
        match message:
            case Put():
                return self._put(message)
            case Begin():
                self._site = Site(message.survey_name, message.foot)
            case WarmUp():
                warm_up(message)
            case Rest():
                self._clear_up()
        return None

    def _put(self, message: Put) -> InPlace:
        from terrain.maps.store import folder_identity

        site, clock = self._site, Clock()
        assert site is not None
        clock.seconds |= message.seconds
        site.take(message.renewed)
        last = self._last if self._last is not None and folder_identity(self.out) == self._identity else None
        if message.anew or last is None:
            contents = site.contents(message.state, clock)
        else:
            contents = dataclasses.replace(last, timings_s=clock.seconds, **message.state)
        with clock.stage("write"):
            self._write(contents, anew=message.anew or last is None)
        return InPlace(clock.seconds, steppable_m2(contents))

    def _write(self, contents: MapContents, *, anew: bool) -> None:
        from terrain.maps.folder import MapDraft
        from terrain.maps.store import folder_identity
        from terrain.maps.write import fill_draft, refill_draft, writing_to

        self._clear_up()
        with MapDraft(self.out, replace=True) as draft, writing_to(self.out):
            if anew or not refill_draft(draft, contents, ground=self._ground, old=self.out):
                _, self._ground = fill_draft(draft, contents, overviews=False)
            draft.commit()
            self._last, self._identity = contents, folder_identity(self.out)
            self._cleared = self._clearing_up.submit(draft.hand_over())

    def _clear_up(self) -> None:
        """Wait until the map that was replaced last is deleted."""
        cleared, self._cleared = self._cleared, None
        if cleared is not None:
            cleared.result()


def warm_up(message: WarmUp) -> None:
    """Judge and write some small ground, and forget it."""
    import numpy as np

    from terrain.maps.polygons import tabulate_patches, write_patches
    from terrain.maps.rasters import write_level
    from terrain.maps.surfaces import write_ground

    site = Site("", message.foot)
    site.take(message.renewed)
    patches, verdicts, ground, rasters = site.judged()
    site.scorer.ask(ground, site.mosaic.changes(), np.asarray(patches.centre_m[:1]))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_patches(folder / "patches.gpkg", tabulate_patches(patches, verdicts))
        for raster in rasters:
            write_level(folder / f"level-{raster.level}.tif", raster, overviews=False)
        write_ground(folder, ground, rasters)


def send(file: IO[bytes], packed: bytes) -> None:
    """Write one pickle; the file is flushed."""
    file.write(_LENGTH.pack(len(packed)))
    file.write(packed)
    file.flush()


def receive(file: IO[bytes]) -> Any:
    """Return what `send` wrote.

    Raises
    ------
    EOFError
        The other side is gone.
    """
    head = file.read(_LENGTH.size)
    if len(head) < _LENGTH.size:
        raise EOFError
    (length,) = _LENGTH.unpack(head)
    packed = file.read(length)
    if len(packed) < length:
        raise EOFError
    return pickle.loads(packed)


def _packed_error(error: BaseException) -> bytes:
    if not isinstance(error, TerrainError):
        error.add_note("".join(traceback.format_exception(error)))
    try:
        return pickle.dumps((error, time.process_time()))
    except Exception:
        return pickle.dumps((RuntimeError("".join(traceback.format_exception(error))), time.process_time()))


def main() -> None:
    """Answer messages until the process that sends them is gone."""
    for number in (signal.SIGINT, signal.SIGTERM):  # they reach all processes of a terminal or a service
        signal.signal(number, signal.SIG_IGN)
    incoming, outgoing = sys.stdin.buffer, os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # nothing else gets between the answers
    desk = Desk(Path(sys.argv[1]))
    while True:
        try:
            message = receive(incoming)
        except EOFError:
            break
        try:
            packed = pickle.dumps((desk.answer(message), time.process_time()))
        except Exception as error:
            packed = _packed_error(error)
        try:
            send(outgoing, packed)
        except BrokenPipeError:
            break


if __name__ == "__main__":
    from terrain.follow import apart  # messages are classes of that module, not of this one's second name

    apart.main()
