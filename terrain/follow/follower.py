"""A map that grows while scans arrive, and ends as the one that `assess` makes."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

import numpy as np

from terrain.errors import ConfigError, DataError
from terrain.follow import turns
from terrain.follow.apart import InPlace, Put
from terrain.follow.changes import Changes
from terrain.follow.contents import Version, scans_in, state_of
from terrain.follow.eyes import Eyes
from terrain.follow.hands import Hands
from terrain.follow.intake import Arrival, Intake, TakeAgainError, check_followable
from terrain.follow.journal import Journal, journal_path
from terrain.follow.points import TILE_M, Points
from terrain.follow.publish import Publisher
from terrain.follow.taken import Taken
from terrain.follow.turns import Turns, behind_s
from terrain.follow.watch import PATIENCE_S, SETTLE_S, Watch
from terrain.follow.windows import Windows
from terrain.foot import foot_to_dict, load_foot
from terrain.fusing import Clock, Progress
from terrain.maps.tiles import Tile
from terrain.survey import Survey, load_survey

if TYPE_CHECKING:
    from terrain.pipeline import Summary

LOOK_S = 0.05


class Follower:
    """Takes in the scans of a survey as they arrive and keeps a map of them, a version after each.

    Parameters
    ----------
    survey_file : Path
        The survey's TOML file. Its scans and its poses may still be to come.
    out : Path
        The map's folder. Beside it lies the journal, `NAME.follow.jsonl`: if it is there from an earlier run of the
        same survey and foot, the follower goes on where that one ended, however it ended.
    overrides : mapping, optional
        Survey keys, dotted, and their values as text, instead of those in the file.
    replace : bool
        Whether to start anew: forget the journal, and replace a map of that name by the first version.
    on_version : callable, optional
        Called with each `Version`, once readers see it; by another thread, while the next one is made.
    on_line : callable, optional
        Called with each line that a person should read: a scan that was set aside, poses that do not come.
    settle_s, patience_s : float
        A file is complete once it was unchanged for `settle_s`, and set aside if it cannot be read after `patience_s`.

    Raises
    ------
    ConfigError
        The survey or the foot is not what the journal was begun with, or another follower is at work.
    DataError
        `out` is something else than a map of this follower; see `replace`.

    Examples
    --------
    >>> from pathlib import Path
    >>> from terrain.follow.follower import Follower
    >>> versions = []
    >>> with Follower(Path("survey.toml"), Path("map-live"), on_version=versions.append) as follower:
    ...     summary = follower.run(until_quiet_s=1.0)
    >>> versions[0].number, versions[-1].scans, versions[-1].points
    (1, 2, 5907)
    >>> summary.points_read
    5907
    """

    def __init__(
        self,
        survey_file: Path,
        out: Path,
        *,
        overrides: Mapping[str, str] | None = None,
        replace: bool = False,
        on_version: Callable[[Version], None] | None = None,
        on_line: Callable[[str], None] | None = None,
        settle_s: float = SETTLE_S,
        patience_s: float = PATIENCE_S,
    ) -> None:
        from terrain.maps.folder import check_target, clear_leftovers

        self.survey_file, self.out = Path(survey_file), Path(out)
        self._overrides = dict(overrides or {})
        self._tell_version = on_version or (lambda version: None)
        self._tell = on_line or (lambda line: None)
        self._settle_s, self._patience_s = settle_s, patience_s
        self._stop = threading.Event()
        self._eyes = Eyes()
        self._born_s = time.time()
        self._told_of_poses = False
        survey = self._load()
        self.foot = load_foot(survey.foot_profile)
        check_followable(survey)
        path = journal_path(self.out)
        check_target(self.out, replace=replace or path.exists())
        self.journal = Journal(path, self._setup(survey), fresh=replace)
        try:
            clear_leftovers(self.out)
            self.versions = 0
            self.hands: Hands | None = None
            self.publisher = Publisher(self.out, self.journal.fileno())
            try:
                self._begin(survey)
            except BaseException:
                self.publisher.close()
                raise
        except BaseException:
            self.journal.close()
            raise

    def __enter__(self) -> Follower:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the journal; the map stays as it is."""
        self._rest_hands()
        self.publisher.close()
        self._eyes.close()
        self.intake.watch.close()
        self.journal.close()

    def _rest_hands(self) -> None:
        """End the process that makes windows too."""
        hands, self.hands = self.hands, None
        self.windows.use(None)
        if hands is not None:
            hands.close()

    def stop(self) -> None:
        """Ask a run, from another thread or a signal's handler, to take in what is complete and to finish."""
        self._stop.set()

    # ------------------------------------------------------------------ the run

    def run(
        self,
        *,
        until_quiet_s: float | None = None,
        stop_file: Path | None = None,
        progress: Progress | None = None,
    ) -> Summary:
        """Follow until the end, then make the map that `terrain.pipeline.assess` makes of the same scans.

        Parameters
        ----------
        until_quiet_s : float, optional
            The end has come when nothing arrived for so many seconds and nothing waits.
        stop_file : Path, optional
            The end has come when this file is there. `stop` is a third way.
        progress : callable, optional
            Told how far the last assessment is: stage, done, total.

        Raises
        ------
        ConfigError, ReadError, DataError, FrameError
            What is wrong with the survey or the poses, or no scan arrived. The last version stays in place.
        """
        self.warm_up()
        while True:
            ending = self._stop.is_set() or (stop_file is not None and stop_file.exists())
            begun = time.monotonic()
            self.look()
            looked_s = time.monotonic() - begun
            if ending:
                self.intake.watch.recheck()
                time.sleep(2.0 * self._settle_s)  # what is complete by now is still taken in
                self.look()
                break
            if until_quiet_s is not None and self._is_quiet(until_quiet_s):
                self.intake.watch.recheck()
                self.look()
                if self._is_quiet(until_quiet_s):
                    break
            if not self.advance():
                self.publisher.settle()
                self.intake.watch.wait(max(LOOK_S, 3.0 * looked_s))  # thousands of files take a while to list
        return self.finish(progress)

    def warm_up(self) -> None:
        """Load and compile what a version needs, and have another process make windows too; `run` does this first."""
        from numba import get_num_threads

        from terrain.follow.warm import warm_up

        if self.hands is None and not self.windows.whole and get_num_threads() > 1:
            self.hands = Hands(self.out)
        warm_up(self.foot, self.publisher, self.hands)
        self.windows.use(self.hands)

    def _is_quiet(self, seconds: float) -> bool:
        """Return whether nothing arrived for so long; files that are not complete get the time they are allowed."""
        silent = time.monotonic() - self._last_arrival
        allowed = seconds + (self._patience_s if self.intake.watch.open_files() else 0.0)
        return self._looks > 1 and silent >= allowed and not self._arrivals

    def look(self) -> None:
        """Take note of what has arrived; `run` does this, and `step`, again and again."""
        self._look()
        if self.intake.watch.first_seen and not self._arrivals:  # rather one version of all than one of a few first
            time.sleep(self._settle_s)
            self._look()

    def _look(self) -> None:
        if self._fingerprint() != self._survey_mark:
            raise ConfigError(
                f"{self.survey_file}: changed while it is followed; put back what was there, or stop and start anew "
                "with --replace"
            )
        self._looks += 1
        try:
            self._eyes.tell()
            if self.intake.trajectory is None:
                self.intake.look_at_poses()
            found = list(self.intake.look(self._load()))
        except TakeAgainError as why:
            self._tell(f"{why}: all scans are taken in again")
            self._begin(self._load(), self.intake)
            return
        self._note(found)

    def _note(self, found: list[Arrival]) -> None:
        """Keep what has arrived for the next version, and say what there is to say of it."""
        if self.intake.waiting and self.intake.trajectory is None:
            self._tell_of_poses()
        for line in self.intake.said:
            self._tell(line)
        self.intake.said.clear()
        if found:
            self._arrivals += found
            self._arrived += len(found)
            self._last_arrival = time.monotonic()

    def _tell_of_poses(self) -> None:
        """Say once that scans are there and poses are not."""
        if not self._told_of_poses and time.monotonic() - self._last_arrival > self._patience_s:
            why = "; ".join(self.intake.pose_warnings) or f"{self.intake.survey.poses_file} is not there yet"
            self._tell(f"scans wait for poses: {why}")
            self._told_of_poses = True

    def step(self) -> bool:
        """Do what `advance` does, and wait until the version is in place."""
        found = self.advance()
        self.publisher.settle()
        return found

    def advance(self) -> bool:
        """Do the most urgent work, mostly one version; return whether there was anything to do.

        The version is put into place while the next one is made.
        """
        if self._catching_up:
            return self._catch_up()
        begun = time.monotonic()
        fresh = self._take_in()
        chosen = self._chosen()
        if not fresh and not chosen and time.monotonic() - self._last_arrival >= turns.IDLE_AFTER_S:
            chosen = self.turns.idle(self._stale())
        if not fresh and not chosen:
            return False
        self._renew(chosen)
        self._publish(fresh)
        self.changes.keep_up(time.monotonic() - begun)
        return True

    def _catch_up(self) -> bool:
        """Take in again what the map in place holds, without touching it, until there is something newer."""
        if self.intake.missing():
            self._check_missing(at_end=False)
            return False
        fresh = self._take_in()
        due = list(self.changes.since)
        newer = any(self._in_place.get(name) != arrival.sha256 for name, arrival in self._taken.arrivals.items())
        if not newer and not due:
            return False
        chosen = due if newer else self.turns.idle(due)
        if not chosen and not self.windows.mosaic.tiles:
            chosen = self._stale()
        self._renew(chosen)
        if newer:
            self._publish(fresh)
        return bool(chosen) or not self._catching_up

    def _renew(self, tiles: list[Tile]) -> None:
        begun = time.monotonic()
        with self._eyes.open(lambda: self.intake.look(self._load())) as found:
            made = self.windows.renew(tiles, self._clock)
        self._eyes.found = []
        self._note(found)
        self.turns.measured(len(made), time.monotonic() - begun)
        self.changes.renewed(made, self.points)

    def _chosen(self) -> list[Tile]:
        """Return the tiles that have their turn in the next version."""
        if self.windows.whole:
            return list(self.changes.since)
        since = self.changes.since
        chosen = self.turns.due(self._away_m(list(since)), since, time.monotonic())
        along = self.changes.along(chosen, self.points.in_tile, self.windows.mosaic)
        away_m = self._away_m([*chosen, *along])
        farthest_m = max([away_m[tile] for tile in chosen], default=0.0)
        return sorted({*chosen, *(tile for tile in along if self.turns.is_near(away_m[tile], farthest_m))})

    def _stale(self) -> list[Tile]:
        """Return the tiles with points that came after they were made, the nearest to the robot first."""
        return [tile for tile in self._ranked() if self._is_stale(tile)]

    def _is_stale(self, tile: Tile) -> bool:
        return self.changes.is_stale(tile, self.points.in_tile[tile])

    # ------------------------------------------------------------------ state

    def _begin(self, survey: Survey, before: Intake | None = None) -> None:
        """Start with nothing taken in; what is in place stays until there is as much again."""
        watch = Watch(settle_s=self._settle_s, patience_s=self._patience_s)
        self.intake = Intake(survey, self.journal, watch, before.plans if before else None)
        self._in_place = scans_in(self.out)
        self._catching_up = bool(self.journal.scans) and self.out.exists()
        whole = survey.frame == "map"
        self.points = Points(every=whole)
        self.windows = Windows(self.points, self.foot, whole=whole)
        self.windows.use(self.hands)
        if before is not None:
            before.watch.close()
        self.publisher.begin(survey.name, self.foot)
        self._arrivals: list[Arrival] = []
        self._arrived = 0
        self._taken = Taken(self.survey_file, self._survey_mark)
        self.changes, self.turns = Changes(self.foot), Turns()
        self._started = self._last_arrival = time.monotonic()
        self._clock = Clock()
        self._looks: int = 0
        self._told_of_poses = False

    def _load(self) -> Survey:
        return load_survey(self.survey_file, self._overrides, arriving=True)

    def _setup(self, survey: Survey) -> dict[str, str]:
        """Return fingerprints of what must not change between two runs."""
        from terrain.pipeline import settings_of

        self._survey_mark = self._fingerprint()
        foot = json.dumps(foot_to_dict(self.foot), sort_keys=True, default=str)
        settings = json.dumps(settings_of(survey), sort_keys=True, default=str)
        return {
            f"the survey file {self.survey_file.name}": self._survey_mark,
            "its settings or options": _hashed(settings + json.dumps(self._overrides, sort_keys=True)),
            f"the foot profile {survey.foot_profile}": _hashed(foot),
        }

    def _fingerprint(self) -> str:
        from terrain.read.hashing import sha256_of

        return sha256_of(self.survey_file)

    def _take_in(self) -> list[Arrival]:
        """Fuse what has arrived, and points that waited; note in the journal what the next version holds."""
        fresh, self._arrivals = self._arrivals, []
        with self._clock.stage("read"):
            self._take(fresh)
        return fresh

    def _take(self, fresh: list[Arrival]) -> None:
        self.journal.take((arrival.name, arrival.sha256, arrival.points, arrival.messages) for arrival in fresh)
        for arrival in fresh:
            self._taken.add(arrival)
        if fresh or self.intake.waiting:
            self.intake.look_at_poses()
        for cloud in self.intake.fuse(fresh):
            found = self.points.append(cloud)
            self.changes.take(found, self.windows.mosaic, self.points.in_tile, time.monotonic())
        self.windows.know()

    def _ranked(self) -> list[Tile]:
        away_m = self._away_m(list(self.points.in_tile))
        return sorted(away_m, key=lambda tile: (away_m[tile], tile))

    def _away_m(self, tiles: list[Tile]) -> dict[Tile, float]:
        """Return how far tiles are from the robot; 0 where nobody knows."""
        robot = self.intake.robot_m()
        if robot is None or not tiles:
            return dict.fromkeys(tiles, 0.0)
        low = np.array(tiles) * TILE_M
        nearest = np.clip(robot[:2], low, low + TILE_M)
        return dict(zip(tiles, np.hypot(*(robot[:2] - nearest).T).tolist(), strict=True))

    def _check_missing(self, *, at_end: bool) -> None:
        """Complain of scans taken in before that do not come up again, once they had time to."""
        missing = self.intake.missing()
        had_time = self._looks > 1 and time.monotonic() - self._started > self._patience_s + 2.0 * self._settle_s
        if missing and (at_end or had_time):
            more = f" (and {len(missing) - 1} more)" if len(missing) > 1 else ""
            raise ConfigError(
                f"{self.journal.path}: {missing[0]}{more} was taken in before and is not there any more; put it back, "
                "or start anew with --replace"
            )

    # ------------------------------------------------------------------ versions

    def _publish(self, fresh: list[Arrival]) -> None:
        clock, self._clock = self._clock, Clock()
        if not self.windows.mosaic.tiles:
            return
        self.publisher.settle()
        self.journal.settle()
        waiting_m2 = self._waiting_m2()
        self.versions += 1
        self._catching_up = False
        state = state_of(self.intake, self.windows, self._record("growing", [], self.intake.waiting, waiting_m2))
        now, since, newer = time.monotonic(), self.changes.since, self.changes.newer
        away_m = self._away_m(list(newer))
        version = Version(
            number=self.versions,
            scans=self._taken.count(),
            fresh=len(fresh),
            backlog=0,
            points=self.intake.read,
            latency_s=None,
            waiting_m2=waiting_m2,
            behind_s=behind_s(away_m, since, now),
            rest_behind_s=behind_s(away_m, since, now, near=False),
            rest_waiting_s=behind_s(away_m, newer, now, near=False),
            steppable_m2=0.0,
            seconds=clock.seconds,
        )
        written_s = max((arrival.written_s for arrival in fresh), default=0.0)
        taken = self._arrived

        def tell(put: InPlace) -> None:
            latency_s = time.time() - written_s if written_s > self._born_s else None
            backlog = max(self._arrived + len(self._eyes.found) - taken, 0)
            self._tell_version(
                dataclasses.replace(
                    version, backlog=backlog, latency_s=latency_s, steppable_m2=put.steppable_m2, seconds=put.seconds
                )
            )

        self.publisher.put(Put(self.windows.renewed(), state, *self._taken.news(), clock.seconds), tell)

    def _waiting_m2(self) -> float:
        """Return the plan area of tiles with points that came after they were judged."""
        return sum(map(self._is_stale, self.points.in_tile)) * TILE_M**2

    def _record(self, state: str, scans: list[dict[str, Any]], points: int, area_m2: float) -> dict[str, Any]:
        aside = [{"path": name, "why": why} for name, why in self.set_aside().items()]
        waiting = {"points": points, "area_m2": round(area_m2, 4)}
        return {"state": state, "version": self.versions, "scans": scans, "set_aside": aside, "waiting": waiting}

    def set_aside(self) -> dict[str, str]:
        """Return the files that were set aside and not taken in later, and why."""
        taken = self._taken.arrivals.keys() - self.intake.ended
        return {name: why for name, why in self.journal.aside.items() if name not in taken}

    # ------------------------------------------------------------------ the end

    def finish(self, progress: Progress | None = None) -> Summary:
        """Assess all that was taken in as a whole, and put that in place."""
        from terrain.pipeline import assess_survey

        self._take_in()
        self.journal.settle()
        self._rest_hands()
        self.publisher.wait()
        self._check_missing(at_end=True)
        taken = {arrival.path for arrival in self._taken.arrivals.values()}
        for path in [path for path in self.intake.watch.open_files() if path not in taken]:
            name = self.intake.name(path)
            self.journal.set_aside(name, "not complete when the pass ended")
            self._tell(f"{name}: not complete when the pass ended (set aside)")
        if not self._taken.arrivals:
            raise DataError(f"{self.survey_file}: no scan arrived, expected at least one")
        self.versions += 1
        record = self._record("finished", self._taken.scans(), 0, 0.0)
        return assess_survey(self.intake.taken_survey(), self.out, replace=True, progress=progress, follow=record)


def _hashed(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
