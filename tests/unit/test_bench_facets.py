"""How a peer's planes become members of facets in the benchmark: nothing may be taken from a peer that it found."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from clouds_demo.generate import generate
from clouds_demo.truth import Truth
from terrain.data import FloatArray
from tests.bench.facets import found, in_boxes, in_pieces


def square(x0: float, *, side: float = 0.5, z: float = 0.0, step: float = 0.02) -> FloatArray:
    """Return a level square of points at x0, its corner at y = 0."""
    row = np.arange(0.0, side, step)
    x, y = np.meshgrid(x0 + row, row)
    return np.column_stack([x.ravel(), y.ravel(), np.full(x.size, z)])


def test_one_plane_of_two_tops_is_two_pieces_and_each_stays_whole() -> None:
    xyz = np.vstack([square(0.0), square(0.7), square(0.0, z=1.0)])
    each = len(xyz) // 3
    label = np.repeat([0, 0, 1], each).astype(np.int32)
    label[5] = -1
    label[6] = -2
    pieces = in_pieces(xyz, label)
    assert pieces[5] == -1
    assert pieces[6] == -2
    whole = [set(pieces[k * each : (k + 1) * each]) - {-1, -2} for k in range(3)]
    assert [len(one) for one in whole] == [1, 1, 1]
    assert len(set.union(*whole)) == 3


def test_a_box_takes_what_is_near_its_middle_plane_and_the_nearer_of_two_wins() -> None:
    """A flat box without thickness, turned by 30 degrees; 20 mm off its plane is inside, 30 mm is not."""
    turn = Rotation.from_euler("y", 30.0, degrees=True).as_matrix()
    flat = square(-0.25) - [0.0, 0.25, 0.0]
    boxes = [
        (np.zeros(3), turn, np.array([1.0, 1.0, 0.0])),
        (np.array([0.0, 0.0, 0.03]) @ turn.T, turn, np.ones(3) * [1, 1, 0]),
    ]
    for off_m, expected in ((0.0, 0), (0.01, 0), (-0.02, 0), (-0.03, -1), (0.02, 1), (0.05, 1), (0.06, -1)):
        xyz = (flat + np.array([0.0, 0.0, off_m])) @ turn.T
        assert set(in_boxes(xyz, boxes)) == {expected}, off_m


@pytest.fixture(scope="module")
def dock(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, FloatArray]:
    """Return a dock's truth, and points that lie exactly on its facets."""
    folder = tmp_path_factory.mktemp("dock")
    truth_file = generate(folder, points=2000).truth
    scene = Truth.read(truth_file).scene
    rng = np.random.default_rng(1)
    points = []
    for facet in scene.facets:
        if facet.normal[2] < 0.5:
            continue
        low, high = facet.exterior[:, :2].min(axis=0), facet.exterior[:, :2].max(axis=0)
        xy = rng.uniform(low, high, (int(4000 * np.prod(high - low)) + 50, 2))
        points.append(np.column_stack([xy, xy @ facet.plane[:2] + facet.plane[2]]))
    return truth_file, np.vstack(points)


def test_the_truth_itself_finds_every_facet_and_no_planes_find_none(dock: tuple[Path, FloatArray]) -> None:
    truth_file, xyz = dock
    facet = Truth.read(truth_file).classify(xyz)
    half = facet.copy()
    half[: len(half) // 2] = -2
    labels = {"truth": facet, "none": np.full(len(xyz), -1), "one": np.zeros(len(xyz), dtype=int), "half": half}
    counts = found(truth_file, xyz, labels)
    true = counts["truth"][0]
    assert true > 30
    assert counts["truth"] == (true, true, true)
    assert counts["none"] == (true, 0, 0)
    assert counts["one"][1] <= 1
    assert counts["half"][1] > 0, "points that a peer was not given do not count against it"
