"""The figures about a map: a map that repeats the truth is faultless, and each planted fault is found."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pyogrio
import pytest
import shapely

from clouds_demo.generate import write_truth
from clouds_demo.placements import KIND_SHARES, Judged, clearly_past, draw_placements, judge, judged_placements
from clouds_demo.scene import build_scene
from clouds_demo.shapes import Facet
from clouds_demo.simulate import Faults, Lidar
from clouds_demo.truth import Measured, Truth
from tests.end_to_end.figures import (
    facet_figures,
    figures,
    jointed,
    placement_figures,
    read_cloud,
    read_patches,
    room_for_a_sole,
    table,
)

NUMBER = 120


@dataclass
class Echo:
    """A map that says what the truth says, or one label everywhere."""

    truth: Truth
    always: int | None = None

    def judge(self, placement: np.ndarray) -> Any:
        found = self.truth.measure(placement)
        label = found.label if self.always is None else np.full(len(placement), self.always, dtype=np.uint8)
        return Said(label, np.ones(len(placement)), found)


@dataclass
class Said:
    label: np.ndarray
    observed: np.ndarray
    found: Measured

    def reasons(self, row: int) -> tuple[str, ...]:
        return self.found.reasons(row)


@pytest.fixture(scope="module")
def truth() -> Truth:
    return Truth(build_scene(6))


@pytest.fixture(scope="module")
def judged(truth: Truth) -> Judged:
    return judge(truth, draw_placements(truth, number=NUMBER, seed=3))


@pytest.fixture(scope="module")
def surface_points(truth: Truth) -> np.ndarray:
    """Points evenly over every facet, about one to 4 square centimetres."""
    rng = np.random.default_rng(0)
    parts = []
    for facet in truth.scene.facets:
        for a, b, c in facet.triangles():
            area = np.linalg.norm(np.cross(b - a, c - a)) / 2
            r, s = rng.random((2, rng.poisson(area * 2500)))
            fold = r + s > 1
            r[fold], s[fold] = 1 - r[fold], 1 - s[fold]
            parts.append(a + r[:, None] * (b - a) + s[:, None] * (c - a))
    return np.concatenate(parts)


def as_patches(truth: Truth) -> dict[int, dict[str, Any]]:
    rows = {}
    for facet in truth.scene.facets:
        slope = float(np.rad2deg(np.arccos(np.clip(facet.normal[2], -1.0, 1.0))))
        rows[facet.id] = {"slope_deg": slope, "normal": facet.normal, "area_m2": 1.0}
    return rows


def test_placements_cover_every_kind(judged: Judged) -> None:
    kinds = set(judged.drawn.kind.tolist())
    assert {"floor", "block_top", "tread", "altar_tread", "ramp", "landing", "deck"} <= kinds <= set(KIND_SHARES)
    assert {1, 2, 3} == set(judged.measured.label.tolist())


def test_level_is_the_height_of_the_surface_under_the_load(truth: Truth, judged: Judged) -> None:
    for (x, y, _, level), facet in zip(judged.drawn.placement[:40], judged.drawn.facet[:40], strict=True):
        assert (pytest.approx(level), facet) in [(z, i) for z, i in truth.surfaces_at(x, y)]


def test_clear_is_stricter_than_fair_and_fair_than_the_label(judged: Judged) -> None:
    assert judged.steppable.any()
    assert (judged.measured.label[judged.fair] == 1).all()
    assert (judged.measured.label[judged.steppable] == 1).all()
    assert judged.fair.sum() > judged.steppable.sum()
    assert not (judged.by_joint & ~judged.steppable).any()


def test_clearly_past_is_past(truth: Truth, judged: Judged) -> None:
    past = clearly_past(truth, judged.drawn.placement)
    assert past.any()
    assert (judged.measured.label[past] == 3).all()


def test_a_faultless_map(truth: Truth, judged: Judged) -> None:
    found = placement_figures(Echo(truth), truth, judged, None)
    assert found["false_steppables"] == []
    assert found["clear"]["n"] > 10
    assert (found["clear"]["missed"], found["clear"]["marginal"], found["fair"]["missed"]) == (0, 0, 0)


def test_a_map_that_calls_everything_steppable(truth: Truth, judged: Judged) -> None:
    found = placement_figures(Echo(truth, always=1), truth, judged, None)
    assert len(found["false_steppables"]) == clearly_past(truth, judged.drawn.placement).sum()
    assert all(one["past"] for one in found["false_steppables"])


@pytest.mark.parametrize("always, key", [(0, "missed"), (3, "missed"), (2, "marginal")])
def test_a_map_that_calls_nothing_steppable(truth: Truth, judged: Judged, always: int, key: str) -> None:
    found = placement_figures(Echo(truth, always=always), truth, judged, None)
    assert found["clear"][key] == found["clear"]["n"] > 0
    assert found["false_steppables"] == []


def test_true_facets_are_all_correct(truth: Truth, surface_points: np.ndarray) -> None:
    facet = truth.classify(surface_points)
    found = facet_figures(truth, surface_points, facet, as_patches(truth))
    counts = found["counts"]["all"]
    assert counts["true"] == counts["correct"] == counts["credited"] > 60
    assert (found["spurious"], found["merged"]["blocks"], found["merged"]["steps"]) == (0, 0, 0)
    assert found["merged"]["steps_of"] >= 9
    assert found["normal_error_deg"]["max"] == pytest.approx(0.0, abs=1e-5)


def test_planted_faults_of_facets_are_counted(truth: Truth, surface_points: np.ndarray) -> None:
    facet = truth.classify(surface_points)
    patches, patch = as_patches(truth), facet.copy()
    treads = [f.id for f in truth.scene.facets if f.kind == "tread"]
    ramp = next(f for f in truth.scene.facets if f.kind == "ramp")
    deck = next(f for f in truth.scene.facets if f.kind == "deck")
    patch[facet == treads[3]] = treads[2]  # two treads in one patch
    half = (facet == ramp.id) & (surface_points[:, 0] > ramp.exterior[:, 0].mean())
    patch[half] = 9001  # a ramp in two
    patches[9001] = patches[ramp.id]
    patch[facet == deck.id] = -1  # no patch on the deck
    gravel = truth.scene.fields[0]
    near = (np.abs(surface_points - gravel.nodes().mean(axis=(0, 1))) < [0.3, 0.3, 0.1]).all(axis=1)
    patch[near] = 9002  # a patch on gravel
    patches[9002] = {"slope_deg": 20.0, "normal": np.array([0.34, 0.0, 0.94]), "area_m2": 0.3}
    found = facet_figures(truth, surface_points, patch, patches)
    assert found["counts"]["treads"] == {
        **{"true": 8, "correct": 6, "credited": 6},
        **{"over": 0, "under": 2, "missed": 0},
    }
    assert found["counts"]["ramps"]["over"] == 1
    assert found["counts"]["deck"] == {
        **{"true": 1, "correct": 0, "credited": 0},
        **{"over": 0, "under": 0, "missed": 1},
    }
    assert found["merged"]["steps"] == 1
    assert found["spurious"] >= 1


def test_only_facets_with_room_for_a_sole_count(truth: Truth, surface_points: np.ndarray) -> None:
    """The sole is 130 mm wide: no room in a drain 30 to 60 mm wide, on a post, or on a thin seen strip."""
    facet = truth.classify(surface_points)
    wanted = room_for_a_sole(truth, surface_points, facet)
    names = {truth.facets[f].name for f in wanted}
    assert not [name for name in names if "narrow drain" in name or name.startswith("post")]
    tops = [f for f in truth.scene.facets if f.kind == "block_top"]
    assert {f.id for f in tops} <= wanted
    block = tops[0]
    a, b = block.exterior[0], block.exterior[1]
    along = (b - a) / np.linalg.norm(b - a)
    reach = (surface_points - a) @ along
    for seen_m, counts in ((0.06, False), (0.18, True)):  # a return makes up to 30 mm around it seen; the block: 0.2 m
        kept = (facet != block.id) | (reach < seen_m)
        assert (block.id in room_for_a_sole(truth, surface_points[kept], facet[kept])) == counts


@pytest.fixture(scope="module")
def even_blocks() -> tuple[Truth, list[tuple[int, int]]]:
    """A dock in which some blocks lie even across a joint, and those pairs."""
    truth = Truth(build_scene(1))
    return truth, [pair for pair in jointed(truth) if all(truth.facets[k].kind == "block_top" for k in pair)]


def test_joints_are_narrow_and_even(even_blocks: tuple[Truth, list[tuple[int, int]]]) -> None:
    """Checked at corners: the two pairs that face each other lie under 25 mm apart, and about even in height."""
    truth, pairs = even_blocks
    assert 1 <= len(pairs) < 20
    for pair in pairs:
        a, b = (f for f in truth.scene.facets if f.id in pair)
        away = np.linalg.norm(a.exterior[:, None, :2] - b.exterior[None, :, :2], axis=2)
        near = np.argsort(away.ravel())[:2]
        assert away.ravel()[near].max() < 0.025 + 0.001
        step = np.abs(a.exterior[:, None, 2] - b.exterior[None, :, 2]).ravel()[near]
        assert step.max() < 0.008 + 0.025 * np.tan(np.deg2rad(12.0))
        assert a.normal @ b.normal >= np.cos(np.deg2rad(3.0)) - 1e-12


def test_blocks_across_a_joint_may_share_a_patch_and_others_may_not(
    even_blocks: tuple[Truth, list[tuple[int, int]]],
) -> None:
    truth, pairs = even_blocks
    tops = [f for f in truth.scene.facets if f.kind == "block_top"]
    rng = np.random.default_rng(1)
    points = np.concatenate([_on_top(f, rng) for f in tops])
    facet = truth.classify(points)
    patches, patch = as_patches(truth), facet.copy()
    (i, j), *_ = pairs
    patch[facet == j] = i
    free = [f.id for f in tops if not any(f.id in pair for pair in pairs)]
    patch[facet == free[-1]] = free[0]  # two blocks of different rows
    counts = facet_figures(truth, points, patch, patches)["counts"]["blocks"]
    assert counts["true"] == len(tops)
    assert counts["correct"] == counts["true"] - 4
    assert counts["credited"] == counts["true"] - 2
    assert counts["under"] == 4


def _on_top(facet: Facet, rng: np.random.Generator) -> np.ndarray:
    a, b, _, d = facet.exterior
    r, s = rng.uniform(0.005, 0.995, (2, 400, 1))
    return a + r * (b - a) + s * (d - a)


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
def test_a_map_folder_is_read(tmp_path: Path, truth: Truth, surface_points: np.ndarray) -> None:
    header = laspy.LasHeader(version="1.4", point_format=6)
    header.scales = np.full(3, 1e-4)
    header.add_extra_dim(laspy.ExtraBytesParams("patch_id", "int32"))
    las = laspy.LasData(header)
    las.xyz = surface_points
    las["patch_id"] = truth.classify(surface_points)
    las.write(str(tmp_path / "cloud.laz"))
    facets = [f for f in truth.scene.facets if isinstance(f, Facet) and f.normal[2] > 0.5]
    columns = {
        "patch_id": np.array([f.id for f in facets]),
        "slope_deg": np.array([np.rad2deg(np.arccos(f.normal[2])) for f in facets]),
        "area_m2": np.ones(len(facets)),
        **{f"normal_{axis}": np.array([f.normal[k] for f in facets]) for k, axis in enumerate("xyz")},
    }
    outlines = shapely.to_wkb(np.array([shapely.Polygon(f.exterior) for f in facets]))
    pyogrio.raw.write(
        tmp_path / "patches.gpkg",
        outlines,
        list(columns.values()),
        list(columns),
        layer="patches",
        geometry_type="Polygon Z",
        crs=None,
        driver="GPKG",
    )
    xyz, _ = read_cloud(tmp_path)
    assert np.abs(xyz - surface_points).max() <= 1e-4
    assert set(read_patches(tmp_path)) == {f.id for f in facets}
    truth_file = tmp_path / "truth.json"
    write_truth(truth_file, truth.scene, lidar=Lidar(), faults=Faults(), points=1)
    found = figures(tmp_path, truth_file, placements=40, opened=Echo(truth), cache=tmp_path / "cache")
    again = figures(tmp_path, truth_file, placements=40, opened=Echo(truth), cache=tmp_path / "cache")
    assert found["facets"]["counts"]["all"]["correct"] == found["facets"]["counts"]["all"]["true"]
    assert found == again
    assert "false steppables 0 of 40" in table(found)
    assert "found: strict 100.0%, joints credited 100.0%" in table(found)


def test_the_cache_gives_the_same_answer(tmp_path: Path, truth: Truth) -> None:
    truth_file = tmp_path / "truth.json"
    write_truth(truth_file, truth.scene, lidar=Lidar(), faults=Faults(), points=1)
    first, second = (judged_placements(truth_file, truth, number=30, seed=1, cache=tmp_path) for _ in range(2))
    assert (first.steppable == second.steppable).all()
    assert first.measured.reasons(3) == second.measured.reasons(3)
    assert len(list(tmp_path.glob("*.npz"))) == 1
