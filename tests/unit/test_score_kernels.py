"""The geometry under the judge against SciPy and shapely."""

import numpy as np
import pytest
import shapely
from scipy.optimize import linprog
from scipy.spatial import ConvexHull
from shapely import affinity

from terrain.kernels.resting import resting_plane
from terrain.kernels.soles import cell_distance, clip_to_cell, corners_area, hull_margin, inside_by, turn_outline
from tests.support.grounds import disc, rectangle

SHOE = np.array([[-0.08, -0.03], [0.02, -0.035], [0.06, -0.02], [0.12, -0.05], [0.15, 0.0], [0.1, 0.05], [-0.08, 0.03]])
OUTLINES = {"rectangle": rectangle(0.26, 0.13, 0.09), "disc": disc(0.04), "waisted": SHOE}


def rest(x, y, z, load=(0.0, 0.0)):
    contact, plane = np.empty(3, dtype=np.int64), np.empty(3)
    bounded = resting_plane(x, y, z, len(x), *load, contact, plane)
    return bounded, contact, plane


def random_ground(rng, rounded):
    n = int(rng.integers(3, 300))
    x, y = rng.uniform(-0.1, 0.1, n) + rng.uniform(-0.1, 0.1), rng.uniform(-0.06, 0.06, n)
    z = rng.normal(0.0, 0.02, n)
    return (np.round(x, 2), np.round(y, 2), np.round(z, 2)) if rounded else (x, y, z)


@pytest.mark.parametrize("seed", range(60))
def test_resting_plane_solves_the_linear_programme(seed):
    rng = np.random.default_rng(seed)
    x, y, z = random_ground(rng, rounded=seed % 3 == 0)
    load = (1.3e-7, 0.7e-7)
    bounded, contact, plane = rest(x, y, z, load)
    tight = {"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10}
    rows = -np.column_stack([x, y, np.ones(len(x))])
    answer = linprog([*load, 1.0], A_ub=rows, b_ub=-z, bounds=[(None, None)] * 3, method="highs", options=tight)
    assert bounded == (answer.status == 0)
    if bounded:
        assert plane @ [*load, 1.0] == pytest.approx(answer.fun, abs=1e-9)
        assert (plane[0] * x + plane[1] * y + plane[2] >= z - 1e-9).all()
        assert plane[0] * x[contact] + plane[1] * y[contact] + plane[2] == pytest.approx(z[contact], abs=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_resting_plane_is_the_facet_of_the_upper_hull_over_the_load(seed):
    rng = np.random.default_rng(100 + seed)
    x, y, z = rng.uniform(-0.1, 0.1, 80), rng.uniform(-0.1, 0.1, 80), rng.normal(0.0, 0.01, 80)
    bounded, _, plane = rest(x, y, z)
    hull = ConvexHull(np.column_stack([x, y, z]))
    upper = hull.equations[hull.equations[:, 2] > 0]
    heights = -upper[:, 3] / upper[:, 2]
    facet = upper[np.argmin(heights)]
    assert bounded
    assert plane == pytest.approx([-facet[0] / facet[2], -facet[1] / facet[2], heights.min()], abs=1e-9)


def test_resting_plane_needs_ground_all_around_the_load():
    x, y = np.array([0.01, 0.05, 0.09, 0.05]), np.array([0.0, 0.05, -0.02, -0.05])
    assert not rest(x, y, np.zeros(4))[0]
    assert rest(np.append(x, -0.05), np.append(y, 0.01), np.zeros(5))[0]


def test_resting_plane_of_two_points_or_a_line_is_unbounded():
    line = np.array([-0.1, -0.02, 0.03, 0.1])
    assert not rest(line[:2], np.array([0.0, 0.0]), np.zeros(2))[0]
    assert not rest(line, np.full(4, 0.01), np.zeros(4))[0]


@pytest.mark.parametrize("name", OUTLINES)
def test_cell_shares_and_distances_are_shapelys(name):
    rng = np.random.default_rng(7)
    outline = OUTLINES[name]
    clip, spare = np.empty((2, 4 * len(outline) + 16, 2))
    for _ in range(150):
        yaw, x, y = rng.uniform(-3, 3), *rng.uniform(-0.25, 0.25, 2)
        turned = np.empty((len(outline), 7))
        turn_outline(outline, yaw, turned)
        sole = affinity.rotate(shapely.Polygon(outline), yaw, origin=(0, 0), use_radians=True)
        square = shapely.box(x - 0.005, y - 0.005, x + 0.005, y + 0.005)
        share = corners_area(clip, clip_to_cell(turned, x, y, 0.005, clip, spare))
        assert share == pytest.approx(sole.intersection(square).area, abs=1e-12)
        inside = 1 if sole.contains(shapely.Point(x, y)) else -1
        assert inside_by(turned, x, y) == pytest.approx(inside * sole.exterior.distance(shapely.Point(x, y)), abs=1e-12)
        away = cell_distance(turned, x, y, 0.005, clip, spare)
        if sole.intersects(square):
            corners = np.append(shapely.get_coordinates(sole.intersection(square)), [[x, y]], axis=0)
            held = shapely.points(corners)[shapely.covers(sole, shapely.points(corners))]
            deepest = shapely.distance(sole.exterior, held).max()
            assert -deepest - 0.0071 <= away <= max(-deepest, 0.0) + 0.0036
        else:
            assert away == pytest.approx(sole.distance(square), abs=1e-9)


@pytest.mark.parametrize("seed", range(30))
def test_hull_margin_is_shapelys(seed):
    rng = np.random.default_rng(seed)
    points = np.round(rng.uniform(-0.1, 0.1, (int(rng.integers(3, 60)), 2)) + rng.uniform(-0.08, 0.08, 2), 2)
    points = points[np.lexsort((-points[:, 0], points[:, 1]))]
    hull = shapely.MultiPoint(points).convex_hull
    away = (
        hull.boundary.distance(shapely.Point(0, 0))
        if hull.geom_type == "Polygon"
        else hull.distance(shapely.Point(0, 0))
    )
    sign = 1 if hull.contains(shapely.Point(0, 0)) and hull.geom_type == "Polygon" else -1
    assert hull_margin(points, len(points), np.empty((2 * len(points) + 4, 2))) == pytest.approx(sign * away, abs=1e-12)


def test_hull_margin_of_a_square_by_hand():
    corners = np.array([[0.05, -0.1], [-0.05, -0.1], [0.05, 0.1], [-0.05, 0.1]])
    assert hull_margin(corners, 4, np.empty((12, 2))) == pytest.approx(0.05)
    moved = corners + np.array([0.08, 0.0])
    assert hull_margin(moved, 4, np.empty((12, 2))) == pytest.approx(-0.03)
