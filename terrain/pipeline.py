"""The main job: survey in, map out. The only module that joins stages."""

from __future__ import annotations

import dataclasses
import math
import os
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from terrain.data import (
    ByteArray,
    Cloud,
    FileContents,
    FootProfile,
    Ground,
    Int32Array,
    Label,
    LevelRaster,
    Scan,
    Segmentation,
    SensorScans,
    Trajectory,
)
from terrain.errors import ConfigError, ReadError
from terrain.foot import foot_to_dict, load_foot
from terrain.survey import Survey, load_survey

if TYPE_CHECKING:
    from terrain.read.clouds import ReadingPlan

STAGES = ("read", "correct", "clean", "segment", "ground", "score", "write")
Progress = Callable[[str, int, int], None]
"""Called with a stage's name, how much of it is done, and how much there is."""


@dataclass(frozen=True, slots=True)
class Summary:
    """What a person must know of a finished map."""

    out: Path
    survey_name: str
    foot_name: str
    points_read: int
    points_kept: int
    dropped: Mapping[str, int]
    area_m2: Mapping[str, float]
    patches: Mapping[str, int]
    levels: int
    warnings: tuple[str, ...]
    notes: tuple[str, ...]
    timings_s: Mapping[str, float]


class _Clock:
    """Seconds spent in each stage."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        start = time.perf_counter()
        yield
        self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - start


def assess(
    survey_file: Path,
    out: Path,
    *,
    overrides: Mapping[str, str] | None = None,
    replace: bool = False,
    progress: Progress | None = None,
) -> Summary:
    """Turn a survey into a map folder.

    Parameters
    ----------
    survey_file : Path
        The survey's TOML file.
    out : Path
        The folder to make.
    overrides : mapping, optional
        Survey keys, dotted, and their values as text, instead of those in the file.
    replace : bool
        Whether a map of that name may be replaced.
    progress : callable, optional
        Called with stage, done, total.

    Raises
    ------
    ConfigError, ReadError, DataError, FrameError
        What is wrong with the survey, its files or its points; nothing is left under the final name.
    """
    from terrain.fuse.told import refine_record
    from terrain.fusing import corrected
    from terrain.maps.folder import check_target
    from terrain.maps.write import write_map

    report = progress or (lambda stage, done, total: None)
    clock = _Clock()
    survey = load_survey(survey_file, overrides)
    foot = load_foot(survey.foot_profile, relative_to=survey.path.parent)
    check_target(out, replace=replace)
    with clock.stage("read"):
        cloud, fused, pose_warnings, trajectory = _fused(survey, report)
    with clock.stage("correct"):
        report("correct", 0, 1)
        cloud, fused, correction = corrected(cloud, fused, survey, trajectory)
        report("correct", 1, 1)
    with clock.stage("clean"):
        report("clean", 0, 1)
        cloud, fused = _cleaned(cloud, fused)
        report("clean", 1, 1)
    with clock.stage("segment"):
        report("segment", 0, 1)
        segmentation = _segmented(cloud, foot)
        report("segment", 1, 1)
    with clock.stage("ground"):
        report("ground", 0, 1)
        from terrain.ground.build import build_ground

        ground, made = build_ground(cloud, segmentation, joint_m=foot.joint_m, drop_m=foot.drop_m)
        patches = dataclasses.replace(segmentation.patches, roughness_m=made.patch_roughness_m)
        report("ground", 1, 1)
    with clock.stage("score"):
        from terrain.score.dense import judge_everywhere
        from terrain.score.patches import score_patches

        rasters = judge_everywhere(ground, foot, progress=lambda done, total: report("score", done, total))
        verdicts = score_patches(patches, ground, foot, rasters)
    warnings = (*_check_warnings(survey), *pose_warnings, *fused.warnings, *made.warnings)
    warnings += _noise_warnings(segmentation)
    dropped = {reason: count for reason, count in fused.dropped.items() if count}
    with clock.stage("write"):
        report("write", 0, 1)
        patch_id, label = _point_labels(cloud, segmentation, ground, rasters)
        from terrain.maps.contents import MapContents

        contents = MapContents(
            survey_name=survey.name,
            gravity=np.array([0.0, 0.0, -1.0]),
            foot=foot,
            foot_source=foot_to_dict(foot),
            patches=patches,
            patch_verdicts=verdicts,
            ground=ground,
            rasters=rasters,
            cloud=cloud,
            point_patch_id=patch_id,
            point_label=label,
            inputs=_inputs(survey),
            points_read=fused.points_read,
            points_dropped=dropped,
            points_kept=fused.points_kept,
            warnings=warnings,
            refine=refine_record(survey.poses.refine if survey.poses else "none", correction),
            timings_s=clock.seconds,
            settings={**_settings(survey), "notes": list(fused.notes)},
        )
        write_map(out, contents, replace=replace)
        report("write", 1, 1)
    return Summary(
        out=out,
        survey_name=survey.name,
        foot_name=foot.name,
        points_read=fused.points_read,
        points_kept=fused.points_kept,
        dropped=dropped,
        area_m2=_areas(rasters),
        patches={k.word: int((verdicts.label == k).sum()) for k in Label},
        levels=ground.levels,
        warnings=warnings,
        notes=fused.notes,
        timings_s=clock.seconds,
    )


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
    from terrain.fusing import corrected

    survey = load_survey(survey_file, overrides)
    cloud, fused, pose_warnings, trajectory = _fused(survey, progress or (lambda stage, done, total: None))
    cloud, fused, _ = corrected(cloud, fused, survey, trajectory)
    cloud, fused = _cleaned(cloud, fused)
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


def look(path: Path) -> FileContents:
    """Return what a file of points, a bag, or a file of poses holds, and a survey file to start from.

    Raises
    ------
    ReadError, DataError, FrameError
        It is missing, damaged, or of no format that is read.
    """
    from terrain.read.look import look_at

    return look_at(path)


def _fused(survey: Survey, report: Progress) -> tuple[Cloud, Any, tuple[str, ...], Trajectory | None]:
    """Read scans and poses and make one cloud of them."""
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
    plans = _plans(survey, trajectory)
    scans = _scans(survey, plans, total, report)
    if trajectory is None or survey.poses is None:
        models = [part.sensor for part in survey.sensors if part.sensor is not None]
        noisiest = max(models, key=lambda model: model.range_sd_m, default=None)
        every = (scan for part in scans for scan in part)
        cloud, fused = gather(every, gravity=survey.gravity, sensor=noisiest, expected_points=total)
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
        )
        if own is not None:
            dropped = {**fused.dropped, OWN_BODY: own.dropped}
            fused = dataclasses.replace(fused, points_read=fused.points_read + own.dropped, dropped=dropped)
    report("read", total, total)
    notes = tuple(dict.fromkeys(note for plan in plans for note in plan.notes))
    fused = dataclasses.replace(fused, notes=(*fused.notes, *notes))
    warned = (*warnings, *dict.fromkeys(warning for plan in plans for warning in plan.warnings))
    return cloud, fused, warned, trajectory


def _plans(survey: Survey, trajectory: Trajectory | None) -> tuple[ReadingPlan, ...]:
    """Tell how the times of each sensor's scans are to be read; the poses are part of the evidence."""
    from terrain.read.clouds import plan_reading

    found = []
    for part in survey.sensors:
        span = None
        if trajectory is not None and part.sensor is not None:
            offset = part.sensor.time_offset_s
            span = float(trajectory.time_s[0]) - offset, float(trajectory.time_s[-1]) - offset
        found.append(plan_reading(part.files, part.options, poses_s=span))
    return tuple(found)


def _cleaned(cloud: Cloud, fused: Any) -> tuple[Cloud, Any]:
    """Leave out what moved and what is stray; return the report on the points with those counted in."""
    from terrain.fuse.clean import clean

    cloud, found = clean(cloud)
    return cloud, dataclasses.replace(
        fused,
        points_kept=len(cloud),
        dropped={**fused.dropped, **found.dropped},
        warnings=(*fused.warnings, *found.warnings),
        notes=(*fused.notes, *found.notes),
    )


def _scans(survey: Survey, plans: tuple[ReadingPlan, ...], total: int, report: Progress) -> tuple[Iterator[Scan], ...]:
    """Return the scans of each sensor; they are read one sensor after the other."""
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

    return tuple(of(part.files, plan) for part, plan in zip(survey.sensors, plans, strict=True))


def _segmented(cloud: Cloud, foot: FootProfile) -> Segmentation:
    from terrain.segment.patches import segment_planes

    return segment_planes(cloud, joint_m=foot.joint_m)


def _check_warnings(survey: Survey) -> tuple[str, ...]:
    """Say what the history of sensor checks has against the survey's sensors: failed, too old, another mount."""
    from terrain.sensor.history import history_path, survey_warnings

    if survey.frame != "sensor":
        return ()
    sensors = {part.name: part.sensor for part in survey.sensors if part.sensor is not None}
    try:
        return survey_warnings(history_path(survey.path), sensors)
    except ReadError as error:
        return (str(error),)


def _noise_warnings(segmentation: Segmentation) -> tuple[str, ...]:
    """Say so where most patches scatter more than the stated noise allows."""
    patches = segmentation.patches
    if len(patches) == 0:
        return ("no planar patch was found: the ground is judged on local averages of the returns alone",)
    weight = patches.points.astype(np.float64)
    ratio = math.sqrt(float((weight * patches.residual_m**2).sum() / (weight * patches.noise_m**2).sum()))
    if ratio > 1.3:
        return (
            f"surfaces scatter {ratio:.1f} times as much as the stated noise predicts: range_sd_m, the poses' sd or "
            "the clock offset is off, or the ground is rough",
        )
    return ()


def _point_labels(
    cloud: Cloud, segmentation: Segmentation, ground: Ground, rasters: tuple[LevelRaster, ...]
) -> tuple[Int32Array, ByteArray]:
    """Return the patch of each point, -1 none, and its label: that of the ground it lies on, if it lies on any.

    A point on something steep or overhead is unsteppable; a point on no ground that was judged is unobserved.
    """
    patch_id = np.maximum(segmentation.point_patch, -1).astype(np.int32)
    label = np.full(len(cloud), int(Label.UNOBSERVED), dtype=np.uint8)
    if len(segmentation.patches):
        steep = ~segmentation.patches.upward
        on_patch = patch_id >= 0
        label[on_patch] = np.where(steep[patch_id[on_patch]], int(Label.UNSTEPPABLE), label[on_patch])
    z = cloud.xyz_map_m[:, 2]
    for raster in rasters:
        ix = np.floor((cloud.xyz_map_m[:, 0] - raster.x0_m) / raster.cell_m).astype(np.int64)
        iy = np.floor((cloud.xyz_map_m[:, 1] - raster.y0_m) / raster.cell_m).astype(np.int64)
        ny, nx = raster.label.shape
        rows = np.flatnonzero((ix >= 0) & (iy >= 0) & (ix < nx) & (iy < ny))
        height = raster.height_m[iy[rows], ix[rows]]
        near = np.abs(z[rows] - height) < 0.05
        rows = rows[near]
        label[rows] = raster.label[iy[rows], ix[rows]].astype(np.uint8)
    return patch_id, label


def _areas(rasters: tuple[LevelRaster, ...]) -> dict[str, float]:
    area = dict.fromkeys((k.word for k in Label), 0.0)
    for raster in rasters:
        ground = raster.label[np.isfinite(raster.height_m)]
        for k in Label:
            area[k.word] += float((ground == k).sum()) * raster.cell_m**2
    return area


def _inputs(survey: Survey) -> tuple[Any, ...]:
    from terrain.maps.contents import InputFile
    from terrain.read.bags import bag_files
    from terrain.read.hashing import sha256_of

    base = survey.path.parent
    stated = [survey.path, *([survey.poses_file] if survey.poses_file else []), *survey.scan_files]
    options = [part.options.stamps_file for part in survey.sensors] + [survey.pose_options.stamps_file]
    stated += [path for path in options if path is not None]
    files = dict.fromkeys(file for path in stated for file in (bag_files(path) if path.is_dir() else [path]))
    return tuple(
        InputFile(Path(os.path.relpath(path, base)).as_posix(), sha256_of(path), path.stat().st_size) for path in files
    )


def _settings(survey: Survey) -> dict[str, Any]:
    poses = survey.poses
    settings: dict[str, Any] = {
        "frame": {"points": survey.frame, "gravity": survey.gravity.tolist()},
        "foot": {"profile": survey.foot_profile},
    }
    stated = [(part.name, _sensor_settings(part)) for part in survey.sensors if part.sensor is not None]
    if len(survey.sensors) > 1:
        settings["sensors"] = [{"name": name, **values} for name, values in stated]
    elif stated:
        settings["sensor"] = stated[0][1]
    if poses is not None:
        settings["poses"] = {
            name: getattr(poses, name) for name in ("position_sd_m", "attitude_sd_rad", "max_gap_s", "refine")
        }
    return settings


def _sensor_settings(part: SensorScans) -> dict[str, Any]:
    sensor, spindle = part.sensor, part.options.spindle
    if sensor is None:
        return {}
    names = ("range_sd_m", "range_sd_per_m2", "beam_divergence_rad", "min_range_m", "max_range_m", "time_offset_s")
    values: dict[str, Any] = {name: getattr(sensor, name) for name in names}
    values["mount"] = {
        "translation_m": sensor.mount_translation_m.tolist(),
        "rotation_xyzw": sensor.mount_rotation_xyzw.tolist(),
    }
    keys = ("topic", "time_field", "time_unit", "time_base")
    stated = {key: getattr(part.options, key) for key in keys if getattr(part.options, key) is not None}
    if part.options.stamps_file is not None:
        stated["stamps"] = part.options.stamps_file.name
    if stated:
        values["scans"] = stated
    if spindle is not None:
        values["spindle"] = {
            "axis": spindle.axis.tolist(),
            "angle_field": spindle.angle_field,
            "unit_rad": spindle.unit_rad,
            "zero_rad": spindle.zero_rad,
            "offset_m": spindle.offset_m.tolist(),
        }
    return values
