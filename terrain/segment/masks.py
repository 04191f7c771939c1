"""Where a plane's surface is: returns counted in cells, closed as far as their density allows, cut at joints."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import BoolArray, FloatArray
from terrain.kernels.stretches import Stretch, stretches

Counts = npt.NDArray[Any]

STEEP_COSINE = 0.5
"""Planes steeper than 60 degrees have no mask in plan."""


@dataclass(frozen=True, slots=True)
class MaskSettings:
    """How a mask is made from returns; lengths in metres."""

    cell_m: float = 0.01
    close_m: float = 0.02
    """Radius of closing at one return per square centimetre; goes with the root of the area per return."""
    close_most_m: float = 0.05
    hole_returns: float = 12.0
    """A hole in which fewer returns than this were to be expected is chance, unless something else was seen in it."""
    gap_returns: float = 30.0
    """The same for a hole that no beam went through."""
    pierced_share: float = 0.1
    """So many of the returns to be expected in a hole may have gone through it, or be unclaimed."""
    open_share: float = 0.3
    open_beams: float = 3.0
    open_most: float = 0.05
    bare_cells: int = 4
    """What is spanned without returns is opened if this share of those to be expected, and so many, went through; and
    only if so many cells have no return beside them, and no more than `open_most` of the mask is opened so."""
    deep_m: float = 0.03
    """A beam that ends this far below a plane went through it."""
    observed_radius_m: float = 0.03
    observed_returns: float = 3.0
    """Ground with so many returns within this radius is observed."""
    least_density: float = 0.25
    square_m: float = 0.5
    """Squares in which holes are looked up along beams."""
    open_m: float = 0.015
    trim_m: float = 0.03
    """Width of the border in which the density of returns decides where the surface ends."""
    least_share: float = 0.86
    """Share of the returns near a plane that must lie on it, or it is no plane."""
    local_share: float = 0.6
    least_area_m2: float = 0.005
    least_radius_m: float = 0.045
    """A part in which no circle of this radius fits is a seam between two planes, or too narrow for any sole."""
    small_radius_m: float = 0.08
    """A part in which no circle of this radius fits is small and must prove itself."""
    most_fraying: float = 0.075
    """Returns on the plane within `small_radius_m` beyond a small part, over those on it: more, and it is chance."""
    most_scatter: float = 1.25
    """Squared scatter of a small part over the survey's median scatter: more, and it is rough ground."""
    least_scatter: float = 0.5
    """The median is taken for at least this: of less than what is predicted nobody can say that it is rough."""
    border_m: float = 0.02
    least_inside: float = 0.3
    """Returns farther than `border_m` inside a part tell its plane, or half as far, if so much of it is left."""
    grazing_rad: float = 0.087
    """Beams closer than this to the surface (85 degrees of incidence) are no evidence of it."""
    near_m: float = 0.06
    foot_m: float = 0.025
    """Returns of a steeper plane this close above a plane show that the plane reaches to its foot."""
    fold_m: float = 0.004
    """Where two planes pass this close to each other they fold: returns of both show that neither ends there."""
    fold_cosine: float = 0.997
    """Planes closer to parallel than this (4.4 degrees) do not fold: they are layers of rough ground, or blocks side by
    side with a gap between that returns of the other would hide."""


def grow(mask: BoolArray, radius_cells: float) -> BoolArray:
    """Return the cells within a radius of the mask."""
    from terrain.kernels.masks import dilate

    return np.asarray(dilate(mask, float(radius_cells)))


def shrink(mask: BoolArray, radius_cells: float) -> BoolArray:
    """Return the cells of the mask further than a radius from what is outside it; beyond the array is outside."""
    from terrain.kernels.masks import erode

    return np.asarray(erode(mask, float(radius_cells)))


def blurred(values: FloatArray, sigma_cells: float, *, mirrored: bool = False) -> FloatArray:
    """Return (ny, nx) values blurred as SciPy's `gaussian_filter` does; beyond the border lie zeros, or mirrors."""
    from terrain.kernels.masks import blur

    reach = int(4.0 * sigma_cells + 0.5)
    weight = np.exp(-0.5 / (sigma_cells * sigma_cells) * np.arange(-reach, reach + 1) ** 2)
    return np.asarray(blur(values, weight / weight.sum(), mirrored))


def always_closed(joint_m: float, settings: MaskSettings | None = None) -> float:
    """Return up to which radius, in cells, gaps are closed however dense the returns: all that `joint_m` decides here.

    A gap narrower than half of it must not part a surface. One cell closes 20 mm, which is enough up to 40 mm.
    """
    settings = settings or MaskSettings()
    return 1.0 if 0.5 * joint_m <= 2.0 * settings.cell_m + 1e-9 else 1.5


def surface_mask(hits: Counts, misses: Counts, beside: Counts, *, joint_m: float, settings: MaskSettings) -> BoolArray:
    """Return where the surface is.

    Parameters
    ----------
    hits, misses, beside : (ny, nx), any kind of number
        Returns on the plane, unclaimed returns near it, and returns of other planes that lie on it too, in each cell;
        a margin of `close_most_m` all around must be empty.
    joint_m : float
        Openings wider than this must stay open where the returns are dense enough to show them.

    Notes
    -----
    Closing bridges gaps between returns: its radius is `close_m` at one return per square centimetre and follows
    the root of the area per return. In the border the density must reach half of the density inside, which is
    where an edge lies when returns scatter evenly to both sides of it; opening takes hair off.
    """
    occupied = hits > 0
    if not occupied.any():
        return occupied
    mask, density = _closed(occupied, hits, misses, joint_m, settings)
    cell_cm = settings.cell_m * 100.0
    sigma = float(np.clip(1.2 / np.sqrt(max(float(np.median(density[occupied])), 1e-3)) / cell_cm, 1.0, 4.0))
    out = np.zeros_like(mask)
    for part in stretches(mask, around=0, reach=TRIM_REACH):
        window = (np.ascontiguousarray(values[part.wide]) for values in (mask, density, hits, misses, beside))
        out[part.core] = part.inner(_trimmed(*window, sigma=sigma, settings=settings))
    return out


CLOSE_REACH, TRIM_REACH = 20, 30
"""How many cells around what a step of `surface_mask` makes of a cell depends on: the sums of its windows' reaches."""


def _density(hits: FloatArray, settings: MaskSettings) -> FloatArray:
    """Return the returns per square centimetre where they are densest nearby."""
    from terrain.kernels.masks import mean_around, most_around

    return np.asarray(most_around(mean_around(hits, 9) / (settings.cell_m * 100.0) ** 2, 9))


def _closed(
    occupied: BoolArray, hits: Counts, misses: Counts, joint_m: float, settings: MaskSettings
) -> tuple[BoolArray, FloatArray]:
    """Return the cells with returns, closed as far as their density allows; and the density, where there is any."""
    least = always_closed(joint_m, settings)
    mask, every = occupied.copy(), np.zeros(occupied.shape)
    parts = stretches(occupied, around=8, reach=CLOSE_REACH)
    for part in parts:
        seen = occupied[part.wide]
        density = _density(hits[part.wide].astype(np.float64), settings)
        radius = settings.close_m / np.sqrt(np.maximum(density, 1e-3)) / settings.cell_m
        closed = seen.copy()
        for r in (1.0, 1.5, 2.0, 3.0, 4.0, 5.0):
            if r > settings.close_most_m / settings.cell_m:
                break
            wanted = radius >= r if r > least else np.ones_like(closed)
            if not (wanted & ~closed).any():
                continue
            closed |= shrink(grow(seen, r), r) & wanted
        mask[part.core] = part.inner(closed)
        every[part.core] = part.inner(density)
    mask |= _chance_holes(mask, parts, every, misses, settings)
    return mask, every


def _trimmed(
    mask: BoolArray,
    density: FloatArray,
    hits: Counts,
    misses: Counts,
    beside: Counts,
    *,
    sigma: float,
    settings: MaskSettings,
) -> BoolArray:
    """Return a mask that ends where the density of returns halves, without what other returns outweigh, and hair."""
    cell_cm = settings.cell_m * 100.0
    own, odd = hits.astype(np.float64), misses.astype(np.float64)
    smooth = blurred(own + beside, sigma) / cell_cm**2
    border = mask & ~shrink(mask, max(settings.trim_m / settings.cell_m, 1.5 * sigma))
    mask = mask & ~(border & (smooth < 0.45 * density))
    if odd.any():
        near = blurred(odd, 2.0 / cell_cm) / cell_cm**2
        hit = blurred(own, 2.0 / cell_cm) / cell_cm**2
        mask &= hit >= settings.local_share * (hit + near)
    radius_cells = settings.open_m / settings.cell_m
    return grow(shrink(mask, radius_cells - 0.5), radius_cells - 0.5) & mask


def _chance_holes(
    mask: BoolArray, parts: list[Stretch], density: FloatArray, misses: Counts, settings: MaskSettings
) -> BoolArray:
    """Return holes of the mask that chance leaves: too few returns were to be expected there for their lack to tell.

    parts: stretches that hold all of the density of returns.
    """
    from terrain.kernels.connected import add_by_piece, add_pieces, connected, drop_seen

    cell_cm = settings.cell_m * 100.0
    numbered, count = connected(~mask)
    out = np.zeros(mask.shape, dtype=np.uint8)
    expected = np.zeros(count + 1)
    for part in parts:
        add_by_piece(np.ascontiguousarray(numbered[part.core]), density[part.core] * cell_cm**2, expected)
    small = expected < settings.hole_returns
    small[0] = False
    drop_seen(numbered, np.ascontiguousarray(misses), small)
    add_pieces(numbered, small, out)
    return out.view(np.bool_)


def outlines(mask: BoolArray, *, x0_m: float, y0_m: float, cell_m: float) -> list[object]:
    """Return the mask's areas as shapely polygons with holes, their steps smoothed by less than a cell."""
    from terrain.kernels.connected import connected

    every = piece_outlines(connected(mask)[0], x0_m=x0_m, y0_m=y0_m, cell_m=cell_m)
    return [polygon for polygon in every if polygon is not None]


def piece_outlines(numbered: Counts, *, x0_m: float, y0_m: float, cell_m: float) -> list[Any]:
    """Return `outlines` of pieces as `connected` numbers them: that of piece k at k - 1, None for no polygon."""
    import shapely

    from terrain.kernels.outlines import rings

    corners, begins, piece = rings(numbered)
    if len(piece) == 0:
        return []
    ring = np.repeat(np.arange(len(piece)), np.diff(begins))
    lines = shapely.linearrings(corners * cell_m + (x0_m, y0_m), indices=ring)
    order = np.argsort(piece, kind="stable")
    polygons = shapely.simplify(shapely.polygons(lines[order], indices=piece[order] - 1), 0.7 * cell_m)
    polygons[~shapely.is_valid(polygons) | shapely.is_empty(polygons)] = None
    return list(polygons)
