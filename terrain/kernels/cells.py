"""Points of a survey sorted into cells, and laid out cell by cell for the equations of drift; arrays in, arrays out."""

import math

import numpy as np

from terrain.kernels.drift import after
from terrain.kernels.options import entry


@entry
def cell_keys(begin, end, xyz, size, shift, low, bits, keys):  # type: ignore[no-untyped-def]
    """Write the number of each point's cell, begin to end of (n, 3), so that cells are in order by x, y and z.

    shift (3,): where the grid's corner lies, in cells; low (3,): the lowest cell; bits (3,) for the number along axes.
    """
    for i in range(begin, end):
        x = np.int64(math.floor(xyz[i, 0] / size + shift[0])) - low[0]
        y = np.int64(math.floor(xyz[i, 1] / size + shift[1])) - low[1]
        z = np.int64(math.floor(xyz[i, 2] / size + shift[2])) - low[2]
        keys[i] = (x << bits[1] | y) << bits[2] | z


@entry
def lay_rows(  # type: ignore[no-untyped-def]
    begin, end, first, last, normal, order, xyz, lever, columns, measured, view, time, own_sd, cross_sd, late,
    knot_time, out_xyz, out_lever, out_columns, out_sd, interval, share,
):  # fmt: skip
    """Write what the equations need of the points of cells begin to end, in the cells' order.

    Cell c owns order[first[c] : last[c]], the rows of the points. xyz, lever (n, 3), columns (n, e, 3): as they lie;
    measured, view (n, 3), own_sd, cross_sd (n,): as they were measured; time (n,), `late` is added. -> out_xyz,
    out_lever, out_columns; out_sd: the noise across the cell's plane; interval, share: of the knots around the time.
    """
    k = np.int64(0)  # a literal would be compiled for as well
    knots = len(knot_time)
    for cell in range(begin, end):
        nx, ny, nz = normal[cell, 0], normal[cell, 1], normal[cell, 2]
        for at in range(first[cell], last[cell]):
            row = order[at]
            for c in range(3):
                out_xyz[at, c] = xyz[row, c]
                out_lever[at, c] = lever[row, c]
            for e in range(columns.shape[1]):
                for c in range(3):
                    out_columns[at, e, c] = columns[row, e, c]
            bx = measured[row, 0] - view[row, 0]
            by = measured[row, 1] - view[row, 1]
            bz = measured[row, 2] - view[row, 2]
            cosine = nx * bx + nz * bz + ny * by
            square = min(cosine * cosine / max(bx * bx + bz * bz + by * by, 1e-12), 1.0)
            along, across = own_sd[row], cross_sd[row]
            out_sd[at] = math.sqrt(square * (along * along) + (1.0 - square) * (across * across))
            t = min(max(time[row] + late, knot_time[0]), knot_time[knots - 1])
            k = after(knot_time, t, k)
            interval[at] = k
            share[at] = (t - knot_time[k]) / (knot_time[k + 1] - knot_time[k])
