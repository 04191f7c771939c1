"""A sole laid on a grid, the rows around it and the hull of what carries it, against shapely (GEOS)."""

import numba
import numpy as np
import pytest
import shapely

from terrain.kernels.contact import carried_margin, find_ends
from terrain.kernels.soles import lay_rows, lay_sole, measure_rows, turn_outline
from terrain.kernels.verdict import Sole, Window
from terrain.score.bundles import make_scratch
from tests.support.grounds import disc, rectangle

CELL, SIDE, REACH, SHIN = 0.01, 61, 0.1, 0.1
LAST = np.array([[-0.08, -0.03], [0.02, -0.035], [0.06, -0.02], [0.12, -0.05], [0.15, 0.0], [0.1, 0.05], [-0.08, 0.03]])
FORE = [[0.13, -0.055], [0.18, -0.048], [0.215, -0.022], [0.221, 0.01], [0.21, 0.036], [0.18, 0.052], [0.13, 0.055]]
MANY = np.array([[-0.075, -0.025], [-0.06, -0.038], *FORE, [-0.06, 0.038], [-0.075, 0.025]])
OUTLINES = {"rectangle": rectangle(0.26, 0.13, 0.09), "disc": disc(0.04), "waisted": LAST, "many corners": MANY}


@numba.njit
def margin_of(sole, scratch, turned, window, carried):
    find_ends(sole, sole.rows, CELL * CELL * (1.0 - 1e-9), carried, scratch.ends)
    return carried_margin(sole, sole.rows, scratch, turned, window, carried, True)


def laid(outline, rng, *, aligned):
    """Return the turned outline, where the first cell's centre is, and the sole's cells on the grid by rows."""
    yaw = np.radians(90.0 * rng.integers(4)) if aligned else rng.uniform(-np.pi, np.pi)
    part = np.zeros(2) if aligned else rng.uniform(0.0, CELL, 2)
    turned = np.empty((len(outline), 7))
    turn_outline(np.ascontiguousarray(outline), yaw, turned)
    origin = part - 0.3
    at, inside = np.empty(SIDE * SIDE, dtype=np.int64), np.empty(SIDE * SIDE, dtype=bool)
    x, y, share = np.empty((3, SIDE * SIDE))
    clip, spare = np.empty((2, 2 * len(outline) + 16, 2))
    starts = np.empty(SIDE + 1, dtype=np.int64)
    n, rows = lay_sole(turned, *origin, CELL, SIDE, SIDE, clip, spare, at, x, y, share, inside, starts)
    return turned, origin, [values[:n] for values in (at, x, y, share, inside)] + [starts[: rows + 1]]


def square(x, y):
    return shapely.box(x - CELL / 2, y - CELL / 2, x + CELL / 2, y + CELL / 2)


@pytest.mark.parametrize("aligned", [False, True])
@pytest.mark.parametrize("name", OUTLINES)
def test_cells_under_a_sole_are_shapelys(name, aligned):
    rng = np.random.default_rng(3)
    for _ in range(25):
        turned, origin, (at, x, y, share, inside, starts) = laid(OUTLINES[name], rng, aligned=aligned)
        sole = shapely.Polygon(turned[:, :2])
        every = [(origin[0] + k * CELL, origin[1] + r * CELL) for r in range(SIDE) for k in range(SIDE)]
        area = shapely.area(shapely.intersection(sole, [square(*xy) for xy in every]))
        mine = np.zeros(SIDE * SIDE)
        mine[at] = share
        assert np.abs(mine - area).max() < 2e-10
        assert (np.diff(at) > 0).all()
        row = np.repeat(np.arange(len(starts) - 1), np.diff(starts))
        assert (np.diff(at // SIDE - row) == 0).all()
        assert np.allclose(np.column_stack([x, y]), np.array(every)[at])
        border = shapely.distance(sole.exterior, shapely.points(x, y)) < 1e-5
        assert (inside == shapely.contains(sole, shapely.points(x, y)))[~border].all()


@pytest.mark.parametrize("name", OUTLINES)
def test_rows_hold_all_within_reach_and_run_away_from_a_convex_sole(name):
    rng = np.random.default_rng(4)
    for _ in range(20):
        turned, origin, _ = laid(OUTLINES[name], rng, aligned=False)
        sole = shapely.Polygon(turned[:, :2])
        rows = np.zeros((SIDE, 6), dtype=np.int64)
        n = lay_rows(turned, *origin, CELL, SIDE, SIDE, REACH, SHIN, rows)
        away, clear = np.full(SIDE * SIDE, np.nan), np.zeros(SIDE * SIDE, dtype=bool)
        measure_rows(turned, *origin, CELL, SHIN, rows[:n], away, clear)
        squares = [square(origin[0] + k * CELL, origin[1] + r * CELL) for r in range(SIDE) for k in range(SIDE)]
        true = shapely.distance(sole, squares)
        near = (true < REACH) | (shapely.distance(shapely.Point(0, 0), squares) < SHIN - 1e-6)
        assert np.isfinite(away[near]).all()
        outside = np.isfinite(away) & (true > 1e-6)
        assert np.abs(away - true)[outside].max() < 1e-9
        if turned[0, 6] > 0.0:
            for row, low, high, part, _, _ in rows[:n]:
                line = np.maximum(true[row * SIDE + low : row * SIDE + high + 1], 0.0)
                # Two cells beside where the row parts may be out of order.
                assert (np.diff(line[max(part - low + 1, 0) :]) > -1e-9).all()
                assert (np.diff(line[: max(part - low - 1, 0)]) < 1e-9).all()


@pytest.mark.parametrize("what", ["all but one", "half", "scattered"])
@pytest.mark.parametrize("name", OUTLINES)
def test_margin_of_what_carries_is_that_of_shapelys_hull(name, what):
    rng = np.random.default_rng(5)
    outline = OUTLINES[name]
    for _ in range(40):
        turned, _, (at, x, y, share, inside, starts) = laid(outline, rng, aligned=False)
        carried = rng.random(len(at)) < (0.2 if what == "scattered" else 1.1)
        if what == "all but one":
            carried[rng.integers(len(at))] = False
        if what == "half":
            way = rng.uniform(-np.pi, np.pi)
            carried = np.cos(way) * x + np.sin(way) * y < rng.uniform(-0.03, 0.08)
        sole = shapely.Polygon(turned[:, :2])
        parts = [square(*xy).intersection(sole) for xy in zip(x[carried], y[carried], strict=True)]
        hull = shapely.union_all(parts).convex_hull
        if hull.geom_type != "Polygon":
            continue
        load = shapely.Point(0.0, 0.0)
        want = hull.exterior.distance(load) * (1.0 if hull.contains(load) else -1.0)
        window = Window(at, at, np.empty(1, dtype=np.float32), SIDE, SIDE, CELL)
        cells = Sole(at, x, y, share, inside, starts, len(starts) - 1)
        got = margin_of(cells, make_scratch(len(at), len(outline)), turned, window, carried)
        assert got == pytest.approx(want, abs=1e-6)
