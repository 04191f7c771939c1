"""The main job: survey in, map out. It joins the stages, on top of `terrain.fusing`."""

from __future__ import annotations

import dataclasses
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from terrain.ahead import compiling_ahead
from terrain.data import (
    Cloud,
    FileContents,
    FootProfile,
    IntArray,
    Label,
    LevelRaster,
    Segmentation,
    SensorScans,
)
from terrain.errors import ConfigError, ReadError
from terrain.foot import foot_to_dict, load_foot
from terrain.fusing import Clock, Progress, cleaned, corrected, read_and_fuse
from terrain.reuse.keeping import Keeping, Reused
from terrain.reuse.keys import keys_of
from terrain.reuse.parts import MadeGround, UsedPoints
from terrain.survey import Survey, load_survey

NOT_NEEDED = "not needed"
"""Why returns are left out where they are denser than planes need and no cloud is asked for."""
STAGES = ("read", "correct", "clean", "segment", "ground", "score", "write")


@dataclass(frozen=True, slots=True)
class Summary:
    """What a person must know of a finished map; `reused` tells what was taken over from earlier runs."""

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
    reused: Reused = field(default_factory=Reused)


def assess(
    survey_file: Path,
    out: Path,
    *,
    overrides: Mapping[str, str] | None = None,
    replace: bool = False,
    progress: Progress | None = None,
    reuse: Path | bool = True,
    cloud: bool = True,
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
    reuse : Path or bool
        A folder to take results between stages over from, and to keep them in; True for the user's own, False for
        neither. The map is the same either way.
    cloud : bool
        Whether the map holds its points, labelled (`cloud.laz`). Without them, returns that planes do not need are not
        looked at again.

    Raises
    ------
    ConfigError, ReadError, DataError, FrameError
        What is wrong with the survey, its files or its points; nothing is left under the final name.
    """
    survey = load_survey(survey_file, overrides)
    return assess_survey(survey, out, replace=replace, progress=progress, reuse=reuse, cloud=cloud)


def assess_survey(
    survey: Survey,
    out: Path,
    *,
    replace: bool = False,
    progress: Progress | None = None,
    follow: Mapping[str, Any] | None = None,
    reuse: Path | bool = False,
    cloud: bool = True,
) -> Summary:
    """Turn a survey that is loaded already into a map folder; see `assess`.

    Parameters
    ----------
    follow : mapping, optional
        For the manifest of a map that was followed (`terrain.follow`): which scans it is made of.
    """
    from terrain.maps.folder import check_target
    from terrain.maps.write import write_map

    report = progress or (lambda stage, done, total: None)
    clock = Clock()
    foot = foot_of(survey)
    check_target(out, replace=replace)
    with Keeping(reuse) as keeping, compiling_ahead() as ahead:
        parts = _Parts(survey, foot, _folder_above(out) if cloud else None, report, clock, keeping)
        points = parts.points()
        used, chosen = parts.enough(points.cloud)
        segmentation = parts.segmentation(used)
        made = parts.ground(used, segmentation)
        del used
        ground = made.ground
        patches = dataclasses.replace(segmentation.patches, roughness_m=made.patch_roughness_m)
        with clock.stage("score"):
            from terrain.score.dense import judge_everywhere
            from terrain.score.patches import score_patches
            from terrain.score.placements import judge_placements

            corner = [[ground.grid.x0_m, ground.grid.y0_m, 0.0]]
            ahead.wait(meanwhile=lambda: judge_placements(ground, foot, corner))  # compiles what judges single soles
            rasters = judge_everywhere(ground, foot, progress=lambda done, total: report("score", done, total))
            verdicts = score_patches(patches, ground, foot, rasters)
        warnings = (*_check_warnings(survey), *points.warnings, *made.warnings, *_noise_warnings(segmentation))
        dropped = {reason: count for reason, count in points.dropped.items() if count}
        notes = (*points.notes, *_density_notes(points, chosen))
        with clock.stage("write"):
            report("write", 0, 1)
            from terrain.labelling import Labelling
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
                points=Labelling(points.cloud, chosen, segmentation, rasters, points.every) if cloud else None,
                inputs=parts.inputs,
                points_read=points.points_read,
                points_dropped=dropped,
                points_kept=points.points_kept,
                warnings=warnings,
                refine=points.refine,
                timings_s=clock.seconds,
                settings={**settings_of(survey), "notes": list(notes)},
                follow=follow,
            )
            contents = write_map(out, contents, replace=replace)
            report("write", 1, 1)
        reused = keeping.finish(sum(clock.seconds.values()))
    return Summary(
        out=out,
        survey_name=survey.name,
        foot_name=foot.name,
        points_read=points.points_read,
        points_kept=contents.points_kept,
        dropped=contents.points_dropped,
        area_m2=_areas(rasters),
        patches={k.word: int((verdicts.label == k).sum()) for k in Label},
        levels=ground.levels,
        warnings=warnings,
        notes=notes,
        timings_s=clock.seconds,
        reused=reused,
    )


def foot_of(survey: Survey) -> FootProfile:
    """Return the foot profile that a survey names.

    Raises
    ------
    ConfigError, ReadError
        What is wrong with it; where a name or path is, the key and the survey file too.
    """
    try:
        return load_foot(survey.foot_profile)
    except (ConfigError, ReadError) as error:
        if isinstance(error, ReadError) or str(error).startswith("foot profile: "):
            said = str(error).removeprefix("foot profile: ")
            raise ConfigError(f"survey {survey.path}: foot.profile: {said}") from error
        raise


class _Parts:
    """The stages up to the ground, each run unless an earlier run left what it would make."""

    def __init__(
        self,
        survey: Survey,
        foot: FootProfile,
        spool_folder: Path | None,
        report: Progress,
        clock: Clock,
        keeping: Keeping,
    ) -> None:
        self._survey, self._foot, self._report, self._clock = survey, foot, report, clock
        self._spool_folder = spool_folder
        self._keeping = keeping
        self._states = _file_states(survey)
        with clock.stage("read"):
            self.inputs = inputs_of(survey)
        self._keys: dict[str, str] = {}
        self._found: dict[str, Any] = {}
        if keeping.active:
            self._look_for_earlier()

    def _look_for_earlier(self) -> None:
        files = [(item.path, item.sha256) for item in self.inputs[1:]]
        try:
            self._keys = keys_of(self._survey, files, self._foot, cloud=self._spool_folder is not None)
        except OSError as error:  # the package's own source, which is part of the keys
            self._keeping.give_up(str(error))
            return
        with self._clock.stage("reuse"):
            self._found = self._keeping.take(self._keys, lambda done, total: self._report("reuse", done, total))
        if not self._found:
            del self._clock.seconds["reuse"]

    def points(self) -> UsedPoints:
        """Return the points: read, fused, corrected, cleaned."""
        if "points" in self._found:
            found: UsedPoints = self._found.pop("points")
            return found
        made = _used_points(self._survey, self._spool_folder, self._report, self._clock)
        if _file_states(self._survey) == self._states:
            self._keeping.keep(self._keys.get("points"), made)
        else:  # what was read may not be what was hashed
            self.inputs, self._keys, self._found = inputs_of(self._survey), {}, {}
        return made

    def enough(self, cloud: Cloud) -> tuple[Cloud, IntArray | None]:
        """Return as many points as planes and ground need, and which they are; None for all."""
        from terrain.fuse.sieve import too_many

        with self._clock.stage("reuse" if "patches" in self._found else "segment"):
            chosen = too_many(cloud)
            return (cloud if chosen is None else cloud.some(chosen)), chosen

    def segmentation(self, cloud: Cloud) -> Segmentation:
        """Return the planar patches."""
        if "patches" in self._found:
            found: Segmentation = self._found.pop("patches")
            return found
        with self._clock.stage("segment"):
            self._report("segment", 0, 1)
            from terrain.segment.patches import segment_planes

            made = segment_planes(cloud, joint_m=self._foot.joint_m)
            self._report("segment", 1, 1)
        self._keeping.keep(self._keys.get("patches"), made)
        return made

    def ground(self, cloud: Cloud, segmentation: Segmentation) -> MadeGround:
        """Return the ground."""
        if "ground" in self._found:
            found: MadeGround = self._found.pop("ground")
            return found
        foot = self._foot
        with self._clock.stage("ground"):
            self._report("ground", 0, 1)
            from terrain.ground.build import build_ground

            ground, told = build_ground(cloud, segmentation, joint_m=foot.joint_m, drop_m=foot.drop_m)
            self._report("ground", 1, 1)
        made = MadeGround(ground, told.patch_roughness_m, told.warnings)
        self._keeping.keep(self._keys.get("ground"), made)
        return made


def _used_points(survey: Survey, spool_folder: Path | None, report: Progress, clock: Clock) -> UsedPoints:
    from terrain.fuse.rest import AllPoints
    from terrain.fuse.sieve import Sieve
    from terrain.fuse.told import refine_record
    from terrain.maps.manifest import plain

    sieve = Sieve(spool_folder)
    with clock.stage("read"):
        cloud, fused, pose_warnings, trajectory = read_and_fuse(survey, report, sieve)
        spooled = sieve.all_points(timed=cloud.time_s is not None, seen_from=cloud.view_map_m is not None)
        all_fused = fused
    with clock.stage("correct"):
        report("correct", 0, 1)
        cloud, fused, correction = corrected(cloud, fused, survey, trajectory)
        report("correct", 1, 1)
    with clock.stage("clean"):
        report("clean", 0, 1)
        cloud, fused, moved = cleaned(cloud, fused)
        report("clean", 1, 1)
    every = None
    if spooled is not None:
        every = AllPoints(spooled, None if correction is None else correction.move, moved)
    counts = fused if every is None else all_fused
    dropped = dict(counts.dropped)
    if sieve.leaves_out and every is None:
        dropped[NOT_NEEDED] = counts.points_read - counts.points_kept - sum(dropped.values())
    return UsedPoints(
        cloud=cloud,
        every=every,
        points_read=counts.points_read,
        points_kept=counts.points_kept,
        dropped=dropped,
        warnings=(*pose_warnings, *fused.warnings),
        notes=fused.notes,
        refine=plain(refine_record(survey.poses.refine if survey.poses else "none", correction)),
    )


def _folder_above(out: Path) -> Path:
    """Return the nearest folder above a path that is there."""
    return next(folder for folder in Path(os.path.abspath(out)).parents if folder.is_dir())


def look(path: Path) -> FileContents:
    """Return what a file of points, a bag, or a file of poses holds, and a survey file to start from.

    Raises
    ------
    ReadError, DataError, FrameError
        It is missing, damaged, or of no format that is read.
    """
    from terrain.read.look import look_at

    return look_at(path)


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
    """Say so where most patches scatter more than the stated noise allows, with what was cut off counted in."""
    from terrain.ground.clipped import whole_variance

    patches = segmentation.patches
    if len(patches) == 0:
        return ("no planar patch was found: the ground is judged on local averages of the returns alone",)
    weight = patches.points.astype(np.float64)
    within = float((weight * patches.residual_m**2).sum() / (weight * patches.noise_m**2).sum())
    ratio = math.sqrt(float(whole_variance(within)))
    if ratio > 1.3:
        return (
            f"surfaces scatter {ratio:.1f} times as much as the stated noise predicts: range_sd_m, the poses' sd or "
            "the clock offset is off, or the ground is rough",
        )
    return ()


def _density_notes(points: UsedPoints, chosen: IntArray | None) -> tuple[str, ...]:
    """Say so where returns are denser than planes and ground need."""
    left_out = points.dropped.get(NOT_NEEDED, 0)
    if points.every is None and chosen is None and not left_out:
        return ()
    used = len(points.cloud) if chosen is None else len(chosen)
    fused = points.points_kept + left_out
    others = "" if left_out else "; the others are labelled by them"
    return (f"returns are denser than needed: planes and ground are of {used:,} of {fused:,}, drawn evenly{others}",)


def _areas(rasters: tuple[LevelRaster, ...]) -> dict[str, float]:
    area = dict.fromkeys((k.word for k in Label), 0.0)
    for raster in rasters:
        ground = raster.label[np.isfinite(raster.height_m)]
        for k in Label:
            area[k.word] += float((ground == k).sum()) * raster.cell_m**2
    return area


def inputs_of(survey: Survey) -> tuple[Any, ...]:
    """Return the files that a survey reads, with their SHA-256; the survey file is the first."""
    from terrain.maps.contents import InputFile
    from terrain.read.hashing import sha256_of

    base = survey.path.parent
    return tuple(
        InputFile(Path(os.path.relpath(path, base)).as_posix(), sha256_of(path), path.stat().st_size)
        for path in _files_of(survey)
    )


def _files_of(survey: Survey) -> tuple[Path, ...]:
    from terrain.read.bags import bag_files

    stated = [survey.path, *([survey.poses_file] if survey.poses_file else []), *survey.scan_files]
    options = [part.options.stamps_file for part in survey.sensors] + [survey.pose_options.stamps_file]
    stated += [path for path in options if path is not None]
    return tuple(dict.fromkeys(file for path in stated for file in (bag_files(path) if path.is_dir() else [path])))


def _file_states(survey: Survey) -> list[tuple[int, int]]:
    """Return size and time of change of each file, which tell whether it is still the one that was hashed."""
    stats = [path.stat() for path in _files_of(survey) if path.exists()]
    return [(stat.st_size, stat.st_mtime_ns) for stat in stats]


def settings_of(survey: Survey) -> dict[str, Any]:
    """Return the settings of a survey as JSON values, SI units."""
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
