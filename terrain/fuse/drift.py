"""Correction of drifting poses and of the clock against the surfaces that were scanned."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from terrain.data import Cloud, FloatArray, IntArray, PoseModel, Trajectory
from terrain.fuse.adjust import (
    LAST,
    WEIGHT,
    Adjusted,
    Free,
    Priors,
    Sample,
    State,
    adjust,
    carried,
    knots_for,
    one_blas_thread,
    together,
)
from terrain.fuse.motion import levelled
from terrain.fuse.move import Move
from terrain.fuse.planes import grid_index, keys_of
from terrain.fuse.smooth import Poses, poses_about, smoothed
from terrain.fuse.sure import Sds, sds_of
from terrain.fuse.thickness import Thickness, compare_thickness

SAMPLE_POINTS = 200_000
START_S = 1.0
START_POINTS = 30_000
"""How much of the start is adjusted densely, and with how many points at most."""

KNOT_S = 0.5
FEWEST_POINTS = 3_000
"""Points to adjust at least; with fewer nothing is tried."""

SMOOTHING_S = (0.05, 0.1)
"""Widths to either side that are tried for the noise of single poses."""

CLOCK_TOLD_S = 0.001
"""A clock offset whose sd is larger than this was not seen: the motion was too gentle."""

MUCH_FASTER = 2.0
"""Poses that walk off so many times as fast as the priors allow are adjusted again with wider ones."""

NEAR_S = 0.15
SEARCH_S = np.linspace(-0.5, 0.5, 21)
SEARCH_POINTS = 30_000
"""An adjustment that finds an offset beyond the first, or none, is begun again where surfaces are sharpest."""

CLOCK_SURE = 3.0
CLOCK_LEAST_S = 0.001
"""An offset is believed from so many sds and from this size on."""

UNSEEN_S = 5.0
"""A direction is not held where poses walk for longer than this before the surfaces notice."""

LEAST_SHARE = 0.1
"""Directions that are not held for less than this of the time are not worth a note."""

SEED = 20


@dataclass(frozen=True, slots=True)
class Clock:
    """What the sharpness of surfaces says of the clock.

    offset_s: what must be added to the times as used; sd_s; told: whether the motion let it be seen; contradicts:
    whether the offset in use is wrong beyond chance.
    """

    offset_s: float
    sd_s: float
    told: bool

    @property
    def contradicts(self) -> bool:
        """Whether the offset in use is wrong beyond chance."""
        return self.told and abs(self.offset_s) > max(CLOCK_SURE * self.sd_s, CLOCK_LEAST_S)


@dataclass(frozen=True, slots=True)
class Unseen:
    """A direction that the surfaces did not hold, and the share of the time in which they did not.

    axis: a unit vector in the map for a position, None for the heading.
    """

    axis: tuple[float, float, float] | None
    share: float


@dataclass(frozen=True, slots=True, eq=False)
class Correction:
    """What an adjustment found, whether it was applied, and why.

    knot_s (k,), spline (k, 6): rotation vector about the body and translation, in the level map; linear in time.
    clock_s: what was added to every time. mount (6,) and mount_sd (6,): rotation vector (rad) and translation (m) of
    the sensor's points in the body frame, where they were asked for. sd_m (3,), sd_rad: of the walk's end against its
    start, each the mean of half a second; position along the map's axes and heading. smoothing_s: half width over which
    poses were smoothed. drifting: whether the frame is that of the start rather than the mean. lost: points whose
    corrected time lies outside the poses. move: what carries points to where they belong. poses: corrected ones at the
    times of the reported, in the level map.
    """

    applied: bool
    why: str
    clock: Clock
    thickness: Thickness | None = None
    knot_s: FloatArray | None = None
    spline: FloatArray | None = None
    clock_s: float = 0.0
    mount: FloatArray | None = None
    mount_sd: FloatArray | None = None
    sd_m: FloatArray | None = None
    sd_rad: float = math.nan
    smoothing_s: float = 0.0
    drifting: bool = False
    unseen: tuple[Unseen, ...] = ()
    lost: int = 0
    move: Move | None = None
    poses: Trajectory | None = None

    @property
    def largest_m(self) -> float:
        """Return the largest shift of a pose."""
        return 0.0 if self.spline is None else float(np.linalg.norm(self.spline[:, 3:], axis=1).max())

    @property
    def largest_rad(self) -> float:
        """Return the largest turn of a pose."""
        return 0.0 if self.spline is None else float(np.linalg.norm(self.spline[:, :3], axis=1).max())


UNTOLD = Clock(0.0, math.inf, told=False)


def correct_drift(
    cloud: Cloud,
    *,
    trajectory: Trajectory,
    poses: PoseModel,
    gravity: npt.ArrayLike = (0.0, 0.0, -1.0),
    mount: bool = False,
) -> tuple[Cloud, Correction]:
    """Return the cloud with drift and clock corrected where that makes surfaces thinner, and what was done.

    Parameters
    ----------
    cloud : Cloud
        As `terrain.fuse.motion.fuse` placed it with the same trajectory and gravity; with times and viewpoints.
    trajectory : Trajectory
        The reported poses.
    poses : PoseModel
        How good they are stated to be.
    gravity : (3,)
        In the frame of the trajectory.
    mount : bool
        Whether the mount may move too.

    Returns
    -------
    Cloud
        The same object where nothing is corrected.
    Correction
        What was found, and why it was or was not applied.

    Notes
    -----
    One adjustment over planar cells: a spline in time of a small rigid motion of the body, the clock and, on request,
    the mount are the unknowns; each cell's plane is eliminated. Every stated sd enters as a prior. A part of the
    points is kept out of it; the correction is applied only if surfaces become thinner on those.
    """
    turned = poses_about(levelled(trajectory, gravity), cloud.origin_m)
    if cloud.time_s is None or cloud.view_map_m is None:
        return cloud, Correction(False, "the points have no times", UNTOLD)
    if len(cloud) < FEWEST_POINTS or len(turned.time_s) < 2:
        return cloud, Correction(False, f"too little to go by: {len(cloud)} points, {len(turned.time_s)} poses", UNTOLD)
    fitted, held = _samples(cloud)
    if not fitted.time_s[-1] > fitted.time_s[0]:
        return cloud, Correction(False, "all points have one time", UNTOLD)
    with one_blas_thread():
        found = _adjusted(fitted, held, turned, poses, mount=mount)
    if not found.thickness.is_thinner:
        why = "points that were kept out of the adjustment show no thinner surfaces with it"
        return cloud, Correction(False, why, found.clock, found.thickness, unseen=found.unseen)
    move, state = _move(found, cloud.origin_m), found.state
    corrected = move.applied(cloud)
    return corrected, Correction(
        applied=True,
        why="surfaces are thinner on points that were kept out of the adjustment",
        clock=found.clock,
        thickness=found.thickness,
        knot_s=state.knot_s,
        spline=state.spline,
        clock_s=state.shift_s,
        mount=state.mount if mount else None,
        mount_sd=found.sds.extras[-6:] if mount else None,
        sd_m=found.sds.end_m,
        sd_rad=found.sds.end_rad,
        smoothing_s=found.smoothing_s,
        drifting=found.drifting,
        unseen=found.unseen,
        lost=len(cloud) - len(corrected),
        move=move,
        poses=_corrected_poses(found, cloud.origin_m),
    )


def _samples(cloud: Cloud) -> tuple[Sample, Sample]:
    """Return points to adjust and others to test with, in the order of time, spread evenly over the cloud's rows.

    One of each run of rows is drawn by chance: a fixed stride would meet the same beams of a sensor again and again.
    The first second, which the frame hangs on, is adjusted with as many points as there are.
    """
    assert cloud.time_s is not None
    stride = max(2, -(-len(cloud) // SAMPLE_POINTS))
    runs = len(cloud) // stride
    rng = np.random.default_rng(SEED)
    one = rng.integers(0, stride, runs)
    other = (one + rng.integers(1, stride, runs)) % stride
    first_s, last_s = float(cloud.time_s.min()), float(cloud.time_s.max())
    start_s = first_s + min(START_S, 0.1 * (last_s - first_s))
    early = np.flatnonzero(cloud.time_s < start_s)
    early = early[:: max(1, len(early) // START_POINTS)]
    fitted, held = (np.arange(runs) * stride + drawn for drawn in (one, other))
    fitted = np.concatenate([early, fitted[cloud.time_s[fitted] >= start_s]])
    return _sample(cloud, fitted), _sample(cloud, held[cloud.time_s[held] >= start_s])


def _sample(cloud: Cloud, rows: IntArray) -> Sample:
    assert cloud.time_s is not None and cloud.view_map_m is not None
    rows = rows[np.argsort(cloud.time_s[rows], kind="stable")]
    return Sample(
        cloud.xyz_map_m[rows] - cloud.origin_m,
        cloud.view_map_m[rows].astype(np.float64),
        cloud.time_s[rows],
        cloud.sd_m[rows].astype(np.float64),
        cloud.cross_sd_m[rows].astype(np.float64),
    )


def priors_of(poses: PoseModel) -> Priors:
    """Return priors for poses of stated quality: they may walk off by twice the stated sd in a second's root."""
    position, attitude = max(poses.position_sd_m, 5e-4), max(poses.attitude_sd_rad, 1e-4)
    return Priors(
        walk_m=2.0 * position,
        walk_rad=2.0 * attitude,
        start_m=position,
        start_rad=attitude,
        lean_rad=attitude,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    state: State
    poses: Poses
    clock: Clock
    thickness: Thickness
    smoothing_s: float
    drifting: bool
    unseen: tuple[Unseen, ...]
    sds: Sds


def _adjusted(fitted: Sample, held: Sample, reported: Poses, model: PoseModel, *, mount: bool) -> _Found:
    priors = priors_of(model)
    knots = knots_for(fitted.time_s, _spacing(fitted.time_s), start_s=float(reported.time_s[0]))
    nothing = State(knots, np.zeros((len(knots), 6)))
    free = Free(clock=True, mount=mount)
    done, priors = _first_pass(fitted, reported, nothing, priors, free)
    first = done
    sds, smoother = together(
        lambda: sds_of(fitted, reported, first, priors), lambda: _less_noisy(fitted, reported, first.state)
    )
    clock = _clock_of(done.state, sds)
    if not clock.told or abs(clock.offset_s) > NEAR_S:
        far = _sharpest(fitted, reported, nothing)
        again, wider = _first_pass(fitted, reported, far, replace(priors, clock_about_s=far.shift_s), free)
        one, other = (carried(held, reported, found.state)[0] for found in (done, again))
        if compare_thickness(one, other).is_thinner:
            done, priors = again, wider
            sds = sds_of(fitted, reported, done, priors)
            clock = _clock_of(done.state, sds)
    if not clock.told:
        done = adjust(fitted, reported, nothing, priors, Free(clock=False, mount=mount))
    poses, width_s = smoother if done is first else _less_noisy(fitted, reported, done.state)
    done = adjust(fitted, poses, done.state, priors, Free(clock=clock.told, mount=mount), LAST)
    if clock.told:
        sds, clock, done = _with_clock(fitted, poses, done, priors, mount=mount)
    else:
        sds = sds_of(fitted, poses, done, priors)
    state, drifting = done.state, _is_drifting(done.state, model)
    if not drifting:
        state = _about_the_mean(state, poses)
    (before, _), (after, _) = carried(held, reported, nothing), carried(held, poses, state)
    return _Found(
        state=state,
        poses=poses,
        clock=clock,
        thickness=compare_thickness(before, after),
        smoothing_s=width_s,
        drifting=drifting,
        unseen=_unseen(done, priors),
        sds=sds,
    )


def _with_clock(
    fitted: Sample, poses: Poses, done: Adjusted, priors: Priors, *, mount: bool
) -> tuple[Sds, Clock, Adjusted]:
    """Return sds and clock of an adjustment that found an offset; and the one without if nothing is against that."""

    def without() -> Adjusted:
        at = replace(done.state, shift_s=0.0)
        return adjust(fitted, poses, at, priors, Free(clock=False, mount=mount), LAST)

    def sure() -> Sds:
        return sds_of(fitted, poses, done, priors)

    if abs(done.state.shift_s) <= CLOCK_LEAST_S:  # no sd makes so little a contradiction
        sds, again = together(sure, without)
        return sds, Clock(done.state.shift_s, float(sds.extras[0]), told=True), again
    sds = sure()
    clock = Clock(done.state.shift_s, float(sds.extras[0]), told=True)
    return sds, clock, done if clock.contradicts else without()


def _first_pass(fitted: Sample, reported: Poses, start: State, priors: Priors, free: Free) -> tuple[Adjusted, Priors]:
    """Adjust from coarse to fine, twice where the poses prove to walk off faster than they may by what was stated."""
    done = adjust(fitted, reported, start, priors, free)
    stated = np.repeat([priors.walk_rad, priors.walk_m], 3) * np.sqrt(np.diff(done.state.knot_s))[:, None]
    walked = float(np.sqrt(((np.diff(done.state.spline, axis=0) / stated) ** 2).mean(axis=0).max()))
    if walked <= MUCH_FASTER:
        return done, priors
    priors = replace(priors, walk_m=2.0 * walked * priors.walk_m, walk_rad=2.0 * walked * priors.walk_rad)
    return adjust(fitted, reported, done.state, priors, free), priors


def _sharpest(fitted: Sample, reported: Poses, nothing: State) -> State:
    """Return the start with the clock offset, of many up to half a second, that fills the fewest cells with points."""
    sample = fitted.thinned(max(1, len(fitted) // SEARCH_POINTS))
    tried = [replace(nothing, shift_s=float(shift)) for shift in SEARCH_S]
    filled = [len(np.unique(keys_of(grid_index(carried(sample, reported, state)[0], 0.15)))) for state in tried]
    return tried[int(np.argmin(filled))]


def _spacing(time_s: FloatArray) -> float:
    """Return how far apart knots lie: half a second, less where the survey is a few seconds long."""
    return min(KNOT_S, max(float(time_s[-1] - time_s[0]) / 4.0, 1e-3))


def _clock_of(state: State, sds: Sds) -> Clock:
    sd_s = float(sds.extras[0])
    return Clock(state.shift_s, sd_s, told=sd_s < CLOCK_TOLD_S)


def _less_noisy(fitted: Sample, reported: Poses, state: State) -> tuple[Poses, float]:
    """Return the poses smoothed as far as that makes surfaces of the adjusted points thinner, and the half width."""
    best, best_s = reported, 0.0
    sample = fitted.thinned(2)
    kept, _ = carried(sample, best, state)
    for width_s in SMOOTHING_S:
        tried = smoothed(reported, width_s)
        if tried is reported:
            continue
        laid, _ = carried(sample, tried, state)
        if not compare_thickness(kept, laid).is_thinner:
            break
        best, best_s, kept = tried, width_s, laid
    return best, best_s


def _is_drifting(state: State, model: PoseModel) -> bool:
    """Whether the correction wanders by more than the poses' stated sd."""
    wander = state.spline - state.spline.mean(axis=0)
    far = math.sqrt(float((wander[:, 3:] ** 2).sum(axis=1).mean()) / 3.0)
    turned = math.sqrt(float((wander[:, :3] ** 2).sum(axis=1).mean()) / 3.0)
    return far > model.position_sd_m or turned > model.attitude_sd_rad


def _about_the_mean(state: State, poses: Poses) -> State:
    """Return the same correction seen from the frame in which it moves and turns the poses least."""
    from scipy.spatial.transform import Rotation

    body = np.column_stack([np.interp(state.knot_s, poses.time_s, axis) for axis in poses.new_position_m.T])
    middle = body.mean(axis=0)
    back = Rotation.from_rotvec(-state.spline[:, :3].mean(axis=0))
    placed = back.apply(body + state.spline[:, 3:] - middle) + middle
    shift = placed - body
    turn = (back * Rotation.from_rotvec(state.spline[:, :3])).as_rotvec()
    return replace(state, spline=np.column_stack([turn, shift - shift.mean(axis=0)]))


def _unseen(done: Adjusted, priors: Priors) -> tuple[Unseen, ...]:
    """Return the directions that the surfaces do not hold for more than a tenth of the time.

    What one knot's points say is I, knots are dt apart: surfaces and a walk of w in a second's root balance over a time
    of sqrt(dt / I) / w.
    """
    knots = np.arange(len(done.state.knot_s))
    own = WEIGHT * done.system.made.blocks[done.system.made.slot[knots, knots]]
    step = np.gradient(done.state.knot_s)
    value, vector = np.linalg.eigh(_marginal(own, [3, 4, 5]))
    lost = value < (step / (priors.walk_m * UNSEEN_S) ** 2)[:, None]
    spread = np.einsum("k,kij,kj,klj->il", step, vector, lost.astype(np.float64), vector) / step.sum()
    share, axes = np.linalg.eigh(spread)
    found = [
        Unseen((float(axis[0]), float(axis[1]), float(axis[2])), min(float(part), 1.0))
        for part, axis in zip(share[::-1], _towards_plus(axes[:, ::-1].T), strict=True)
        if part > LEAST_SHARE
    ]
    blind = _marginal(own, [2])[:, 0, 0] < step / (priors.walk_rad * UNSEEN_S) ** 2
    share_blind = float(step[blind].sum() / step.sum())
    return tuple(found + ([Unseen(None, share_blind)] if share_blind > LEAST_SHARE else []))


def _marginal(own: FloatArray, wanted: list[int]) -> FloatArray:
    """Return what blocks (k, 6, 6) say of the unknowns wanted when the others may be anything."""
    rest = [c for c in range(6) if c not in wanted]
    inner, beside = own[:, rest][:, :, rest], own[:, wanted][:, :, rest]
    tiny = 1e-9 * (1.0 + np.trace(inner, axis1=1, axis2=2))
    inner = inner + tiny[:, None, None] * np.eye(len(rest))
    return np.asarray(own[:, wanted][:, :, wanted] - beside @ np.linalg.solve(inner, beside.transpose(0, 2, 1)))


def _towards_plus(axes: FloatArray) -> FloatArray:
    """Return the axes with their largest part positive."""
    largest = np.take_along_axis(axes, np.abs(axes).argmax(axis=1)[:, None], axis=1)
    return np.asarray(axes * np.sign(largest) + 0.0)


def _move(found: _Found, origin_m: FloatArray) -> Move:
    poses, state = found.poses, found.state
    return Move(
        origin_m=origin_m,
        pose_s=poses.time_s,
        position_m=poses.position_m,
        rotation_xyzw=poses.rotation_xyzw,
        new_position_m=poses.new_position_m,
        new_rotation_xyzw=poses.new_rotation_xyzw,
        shift_s=state.shift_s,
        mount=state.mount,
        knot_s=state.knot_s,
        spline=state.spline,
    )


def _corrected_poses(found: _Found, origin_m: FloatArray) -> Trajectory:
    from scipy.spatial.transform import Rotation

    poses, state = found.poses, found.state
    change = np.column_stack([np.interp(poses.time_s, state.knot_s, part) for part in state.spline.T])
    turn = Rotation.from_rotvec(change[:, :3]) * Rotation.from_quat(poses.new_rotation_xyzw)
    return Trajectory(poses.time_s, poses.new_position_m + origin_m + change[:, 3:], turn.as_quat())
