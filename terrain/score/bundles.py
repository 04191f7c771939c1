"""Ground and foot as the bundles of arrays and numbers that the kernels take."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from terrain.data import FloatArray, FootProfile, Ground

if TYPE_CHECKING:
    from terrain.kernels.verdict import Foot, Known, Scratch, Surfaces


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
        gradient=ground.gradient,
        span_first=ground.span_first,
        span_low=ground.span_low_m,
        span_high=ground.span_high_m,
    )


def nothing_known() -> Known:
    """Return that nothing was looked up for a ground."""
    from terrain.kernels.verdict import Known

    small, whole = np.empty(0, dtype=np.uint8), np.empty(0, dtype=np.int32)
    return Known(small, whole, np.empty(0, dtype=np.float32), whole, small, small, np.empty(0, dtype=np.uint32))


def make_scratch(cells: int, corners: int) -> Scratch:
    """Return working memory for soles of up to `cells` cells and outlines of up to `corners` corners."""
    from terrain.kernels.verdict import Scratch

    many, rows = (4 + corners) * cells + 16, 2 * corners + 16
    surface, row = np.empty((2, cells), dtype=np.int64)
    over, lx, ly, lz = np.empty((4, cells))
    carried, surely = np.empty((2, cells), dtype=np.bool_)
    clip, spare = np.empty((2, rows, 2))
    return Scratch(
        surface=surface, over=over, lx=lx, ly=ly, lz=lz, lrow=row, carried=carried, surely=surely,
        loud=np.empty(cells, dtype=np.int64), contact=np.empty(3, dtype=np.int64), plane=np.empty(3),
        ends=np.empty((cells, 3), dtype=np.int64),
        points=np.empty((many, 2)), reach=np.empty(4), hull=np.empty((2 * many + 4, 2)), clip=clip, spare=spare,
        exceeds=np.empty(10),
    )  # fmt: skip


def foot_bundle(foot: FootProfile, *, edge_sd_m: float = 0.0, reach_m: float | None = None) -> Foot:
    """Return the foot profile in numbers; `area` and `margin` are the outline's own.

    edge_sd_m : the least sd that the place of an edge has
    reach_m : how far around the sole open ground has to go on; all that is read, if not stated
    """
    from terrain.kernels.verdict import REACH_M, Foot

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
        cover=outline_cover(
            foot.outline_m, shin_m=float(foot.shin_radius_m), reach_m=REACH_M if reach_m is None else reach_m
        ),
        edge_sure=np.array([foot.edge_m.comfort + foot.z * edge_sd_m, foot.edge_m.limit]) - 1e-8,
    )


def outline_cover(outline_m: FloatArray, *, shin_m: float, reach_m: float) -> FloatArray:
    """Return circles (c, 3) that together hold all within `reach_m` of an outline, and the clearance about its load.

    They stand along the longer side of the outline's box, no farther apart than its shorter side.
    """
    low, high = outline_m.min(axis=0), outline_m.max(axis=0)
    size = high - low
    along = int(np.argmax(size))
    half = 0.5 * float(size.min())
    count = max(1, int(np.ceil(float(size.max()) / max(2.0 * half, 0.01))))
    step = float(size.max()) / count
    centre = np.tile(0.5 * (low + high), (count, 1))
    centre[:, along] = low[along] + step * (np.arange(count) + 0.5)
    radius = np.full(count, np.hypot(half, 0.5 * step) + reach_m)
    away = np.hypot(*centre.T)
    nearest = int(np.argmin(away))
    radius[nearest] = max(radius[nearest], away[nearest] + shin_m)
    return np.column_stack([centre, radius])


def outline_area(outline_m: FloatArray) -> float:
    """Return the area of a (k, 2) outline in square metres, positive counter-clockwise."""
    x, y = outline_m.T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def outline_margin(outline_m: FloatArray) -> float:
    """Return the distance of the load point, the origin, from the border of the outline's convex hull."""
    from terrain.kernels.soles import hull_margin

    order = np.lexsort((-outline_m[:, 0], outline_m[:, 1]))
    hull = np.empty((2 * len(outline_m) + 4, 2))
    return float(hull_margin(np.ascontiguousarray(outline_m[order]), len(outline_m), hull))
