"""Scans and poses of a survey to one cloud: read, fused, corrected, cleaned; on its own, and for other jobs."""

from __future__ import annotations

import dataclasses
import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from terrain.data import Cloud, Scan, SensorScans, Trajectory
from terrain.errors import ConfigError
from terrain.survey import Survey, load_survey

if TYPE_CHECKING:
    from terrain.fuse.sieve import Sieve
    from terrain.read.clouds import ReadingPlan

Progress = Callable[[str, int, int], None]
"""Called with a stage's name, how much of it is done, and how much there is."""


class Clock:
    """Seconds spent in each stage."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Count the time until the end of the block to a stage."""
        start = time.perf_counter()
        yield
        self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - start


def read_and_fuse(
    survey: Survey, report: Progress, sieve: Sieve | None = None
) -> tuple[Cloud, Any, tuple[str, ...], Trajectory | None]:
    """Read scans and poses and make one cloud of them; of dense ones as much as the sieve lets pass."""
    from terrain.fuse.clean import OWN_BODY, OwnBody, without_own_body
    from terrain.fuse.motion import fuse_sensors, gather
    from terrain.read.clouds import count_points
    from terrain.read.pose_checks import odd_poses
    from terrain.read.poses import read_trajectory

    warnings: tuple[str, ...] = ()
    trajectory = None
    if survey.frame == "sensor":
        if survey.poses_file is None or survey.sensor is None or survey.poses is None:
            raise ConfigError(f"{survey.path}: points in the sensor frame need [sensor] and [poses]")
        trajectory, found = read_trajectory(survey.poses_file, gravity=survey.gravity, options=survey.pose_options)
        odd = odd_poses(trajectory, max_gap_s=survey.poses.max_gap_s, where=str(survey.poses_file))
        warnings = (*found, *odd)
    total = sum(count_points(part.files, part.options) for part in survey.sensors)
    plans = reading_plans(survey.sensors, trajectory)
    scans = read_scans(survey.sensors, plans, total, report)
    if trajectory is None or survey.poses is None:
        models = [part.sensor for part in survey.sensors if part.sensor is not None]
        noisiest = max(models, key=lambda model: model.range_sd_m, default=None)
        every = (scan for part in scans for scan in part)
        cloud, fused = gather(every, gravity=survey.gravity, sensor=noisiest, expected_points=total, sieve=sieve)
    else:
        models = [part.sensor for part in survey.sensors if part.sensor is not None]
        own = None if survey.own_body is None else OwnBody(*survey.own_body)
        if own is not None:
            scans = tuple(without_own_body(part, model, own) for part, model in zip(scans, models, strict=True))
        cloud, fused = fuse_sensors(
            zip(models, scans, strict=True),
            trajectory=trajectory,
            poses=survey.poses,
            gravity=survey.gravity,
            expected_points=total,
            sieve=sieve,
        )
        if own is not None:
            dropped = {**fused.dropped, OWN_BODY: own.dropped}
            fused = dataclasses.replace(fused, points_read=fused.points_read + own.dropped, dropped=dropped)
    report("read", total, total)
    notes = tuple(dict.fromkeys(note for plan in plans for note in plan.notes))
    fused = dataclasses.replace(fused, notes=(*fused.notes, *notes))
    told = (*warnings, *(warning for plan in plans for warning in plan.warnings))  # twice of a bag of scans and poses
    return cloud, fused, tuple(dict.fromkeys(told)), trajectory


def reading_plans(sensors: Sequence[SensorScans], trajectory: Trajectory | None) -> tuple[ReadingPlan, ...]:
    """Tell how the times of each sensor's scans are to be read; the poses are part of the evidence."""
    from terrain.read.clouds import plan_reading

    found = []
    for part in sensors:
        span = None
        if trajectory is not None and part.sensor is not None:
            offset = part.sensor.time_offset_s
            span = float(trajectory.time_s[0]) - offset, float(trajectory.time_s[-1]) - offset
        found.append(plan_reading(part.files, part.options, poses_s=span))
    return tuple(found)


def cleaned(cloud: Cloud, fused: Any) -> tuple[Cloud, Any, Any]:
    """Leave out what moved and what is stray.

    Returns
    -------
    Cloud
        The points that stay.
    FuseReport
        The report on the points, with those counted in.
    WhatMoved or None
        What is to be told of other returns of the same survey.
    """
    from terrain.fuse.clean import clean

    cloud, found = clean(cloud)
    report = dataclasses.replace(
        fused,
        points_kept=len(cloud),
        dropped={**fused.dropped, **found.dropped},
        warnings=(*fused.warnings, *found.warnings),
        notes=(*fused.notes, *found.notes),
    )
    return cloud, report, found.moved


def read_scans(
    sensors: Sequence[SensorScans], plans: Sequence[ReadingPlan], total: int, report: Progress
) -> tuple[Iterator[Scan], ...]:
    """Return the scans of each sensor; they are read one sensor after the other, each while the one before is used."""
    from terrain.kernels.threads import one_ahead
    from terrain.read.clouds import open_cloud

    done = 0
    report("read", 0, total)

    def of(files: tuple[Path, ...], plan: ReadingPlan) -> Iterator[Scan]:
        nonlocal done
        for path in files:
            for scan in open_cloud(path, plan=plan):
                yield scan
                done += len(scan.xyz_m)
                report("read", min(done, total), total)

    return tuple(one_ahead(of(part.files, plan)) for part, plan in zip(sensors, plans, strict=True))


def corrected(
    cloud: Cloud, fused: Any, survey: Survey, trajectory: Trajectory | None, *, mount: bool = False
) -> tuple[Cloud, Any, Any]:
    """Correct drift and clock of a cloud where its survey asks for it.

    Returns
    -------
    Cloud
        The same object where nothing is corrected.
    FuseReport
        The report on the points, with what was done among its notes and warnings.
    Correction or None
        What was found; None where nothing was tried.
    """
    if trajectory is None or survey.poses is None or survey.poses.refine == "none":
        return cloud, fused, None
    from terrain.fuse.drift import correct_drift
    from terrain.fuse.motion import OUTSIDE_POSES
    from terrain.fuse.told import clock_warning, notes_of

    cloud, found = correct_drift(cloud, trajectory=trajectory, poses=survey.poses, gravity=survey.gravity, mount=mount)
    warning = clock_warning(found, stated_offsets_s(survey))
    outside = fused.dropped.get(OUTSIDE_POSES, 0) + found.lost
    fused = dataclasses.replace(
        fused,
        points_kept=len(cloud),
        dropped={**fused.dropped, OUTSIDE_POSES: outside},
        warnings=(*fused.warnings, *([warning] if warning else [])),
        notes=(*fused.notes, *notes_of(found)),
    )
    return cloud, fused, found


def stated_offsets_s(survey: Survey) -> tuple[float, ...]:
    """Return the clock offset of each sensor as the survey states it."""
    return tuple(part.sensor.time_offset_s for part in survey.sensors if part.sensor is not None)


@dataclass(frozen=True, slots=True, eq=False)
class FusedSurvey:
    """A survey's points in its own level map frame, and where the pass begins there.

    start: x, y in metres and heading in radians of the body's first pose; None without poses.
    """

    survey: Survey
    cloud: Cloud
    start: tuple[float, float, float] | None
    warnings: tuple[str, ...]
    notes: tuple[str, ...]


def fused_survey(
    survey_file: Path, *, overrides: Mapping[str, str] | None = None, progress: Progress | None = None
) -> FusedSurvey:
    """Read, fuse, correct and clean a survey, and no more.

    Raises
    ------
    ConfigError, ReadError, DataError, FrameError
        What is wrong with the survey, its files or its points.
    """
    survey = load_survey(survey_file, overrides)
    cloud, fused, pose_warnings, trajectory = read_and_fuse(survey, progress or (lambda stage, done, total: None))
    cloud, fused, _ = corrected(cloud, fused, survey, trajectory)
    cloud, fused, _ = cleaned(cloud, fused)
    start = _start(survey, cloud, trajectory)
    return FusedSurvey(survey, cloud, start, (*pose_warnings, *fused.warnings), fused.notes)


def _start(survey: Survey, cloud: Cloud, trajectory: Trajectory | None) -> tuple[float, float, float] | None:
    """Return where the body is and heads when the first point is seen, in the level map frame."""
    if trajectory is None or cloud.time_s is None:
        return None
    from scipy.spatial.transform import Rotation

    from terrain.fuse.motion import level_rotation

    level = level_rotation(survey.gravity)
    row = max(int(np.searchsorted(trajectory.time_s, cloud.time_s.min(), side="right")) - 1, 0)
    ahead = level @ Rotation.from_quat(trajectory.rotation_xyzw[row]).apply([1.0, 0.0, 0.0])
    x, y, _ = level @ trajectory.position_m[row]
    return float(x), float(y), math.atan2(ahead[1], ahead[0])


@dataclass(frozen=True, slots=True)
class Fused:
    """What a person must know of fused scans.

    correction: what `terrain.fuse.drift.correct_drift` found, or None; clock, mount: what to tell of them, a line each.
    """

    survey_name: str
    points_read: int
    points_kept: int
    dropped: Mapping[str, int]
    warnings: tuple[str, ...]
    notes: tuple[str, ...]
    seconds: Mapping[str, float]
    correction: Any
    clock: tuple[str, ...]
    mount: tuple[str, ...]


def fuse_survey(
    survey_file: Path,
    *,
    overrides: Mapping[str, str] | None = None,
    out: Path | None = None,
    poses_out: Path | None = None,
    replace: bool = False,
    mount: bool = False,
    keep_all: bool = False,
    progress: Progress | None = None,
) -> Fused:
    """Fuse the scans of a survey, correct and clean them as the main job does; write the cloud and the corrected poses.

    Parameters
    ----------
    survey_file : Path
        The survey's TOML file.
    overrides : mapping, optional
        Survey keys, dotted, and their values as text, instead of those in the file.
    out, poses_out : Path, optional
        A LAZ file for the cloud, a text file for the poses, in the level map frame.
    replace : bool
        Whether files of those names may be replaced.
    mount : bool
        Whether the mount may move too.
    keep_all : bool
        Whether returns of what moved, mixed and stray ones stay in the cloud.
    progress : callable, optional
        Called with stage, done, total.

    Raises
    ------
    ConfigError, ReadError, DataError, FrameError
        What is wrong with the survey, its files or its points; nothing is left under the final names.
    """
    from terrain.fuse import told
    from terrain.maps.fused import check_free, write_cloud, write_poses

    report = progress or (lambda stage, done, total: None)
    clock = Clock()
    survey = load_survey(survey_file, overrides)
    for path in (out, poses_out):
        check_free(path, replace=replace)
    if poses_out is not None and survey.frame == "map":
        raise ConfigError(f"{survey.path}: points are in the map frame: there are no poses to write")
    with clock.stage("read"):
        cloud, fused, warnings, trajectory = read_and_fuse(survey, report)
    with clock.stage("correct"):
        report("correct", 0, 1)
        cloud, fused, correction = corrected(cloud, fused, survey, trajectory, mount=mount)
        report("correct", 1, 1)
    if out is not None and not keep_all:
        with clock.stage("clean"):
            report("clean", 0, 1)
            cloud, fused, _ = cleaned(cloud, fused)
            report("clean", 1, 1)
    with clock.stage("write"):
        if out is not None:
            write_cloud(out, cloud)
        if poses_out is not None and trajectory is not None:
            from terrain.fuse.motion import levelled

            better = correction.poses if correction is not None else None
            write_poses(poses_out, better or levelled(trajectory, survey.gravity))
    return Fused(
        survey_name=survey.name,
        points_read=fused.points_read,
        points_kept=fused.points_kept,
        dropped={reason: count for reason, count in fused.dropped.items() if count},
        warnings=(*warnings, *fused.warnings),
        notes=fused.notes,
        seconds=clock.seconds,
        correction=correction,
        clock=told.clock_lines(correction, stated_offsets_s(survey)),
        mount=told.mount_lines(correction, [part.sensor for part in survey.sensors if part.sensor is not None]),
    )
