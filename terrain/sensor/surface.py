"""A target as it was found: its points, what is known of it, and its residuals under any mount."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from terrain.data import FloatArray
from terrain.sensor.find import fitted_centre, in_plane_axes
from terrain.sensor.sight import Mount, Sight

UNKNOWN_TILT_RAD = 0.3
UNKNOWN_PLACE_M = 3.0
"""What stands for "not known" in an adjustment: wide, but of a size that rounding bears."""


LEAST_COSINE = 0.05
"""Beams that graze a surface beyond 87 degrees meet it nowhere in particular."""
LEAST_COSINE_ROUND = 0.35
"""On a sphere the direction of the surface itself is unsure where it is met at more than 70 degrees."""


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """A plane or a sphere with the points found on it.

    normal, offset_m : the plane that was stated, or that of the points where none was; normal towards the sensor
    centre_m : middle of a plane's points, or stated (else found) centre of a sphere; radius_m 0 for a plane
    axes (2, 3) : unit vectors in the plane
    known_normal, known_place : whether these were stated; normal_sd_rad, place_sd_m, radius_sd_m : how well
    ratio : noise measured over noise stated; shape_m : sd of a shape of its own, where that was significant
    """

    name: str
    sight: Sight
    normal: FloatArray
    offset_m: float
    centre_m: FloatArray
    axes: FloatArray
    radius_m: float = 0.0
    known_normal: bool = False
    known_place: bool = False
    normal_sd_rad: float = 0.0
    place_sd_m: float = 0.0
    radius_sd_m: float = 0.0
    ratio: float = 1.0
    shape_m: float = 0.0

    @property
    def is_plane(self) -> bool:
        """Whether it is a plane."""
        return self.radius_m == 0.0

    def residual(self, xyz_m: FloatArray) -> FloatArray:
        """Return the signed distance of points (n, 3) from the surface, positive outside."""
        if self.is_plane:
            flat: FloatArray = xyz_m @ self.normal - self.offset_m
            return flat
        round_: FloatArray = np.linalg.norm(xyz_m - self.centre_m, axis=1) - self.radius_m
        return round_

    def normals(self, xyz_m: FloatArray) -> FloatArray:
        """Return the surface's outward normal at each point, (n, 3)."""
        if self.is_plane:
            return np.broadcast_to(self.normal, xyz_m.shape)
        out = xyz_m - self.centre_m
        unit: FloatArray = out / np.linalg.norm(out, axis=1)[:, None]
        return unit

    def uv(self, xyz_m: FloatArray) -> FloatArray:
        """Return coordinates in the plane about its middle, (n, 2)."""
        flat: FloatArray = (xyz_m - self.centre_m) @ self.axes.T
        return flat

    def noise_m(self, mount: Mount | None) -> FloatArray:
        """Return the stated noise of each point's residual.

        Range noise counts by the cosine of the incidence (a range error moves a point along its beam, and only the
        part along the normal shows), the width of the spot by the sine.
        """
        sight = self.sight
        if mount is None or not sight.has_sensor:
            return sight.sd_m
        return self.noise_at(self.cosine(mount))

    def noise_at(self, cosine: FloatArray) -> FloatArray:
        """Return the stated noise of each point's residual at its cosine of incidence."""
        spot = self.sight.spread_rad * self.sight.range_m()
        noise: FloatArray = np.hypot(self.sight.sd_m * cosine, spot * np.sqrt(np.maximum(0.0, 1.0 - cosine**2)))
        return np.maximum(noise, 1e-6)

    def cosine(self, mount: Mount) -> FloatArray:
        """Return the cosine of each point's angle of incidence; NaN where the sensor's place is unknown."""
        met = np.einsum("ni,ni->n", self.normals(self.sight.xyz_m), self.sight.beam(mount))
        cosine: FloatArray = np.abs(met)
        return cosine

    def reference_columns(self, xyz_m: FloatArray) -> FloatArray:
        """Return how residuals change with the reference.

        (n, 3): place and two tilts of a plane; or (n, 4): centre and radius of a sphere.
        """
        if self.is_plane:
            return np.column_stack((np.ones(len(xyz_m)), self.uv(xyz_m)))
        return np.column_stack((self.normals(xyz_m), np.ones(len(xyz_m))))

    def along_beam(self, xyz_m: FloatArray, beam: FloatArray) -> FloatArray:
        """Return how far each point (n, 3) lies behind the surface along its beam, 0 where that is not known.

        Where a beam meets the surface is free of range noise; where its point lies is not. At a slant, range noise
        moves a point across the surface and off it at once, so that tilts fitted over the points themselves lean by
        sd^2 sin(i) cos(i) / spread^2.
        """
        met = np.einsum("ni,ni->n", self.normals(xyz_m), beam)
        with np.errstate(invalid="ignore", divide="ignore"):
            behind: FloatArray = self.residual(xyz_m) / met
        least = LEAST_COSINE if self.is_plane else LEAST_COSINE_ROUND
        behind[~(np.abs(met) > least)] = 0.0
        return behind

    def own_centres(self, xyz_m: FloatArray) -> FloatArray:
        """Return for each point (n, 3) how far the sphere it lies on is from where it was stated; nought for a plane.

        Each stand's points make a centre of their own.
        """
        off = np.zeros_like(xyz_m)
        if self.is_plane:
            return off
        for stand in np.unique(self.sight.stand):
            rows = self.sight.stand == stand
            if rows.sum() >= 10:
                off[rows] = fitted_centre(xyz_m[rows], self.centre_m, self.radius_m) - self.centre_m
        return off

    def met_m(self, mount: Mount | None) -> FloatArray:
        """Return where the beams meet the surface, (n, 3), as far as that is known."""
        xyz = self.sight.xyz_m
        if mount is None or not self.sight.has_sensor:
            return xyz
        beam = self.sight.beam(mount)
        met: FloatArray = xyz - beam * self.along_beam(xyz, beam)[:, None]
        return met

    def reference_sd(self) -> FloatArray:
        """Return the standard uncertainty of what `reference_columns` belongs to."""
        if not self.is_plane:
            place = math.hypot(self.place_sd_m, self.shape_m) if self.known_place else UNKNOWN_PLACE_M
            return np.array([place, place, place, max(self.radius_sd_m, 1e-6)])
        half = max(0.5 * float(np.ptp(self.uv(self.sight.xyz_m), axis=0).min()), 1e-3)
        place = math.hypot(self.place_sd_m, self.shape_m) if self.known_place else UNKNOWN_PLACE_M
        tilt = math.hypot(self.normal_sd_rad, self.shape_m / half) if self.known_normal else UNKNOWN_TILT_RAD
        return np.maximum([place, tilt, tilt], 1e-7)

    def known(self) -> FloatArray:
        """Return which of the reference parameters were stated."""
        if not self.is_plane:
            return np.array([self.known_place] * 3 + [True])
        return np.array([self.known_place, self.known_normal, self.known_normal])

    def refined(self, *, ratio: float, shape_m: float) -> Surface:
        """Return the same surface with the noise and shape that were measured."""
        return replace(self, ratio=ratio, shape_m=shape_m)


def plane_surface(
    name: str,
    sight: Sight,
    normal: FloatArray,
    offset_m: float,
    *,
    normal_sd_rad: float | None = None,
    place_sd_m: float | None = None,
) -> Surface:
    """Return a plane; a sd of None says that this part of it is not known but was fitted."""
    return Surface(
        name,
        sight,
        normal,
        offset_m,
        sight.xyz_m.mean(axis=0),
        in_plane_axes(normal),
        known_normal=normal_sd_rad is not None,
        known_place=place_sd_m is not None,
        normal_sd_rad=normal_sd_rad or 0.0,
        place_sd_m=place_sd_m or 0.0,
    )


def pose_columns(normals: FloatArray, xyz_m: FloatArray, body_m: FloatArray) -> FloatArray:
    """Return how residuals change with a pose: its position (3) and a turn about the body (3), map frame; (n, 6)."""
    return np.column_stack((normals, np.cross(xyz_m - body_m, normals)))
