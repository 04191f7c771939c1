"""The process that makes windows beside the one that follows: `python -m terrain.follow.hands`.

It holds a copy of the points, which is told what comes in and what is left out, and so makes of a group what the other
one would. `Hands` talks to it.
"""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from terrain.data import ByteArray, Cloud, FootProfile, IntArray
from terrain.follow.making import Job, Made, Maker
from terrain.follow.points import Points
from terrain.follow.talk import Companion, answer_all


@dataclass(frozen=True, slots=True)
class Begin:
    """Forget all points; windows are made for a foot."""

    foot: FootProfile


@dataclass(frozen=True, slots=True, eq=False)
class Know:
    """More points: the very ones that were taken in there, in their order."""

    cloud: Cloud


@dataclass(frozen=True, slots=True, eq=False)
class LeaveOut:
    """Why some points (rows) are left out from now on, 0 for one that counts."""

    rows: IntArray
    reasons: ByteArray


class Bench:
    """Points as far as they were told, and who makes windows of them."""

    def __init__(self) -> None:
        self._maker: Maker | None = None

    def answer(self, message: Any) -> Any:
        """Do what a message says and return what there is to tell of it."""
        if isinstance(message, Begin):
            self._maker = Maker(Points(every=True), message.foot, whole=False)
            return None
        maker = self._maker
        assert maker is not None
        match message:
            case Know():
                maker.points.append(message.cloud)
            case LeaveOut():
                maker.points.leave_out(message.rows, message.reasons)
            case Job():
                return maker.made(message)
        return None


class Hands:
    """Another process, which knows the points of this one and makes windows of them.

    Raises
    ------
    DataError
        There is no room for another process; or, later, it ended.
    """

    def __init__(self, out: Path) -> None:
        self._companion = Companion("terrain.follow.hands", out=out, does="makes windows beside")
        self._told = 0
        self._under_way: list[Future[Any]] = []

    @property
    def processor_s(self) -> float:
        """Return what the process has used so far."""
        return self._companion.processor_s

    def begin(self, foot: FootProfile) -> None:
        """Start with no points."""
        self._told = 0
        self._tell(Begin(foot))

    def know(self, points: Points) -> None:
        """Tell of the points that came in since the last time."""
        if points.count > self._told:
            self._tell(Know(points.cloud(slice(self._told, points.count))))
            self._told = points.count

    def leave_out(self, rows: IntArray, reasons: ByteArray) -> None:
        """Tell why some points are left out from now on."""
        if len(rows):
            self._tell(LeaveOut(rows, reasons))

    def made(self, job: Job) -> Made:
        """Return the window of a group, as `Maker.made` does here, once it is made there."""
        self._tell(job)
        made = self.settle()
        assert isinstance(made, Made)
        return made

    def practise(self, points: Points, foot: FootProfile) -> None:
        """Begin with making a window of some small ground, for all to be loaded and compiled, and forget it."""
        every = tuple(points.in_tile)
        self.begin(foot)
        self.know(points)
        self._tell(Job(every, frozenset(every), others=True))
        self.begin(foot)

    def settle(self) -> Any:
        """Wait for all that it was told, and return the last answer; what was raised there is raised here."""
        under_way, self._under_way = self._under_way, []
        return [each.result() for each in under_way][-1] if under_way else None

    def close(self) -> None:
        """End after what it is at."""
        self._companion.close()

    def _tell(self, message: Any) -> None:
        self._under_way.append(self._companion.tell(message))


if __name__ == "__main__":
    from terrain.follow import hands  # messages are classes of that module, not of this one's second name

    answer_all(hands.Bench().answer)
