"""Across targets: mount, range and clock in one least-squares adjustment, with what it cannot tell."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from terrain.data import FloatArray, IntArray, PoseModel
from terrain.sensor.decide import UNDECIDED, Quantity, judged
from terrain.sensor.observe import FREEDOMS, Observed, distances, observed
from terrain.sensor.sight import Mount
from terrain.sensor.surface import Surface, pose_columns
from terrain.sensor.targets import CheckSettings

GLOBAL = 9
"""Three turns, three shifts, range offset, range scale, clock."""
FREE_TURN_RAD, FREE_SHIFT_M = 0.5, 3.0
"""What stands for "nothing is known" of the mount beforehand."""
STEPS = 12
LONGEST_STEP = np.array([0.1] * 3 + [0.3] * 3 + [0.1, 0.02, 0.2])
SETTLED = 0.01
"""Iteration ends when nothing changes by more than this share of its own sd."""
MOVING_MPS = 0.05
"""A pass shows the clock only if points would move across their surfaces faster than this."""
LEARNT = 0.5
"""Range and clock are told only if the targets shrink what was known beforehand at least to this share."""
LEFT_IN = 1e-6
OUTLYING = 1e-4
"""A target that disagrees with all others more than chance allows this often is set aside."""


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """Normal equations of one surface in one adjustment: columns, J^T W J, J^T W y."""

    columns: IntArray
    matrix: FloatArray
    right: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _System:
    """All parts, where each parameter stands, and what is known of it beforehand."""

    parts: Mapping[str, _Part]
    reference: Mapping[str, IntArray]
    prior: FloatArray
    sources: Mapping[str, IntArray]


@dataclass(frozen=True, slots=True, eq=False)
class Adjustment:
    """Result of an adjustment.

    mount: corrected; step (9,): what was found, in the order of FREEDOMS, then range offset (m), scale, clock (s);
    sd (9,); covariance (9, 9); sees: geometry; refused: by quantity, why it is not told; set_aside: target and
    reason; quantities; after_m: what is left of each target's bias with its sd; converged.
    """

    mount: Mount
    step: FloatArray
    sd: FloatArray
    covariance: FloatArray
    sees: Observed
    range_m: tuple[float, float]
    """Nearest and farthest range on targets of known place."""
    refused: Mapping[str, str]
    set_aside: Mapping[str, str]
    quantities: tuple[Quantity, ...]
    after: Mapping[str, tuple[float, float]]
    converged: bool


def adjust(
    surfaces: Sequence[Surface],
    stated: Mount,
    poses: PoseModel,
    settings: CheckSettings,
    *,
    set_aside: Mapping[str, str] | None = None,
) -> Adjustment:
    """Return mount, range and clock that bring all surfaces to where they were stated.

    Parameters
    ----------
    surfaces : sequence of Surface
        Found in a survey whose points are in the sensor frame.
    stated : Mount
        Of the survey.
    poses : PoseModel
        Errors of a pose; alike within a stand, independent between stands.
    settings : CheckSettings
        Tolerances, and what is known of range and clock beforehand.
    set_aside : mapping, optional
        Targets that take no part, and why.

    Notes
    -----
    Point-to-plane least squares with every point weighted by its noise; unknowns are the corrections, six errors for
    every stand's pose, and the error of every reference, the last two with their stated sd (Bayesian least squares,
    so that U holds them). Gauss-Newton on the full geometry. A target whose reference, estimated from all others,
    departs from what was stated more than chance allows (chi-squared, leave one out) is set aside, one at a time.
    """
    aside, wrong = dict(set_aside or {}), ""
    while True:
        used = [surface for surface in surfaces if surface.name not in aside]
        mount, step, system, full, converged = _solve(used, stated, poses, settings)
        name, reason = _most_outlying(used, system, full)
        if not name:
            break
        rest = [surface for surface in used if surface.name != name]
        if observed(rest, mount).refused:
            wrong = f"{name} and the others contradict each other ({reason}), and without it too little is seen"
            break
        aside[name] = reason
    if not converged:
        wrong = "it did not settle: the mount is far off, or a target was mistaken for another"
    covariance = full[1][:GLOBAL, :GLOBAL]
    sees = observed(used, mount)
    low, high, one_distance = distances(used)
    refused = _refused(sees, one_distance, high, covariance, settings)
    told = sees.seen
    if wrong and not sees.refused:
        refused["mount"], told = wrong, (False,) * len(FREEDOMS)
    quantities = _quantities(step, covariance, system, full[1], told, refused, settings)
    return Adjustment(
        mount=mount,
        step=step,
        sd=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        sees=sees,
        range_m=(low, high),
        refused=refused,
        set_aside=aside,
        quantities=quantities,
        after=_after(surfaces, mount),
        converged=converged,
    )


def _after(surfaces: Sequence[Surface], mount: Mount) -> dict[str, tuple[float, float]]:
    """Return mean and RMS residual of every surface under the corrected mount."""
    found = {}
    for surface in surfaces:
        residual = surface.residual(surface.sight.placed(mount))
        found[surface.name] = (float(residual.mean()), float(np.sqrt(np.mean(residual**2))))
    return found


def _layout(used: Sequence[Surface], poses: PoseModel, settings: CheckSettings) -> _System:
    """Return where each parameter stands and what is known of it, without data."""
    stands = np.unique(np.concatenate([surface.sight.stand for surface in used] or [np.empty(0, np.int64)]))
    before = [FREE_TURN_RAD] * 3 + [FREE_SHIFT_M] * 3
    before += [settings.range_offset_sd_m, settings.range_scale_sd, settings.clock_sd_s]
    sd = [np.array(before)]
    sd += [np.array([max(poses.position_sd_m, 1e-6)] * 3 + [max(poses.attitude_sd_rad, 1e-7)] * 3)] * len(stands)
    at = GLOBAL + 6 * len(stands)
    reference: dict[str, IntArray] = {}
    for surface in used:
        known = surface.reference_sd()
        reference[surface.name] = np.arange(at, at + len(known))
        sd.append(known)
        at += len(known)
    sources = {
        "sensor": np.arange(6, GLOBAL),
        "poses": np.arange(GLOBAL, GLOBAL + 6 * len(stands)),
        "reference": np.arange(GLOBAL + 6 * len(stands), at),
    }
    return _System({}, reference, 1.0 / np.square(np.concatenate(sd)), sources)


def _part(surface: Surface, mount: Mount, columns: IntArray, stands: IntArray, moving: bool) -> _Part:
    """Return the normal equations of one surface, all of its stands together."""
    sight = surface.sight
    xyz = sight.placed(mount)
    beam = sight.beam(mount)
    middles = surface.own_centres(xyz)
    behind = surface.along_beam(xyz - middles, beam)
    true = (sight.range_m() - mount.range_offset_m) / (1.0 + mount.range_scale)
    arm = (sight.in_body(mount) - mount.translation_m) * (1.0 - behind / true)[:, None]
    true, xyz = true - behind, xyz - beam * behind[:, None]
    normals = surface.normals(xyz - middles)
    # A sphere may still be a good part of its radius away: its own centre's distance is linear, its points' are not.
    y = surface.residual(sight.placed(mount) - middles) + np.einsum("ni,ni->n", normals, middles)
    in_body = np.einsum("nji,nj->ni", sight.turn, normals)
    along = np.einsum("ni,ni->n", normals, beam)
    clock = np.einsum("ni,ni->n", normals, sight.swept(xyz)) if moving else np.zeros(len(xyz))
    common = np.column_stack((np.cross(arm, in_body), in_body, -along, -along * true, clock))
    poses = pose_columns(normals, xyz, sight.body_m)
    reference = surface.reference_columns(xyz - middles)
    weight = 1.0 / np.square(surface.noise_at(np.abs(along)) * max(surface.ratio, 0.05))
    here = np.unique(sight.stand)
    own = [GLOBAL + 6 * int(np.searchsorted(stands, stand)) + np.arange(6) for stand in here]
    index = np.concatenate((np.arange(GLOBAL), *own, columns))
    size, k = len(index), reference.shape[1]
    matrix, right = np.zeros((size, size)), np.zeros(size)
    for number, stand in enumerate(here):
        rows = sight.stand == stand
        block = np.column_stack((common[rows], poses[rows], reference[rows]))
        at = np.concatenate((np.arange(GLOBAL), GLOBAL + 6 * number + np.arange(6), np.arange(size - k, size)))
        weighted = block * weight[rows, None]
        matrix[np.ix_(at, at)] += weighted.T @ block
        right[at] += weighted.T @ y[rows]
    return _Part(index, matrix, right)


def _solve(
    used: Sequence[Surface], stated: Mount, poses: PoseModel, settings: CheckSettings
) -> tuple[Mount, FloatArray, _System, tuple[FloatArray, FloatArray], bool]:
    """Return mount, step (9,), the last system, its solution and covariance, and whether it settled."""
    from scipy.spatial.transform import Rotation

    layout = _layout(used, poses, settings)
    stands = np.unique(np.concatenate([surface.sight.stand for surface in used] or [np.empty(0, np.int64)]))
    moving = _is_moving(used, stated)
    mount, done = stated, np.zeros(GLOBAL)
    converged = False
    for _ in range(STEPS):
        parts = {
            surface.name: _part(surface, mount, layout.reference[surface.name], stands, moving) for surface in used
        }
        system = _System(parts, layout.reference, layout.prior, layout.sources)
        solution, covariance = _solution(system, done)
        step = _held(solution[:GLOBAL])
        mount = mount.moved(step)
        done = np.concatenate(
            (
                Rotation.from_matrix(mount.rotation @ stated.rotation.T).as_rotvec(),
                mount.translation_m - stated.translation_m,
                [mount.range_offset_m, mount.range_scale, mount.clock_s],
            )
        )
        if (np.abs(step) <= SETTLED * np.sqrt(np.diag(covariance)[:GLOBAL])).all():
            converged = True
            break
    return mount, done, system, (solution, covariance), converged


def _held(step: FloatArray) -> FloatArray:
    """Return a step shortened so that no part of it is longer than the geometry is straight for."""
    return step / max(1.0, float(np.max(np.abs(step) / LONGEST_STEP)))


def _is_moving(used: Sequence[Surface], mount: Mount) -> bool:
    speeds = [
        np.einsum("ni,ni->n", surface.normals(surface.sight.xyz_m), surface.sight.swept(surface.sight.xyz_m))
        for surface in used
        if surface.known_place
    ]
    return bool(speeds) and float(np.sqrt(np.mean(np.concatenate(speeds) ** 2))) > MOVING_MPS


def _solution(system: _System, done: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return solution and covariance."""
    matrix, right = np.diag(system.prior), np.zeros(len(system.prior))
    right[:GLOBAL] = system.prior[:GLOBAL] * done
    for part in system.parts.values():
        matrix[np.ix_(part.columns, part.columns)] += part.matrix
        right[part.columns] += part.right
    scale = 1.0 / np.sqrt(np.diag(matrix))
    inverse = np.linalg.inv(matrix * np.outer(scale, scale)) * np.outer(scale, scale)
    return -inverse @ right, inverse


def _most_outlying(used: Sequence[Surface], system: _System, full: tuple[FloatArray, FloatArray]) -> tuple[str, str]:
    """Return the target that disagrees most with all others, and how; two empty texts where none does."""
    from scipy.stats import chi2

    worst, least = ("", ""), OUTLYING
    solution, covariance = full
    for surface in used:
        known = surface.known()
        if not surface.is_plane:
            known = known & np.array([True, True, True, False])
        if not known.any():
            continue
        columns = system.reference[surface.name][known]
        prior = np.diag(system.prior[columns])
        # What all others say of this reference: its own prior, which has mean nought, taken out of what is known of it.
        information = np.linalg.inv(covariance[np.ix_(columns, columns)])
        others = np.linalg.inv(information - prior * (1.0 - LEFT_IN))
        off = others @ (information @ solution[columns])
        spread = others + np.linalg.inv(prior)
        chance = float(chi2.sf(float(off @ np.linalg.solve(spread, off)), len(off)))
        if chance < least:
            least = chance
            worst = (surface.name, _outlying_words(surface, known, off, spread))
    return worst


def _outlying_words(surface: Surface, known: FloatArray, off: FloatArray, spread: FloatArray) -> str:
    sd = 2.0 * np.sqrt(np.diag(spread))
    if not surface.is_plane:
        return f"its centre lies {1e3 * float(np.linalg.norm(off)):.1f} mm from where all other targets put it"
    words = []
    if known[0]:
        words.append(f"{1e3 * abs(off[0]):.1f} mm (U {1e3 * sd[0]:.1f})")
    if known[1]:
        lean, spread_rad = float(np.linalg.norm(off[-2:])), float(sd[-2:].max())
        words.append(f"{math.degrees(lean):.2f} deg (U {math.degrees(spread_rad):.2f})")
    return f"it lies {' and '.join(words)} from where all other targets put it: moved, or wrongly stated"


def _refused(
    sees: Observed, one_distance: str, far_m: float, covariance: FloatArray, settings: CheckSettings
) -> dict[str, str]:
    refused: dict[str, str] = {}
    if sees.refused:
        refused["mount"] = sees.refused
    sd = np.sqrt(np.diag(covariance))
    if one_distance:
        refused["range offset"] = refused["range scale"] = one_distance
    if sd[6] > LEARNT * settings.range_offset_sd_m:
        refused.setdefault(
            "range offset",
            "a range offset looks like a shift of the mount from here: add a target on the other side of the sensor, "
            "or see one target both squarely and at a grazing angle",
        )
    if sd[7] > LEARNT * settings.range_scale_sd:
        refused.setdefault("range scale", f"a scale shows with distance: add a target well beyond {far_m:.0f} m")
    if sd[8] > LEARNT * settings.clock_sd_s:
        refused["clock offset"] = "the sensor did not move enough past the targets: turn on the spot in front of a wall"
    return refused


def _quantities(
    step: FloatArray,
    covariance: FloatArray,
    system: _System,
    full: FloatArray,
    told: Sequence[bool],
    refused: Mapping[str, str],
    settings: CheckSettings,
) -> tuple[Quantity, ...]:
    by_source = _by_source(system, full)
    found = []
    turn, shift = settings.mount_tolerance_rad, settings.mount_tolerance_m
    rows = [(f"mount {name}", "rad" if k < 3 else "m", turn if k < 3 else shift) for k, name in enumerate(FREEDOMS)]
    rows += [
        ("range offset", "m", settings.range_offset_tolerance_m),
        ("range scale", "ppm", settings.range_scale_tolerance),
        ("clock offset", "s", settings.clock_tolerance_s),
    ]
    for k, (name, unit, tolerance) in enumerate(rows):
        part = name.split()[0]
        why = ("" if told[k] else refused["mount"]) if k < 6 else refused.get(name, "")
        if why:
            if part in settings.require:
                found.append(Quantity(name, unit, math.nan, math.nan, tolerance, UNDECIDED, f"not told: {why}"))
            continue
        budget = {source: math.sqrt(max(0.0, float(cov[k, k]))) for source, cov in by_source.items()}
        budget = {source: u for source, u in budget.items() if u > 1e-12}
        # A correction is what to add to the mount; range and clock are errors of the sensor as stated.
        found.append(judged(name, unit, float(step[k]), budget, tolerance))
    return tuple(found)


def _by_source(system: _System, full: FloatArray) -> dict[str, FloatArray]:
    """Return the covariance of the nine corrections split by where it comes from; the parts add up to the whole."""
    top = full[:GLOBAL]
    found = {}
    left = full[:GLOBAL, :GLOBAL].copy()
    for source, index in system.sources.items():
        share = top[:, index]
        found[source] = (share * system.prior[index]) @ share.T
        left -= found[source]
    return {"noise": left, **found}


def mount_line(mount: Mount) -> str:
    """Return the `mount` line of a survey file, ready to paste."""
    from scipy.spatial.transform import Rotation

    quaternion = Rotation.from_matrix(mount.rotation).as_quat()
    if quaternion[3] < 0.0:
        quaternion = -quaternion
    shift = ", ".join(f"{one:.5f}" for one in mount.translation_m + 0.0)
    turn = ", ".join(f"{one:.8f}" for one in quaternion + 0.0)
    return f"mount = {{ translation_m = [{shift}], rotation_xyzw = [{turn}] }}"
