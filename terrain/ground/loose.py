"""Returns that no patch claims: which are ground, which are things, which are noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from terrain.data import BoolArray, Cloud, FloatArray, Grid, IntArray
from terrain.ground.columns import Surfaces, columns_of
from terrain.ground.surfaces import GroundSettings, loose_surfaces, no_surfaces


@dataclass(frozen=True, slots=True, eq=False)
class Loose:
    """Surfaces of loose returns, the returns that are things, and how many were taken for noise."""

    surfaces: Surfaces
    things: IntArray
    """Rows of the cloud."""
    dropped: int


def sort_loose(
    cloud: Cloud,
    rows: IntArray,
    known: Surfaces,
    first: IntArray,
    grid: Grid,
    settings: GroundSettings,
) -> Loose:
    """Sort the loose returns.

    Parameters
    ----------
    rows : (m,) int64
        Rows of the cloud that no patch claims.
    known, first
        Surfaces of the patches sorted by column, and where each column begins.

    Notes
    -----
    A loose return near a patch is noise unless loose returns outweigh the patch's own around it: an object hides the
    plane it stands on, noise does not. Away from patches it takes `least_loose` returns within about 3 cm.
    """
    from terrain.kernels import voxels as kernel
    from terrain.kernels.neighbours import near_voxels

    if len(rows) == 0:
        return Loose(no_surfaces(), rows, 0)
    size = settings.rest_voxel_m
    has_view = cloud.view_map_m is not None
    view = cloud.view_map_m[rows] if cloud.view_map_m is not None else np.zeros((1, 3), dtype=np.float32)
    xyz = np.ascontiguousarray(cloud.xyz_map_m[rows])
    made = kernel.voxelise(xyz, view, has_view, cloud.sd_m[rows], cloud.cross_sd_m[rows], cloud.origin_m, size)
    assert made is not None
    low, keys, start, order, _, moments = made
    cell, up = kernel.cells_of(keys), keys & 1
    floor2 = settings.floor_sd_m**2
    local, flatness, used = kernel.local_planes(near_voxels(keys), cell, up, moments, size, floor2)
    kept = _kept(cell, low, used, known, first, grid, settings)
    noise = np.sqrt((moments[:, 13] / moments[:, 0]) + floor2)
    above = kept & (up == 0)
    surfaces = loose_surfaces(
        cell[above], local[above], flatness[above], used[above].astype(np.int64), moments[above, 0], noise[above], low,
        size, grid,
    )  # fmt: skip
    upward = above & (np.abs(local[:, 2]) > 0.5) & np.isfinite(flatness)
    thing = kept & ~upward
    number = np.repeat(np.arange(len(cell)), np.diff(start))
    return Loose(surfaces, rows[order[thing[number]]], int(np.diff(start)[~kept].sum()))


def _kept(
    cell: IntArray,
    low: FloatArray,
    used: IntArray,
    known: Surfaces,
    first: IntArray,
    grid: Grid,
    settings: GroundSettings,
) -> BoolArray:
    centre = low + (cell + 0.5) * settings.rest_voxel_m
    ix = np.floor((centre[:, 0] - grid.x0_m) / grid.cell_m).astype(np.int64)
    iy = np.floor((centre[:, 1] - grid.y0_m) / grid.cell_m).astype(np.int64)
    column = columns_of(grid, ix, iy)
    rival = np.zeros(len(cell))
    begin, end = first[np.maximum(column, 0)], first[np.maximum(column, 0) + 1]
    for step in range(int((end - begin).max(initial=0))):
        at = np.minimum(begin + step, max(len(known) - 1, 0))
        valid = (column >= 0) & (begin + step < end)
        near = valid & (np.abs(known.height_m[at] + grid.z0_m - centre[:, 2]) < settings.near_m)
        rival = np.where(near, np.maximum(rival, known.seen[at]), rival)
    return np.asarray((used >= settings.least_loose) & (used >= settings.rest_share * rival))
