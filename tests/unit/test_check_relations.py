"""Angles, distances, steps, spheres and straightedges, on surfaces whose truth is known."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from terrain.data import Cloud, FloatArray
from terrain.errors import DataError
from terrain.sensor.check import Checked, examine
from terrain.sensor.decide import Quantity
from terrain.sensor.flatness import gap_under, straightedge
from terrain.sensor.relations import similarity
from terrain.sensor.targets import load_targets
from tests.support.clouds import fused

SD = 0.004


def plate(rng: np.random.Generator, centre: tuple[float, float, float], tilt_deg: float, n: int = 4000) -> FloatArray:
    """A plate 1 m square, turned about y."""
    flat = np.column_stack([rng.uniform(-0.5, 0.5, (n, 2)), rng.normal(0.0, SD, n)])
    return Rotation.from_euler("y", tilt_deg, degrees=True).apply(flat) + centre


def ball(rng: np.random.Generator, centre: tuple[float, float, float], radius: float, n: int = 1500) -> FloatArray:
    """The half of a sphere that looks towards -x."""
    way = rng.normal(size=(3 * n, 3))
    way = way[way[:, 0] < 0.0][:n]
    way /= np.linalg.norm(way, axis=1)[:, None]
    return np.array(centre) + way * (radius + rng.normal(0.0, SD, len(way)))[:, None]


TOML = """
[check]
name = "relations"
[[plane]]
name = "low"
near_m = [0, 0, 0]
radius_m = 0.75
[[plane]]
name = "high"
near_m = [3, 0, 0.2]
radius_m = 0.75
[[plane]]
name = "ramp"
near_m = [0, 3, 0.5]
radius_m = 0.75
[[plane]]
name = "ceiling"
near_m = [0, 0, 2.5]
radius_m = 0.75
[[sphere]]
name = "one"
near_m = [5, 0, 1]
radius_mm = 150
[[sphere]]
name = "two"
near_m = [5, 2, 1]
radius_mm = 150
[[step]]
between = ["low", "high"]
height_mm = 200
sd_mm = 0.2
[[angle]]
between = ["low", "ramp"]
angle_deg = 15
sd_deg = 0.01
[[angle]]
between = ["low", "high"]
angle_deg = 0
sd_deg = 0.01
[[distance]]
between = ["low", "ceiling"]
distance_mm = 2500
sd_mm = 0.2
[[spacing]]
between = ["one", "two"]
distance_mm = 2000
sd_mm = 0.2
[[flatness]]
of = "low"
length_m = 0.8
gap_mm = 4
"""


@pytest.fixture(scope="module")
def scene() -> Cloud:
    rng = np.random.default_rng(1)
    parts = [
        plate(rng, (0, 0, 0), 0.0),
        plate(rng, (3, 0, 0.2), 0.0),
        plate(rng, (0, 3, 0.5), 15.0),
        plate(rng, (0, 0, 2.5), 0.0),
        ball(rng, (5, 0, 1), 0.15),
        ball(rng, (5, 2, 1), 0.15),
    ]
    return fused(np.concatenate(parts), sd=SD)


def examined(scene: Cloud, folder: Path, words: str) -> Checked:
    (folder / "t.toml").write_text(words)
    targets = load_targets(folder / "t.toml")
    return examine(scene, None, None, None, targets, up=np.array([0.0, 0.0, 1.0]))


@pytest.fixture(scope="module")
def found(scene: Cloud, tmp_path_factory: pytest.TempPathFactory) -> Checked:
    return examined(scene, tmp_path_factory.mktemp("relations"), TOML)


def relation(found: Checked, title: str) -> Quantity:
    return next(one for one in found.relations if one.name == title)


@pytest.mark.parametrize(
    "title", ["step low - high", "angle low - ramp", "distance low - ceiling", "spacing one - two"]
)
def test_true_relations_pass_within_u(found: Checked, title: str) -> None:
    one = relation(found, title)
    assert abs(one.value) <= 1.5 * one.expanded
    assert one.decision == "pass"
    assert one.expanded < (math.radians(0.1) if one.unit == "rad" else 0.002)


def test_the_angle_of_parallel_surfaces_is_no_trap(found: Checked) -> None:
    """An angle of 0 can only be measured too large: the value lies between 0 and a few u, and passes."""
    one = relation(found, "angle low - high")
    assert 0.0 <= one.value < 3.0 * one.expanded and one.decision == "pass"


def test_wrong_relations_fail(scene: Cloud, tmp_path: Path) -> None:
    words = TOML.replace("height_mm = 200", "height_mm = 230").replace("angle_deg = 15", "angle_deg = 16")
    found = examined(scene, tmp_path, words.replace("distance_mm = 2000", "distance_mm = 1980"))
    assert relation(found, "step low - high").value == pytest.approx(-0.030, abs=0.001)
    assert relation(found, "angle low - ramp").value == pytest.approx(math.radians(-1.0), abs=math.radians(0.05))
    assert relation(found, "spacing one - two").value == pytest.approx(0.020, abs=0.001)
    for title in ("step low - high", "angle low - ramp", "spacing one - two"):
        assert relation(found, title).decision == "fail"
    assert found.verdict == "fail"


def test_flatness_of_a_flat_plate_passes(found: Checked) -> None:
    one = relation(found, "flatness low over 0.8 m")
    assert one.decision == "pass" and 0.0 <= one.value < 0.003


def test_points_in_the_map_frame_say_nothing_of_the_mount(found: Checked) -> None:
    assert found.adjustment is None and found.alone == ()
    assert any("mount, range or clock" in note for note in found.notes)
    assert found.verdict == "pass"


def test_a_target_that_is_not_there_leaves_its_relations_undecided(scene: Cloud, tmp_path: Path) -> None:
    found = examined(scene, tmp_path, TOML.replace("near_m = [3, 0, 0.2]", "near_m = [30, 0, 0.2]"))
    assert found.verdict == "undecided"
    step = relation(found, "step low - high")
    assert step.decision == "undecided" and step.advice == "high: not found"
    lost = next(one for one in found.targets if one.name == "high")
    assert lost.points == 0 and lost.quantities[0].advice == "not found: 0 points inside the hint"


def test_a_step_from_a_wall_is_refused(scene: Cloud, tmp_path: Path) -> None:
    targets_toml = TOML.replace('of = "low"', 'of = "high"')
    (tmp_path / "t.toml").write_text(targets_toml)
    sideways = np.array([1.0, 0.0, 0.0])
    found = examine(scene, None, None, None, load_targets(tmp_path / "t.toml"), up=sideways)
    assert relation(found, "step low - high").advice == "low is no level surface"


# --------------------------------------------------------------------------- spheres


def test_spheres_are_found_to_a_tenth_of_their_noise(found: Checked) -> None:
    for name, centre in (("one", (5, 0, 1)), ("two", (5, 2, 1))):
        assert found.surfaces[name].centre_m == pytest.approx(centre, abs=0.001)
    ratio = {t.name: q.value for t in found.targets for q in t.quantities if q.name == "noise over stated"}
    assert ratio["one"] == pytest.approx(1.0, abs=0.08)


def test_a_wrong_centre_fails_and_three_spheres_show_a_scale(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    centres = np.array([(5.0, 0.0, 1.0), (5.0, 2.0, 1.0), (6.0, 1.0, 2.5)])
    scaled = 1.005 * centres
    cloud = fused(np.concatenate([ball(rng, tuple(c), 0.15, 3000) for c in scaled]), sd=SD)
    words = '[check]\nname = "three"\n'
    for k, c in enumerate(centres):
        words += (
            f'[[sphere]]\nname = "s{k}"\nnear_m = {c.tolist()}\nradius_mm = 150\ncentre_m = {c.tolist()}\n'
            "centre_sd_mm = 0.2\n"
        )
    found = examined(cloud, tmp_path, words)
    off = [q for t in found.targets for q in t.quantities if q.name == "centre"]
    assert [q.value for q in off] == pytest.approx(np.linalg.norm(scaled - centres, axis=1), abs=0.001)
    assert all(q.decision == "fail" for q in off)
    scale = found.relations[-1]
    assert scale.name == "scale of the spheres' figure" and scale.tolerance is None
    assert scale.value == pytest.approx(0.005, abs=2.0 * scale.expanded)


# --------------------------------------------------------------------------- straightedge


def test_the_gap_under_a_straightedge() -> None:
    """By hand: over 0 1 0 nothing rocks under the middle; a dip of 2 between two equal ends is a gap of 2."""
    profiles = np.array([[0.0, 1.0, 0.0], [1.0, -1.0, 1.0], [0.0, 0.0, 2.0], [3.0, 0.0, 1.0]])
    assert gap_under(profiles) == pytest.approx([0.0, 2.0, 1.0, 2.0])


def test_a_hollow_shows_its_depth_beyond_the_noise() -> None:
    """A parabolic hollow 10 mm deep over 1 m: its gap under 1 m is 10 mm less the half cells at both ends."""
    rng = np.random.default_rng(3)
    uv = rng.uniform(-0.55, 0.55, (60_000, 2))
    height = -0.010 * (1.0 - np.minimum(1.0, (uv[:, 0] / 0.5) ** 2)) + rng.normal(0.0, SD, len(uv))
    gap = straightedge(uv, height, np.full(len(uv), SD), 1.0, rng=rng)
    assert gap.gap_m == pytest.approx(0.010, abs=0.0012)
    assert gap.u_m < 0.0006 and gap.noise_m < 0.002
    flat = straightedge(uv, rng.normal(0.0, SD, len(uv)), np.full(len(uv), SD), 1.0, rng=rng)
    assert flat.gap_m < 0.001


def test_a_surface_shorter_than_the_straightedge_decides_nothing(scene: Cloud, tmp_path: Path) -> None:
    found = examined(scene, tmp_path, TOML.replace("length_m = 0.8", "length_m = 2.0"))
    one = relation(found, "flatness low over 2 m")
    assert one.decision == "undecided" and "no straight run of 2 m" in one.advice


# --------------------------------------------------------------------------- similarity


def test_similarity_never_reflects_and_refuses_a_line() -> None:
    rng = np.random.default_rng(4)
    source = rng.normal(size=(6, 3))
    found = similarity(source, source * [1.0, 1.0, -1.0], with_scale=False)
    assert np.linalg.det(found.rotation) == pytest.approx(1.0)
    line = np.outer(np.arange(5.0), [1.0, 2.0, 3.0])
    with pytest.raises(DataError, match="points on one line"):
        similarity(line, line, with_scale=False)
    with pytest.raises(DataError, match="expected two equal"):
        similarity(source, source[:4], with_scale=False)
