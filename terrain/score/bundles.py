"""Ground and foot as the bundles of arrays and numbers that the kernels take."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from terrain.data import FloatArray, FootProfile, Ground

if TYPE_CHECKING:
    from terrain.kernels.verdict import Foot, Surfaces


def surface_bundle(ground: Ground) -> Surfaces:
    """Return the arrays of the ground that scoring reads."""
    from terrain.kernels.verdict import Surfaces

    return Surfaces(
        first=ground.first,
        height=ground.height_m,
        height_sd=ground.height_sd_m,
        gradient_sd=ground.gradient_sd,
        roughness=ground.roughness_m,
        edge_sd=ground.edge_sd_m,
        seen=ground.seen,
        points=ground.points,
        patch=ground.patch_id,
        level=ground.level,
        carries=ground.carries,
        walkable=ground.walkable,
        span_first=ground.span_first,
        span_low=ground.span_low_m,
        span_high=ground.span_high_m,
    )


def foot_bundle(foot: FootProfile) -> Foot:
    """Return the foot profile in numbers; `area` and `margin` are the outline's own."""
    from terrain.kernels.verdict import Foot

    names = ("slope_rad", "roughness_m", "support", "rocking_m", "edge_m", "beside_m", "observed")
    limits = np.array([(getattr(foot, name).comfort, getattr(foot, name).limit) for name in names], dtype=np.float64)
    return Foot(
        limits=limits,
        outline=np.ascontiguousarray(foot.outline_m),
        contact=float(foot.contact_m),
        drop=float(foot.drop_m),
        shin=float(foot.shin_radius_m),
        clear=float(foot.clear_height_m),
        z=float(foot.z),
        margin=outline_margin(foot.outline_m),
        area=outline_area(foot.outline_m),
    )


def outline_area(outline_m: FloatArray) -> float:
    """Return the area of a (k, 2) outline in square metres, positive counter-clockwise."""
    x, y = outline_m.T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def outline_margin(outline_m: FloatArray) -> float:
    """Return the distance of the load point, the origin, from the border of the outline's convex hull."""
    from terrain.kernels.soles import hull_margin

    order = np.lexsort((-outline_m[:, 0], outline_m[:, 1]))
    hull = np.empty((2 * len(outline_m) + 4, 2))
    return float(hull_margin(np.array(outline_m, order="C"), len(outline_m), order, hull))
