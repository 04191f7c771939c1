"""The invented dock is what its description says, for any seed."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import shapely

from clouds_demo.generate import read_truth, write_truth
from clouds_demo.scene import build_scene
from clouds_demo.shapes import Scene
from clouds_demo.simulate import Faults, Lidar
from clouds_demo.truth import Truth

SEEDS = range(1, 7)


@pytest.fixture(scope="module", params=SEEDS)
def scene(request: pytest.FixtureRequest) -> Scene:
    return build_scene(request.param)


def of_kind(scene: Scene, kind: str) -> list:
    return [f for f in scene.facets if f.kind == kind]


def slope_deg(facet) -> float:
    return float(np.rad2deg(np.arccos(facet.normal[2])))


def test_every_facet_is_planar_and_tiled_by_its_triangles(scene: Scene) -> None:
    for facet in scene.facets:
        for ring in (facet.exterior, *facet.holes):
            assert np.abs((ring - facet.exterior[0]) @ facet.normal).max() < 1e-9, facet.name
        corners = facet.triangles()
        normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        assert (normals @ facet.normal > 0).all(), facet.name
        if abs(facet.normal[2]) > 0.1:
            flat = shapely.Polygon(facet.exterior[:, :2], [hole[:, :2] for hole in facet.holes])
            tiled = np.linalg.norm(normals, axis=1).sum() / 2
            assert tiled * abs(facet.normal[2]) == pytest.approx(flat.area, rel=1e-9), facet.name


def test_contents(scene: Scene) -> None:
    kinds = Counter(f.kind for f in scene.facets)
    assert 50 <= kinds["block_top"] <= 70
    assert kinds["tread"] == 8
    assert kinds["ramp"] == 2
    assert kinds["deck"] == 1
    assert kinds["hull"] == 4
    assert 3 <= kinds["altar_tread"] <= 4
    assert len(scene.fields) == 1


def test_stair_is_7_by_11_inches(scene: Scene) -> None:
    """IBC 1011.5.2 in a secondary source: riser up to 7 in (178 mm), tread at least 11 in (279 mm)."""
    treads = of_kind(scene, "tread")
    rises = np.diff([f.exterior[:, 2].mean() for f in treads])
    assert rises == pytest.approx(0.178, abs=1e-9)
    widths = np.linalg.norm(np.diff(treads[0].exterior, axis=0), axis=1)
    assert widths.min() == pytest.approx(0.279, abs=1e-9)


def test_ramps_and_floor_slope_as_stated(scene: Scene) -> None:
    first, second = (slope_deg(f) for f in of_kind(scene, "ramp"))
    assert first == pytest.approx(8.0, abs=1e-6)
    assert 12.0 <= second <= 15.0
    assert 0.0 < slope_deg(of_kind(scene, "floor")[0]) < 1.0


def test_blocks_tilt_up_to_12_degrees_and_stand_apart(scene: Scene) -> None:
    blocks = of_kind(scene, "block_top")
    tilts = np.array([slope_deg(f) for f in blocks])
    assert tilts.max() <= 12.0 + 1e-6
    assert tilts.max() > 8.0
    shape = [shapely.Polygon(f.exterior[:, :2]) for f in blocks]
    gaps = [shapely.distance(a, b) for k, a in enumerate(shape) for b in shape[k + 1 :]]
    close = np.array([gap for gap in gaps if gap < 0.06])
    narrow, wide = close[close < 0.025], close[close >= 0.025]
    assert narrow == pytest.approx(0.02, abs=1e-9)
    assert len(narrow) > 0
    assert ((wide > 0.0319) & (wide < 0.0401)).all()


def test_headroom_under_the_hull_varies(scene: Scene) -> None:
    """From about a quarter of a metre over a block to over two metres over the floor."""
    low = np.concatenate([f.exterior[:, 2] for f in of_kind(scene, "hull")])
    floor = of_kind(scene, "floor")[0].exterior[:, 2]
    tops = np.concatenate([f.exterior[:, 2] for f in of_kind(scene, "block_top")])
    assert 0.15 < low.min() - tops.max() < 0.45
    assert 2.3 < low.max() - floor.mean() < 2.9
    assert all(f.normal[2] < -0.1 for f in of_kind(scene, "hull"))


def test_drains(scene: Scene) -> None:
    widths = np.array([np.linalg.norm(np.diff(f.exterior, axis=0), axis=1).min() for f in of_kind(scene, "drain")])
    assert ((widths > 0.0299) & (widths < 0.0601)).sum() == 3
    assert ((widths > 0.0999) & (widths < 0.2001)).sum() == 2


def test_truth_file_brings_the_scene_back(tmp_path: Path, scene: Scene) -> None:
    path = tmp_path / "truth.json"
    write_truth(path, scene, lidar=Lidar(), faults=Faults(), points=1)
    again = read_truth(path)
    assert (again.seed, again.scale, len(again.facets)) == (scene.seed, 1, len(scene.facets))
    middle = next(f for f in again.facets if f.kind == "deck").exterior.mean(axis=0)
    assert [z for z, _ in Truth(again).surfaces_at(*middle[:2])][-1] == pytest.approx(middle[2], abs=1e-6)
    for a, b in zip(scene.facets, again.facets, strict=True):
        assert (a.id, a.name, a.kind, a.solid) == (b.id, b.name, b.kind, b.solid)
        assert np.abs(a.exterior - b.exterior).max() < 1e-6
        assert len(a.holes) == len(b.holes)
    assert np.abs(scene.fields[0].nodes() - again.fields[0].nodes()).max() < 2e-6


def test_another_format_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "truth.json"
    path.write_text('{"format": "something else"}')
    with pytest.raises(ValueError, match="something else"):
        read_truth(path)


def test_docks_in_a_row_differ_and_share_one_floor() -> None:
    scene = build_scene(2, scale=3)
    names = [f.name for f in scene.facets if f.kind == "block_top"]
    assert len(set(names)) == len(names)
    assert sum(f.kind == "floor" for f in scene.facets) == 1
    assert len(scene.fields) == 3
    floor = next(f for f in scene.facets if f.kind == "floor")
    assert len(floor.holes) == 15


def test_gravel_ends_in_bare_floor_and_stands_at_most_30_mm() -> None:
    field = build_scene(5).fields[0]
    assert field.height_m.max() <= 0.030
    assert field.height_m.max() > 0.020
    rim = np.r_[field.height_m[0], field.height_m[-1], field.height_m[:, 0], field.height_m[:, -1]]
    assert (rim == 0).all()
