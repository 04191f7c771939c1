"""Where beams went through: returns counted by voxel, beams walked through blocks of voxels, what to make of it.

A block is 4 x 4 x 4 voxels. `grid` (nx, ny, nz) int32 holds the number of each block that holds returns, -1
elsewhere; the voxels of block b are the slots 64 b to 64 b + 63. Points and sensors are taken relative to the grid's
corner `low`. Compiled without `parallel`: callers give each thread a part of its own.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from terrain.kernels.options import bare, entry, helper
from terrain.kernels.voxels import plane_of

KEPT, MOVING, MIXED, ISOLATED = range(4)
"""What becomes of a return."""
SIDE = 4
SLOTS = 64
FULL = 0xFFFF


@entry
def bounds(xyz, low, high):  # type: ignore[no-untyped-def]
    """Write the lowest and highest coordinates of (n, 3), a dozen times as fast as NumPy along the long axis."""
    for c in range(3):
        low[c], high[c] = xyz[0, c], xyz[0, c]
    for i in range(len(xyz)):
        for c in range(3):
            low[c] = min(low[c], np.float64(xyz[i, c]))
            high[c] = max(high[c], np.float64(xyz[i, c]))


@entry
def mark_blocks(xyz, first, last, low, size, grid):  # type: ignore[no-untyped-def]
    """Set the blocks that hold points first to last of (n, 3) to 0; every thread writes the same."""
    inverse = 1.0 / (SIDE * size)
    nx, ny, nz = grid.shape
    for i in range(first, last):
        bx, by, bz = (xyz[i, 0] - low[0]) * inverse, (xyz[i, 1] - low[1]) * inverse, (xyz[i, 2] - low[2]) * inverse
        if 0.0 <= bx < nx and 0.0 <= by < ny and 0.0 <= bz < nz:
            grid[np.int64(bx), np.int64(by), np.int64(bz)] = 0


def number_blocks(grid: Any) -> Any:
    """Give the marked blocks numbers from 0 in the order of the grid; return their places in it, flat."""
    flat = grid.reshape(-1)
    marked = np.flatnonzero(flat == 0)
    flat[marked] = np.arange(len(marked), dtype=grid.dtype)
    return marked


@entry
def count_hits(xyz, time, start_s, look_s, low, size, grid, part, parts, slot, packed):  # type: ignore[no-untyped-def]
    """Write the slot of each point (n,) and count by slot (64 b,) int64: last look << 32 | looks << 16 | hits.

    The slot of a point outside the grid stays as it is. A look is a stretch of `look_s` of time. Only blocks whose
    number leaves `part` over `parts` are dealt with: each slot is counted by one thread, in the order of the points.
    Counts stop at 65535.
    """
    inverse = 1.0 / (SIDE * size)
    nx, ny, nz = grid.shape
    for i in range(len(xyz)):
        fx, fy, fz = (xyz[i, 0] - low[0]) * inverse, (xyz[i, 1] - low[1]) * inverse, (xyz[i, 2] - low[2]) * inverse
        if not (0.0 <= fx < nx and 0.0 <= fy < ny and 0.0 <= fz < nz):
            continue
        x, y, z = np.int64(fx * SIDE), np.int64(fy * SIDE), np.int64(fz * SIDE)
        block = grid[x >> 2, y >> 2, z >> 2]
        if block % parts != part:
            continue
        s = np.int64(block) * SLOTS + ((x & 3) << 4) + ((y & 3) << 2) + (z & 3)
        slot[i] = s
        look = np.int64((time[i] - start_s) / look_s) + 1
        known = packed[s]
        hits = min((known & FULL) + 1, FULL)
        looks = (known >> 16) & FULL
        if known >> 32 != look and looks < FULL:
            looks += 1
        packed[s] = (look << 32) | (looks << 16) | hits


@entry
def sum_points(xyz, slot, number, low, sums):  # type: ignore[no-untyped-def]
    """Add the points of numbered slots (number >= 0) to sums (m, 3)."""
    for i in range(len(slot)):
        m = number[slot[i]] if slot[i] >= 0 else -1
        if m >= 0:
            for c in range(3):
                sums[m, c] += xyz[i, c] - low[c]


@bare
def walk_beams(  # type: ignore[no-untyped-def]
    xyz, view, origin, first, last, stride, low, size, grid, begin, centre, radius, short, passed
):
    """Count in passed (m,) the beams that went by within `radius` of the centres (3, m) and on for `short` at least.

    Block b has the centres begin[b] to begin[b + 1]; grid: -1 for blocks without any. Each beam is walked from its
    return back to the sensor, block by block. Every `stride`-th point from first to last is taken.
    """
    side = SIDE * size
    radius2 = radius * radius
    far = 1e30
    nx, ny, nz = grid.shape
    blocks = grid.reshape(-1)
    cells = len(blocks)
    for i in range(first, last, stride):
        px, py, pz = xyz[i, 0] - low[0], xyz[i, 1] - low[1], xyz[i, 2] - low[2]
        dx = view[i, 0] + origin[0] - xyz[i, 0]
        dy = view[i, 1] + origin[1] - xyz[i, 1]
        dz = view[i, 2] + origin[2] - xyz[i, 2]
        distance = math.sqrt(dx * dx + dy * dy + dz * dz)
        if not distance > short:
            continue
        dx, dy, dz = dx / distance, dy / distance, dz / distance
        # The beam within the grid, from `gone` to `end`; what is nearer than `short` behind does not count.
        gone, end = short, distance
        for c in range(3):
            p, d, width = (px, dx, nx * side) if c == 0 else ((py, dy, ny * side) if c == 1 else (pz, dz, nz * side))
            if d != 0.0:
                gone = max(gone, min(-p / d, (width - p) / d))
                end = min(end, max(-p / d, (width - p) / d))
            elif not 0.0 <= p < width:
                end = -1.0
        if not gone < end:
            continue
        bx = min(max(np.int64((px + gone * dx) / side), 0), nx - 1)
        by = min(max(np.int64((py + gone * dy) / side), 0), ny - 1)
        bz = min(max(np.int64((pz + gone * dz) / side), 0), nz - 1)
        step_x = 1 if dx > 0.0 else -1
        step_y = 1 if dy > 0.0 else -1
        step_z = 1 if dz > 0.0 else -1
        each_x = side / abs(dx) if dx != 0.0 else far
        each_y = side / abs(dy) if dy != 0.0 else far
        each_z = side / abs(dz) if dz != 0.0 else far
        next_x = ((bx + (dx > 0.0)) * side - px) / dx if dx != 0.0 else far
        next_y = ((by + (dy > 0.0)) * side - py) / dy if dy != 0.0 else far
        next_z = ((bz + (dz > 0.0)) * side - pz) / dz if dz != 0.0 else far
        cell = (bx * ny + by) * nz + bz
        jump_x, jump_y, jump_z = step_x * ny * nz, step_y * nz, step_z
        while gone < end and 0 <= cell < cells:
            block = blocks[cell]
            if block >= 0:
                one, next_one = begin[block], begin[block + 1]
                cx, cy, cz = centre[0, one:next_one], centre[1, one:next_one], centre[2, one:next_one]
                found = passed[one:next_one]
                for m in range(len(found)):  # without a branch, as vectors
                    ax, ay, az = cx[m] - px, cy[m] - py, cz[m] - pz
                    along = ax * dx + ay * dy + az * dz
                    off2 = ax * ax + ay * ay + az * az - along * along
                    found[m] += (along >= short) & (along < distance) & (off2 < radius2)
            if next_x <= next_y and next_x <= next_z:
                gone = next_x
                next_x += each_x
                cell += jump_x
            elif next_y <= next_z:
                gone = next_y
                next_y += each_y
                cell += jump_y
            else:
                gone = next_z
                next_z += each_z
                cell += jump_z


@helper
def slot_at(grid, x, y, z):  # type: ignore[no-untyped-def]
    """Slot of a voxel by its numbers along the axes, -1 where nothing was seen."""
    if x < 0 or y < 0 or z < 0:
        return np.int64(-1)
    bx, by, bz = x >> 2, y >> 2, z >> 2
    if bx >= grid.shape[0] or by >= grid.shape[1] or bz >= grid.shape[2] or grid[bx, by, bz] < 0:
        return np.int64(-1)
    return np.int64(grid[bx, by, bz]) * SLOTS + ((x & 3) << 4) + ((y & 3) << 2) + (z & 3)


@entry
def slots_of(begin, end, xyz, low, size, grid, slot):  # type: ignore[no-untyped-def]
    """Write the slot of each point's voxel, begin to end of (n,), -1 where nothing was seen in its block."""
    inverse = 1.0 / (SIDE * size)
    nx, ny, nz = grid.shape
    for i in range(begin, end):
        fx, fy, fz = (xyz[i, 0] - low[0]) * inverse, (xyz[i, 1] - low[1]) * inverse, (xyz[i, 2] - low[2]) * inverse
        slot[i] = -1
        if 0.0 <= fx < nx and 0.0 <= fy < ny and 0.0 <= fz < nz:
            slot[i] = slot_at(grid, np.int64(fx * SIDE), np.int64(fy * SIDE), np.int64(fz * SIDE))


@bare
def add_hits_around(cells, grid, hits, gone, out):  # type: ignore[no-untyped-def]
    """Add up the hits of the 27 voxels around each (k, 3) in out (k, 2); see `hits_around`."""
    nx, ny, nz = grid.shape
    for k in range(len(cells)):
        for x in range(max(cells[k, 0] - 1, 0), min(cells[k, 0] + 2, SIDE * nx)):
            for y in range(max(cells[k, 1] - 1, 0), min(cells[k, 1] + 2, SIDE * ny)):
                within, known, block = ((x & 3) << 4) + ((y & 3) << 2), np.int64(-1), np.int64(-1)
                for z in range(max(cells[k, 2] - 1, 0), min(cells[k, 2] + 2, SIDE * nz)):
                    if z >> 2 != known:
                        known = z >> 2
                        block = np.int64(grid[x >> 2, y >> 2, known])
                    if block >= 0:
                        s = block * SLOTS + within + (z & 3)
                        left = gone[s]
                        out[k, 0] += hits[s] * (not left)
                        out[k, 1] += hits[s] * left


def hits_around(cells: Any, grid: Any, hits: Any, gone: Any) -> Any:
    """Voxels (k, 3) -> hits of the 27 around each (k, 2): in voxels that stay, and in those that are gone."""
    out = np.zeros((len(cells), 2), dtype=np.int64)
    add_hits_around(cells, grid, hits, gone, out)
    return out


@bare
def tell_lone(cells, grid, hits, gone, most, out):  # type: ignore[no-untyped-def]
    """Tell in out (k,) whether the 27 voxels around each (k, 3) that stay have no more than `most` hits together."""
    nx, ny, nz = grid.shape
    for k in range(len(cells)):
        found = 0
        for x in range(max(cells[k, 0] - 1, 0), min(cells[k, 0] + 2, SIDE * nx)):
            for y in range(max(cells[k, 1] - 1, 0), min(cells[k, 1] + 2, SIDE * ny)):
                within = ((x & 3) << 4) + ((y & 3) << 2)
                for z in range(max(cells[k, 2] - 1, 0), min(cells[k, 2] + 2, SIDE * nz)):
                    block = np.int64(grid[x >> 2, y >> 2, z >> 2])
                    if block >= 0:
                        s = block * SLOTS + within + (z & 3)
                        found += 0 if gone[s] else np.int64(hits[s])
                if found > most:
                    break
            if found > most:
                break
        out[k] = found <= most


def are_lone(cells: Any, grid: Any, hits: Any, gone: Any, most: int) -> Any:
    """Voxels (k, 3) -> whether the 27 around each, gone ones aside, have no more than `most` hits together (k,)."""
    out = np.empty(len(cells), dtype=np.bool_)
    tell_lone(cells, grid, hits, gone, most, out)
    return out


@entry
def blocks_around(cells, grid, hits):  # type: ignore[no-untyped-def]
    """Voxels (k, 3), hits by block -> hits of the 27 blocks around each (k,)."""
    out = np.zeros(len(cells), dtype=np.int64)
    nx, ny, nz = grid.shape
    for k in range(len(cells)):
        bx, by, bz = cells[k, 0] >> 2, cells[k, 1] >> 2, cells[k, 2] >> 2
        for x in range(max(bx - 1, 0), min(bx + 2, nx)):
            for y in range(max(by - 1, 0), min(by + 2, ny)):
                for z in range(max(bz - 1, 0), min(bz + 2, nz)):
                    if grid[x, y, z] >= 0:
                        out[k] += hits[grid[x, y, z]]
    return out


@entry
def mark_around(blocks, corner, grid, marked):  # type: ignore[no-untyped-def]
    """Set marked (b,) of the 27 blocks around each of some; corner (b, 3): the lowest voxel of each block."""
    nx, ny, nz = grid.shape
    for b in blocks:
        bx, by, bz = corner[b, 0] >> 2, corner[b, 1] >> 2, corner[b, 2] >> 2
        for x in range(max(bx - 1, 0), min(bx + 2, nx)):
            for y in range(max(by - 1, 0), min(by + 2, ny)):
                for z in range(max(bz - 1, 0), min(bz + 2, nz)):
                    if grid[x, y, z] >= 0:
                        marked[grid[x, y, z]] = True


@entry
def number_around(cells, grid, lasting, number):  # type: ignore[no-untyped-def]
    """Give numbers to the lasting slots in the 27 around each voxel (k, 3), as they are met; return how many."""
    count = 0
    for k in range(len(cells)):
        for dx in range(-1, 2):
            for dy in range(-1, 2):
                for dz in range(-1, 2):
                    s = slot_at(grid, cells[k, 0] + dx, cells[k, 1] + dy, cells[k, 2] + dz)
                    if s >= 0 and lasting[s] and number[s] < 0:
                        number[s] = count
                        count += 1
    return count


@entry
def add_moments(xyz, slot, number, low, moments):  # type: ignore[no-untyped-def]
    """Add the points of numbered slots to moments (m, 10) about `low`: count, sums, products."""
    for i in range(len(slot)):
        m = number[slot[i]] if slot[i] >= 0 else -1
        if m < 0:
            continue
        x, y, z = xyz[i, 0] - low[0], xyz[i, 1] - low[1], xyz[i, 2] - low[2]
        row = moments[m]
        row[0] += 1.0
        row[1] += x
        row[2] += y
        row[3] += z
        row[4] += x * x
        row[5] += x * y
        row[6] += x * z
        row[7] += y * y
        row[8] += y * z
        row[9] += z * z


@entry
def planes_around(cells, grid, number, moments, size):  # type: ignore[no-untyped-def]
    """Voxels (k, 3) -> (k, 4) plane of the numbered slots in the 27 around each, normal and offset; NaN for none.

    A plane takes eight points that fill two dimensions and no third.
    """
    out = np.full((len(cells), 4), np.nan)
    total = np.zeros(10)
    for k in range(len(cells)):
        total[:] = 0.0
        # Moments about the voxel itself: differences of large products would lose the third dimension.
        cx, cy, cz = (cells[k, 0] + 0.5) * size, (cells[k, 1] + 0.5) * size, (cells[k, 2] + 0.5) * size
        for dx in range(-1, 2):
            for dy in range(-1, 2):
                for dz in range(-1, 2):
                    s = slot_at(grid, cells[k, 0] + dx, cells[k, 1] + dy, cells[k, 2] + dz)
                    if s >= 0 and number[s] >= 0:
                        total += moments[number[s]]
        n = total[0]
        if n < 8.0:
            continue
        sx, sy, sz = total[1], total[2], total[3]
        total[4] += n * cx * cx - 2.0 * cx * sx
        total[5] += n * cx * cy - cx * sy - cy * sx
        total[6] += n * cx * cz - cx * sz - cz * sx
        total[7] += n * cy * cy - 2.0 * cy * sy
        total[8] += n * cy * cz - cy * sz - cz * sy
        total[9] += n * cz * cz - 2.0 * cz * sz
        total[1], total[2], total[3] = sx - n * cx, sy - n * cy, sz - n * cz
        low, middle, nx, ny, nz, offset = plane_of(total)
        if middle > 4.0 * low and middle > 0.04 * size * size:
            out[k, 0], out[k, 1], out[k, 2] = nx, ny, nz
            out[k, 3] = offset + nx * cx + ny * cy + nz * cz
    return out


@entry
def solid_along(xyz, toward, reach, grid, solid, low, size):  # type: ignore[no-untyped-def]
    """Tell whether each line from (k, 3) along unit (k, 3) meets a solid slot or its neighbour within reach (k,).

    Steps of a voxel; the first two voxels are passed over, they hold the point itself.
    """
    out = np.zeros(len(xyz), dtype=np.bool_)
    for k in range(len(xyz)):
        t = 3.0 * size
        while t < reach[k] and not out[k]:
            x = np.int64(math.floor((xyz[k, 0] + t * toward[k, 0] - low[0]) / size))
            y = np.int64(math.floor((xyz[k, 1] + t * toward[k, 1] - low[1]) / size))
            z = np.int64(math.floor((xyz[k, 2] + t * toward[k, 2] - low[2]) / size))
            for dx in range(-1, 2):
                for dy in range(-1, 2):
                    for dz in range(-1, 2):
                        s = slot_at(grid, x + dx, y + dy, z + dz)
                        if s >= 0 and solid[s]:
                            out[k] = True
            t += size
    return out
