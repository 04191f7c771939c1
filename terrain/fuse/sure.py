"""How sure an adjustment is of what it found, from the scatter of its own residuals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from terrain.data import FloatArray, IntArray
from terrain.fuse.adjust import LEAN_S, STEPS, WEIGHT, Adjusted, Priors, Sample, State, lay
from terrain.fuse.planes import Cells
from terrain.fuse.smooth import Poses

MOMENT_S = 0.25
"""Residuals within this time may share one error: that of the poses."""

SQUARE_M = 2.0
GROUPS = 64
"""Residuals within a square this wide may share one error: that of the surface. Squares are dealt to groups."""

STATED_COUNTS = 1.0
"""A stated sd counts as so many observations of what it is the sd of, beside those that the walk made."""

PROBES = 8
"""Random directions along which the mean variance of unknowns is asked."""

SEED = 21


@dataclass(frozen=True, slots=True, eq=False)
class Sds:
    """Standard deviations: of the extras (e,), and of the end of the walk against its start, in m (3,) and heading."""

    extras: FloatArray
    end_m: FloatArray
    end_rad: float


def sds_of(sample: Sample, poses: Poses, done: Adjusted, priors: Priors) -> Sds:
    """Return how far the clock, the mount and the end of the walk may be off; `done` as `LAST` leaves it.

    Notes
    -----
    A sandwich estimate, clustered two ways: the pulls of residuals are added up by time and by place, squared, and what
    both count is taken off once. Of m moments k knots follow, so that on the ends, which hang on the knots, moments
    pull by m / (m - k) more than residuals show (squared; after MacKinnon and White, J. Econometrics 29, 1985, from
    memory); clock and mount are told by what is faster than knots. The priors' part is scaled by what poses prove to
    walk and lean, see `_scales`.
    """
    from terrain.kernels import equations

    state, free, step = done.state, done.free, STEPS[-1]
    extras = free.extras
    picks = np.hstack([np.zeros((6 * len(state.knot_s), extras)), _ends(state, poses)])
    extra_picks = np.hstack([np.eye(extras), np.zeros((extras, 4))])
    effect, extra_effect = done.system.answer(picks, extra_picks)
    effect = np.ascontiguousarray(effect)  # or the kernel would be compiled twice
    laid = lay(sample, poses, state, done.columns, cell_m=step.cell_m)
    cells, wanted = laid.cells, picks.shape[1]
    moment = ((laid.time_s - sample.time_s[0]) / MOMENT_S).astype(np.int64)
    by_moment = np.zeros((int(moment.max(initial=0)) + 1, wanted))
    by_group, alone = np.zeros((GROUPS, wanted)), np.zeros(wanted)
    equations.pulls(
        cells.first, cells.last, _groups(cells, step.cell_m), cells.normal, cells.along, cells.middle, laid.xyz_m,
        laid.lever_m, laid.columns, laid.sd_m, done.width_m, laid.interval, laid.share, moment,
        effect.reshape(-1, 6, wanted), extra_effect, by_moment, by_group, alone,
    )  # fmt: skip
    moments = max(len(np.unique(moment)), 1)
    followed = np.where(np.arange(wanted) < extras, 1.0, moments / max(moments - len(state.knot_s), 0.2 * moments))
    by_time = followed * (by_moment**2).sum(axis=0)
    scatter = np.maximum(by_time + (by_group**2).sum(axis=0) - alone, alone)
    variance = WEIGHT**2 * scatter + _prior_part(done, priors, effect.reshape(-1, 6, wanted), extra_effect)
    sd = np.sqrt(variance)
    return Sds(sd[:extras], sd[extras : extras + 3], float(sd[extras + 3]))


def _ends(state: State, poses: Poses) -> FloatArray:
    """Return what takes shift (3) and heading of the end against the start out of the spline's unknowns, (6 k, 4).

    Both ends are the mean of two knots. A turn of the start's heading shifts the end too: that is taken out, so that
    the frame does not matter.
    """
    near = [np.interp(state.knot_s[[0, 1, -2, -1]], poses.time_s, axis) for axis in poses.position_m.T]
    step = np.array([0.5 * (axis[2] + axis[3] - axis[0] - axis[1]) for axis in near])
    picks = np.zeros((len(state.knot_s), 6, 4))
    picks[-2:] += 0.5 * np.eye(6)[:, [3, 4, 5, 2]]
    picks[:2] -= 0.5 * np.eye(6)[:, [3, 4, 5, 2]]
    picks[:2, 2, 0] += 0.5 * step[1]
    picks[:2, 2, 1] -= 0.5 * step[0]
    return picks.reshape(-1, 4)


def _groups(cells: Cells, cell_m: float) -> IntArray:
    """Return the group of each cell: squares in plan, dealt out as if by chance."""
    square = np.floor(cells.index[:, :2] * cell_m / SQUARE_M).astype(np.int64)
    mixed = (square[:, 0] * 73_856_093) ^ (square[:, 1] * 19_349_663)
    return np.asarray((mixed >> 3) % GROUPS)


def _prior_part(done: Adjusted, priors: Priors, effect: FloatArray, extra_effect: FloatArray) -> FloatArray:
    """Return the variance that comes from leaning on the priors, (q,)."""
    state, system = done.state, done.system
    step = np.diff(state.knot_s)
    stated = np.repeat([priors.walk_rad**2, priors.walk_m**2], 3) * step[:, None]
    walk_scale, lean_scale = _scales(done, priors, stated)
    walk = ((np.diff(effect, axis=0) ** 2) * (walk_scale / stated)[..., None]).sum(axis=(0, 1))
    rest = system.diagonal.copy()
    rest[:-1] += system.beside
    rest[1:] += system.beside
    rest = np.maximum(rest, 0.0)
    rest[:, :2] *= lean_scale
    held = (rest[..., None] * effect**2).sum(axis=(0, 1)) + system.extras_prior[:, 0] @ extra_effect**2
    return np.asarray(walk + held)


def _scales(done: Adjusted, priors: Priors, stated: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return true over assumed variance of what poses walk between knots (6,), and of how they lean (2,).

    Notes
    -----
    Squares of what was found, in their stated sd, over how many of them the surfaces in fact tell: each less what of
    its variance is left (the redundancy of the priors; variance components after Foerstner, 1979, from memory). The sum
    of what is left is asked along random directions (Hutchinson, Commun. Stat. 19, 1990, from memory).
    """
    state = done.state
    knots = len(state.knot_s)
    rng = np.random.default_rng(SEED)
    held = np.gradient(state.knot_s)[:, None] / LEAN_S / priors.lean_rad**2
    root, sign = 1.0 / np.sqrt(stated), rng.choice([-1.0, 1.0], (PROBES, knots, 6))
    probe = np.zeros((knots, 6, 8, PROBES))
    for part in range(6):
        pull = (root[:, part] * sign[:, :-1, part]).T
        probe[1:, part, part] += pull
        probe[:-1, part, part] -= pull
    for part in range(2):
        probe[:, part, 6 + part] = (np.sqrt(held[:, 0]) * sign[:, :, part]).T
    flat = probe.reshape(6 * knots, -1)
    answer, _ = done.system.answer(flat, np.zeros((done.free.extras, flat.shape[1])))
    left = (flat * answer).sum(axis=0).reshape(8, PROBES).mean(axis=1)
    square = np.r_[
        (np.diff(state.spline, axis=0) ** 2 / stated).sum(axis=0), (held * state.spline[:, :2] ** 2).sum(axis=0)
    ]
    count = np.r_[np.full(6, knots - 1.0), np.full(2, float(knots))]
    scale = (square + STATED_COUNTS) / (np.maximum(count - left, 0.0) + STATED_COUNTS)
    return scale[:6], scale[6:]
