"""Facets, solids and height fields that the invented dock is built from; metres, z up."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import shapely

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Facet:
    """A planar polygon, counter-clockwise as seen from its open side.

    exterior (n, 3), holes: each (n, 3). Facets of one solid share `solid`; where the solid has no downward facet it
    reaches from its top to the ground.
    """

    id: int
    name: str
    kind: str
    solid: int
    exterior: FloatArray
    holes: tuple[FloatArray, ...] = ()

    @property
    def normal(self) -> FloatArray:
        """Return the unit normal on the open side (Newell's sum over the exterior)."""
        a, b = self.exterior, np.roll(self.exterior, -1, axis=0)
        n = np.cross(a - self.exterior[0], b - self.exterior[0]).sum(axis=0)
        return np.asarray(n / np.linalg.norm(n))

    @property
    def plane(self) -> FloatArray:
        """Return a, b, c of z = a x + b y + c; not for vertical facets."""
        n = self.normal
        centre = self.exterior.mean(axis=0)
        a, b = -n[0] / n[2], -n[1] / n[2]
        return np.array([a, b, centre[2] - a * centre[0] - b * centre[1]])

    def triangles(self) -> FloatArray:
        """Return (k, 3, 3) triangles that tile the facet."""
        if not self.holes:
            n = len(self.exterior)
            return np.stack([self.exterior[[0, k, k + 1]] for k in range(1, n - 1)])
        flat = shapely.Polygon(self.exterior[:, :2], [hole[:, :2] for hole in self.holes])
        pieces = shapely.constrained_delaunay_triangles(flat).geoms
        xy = np.stack([shapely.get_coordinates(piece)[:3] for piece in pieces])
        a, b, c = self.plane
        out = np.concatenate([xy, (a * xy[..., 0] + b * xy[..., 1] + c)[..., None]], axis=2)
        p, q = xy[:, 1] - xy[:, 0], xy[:, 2] - xy[:, 0]
        turned = (p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]) * self.normal[2] < 0
        out[turned] = out[turned][:, ::-1]
        return np.asarray(out)


@dataclass(frozen=True, slots=True, eq=False)
class HeightField:
    """Loose gravel: heights above a plane at the nodes of a square grid, two triangles a cell.

    Node (i, j) lies at origin + Rz(yaw) (j cell, i cell); height (ny, nx) is above plane a x + b y + c.
    """

    id: int
    name: str
    kind: str
    solid: int
    origin: FloatArray
    yaw_rad: float
    cell_m: float
    height_m: FloatArray
    plane: FloatArray

    def nodes(self) -> FloatArray:
        """Return (ny, nx, 3) node positions."""
        ny, nx = self.height_m.shape
        u, v = np.meshgrid(np.arange(nx) * self.cell_m, np.arange(ny) * self.cell_m)
        c, s = np.cos(self.yaw_rad), np.sin(self.yaw_rad)
        x, y = self.origin[0] + c * u - s * v, self.origin[1] + s * u + c * v
        a, b, d = self.plane
        return np.stack([x, y, a * x + b * y + d + self.height_m], axis=2)

    def triangles(self) -> FloatArray:
        """Return (k, 3, 3) triangles."""
        p = self.nodes()
        lower = np.stack([p[:-1, :-1], p[:-1, 1:], p[1:, 1:]], axis=2)
        upper = np.stack([p[:-1, :-1], p[1:, 1:], p[1:, :-1]], axis=2)
        return np.concatenate([lower.reshape(-1, 3, 3), upper.reshape(-1, 3, 3)])

    def z_at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Return the height at x, y (any shape), NaN outside the patch."""
        ny, nx = self.height_m.shape
        c, s = np.cos(self.yaw_rad), np.sin(self.yaw_rad)
        dx, dy = x - self.origin[0], y - self.origin[1]
        u, v = (c * dx + s * dy) / self.cell_m, (-s * dx + c * dy) / self.cell_m
        inside = (u >= 0) & (v >= 0) & (u <= nx - 1) & (v <= ny - 1)
        j = np.clip(np.floor(u).astype(np.int64), 0, nx - 2)
        i = np.clip(np.floor(v).astype(np.int64), 0, ny - 2)
        fu, fv = u - j, v - i
        h = self.height_m
        h00, h01, h10, h11 = h[i, j], h[i, j + 1], h[i + 1, j], h[i + 1, j + 1]
        low = h00 + fu * (h01 - h00) + fv * (h11 - h01)
        high = h00 + fu * (h11 - h10) + fv * (h10 - h00)
        a, b, d = self.plane
        return np.where(inside, a * x + b * y + d + np.where(fu >= fv, low, high), np.nan)


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """The whole site in the map frame.

    walk (m, 3): the ground points that the carrier's path is drawn through, in order; pace (m,): relative speed from
    each to the next. Ids of facets and height fields are unique and rise from 0.
    """

    seed: int
    scale: int
    facets: tuple[Facet, ...]
    fields: tuple[HeightField, ...]
    walk: FloatArray
    pace: FloatArray


@dataclass(slots=True)
class Builder:
    """Collects facets in the site's own frame."""

    facets: list[Facet] = field(default_factory=list)
    fields: list[HeightField] = field(default_factory=list)
    solids: int = 0
    ids: int = 0

    def new_solid(self) -> int:
        """Return the number of a new solid."""
        self.solids += 1
        return self.solids - 1

    def add(
        self, name: str, kind: str, solid: int, exterior: npt.ArrayLike, holes: Sequence[npt.ArrayLike] = ()
    ) -> None:
        """Add one facet."""
        rings = tuple(np.asarray(hole, dtype=np.float64) for hole in holes)
        self.facets.append(Facet(self.ids, name, kind, solid, np.asarray(exterior, dtype=np.float64), rings))
        self.ids += 1

    def add_field(
        self, name: str, origin: FloatArray, yaw_rad: float, cell_m: float, height_m: FloatArray, plane: FloatArray
    ) -> None:
        """Add a patch of gravel."""
        solid = self.new_solid()
        self.fields.append(HeightField(self.ids, name, "gravel", solid, origin, yaw_rad, cell_m, height_m, plane))
        self.ids += 1

    def prism(
        self,
        name: str,
        footprint: FloatArray,
        top: FloatArray,
        base: FloatArray | Mapping[int, FloatArray],
        kinds: Mapping[str, str],
    ) -> None:
        """Add a column with upright sides.

        Parameters
        ----------
        footprint : (n, 2)
            Counter-clockwise.
        top : (3,)
            a, b, c of z = a x + b y + c.
        base : (3,) or mapping
            Plane the sides reach down to, or one for each edge (edge k runs from corner k to k + 1; an edge that is
            not in the mapping gets no side).
        kinds : mapping
            Kinds of "top" and "side"; "side k" for the side on edge k; "bottom" adds an underside on `base`.
        """
        solid = self.new_solid()
        upper = lift(footprint, top)
        self.add(name, kinds["top"], solid, upper)
        n = len(footprint)
        for k in range(n):
            plane = base.get(k) if isinstance(base, Mapping) else base
            if plane is None:
                continue
            j = (k + 1) % n
            lower = lift(footprint[[k, j]], plane)
            kind = kinds.get(f"side {k}", kinds["side"])
            self.add(f"{name} side {k}", kind, solid, [lower[0], lower[1], upper[j], upper[k]])
        if "bottom" in kinds and not isinstance(base, Mapping):
            self.add(f"{name} underside", kinds["bottom"], solid, lift(footprint, base)[::-1])

    def box(self, name: str, centre: FloatArray, axes: FloatArray, size: FloatArray, kind: str) -> None:
        """Add a free box; axes (3, 3) are its unit edges in columns, right-handed."""
        solid = self.new_solid()
        half = size / 2.0
        for axis in range(3):
            i, j = (axis + 1) % 3, (axis + 2) % 3
            for sign in (1.0, -1.0):
                turn = ((1, 1), (-1, 1), (-1, -1), (1, -1)) if sign > 0 else ((1, 1), (1, -1), (-1, -1), (-1, 1))
                corners = [
                    centre + axes[:, axis] * sign * half[axis] + axes[:, i] * p * half[i] + axes[:, j] * q * half[j]
                    for p, q in turn
                ]
                normal_z = sign * axes[2, axis]
                part = "top" if normal_z > 0.5 else "underside" if normal_z < -0.5 else "side"
                label = name if part == "top" else f"{name} {part}"
                self.add(label, f"{kind}_{part}", solid, corners)


def lift(xy: FloatArray, plane: FloatArray) -> FloatArray:
    """Return (n, 2) points with their height on the plane."""
    z = plane[0] * xy[:, 0] + plane[1] * xy[:, 1] + plane[2]
    return np.column_stack([xy, z])


def plane_through(point: FloatArray, gradient: FloatArray) -> FloatArray:
    """Return a, b, c of the plane through a 3D point with dz/dx, dz/dy."""
    return np.array([gradient[0], gradient[1], point[2] - gradient @ point[:2]])


def rectangle(x0: float, y0: float, x1: float, y1: float) -> FloatArray:
    """Return the corners of an upright rectangle, counter-clockwise from its lowest corner."""
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def turn(yaw_rad: float) -> FloatArray:
    """Return the 2 x 2 rotation."""
    c, s = np.cos(yaw_rad), np.sin(yaw_rad)
    return np.array([[c, -s], [s, c]])


def moved(scene: Scene, yaw_rad: float, shift: FloatArray) -> Scene:
    """Return the scene turned about the vertical through the origin and then shifted by (3,)."""
    rotation = np.eye(3)
    rotation[:2, :2] = turn(yaw_rad)

    def at(points: FloatArray) -> FloatArray:
        return np.asarray(points @ rotation.T + shift)

    facets = tuple(Facet(f.id, f.name, f.kind, f.solid, at(f.exterior), tuple(map(at, f.holes))) for f in scene.facets)
    fields = []
    for f in scene.fields:
        gradient = rotation[:2, :2] @ f.plane[:2]
        point = at(np.array([0.0, 0.0, f.plane[2]]))
        origin = rotation[:2, :2] @ f.origin + shift[:2]
        fields.append(
            HeightField(
                f.id,
                f.name,
                f.kind,
                f.solid,
                origin,
                f.yaw_rad + yaw_rad,
                f.cell_m,
                f.height_m,
                plane_through(point, gradient),
            )
        )
    return Scene(scene.seed, scene.scale, facets, tuple(fields), at(scene.walk), scene.pace)
