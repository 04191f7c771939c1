"""Foot placements drawn over the invented dock, and what the truth says of them.

What is clear is decided with guards, so that neither a millimetre nor a coin toss at a limit counts: a placement is
clearly past a limit, or clearly steppable, only if it is so by 1.5 cm or 3 degrees and also after a move of 1.5 cm
in each of four directions.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely

from clouds_demo.shapes import Facet, FloatArray, HeightField, IntArray
from clouds_demo.truth import BoolArray, Guards, Measured, Truth, biped, comfortable, past_limits
from terrain.data import FootProfile

KIND_SHARES = {
    "floor": 0.18,
    "block_top": 0.30,
    "tread": 0.11,
    "altar_tread": 0.09,
    "ramp": 0.11,
    "landing": 0.05,
    "deck": 0.08,
    "drain": 0.02,
    "timber_top": 0.03,
    "gravel": 0.03,
}
GUARD_M = 0.015
GUARDS = Guards(distance_m=GUARD_M, slope_rad=float(np.deg2rad(3.0)), roughness_m=0.002, support=0.0)
FAIR = Guards(distance_m=0.005, slope_rad=float(np.deg2rad(1.0)), roughness_m=0.001, support=0.01)
CONTACT_GUARD_M, SUPPORT_GUARD, JOINT_GUARD_M = 0.004, 0.05, 0.005
SHIFTS = ((0.0, 0.0), (GUARD_M, 0.0), (-GUARD_M, 0.0), (0.0, GUARD_M), (0.0, -GUARD_M))
Test = Callable[[Measured, FootProfile], BoolArray]
FIELDS = ("slope_rad", "roughness_m", "support", "rocking_m", "edge_m", "beside_m", "clear_m")


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """Placements (n, 4) with the true facet under the load point and its kind."""

    placement: FloatArray
    facet: IntArray
    kind: npt.NDArray[np.str_]


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """The truth about drawn placements.

    steppable (n,): clearly steppable; by_joint (n,): one of those that would not be if joints down to 12 mm counted;
    fair (n,): steppable with 5 mm, one degree and 1 mm of roughness to spare, not moved (a sole on a block 0.2 m wide
    can be no more than that).
    """

    drawn: Drawn
    measured: Measured
    steppable: BoolArray
    by_joint: BoolArray
    fair: BoolArray


def draw_placements(truth: Truth, *, number: int, seed: int) -> Drawn:
    """Draw placements over the upward surfaces, many of them near borders and many where a sole just fits."""
    rng = np.random.default_rng([seed, 11])
    by_kind: dict[str, list[Facet | HeightField]] = {}
    for facet in truth.facets.values():
        by_kind.setdefault(facet.kind, []).append(facet)
    kinds = [kind for kind in KIND_SHARES if kind in by_kind]
    shares = np.array([KIND_SHARES[kind] for kind in kinds])
    rows, ids = [], []
    while len(rows) < number:
        kind = kinds[int(rng.choice(len(kinds), p=shares / shares.sum()))]
        facet = by_kind[kind][int(rng.integers(len(by_kind[kind])))]
        xyz, yaw = _spot(facet, rng)
        tops = truth.surfaces_at(float(xyz[0]), float(xyz[1]))
        if not tops:
            continue
        z, found = min(tops, key=lambda top: abs(top[0] - xyz[2]))
        if truth.facets[found].kind not in KIND_SHARES:
            continue
        rows.append([xyz[0], xyz[1], yaw, z])
        ids.append(found)
    return Drawn(np.array(rows), np.array(ids), np.array([truth.facets[i].kind for i in ids]))


def _spot(facet: Facet | HeightField, rng: np.random.Generator) -> tuple[FloatArray, float]:
    """Return a point on or beside a facet and a yaw: anywhere, near the border, or along its middle."""
    yaw = float(rng.uniform(-np.pi, np.pi))
    if isinstance(facet, HeightField):
        nodes = facet.nodes().reshape(-1, 3)
        return nodes[int(rng.integers(len(nodes)))], yaw
    mode = rng.random()
    if mode < 0.4 or (facet.holes and mode < 0.6):
        corners = facet.triangles()
        area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
        a, b = np.sort(rng.random(2))
        weights = np.array([a, b - a, 1.0 - b])
        return np.asarray(weights @ corners[int(rng.choice(len(corners), p=area / area.sum()))]), yaw
    rings = [facet.exterior, *facet.holes]
    ring = rings[int(rng.integers(len(rings)))]
    after = np.roll(ring, -1, axis=0)
    length = np.linalg.norm(after - ring, axis=1)
    k = int(rng.choice(len(ring), p=length / length.sum()))
    if mode < 0.7:
        along, side = rng.random(), rng.uniform(-0.12, 0.12)
        out = np.array([(after - ring)[k, 1], -(after - ring)[k, 0], 0.0]) / max(length[k], 1e-9)
        if rng.random() < 0.5:
            yaw = float(np.arctan2((after - ring)[k, 1], (after - ring)[k, 0]) + rng.normal(0.0, 0.1))
            yaw += float(rng.integers(4)) * np.pi / 2
        return ring[k] + along * (after - ring)[k] + out * side, yaw
    k = int(length.argmax())
    yaw = float(np.arctan2((after - ring)[k, 1], (after - ring)[k, 0]) + rng.normal(0.0, 0.05))
    yaw += float(rng.integers(2)) * np.pi + (np.pi / 2 if rng.random() < 0.2 else 0.0)
    spread = max(0.0, 0.5 * float(length.max()) - 0.15)
    ahead = np.array([np.cos(yaw), np.sin(yaw), 0.0])
    sole_middle = 0.04 * ahead
    way = (after - ring)[k] / length[k]
    jitter = np.array([*rng.normal(0.0, 0.01, 2), 0.0])
    return facet.exterior.mean(axis=0) - sole_middle + way * rng.uniform(-spread, spread) + jitter, yaw


def judge(truth: Truth, drawn: Drawn, *, foot: FootProfile | None = None) -> Judged:
    """Return what the truth says of the placements."""
    foot = foot or biped()
    measured = truth.measure(drawn.placement, foot)
    strict = replace(foot, drop_m=foot.drop_m - GUARD_M, clear_height_m=foot.clear_height_m + GUARD_M)
    strict = replace(strict, contact_m=foot.contact_m - CONTACT_GUARD_M)
    candidates = np.flatnonzero(measured.label == 1)
    steppable = np.zeros(len(drawn.placement), dtype=np.bool_)
    steppable[candidates] = _in_all_shifts(truth, drawn.placement[candidates], strict, _comfortable)
    joints = np.flatnonzero(steppable)
    by_joint = np.zeros(len(steppable), dtype=np.bool_)
    crack = replace(strict, joint_m=0.012)
    by_joint[joints] = ~_in_all_shifts(truth, drawn.placement[joints], crack, _comfortable)
    values = {name: getattr(measured, name) for name in FIELDS}
    fair = comfortable(values, measured.ground, foot, FAIR).all(axis=1)
    return Judged(drawn, measured, steppable, by_joint, fair)


def clearly_past(truth: Truth, placement: FloatArray, *, foot: FootProfile | None = None) -> BoolArray:
    """Return which of the placements (n, 4) are past a limit by the guards, also when moved by 1.5 cm."""
    foot = foot or biped()
    lenient = replace(foot, drop_m=foot.drop_m + GUARD_M, clear_height_m=foot.clear_height_m - GUARD_M)
    lenient = replace(lenient, contact_m=foot.contact_m + CONTACT_GUARD_M, joint_m=foot.joint_m + JOINT_GUARD_M)
    return _in_all_shifts(truth, placement, lenient, _past)


def _past(found: Measured, foot: FootProfile) -> BoolArray:
    values = {name: getattr(found, name) for name in FIELDS}
    return past_limits(values, found.ground, foot, replace(GUARDS, support=SUPPORT_GUARD)).any(axis=1)


def _comfortable(found: Measured, foot: FootProfile) -> BoolArray:
    values = {name: getattr(found, name) for name in FIELDS}
    return comfortable(values, found.ground, foot, GUARDS).all(axis=1)


def _in_all_shifts(truth: Truth, placement: FloatArray, foot: FootProfile, test: Test) -> BoolArray:
    """Return where the test holds at the placement and at each of the four moved ones."""
    holds = np.ones(len(placement), dtype=np.bool_)
    for shift in SHIFTS:
        left = np.flatnonzero(holds)
        if len(left) == 0:
            break
        moved = placement[left] + np.array([*shift, 0.0, 0.0])
        holds[left] = test(truth.measure(moved, foot), foot)
    return holds


def judged_placements(truth_file: Path, truth: Truth, *, number: int, seed: int, cache: Path | None = None) -> Judged:
    """Draw placements and judge them by the truth, or read the same from the cache folder.

    The cache is keyed by the truth file and by the code that judges.
    """
    folder = cache or Path(tempfile.gettempdir()) / "invented-dock-truth"
    here = Path(__file__)
    parts = [truth_file.read_bytes(), here.read_bytes(), here.with_name("truth.py").read_bytes()]
    key = hashlib.sha256(b"".join(parts) + f"{number} {seed}".encode()).hexdigest()[:20]
    store = folder / f"{key}.npz"
    if store.is_file():
        with np.load(store) as held:
            measured = Measured(*(held[name] for name in Measured.__slots__))
            drawn = Drawn(held["placement"], held["facet"], held["kind"])
            return Judged(drawn, measured, *(held[name] for name in ("steppable", "by_joint", "fair")))
    found = judge(truth, draw_placements(truth, number=number, seed=seed))
    folder.mkdir(parents=True, exist_ok=True)
    arrays = {name: getattr(found.measured, name) for name in Measured.__slots__}
    arrays |= {"facet": found.drawn.facet, "kind": found.drawn.kind}
    arrays |= {"steppable": found.steppable, "by_joint": found.by_joint, "fair": found.fair}
    draft = folder / f"{key}.{np.random.default_rng().integers(1 << 30)}.npz"
    np.savez(draft, **arrays)
    draft.replace(store)
    return found


def well_observed(
    truth: Truth, placement: FloatArray, xyz_map_m: FloatArray, *, foot: FootProfile | None = None, share: float = 0.97
) -> BoolArray:
    """Return where at least `share` of the sole has three returns within 30 mm, from near its true ground."""
    from scipy.spatial import cKDTree

    foot = foot or biped()
    low, high = foot.outline_m.min(axis=0), foot.outline_m.max(axis=0)
    u, v = np.meshgrid(np.arange(low[0] + 0.005, high[0], 0.01), np.arange(low[1] + 0.005, high[1], 0.01))
    uv = np.column_stack([u.ravel(), v.ravel()])
    uv = uv[shapely.contains_xy(shapely.Polygon(foot.outline_m), uv)]
    flat = np.array([1.0, 1.0, 0.5])  # a point 30 mm aside may lie up to 60 mm off in height, less further out
    tree = cKDTree(xyz_map_m * flat)
    out = np.zeros(len(placement), dtype=np.bool_)
    for row, (x, y, yaw, level) in enumerate(placement):
        c, s = np.cos(yaw), np.sin(yaw)
        sx, sy = x + c * uv[:, 0] - s * uv[:, 1], y + s * uv[:, 0] + c * uv[:, 1]
        ground = truth.ground_at(sx, sy, float(level))
        spots = np.column_stack([sx, sy, ground])[~np.isnan(ground)] * flat
        if len(spots) < share * len(uv):
            continue
        third = tree.query(spots, k=3, distance_upper_bound=0.03)[0][:, 2]
        out[row] = np.isfinite(third).sum() >= share * len(uv)
    return out
