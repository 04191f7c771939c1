"""Parts of the drift correction against NumPy and SciPy: cells, equations, moving points, smoothing, thickness."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import block_diag
from scipy.signal import savgol_filter
from scipy.spatial.transform import Rotation, Slerp

from terrain.data import FloatArray, IntArray, Trajectory
from terrain.fuse import adjust, blocked
from terrain.fuse.adjust import Free, Priors, Sample, State, System, build, carried, columns_of, lay
from terrain.fuse.planes import planar_cells
from terrain.fuse.smooth import Poses, poses_about, smoothed
from terrain.fuse.thickness import compare_thickness
from tests.support.rooms import Pass, Wrong, room, survey_pass

SHIFT = np.array([1.0, 2.0, 3.0])
PRIORS = Priors(walk_m=0.006, walk_rad=0.002, start_m=0.003, start_rad=0.001, lean_rad=0.001)


def sample_of(made: Pass) -> tuple[Sample, Poses]:
    cloud = made.fused()
    sample = Sample(
        cloud.xyz_map_m - cloud.origin_m,
        cloud.view_map_m.astype(np.float64),
        cloud.time_s.copy(),
        cloud.sd_m.astype(np.float64),
        cloud.cross_sd_m.astype(np.float64),
    )
    return sample, poses_about(made.trajectory, cloud.origin_m)


@pytest.fixture(scope="module")
def small() -> tuple[Sample, Poses]:
    return sample_of(survey_pass(room(), seed=1, wrong=Wrong(drift_m=0.005, drift_rad=0.002), points=6_000))


def bent(sample: Sample, *, knots: int = 5, seed: int = 2) -> State:
    rng = np.random.default_rng(seed)
    at = np.linspace(sample.time_s[0], sample.time_s[-1], knots)
    return State(at, rng.normal(0.0, [0.01] * 3 + [0.05] * 3, (knots, 6)), 0.013, np.array([0.01, 0, 0, 0, 0.02, 0]))


def test_points_move_as_scipy_moves_them(small: tuple[Sample, Poses]) -> None:
    """C(t + s) T(t + s) M T(t)^-1 x; C turns about the body and shifts, linear in time between knots."""
    sample, poses = small
    state = bent(sample)
    inside = sample.time_s + state.shift_s < poses.time_s[-1]
    got, lever = (part[inside] for part in carried(sample, poses, state))
    turn = Slerp(poses.time_s, Rotation.from_quat(poses.rotation_xyzw))
    t, late = sample.time_s[inside], sample.time_s[inside] + state.shift_s

    def place(time: FloatArray) -> FloatArray:
        return np.column_stack([np.interp(time, poses.time_s, axis) for axis in poses.position_m.T])

    body = turn(t).inv().apply(sample.xyz_m[inside] - place(t))
    body = Rotation.from_rotvec(state.mount[:3]).apply(body) + state.mount[3:]
    change = np.column_stack([np.interp(late, state.knot_s, part) for part in state.spline.T])
    arm = Rotation.from_rotvec(change[:, :3]).apply(turn(late).apply(body))
    assert np.abs(lever - arm).max() < 1e-9
    assert np.abs(got - (arm + place(late) + change[:, 3:])).max() < 1e-9


def test_stand_in_poses_carry_points_along(small: tuple[Sample, Poses]) -> None:
    sample, poses = small
    still = State(np.array([0.0, 100.0]), np.zeros((2, 6)))
    shifted = replace(poses, new_position_m=poses.position_m + SHIFT)
    moved, _ = carried(sample, shifted, still)
    assert np.abs(moved - (sample.xyz_m + SHIFT)).max() < 1e-9
    unmoved, _ = carried(sample, poses, still)
    assert np.abs(unmoved - sample.xyz_m).max() < 1e-12


def test_the_solution_is_the_least_squares_one(small: tuple[Sample, Poses], monkeypatch: pytest.MonkeyPatch) -> None:
    """A dense least-squares problem that keeps the planes as unknowns gives the same spline and clock."""
    sample, poses = small
    free = Free(clock=True)
    state = replace(bent(sample), mount=np.zeros(6))
    columns = columns_of(sample, poses, poses, state, free)
    laid = lay(sample, poses, state, columns, cell_m=0.5)
    made = build(laid, len(state.knot_s), width_m=1e6)  # so wide that every point weighs the same
    spline, extras = System(made, state, PRIORS, free).change()
    rows, planes, right = [], [], []
    for cell in range(len(laid.cells)):
        part = slice(laid.cells.first[cell], laid.cells.last[cell])
        n, u = laid.cells.normal[cell], laid.cells.along[cell]
        off = laid.xyz_m[part] - laid.cells.middle[cell]
        scale = math.sqrt(adjust.WEIGHT) / laid.sd_m[part]
        own = np.column_stack([np.cross(laid.lever_m[part], n), np.tile(n, (len(off), 1))])
        jacobian = np.zeros((len(off), len(state.knot_s), 6))
        k = np.arange(len(off))
        jacobian[k, laid.interval[part]] += (1.0 - laid.share[part])[:, None] * own
        jacobian[k, laid.interval[part] + 1] += laid.share[part][:, None] * own
        clock = laid.columns[part, 0] @ n
        rows.append(scale[:, None] * np.column_stack([jacobian.reshape(len(off), -1), clock]))
        planes.append(-scale[:, None] * np.column_stack([np.ones(len(off)), off @ u, off @ np.cross(n, u)]))
        right.append(-scale * (off @ n))
    prior, prior_right = prior_rows(state)
    data = np.hstack([np.vstack(rows), block_diag(*planes)])
    matrix = np.vstack([data, np.pad(prior, ((0, 0), (0, 3 * len(planes))))])
    wanted, *_ = np.linalg.lstsq(matrix, np.concatenate([*right, prior_right]), rcond=None)
    unknowns = spline.size
    assert len(planes) > 50
    assert spline.reshape(-1) == pytest.approx(wanted[:unknowns], abs=1e-8)
    assert extras == pytest.approx(wanted[unknowns : unknowns + 1], abs=1e-8)
    for tile in (1, 3):
        monkeypatch.setattr(blocked, "TILE", tile)
        monkeypatch.setattr(blocked, "FEW", 0)
        tiled, tiled_extras = System(made, state, PRIORS, free).change()
        assert tiled == pytest.approx(wanted[:unknowns].reshape(-1, 6), abs=1e-8)
        assert tiled_extras == pytest.approx(wanted[unknowns : unknowns + 1], abs=1e-8)


def sparse_blocks(knots: int, stiff: float) -> tuple[FloatArray, IntArray, FloatArray]:
    """Return blocks of pairs of knots that couple only here and there, which pair has which, and the whole matrix.

    Its smallest eigenvalue is `stiff`.
    """
    rng = np.random.default_rng(knots)
    seen = np.triu((rng.random((knots, knots)) < 0.08) | (np.abs(np.subtract.outer(range(knots), range(knots))) < 2))
    slot = np.full(seen.shape, -1)
    slot[seen] = np.arange(int(seen.sum()))
    full = np.where(seen[:, None, :, None], rng.normal(size=(knots, 6, knots, 6)), 0.0).reshape(6 * knots, -1)
    full = np.triu(full) + np.triu(full, 1).T
    full += (stiff - np.linalg.eigvalsh(full)[0]) * np.eye(6 * knots)
    return full.reshape(knots, 6, knots, 6).transpose(0, 2, 1, 3)[seen], slot, full


@pytest.mark.parametrize(("knots", "tile", "few"), [(7, 24, 8), (40, 4, 8), (40, 4, 20), (25, 5, 0), (9, 1, 0)])
def test_tiles_solve_what_a_dense_solver_solves(
    knots: int, tile: int, few: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """NumPy's dense solution is the measure; unknowns of unlike size, as radians and metres are."""
    monkeypatch.setattr(blocked, "TILE", tile)
    monkeypatch.setattr(blocked, "FEW", few)
    blocks, slot, full = sparse_blocks(knots, 0.5)
    rng = np.random.default_rng(1)
    size, known = 10.0 ** rng.uniform(-4.0, 4.0, (knots, 6)), rng.normal(size=(6 * knots, 3))
    pairs = np.argwhere(slot >= 0)
    unlike = blocks * size[pairs[:, 0], :, None] * size[pairs[:, 1], None, :]
    found = blocked.factored(unlike, slot)(known * size.reshape(-1, 1)) * size.reshape(-1, 1)
    assert found == pytest.approx(np.linalg.solve(full, known), abs=1e-11)


@pytest.mark.parametrize("stiff", [1e-5, 1e-9])
def test_what_single_precision_cannot_solve_is_solved_in_double_precision(stiff: float) -> None:
    """Condition 1e7 and 1e11: the residual is as small as double precision makes it."""
    blocks, slot, full = sparse_blocks(40, stiff)
    known = np.random.default_rng(1).normal(size=(240, 2))
    found = blocked.factored(blocks, slot)(known)
    assert np.abs(full @ found - known).max() < 1e-13 * np.abs(found).max() * np.abs(full).sum(axis=1).max()


def test_nothing_known_is_solved_by_nothing() -> None:
    blocks, slot, _ = sparse_blocks(9, 0.5)
    assert not blocked.factored(blocks, slot)(np.zeros((54, 2))).any()


def test_what_is_not_positive_definite_is_refused() -> None:
    blocks, slot, _ = sparse_blocks(9, -0.1)
    with pytest.raises(np.linalg.LinAlgError):
        blocked.factored(blocks, slot)(np.ones((54, 1)))


def prior_rows(state: State) -> tuple[FloatArray, FloatArray]:
    """Return the priors as rows over spline and clock: increments, start, lean and clock, each over its sd."""
    knots = len(state.knot_s)
    rows, right = [], []

    def say(weights: dict[int, float], value: float, sd: float) -> None:
        row = np.zeros(6 * knots + 1)
        for at, weight in weights.items():
            row[at] = weight / sd
        rows.append(row)
        right.append(-value / sd)

    step = np.diff(state.knot_s)
    for k in range(knots):
        for c in range(6):
            if k + 1 < knots:
                sd = (PRIORS.walk_rad if c < 3 else PRIORS.walk_m) * math.sqrt(step[k])
                say({6 * k + c: -1.0, 6 * k + 6 + c: 1.0}, state.spline[k + 1, c] - state.spline[k, c], sd)
            if k == 0 and c >= 2:
                say({c: 1.0}, state.spline[0, c], PRIORS.start_rad if c == 2 else PRIORS.start_m)
            if c < 2:
                sd = PRIORS.lean_rad * math.sqrt(adjust.LEAN_S / np.gradient(state.knot_s)[k])
                say({6 * k + c: 1.0}, state.spline[k, c], sd)
    say({6 * knots: 1.0}, state.shift_s, PRIORS.clock_s)
    return np.array(rows), np.array(right)


def test_cells_are_planes_through_their_points() -> None:
    rng = np.random.default_rng(3)
    n = np.array([0.2, -0.3, 0.933])
    n /= np.linalg.norm(n)
    flat = rng.uniform(-2.0, 2.0, (20_000, 3))
    flat -= np.outer(flat @ n, n)
    flat += np.outer(rng.normal(0.0, 0.004, len(flat)), n)
    cells = planar_cells(flat, cell_m=0.3)
    assert len(cells) > 100
    for cell in range(0, len(cells), 17):
        own = flat[cells.order[cells.first[cell] : cells.last[cell]]]
        centre = own.mean(axis=0)
        assert cells.middle[cell] == pytest.approx(centre)
        smallest = np.linalg.svd(own - centre)[1][2]
        assert math.sqrt(cells.variance_m2[cell]) == pytest.approx(smallest / math.sqrt(len(own)))
    # One region: cells take its normal, which is far better than their own.
    assert np.abs(cells.normal @ n).min() > math.cos(math.radians(0.1))


def test_a_cloud_without_planes_has_no_cells() -> None:
    mist = np.random.default_rng(4).normal(0.0, 1.0, (90_000, 3))
    assert len(planar_cells(mist, cell_m=0.5, fewest=60)) == 0
    assert len(planar_cells(np.zeros((0, 3)), cell_m=0.5)) == 0


def test_a_floor_at_zero_is_one_layer_of_cells() -> None:
    floor = np.random.default_rng(5).uniform(-3.0, 3.0, (50_000, 3)) * [1.0, 1.0, 0.0]
    floor[:, 2] = np.random.default_rng(6).normal(0.0, 0.01, len(floor))
    assert len(np.unique(planar_cells(floor, cell_m=0.2).index[:, 2])) == 1


def test_smoothing_is_that_of_savitzky_and_golay() -> None:
    """Evenly spaced poses: the parabola through 21 of them, as SciPy's filter of degree 2 has it."""
    rng = np.random.default_rng(7)
    time = np.arange(200) * 0.01
    position = np.cumsum(rng.normal(0.0, 0.01, (200, 3)), axis=0)
    turn = Rotation.from_rotvec(np.cumsum(rng.normal(0.0, 0.01, (200, 3)), axis=0)).as_quat()
    flipped = turn * rng.choice([-1.0, 1.0], (200, 1))
    calm = smoothed(poses_about(Trajectory(time, position, flipped), np.zeros(3)), 0.1)
    wanted = savgol_filter(position, 21, 2, axis=0)
    assert calm.new_position_m[10:-10] == pytest.approx(wanted[10:-10], abs=1e-9)
    assert calm.new_position_m[:10] == pytest.approx(position[:10])
    even = Rotation.from_quat(turn)
    aligned = turn * np.where(np.sum(turn * turn[:1], axis=1) < 0.0, -1.0, 1.0)[:, None]
    filtered = Rotation.from_quat(savgol_filter(aligned, 21, 2, axis=0))
    got = Rotation.from_quat(calm.new_rotation_xyzw)
    assert (got[10:-10].inv() * filtered[10:-10]).magnitude().max() < 1e-9
    assert (got[:10].inv() * even[:10]).magnitude().max() < 1e-9


def test_poses_around_a_gap_are_not_smoothed() -> None:
    time = np.r_[np.arange(50) * 0.01, 5.0 + np.arange(50) * 0.01]
    position = np.random.default_rng(8).normal(size=(100, 3))
    reported = poses_about(Trajectory(time, position, np.tile([0.0, 0.0, 0.0, 1.0], (100, 1))), np.zeros(3))
    calm = smoothed(reported, 0.05)
    assert calm.new_position_m[46:54] == pytest.approx(position[46:54])
    assert not np.allclose(calm.new_position_m[20:30], position[20:30])
    few = poses_about(Trajectory([0.0, 0.1, 0.2], np.zeros((3, 3)), [[0, 0, 0, 1]] * 3), np.zeros(3))
    assert smoothed(few, 0.1) is few


def test_thickness_of_a_known_floor() -> None:
    rng = np.random.default_rng(9)
    floor = np.column_stack([rng.uniform(-3.0, 3.0, (100_000, 2)), rng.normal(0.0, 0.005, 100_000)])
    doubled = floor + np.where(rng.random(len(floor)) < 0.5, 0.01, -0.01)[:, None] * [0.0, 0.0, 1.0]
    found = compare_thickness(doubled, floor)
    assert found.after_m == pytest.approx(0.005, rel=0.02)
    assert found.before_m == pytest.approx(math.hypot(0.005, 0.01), rel=0.02)
    assert found.is_thinner
    assert not compare_thickness(floor, doubled).is_thinner
    assert not compare_thickness(floor, floor).is_thinner


def test_noise_of_one_kind_is_not_thinner_than_another_of_the_same() -> None:
    rng = np.random.default_rng(10)
    flat = np.column_stack([rng.uniform(-3.0, 3.0, (60_000, 2)), np.zeros(60_000)])
    thinner = 0
    for _ in range(10):
        one, other = (flat + rng.normal(0.0, 0.005, (len(flat), 1)) * [0.0, 0.0, 1.0] for _ in range(2))
        thinner += compare_thickness(one, other).is_thinner
    assert thinner == 0


def test_nothing_to_compare_is_no_gain() -> None:
    found = compare_thickness(np.zeros((0, 3)), np.zeros((0, 3)))
    assert not found.is_thinner and found.cells == 0


def test_beams_of_one_firing_move_as_single_ones(small: tuple[Sample, Poses]) -> None:
    """Eight rows share a time and a viewpoint: each must land where it lands alone, viewpoints too, in place."""
    from terrain.kernels import drift

    sample, poses = small
    state = bent(sample)
    time = np.repeat(sample.time_s[:200], 8)
    xyz, view = sample.xyz_m[:1600], np.repeat(sample.view_m[:200], 8, axis=0)

    def carry(xyz: FloatArray, view: FloatArray, time: FloatArray, *, in_place: bool) -> tuple[FloatArray, FloatArray]:
        xyz, view = xyz.copy(), view.copy()
        out, out_view = (xyz, view) if in_place else (np.empty_like(xyz), np.empty_like(view))
        drift.carry(
            xyz, view, time, state.shift_s, poses.time_s, poses.position_m, poses.rotation_xyzw, poses.new_position_m,
            poses.new_rotation_xyzw, state.mount, state.knot_s, state.spline, out, out_view, np.empty_like(xyz),
        )  # fmt: skip
        return out, out_view

    together = carry(xyz, view, time, in_place=True)
    alone = [carry(xyz[k : k + 1], view[k : k + 1], time[k : k + 1], in_place=False) for k in range(len(time))]
    for part in range(2):
        assert together[part] == pytest.approx(np.concatenate([one[part] for one in alone]), abs=1e-12)


@pytest.mark.parametrize("step_rad", [1e-9, 1e-4, 0.05, 0.19, 0.21, 1.5])
def test_points_are_carried_along_arcs(step_rad: float) -> None:
    """Against SciPy's Slerp, on both sides of where series give way to sines."""
    from terrain.kernels import drift

    rng = np.random.default_rng(3)
    pose_s = np.arange(12.0)
    old, new = (
        Rotation.from_rotvec(step_rad * pose_s[:, None] * axis) * Rotation.random(rng=rng)
        for axis in ([0.0, 0.6, 0.8], [0.8, 0.0, -0.6])
    )
    old_m, new_m = rng.normal(0.0, 1.0, (2, 12, 3))
    time_s = np.sort(rng.uniform(0.0, 10.9, 300))
    xyz = rng.uniform(-20.0, 20.0, (300, 3))
    knot_s, spline = pose_s, np.column_stack([rng.normal(0.0, step_rad, (12, 3)), rng.normal(0.0, 0.1, (12, 3))])
    mount, late_s = np.array([0.02, -0.01, 0.3, 0.1, 0.2, -0.3]), 0.05
    out, lever, none = np.empty_like(xyz), np.empty_like(xyz), np.empty((0, 3))
    quaternions = (np.ascontiguousarray(turns.as_quat()) for turns in (old, new))
    old_q, new_q = quaternions
    drift.carry(xyz, none, time_s, late_s, pose_s, old_m, old_q, new_m, new_q, mount, knot_s, spline, out, none, lever)

    def along(values: FloatArray, at_s: FloatArray) -> FloatArray:
        return np.column_stack([np.interp(at_s, pose_s, column) for column in values.T])

    body = Slerp(pose_s, old)(time_s).inv().apply(xyz - along(old_m, time_s))
    body = Rotation.from_rotvec(mount[:3]).apply(body) + mount[3:]
    bent = along(spline, time_s + late_s)
    arm = Rotation.from_rotvec(bent[:, :3]).apply(Slerp(pose_s, new)(time_s + late_s).apply(body))
    assert lever == pytest.approx(arm, abs=1e-12)
    assert out == pytest.approx(arm + along(new_m, time_s + late_s) + bent[:, 3:], abs=1e-12)
