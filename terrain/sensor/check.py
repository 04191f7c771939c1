"""The whole check of one survey against its targets: find, measure, adjust, decide."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from terrain.data import Cloud, FloatArray, PoseModel, SensorModel, Trajectory
from terrain.sensor.adjust import Adjustment, adjust
from terrain.sensor.alone import Alone, check_alone
from terrain.sensor.decide import COVERAGE, FAIL, UNDECIDED, Quantity, combined, judged, worst
from terrain.sensor.find import find_plane_by_stand, find_sphere_by_stand
from terrain.sensor.measure import Measured, Shape, fit_reference, measure_surface, shape_of
from terrain.sensor.relations import relate, similarity
from terrain.sensor.sight import Mount, Sight, sight_of, stands_of
from terrain.sensor.surface import Surface, plane_surface
from terrain.sensor.targets import PlaneTarget, SphereTarget, Targets


@dataclass(frozen=True, slots=True, eq=False)
class Checked:
    """What a check found.

    verdict: "pass", "fail" or "undecided" over all quantities that have a tolerance; surfaces: what was found, by
    name; shapes: their noise and form; targets: their quantities; relations; adjustment: None for points in the map
    frame; alone: checks without targets; notes: what a reader must know.
    """

    verdict: str
    surfaces: Mapping[str, Surface]
    shapes: Mapping[str, Shape]
    targets: tuple[Measured, ...]
    relations: tuple[Quantity, ...]
    adjustment: Adjustment | None
    alone: tuple[Alone, ...]
    stated: Mount | None
    notes: tuple[str, ...]

    def quantities(self) -> list[tuple[str, Quantity]]:
        """Return every judged quantity with the name of what it belongs to.

        Beside targets, a check without targets counts only where it fails: it is blunter than they are.
        """
        found = [] if self.adjustment is None else [("across targets", one) for one in self.adjustment.quantities]
        found += [(target.name, one) for target in self.targets for one in target.quantities]
        found += [("between targets", one) for one in self.relations]
        blunt = [(check.name, one) for check in self.alone for one in check.quantities]
        found += [(name, one) for name, one in blunt if not self.targets or one.decision == FAIL]
        return [(name, one) for name, one in found if one.tolerance is not None]


def examine(
    cloud: Cloud,
    trajectory: Trajectory | None,
    sensor: SensorModel | None,
    poses: PoseModel | None,
    targets: Targets,
    *,
    up: FloatArray,
) -> Checked:
    """Return what the points of a survey say of its sensor.

    Parameters
    ----------
    cloud : Cloud
        In the frame of the poses (not levelled), as the survey states mount and clock.
    trajectory, sensor, poses : optional
        As the survey states them; None for points that were in the map frame already. Then targets are measured, but
        nothing can be said of mount, range or clock.
    targets : Targets
        The known surfaces.
    up : (3,)
        Against gravity, in the same frame.
    """
    settings = targets.settings
    in_sensor_frame = trajectory is not None and sensor is not None
    stands = None
    if trajectory is not None:
        stands = stands_of(trajectory, move_m=settings.stand_m, turn_rad=settings.stand_rad)
    stated = Mount.stated(sensor) if sensor is not None and in_sensor_frame else None
    surfaces: dict[str, Surface] = {}
    shapes: dict[str, Shape] = {}
    lost: dict[str, str] = {}
    for number, target in enumerate(targets.all):
        rng = np.random.default_rng(number)
        rows = np.flatnonzero(target.hint.holds(cloud.xyz_map_m))
        sight = sight_of(cloud, rows, trajectory, sensor, stands=stands)
        if isinstance(target, PlaneTarget):
            surface, why = _plane(target, sight, stated, rng)
        else:
            surface, why = _sphere(target, sight, stated, rng)
        if surface is None:
            lost[target.name] = why
            continue
        shape = shape_of(surface, stated, settings, rng)
        shapes[target.name] = shape
        shape_m = shape.form_rms_m if shape.significant else 0.0
        surfaces[target.name] = surface.refined(ratio=max(shape.ratio, 1e-3), shape_m=shape_m)
    measured = _measured(targets, surfaces, shapes, lost, stated, poses if in_sensor_frame else None)
    adjustment = None
    if stated is not None and poses is not None and surfaces:
        adjustment = adjust(tuple(surfaces.values()), stated, poses, settings, set_aside=_bent(measured))
    rng = np.random.default_rng(len(surfaces))
    given = poses if in_sensor_frame else None
    relations = tuple(relate(one, surfaces, stated, given, up, rng) for one in targets.relations)
    relations += _sphere_figure(targets.spheres, surfaces, stated)
    alone = check_alone(cloud, trajectory, sensor, given, settings, stands)
    found = Checked(
        "",
        surfaces,
        shapes,
        measured,
        relations,
        adjustment,
        alone,
        stated,
        _notes(targets, stated, adjustment, lost, shapes),
    )
    decisions = [one.decision for _, one in found.quantities()]
    return dataclasses.replace(found, verdict=worst(decisions) if decisions else UNDECIDED)


def _plane(
    target: PlaneTarget, sight: Sight, mount: Mount | None, rng: np.random.Generator
) -> tuple[Surface | None, str]:
    if len(sight) < 10:
        return None, f"{len(sight)} points inside the hint"
    sd_m = float(np.median(sight.sd_m))
    beam = None if mount is None else sight.beam(mount)
    found = find_plane_by_stand(sight.xyz_m, sight.stand, sd_m, normal=target.normal, rng=rng, beam=beam)
    if found is None:
        return None, f"no plane among the {len(sight)} points inside the hint"
    own = sight.taken(found.rows)
    normal = found.normal if target.normal is None else target.normal
    offset = float(own.xyz_m.mean(axis=0) @ normal) if target.offset_m is None else target.offset_m
    away = float(np.mean(own.beam(mount) @ normal)) > 0.0 if mount is not None else False
    if away or (mount is None and target.normal is None and normal[2] < 0.0):
        normal, offset = -normal, -offset
    return plane_surface(
        target.name,
        own,
        normal,
        offset,
        normal_sd_rad=None if target.normal is None else target.normal_sd_rad,
        place_sd_m=None if target.offset_m is None else target.offset_sd_m,
    ), ""


def _sphere(
    target: SphereTarget, sight: Sight, mount: Mount | None, rng: np.random.Generator
) -> tuple[Surface | None, str]:
    if len(sight) < 10:
        return None, f"{len(sight)} points inside the hint"
    beam = np.full((len(sight), 3), math.nan) if mount is None else sight.beam(mount)
    found = find_sphere_by_stand(sight.xyz_m, beam, sight.stand, float(np.median(sight.sd_m)), target, rng=rng)
    if found is None:
        return None, f"no sphere of that radius among the {len(sight)} points inside the hint"
    centre = found.centre_m if target.centre_m is None else target.centre_m
    return Surface(
        target.name,
        sight.taken(found.rows),
        np.zeros(3),
        math.nan,
        centre,
        np.zeros((2, 3)),
        radius_m=target.radius_m,
        known_place=target.centre_m is not None,
        place_sd_m=target.centre_sd_m,
        radius_sd_m=target.radius_sd_m,
    ), ""


def _measured(
    targets: Targets,
    surfaces: Mapping[str, Surface],
    shapes: Mapping[str, Shape],
    lost: Mapping[str, str],
    mount: Mount | None,
    poses: PoseModel | None,
) -> tuple[Measured, ...]:
    found = []
    for target in targets.all:
        if target.name in lost:
            missing = Quantity("found", "", math.nan, math.nan, 1.0, UNDECIDED, f"not found: {lost[target.name]}")
            kind = "plane" if isinstance(target, PlaneTarget) else "sphere"
            found.append(Measured(target.name, kind, 0, 0, {}, (missing,), lost[target.name]))
            continue
        plane = target if isinstance(target, PlaneTarget) else None
        found.append(
            measure_surface(
                surfaces[target.name],
                shapes[target.name],
                mount,
                poses,
                targets.settings,
                tolerance_m=target.tolerance_m,
                tilt_tolerance_rad=plane.tilt_tolerance_rad if plane else math.inf,
                flatness_tolerance_m=plane.flatness_tolerance_m if plane else math.inf,
            )
        )
    return tuple(found)


def _bent(measured: tuple[Measured, ...]) -> dict[str, str]:
    """Return the plates whose own shape is past its tolerance: they must not be blamed on the mount."""
    found = {}
    for target in measured:
        for one in target.quantities:
            if one.name == "flatness" and one.decision == FAIL:
                form, u = one.shown(one.value), one.shown(one.expanded)
                found[target.name] = f"the plate itself is not flat: {form:.1f} mm (U {u:.1f})"
    return found


def _sphere_figure(
    spheres: tuple[SphereTarget, ...], surfaces: Mapping[str, Surface], mount: Mount | None
) -> tuple[Quantity, ...]:
    """Return the scale of the figure that three or more sphere centres make, for information."""
    known = [one for one in spheres if one.centre_m is not None and one.name in surfaces]
    if len(known) < 3:
        return ()
    stated = np.array([one.centre_m for one in known])
    fits = [fit_reference(surfaces[one.name], mount, None) for one in known]
    u = [
        combined((one.centre_sd_m, math.sqrt(np.trace(fit.noise) / 3.0))) for one, fit in zip(known, fits, strict=True)
    ]
    try:
        figure = similarity(stated, stated + np.array([fit.value for fit in fits]), with_scale=True)
    except ValueError:
        return ()
    size = math.sqrt(float(np.square(stated - stated.mean(axis=0)).sum()))
    budget = {"reference": float(np.sqrt(np.mean(np.square(u)))) / size}
    return (judged("scale of the spheres' figure", "ppm", figure.scale - 1.0, budget, None),)


def _notes(
    targets: Targets,
    stated: Mount | None,
    adjustment: Adjustment | None,
    lost: Mapping[str, str],
    shapes: Mapping[str, Shape],
) -> tuple[str, ...]:
    notes = []
    if stated is None:
        notes.append(
            "the points are in the map frame already: where each was seen from is not known, so nothing is said of "
            "mount, range or clock"
        )
    notes += [f"{name}: not found, {why}" for name, why in lost.items()]
    notes += _coarse(targets)
    aside = adjustment.set_aside if adjustment is not None else {}
    for name, shape in shapes.items():
        if shape.significant and name not in aside:
            form, u = 1e3 * shape.form_m, 2e3 * shape.form_u_m
            notes.append(f"{name}: the plate is bent by {form:.1f} mm (U {u:.1f}), so it counts less")
    if adjustment is not None:
        notes += [f"{name}: set aside, {why}" for name, why in adjustment.set_aside.items()]
        needed = targets.settings.require
        notes += [f"{part}: {why}" for part, why in adjustment.refused.items() if part.split()[0] in needed]
        if adjustment.sees.weak:
            notes.append(f"mount: {adjustment.sees.weak}")
        notes += [f"to add: {words}" for words in adjustment.sees.add]
        notes += _explained(adjustment)
    return tuple(notes)


def _coarse(targets: Targets) -> list[str]:
    """Name the targets that were measured too coarsely for their tolerance.

    A reference is wanted three times as fine as what it checks (ASPRS Positional Accuracy Standards, 2014).
    """
    coarse = [one.name for one in targets.planes if one.offset_m is not None and _is_coarse(one.offset_sd_m, one)]
    coarse += [one.name for one in targets.spheres if one.centre_m is not None and _is_coarse(one.centre_sd_m, one)]
    if not coarse:
        return []
    return [
        f"{', '.join(coarse)}: U of the stated place is more than a third of the tolerance; measure the target finer"
    ]


def _is_coarse(place_sd_m: float, target: PlaneTarget | SphereTarget) -> bool:
    return COVERAGE * place_sd_m > target.tolerance_m / 3.0


def _explained(found: Adjustment) -> list[str]:
    """Say how much of what targets show goes away with the correction, where a correction is due."""
    if "mount" in found.refused or all(one.decision != FAIL for one in found.quantities):
        return []
    left = {name: abs(mean) for name, (mean, _) in found.after.items() if name not in found.set_aside}
    if not left:
        return []
    worst_name = max(left, key=lambda name: left[name])
    return [
        f"with the corrected mount, range and clock every target that took part lies within "
        f"{1e3 * left[worst_name]:.1f} mm of where it was stated ({worst_name} farthest): the correction explains them"
    ]
