"""A new pass into the frame of a map: search, align, and decide whether to believe it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from terrain.data import Cloud, FloatArray
from terrain.errors import DataError
from terrain.locate.align import COARSE_GATES_M, FINE_GATES_M, Pose, align, certainty, match, rotation_of
from terrain.locate.features import Features, balanced, features_of
from terrain.locate.model import COARSE_M, Model
from terrain.locate.search import ROUGH, is_apart, search

FINE = 12_000
BESIDE = (
    *((dx, dy, 0.0) for dx in (-0.2, 0.0, 0.2) for dy in (-0.2, 0.0, 0.2) if dx or dy),
    (0.0, 0.0, -4.0),
    (0.0, 0.0, 4.0),
)
"""Metres and degrees that an answer is pushed aside by, to see whether it comes back."""
LEAST_FEATURES = 60


@dataclass(frozen=True, slots=True)
class LocateSettings:
    """When a placement is believed."""

    inlier_m: float = 0.03
    inlier_sd: float = 3.0
    """A feature this close to a surface of the map, or within so many of its own sd, lies on it."""
    least_inliers: float = 0.85
    """Of the features over ground that the map knows, so many must lie on its surfaces."""
    square_m: float = 0.5
    square_features: int = 8
    square_inliers: float = 0.7
    least_squares: float = 0.92
    """In so many of the squares with enough features most must lie on the map's surfaces: two sites can share floor,
    walls and stairs, and differ in what stands about."""
    least_overlap: float = 0.35
    """So many of the features must be over ground that the map knows."""
    rival: float = 0.97
    """Another answer with so many times the inliers of the best one makes the place ambiguous."""
    weak_sd_m: float = 0.03


@dataclass(frozen=True, slots=True, eq=False)
class Located:
    """Where a survey lies in a map's frame, and whether to believe it.

    T_map_survey (4, 4) takes points of the survey's level map frame to the map's. covariance (6, 6): shift in metres
    of the features' middle `centre_map_m`, then rotation vector in radians, map axes. inliers, squares, overlap:
    shares, see `LocateSettings`. weak: words for the directions that nothing told. placed: whether it is believed;
    reasons: why not, empty if it is. rivals: other places that fit as well.
    """

    T_map_survey: FloatArray
    covariance: FloatArray
    centre_map_m: FloatArray
    inliers: float
    squares: float
    overlap: float
    features: int
    weak: tuple[str, ...]
    placed: bool
    reasons: tuple[str, ...]
    rivals: tuple[dict[str, float], ...] = field(default=())

    def sd(self) -> dict[str, float]:
        """Return standard deviations: metres along the map's axes at the features' middle, degrees about them."""
        root = np.sqrt(np.maximum(np.diag(self.covariance), 0.0))
        names = ("x_m", "y_m", "z_m", "roll_deg", "pitch_deg", "yaw_deg")
        return dict(zip(names, [*root[:3].tolist(), *np.rad2deg(root[3:]).tolist()], strict=True))


def place(
    model: Model,
    cloud: Cloud,
    *,
    start_survey: tuple[float, float, float] = (0.0, 0.0, 0.0),
    near: tuple[float, float, float] | None = None,
    settings: LocateSettings | None = None,
) -> Located:
    """Return where a cloud lies in the frame of a map.

    Parameters
    ----------
    cloud : Cloud
        In the survey's own map frame, level.
    start_survey : (x, y, yaw)
        Where the pass begins in the survey's frame: the body's first pose.
    near : (x, y, yaw), optional
        The same place in the map's frame, roughly: within half a metre and ten degrees. Without it the whole map is
        searched.

    Raises
    ------
    DataError
        The survey has too few returns to tell anything.
    """
    settings = settings or LocateSettings()
    features = features_of(cloud)
    if len(features) < LEAST_FEATURES:
        raise DataError(
            f"survey: got returns in {len(features)} cells of 10 cm, expected at least {LEAST_FEATURES} "
            "to lay onto a map"
        )
    guess = None if near is None else _guess(model, features, start_survey, near)
    judged = _answers(model, features, guess, settings)
    if not judged:
        where = "anywhere" if near is None else f"near {near[0]:g}, {near[1]:g}"
        raise DataError(f"survey: the map has no ground below any of it {where}, expected some to lay it onto")
    fine = balanced(features, FINE)
    pose = align(model, fine, judged[0][1], FINE_GATES_M[-4:])
    agreed = agreement(model, fine, pose, settings)
    known = certainty(model, fine, pose, weak_sd_m=settings.weak_sd_m)
    weak = tuple(_direction(row) for row in known.weak)
    rivals = _rivals(judged, settings)
    reasons = _reasons(agreed, weak, rivals, settings)
    shift = pose.shift_m + model.origin_m - pose.rotation @ features.origin_m
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = pose.rotation, shift
    return Located(
        T_map_survey=matrix,
        covariance=known.covariance,
        centre_map_m=known.centre_m + model.origin_m,
        inliers=agreed.inliers,
        squares=agreed.squares,
        overlap=agreed.overlap,
        features=len(fine),
        weak=weak,
        placed=not reasons,
        reasons=reasons,
        rivals=tuple(rivals),
    )


def _guess(
    model: Model, features: Features, start: tuple[float, float, float], near: tuple[float, float, float]
) -> tuple[float, float, float]:
    """Return x, y and yaw of the pose between the two origins that takes one place to the other."""
    yaw = near[2] - start[2]
    c, s = math.cos(yaw), math.sin(yaw)
    dx, dy = features.origin_m[:2] - np.array(start[:2])
    x = near[0] + c * dx - s * dy - model.origin_m[0]
    y = near[1] + s * dx + c * dy - model.origin_m[1]
    return float(x), float(y), yaw


def _answers(
    model: Model, features: Features, guess: tuple[float, float, float] | None, settings: LocateSettings
) -> list[tuple[Agreement, Pose]]:
    """Return different places with how well the survey fits there, best first; with some of the features only."""
    rough = balanced(features, ROUGH)
    poses = [align(model, rough, one.pose, FINE_GATES_M) for one in search(model, features, guess)]
    judged = [(agreement(model, rough, pose, settings), pose) for pose in poses]
    if judged:
        best = max(judged, key=_standing(settings))[1]
        judged += [(agreement(model, rough, pose, settings), pose) for pose in _beside(model, rough, best)]
    return sorted(judged, key=_standing(settings), reverse=True)


def _standing(settings: LocateSettings) -> Callable[[tuple[Agreement, Pose]], float]:
    """Return what answers are ranked by: inliers, less where little overlaps."""
    return lambda row: row[0].inliers * min(1.0, row[0].overlap / settings.least_overlap)


def _beside(model: Model, rough: Features, best: Pose) -> list[Pose]:
    """Return what a few starts beside an answer lead to: the back of a wall can hold a survey as its front does."""
    middle = rough.xyz_m.mean(axis=0)
    out = []
    for dx, dy, turn in BESIDE:
        rotation = rotation_of(np.array([0.0, 0.0, math.radians(turn)])) @ best.rotation
        there = best.at(middle[np.newaxis])[0] + np.array([dx, dy, 0.0])
        start = Pose(rotation, there - rotation @ middle)
        out.append(align(model, rough, start, (*COARSE_GATES_M[-4:], *FINE_GATES_M)))
    return out


@dataclass(frozen=True, slots=True)
class Agreement:
    """How far a survey agrees with a map at one pose; shares as in `LocateSettings`."""

    inliers: float
    squares: float
    overlap: float


def agreement(model: Model, features: Features, pose: Pose, settings: LocateSettings) -> Agreement:
    """Return the share of the features over known ground that lie on the map, of such squares, and over known ground.

    Where too few squares hold enough features the share of the features stands for that of the squares.
    """
    xyz = pose.at(features.xyz_m)
    cell = np.floor((xyz[:, :2] - model.low_m[:2]) / COARSE_M).astype(np.int64)
    inside = ((cell >= 0) & (cell < np.array(model.known.shape))).all(axis=1)
    over = np.zeros(len(xyz), dtype=np.bool_)
    over[inside] = model.known[cell[inside, 0], cell[inside, 1]]
    if not over.any():
        return Agreement(0.0, 0.0, 0.0)
    gate = np.maximum(settings.inlier_m, settings.inlier_sd * features.sd_m)
    found = match(model, features, pose, float(gate.max()))
    on = (found.found & (np.abs(found.away_m) <= gate))[over]
    square = np.floor((xyz[over, :2] - model.low_m[:2]) / settings.square_m).astype(np.int64)
    _, group = np.unique(square[:, 0] * 1_000_003 + square[:, 1], return_inverse=True)
    count, good = np.bincount(group), np.bincount(group, on)
    full = count >= settings.square_features
    squares = float((good[full] >= settings.square_inliers * count[full]).mean()) if full.sum() >= 8 else on.mean()
    return Agreement(float(on.mean()), float(squares), float(over.mean()))


def _rivals(judged: list[tuple[Agreement, Pose]], settings: LocateSettings) -> list[dict[str, float]]:
    """Return other places where the survey fits almost as well as at the first."""
    best, pose = judged[0]
    out = []
    for other, place_of in judged[1:]:
        as_good = other.inliers * other.overlap >= settings.rival * best.inliers * best.overlap
        if as_good and is_apart(place_of, pose):
            gap = place_of.shift_m - pose.shift_m
            turn = math.degrees(math.remainder(place_of.yaw_rad - pose.yaw_rad, 2.0 * math.pi))
            out.append({"dx_m": float(gap[0]), "dy_m": float(gap[1]), "turn_deg": turn, "inliers": other.inliers})
    return out


def _reasons(
    agreed: Agreement, weak: tuple[str, ...], rivals: list[dict[str, float]], settings: LocateSettings
) -> tuple[str, ...]:
    out = []
    if agreed.overlap < settings.least_overlap:
        out.append(
            f"overlap: {agreed.overlap:.0%} of the survey lies over ground that the map knows, "
            f"expected at least {settings.least_overlap:.0%}"
        )
    if agreed.inliers < settings.least_inliers or agreed.squares < settings.least_squares:
        out.append(
            f"mismatch: {agreed.inliers:.0%} of it lies on the map's surfaces, and most of it in {agreed.squares:.0%} "
            f"of the places, expected at least {settings.least_inliers:.0%} and {settings.least_squares:.0%}: "
            "another site, a wrong guess, or much has changed"
        )
    if weak:
        out.append(f"undetermined: nothing tells {' and '.join(weak)}")
    if rivals:
        one = rivals[0]
        out.append(
            f"ambiguous: {len(rivals)} other place{'s fit' if len(rivals) > 1 else ' fits'} as well, the first "
            f"{math.hypot(one['dx_m'], one['dy_m']):.2f} m away and turned by {one['turn_deg']:.0f} degrees"
        )
    return tuple(out)


def _direction(way: FloatArray) -> str:
    """Return words for a direction (6,)."""
    if np.linalg.norm(way[3:]) > np.linalg.norm(way[:3]):
        axis = int(np.abs(way[3:]).argmax())
        return ("the turn about x", "the turn about y", "yaw")[axis]
    x, y, z = way[:3]
    if abs(z) > 0.8:
        return "height"
    angle = math.degrees(math.atan2(y, x)) % 180.0
    return f"the position along {angle:.0f} degrees from x"
