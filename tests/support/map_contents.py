"""A small map's contents made by hand: a floor, a block on it, a ramp; for tests of the map's files."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely

from terrain.data import Ground, Label, LevelRaster, Patches, PatchVerdicts
from terrain.maps.contents import InputFile, LabelledPart, MapContents
from tests.support.grounds import Layer, biped, box, build_ground, flat, plane, within

NX, NY, CELL_M = 60, 40, 0.05
X0_M, Y0_M = -1.0, -0.5
SLOPE_DEG = 20.0


@dataclass(frozen=True)
class ArrayPoints:
    """The points of a cloud from arrays, in parts of 1,000."""

    origin_m: np.ndarray
    xyz_map_m: np.ndarray
    time_s: np.ndarray
    patch_id: np.ndarray
    label: np.ndarray

    def parts(self) -> Iterator[LabelledPart]:
        for begin in range(0, len(self.xyz_map_m), 1000):
            rows = slice(begin, begin + 1000)
            yield LabelledPart(self.xyz_map_m[rows], self.time_s[rows], self.patch_id[rows], self.label[rows])


def make_ground(z0_m: float = 0.0) -> Ground:
    """Return a floor at 0, a block top at 0.1 m (patch 1), a ramp of 20 degrees (patch 2)."""
    ramp = within(plane(np.tan(np.radians(SLOPE_DEG)), 0.0), 0.6, -0.5, 1.5, 0.5)
    return build_ground(
        Layer(flat(0.0), patch_id=0),
        Layer(box(-0.5, -0.25, 0.0, 0.25, 0.1), patch_id=1),
        Layer(ramp, patch_id=2),
        x_m=(-1.0, 2.0),
        y_m=(-0.5, 1.5),
        z0_m=z0_m,
        merge=True,
    )


def make_patches() -> Patches:
    """Return the three patches; the floor has a square hole."""
    tilt = np.radians(SLOPE_DEG)
    floor = shapely.Polygon(
        [(-1, -0.5, 0), (2, -0.5, 0), (2, 1.5, 0), (-1, 1.5, 0)],
        [[(-0.5, -0.25, 0), (-0.5, 0.25, 0), (0, 0.25, 0), (0, -0.25, 0)]],
    )
    top = shapely.Polygon([(-0.5, -0.25, 0.1), (0, -0.25, 0.1), (0, 0.25, 0.1), (-0.5, 0.25, 0.1)])
    z0, z1 = 0.6 * np.tan(tilt), 1.5 * np.tan(tilt)
    ramp = shapely.Polygon([(0.6, -0.5, z0), (1.5, -0.5, z1), (1.5, 0.5, z1), (0.6, 0.5, z0)])
    return Patches(
        origin_m=np.zeros(3),
        normal=np.array([[0, 0, 1], [0, 0, 1], [-np.sin(tilt), 0, np.cos(tilt)]]),
        offset_m=np.array([0.0, 0.1, 0.0]),
        centre_m=np.array([[0.5, 0.5, 0.0], [-0.25, 0.0, 0.1], [1.05, 0.0, (z0 + z1) / 2]]),
        slope_sd_rad=np.radians([0.1, 0.2, 0.3]),
        height_sd_m=np.full(3, 0.001),
        roughness_m=np.array([0.001, 0.002, 0.003]),
        residual_m=np.full(3, 0.008),
        noise_m=np.full(3, 0.008),
        points=np.array([4000, 300, 700]),
        area_m2=np.array([5.75, 0.25, 0.9 / np.cos(tilt)]),
        upward=np.ones(3, dtype=bool),
        outline=(floor, top, ramp),
    )


def make_verdicts() -> PatchVerdicts:
    """Return a steppable floor, a marginal top (edge, support) and an unsteppable ramp (slope)."""
    reason = np.full((3, 10), -1)
    reason[1, :2] = (4, 2)
    reason[2, 0] = 0
    return PatchVerdicts(
        label=np.array([Label.STEPPABLE, Label.MARGINAL, Label.UNSTEPPABLE]),
        reason=reason,
        level=np.array([0, 0, -1]),
        inset_m=np.array([0.75, 0.25, 0.45]),
        placements=np.array([0.8, 0.4, 0.0]),
    )


def make_raster(level: int = 0) -> LevelRaster:
    """Return a raster in which every band is a known function of the cell, with a corner nobody saw."""
    iy, ix = np.mgrid[0:NY, 0:NX].astype(np.float32)
    seen = (ix >= 10) | (iy >= 10)

    def band(values: np.ndarray) -> np.ndarray:
        return np.where(seen, values, np.nan).astype(np.float32)

    label = np.where(ix < 30, Label.STEPPABLE, np.where(ix < 45, Label.MARGINAL, Label.UNSTEPPABLE))
    return LevelRaster(
        level=level,
        x0_m=X0_M,
        y0_m=Y0_M,
        cell_m=CELL_M,
        height_m=band(0.01 * ix + iy + level),
        height_sd_m=band(0.001 + 0 * ix),
        slope_rad=band(np.radians(ix / 2)),
        roughness_m=band(0.001 * iy / 10),
        headroom_m=band(np.where(iy > 30, 0.3, np.inf)),
        points=band(ix % 7),
        label=np.where(seen, label, Label.UNOBSERVED).astype(np.float32),
        best_yaw_rad=band(np.radians(22.5 * (ix % 16))),
        yaw_share=band((ix % 16) / 16),
        patch_id=np.where(seen, 0, -1).astype(np.int32),
    )


def make_contents(*, points: int = 5000, levels: int = 1, **changes: object) -> MapContents:
    """Return the contents of a map of all of this, its cloud drawn from the floor."""
    rng = np.random.default_rng(7)
    xyz = np.column_stack([rng.uniform(-1, 2, points), rng.uniform(-0.5, 1.5, points), rng.normal(0, 0.008, points)])
    patch_id = np.where(xyz[:, 0] < 0, 0, np.where(xyz[:, 0] < 1, 2, -1))
    known: dict[str, object] = {
        "survey_name": "dry dock, east apron",
        "gravity": np.array([0.0, 0.0, -1.0]),
        "foot": biped(),
        "foot_source": {"name": "biped", "sole": {"length_m": 0.26}},
        "patches": make_patches(),
        "patch_verdicts": make_verdicts(),
        "ground": make_ground(),
        "rasters": tuple(make_raster(k) for k in range(levels)),
        "points": ArrayPoints(
            np.array([0.5, 0.5, 0.0]),
            xyz,
            1.7e9 + np.arange(points) * 1e-5,
            patch_id.astype(np.int32),
            np.where(patch_id == 0, 1, np.where(patch_id == 2, 3, 0)).astype(np.uint8),
        ),
        "inputs": (InputFile("scans/one.laz", "0" * 64, 12345),),
        "points_read": points + 30,
        "points_dropped": {"near": 20, "no pose": 10},
        "points_kept": points,
        "warnings": ("one scan is empty: scans/two.laz",),
        "refine": {"used": False},
        "timings_s": {"read": 1.25},
        "settings": {"max_range_m": float("inf"), "refine": "auto"},
    }
    return MapContents(**{**known, **changes})
