"""Points sorted into cells, and which of the cells hold a plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from terrain.data import FloatArray, IntArray

GRID_SHIFT = (0.317, 0.241, 0.427)
"""Where the grid's corner lies, in cells: floors at z = 0 must not lie on a border of cells."""

FLATNESS = 0.05
"""Most the smallest eigenvalue of a planar cell's scatter may be of the middle one."""

FEWEST = 8
"""Points that a planar cell holds at least."""

FEWEST_ALONE = 16
"""The same where no cell beside it agrees: a few points from both sides of an edge can lie on a slanting plane."""


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Planar cells of one grid.

    order (n,): the points cell by cell, each cell's in the order they came; cell c owns rows first[c] : last[c] of
    it. normal, along, middle (c, 3): unit normal, a direction in the plane, the mean of the points; variance_m2 (c,):
    thickness squared; index (c, 3): which cell of the grid; region (c,): whose normal it was given, -1 its own.
    """

    order: IntArray
    first: IntArray
    last: IntArray
    normal: FloatArray
    along: FloatArray
    middle: FloatArray
    variance_m2: FloatArray
    index: IntArray
    region: IntArray

    def __len__(self) -> int:
        return len(self.first)


def grid_index(xyz_m: FloatArray, cell_m: float) -> IntArray:
    """Return the cell (n, 3) of every point."""
    index: IntArray = np.floor(xyz_m / cell_m + np.array(GRID_SHIFT)).astype(np.int64)
    return index


def keys_of(index: IntArray) -> IntArray:
    """Return one number a cell; different cells have different ones within two million cells each way."""
    half = 1 << 20
    key: IntArray = ((index[:, 0] + half) << 42) | ((index[:, 1] + half) << 21) | (index[:, 2] + half)
    return key


def planar_cells(xyz_m: FloatArray, *, cell_m: float, fewest: int = FEWEST, flatness: float = FLATNESS) -> Cells:
    """Return the cells of a grid whose points lie on a plane.

    Parameters
    ----------
    xyz_m : (n, 3)
        Relative to a point nearby.
    cell_m : float
        The cells' size.
    fewest : int
        Fewest points of a cell.
    flatness : float
        Most that the smallest eigenvalue of the scatter may be of the middle one.
    """
    order, first, last = _by_cell(xyz_m, cell_m, fewest)
    count, middle, scatter = moments(np.take(xyz_m, order, axis=0), first, last)
    value, vector = np.linalg.eigh(scatter)
    planar = (value[:, 0] < flatness * value[:, 1]) & (value[:, 1] > 0.02 * cell_m**2 / 12.0)
    chosen = np.flatnonzero(planar)
    cells = Cells(
        order=order,
        first=first[chosen],
        last=last[chosen],
        normal=np.ascontiguousarray(vector[chosen, :, 0]),
        along=np.ascontiguousarray(vector[chosen, :, 2]),
        middle=np.ascontiguousarray(middle[chosen]),
        variance_m2=value[chosen, 0],
        index=grid_index(xyz_m[order[first[chosen]]], cell_m),
        region=np.full(len(chosen), -1),
    )
    return _with_region_normals(cells, count[chosen], scatter[chosen], value[chosen, 1])


def _by_cell(xyz_m: FloatArray, cell_m: float, fewest: int) -> tuple[IntArray, IntArray, IntArray]:
    """Return the rows of points cell by cell, of cells with enough of them, and where each cell begins and ends."""
    from terrain.kernels.cells import cell_keys
    from terrain.kernels.threads import over_parts
    from terrain.kernels.voxels import radix_sort

    if len(xyz_m) == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    low, high = (grid_index(np.array([[end(axis) for axis in xyz_m.T]]), cell_m)[0] for end in (np.min, np.max))
    bits = np.array([int(count).bit_length() for count in high - low])
    unsorted = np.empty(len(xyz_m), dtype=np.int64)
    over_parts(cell_keys, len(xyz_m), xyz_m, cell_m, np.array(GRID_SHIFT), low, bits, unsorted)
    key, order = radix_sort(unsorted, max(int(bits.sum()), 1))
    first = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
    count = np.diff(np.r_[first, len(key)])
    full = count >= fewest
    last = np.cumsum(count[full])
    return order[np.repeat(full, count)].astype(np.int64), last - count[full], last


def moments(xyz_m: FloatArray, first: IntArray, last: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return count (c,), mean (c, 3) and scatter (c, 3, 3) of runs of points that follow each other without a gap."""
    if len(first) == 0:
        return np.zeros(0), np.zeros((0, 3)), np.zeros((0, 3, 3))
    count = (last - first).astype(np.float64)
    mean = np.add.reduceat(xyz_m, first, axis=0) / count[:, None]
    off = xyz_m - np.repeat(mean, last - first, axis=0)
    scatter = np.empty((len(first), 3, 3))
    for i in range(3):
        for j in range(i, 3):
            scatter[:, i, j] = scatter[:, j, i] = np.add.reduceat(off[:, i] * off[:, j], first) / count
    return count, mean, scatter


_AHEAD = np.array([(i, j, k) for i in (-1, 0, 1) for j in (-1, 0, 1) for k in (-1, 0, 1) if (i, j, k) > (0, 0, 0)])
"""The half of the 26 neighbours that comes later."""


def neighbours(cells: Cells, *, most_turn_rad: float, most_step_m: float) -> tuple[IntArray, IntArray]:
    """Return pairs of touching cells whose planes agree in direction and meet each other's middle."""
    key = keys_of(cells.index)
    order = np.argsort(key)
    ordered = key[order]
    one, other = [], []
    for step in _AHEAD:
        wanted = keys_of(cells.index + step)
        at = np.minimum(np.searchsorted(ordered, wanted), len(ordered) - 1)
        hit = np.flatnonzero(ordered[at] == wanted)
        one.append(hit)
        other.append(order[at[hit]])
    a, b = np.concatenate(one), np.concatenate(other)
    between = cells.middle[b] - cells.middle[a]
    agree = np.abs(np.einsum("ij,ij->i", cells.normal[a], cells.normal[b])) > np.cos(most_turn_rad)
    agree &= np.abs(np.einsum("ij,ij->i", cells.normal[a], between)) < most_step_m
    agree &= np.abs(np.einsum("ij,ij->i", cells.normal[b], between)) < most_step_m
    return a[agree], b[agree]


def _with_region_normals(cells: Cells, count: FloatArray, scatter: FloatArray, spread_m2: FloatArray) -> Cells:
    """Give each cell the normal of the region it belongs to, unless its own departs from that by more than chance.

    The scatter of noisy normals looks like walls that are not there: on a bare floor it would hold x, y and heading.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    n = len(cells)
    if n == 0:
        return cells
    noise = np.sqrt(np.median(cells.variance_m2))
    a, b = neighbours(cells, most_turn_rad=np.deg2rad(15.0), most_step_m=max(3.0 * noise, 0.02))
    graph = coo_array((np.ones(len(a)), (a, b)), shape=(n, n))
    regions, region = connected_components(graph, directed=False)
    total: FloatArray = np.bincount(region, weights=count, minlength=regions).astype(np.float64)
    mean = np.column_stack(
        [np.bincount(region, weights=count * cells.middle[:, i], minlength=regions) for i in range(3)]
    )
    mean = np.asarray(mean / total[:, None])
    off = cells.middle - mean[region]
    union = np.empty((regions, 3, 3))
    for i in range(3):
        for j in range(i, 3):
            part = count * (scatter[:, i, j] + off[:, i] * off[:, j])
            union[:, i, j] = union[:, j, i] = np.bincount(region, weights=part, minlength=regions) / total
    _, vector = np.linalg.eigh(union)
    wide = vector[region, :, 0]
    cosine = np.einsum("ij,ij->i", wide, cells.normal)
    wide = wide * np.where(cosine < 0.0, -1.0, 1.0)[:, None]
    turn = np.arccos(np.minimum(np.abs(cosine), 1.0))
    # A few points can lie on one plane by luck: their own thickness alone would make too much of their tilt.
    usual_m2 = np.bincount(region, weights=count * cells.variance_m2, minlength=regions) / total
    thick_m2 = np.maximum(cells.variance_m2, usual_m2[region]) * count / (count - 3.0)
    chance = np.sqrt(thick_m2 / (count * spread_m2))
    tied = turn < 3.0 * np.sqrt(2.0) * chance
    normal = np.where(tied[:, None], wide, cells.normal)
    along = cells.along - np.einsum("ij,ij->i", cells.along, normal)[:, None] * normal
    along /= np.linalg.norm(along, axis=1)[:, None]
    kept = np.flatnonzero((np.bincount(region)[region] > 1) | (count >= FEWEST_ALONE))
    return Cells(
        order=cells.order,
        first=cells.first[kept],
        last=cells.last[kept],
        normal=np.ascontiguousarray(normal[kept]),
        along=np.ascontiguousarray(along[kept]),
        middle=cells.middle[kept],
        variance_m2=cells.variance_m2[kept],
        index=cells.index[kept],
        region=np.where(tied, region, -1)[kept],
    )
