"""Surfaces in a cloud, found from a rough hint."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from terrain.data import BoolArray, FloatArray, IntArray
from terrain.sensor.targets import SphereTarget

CUT = 4.0
"""Points farther off than so many robust standard deviations are not the surface's: mixed pixels, things beside it."""
LEAST_SHARE = 0.1
"""The noise of a grazed surface is taken as at least so much of the range noise: the spot is wide there."""
SAMPLE = 1500
TRIALS = 300
LEAST_IN_STAND = 50
"""Points a stand must have in a hint to be searched by itself."""
APART_M, APART_RAD = 0.15, math.radians(5.0)
"""What a stand takes for the surface lies so near to what most points say, or is something else."""
BORDER_M = 0.05
"""Points so near to something that is not the surface are left out."""
NEIGHBOURS, STRAY = 10, 6.0
"""A point whose tenth neighbour is six times as far as usual is no part of the surface."""
LEAN_RAD = math.radians(20.0)
"""A plane found leans at most so far from the stated normal."""
GRAZING_RAD = math.radians(65.0)
"""Beyond this incidence a return from a sphere is mixed with what lies behind it."""


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """Rows of the points on a surface; normal and offset of a plane, or the centre of a sphere."""

    rows: IntArray
    normal: FloatArray
    offset_m: float
    centre_m: FloatArray


def robust_sd(residual: FloatArray) -> float:
    """Return 1.4826 times the median absolute deviation: the standard deviation of normal values."""
    return 1.4826 * float(np.median(np.abs(residual - np.median(residual)))) if len(residual) else math.nan


def find_plane(
    xyz_m: FloatArray,
    sd_m: float,
    *,
    normal: FloatArray | None,
    rng: np.random.Generator,
    beam: FloatArray | None = None,
) -> Found | None:
    """Return the plane with most support among the points, or None.

    Parameters
    ----------
    xyz_m : (n, 3)
        Points inside the hint.
    sd_m : float
        Stated noise.
    normal : (3,), optional
        The plane leans at most 20 degrees from it.
    rng : Generator
        Draws the samples.
    beam : (n, 3), optional
        Unit vectors of the beams: noise shows by the cosine of incidence, and points are cut by their own.

    Notes
    -----
    Random samples of three scored by MSAC at 1.96 times the noise (Torr and Zisserman, CVIU 78, 2000; the factor is
    common practice), then total least squares over what lies within 4 robust sd, until that no longer changes. Cut
    by one sd for all, a plate seen squarely and at a slant would lose the tails of the points seen squarely.
    """
    n = len(xyz_m)
    if n < 10:
        return None
    middle = xyz_m.mean(axis=0)
    local = xyz_m - middle
    sample = local[rng.choice(n, SAMPLE, replace=False)] if n > SAMPLE else local
    start = _best_triple(sample, 1.96 * sd_m, normal, rng)
    if start is None:
        return None
    unit, offset = start
    keep = np.abs(local @ unit - offset) < 3.0 * sd_m + 0.005
    for _ in range(12):
        if keep.sum() < 10:
            return None
        unit, offset, spread = _fitted(local[keep], unit)
        if spread < 1e-4:
            return None
        residual = local @ unit - offset
        near = np.abs(residual) < 10.0 * sd_m + 0.02
        share = 1.0 if beam is None else np.maximum(np.abs(beam @ unit), LEAST_SHARE)
        scaled = residual / (share * sd_m)
        scale = robust_sd(scaled[keep]) if keep.sum() > 30 else 1.0
        again = near & (np.abs(scaled) < CUT * max(scale, 0.25))
        if np.array_equal(again, keep):
            break
        keep = again
    keep = _without_strays(local, _without_borders(local, keep, max(BORDER_M, 2.0 * CUT * sd_m)))
    if keep.sum() < 10:
        return None
    unit, offset, _ = _fitted(local[keep], unit)
    rows = np.flatnonzero(keep)
    return Found(rows, unit, float(offset + unit @ middle), xyz_m[rows].mean(axis=0))


def find_plane_by_stand(
    xyz_m: FloatArray,
    stand: IntArray,
    sd_m: float,
    *,
    normal: FloatArray | None,
    rng: np.random.Generator,
    beam: FloatArray | None = None,
) -> Found | None:
    """Return the plane with most support, searched in the points of each stand by themselves, or None.

    Seen from several stands, one plate lies in several places as long as mount and poses are off: cut against one
    common plane, points would be lost on one side. `stand` (n,) numbers the stands; the rest is as in `find_plane`.
    """
    _, number, counts = np.unique(stand, return_inverse=True, return_counts=True)
    if len(counts) == 1 or counts.max() < LEAST_IN_STAND:
        return find_plane(xyz_m, sd_m, normal=normal, rng=rng, beam=beam)
    parts = []
    for k in np.flatnonzero(counts >= LEAST_IN_STAND):
        rows = np.flatnonzero(number == k)
        seen = None if beam is None else beam[rows]
        found = find_plane(xyz_m[rows], sd_m, normal=normal, rng=rng, beam=seen)
        if found is not None:
            parts.append(Found(rows[found.rows], found.normal, found.offset_m, found.centre_m))
    if not parts:
        return None
    most = max(parts, key=lambda part: len(part.rows))
    alike = [part for part in parts if _alike(part, most)]
    rows = np.sort(np.concatenate([part.rows for part in alike]))
    middle = xyz_m[rows].mean(axis=0)
    unit, offset, _ = _fitted(xyz_m[rows] - middle, most.normal)
    return Found(rows, unit, float(offset + unit @ middle), middle)


def _alike(part: Found, most: Found) -> bool:
    apart = abs(float(part.centre_m @ most.normal - most.offset_m))
    cosine = abs(float(part.normal @ most.normal))
    size = APART_M + 2.0 * APART_RAD * float(np.linalg.norm(part.centre_m - most.centre_m))
    return apart < size and cosine > math.cos(APART_RAD)


def _without_borders(local: FloatArray, keep: BoolArray, margin_m: float) -> BoolArray:
    """Return the rows less those beside something else: three points that are not on the plane within the margin.

    Where a wall meets a floor, the wall's lowest points lie within the floor's noise; at the edge of a plate, returns
    are mixed with what is behind it.
    """
    from scipy.spatial import cKDTree

    other = local[~keep]
    if len(other) < 3:
        return keep
    on = np.flatnonzero(keep)
    third = np.asarray(cKDTree(other).query(local[on], k=3, distance_upper_bound=margin_m)[0])[:, 2]
    inner = keep.copy()
    inner[on[np.isfinite(third)]] = False
    return inner


def _without_strays(local: FloatArray, keep: BoolArray) -> BoolArray:
    """Return the rows less those far from the others: where something crosses the plane, a few points lie on it."""
    from scipy.spatial import cKDTree

    on = np.flatnonzero(keep)
    if len(on) <= NEIGHBOURS:
        return keep
    far = np.asarray(cKDTree(local[on]).query(local[on], k=NEIGHBOURS + 1)[0])[:, -1]
    inner = keep.copy()
    inner[on[far > STRAY * np.median(far)]] = False
    return inner


def _fitted(points: FloatArray, towards: FloatArray) -> tuple[FloatArray, float, float]:
    """Return normal, offset and the spread across the points' longest line, by total least squares."""
    centre = points.mean(axis=0)
    values, axes = np.linalg.eigh((points - centre).T @ (points - centre) / len(points))
    unit = axes[:, 0] if axes[:, 0] @ towards >= 0.0 else -axes[:, 0]
    return unit, float(unit @ centre), math.sqrt(max(values[1], 0.0))


def _best_triple(
    sample: FloatArray, threshold: float, normal: FloatArray | None, rng: np.random.Generator
) -> tuple[FloatArray, float] | None:
    triple = sample[rng.integers(0, len(sample), (TRIALS, 3))]
    cross = np.cross(triple[:, 1] - triple[:, 0], triple[:, 2] - triple[:, 0])
    length = np.linalg.norm(cross, axis=1)
    good = length > 1e-9
    units = cross[good] / length[good, None]
    corner = triple[good, 0]
    if normal is not None:
        units = np.where((units @ normal < 0.0)[:, None], -units, units)
        allowed = units @ normal > math.cos(LEAN_RAD)
        units, corner = units[allowed], corner[allowed]
    if len(units) == 0:
        return None
    offsets = np.einsum("ki,ki->k", units, corner)
    squared = np.square(sample @ units.T - offsets)
    best = int(np.argmin(np.minimum(squared, threshold**2).sum(axis=0)))
    return units[best], float(offsets[best])


def find_sphere(
    xyz_m: FloatArray,
    beam: FloatArray,
    sd_m: float,
    target: SphereTarget,
    *,
    rng: np.random.Generator,
) -> Found | None:
    """Return the sphere of the target's radius with most support among the points, or None.

    Parameters
    ----------
    xyz_m : (n, 3)
        Points inside the hint.
    beam : (n, 3)
        Unit vectors away from the sensor; NaN where unknown. Returns beyond 65 degrees of incidence are left out.
    sd_m : float
        Stated noise.
    target : SphereTarget
        Its radius is held fixed.
    rng : Generator
        Draws the samples.
    """
    n, radius = len(xyz_m), target.radius_m
    if n < 10:
        return None
    middle = xyz_m.mean(axis=0)
    local = xyz_m - middle
    centre = _best_centre(local, radius, 1.96 * sd_m, rng)
    if centre is None:
        return None
    keep = np.abs(np.linalg.norm(local - centre, axis=1) - radius) < CUT * sd_m
    for _ in range(12):
        if keep.sum() < 10:
            return None
        centre = fitted_centre(local[keep], centre, radius)
        out = local - centre
        distance = np.linalg.norm(out, axis=1)
        residual = distance - radius
        again = np.abs(residual) < CUT * max(sd_m, min(robust_sd(residual[keep]), 3.0 * sd_m))
        facing = -np.einsum("ni,ni->n", out / np.maximum(distance, 1e-12)[:, None], beam)
        again &= ~(facing < math.cos(GRAZING_RAD))
        if np.array_equal(again, keep):
            break
        keep = again
    rows = np.flatnonzero(keep)
    return Found(rows, np.zeros(3), math.nan, centre + middle) if len(rows) >= 10 else None


def find_sphere_by_stand(
    xyz_m: FloatArray,
    beam: FloatArray,
    stand: IntArray,
    sd_m: float,
    target: SphereTarget,
    *,
    rng: np.random.Generator,
) -> Found | None:
    """Return the sphere with most support, searched in the points of each stand (n,) by themselves, or None."""
    _, number, counts = np.unique(stand, return_inverse=True, return_counts=True)
    if len(counts) == 1 or counts.max() < LEAST_IN_STAND:
        return find_sphere(xyz_m, beam, sd_m, target, rng=rng)
    parts = []
    for k in np.flatnonzero(counts >= LEAST_IN_STAND):
        rows = np.flatnonzero(number == k)
        found = find_sphere(xyz_m[rows], beam[rows], sd_m, target, rng=rng)
        if found is not None:
            parts.append(Found(rows[found.rows], found.normal, found.offset_m, found.centre_m))
    if not parts:
        return None
    most = max(parts, key=lambda part: len(part.rows))
    alike = [part for part in parts if np.linalg.norm(part.centre_m - most.centre_m) < APART_M + target.radius_m]
    rows = np.sort(np.concatenate([part.rows for part in alike]))
    return Found(rows, most.normal, most.offset_m, fitted_centre(xyz_m[rows], most.centre_m, target.radius_m))


def _best_centre(local: FloatArray, radius: float, threshold: float, rng: np.random.Generator) -> FloatArray | None:
    """Return the centre of a sphere through four points whose radius is about right, with the least MSAC cost."""
    four = local[rng.integers(0, len(local), (TRIALS, 4))]
    matrix = 2.0 * (four[:, 1:] - four[:, :1])
    right = np.square(four[:, 1:]).sum(axis=2) - np.square(four[:, :1]).sum(axis=2)
    good = np.abs(np.linalg.det(matrix)) > 1e-12
    centres = np.linalg.solve(matrix[good], right[good][:, :, None])[:, :, 0]
    found = np.linalg.norm(centres - four[good, 0], axis=1)
    centres = centres[np.abs(found - radius) < 0.3 * radius]
    if len(centres) == 0:
        return None
    sample = local if len(local) <= SAMPLE else local[rng.choice(len(local), SAMPLE, replace=False)]
    off = np.linalg.norm(sample[:, None, :] - centres[None, :200, :], axis=2) - radius
    best: FloatArray = centres[int(np.argmin(np.minimum(np.square(off), threshold**2).sum(axis=0)))]
    return best


def fitted_centre(points: FloatArray, start: FloatArray, radius: float) -> FloatArray:
    """Return the centre with the least squared distances to a sphere of fixed radius (Gauss-Newton)."""
    centre = start
    for _ in range(10):
        out = points - centre
        distance = np.linalg.norm(out, axis=1)
        step, *_ = np.linalg.lstsq(out / distance[:, None], distance - radius, rcond=None)
        centre = centre + step
        if np.abs(step).max() < 1e-9:
            break
    return centre


def in_plane_axes(normal: FloatArray) -> FloatArray:
    """Return two unit vectors (2, 3) in a plane, along the map's axes as far as that goes; right-handed with it."""
    axis = np.zeros(3)
    axis[int(np.argmin(np.abs(normal)))] = 1.0
    u = axis - (axis @ normal) * normal
    u /= np.linalg.norm(u)
    return np.stack((u, np.cross(normal, u)))
