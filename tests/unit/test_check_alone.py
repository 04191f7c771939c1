"""Checks without targets: double surfaces, halves of a spindle's turn, ring against ring."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from terrain.data import FloatArray
from terrain.sensor.alone import Alone, check_alone, compare
from terrain.sensor.rings import ring_offsets, rings_of
from terrain.sensor.sight import stands_of
from terrain.sensor.targets import CheckSettings, load_targets, no_targets
from tests.support.plates import ROOM, Plate, Simulated, Truth, simulate

FORTH_AND_BACK = ((0.0, 0.0, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0), (1.0, 0.2, 0.0, 180.0), (0.0, 0.2, 0.0, 180.0))


def alone(made: Simulated, settings: CheckSettings | None = None) -> dict[str, Alone]:
    stands = stands_of(made.trajectory, move_m=0.25, turn_rad=math.radians(10.0))
    given = settings or no_targets().settings
    return {one.name: one for one in check_alone(made.cloud, made.trajectory, made.sensor, made.poses, given, stands)}


# --------------------------------------------------------------------------- passes in opposite directions


def test_a_double_surface_is_twice_the_mount_error() -> None:
    """Rolled by 0.5 degrees, ground 2 m to the left lies 17.5 mm off; on the way back, to the right, the other way."""
    strip = Plate("strip", (0.5, 2.0, 0.0), (0.0, 0.0, 1.0), (3.0, 0.8))
    stands = ((0.0, 0.0, 0.0, 0.0), (0.0, 0.0, 0.0, 180.0))
    made = simulate(1, Truth(turn_deg=(0.5, 0.0, 0.0), points=6000), plates=(strip,), stands=stands)
    second = made.cloud.time_s > 102.5
    found = compare(made.cloud.xyz_map_m, second, 0.008)
    assert len(found.normal) > 10
    twice = 2.0 * 2.0 * math.sin(math.radians(0.5))
    assert np.median(np.abs(found.difference_m)) == pytest.approx(twice, abs=0.003)


def test_opposite_passes_tell_the_mount_within_u() -> None:
    made = simulate(2, Truth(turn_deg=(0.4, -0.5, 0.0), points=1500), stands=FORTH_AND_BACK)
    check = alone(made)["passes in opposite directions"]
    assert check.why_not == ""
    apart, *mount = check.quantities
    assert apart.name == "surfaces apart (RMS)" and apart.value > 0.008
    told = {one.name: one for one in mount}
    for name, true in (("mount roll", 0.4), ("mount pitch", -0.5)):
        one = told[name]
        assert math.degrees(one.value) == pytest.approx(true, abs=1.5 * math.degrees(one.expanded))
        assert math.degrees(one.expanded) < 0.15
    assert told["mount roll"].decision == told["mount pitch"].decision == "fail"
    assert all(one.tolerance is None or one.decision != "undecided" for one in mount)


def test_opposite_passes_of_a_right_sensor_agree() -> None:
    check = alone(simulate(3, Truth(points=1500), stands=FORTH_AND_BACK))["passes in opposite directions"]
    assert check.quantities[0].decision == "pass"
    assert check.quantities[0].value < 0.003


def test_passes_in_one_direction_do_not_apply() -> None:
    check = alone(simulate(4, Truth(points=200), stands=FORTH_AND_BACK[:2]))["passes in opposite directions"]
    assert check.why_not.startswith("no two passes in opposite directions") and check.quantities == ()


# --------------------------------------------------------------------------- halves of a turn


def settings_with(folder: Path, words: str) -> CheckSettings:
    path = folder / "t.toml"
    path.write_text(f'[check]\nname = "x"\n{words}\n[[plane]]\nname = "p"\nnear_m = [0, 0, 0]\n')
    return load_targets(path).settings


def test_halves_of_a_turn_that_disagree(tmp_path: Path) -> None:
    """Ranges of the second half of every turn are 20 mm long: seen surfaces lie that far apart."""
    made = simulate(5, Truth(points=4000), plates=ROOM[2:6], stands=((0.0, 0.0, 0.0, 0.0),))
    late = np.mod(made.cloud.time_s - made.cloud.time_s.min(), 0.5) / 0.5 >= 0.5
    longer = made.raw[: len(late)] / np.linalg.norm(made.raw[: len(late)], axis=1)[:, None]
    turn = Rotation.from_quat(made.trajectory.rotation_xyzw[0]) * Rotation.from_quat(made.sensor.mount_rotation_xyzw)
    moved = made.cloud.xyz_map_m + 0.020 * late[:, None] * turn.apply(longer)
    off = Simulated(**{**vars(made), "cloud": type(made.cloud)(moved, *_rest(made))})
    settings = settings_with(tmp_path, "turn_s = 0.5")
    assert alone(off, settings)["halves of a spindle's turn"].quantities[0].value == pytest.approx(0.020, abs=0.002)
    good = alone(made, settings)["halves of a spindle's turn"].quantities[0]
    assert good.decision == "pass" and good.value < 0.003
    assert "turn_s is not stated" in alone(made)["halves of a spindle's turn"].why_not


def _rest(made: Simulated) -> tuple[object, ...]:
    cloud = made.cloud
    return cloud.time_s, cloud.view_map_m, cloud.sd_m, cloud.cross_sd_m, cloud.origin_m


# --------------------------------------------------------------------------- rings


def revolution(offsets: FloatArray, sd: float, seed: int) -> FloatArray:
    """One turn of beams on cones, 1.3 m over a floor, with two walls; the ring's offset added to its ranges."""
    rng = np.random.default_rng(seed)
    elevation = np.radians(np.linspace(-32.0, -3.0, len(offsets)))
    azimuth = np.radians(np.arange(0.0, 360.0, 0.4))
    e, a = (one.ravel() for one in np.meshgrid(elevation, azimuth, indexing="ij"))
    ring = np.repeat(np.arange(len(offsets)), len(azimuth))
    way = np.column_stack([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])
    with np.errstate(divide="ignore"):
        reach = np.stack([-1.3 / way[:, 2], np.where(way[:, 0] > 0, 5.0 / way[:, 0], np.inf),
                          np.where(way[:, 1] > 0, 6.0 / way[:, 1], np.inf)])  # fmt: skip
    distance = reach.min(axis=0)
    near = distance < 15.0
    measured = distance + offsets[ring] + rng.normal(0.0, sd, len(distance))
    return (way * measured[:, None])[near]


def offsets_of(true: FloatArray, seed: int) -> tuple[FloatArray, FloatArray]:
    raw = revolution(true, 0.004, seed)
    ring, count = rings_of(raw)
    assert count == len(true)
    found = ring_offsets(raw, raw / np.linalg.norm(raw, axis=1)[:, None], ring, count, 0.015)
    assert found is not None
    return found


def test_rings_are_told_by_their_cones_and_their_offsets_found() -> None:
    """Offsets that change from ring to ring are found; what changes slowly looks like a lean: left out of both."""
    true = np.random.default_rng(6).normal(0.0, 0.012, 24)
    offset, u = offsets_of(true, 7)
    near = np.arange(15)  # farther out fewer than three rings share a cell of floor

    def rough(values: FloatArray) -> FloatArray:
        return values - np.polyval(np.polyfit(near, values, 3), near)

    assert np.isfinite(u[near]).all() and u[near].max() < 0.003
    assert np.corrcoef(rough(offset[near]), rough(true[near]))[0, 1] > 0.97
    assert np.abs(rough(offset[near]) - rough(true[near])).max() < 0.006


def test_rings_without_offsets_show_none() -> None:
    offset, u = offsets_of(np.zeros(24), 8)
    told = np.isfinite(offset)
    assert told.sum() >= 15
    assert np.abs(offset[told] / u[told]).max() < 3.5
    assert np.sqrt(np.mean(offset[told] ** 2)) < 0.002


def test_points_without_rings_are_no_rings() -> None:
    made = simulate(8, Truth(points=800))
    assert rings_of(made.raw)[1] == 0
    assert "separate cones" in alone(made)["ring against ring"].why_not
    assert rings_of(made.raw[:50])[1] == 0
