"""The same replay on a clock of processor seconds: `python -m tests.bench.follow_clock SURVEY FOLDER --seconds 30`.

Tells how late versions would be on two cores that do nothing else, whatever else this machine does: sweeps are put into
place here when the clock has reached their last point, and the clock goes on by the processor seconds that the follower
took. Publishing, by a process of its own, runs beside the next version; judging counts half, as two threads do it;
windows are shared out as between two processes, and count as those of the one that is done last, messages between them
nothing. Set NUMBA_NUM_THREADS=1, so that all of making a version is on one thread. What waits for a disk takes no time
on it.
"""

from __future__ import annotations

import heapq
import json
import os
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from terrain.follow import follower as follow
from terrain.follow import windows
from terrain.follow.contents import Version
from terrain.follow.making import Job, Made
from terrain.follow.windows import Windows
from tests.bench.follow import cut, replay_options

EACH_S = 20.0
HANDS = 2
"""So many make windows."""


class Clock:
    """Stands in for the module `time` in the follower."""

    def __init__(self) -> None:
        self.now_s, self._begun_s, self._beside_s = 0.0, time.thread_time(), 0.0
        judge = Windows._judge

        def timed(own: Windows, tiles: set[Any]) -> None:
            begun = time.thread_time()
            judge(own, tiles)
            self._beside_s += 0.5 * (time.thread_time() - begun)

        Windows._judge = timed  # type: ignore[method-assign]
        windows.get_num_threads = lambda: HANDS  # type: ignore[assignment]
        windows.by_whoever_is_free = self._shared  # type: ignore[assignment]

    def _shared(self, workers: Sequence[Callable[[Job], Made]], jobs: Iterable[Job]) -> list[Made]:
        """Make all windows here; what the others would make meanwhile counts nothing."""
        found, free_s, whole_s = [], [0.0] * HANDS, time.thread_time()
        for job in jobs:
            begun = time.thread_time()
            found.append(workers[0](job))
            heapq.heappush(free_s, heapq.heappop(free_s) + time.thread_time() - begun)
        self._beside_s += time.thread_time() - whole_s - max(free_s)
        return found

    def begin(self) -> None:
        self._begun_s, self._beside_s = time.thread_time(), 0.0

    def taken_s(self) -> float:
        """Return what this thread took since `begin`."""
        return time.thread_time() - self._begun_s - self._beside_s

    def monotonic(self) -> float:
        return self.now_s + self.taken_s()

    def sleep(self, seconds: float) -> None:
        pass

    def time(self) -> float:
        return time.time()


def main() -> None:
    given = replay_options(__doc__).parse_args()
    cut(given.survey, given.folder, seconds=given.seconds, speed=given.speed, skip=given.skip)
    replay(given.folder, speed=given.speed)


def replay(folder: Path, *, speed: float) -> None:
    plan = json.loads((folder / "staged" / "plan.json").read_text())
    ends = {name: (end_s - plan["start"]) / speed for name, end_s in plan["sweeps"]}
    waiting, poses = list(plan["sweeps"]), iter(plan["poses"])
    published: dict[str, float] = {}
    versions: list[Version] = []
    made: list[tuple[float, float, float]] = []
    clock, free_s = Clock(), 0.0
    follow.time = clock  # type: ignore[assignment]
    with (
        follow.Follower(folder / "survey.toml", folder / "map", on_version=versions.append) as follower,
        open(folder / "poses.txt", "w", encoding="utf-8") as file,
    ):
        follower.warm_up()
        while len(published) < len(ends):
            while waiting and ends[waiting[0][0]] <= clock.now_s:
                name, end_s = waiting.pop(0)
                for line in poses:
                    file.write(line)
                    if not line.startswith("#") and float(line.split()[0]) > end_s + 0.02:
                        break
                file.flush()
                os.rename(folder / "staged" / name, folder / "scans" / name)
            before, beside_s = len(versions), -follower.publisher.processor_s
            clock.begin()
            follower.look()
            found, own_s = follower.advance(), clock.taken_s()
            follower.publisher.settle()
            beside_s += follower.publisher.processor_s
            begun_s, clock.now_s = clock.now_s, clock.now_s + own_s
            if len(versions) > before:
                clock.now_s = max(clock.now_s, free_s)  # one version at a time is put into place
                free_s = clock.now_s + beside_s
                made.append((begun_s, own_s, beside_s))
                if versions[-1].behind_s == 0.0:
                    for path in follower._taken.arrivals:
                        published.setdefault(Path(path).name, free_s)
            clock.begin()
            if not found:
                clock.now_s = max(clock.now_s, ends[waiting[0][0]] if waiting else clock.now_s + 0.02)
    tell(ends, published, versions, np.array(made))


def tell(ends: dict[str, float], published: dict[str, float], versions: list[Version], made: np.ndarray) -> None:
    late = np.array([published[name] - end_s for name, end_s in ends.items()])
    at = np.array(list(ends.values()))
    lines = []
    for begin in np.arange(0.0, at.max(), EACH_S):
        part = late[(at >= begin) & (at < begin + EACH_S)]
        if len(part):
            lines.append(f"from {begin:.0f} s: median {np.median(part):.2f} s, p99 {np.quantile(part, 0.99):.2f} s")
    lines.append(
        f"latency: median {np.median(late):.2f} s, p99 {np.quantile(late, 0.99):.2f} s, most {late.max():.2f} s; "
        f"{len(versions)} versions"
    )
    steppable_m2, scans = (np.array([getattr(v, name) for v in versions]) for name in ("steppable_m2", "scans"))
    seen_m2 = steppable_m2[np.minimum(np.searchsorted(scans, np.arange(1, len(ends) + 1)), len(versions) - 1)]
    lines.append(f"steppable: {seen_m2.mean():.2f} m2 on average over sweeps, {steppable_m2[-1]:.2f} at last")
    lines.append(
        f"farther than 3 m: oldest due place {max(version.rest_behind_s for version in versions):.1f} s, oldest with "
        f"any newer point {max(version.rest_waiting_s for version in versions):.1f} s"
    )
    for name, seconds in (("making", made[:, 1]), ("putting into place, beside", made[:, 2])):
        lines.append(
            f"{name}: median {np.median(seconds):.2f} s, most {seconds.max():.2f} s, {seconds.sum():.1f} in all"
        )
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
