"""Exact truth about the invented dock: surfaces, what a sole meets, and which facet a point lies on.

Written without the package's scoring: every definition is evaluated straight from the facets on a grid of samples
that turns with the sole, and the resting plane comes from an exact simplex walk (SciPy's linear programme where that
does not settle).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from scipy.ndimage import distance_transform_edt
from scipy.optimize import linprog

from clouds_demo.generate import read_truth
from clouds_demo.shapes import Facet, FloatArray, HeightField, IntArray, Scene
from clouds_demo.simulate import cast
from terrain.data import FootProfile, Limit

BoolArray = npt.NDArray[np.bool_]

CELL_M = 0.0025
REACH_M = 0.10
REACH_UP_M = 0.25
UPRIGHT = 1e-4
QUANTITIES = ("slope", "roughness", "support", "rocking", "edge", "beside", "headroom", "no-ground")


def biped() -> FootProfile:
    """Return the demo's own description of the biped's foot, so that the truth does not lean on a file."""
    outline = np.array([[-0.09, -0.065], [0.17, -0.065], [0.17, 0.065], [-0.09, 0.065]])
    return FootProfile(
        name="biped",
        outline_m=outline,
        slope_rad=Limit(float(np.deg2rad(10.0)), float(np.deg2rad(18.0))),
        roughness_m=Limit(0.006, 0.012),
        support=Limit(0.95, 0.75),
        rocking_m=Limit(0.03, 0.01),
        edge_m=Limit(0.02, 0.0),
        beside_m=Limit(0.01, 0.0),
        observed=Limit(0.90, 0.60),
        contact_m=0.015,
        drop_m=0.040,
        joint_m=0.025,
        shin_radius_m=0.10,
        clear_height_m=0.40,
        max_up_m=0.20,
        max_down_m=0.20,
        max_reach_m=0.55,
        z=1.645,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """True quantities, one row a placement; NaN where a quantity has no value.

    z_m: height of the resting plane at the load point; clear_m: signed distance from the clearance cylinder and the
    sole's column to the nearest thing in those heights (negative: how far it reaches in; up to 0.10 m);
    headroom_m: free height above the plane inside the clearance, inf where nothing is met; ground (n,) bool: any
    ground under the sole; label (n,) uint8 as in `terrain.data.Label`, everything taken as observed.
    """

    placement: FloatArray
    z_m: FloatArray
    slope_rad: FloatArray
    roughness_m: FloatArray
    support: FloatArray
    rocking_m: FloatArray
    edge_m: FloatArray
    beside_m: FloatArray
    clear_m: FloatArray
    headroom_m: FloatArray
    ground: BoolArray
    label: npt.NDArray[np.uint8]
    past: BoolArray
    uneasy: BoolArray

    def reasons(self, row: int) -> tuple[str, ...]:
        """Return the quantities that are not comfortable, those past their limit first."""
        order = np.argsort(~self.past[row], kind="stable")
        return tuple(QUANTITIES[k] for k in order if self.uneasy[row, k])


@dataclass(frozen=True, slots=True)
class Guards:
    """How far past or inside a limit a placement must be to count as clearly so."""

    distance_m: float = 0.0
    slope_rad: float = 0.0
    roughness_m: float = 0.0
    support: float = 0.0


class _Ring:
    """A convex ring in plan as half planes."""

    def __init__(self, ring: FloatArray) -> None:
        xy = ring[:, :2]
        edge = np.roll(xy, -1, axis=0) - xy
        keep = np.linalg.norm(edge, axis=1) > 1e-9
        xy, edge = xy[keep], edge[keep]
        area = float(np.sum(xy[:, 0] * np.roll(xy[:, 1], -1) - np.roll(xy[:, 0], -1) * xy[:, 1]))
        self.normal = np.sign(area) * np.column_stack([-edge[:, 1], edge[:, 0]])
        self.normal /= np.linalg.norm(self.normal, axis=1)[:, None]
        self.offset = np.einsum("ij,ij->i", self.normal, xy)
        if (xy @ self.normal.T < self.offset - 1e-5).any():
            raise ValueError("a facet of the truth is not convex in plan")

    def holds(self, x: FloatArray, y: FloatArray, slack_m: float = 1e-7) -> BoolArray:
        inside = np.ones(x.shape, dtype=np.bool_)
        for (nx, ny), offset in zip(self.normal, self.offset, strict=True):
            inside &= nx * x + ny * y >= offset - slack_m
        return inside


class _Surface:
    """One non-vertical facet: where it is in plan, and how high."""

    def __init__(self, facet: Facet) -> None:
        self.id = facet.id
        self.plane = facet.plane
        self.up = bool(facet.normal[2] > 0)
        self.ring = _Ring(facet.exterior)
        self.holes = [_Ring(hole) for hole in facet.holes]
        self.hole_boxes = [(hole[:, :2].min(axis=0), hole[:, :2].max(axis=0)) for hole in facet.holes]
        self.low, self.high = facet.exterior[:, :2].min(axis=0), facet.exterior[:, :2].max(axis=0)

    def z_at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        inside = self.ring.holds(x, y)
        for hole, (low, high) in zip(self.holes, self.hole_boxes, strict=True):
            if x.max() >= low[0] and x.min() <= high[0] and y.max() >= low[1] and y.min() <= high[1]:
                inside &= ~hole.holds(x, y, -1e-7)
        a, b, c = self.plane
        return np.where(inside, a * x + b * y + c, np.nan)


class _Field:
    """A height field with the same face as a surface."""

    def __init__(self, field: HeightField) -> None:
        nodes = field.nodes().reshape(-1, 3)
        self.id, self.up, self.field = field.id, True, field
        self.low, self.high = nodes[:, :2].min(axis=0), nodes[:, :2].max(axis=0)

    def z_at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        return self.field.z_at(x, y)


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """What stands over each of n spots: for each solid nearby its low and high end and the facet on top, (k, n)."""

    low: FloatArray
    high: FloatArray
    facet: IntArray

    def open_tops(self) -> FloatArray:
        """Return (k, n) heights of the tops that no other solid covers, NaN elsewhere."""
        tops = np.where(np.isfinite(self.high), self.high, np.nan)
        for j in range(len(self.high)):
            for k in range(len(tops)):
                if k != j:
                    tops[k, (self.low[j] <= tops[k]) & (tops[k] < self.high[j] - 1e-9)] = np.nan
        return tops


class Truth:
    """The truth about one scene."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.facets: dict[int, Facet | HeightField] = {f.id: f for f in (*scene.facets, *scene.fields)}
        solids: dict[int, list[_Surface | _Field]] = {}
        for facet in scene.facets:
            if abs(facet.normal[2]) > UPRIGHT:
                solids.setdefault(facet.solid, []).append(_Surface(facet))
        for field in scene.fields:
            solids.setdefault(field.solid, []).append(_Field(field))
        self._solids = list(solids.values())
        self._low = np.array([np.min([s.low for s in solid], axis=0) for solid in self._solids])
        self._high = np.array([np.max([s.high for s in solid], axis=0) for solid in self._solids])
        self._caster: Any = None

    @classmethod
    def read(cls, path: Path | str) -> Truth:
        """Return the truth of a truth.json."""
        return cls(read_truth(Path(path)))

    def columns(self, x: FloatArray, y: FloatArray) -> Columns:
        """Return what stands over the spots x, y (n,); they should lie close together."""
        near = (self._low <= [x.max(), y.max()]).all(axis=1) & (self._high >= [x.min(), y.min()]).all(axis=1)
        lows, highs, ids = [], [], []
        for k in np.flatnonzero(near):
            high = np.full(x.shape, np.nan)
            low = np.full(x.shape, np.nan)
            top = np.full(x.shape, -1, dtype=np.int64)
            for surface in self._solids[k]:
                z = surface.z_at(x, y)
                if surface.up:
                    better = ~(z <= high) & ~np.isnan(z)
                    high[better], top[better] = z[better], surface.id
                else:
                    low = np.fmin(low, z)
            if np.isnan(high).all() and np.isnan(low).all():
                continue
            downs = [s for s in self._solids[k] if not s.up]
            if not downs:
                low = np.where(np.isnan(high), np.nan, -np.inf)
            elif len(downs) == len(self._solids[k]):
                high = np.where(np.isnan(low), np.nan, np.inf)
            lows.append(low)
            highs.append(high)
            ids.append(top)
        if not lows:
            empty = np.empty((0, *x.shape))
            return Columns(empty, empty, empty.astype(np.int64))
        return Columns(np.array(lows), np.array(highs), np.array(ids))

    def surfaces_at(self, x: float, y: float) -> list[tuple[float, int]]:
        """Return height and facet id of every open upward surface at one spot, lowest first."""
        found = self.columns(np.array([x]), np.array([y]))
        tops = found.open_tops()[:, 0] if len(found.high) else np.empty(0)
        rows = [(float(tops[k]), int(found.facet[k, 0])) for k in np.flatnonzero(~np.isnan(tops))]
        return sorted(rows)

    def ground_at(self, x: FloatArray, y: FloatArray, level_m: float) -> FloatArray:
        """Return the ground's height at spots (n,) close together, for a foot on this level; NaN where none is."""
        return _ground(self.columns(x, y), level_m)[0]

    def classify(self, xyz_map_m: FloatArray, *, within_m: float = 0.04) -> IntArray:
        """Return for each point (n, 3) the id of the nearest true facet, -1 where none lies within the distance."""
        import open3d as o3d

        if self._caster is None:
            self._caster = cast(self.scene)
        caster, owner = self._caster
        out = np.empty(len(xyz_map_m), dtype=np.int64)
        for first in range(0, len(xyz_map_m), 500_000):
            part = np.ascontiguousarray(xyz_map_m[first : first + 500_000], dtype=np.float32)
            answer = caster.compute_closest_points(o3d.core.Tensor(part))
            away = np.linalg.norm(answer["points"].numpy() - part, axis=1)
            facet = owner[answer["primitive_ids"].numpy().astype(np.int64)]
            out[first : first + len(part)] = np.where(away <= within_m, facet, -1)
        return out

    def measure(self, placement: FloatArray, foot: FootProfile | None = None, *, cell_m: float = CELL_M) -> Measured:
        """Return every quantity of the placements (n, 4): x, y, yaw in radians, level height.

        Everything counts as observed; labels compare the true values with the limits, without uncertainty.
        """
        foot = foot or biped()
        sole = _Sole(foot, cell_m)
        rows = [self._measure_one(row, foot, sole) for row in np.atleast_2d(placement)]
        columns = np.array([[*row.values()] for row in rows], dtype=np.float64).reshape(-1, len(_FIELDS))
        values = dict(zip(_FIELDS, columns.T, strict=True))
        ground = values.pop("ground") > 0
        past = past_limits(values, ground, foot, Guards())
        uneasy = ~comfortable(values, ground, foot, Guards())
        label = np.where(past.any(axis=1), 3, np.where(uneasy.any(axis=1), 2, 1)).astype(np.uint8)
        return Measured(np.atleast_2d(placement), **values, ground=ground, label=label, past=past, uneasy=uneasy)

    def _measure_one(self, placement: FloatArray, foot: FootProfile, sole: _Sole) -> dict[str, float]:
        x, y, yaw, level = placement
        c, s = np.cos(yaw), np.sin(yaw)
        u, v = sole.uv.T
        found = self.columns(x + c * u - s * v, y + s * u + c * v)
        ground, missing = _ground(found, level)
        out = dict.fromkeys(_FIELDS, np.nan)
        under = sole.inside & ~np.isnan(ground)
        out["ground"] = float(under.any())
        plane = resting_plane(sole.uv[under], ground[under]) if under.any() else None
        if plane is None:
            return out
        rest = sole.uv @ plane[:2] + plane[2]
        out["z_m"] = plane[2]
        out["slope_rad"] = float(np.arctan(np.hypot(*plane[:2])))
        with np.errstate(invalid="ignore"):
            carried = under & (rest - ground <= foot.contact_m)
            low = missing | (ground < rest - foot.drop_m)
            beside = ((found.high > rest + foot.drop_m) & (found.low < rest + foot.clear_height_m)).any(axis=0)
        out["support"] = carried.sum() / sole.inside.sum()
        out["rocking_m"] = _rocking(sole, carried)
        out["roughness_m"] = _roughness(sole.uv, ground, under & ~low)
        out["edge_m"] = _edge(sole, low, foot.joint_m)
        half = sole.cell_m / 2
        out["beside_m"] = float(np.clip(sole.outside[beside].min(initial=np.inf) - half, 0.0, REACH_M))
        out["clear_m"] = float(min(sole.outside_clear[beside].min(initial=np.inf) - half, REACH_M))
        inside = beside & (sole.outside_clear < half)
        with np.errstate(invalid="ignore"):
            over = np.where(found.high > rest + foot.drop_m, found.low - rest, np.nan)[:, inside]
        out["headroom_m"] = float(np.clip(np.nanmin(over), 0.0, np.inf)) if inside.any() else np.inf
        return out


_FIELDS = (
    *("z_m", "slope_rad", "roughness_m", "support", "rocking_m", "edge_m", "beside_m", "clear_m", "headroom_m"),
    "ground",
)


class _Sole:
    """Samples around a sole in its own frame.

    uv (n, 2); inside (n,); outside (n,): signed distance to the outline, negative inside; outside_clear: the same to
    the union of outline and clearance circle; shape of the grid.
    """

    def __init__(self, foot: FootProfile, cell_m: float) -> None:
        margin = REACH_M + 0.015
        low = np.minimum(foot.outline_m.min(axis=0), -foot.shin_radius_m) - margin
        high = np.maximum(foot.outline_m.max(axis=0), foot.shin_radius_m) + margin
        axes = [
            (np.arange(np.floor(lo / cell_m), np.ceil(hi / cell_m)) + 0.5) * cell_m
            for lo, hi in zip(low, high, strict=True)
        ]
        u, v = np.meshgrid(*axes)
        self.cell_m, self.shape = cell_m, u.shape
        self.uv = np.column_stack([u.ravel(), v.ravel()])
        outline = shapely.Polygon(foot.outline_m)
        points = shapely.points(self.uv)
        self.inside = shapely.contains(outline, points)
        away = shapely.distance(outline.exterior, points)
        self.outside = np.where(self.inside, -away, away)
        self.outside_clear = np.minimum(self.outside, np.hypot(*self.uv.T) - foot.shin_radius_m)


def _ground(found: Columns, level: float) -> tuple[FloatArray, BoolArray]:
    """Return the ground's height and where there is none, though nothing stands there either."""
    n = found.high.shape[1]
    if not len(found.high):
        return np.full(n, np.nan), np.ones(n, dtype=np.bool_)
    tops = found.open_tops()
    with np.errstate(invalid="ignore"):
        tops[~(tops < level + REACH_UP_M)] = np.nan
        standing = ((found.low < level + REACH_UP_M) & (found.high >= level + REACH_UP_M)).any(axis=0)
    ground = np.fmax.reduce(tops, axis=0)
    return ground, np.isnan(ground) & ~standing


def resting_plane(uv: FloatArray, z: FloatArray) -> FloatArray | None:
    """Return a, b, c of the lowest plane at the origin that no point exceeds; None where it is unbounded.

    Simplex on the dual: a triangle of points round the origin climbs, one corner at a time, until no point lies
    above its plane.
    """
    far, deep = 50.0, -1e4
    corner = np.array([[far, 0.0, deep], [-far / 2, far * 0.8, deep], [-far / 2, -far * 0.9, deep]])
    points = np.vstack([corner, np.column_stack([uv, z - z.mean()])])
    flat = np.vstack([points[:, :2].T, np.ones(len(points))])
    basis = [0, 1, 2]
    weight = np.linalg.solve(flat[:, basis], [0.0, 0.0, 1.0])
    for _ in range(300):
        plane = np.linalg.solve(flat[:, basis].T, points[basis, 2])
        above = points[:, 2] - plane @ flat
        above[:3] = -np.inf
        enter = int(above.argmax())
        if above[enter] <= 1e-10 + 1e-12 * abs(deep) * (min(basis) < 3):
            if min(basis) < 3:
                return None
            return np.asarray(plane + np.array([0.0, 0.0, z.mean()]))
        share = np.linalg.solve(flat[:, basis], flat[:, enter])
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(share > 1e-12, np.maximum(weight, 0.0) / share, np.inf)
        leave = int(ratio.argmin())
        weight = weight - ratio[leave] * share
        weight[leave] = ratio[leave]
        basis[leave] = enter
    return resting_plane_by_programme(uv, z)


def resting_plane_by_programme(uv: FloatArray, z: FloatArray) -> FloatArray | None:
    """Return the same plane from SciPy's linear programme."""
    sides = -np.column_stack([uv, np.ones(len(uv))])
    answer = linprog([0.0, 0.0, 1.0], A_ub=sides, b_ub=-(z - z.mean()), bounds=[(None, None)] * 3, method="highs")
    return np.asarray(answer.x + np.array([0.0, 0.0, z.mean()])) if answer.status == 0 else None


def _rocking(sole: _Sole, carried: BoolArray) -> float:
    if not carried.any():
        return np.nan
    rows = carried.reshape(sole.shape)
    ends = np.zeros_like(rows)
    for side in (rows, rows[:, ::-1]):
        some = np.flatnonzero(side.any(axis=1))
        first = side[some].argmax(axis=1)
        ends[some, first if side is rows else rows.shape[1] - 1 - first] = True
    hull = shapely.convex_hull(shapely.multipoints(sole.uv[ends.ravel()]))
    load = shapely.Point(0.0, 0.0)
    half = sole.cell_m / 2
    if shapely.contains(hull, load):
        return float(shapely.distance(shapely.boundary(hull), load)) + half
    return half - float(shapely.distance(hull, load))


def _roughness(uv: FloatArray, ground: FloatArray, used: BoolArray) -> float:
    if used.sum() < 4:
        return np.nan
    sides = np.column_stack([uv[used], np.ones(used.sum())])
    z = ground[used] - ground[used].mean()
    fit = np.linalg.solve(sides.T @ sides, sides.T @ z)
    return float(np.sqrt(np.mean((z - sides @ fit) ** 2)))


def _edge(sole: _Sole, low: BoolArray, joint_m: float) -> float:
    """Return the signed distance to the nearest opening that a disc of the joint's width fits into."""
    if not low.any():
        return REACH_M
    radius = joint_m / 2 + sole.cell_m / 2
    grid = low.reshape(sole.shape)
    middle = distance_transform_edt(grid) * sole.cell_m >= radius if not grid.all() else grid
    if not middle.any():
        return REACH_M
    opened = (grid & (distance_transform_edt(~middle) * sole.cell_m < radius)).ravel()
    half = sole.cell_m / 2
    into = opened & sole.inside
    if into.any():
        return float(sole.outside[into].min() - half)
    return float(min(sole.outside[opened].min() - half, REACH_M))


def past_limits(values: dict[str, FloatArray], ground: BoolArray, foot: FootProfile, guards: Guards) -> BoolArray:
    """Return (n, 8) bool in the order of QUANTITIES: past its limit by more than the guard."""
    d = guards.distance_m
    with np.errstate(invalid="ignore"):
        flags = [
            values["slope_rad"] > foot.slope_rad.limit + guards.slope_rad,
            values["roughness_m"] > foot.roughness_m.limit + guards.roughness_m,
            values["support"] < foot.support.limit - guards.support,
            (values["rocking_m"] < foot.rocking_m.limit - d) | (ground & np.isnan(values["slope_rad"])),
            values["edge_m"] < foot.edge_m.limit - d,
            values["beside_m"] < foot.beside_m.limit - d,
            values["clear_m"] < -d,
            ~ground,
        ]
    return np.column_stack(flags)


def comfortable(values: dict[str, FloatArray], ground: BoolArray, foot: FootProfile, guards: Guards) -> BoolArray:
    """Return (n, 8) bool in the order of QUANTITIES: comfortable with the guard to spare."""
    d = guards.distance_m
    with np.errstate(invalid="ignore"):
        flags = [
            values["slope_rad"] <= foot.slope_rad.comfort - guards.slope_rad,
            values["roughness_m"] <= foot.roughness_m.comfort - guards.roughness_m,
            values["support"] >= foot.support.comfort + guards.support,
            values["rocking_m"] >= foot.rocking_m.comfort + d,
            values["edge_m"] >= foot.edge_m.comfort + d,
            values["beside_m"] >= foot.beside_m.comfort + d,
            values["clear_m"] >= d,
            ground,
        ]
    out = np.column_stack(flags)
    # a quantity that has no value is not comfortable; where the plane is unbounded only rocking is to blame
    unbounded = ground & np.isnan(values["slope_rad"])
    out[unbounded] = True
    out[unbounded, QUANTITIES.index("rocking")] = False
    out[~ground] = True
    out[~ground, QUANTITIES.index("no-ground")] = False
    return out
