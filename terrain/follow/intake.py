"""Scans and poses as they arrive, read and fused: files by the look, bags by the message, poses as far as they go."""

from __future__ import annotations

import dataclasses
import hashlib
import os
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from terrain.data import Cloud, FloatArray, Scan, SensorScans, TimeReading, Trajectory
from terrain.errors import ConfigError, ReadError, TerrainError
from terrain.follow.few import alone
from terrain.follow.journal import Journal
from terrain.follow.watch import Watch
from terrain.read.bags import CLOUD, POSES, TRANSFORMS, is_bag
from terrain.read.tails import GROWING, BagTail, Raw, kept_bag
from terrain.survey import Survey

if TYPE_CHECKING:
    from terrain.read.clouds import ReadingPlan
    from terrain.read.poses import GrowingPoses

WAITING = "waiting for poses"
FEW = 50_000
"""Scans of fewer points on average are fused quickest on one thread."""
HELD = 12
"""Clouds of a bag that are held until it can be told how their times are to be read."""

PLANNED_FROM = 8
"""So many files are enough to tell how all are read."""


@dataclass(frozen=True, slots=True, eq=False)
class Arrival:
    """A scan that was read: a file, or what a bag got since the last look. messages: clouds of a bag so far."""

    name: str
    path: Path
    sensor: int
    scans: tuple[Scan, ...]
    sha256: str
    points: int
    """Of the file, or of the bag so far."""
    messages: int | None
    written_s: float
    """When its last byte was written, seconds since 1970."""


@dataclass(slots=True, eq=False)
class _Bag:
    tail: BagTail
    clouds: list[Raw]
    hash: Any
    messages: int = 0
    points: int = 0


class TakeAgainError(Exception):
    """What was taken in so far does not hold any more, and why: all must be read again."""


class Intake:
    """What arrives of a survey, each thing once.

    Parameters
    ----------
    survey : Survey
        As loaded at the start; later looks may bring more files.
    journal : Journal
        What was taken in before.
    watch : Watch
        Tells which files are complete.
    plans : mapping, optional
        How files were found to be read, from an intake that had to begin again.
    """

    def __init__(
        self, survey: Survey, journal: Journal, watch: Watch, plans: Mapping[int, tuple[ReadingPlan, int]] | None = None
    ) -> None:
        self.survey, self.journal, self.watch = survey, journal, watch
        self.trajectory: Trajectory | None = None
        self.pose_warnings: tuple[str, ...] = ()
        self.notes: dict[str, None] = {}
        self.files: list[tuple[Path, int]] = []
        """Files and bags taken in, and the sensor of each."""
        self.hashes: dict[str, str] = {}
        """Name by SHA-256, of files."""
        self.dropped: dict[str, int] = {}
        self.read = 0
        self.said: list[str] = []
        """Lines for the user, since they were last taken."""
        self.plans = dict(plans or {})
        """By sensor, how its files are read, and from how many that was told."""
        self._whole: dict[int, dict[Path, None]] = {}
        """Files taken in that are no bags, by sensor."""
        self._single: set[Path] = set()
        """Files that are read as a whole."""
        self._waiting: list[tuple[int, Scan]] = []
        self._bags: dict[tuple[Path, int], _Bag] = {}
        self._poses_state: tuple[Any, ...] = ()
        self.ended: set[str] = set()
        """Bags that are damaged from some place on."""
        self._pose_trouble: tuple[Any, ...] | None = None
        self._pose_text: GrowingPoses | None = None
        self._pose_tail: BagTail | None = None
        self._pose_kept: list[Raw] = []

    # ------------------------------------------------------------------ poses

    def look_at_poses(self) -> None:
        """Read the poses again if there are more."""
        from terrain.read.bag_poses import trajectory_of
        from terrain.read.pose_checks import odd_poses
        from terrain.read.poses import GrowingPoses, read_trajectory

        survey, path = self.survey, self.survey.poses_file
        if path is None or survey.poses is None:
            return
        if not path.exists():
            return
        growing = _is_tailed(path)
        if growing:
            kept = self._pose_messages(path)
            state: tuple[Any, ...] = (len(kept),)
        else:
            stat = path.stat()
            state = stat.st_size, stat.st_mtime_ns
        if state == self._poses_state:
            return
        try:
            if growing:
                found, said = trajectory_of(kept_bag(path, kept), survey.pose_options)
            elif path.suffix.lower() == ".e57" or is_bag(path):
                found, said = read_trajectory(path, gravity=survey.gravity, options=survey.pose_options)
            else:
                if self._pose_text is None:
                    self._pose_text = GrowingPoses(path, gravity=survey.gravity, options=survey.pose_options)
                found, said = self._pose_text.read()
        except TerrainError as error:
            if self.trajectory is None:  # so far it has only a heading, or half a line
                self.pose_warnings = (str(error),)
            elif self._pose_trouble is None or self._pose_trouble[0] != state:
                self._pose_trouble = state, time.monotonic()
            elif time.monotonic() - self._pose_trouble[1] > self.watch.patience_s:  # nobody is at work on it
                raise
            return
        self.trajectory, self._poses_state, self._pose_trouble = found, state, None
        odd = odd_poses(found, max_gap_s=survey.poses.max_gap_s, where=str(path))
        self.pose_warnings = (*said, *odd)

    def _pose_messages(self, path: Path) -> list[Raw]:
        if self._pose_tail is None:
            self._pose_tail = BagTail(path)
        self._pose_kept += [raw for raw in self._pose_tail.grown() if raw.type in (*POSES, TRANSFORMS)]
        return self._pose_kept

    def span_s(self, sensor: int) -> tuple[float, float] | None:
        """Return the span of the poses on a sensor's clock."""
        model = self.survey.sensors[sensor].sensor
        if self.trajectory is None or model is None:
            return None
        times = self.trajectory.time_s
        return float(times[0]) - model.time_offset_s, float(times[-1]) - model.time_offset_s

    # ------------------------------------------------------------------ scans

    def look(self, survey: Survey) -> Iterator[Arrival]:
        """Yield what has arrived since the last look; `survey` as it stands now.

        Raises
        ------
        TakeAgainError
            Everything must be taken in again.
        """
        self.survey = survey
        tails: list[tuple[Path, int]] = []
        of: dict[Path, int] = {}
        for sensor, part in enumerate(survey.sensors):
            for path in part.files:
                if path in self._single or not _is_tailed(path):
                    self._single.add(path)
                    of[path] = sensor
                else:
                    tails.append((path, sensor))
        for path, sensor in tails:
            yield from self._from_bag(path, sensor)
        for path in self.watch.look(of):
            arrival = self._from_file(path, of[path])
            if arrival is not None:
                yield arrival

    def _from_file(self, path: Path, sensor: int) -> Arrival | None:
        from terrain.read.clouds import count_points, open_cloud
        from terrain.read.hashing import sha256_of

        name = self.name(path)
        try:
            options = self.survey.sensors[sensor].options
            stated = count_points([path], options)
            if stated == 0:
                raise ReadError(f"{path}: has no points")
            plan = self._plan(sensor, path)
            scans = tuple(open_cloud(path, plan=plan))
            sha = sha256_of(path)
        except TerrainError as error:
            if self.watch.is_same(path) and self.watch.is_lost(path):
                self.watch.done(path)
                self._set_aside(name, str(error))
            return None
        if not self.watch.is_same(path):
            return None
        self._check_known(name, sha, None)
        self.watch.done(path)
        if sha in self.hashes and self.hashes[sha] != name:
            self.said.append(f"{name}: the same content as {self.hashes[sha]}; taken once")
            return None
        if any(path in files for files in self._whole.values()):
            raise TakeAgainError(f"{name} changed after it was taken in")
        points = sum(len(scan.xyz_m) for scan in scans)
        self.hashes[sha] = name
        self.files.append((path, sensor))
        self._whole.setdefault(sensor, {})[path] = None
        return Arrival(name, path, sensor, scans, sha, points, None, self.watch.changed_s(path))

    def _plan(self, sensor: int, path: Path) -> ReadingPlan:
        """Return how a sensor's files are read; told anew while few are there, since more are more evidence."""
        from terrain.read.clouds import kind_of, plan_reading

        files = self._whole.get(sensor, {})
        count = len(files) + (path not in files)
        known = self.plans.get(sensor)
        if known is not None and kind_of(path) in known[0].readings:
            if count <= known[1] or count > PLANNED_FROM:
                return known[0]
        every = [*files, *([] if path in files else [path])]
        fresh = plan_reading(every, self.survey.sensors[sensor].options, poses_s=self.span_s(sensor))
        self.plans[sensor] = fresh, count
        if known is not None and any(_differ(fresh.readings.get(kind), old) for kind, old in known[0].readings.items()):
            raise TakeAgainError("more scans show that times were read wrongly so far")
        self.notes |= dict.fromkeys((*fresh.notes, *fresh.warnings))
        return fresh

    def _from_bag(self, path: Path, sensor: int) -> Iterator[Arrival]:
        from terrain.read.clouds import growing_scans, plan_growing

        name = self.name(path, sensor)
        if name in self.ended:
            return
        options = self.survey.sensors[sensor].options
        bag = self._bags.setdefault((path, sensor), _Bag(BagTail(path), [], hashlib.sha256()))
        try:
            for raw in bag.tail.grown():
                if raw.type == CLOUD and options.topic in (None, raw.topic):
                    bag.clouds.append(raw)
            if not bag.clouds:
                return
            if sensor not in self.plans:
                if self.survey.frame == "sensor" and (len(bag.clouds) < HELD or self.trajectory is None):
                    return
                plan = plan_growing(kept_bag(path, bag.clouds), options, poses_s=self.span_s(sensor))
                self.plans[sensor] = plan, len(bag.clouds)
                self.notes |= dict.fromkeys((*plan.notes, *plan.warnings))
            scans = tuple(growing_scans(kept_bag(path, bag.clouds), self.plans[sensor][0]))
        except TerrainError as error:
            self.ended.add(name)
            self._set_aside(name, str(error))
            bag.clouds = []
            return
        known = self.journal.scans.get(name)
        for raw in bag.clouds:
            bag.hash.update(raw.time_ns.to_bytes(8, "little", signed=True) + raw.data)
            bag.messages += 1
            if known is not None and bag.messages == known["messages"]:
                self._check_known(name, bag.hash.hexdigest(), bag.messages)
        bag.points += sum(len(scan.xyz_m) for scan in scans)
        written = max((file.stat().st_mtime for file in ([path] if path.is_file() else path.iterdir())), default=0.0)
        bag.clouds = []
        if (path, sensor) not in self.files:
            self.files.append((path, sensor))
        yield Arrival(name, path, sensor, scans, bag.hash.hexdigest(), bag.points, bag.messages, written)

    def missing(self) -> list[str]:
        """Return what was taken in before and has not come up again."""
        have = {self.name(path, sensor) for path, sensor in self.files}
        behind = {
            name
            for name, bag in ((self.name(*pair), bag) for pair, bag in self._bags.items())
            if bag.messages < (self.journal.scans.get(name) or {}).get("messages", 0)
        }
        return [name for name in self.journal.scans if name not in have or name in behind]

    def taken_survey(self) -> Survey:
        """Return the survey with the files that were taken in, in its own order, and no others."""
        from terrain.survey import natural_order

        parts: list[SensorScans] = []
        for k, part in enumerate(self.survey.sensors):
            own = sorted((path for path, sensor in self.files if sensor == k), key=natural_order)
            if own:
                parts.append(dataclasses.replace(part, files=tuple(own)))
        files = tuple(dict.fromkeys(path for part in parts for path in part.files))
        first = parts[0].sensor if parts else self.survey.sensor
        return dataclasses.replace(self.survey, sensors=tuple(parts), scan_files=files, sensor=first)

    def name(self, path: Path, sensor: int | None = None) -> str:
        """Return a path as the survey gives it, with the sensor's name where several read one bag."""
        bare = Path(os.path.relpath(path, self.survey.path.parent)).as_posix()
        if sensor is None or sum(path in part.files for part in self.survey.sensors) < 2:
            return bare
        return f"{bare} [{self.survey.sensors[sensor].name}]"

    def _check_known(self, name: str, sha: str, messages: int | None) -> None:
        known: Mapping[str, Any] | None = self.journal.scans.get(name)
        if known is not None and (known["sha256"] != sha or known["messages"] != messages):
            self.said.append(f"{name}: has other content than when it was taken in before; it is taken as it is now")

    def _set_aside(self, name: str, why: str) -> None:
        self.said.append(f"{why} (set aside)")
        self.journal.set_aside(name, why)

    # ------------------------------------------------------------------ fusing

    def fuse(self, arrivals: list[Arrival]) -> list[Cloud]:
        """Return the points that can be placed by now; those later than the last pose wait."""
        self.read += sum(len(scan.xyz_m) for arrival in arrivals for scan in arrival.scans)
        fresh = [(arrival.sensor, scan) for arrival in arrivals for scan in arrival.scans]
        if self.survey.frame == "map":
            return self._gathered([scan for _, scan in fresh])
        if self.trajectory is None:
            self._waiting += fresh
            return []
        ready: dict[int, list[Scan]] = {}
        later: list[tuple[int, Scan]] = []
        for sensor, scan in (*self._waiting, *fresh):
            model = self.survey.sensors[sensor].sensor
            if scan.time_s is None or model is None:
                ready.setdefault(sensor, []).append(scan)
                continue
            waits = scan.time_s + model.time_offset_s > self.trajectory.time_s[-1]
            if waits.any():
                later.append((sensor, Scan(scan.source, scan.xyz_m[waits], scan.time_s[waits])))
                scan = Scan(scan.source, scan.xyz_m[~waits], scan.time_s[~waits])
            if len(scan.xyz_m):
                ready.setdefault(sensor, []).append(scan)
        self._waiting = later
        return [cloud for sensor, scans in sorted(ready.items()) for cloud in self._placed(sensor, scans)]

    @property
    def waiting(self) -> int:
        """Return how many points wait for later poses."""
        return sum(len(scan.xyz_m) for _, scan in self._waiting)

    def _placed(self, sensor: int, scans: list[Scan]) -> list[Cloud]:
        from terrain.fuse.clean import OWN_BODY, OwnBody, without_own_body
        from terrain.fuse.motion import fuse_sensors

        model, poses = self.survey.sensors[sensor].sensor, self.survey.poses
        assert model is not None and poses is not None and self.trajectory is not None
        own = None if self.survey.own_body is None else OwnBody(*self.survey.own_body)
        kept = scans if own is None else list(without_own_body(scans, model, own))
        points = sum(len(scan.xyz_m) for scan in kept)
        with alone(small=points < FEW * len(kept)):
            cloud, report = fuse_sensors(
                [(model, kept)],
                trajectory=self.trajectory,
                poses=poses,
                gravity=self.survey.gravity,
                expected_points=points,
                may_be_empty=True,
            )
        self._count(report.dropped)
        if own is not None:
            self._count({OWN_BODY: own.dropped})
        self.notes |= dict.fromkeys(report.notes)
        return [cloud] if len(cloud) else []

    def _gathered(self, scans: list[Scan]) -> list[Cloud]:
        from terrain.fuse.motion import gather

        good = [bool(np.isfinite(scan.xyz_m).all(axis=1).any()) for scan in scans]
        self._count({"not finite": sum(len(scan.xyz_m) for scan, fine in zip(scans, good, strict=True) if not fine)})
        scans = [scan for scan, fine in zip(scans, good, strict=True) if fine]
        if not scans:
            return []
        models = [part.sensor for part in self.survey.sensors if part.sensor is not None]
        noisiest = max(models, key=lambda model: model.range_sd_m, default=None)
        bare = [Scan(scan.source, scan.xyz_m, None) for scan in scans]
        cloud, report = gather(bare, gravity=self.survey.gravity, sensor=noisiest)
        self._count(report.dropped)
        self.notes |= dict.fromkeys(report.notes)
        return [cloud]

    def _count(self, dropped: Mapping[str, int]) -> None:
        for reason, count in dropped.items():
            self.dropped[reason] = self.dropped.get(reason, 0) + count

    def robot_m(self) -> FloatArray | None:
        """Return where the body is by the last pose, (3,), in the level map frame."""
        from terrain.fuse.motion import levelled

        if self.trajectory is None:
            return None
        last = Trajectory(*(getattr(self.trajectory, name)[-1:] for name in ("time_s", "position_m", "rotation_xyzw")))
        return np.asarray(levelled(last, self.survey.gravity).position_m[0])


def _is_tailed(path: Path) -> bool:
    """Whether a path is read as a bag that grows, finished or not."""
    return is_bag(path) and (path.is_dir() or path.suffix.lower() in GROWING)


def _differ(one: TimeReading | None, other: TimeReading) -> bool:
    return one is not None and (one.field, one.scale_s, one.base) != (other.field, other.scale_s, other.base)


def check_followable(survey: Survey) -> None:
    """Raise ConfigError for a survey whose scans or poses have times only once all of them are there."""
    if survey.pose_options.stamps_file is not None or any(part.options.stamps_file for part in survey.sensors):
        raise ConfigError(
            f"{survey.path}: got scans.stamps or poses.stamps, which cannot be followed: a stamp belongs to a scan by "
            "its number; expected scans and poses with times of their own"
        )
