"""The invented survey: what is written can be read, is repeatable, and lies on the true surfaces."""

from __future__ import annotations

import hashlib
from pathlib import Path

import laspy
import numpy as np
import pytest
from scipy.spatial.transform import Rotation, Slerp

from clouds_demo.generate import Written, generate, read_truth
from clouds_demo.scene import build_scene
from clouds_demo.shapes import Facet
from clouds_demo.simulate import Faults, Lidar, draw_motion, record_poses
from clouds_demo.truth import Truth
from terrain.survey import load_survey

POINTS = 40_000
DEMO = Path(__file__).parents[2] / "clouds_demo"


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Written:
    return generate(tmp_path_factory.mktemp("dock"), seed=4, points=POINTS)


def read_returns(folder: Path) -> tuple[np.ndarray, np.ndarray]:
    scans = [laspy.read(path) for path in sorted((folder / "scans").glob("*.laz"))]
    return np.concatenate([s.xyz for s in scans]), np.concatenate([np.asarray(s.gps_time) for s in scans])


def to_map(folder: Path, xyz: np.ndarray, time: np.ndarray) -> np.ndarray:
    """Carry returns into the map with SciPy's own interpolation."""
    poses = np.loadtxt(folder / "poses.txt")
    lidar = Lidar()
    body = Rotation.from_quat(lidar.mount_rotation_xyzw).apply(xyz) + lidar.mount_translation_m
    turned = Slerp(poses[:, 0], Rotation.from_quat(poses[:, 4:]))(time).apply(body)
    return turned + np.column_stack([np.interp(time, poses[:, 0], poses[:, k]) for k in (1, 2, 3)])


def digests(folder: Path) -> dict[str, str]:
    files = [path for path in sorted(folder.rglob("*")) if path.is_file()]
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def test_about_as_many_returns_as_asked_for_in_several_files(written: Written) -> None:
    xyz, time = read_returns(written.survey.parent)
    assert len(xyz) == written.returns == pytest.approx(POINTS, rel=0.03)
    assert (np.diff(time) >= 0).all()
    assert len(list((written.survey.parent / "scans").glob("*.laz"))) > 3
    scan = laspy.read(written.survey.parent / "scans" / "scan_000.laz")
    assert scan.header.point_format.id == 6
    assert scan.header.scales.max() <= 0.001


def test_survey_file_is_a_valid_survey(written: Written) -> None:
    survey = load_survey(written.survey)
    assert len(survey.scan_files) == len(list((written.survey.parent / "scans").glob("*.laz")))


def test_poses_are_a_tenth_of_a_second_over_the_scans_at_100_hz(written: Written) -> None:
    poses = np.loadtxt(written.survey.parent / "poses.txt")
    _, time = read_returns(written.survey.parent)
    assert np.diff(poses[:, 0]) == pytest.approx(0.01, abs=2e-3)
    assert poses[0, 0] < time[0]
    assert poses[-1, 0] > time[-1]
    assert np.abs(np.linalg.norm(poses[:, 4:], axis=1) - 1).max() < 1e-3


def test_returns_lie_on_the_true_surfaces(written: Written) -> None:
    """Residuals to the floor: no bias, and the sd that range noise at that incidence and pose noise predict."""
    folder = written.survey.parent
    xyz, time = read_returns(folder)
    points = to_map(folder, xyz, time)
    truth = Truth.read(written.truth)
    facet = truth.classify(points)
    assert (facet >= 0).mean() > 0.99
    floor = next(f for f in truth.facets.values() if f.kind == "floor")
    assert isinstance(floor, Facet)
    residual = (points[facet == floor.id] - floor.exterior[0]) @ floor.normal
    residual = residual[np.abs(residual) < 0.03]
    assert abs(residual.mean()) < 5 * residual.std() / np.sqrt(len(residual)) + 1e-4
    assert 0.003 < residual.std() < np.hypot(0.008, 0.003)


def test_the_same_arguments_give_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        generate(tmp_path / name, seed=2, points=8_000)
    assert digests(tmp_path / "a") == digests(tmp_path / "b")


def test_another_seed_gives_another_dock(tmp_path: Path) -> None:
    a, b = build_scene(1), build_scene(2)
    assert any(not np.allclose(f.exterior, g.exterior) for f, g in zip(a.facets, b.facets, strict=False))


def test_drift_and_clock_are_what_was_asked_for(tmp_path: Path) -> None:
    motion = draw_motion(build_scene(1), np.random.default_rng(0))
    still = record_poses(motion, np.random.default_rng(1))
    drifting = record_poses(motion, np.random.default_rng(1), faults=Faults(drift_m=0.01))
    true, _ = motion.at(still[0])
    assert np.std(still[1] - true) == pytest.approx(0.003, rel=0.05)
    assert np.abs(drifting[1] - true).max() > 0.03
    late = generate(tmp_path / "late", seed=1, points=5_000, faults=Faults(clock_offset_s=0.02))
    plain = generate(tmp_path / "plain", seed=1, points=5_000)
    assert read_returns(late.survey.parent)[1] - read_returns(plain.survey.parent)[1] == pytest.approx(0.02)


def test_the_committed_survey_is_complete_and_small() -> None:
    files = [path for path in DEMO.rglob("*") if path.suffix in (".laz", ".txt", ".toml", ".json")]
    assert sum(path.stat().st_size for path in files) < 10_000_000
    survey = load_survey(DEMO / "survey.toml")
    assert len(survey.scan_files) >= 3
    built, stored = build_scene(1), read_truth(DEMO / "truth.json")
    for a, b in zip(built.facets, stored.facets, strict=True):
        assert np.abs(a.exterior - b.exterior).max() < 1e-6, a.name
