"""Where a rigid flat sole comes to rest, against two other ways to say it.

The plane that lies on or above all points and is lowest at the load is a linear programme in three unknowns
(Seidel, "Small-dimensional linear programming and convex hulls made easy", Discrete and Computational Geometry 6,
1991, from memory); its dual is the facet of the upper convex hull over the load. HiGHS (SciPy's linprog) and Qhull
(SciPy's ConvexHull) answer independently.
"""

import numpy as np
import pytest
from scipy.optimize import linprog
from scipy.spatial import ConvexHull

from terrain.score.placements import judge_placements
from tests.support.grounds import Layer, biped, build_ground, cells

FOOT = biped()
SIDE = 60
ORIGIN = -0.3


def ground_points(heights, yaw):
    """Return x, y, z of the cells whose centres lie under the turned sole at the origin."""
    centre = ORIGIN + (np.arange(SIDE) + 0.5) * 0.01
    x, y = (a.ravel() for a in np.meshgrid(centre, centre))
    along, across = np.cos(yaw) * x + np.sin(yaw) * y, -np.sin(yaw) * x + np.cos(yaw) * y
    under = (along > -0.09) & (along < 0.17) & (np.abs(across) < 0.065)
    return x[under], y[under], heights.astype(np.float32).astype(np.float64).ravel()[under]


@pytest.fixture(params=range(12))
def scene(request):
    rng = np.random.default_rng(request.param)
    heights = rng.normal(0.0, 0.01, (SIDE, SIDE))
    yaw = float(rng.uniform(0.1, 1.4))
    layer = Layer(cells(heights, x0_m=ORIGIN, y0_m=ORIGIN), patch_id=-1)
    ground = build_ground(layer, x_m=(ORIGIN, -ORIGIN), y_m=(ORIGIN, -ORIGIN))
    return judge_placements(ground, FOOT, [[0.0, 0.0, yaw]]), ground_points(heights, yaw)


def test_height_at_the_load_is_the_linear_programmes(scene):
    verdict, (x, y, z) = scene
    rows = -np.column_stack([x, y, np.ones(len(x))])
    tight = {"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10}
    answer = linprog([0.0, 0.0, 1.0], A_ub=rows, b_ub=-z, bounds=[(None, None)] * 3, method="highs", options=tight)
    assert answer.status == 0
    assert verdict.z_m[0] == pytest.approx(answer.fun, abs=1e-8)


def test_plane_is_the_upper_hulls_facet_over_the_load(scene):
    """Where the load lies over a ridge between facets, either is one."""
    verdict, (x, y, z) = scene
    hull = ConvexHull(np.column_stack([x, y, z]))
    upper = hull.equations[hull.equations[:, 2] > 1e-12]
    planes = -upper[:, [0, 1, 3]] / upper[:, 2:3]
    over_load = planes[planes[:, 2] < planes[:, 2].min() + 1e-9]
    assert np.abs(over_load - verdict.plane[0]).max(axis=1).min() < 1e-7


def test_three_posts_carry_a_table_whatever_lies_lower():
    """A plane is fixed by three points: posts at 0, 10 and 20 mm give the plane through their tops exactly."""
    heights = np.full((SIDE, SIDE), -0.03)
    posts = np.array([(-0.055, 0.005, 0.0), (0.145, 0.045, 0.01), (0.145, -0.035, 0.02)])
    for x, y, z in posts:
        heights[int(np.floor((y - ORIGIN) / 0.01)), int(np.floor((x - ORIGIN) / 0.01))] = z
    layer = Layer(cells(heights, x0_m=ORIGIN, y0_m=ORIGIN), patch_id=-1)
    ground = build_ground(layer, x_m=(ORIGIN, -ORIGIN), y_m=(ORIGIN, -ORIGIN))
    got = judge_placements(ground, FOOT, [[0.0, 0.0, 0.0]])
    wanted = np.linalg.solve(np.column_stack([posts[:, :2], np.ones(3)]), posts[:, 2])
    assert got.plane[0] == pytest.approx(wanted, abs=1e-6)
