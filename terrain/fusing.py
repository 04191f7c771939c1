"""Fusing as a job of its own: drift, clock and mount of a survey, its cloud and its poses as files."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from terrain.data import Cloud, Trajectory
from terrain.errors import ConfigError
from terrain.pipeline import Progress, _Clock, _fused
from terrain.survey import Survey, load_survey


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
    from terrain.fuse.told import clock_warning, notes_of

    cloud, found = correct_drift(cloud, trajectory=trajectory, poses=survey.poses, gravity=survey.gravity, mount=mount)
    warning = clock_warning(found, stated_offsets_s(survey))
    outside = fused.dropped.get("outside poses", 0) + found.lost
    fused = dataclasses.replace(
        fused,
        points_kept=len(cloud),
        dropped={**fused.dropped, "outside poses": outside},
        warnings=(*fused.warnings, *([warning] if warning else [])),
        notes=(*fused.notes, *notes_of(found)),
    )
    return cloud, fused, found


def stated_offsets_s(survey: Survey) -> tuple[float, ...]:
    """Return the clock offset of each sensor as the survey states it."""
    return tuple(part.sensor.time_offset_s for part in survey.sensors if part.sensor is not None)


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
    progress: Progress | None = None,
) -> Fused:
    """Fuse the scans of a survey, correct drift and clock as it asks, and write the cloud and the corrected poses.

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
    clock = _Clock()
    survey = load_survey(survey_file, overrides)
    for path in (out, poses_out):
        check_free(path, replace=replace)
    if poses_out is not None and survey.frame == "map":
        raise ConfigError(f"{survey.path}: points are in the map frame: there are no poses to write")
    with clock.stage("read"):
        cloud, fused, warnings, trajectory = _fused(survey, report)
    with clock.stage("correct"):
        report("correct", 0, 1)
        cloud, fused, correction = corrected(cloud, fused, survey, trajectory, mount=mount)
        report("correct", 1, 1)
    with clock.stage("write"):
        report("write", 0, 1)
        if out is not None:
            write_cloud(out, cloud)
        if poses_out is not None and trajectory is not None:
            from terrain.fuse.motion import levelled

            better = correction.poses if correction is not None else None
            write_poses(poses_out, better or levelled(trajectory, survey.gravity))
        report("write", 1, 1)
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
