"""What one target says of a sensor: bias, tilt, noise, shape and drift, each with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from terrain.data import FloatArray, IntArray, PoseModel
from terrain.sensor.decide import Quantity, combined, judged
from terrain.sensor.sight import Mount
from terrain.sensor.surface import Surface, pose_columns
from terrain.sensor.targets import CheckSettings

DRAWS = 200
CUBIC_FROM = 10_000
"""Fewer points bear a form of second order only: bows and twists, no waves."""
CENTRINGS = 10
LEAST_IN_STAND = 30
SHORTEST_S = 0.5
"""A target seen for less than this in one stand says nothing of drift."""
SIGNIFICANT = 1e-3
"""A shape is believed, and weakens the target, if chance makes one like it less often than this."""


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """Noise and smooth form of a surface, apart from where it lies and how it leans.

    ratio: noise measured over noise stated, ratio_u its standard uncertainty; form_m: range of the smooth deviations
    from the best-fit plane beyond what noise makes, form_u_m its standard uncertainty; form_rms_m; significant:
    whether noise alone cannot explain it; residual_m (n,): what is left, form included; kept (n,): rows used.
    """

    ratio: float
    ratio_u: float
    form_m: float
    form_u_m: float
    form_rms_m: float
    significant: bool


def shape_of(surface: Surface, mount: Mount | None, settings: CheckSettings, rng: np.random.Generator) -> Shape:
    """Return noise and form of a surface.

    Parameters
    ----------
    surface : Surface
        A plane, or a sphere, whose form is not fitted.
    mount : Mount or None
        None for points that were in the map frame already.
    settings : CheckSettings
        What is known of the range offset beforehand: an offset bends a grazed plane as a warp would.
    rng : Generator
        For the draws that tell how large a form noise alone makes.

    Notes
    -----
    Weighted least squares: a plane of its own for every stand (so that poses and mount do not count), the cosine of
    incidence, and all terms of second order in the plane, from 10,000 points on of third. Form: range of the fitted
    terms over the surface less their own best plane (the flatness error of VDI/VDE 2634-2 as remembered, applied to
    the smooth part). The noise estimate has n - p degrees of freedom; its relative sd is 1 / sqrt(2 (n - p)).
    """
    surface = _centred(surface, mount)
    xyz, noise = surface.met_m(mount), surface.noise_m(mount)
    uv = surface.uv(xyz) if surface.is_plane else np.empty((len(xyz), 0))
    form = np.empty((len(xyz), 0))
    if surface.is_plane:
        form = _form_columns(uv / np.maximum(np.ptp(uv, axis=0) / 2.0, 1e-6), cubic=len(uv) >= CUBIC_FROM)
    bends = () if mount is None or not surface.is_plane else (surface.cosine(mount),)
    columns = np.column_stack((*bends, form, surface.residual(surface.sight.xyz_m))) / noise[:, None]
    free, freedom = _within_stands(columns, surface.reference_columns(xyz) / noise[:, None], surface.sight.stand)
    matrix, y = free[:, :-1], free[:, -1]
    normal_matrix = matrix.T @ matrix
    if bends:
        normal_matrix[0, 0] += 1.0 / settings.range_offset_sd_m**2
    inverse = _inverse(normal_matrix)
    coef = inverse @ (matrix.T @ y)
    rest = y - matrix @ coef
    freedom = max(freedom - matrix.shape[1], 1)
    ratio = math.sqrt(float(rest @ rest) / freedom)
    ratio_u = ratio / math.sqrt(2.0 * freedom)
    count = form.shape[1]
    if count == 0:
        return Shape(ratio, ratio_u, 0.0, 0.0, 0.0, False)
    bent, cov = coef[-count:], inverse[-count:, -count:] * ratio**2
    statistic = float(bent @ np.linalg.solve(cov, bent))
    value, u, rms = _form_range(form, uv, bent, cov, rng)
    from scipy.stats import chi2

    return Shape(ratio, ratio_u, value, u, rms, bool(chi2.sf(statistic, count) < SIGNIFICANT))


def _within_stands(columns: FloatArray, base: FloatArray, stand: IntArray) -> tuple[FloatArray, int]:
    """Return the columns (n, k) less their fit to the base in every stand by itself, and the degrees of freedom left.

    Stands with too few points are left out, unless all are.
    """
    _, number, counts = np.unique(stand, return_inverse=True, return_counts=True)
    kept = np.flatnonzero(counts >= LEAST_IN_STAND)
    groups = [np.flatnonzero(number == k) for k in kept] if len(kept) else [np.arange(len(stand))]
    free, freedom = [], 0
    for rows in groups:
        axes, lengths, _ = np.linalg.svd(base[rows], full_matrices=False)
        axes = axes[:, lengths > 1e-9 * max(float(lengths[0]), 1e-300)]
        free.append(columns[rows] - axes @ (axes.T @ columns[rows]))
        freedom += len(rows) - axes.shape[1]
    return np.concatenate(free), freedom


def _form_columns(uv: FloatArray, *, cubic: bool) -> FloatArray:
    u, v = uv.T
    bent = (u * u, u * v, v * v)
    return np.column_stack((*bent, u**3, u * u * v, u * v * v, v**3) if cubic else bent)


def _form_range(
    form: FloatArray, uv: FloatArray, bent: FloatArray, cov: FloatArray, rng: np.random.Generator
) -> tuple[float, float, float]:
    """Return range, standard uncertainty and RMS of a fitted form less its best plane."""
    low, high = np.quantile(uv, [0.01, 0.99], axis=0)
    rows = np.flatnonzero(((uv >= low) & (uv <= high)).all(axis=1))
    rows = rng.choice(rows, 1500, replace=False) if len(rows) > 1500 else rows
    flat = np.column_stack((np.ones(len(rows)), uv[rows]))
    part = form[rows]
    part = part - flat @ np.linalg.lstsq(flat, part, rcond=None)[0]
    root = np.linalg.cholesky(cov + np.eye(len(cov)) * 1e-18)
    noise = rng.normal(size=(DRAWS, len(cov))) @ root.T
    shape = part @ bent
    alone = np.ptp(part @ noise.T, axis=0)
    around = np.ptp(shape[:, None] + part @ noise.T, axis=0)
    floor = float(np.sqrt(np.mean(alone**2)))
    value = math.sqrt(max(0.0, float(np.ptp(shape)) ** 2 - floor**2))
    return value, max(float(np.std(around)), float(np.std(alone))), float(np.sqrt(np.mean(shape**2)))


def _inverse(matrix: FloatArray) -> FloatArray:
    """Return the inverse of a normal matrix, scaled first so that units do not matter."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    inverse = np.linalg.pinv(matrix * np.outer(scale, scale), hermitian=True, rcond=1e-13)
    scaled: FloatArray = inverse * np.outer(scale, scale)
    return scaled


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Weighted fit of a surface's residuals: three values, and their covariance by source."""

    value: FloatArray
    noise: FloatArray
    reference: FloatArray
    poses: Mapping[int, FloatArray]
    """By stand, (k, 6): how the values follow the stand's pose, times the pose's sd."""

    def budget(self, direction: FloatArray) -> dict[str, float]:
        """Return the standard uncertainties by source along a direction of the parameters."""
        along = [direction @ part for part in self.poses.values()]
        found = {
            "noise": math.sqrt(max(0.0, float(direction @ self.noise @ direction))),
            "reference": math.sqrt(max(0.0, float(direction @ self.reference @ direction))),
            "poses": math.sqrt(sum(float(part @ part) for part in along)),
        }
        return {key: u for key, u in found.items() if u > 0.0}


def fit_reference(surface: Surface, mount: Mount | None, poses: PoseModel | None) -> Fit:
    """Return where the points lie against the stated surface.

    Parameters
    ----------
    surface : Surface
        Its reference columns are the model: place and tilts of a plane, centre and radius of a sphere (the radius is
        left out, it is known).
    mount : Mount or None
        For the noise of each point.
    poses : PoseModel or None
        Errors of stated sd, alike within a stand and independent between stands.

    Notes
    -----
    Least squares with the weights of the noise; the covariance is the propagated one (JCGM 100:2008, 5.2), not that
    of the weights, so that errors common to many points do not average away.
    """
    sight = surface.sight
    stated, surface = surface, _centred(surface, mount)
    xyz = surface.met_m(mount)
    matrix = surface.reference_columns(xyz)[:, :3]
    weight = 1.0 / np.square(surface.noise_m(mount) * surface.ratio)
    inverse = _inverse((matrix * weight[:, None]).T @ matrix)
    gain = inverse @ (matrix * weight[:, None]).T
    value = gain @ surface.residual(sight.xyz_m)
    if not surface.is_plane:
        value = value + surface.centre_m - stated.centre_m
    reference = np.diag(surface.reference_sd()[:3] ** 2)
    if not surface.is_plane and surface.radius_sd_m:
        toward = gain.sum(axis=1)
        reference += np.outer(toward, toward) * surface.radius_sd_m**2
    by_stand: dict[int, FloatArray] = {}
    if poses is not None and sight.has_sensor:
        sd = np.array([poses.position_sd_m] * 3 + [poses.attitude_sd_rad] * 3)
        columns = pose_columns(surface.normals(xyz), xyz, sight.body_m)
        for stand in np.unique(sight.stand):
            rows = sight.stand == stand
            by_stand[int(stand)] = (gain[:, rows] @ columns[rows]) * sd
    return Fit(value, inverse, reference, by_stand)


def _centred(surface: Surface, mount: Mount | None) -> Surface:
    """Return a sphere about the centre that its points make, so that what follows is linear; a plane as it is."""
    if surface.is_plane:
        return surface
    for _ in range(CENTRINGS):
        columns = surface.reference_columns(surface.met_m(mount))[:, :3]
        shift, *_ = np.linalg.lstsq(columns, surface.residual(surface.sight.xyz_m), rcond=None)
        surface = replace(surface, centre_m=surface.centre_m + shift)
        if np.abs(shift).max() < 1e-7:
            break
    return surface


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """One target, measured: quantities in the order of a report, and the plain facts of how it was seen."""

    name: str
    kind: str
    points: int
    stands: int
    facts: Mapping[str, float]
    quantities: tuple[Quantity, ...]
    note: str = ""


def measure_surface(
    surface: Surface,
    shape: Shape,
    mount: Mount | None,
    poses: PoseModel | None,
    settings: CheckSettings,
    *,
    tolerance_m: float,
    tilt_tolerance_rad: float,
    flatness_tolerance_m: float,
) -> Measured:
    """Return the quantities of one target, decided with a guard band."""
    sight, n = surface.sight, len(surface.sight)
    few = "" if n >= settings.min_points else f"only {n} points, {settings.min_points} wanted: scan it longer or nearer"
    found: list[Quantity] = []
    fit = fit_reference(surface, mount, poses)
    if surface.known_place:
        found.append(_bias(surface, fit, tolerance_m, few))
    if surface.is_plane and surface.known_normal:
        found.append(_tilt(fit, tilt_tolerance_rad, few))
    stated = 1.0 + settings.noise_tolerance
    over = judged("noise over stated", "", shape.ratio, {"noise": shape.ratio_u}, stated, enough=few)
    found.append(over)
    if surface.is_plane:
        found.append(judged("flatness", "m", shape.form_m, {"noise": shape.form_u_m}, flatness_tolerance_m, enough=few))
    drift = _drift(surface, mount, settings, few)
    if drift is not None:
        found.append(drift)
    return Measured(
        surface.name, "plane" if surface.is_plane else "sphere", n, len(np.unique(sight.stand)),
        facts_of(surface, mount), tuple(found),
    )  # fmt: skip


def _bias(surface: Surface, fit: Fit, tolerance_m: float, few: str) -> Quantity:
    if surface.is_plane:
        direction = np.array([1.0, 0.0, 0.0])
        return judged("bias", "m", float(fit.value[0]), fit.budget(direction), tolerance_m, enough=few)
    distance = float(np.linalg.norm(fit.value))
    direction = fit.value / distance if distance > 0.0 else np.array([1.0, 0.0, 0.0])
    return judged("centre", "m", distance, fit.budget(direction), tolerance_m, enough=few)


def _tilt(fit: Fit, tolerance_rad: float, few: str) -> Quantity:
    lean = fit.value[1:3]
    angle = float(np.linalg.norm(lean))
    direction = np.zeros(3)
    direction[1:] = lean / angle if angle > 0.0 else (1.0, 0.0)
    return judged("tilt", "rad", angle, fit.budget(direction), tolerance_rad, enough=few)


def drift_of(surface: Surface, mount: Mount | None) -> tuple[float, float, float]:
    """Return by how much a surface moved along its normal per second, its sd, and the longest time in one stand.

    Notes
    -----
    Regression on time with a plane (or centre) of its own for every stand: what differs between stands is poses and
    mount, and no drift of the sensor. NaN where no stand is long enough.
    """
    time_s = surface.sight.time_s
    if time_s is None:
        return math.nan, math.nan, 0.0
    xyz, weight = surface.met_m(mount), 1.0 / (surface.noise_m(mount) * surface.ratio)
    base, y = surface.reference_columns(xyz), surface.residual(surface.sight.xyz_m)
    stands, number, counts = np.unique(surface.sight.stand, return_inverse=True, return_counts=True)
    groups = [np.flatnonzero(number == k) for k in range(len(stands)) if counts[k] >= LEAST_IN_STAND]
    longest = max((float(np.ptp(time_s[rows])) for rows in groups), default=0.0)
    if longest <= 0.0:
        return math.nan, math.nan, 0.0
    columns = np.column_stack((time_s - time_s.mean(), y)) * weight[:, None]
    free, _ = _within_stands(columns, base * weight[:, None], surface.sight.stand)
    top, bottom = float(free[:, 0] @ free[:, 1]), float(free[:, 0] @ free[:, 0])
    if bottom <= 0.0:
        return math.nan, math.nan, longest
    return top / bottom, 1.0 / math.sqrt(bottom), longest


def _drift(surface: Surface, mount: Mount | None, settings: CheckSettings, few: str) -> Quantity | None:
    slope, sd, span = drift_of(surface, mount)
    if not math.isfinite(slope) or span < SHORTEST_S:
        return None
    name = f"drift in {span:.1f} s"
    return judged(name, "m", slope * span, {"noise": sd * span}, settings.drift_tolerance_m, enough=few)


def facts_of(surface: Surface, mount: Mount | None) -> dict[str, float]:
    """Return how a surface was seen: ranges, incidence, extent, noise; NaN where the sensor's place is unknown."""
    sight = surface.sight
    xyz = sight.xyz_m
    nan = math.nan
    facts = dict.fromkeys(("range_min_m", "range_max_m", "incidence_min_deg", "incidence_max_deg"), nan)
    if mount is not None and sight.has_sensor:
        angle = np.degrees(np.arccos(np.clip(surface.cosine(mount), 0.0, 1.0)))
        ranges = sight.range_m()
        facts = {
            "range_min_m": float(ranges.min()),
            "range_max_m": float(ranges.max()),
            "incidence_min_deg": float(angle.min()),
            "incidence_max_deg": float(angle.max()),
        }
    noise = surface.noise_m(mount)
    facts["noise_stated_mm"] = 1e3 * combined(noise) / math.sqrt(len(noise))
    facts["noise_mm"] = facts["noise_stated_mm"] * surface.ratio
    if surface.is_plane:
        extent = np.sort(np.ptp(surface.uv(xyz), axis=0))[::-1]
        facts |= {"length_m": float(extent[0]), "width_m": float(extent[1])}
    else:
        facts["radius_mm"] = 1e3 * surface.radius_m
    return facts
