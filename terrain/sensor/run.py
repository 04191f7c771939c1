"""From survey and targets to a report: the joiner of the sensor check, as `terrain.pipeline` is of the main job.

It reads and fuses with the stages of the main job, but in the frame of the poses, without levelling, cleaning or
correcting drift: what it looks for would be smoothed away by these.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from terrain.data import Cloud, PoseModel, SensorModel, SensorScans, Trajectory
from terrain.errors import ConfigError, ReadError
from terrain.fusing import Progress, read_scans, reading_plans
from terrain.sensor.check import Checked, examine
from terrain.sensor.history import Entry, append, history_path, mount_numbers, now_utc, read_history
from terrain.sensor.targets import Targets, load_targets, no_targets
from terrain.survey import Survey, load_survey


@dataclass(frozen=True, slots=True, eq=False)
class CheckRun:
    """A finished check: what was found, what it was made from, and where report and history are."""

    survey: Survey
    sensor_name: str
    targets: Targets
    checked: Checked
    done_utc: str
    points: int
    warnings: tuple[str, ...]
    report: Path | None
    data: Path | None
    history: Path
    earlier: tuple[Entry, ...]


def check(
    survey_file: Path,
    targets_file: Path | None,
    out: Path | None,
    *,
    sensor_name: str | None = None,
    history: Path | None = None,
    overrides: Mapping[str, str] | None = None,
    replace: bool = False,
    progress: Progress | None = None,
) -> CheckRun:
    """Check the sensor of a survey against known surfaces; write a report and add to the history.

    Parameters
    ----------
    survey_file, targets_file : Path
        The survey, and what is known of the surfaces in it; None for the checks that need no targets.
    out : Path, optional
        The report, `.html`; its data go beside it as `.json`. None writes neither.
    sensor_name : str, optional
        Which sensor of a survey of several.
    history : Path, optional
        The table of checks; by default `sensor-checks.sqlite` beside the survey, or what $TERRAIN_CHECKS names.
    overrides : mapping, optional
        Survey keys, dotted, and their values as text.
    replace : bool
        Whether a report of that name may be replaced.
    progress : callable, optional
        Called with stage, done, total.

    Raises
    ------
    ConfigError, ReadError, DataError, FrameError
        What is wrong with survey, targets or points; then nothing is written.
    """
    report = progress or (lambda stage, done, total: None)
    survey = load_survey(survey_file, overrides)
    targets = no_targets() if targets_file is None else load_targets(targets_file)
    part = _chosen(survey, sensor_name)
    page, data = _outputs(out, replace=replace)
    table = history_path(survey_file, history)
    earlier = read_history(table)
    cloud, trajectory, warnings = _points(survey, part, report)
    report("check", 0, 1)
    sensor = part.sensor if trajectory is not None else None
    poses = survey.poses if trajectory is not None else None
    checked = examine(
        cloud, trajectory, sensor or part.sensor, poses, targets, up=-np.asarray(survey.gravity, dtype=np.float64)
    )
    report("check", 1, 1)
    name = targets.settings.sensor
    if name == "sensor":
        name = part.name or name
    run = CheckRun(survey, name, targets, checked, now_utc(), len(cloud), warnings, page, data, table, earlier)
    if page is not None and data is not None:
        from terrain.sensor.report import write_report

        report("report", 0, 1)
        write_report(run)
        report("report", 1, 1)
    append(table, entry_of(run, part.sensor))
    return run


def _chosen(survey: Survey, name: str | None) -> SensorScans:
    names = [part.name for part in survey.sensors]
    if name is None:
        if len(names) > 1:
            raise ConfigError(
                f"{survey.path}: got {len(names)} sensors, expected one to check: --only " + " or --only ".join(names)
            )
        return survey.sensors[0]
    for part in survey.sensors:
        if part.name == name:
            return part
    raise ConfigError(f"{survey.path}: got sensor {name!r}, expected one of {', '.join(names)}")


def _outputs(out: Path | None, *, replace: bool) -> tuple[Path | None, Path | None]:
    if out is None:
        return None, None
    page = out if out.suffix.lower() in (".html", ".htm") else out.with_name(out.name + ".html")
    data = page.with_suffix(".json")
    if not page.parent.is_dir():
        raise ReadError(f"{page.parent}: no such folder, expected one to write the report into")
    if not os.access(page.parent, os.W_OK | os.X_OK):
        raise ReadError(f"{page.parent}: cannot write there, expected a folder that you may write the report into")
    for path in (page, data):
        if path.is_dir():
            raise ReadError(f"{path}: got a folder, expected a file to write")
        if path.exists() and not replace:
            raise ReadError(f"{path}: exists already, expected a new name, or --replace")
    return page, data


def _points(survey: Survey, part: SensorScans, report: Progress) -> tuple[Cloud, Trajectory | None, tuple[str, ...]]:
    """Read one sensor's scans and place them with the poses as they are, in the frame of the poses."""
    from terrain.fuse.motion import fuse, gather
    from terrain.read.clouds import count_points
    from terrain.read.poses import read_trajectory

    total = count_points(part.files, part.options)
    level = (0.0, 0.0, -1.0)
    if survey.frame != "sensor":
        (scans,) = read_scans([part], reading_plans([part], None), total, report)
        cloud, fused = gather(scans, gravity=level, sensor=part.sensor)
        report("read", total, total)
        return cloud, None, fused.warnings
    if survey.poses_file is None or survey.poses is None or part.sensor is None:
        raise ConfigError(f"{survey.path}: points in the sensor frame need [sensor] and [poses]")
    trajectory, found = read_trajectory(survey.poses_file, gravity=survey.gravity, options=survey.pose_options)
    (scans,) = read_scans([part], reading_plans([part], trajectory), total, report)
    cloud, fused = fuse(
        scans,
        trajectory=trajectory,
        sensor=part.sensor,
        poses=_as_stated(survey.poses),
        gravity=level,
        expected_points=total,
    )
    report("read", total, total)
    return cloud, trajectory, (*found, *fused.warnings)


def _as_stated(poses: PoseModel) -> PoseModel:
    return dataclasses.replace(poses, refine="none")


def entry_of(run: CheckRun, sensor: SensorModel | None) -> Entry:
    """Return what the history keeps of a check."""
    checked = run.checked
    kept = {f"{name}: {one.name}": one for name, one in checked.quantities()}
    mount = proposed = None
    if sensor is not None and checked.stated is not None:
        mount = mount_numbers(sensor.mount_translation_m, sensor.mount_rotation_xyzw)
    if checked.adjustment is not None and "mount" not in checked.adjustment.refused:
        from scipy.spatial.transform import Rotation

        new = checked.adjustment.mount
        proposed = mount_numbers(new.translation_m, Rotation.from_matrix(new.rotation).as_quat())
    return Entry(
        run.done_utc,
        run.sensor_name,
        run.targets.settings.name,
        run.survey.name,
        checked.verdict,
        run.targets.settings.valid_days,
        mount,
        proposed,
        None if sensor is None or mount is None else sensor.time_offset_s,
        {
            name: (_plain(one.value), _plain(one.expanded), one.tolerance, one.unit, one.decision)
            for name, one in kept.items()
        },
    )


def _plain(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
