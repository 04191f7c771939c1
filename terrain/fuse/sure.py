"""How sure an adjustment is of what it found, from the scatter of its own residuals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from terrain.data import FloatArray, IntArray
from terrain.fuse.adjust import STEPS, WEIGHT, Adjusted, Priors, Sample, State, lay
from terrain.fuse.planes import Cells
from terrain.fuse.smooth import Poses

MOMENT_S = 0.1
"""Residuals within this time may share one error: that of the poses."""

SQUARE_M = 2.0
GROUPS = 64
"""Residuals within a square this wide may share one error: that of the surface. Squares are dealt to groups."""


FACTOR = 1.3
"""What the estimated sds are multiplied by: errors over many walks were that much larger (`tests/bench/drift.py`)."""


@dataclass(frozen=True, slots=True, eq=False)
class Sds:
    """Standard deviations: of the extras (e,), and of the end of the walk against its start, in m (3,) and heading."""

    extras: FloatArray
    end_m: FloatArray
    end_rad: float


def sds_of(sample: Sample, poses: Poses, done: Adjusted, priors: Priors) -> Sds:
    """Return how far the clock, the mount and the end of the walk may be off.

    Notes
    -----
    A sandwich estimate, clustered two ways: the pulls of residuals are added up by time and by place, squared, and what
    both count is taken off once. The priors' part is scaled to twice the square of what the correction in fact walks
    (which is less than the poses do, since it is smoothed).
    """
    from terrain.kernels import drift

    state, free, step = done.state, done.free, STEPS[-1]
    extras = free.extras
    picks = np.hstack([np.zeros((6 * len(state.knot_s), extras)), _ends(state, poses)])
    extra_picks = np.hstack([np.eye(extras), np.zeros((extras, 4))])
    effect, extra_effect = done.system.answer(picks, extra_picks)
    laid = lay(sample, poses, state, done.columns, cell_m=step.cell_m)
    cells, wanted = laid.cells, picks.shape[1]
    moment = ((laid.time_s - sample.time_s[0]) / MOMENT_S).astype(np.int64)
    by_moment = np.zeros((int(moment.max(initial=0)) + 1, wanted))
    by_group, alone = np.zeros((GROUPS, wanted)), np.zeros(wanted)
    drift.pulls(
        cells.first, cells.last, _groups(cells, step.cell_m), cells.normal, cells.along, cells.middle, laid.xyz_m,
        laid.lever_m, laid.columns, laid.sd_m, step.width_m, laid.interval, laid.share, moment,
        effect.reshape(-1, 6, wanted), extra_effect, by_moment, by_group, alone,
    )  # fmt: skip
    scatter = np.maximum((by_moment**2).sum(axis=0) + (by_group**2).sum(axis=0) - alone, alone)
    variance = WEIGHT**2 * scatter + _prior_part(done, priors, effect.reshape(-1, 6, wanted), extra_effect)
    sd = FACTOR * np.sqrt(variance)
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
    walked = np.diff(state.spline, axis=0)
    stated = np.repeat([priors.walk_rad**2, priors.walk_m**2], 3) * step[:, None]
    scale = np.minimum(2.0 * (walked**2 / stated).mean(axis=0), 1.0)
    walk = ((np.diff(effect, axis=0) ** 2) * (scale / stated)[..., None]).sum(axis=(0, 1))
    rest = system.diagonal.copy()
    rest[:-1] += system.beside
    rest[1:] += system.beside
    rest = np.maximum(rest, 0.0)
    held = (rest[..., None] * effect**2).sum(axis=(0, 1)) + system.extras_prior[:, 0] @ extra_effect**2
    return np.asarray(walk + held)
