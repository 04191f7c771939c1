"""`Patches` of level rectangles and tilted planes, for tests that need no segmentation."""

from __future__ import annotations

import numpy as np
import shapely

from terrain.data import Patches


def patch_table(*outlines: shapely.Polygon, normals: object = None, **known: object) -> Patches:
    """Return patches of outlines with z; normals (p, 3) or level; other columns as constants or (p,)."""
    n = len(outlines)
    normal = (
        np.tile([0.0, 0.0, 1.0], (n, 1)).reshape(n, 3) if normals is None else np.asarray(normals, dtype=np.float64)
    )
    centre = np.array([shapely.get_coordinates(one, include_z=True)[:-1].mean(axis=0) for one in outlines]).reshape(
        n, 3
    )
    columns = {
        "slope_sd_rad": 0.001,
        "height_sd_m": 0.001,
        "roughness_m": 0.0,
        "residual_m": 0.008,
        "noise_m": 0.008,
        "points": 5000,
        "area_m2": np.array([one.area for one in outlines]) / np.abs(normal[:, 2]).clip(1e-3),
        "upward": normal[:, 2] > 0.5,
        **known,
    }
    return Patches(
        origin_m=np.zeros(3),
        normal=normal,
        offset_m=np.einsum("ij,ij->i", normal, centre),
        centre_m=centre,
        outline=tuple(outlines),
        **{name: np.broadcast_to(value, n) for name, value in columns.items()},
    )


def level_rectangle(x0_m: float, y0_m: float, x1_m: float, y1_m: float, z_m: float) -> shapely.Polygon:
    """Return a level rectangle at z."""
    return shapely.force_3d(shapely.box(x0_m, y0_m, x1_m, y1_m), z_m)
