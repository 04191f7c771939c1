"""One least-squares adjustment: a smooth correction of the poses, the clock and the mount, so that planes are planes."""

from __future__ import annotations

import math
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace

import numpy as np

from terrain.data import FloatArray, IntArray, Trajectory
from terrain.fuse.planes import Cells, planar_cells

WEIGHT = 0.3
"""Of what independent points would weigh: errors within one scan go together."""

DIFFERENCE_S = 0.04
"""The speed of points is taken over twice this, so that noise of single poses does not pass for speed."""

RETAKE_S = 0.003
"""The speeds of points are taken anew once the clock has moved by this."""

GROUPS = 64
"""Groups of cells whose scatter tells how far the stated sds can be believed."""

LARGEST_DENSE = 3000
"""Unknowns up to which the equations are solved as a full matrix."""


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """Points of a fused cloud in the order of time, relative to a point nearby.

    xyz_m, view_m (n, 3); time_s (n,); sd_m, cross_sd_m (n,): along and across the beam.
    """

    xyz_m: FloatArray
    view_m: FloatArray
    time_s: FloatArray
    sd_m: FloatArray
    cross_sd_m: FloatArray

    def __len__(self) -> int:
        return len(self.time_s)

    def thinned(self, step: int) -> Sample:
        """Return every step-th point."""
        if step <= 1:
            return self
        return Sample(*(np.ascontiguousarray(getattr(self, name)[::step]) for name in self.__slots__))


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """What is corrected: spline (k, 6) at knot_s (k,), seconds on the clock, and the mount (6,)."""

    knot_s: FloatArray
    spline: FloatArray
    shift_s: float = 0.0
    mount: FloatArray = field(default_factory=lambda: np.zeros(6))


@dataclass(frozen=True, slots=True)
class Priors:
    """How far the truth may lie from what was reported, as standard deviations.

    walk_m, walk_rad: gained in the square root of a second; start_m, start_rad: of position and heading at the first knot; lean_rad: of roll
    and pitch at any time, since gravity shows them; clock_s; mount_m, mount_rad.
    """

    walk_m: float
    walk_rad: float
    start_m: float
    start_rad: float
    lean_rad: float
    clock_s: float = 0.1
    mount_m: float = 0.03
    mount_rad: float = 0.035


@dataclass(frozen=True, slots=True)
class Free:
    """What may move."""

    clock: bool = True
    mount: bool = False

    @property
    def extras(self) -> int:
        """Return the number of unknowns beside the spline."""
        return int(self.clock) + 6 * int(self.mount)


@dataclass(frozen=True, slots=True)
class Step:
    """One iteration: the cells' size, the width of the kernel, every how many-th point is used."""

    cell_m: float
    width_m: float
    thin: int = 1


STEPS = (
    Step(0.50, 0.120, 4),
    Step(0.42, 0.080, 4),
    Step(0.35, 0.052, 2),
    Step(0.29, 0.034, 2),
    Step(0.24, 0.022, 2),
    Step(0.20, 0.015),
)
COARSE = (Step(1.0, 0.30, 4), Step(0.7, 0.20, 4))
"""What goes before for large errors."""


def knots_for(time_s: FloatArray, spacing_s: float) -> FloatArray:
    """Return the times of knots: evenly spread, at both ends of every interval that holds points, and nowhere else."""
    first, last = float(time_s[0]), float(time_s[-1])
    intervals = max(1, math.ceil((last - first) / spacing_s))
    spacing_s = max((last - first) / intervals, 1e-6)
    used = np.unique(np.minimum(((time_s - first) / spacing_s).astype(np.int64), intervals - 1))
    return first + spacing_s * np.unique(np.r_[used, used + 1])


@dataclass(frozen=True, slots=True, eq=False)
class Poses:
    """T_map_body at time_s (m,), relative to the same point as the sample; rotation as quaternions x, y, z, w.

    new_position_m and new_rotation_xyzw stand in for the reported ones that placed the points.
    """

    time_s: FloatArray
    position_m: FloatArray
    rotation_xyzw: FloatArray
    new_position_m: FloatArray
    new_rotation_xyzw: FloatArray


def poses_about(trajectory: Trajectory, origin_m: FloatArray) -> Poses:
    """Return the poses relative to a point nearby."""
    position = np.ascontiguousarray(trajectory.position_m - origin_m)
    rotation = np.ascontiguousarray(trajectory.rotation_xyzw)
    return Poses(np.ascontiguousarray(trajectory.time_s), position, rotation, position, rotation)


def carried(sample: Sample, poses: Poses, state: State, *, later_s: float = 0.0) -> tuple[FloatArray, FloatArray]:
    """Return where the points lie under a correction, (n, 3), and the body's position to each, (n, 3)."""
    from terrain.kernels import drift

    out, view, lever = (np.empty((len(sample), 3)) for _ in range(3))
    drift.carry(
        sample.xyz_m, sample.view_m, sample.time_s, state.shift_s + later_s, poses.time_s, poses.position_m,
        poses.rotation_xyzw, poses.new_position_m, poses.new_rotation_xyzw, state.mount, state.knot_s, state.spline,
        out, view, lever,
    )  # fmt: skip
    return out, lever


@dataclass(frozen=True, slots=True, eq=False)
class Equations:
    """Normal equations of the data alone, planes eliminated.

    slot (k, k): which block a pair of knots has, -1 none; blocks (s, 6, 6); extra (k, 6, e); corner (e, e);
    right (g, k, 6) and extra_right (g, e), apart for groups of cells; scatter (4,): sums of weight, of weight r^2,
    points, cells.
    """

    slot: IntArray
    blocks: FloatArray
    extra: FloatArray
    corner: FloatArray
    right: FloatArray
    extra_right: FloatArray
    scatter: FloatArray


def build(sample: Sample, poses: Poses, state: State, step: Step, columns: FloatArray) -> Equations:
    """Return the equations at a state; columns (n, e, 3) say how each point moves with the unknowns beside the spline.

    The right-hand sides of cells in different squares of the map are kept apart, in `GROUPS` groups.
    """
    from terrain.kernels import drift

    sample, columns = sample.thinned(step.thin), columns[:: step.thin]
    xyz_m, lever_m = carried(sample, poses, state)
    cells = planar_cells(xyz_m, cell_m=step.cell_m)
    at = np.clip(sample.time_s + state.shift_s, state.knot_s[0], state.knot_s[-1])
    interval = np.clip(np.searchsorted(state.knot_s, at, side="right") - 1, 0, len(state.knot_s) - 2)
    share = (at - state.knot_s[interval]) / (state.knot_s[interval + 1] - state.knot_s[interval])
    order = cells.order
    interval = interval[order]
    knots, extras = len(state.knot_s), columns.shape[1]
    seen = np.eye(knots, dtype=np.bool_)
    drift.mark_pairs(cells.first, cells.last, interval, seen)
    slot = np.full((knots, knots), -1)
    pairs = np.nonzero(np.triu(seen))
    slot[pairs] = np.arange(len(pairs[0]))
    made = Equations(
        slot=slot,
        blocks=np.zeros((len(pairs[0]), 6, 6)),
        extra=np.zeros((knots, 6, extras)),
        corner=np.zeros((extras, extras)),
        right=np.zeros((GROUPS, knots, 6)),
        extra_right=np.zeros((GROUPS, extras)),
        scatter=np.zeros(4),
    )
    drift.accumulate(
        cells.first, cells.last, _group_of(cells, step.cell_m), cells.normal, cells.along, cells.middle,
        xyz_m[order], lever_m[order], columns[order], _sd_of(sample, cells), step.width_m, interval, share[order], slot,
        made.blocks, made.right, made.extra, made.corner, made.extra_right, made.scatter,
    )  # fmt: skip
    return made


def _group_of(cells: Cells, cell_m: float) -> IntArray:
    """Return the group of each cell: squares of about 2 m in plan, dealt out as if by chance."""
    square = np.floor(cells.index[:, :2] * cell_m / 2.0).astype(np.int64)
    mixed = (square[:, 0] * 73_856_093) ^ (square[:, 1] * 19_349_663)
    return np.asarray((mixed >> 3) % GROUPS)


def columns_of(sample: Sample, poses: Poses, state: State, free: Free) -> FloatArray:
    """Return how each point moves with each unknown beside the spline, (n, e, 3)."""
    out = np.empty((len(sample), free.extras, 3))
    if free.clock:
        late, _ = carried(sample, poses, state, later_s=DIFFERENCE_S)
        early, _ = carried(sample, poses, state, later_s=-DIFFERENCE_S)
        out[:, 0] = (late - early) / (2.0 * DIFFERENCE_S)
    if free.mount:
        base, _ = carried(sample, poses, state)
        for k in range(6):
            mount = state.mount.copy()
            mount[k] += 1e-4
            moved, _ = carried(sample, poses, replace(state, mount=mount))
            out[:, int(free.clock) + k] = (moved - base) / 1e-4
    return out


def _sd_of(sample: Sample, cells: Cells) -> FloatArray:
    """Return the noise of each point across its cell's plane, in the cells' order; 1 for points of no cell."""
    rows = np.zeros(len(cells.order) + 1, dtype=np.int64)
    rows[cells.first] += 1
    np.subtract.at(rows, cells.last, 1)
    inside = np.flatnonzero(np.cumsum(rows)[:-1])
    own = cells.order[inside]
    normal = np.repeat(cells.normal, cells.last - cells.first, axis=0)
    beam = sample.xyz_m[own] - sample.view_m[own]
    cosine = np.einsum("ij,ij->i", normal, beam)
    square = np.minimum(cosine**2 / np.maximum(np.einsum("ij,ij->i", beam, beam), 1e-12), 1.0)
    sd = np.ones(len(cells.order))
    sd[inside] = np.sqrt(square * sample.sd_m[own] ** 2 + (1.0 - square) * sample.cross_sd_m[own] ** 2)
    return sd


def _prior(state: State, priors: Priors, free: Free) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the priors' part: blocks on the diagonal (k, 6, 6), beside it (k - 1, 6), right (k, 6), extras (e, 2)."""
    knots = len(state.knot_s)
    step = np.diff(state.knot_s)
    walk = np.repeat([1.0 / priors.walk_rad**2, 1.0 / priors.walk_m**2], 3) / step[:, None]
    diagonal = np.zeros((knots, 6))
    diagonal[:-1] += walk
    diagonal[1:] += walk
    gained = np.diff(state.spline, axis=0)
    right = np.zeros((knots, 6))
    right[:-1] += walk * gained
    right[1:] -= walk * gained
    start = np.array([0.0, 0.0, 1.0 / priors.start_rad**2, *(1.0 / priors.start_m**2,) * 3])
    diagonal[0] += start
    right[0] -= start * state.spline[0]
    held = np.gradient(state.knot_s)[:, None] / 10.0 / priors.lean_rad**2
    diagonal[:, :2] += held
    right[:, :2] -= held * state.spline[:, :2]
    extras = np.zeros((free.extras, 2))
    if free.clock:
        extras[0] = 1.0 / priors.clock_s**2, -state.shift_s / priors.clock_s**2
    if free.mount:
        weight = np.repeat([1.0 / priors.mount_rad**2, 1.0 / priors.mount_m**2], 3)
        extras[int(free.clock) :] = np.column_stack([weight, -weight * state.mount])
    return diagonal, -walk, right, extras


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Change of the spline (k, 6) and of the extras (e,); covariance (e, e) of the extras as the equations state it.

    robust_cov (e, e): the same from the scatter among groups of cells.
    """

    spline: FloatArray
    extras: FloatArray
    extras_cov: FloatArray
    robust_cov: FloatArray


def solve(made: Equations, state: State, priors: Priors, free: Free) -> Solution:
    """Solve the equations together with the priors."""
    diagonal, beside, prior_right, extras_prior = _prior(state, priors, free)
    knots, extras = len(state.knot_s), free.extras
    coupling = WEIGHT * made.extra.reshape(knots * 6, extras)
    right = prior_right + WEIGHT * made.right.sum(axis=0)
    known = np.column_stack([right.reshape(-1), coupling])
    answer = _solve_knots(WEIGHT * made.blocks, made.slot, diagonal, beside, known)
    if extras == 0:
        none = np.zeros((0, 0))
        return Solution(answer[:, 0].reshape(knots, 6), np.zeros(0), none, none)
    reduced = WEIGHT * made.corner + np.diag(extras_prior[:, 0]) - coupling.T @ answer[:, 1:]
    cov = np.linalg.inv(reduced)
    move = cov @ (WEIGHT * made.extra_right.sum(axis=0) + extras_prior[:, 1] - coupling.T @ answer[:, 0])
    spline = answer[:, 0] - answer[:, 1:] @ move
    pull = WEIGHT * (made.extra_right - made.right.reshape(GROUPS, knots * 6) @ answer[:, 1:])
    pull = pull - pull.mean(axis=0)
    robust = cov @ (pull.T @ pull) @ cov
    return Solution(spline.reshape(knots, 6), move, cov, robust)


def one_blas_thread() -> AbstractContextManager[object]:
    """Return a context in which linear algebra runs on one thread: the bytes must not depend on how many there are."""
    from threadpoolctl import threadpool_limits

    limits: AbstractContextManager[object] = threadpool_limits(limits=1, user_api="blas")
    return limits


def _solve_knots(
    blocks: FloatArray, slot: IntArray, diagonal: FloatArray, beside: FloatArray, known: FloatArray
) -> FloatArray:
    """Solve (data + prior) x = known for the spline's unknowns."""
    knots = len(diagonal)
    i, j = np.nonzero(np.triu(slot >= 0))
    ordered = slot[i, j]
    k = np.arange(knots)
    if 6 * knots <= LARGEST_DENSE:
        from scipy.linalg import cho_factor, cho_solve

        full = np.zeros((knots, 6, knots, 6))
        full[i, :, j, :] = blocks[ordered]
        c = np.arange(6)
        full[k[:, None], c, k[:, None], c] += diagonal
        full[k[:-1, None], c, k[1:, None], c] += beside
        upper = full.reshape(6 * knots, 6 * knots)
        return np.asarray(cho_solve(cho_factor(upper, overwrite_a=True), known))
    from scipy.sparse import bsr_array, csc_array, diags_array, triu
    from scipy.sparse.linalg import splu

    start = np.searchsorted(i, np.arange(knots + 1))
    upper = triu(bsr_array((blocks[ordered], j, start), shape=(6 * knots, 6 * knots)), format="csr")
    strict = triu(upper, 1, format="csr")
    prior = diags_array(
        [diagonal.reshape(-1), beside.reshape(-1), beside.reshape(-1)], offsets=[0, 6, -6], shape=upper.shape
    )
    system = csc_array(upper + strict.T + prior)
    return np.asarray(splu(system, permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True}).solve(known))


def end_covariance(done: Adjusted, priors: Priors) -> FloatArray:
    """Return the covariance (6, 6) of the last knot's correction less the first one's, as the equations state it."""
    made, state, free = done.made, done.state, done.free
    diagonal, beside, _, extras_prior = _prior(state, priors, free)
    knots, extras = len(state.knot_s), free.extras
    pick = np.zeros((knots, 6, 6))
    pick[-1], pick[0] = np.eye(6), -np.eye(6)
    pick = pick.reshape(knots * 6, 6)
    coupling = WEIGHT * made.extra.reshape(knots * 6, extras)
    answer = _solve_knots(WEIGHT * made.blocks, made.slot, diagonal, beside, np.column_stack([pick, coupling]))
    cov: FloatArray = pick.T @ answer[:, :6]
    if extras:
        reduced = WEIGHT * made.corner + np.diag(extras_prior[:, 0]) - coupling.T @ answer[:, 6:]
        across = pick.T @ answer[:, 6:]
        cov = cov + across @ np.linalg.solve(reduced, across.T)
    return cov


def moved(state: State, change: Solution, free: Free) -> State:
    """Return the state after a step."""
    extras = change.extras
    shift = state.shift_s + (float(extras[0]) if free.clock else 0.0)
    mount = state.mount + (extras[int(free.clock) :] if free.mount else 0.0)
    return State(state.knot_s, state.spline + change.spline, shift, mount)


@dataclass(frozen=True, slots=True, eq=False)
class Adjusted:
    """The state after the last step, and the equations, the solution and the free unknowns of that step."""

    state: State
    made: Equations
    solution: Solution
    free: Free


def adjust(
    sample: Sample, poses: Poses, state: State, priors: Priors, free: Free, steps: tuple[Step, ...] = COARSE + STEPS
) -> Adjusted:
    """Return where the steps lead to, coarse to fine."""
    columns, taken_at = columns_of(sample, poses, state, free), state.shift_s
    for step in steps:
        if abs(state.shift_s - taken_at) > RETAKE_S:
            columns, taken_at = columns_of(sample, poses, state, free), state.shift_s
        made = build(sample, poses, state, step, columns)
        solution = solve(made, state, priors, free)
        state = moved(state, solution, free)
    return Adjusted(state, made, solution, free)
