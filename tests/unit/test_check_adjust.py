"""Mount, range and clock from simulated plates whose truth is known: recovered, honestly, and refused where unseen."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from terrain.sensor.adjust import mount_line
from terrain.sensor.check import Checked, examine
from terrain.sensor.decide import Quantity
from tests.support.plates import ROOM, STANDS, STATED_MOUNT, STATED_SHIFT, Ball, Plate, Simulated, Truth, simulate

OFF = Truth(turn_deg=(0.5, -0.5, 0.5), shift_m=(0.010, -0.010, 0.010))
UP = np.array([0.0, 0.0, 1.0])


def examined(made: Simulated, folder: Path) -> Checked:
    return examine(made.cloud, made.trajectory, made.sensor, made.poses, made.targets(folder), up=UP)


def quantity(found: Checked, name: str) -> Quantity:
    assert found.adjustment is not None
    return next(one for one in found.adjustment.quantities if one.name == name)


def test_u_is_honest(tmp_path: Path) -> None:
    """Mount 0.5 degrees and 10 mm, range 15 mm and 500 ppm off: the truth lies inside U as often as k = 2 says.

    30 seeds of 8 quantities: the share of 95.45 % itself has a sd of 1.4 %. `tests/bench/check_honesty.py` does 200.
    """
    truth = replace(OFF, range_offset_m=0.015, range_scale=500e-6, points=300)
    few = {"plates": [plate for plate in ROOM if plate.name not in ("ramp", "overhead")], "stands": STANDS[::3]}
    errors, u = [], []
    for seed in range(30):
        made = simulate(seed, truth, **few)
        found = examined(made, tmp_path).adjustment
        assert found is not None and found.converged and not found.set_aside
        errors.append((found.step - made.step)[:8])
        u.append(found.sd[:8])
    z = np.array(errors) / np.array(u)
    assert 0.91 <= np.mean(np.abs(z) <= 2.0) <= 0.99
    assert 0.85 <= z.std() <= 1.15
    assert np.abs(z.mean(axis=0)).max() < 3.5 / math.sqrt(30)  # nothing is biased
    assert np.degrees(2.0 * np.array(u)[:, :3]).max() < 0.10  # and U is small enough to be of use
    assert 2e3 * np.array(u)[:, 3:7].max() < 5.0


def test_a_failed_mount_comes_with_the_line_to_paste(tmp_path: Path) -> None:
    made = simulate(4, OFF)
    found = examined(made, tmp_path)
    assert found.verdict == "fail"
    assert quantity(found, "mount pitch").decision == "fail"
    assert found.adjustment is not None
    line = mount_line(found.adjustment.mount)
    assert line.startswith("mount = { translation_m = [") and line.endswith("] }")
    numbers = [float(word) for word in line.replace("[", ",").replace("]", ",").split(",") if _is_number(word)]
    true_turn = Rotation.from_rotvec(np.radians(OFF.turn_deg)) * STATED_MOUNT
    assert np.array(numbers[:3]) == pytest.approx(STATED_SHIFT + OFF.shift_m, abs=0.003)
    assert math.degrees((true_turn.inv() * Rotation.from_quat(numbers[3:])).magnitude()) < 0.08


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True


def test_a_right_sensor_passes(tmp_path: Path) -> None:
    found = examined(simulate(2, Truth(points=1200)), tmp_path)
    assert found.verdict == "pass", [(name, one) for name, one in found.quantities() if one.decision != "pass"]


def test_a_warped_plate_is_blamed_on_the_plate(tmp_path: Path) -> None:
    """5 mm of bow on one plate: the plate's flatness fails, and the mount is as right as without it."""
    plates = tuple(replace(plate, bow_m=0.005) if plate.name == "left" else plate for plate in ROOM)
    made = simulate(3, replace(OFF, points=2000), plates=plates)
    found = examined(made, tmp_path)
    assert found.adjustment is not None
    assert list(found.adjustment.set_aside) == ["left"]
    assert "not flat" in found.adjustment.set_aside["left"]
    flat = next(one for one in next(t for t in found.targets if t.name == "left").quantities if one.name == "flatness")
    assert flat.decision == "fail"
    assert 1e3 * flat.value == pytest.approx(5.0, abs=1e3 * flat.expanded)
    others = [one for t in found.targets if t.name != "left" for one in t.quantities if one.name == "flatness"]
    assert all(one.decision == "pass" for one in others)
    assert (np.abs(found.adjustment.step - made.step)[:8] <= 3.0 * found.adjustment.sd[:8]).all()


def test_a_moved_plate_is_found_and_set_aside(tmp_path: Path) -> None:
    plates = tuple(replace(plate, shifted_m=0.020) if plate.name == "right" else plate for plate in ROOM)
    made = simulate(5, OFF, plates=plates)
    found = examined(made, tmp_path).adjustment
    assert found is not None
    assert list(found.set_aside) == ["right"]
    assert "20" in found.set_aside["right"] or "19" in found.set_aside["right"] or "21" in found.set_aside["right"]
    assert (np.abs(found.step - made.step)[:8] <= 3.0 * found.sd[:8]).all()


BALLS = (
    Ball("a", (3.0, 0.5, 1.0)),
    Ball("b", (0.5, 4.0, 1.2)),
    Ball("c", (-2.5, -1.0, 0.8)),
    Ball("d", (1.0, -5.5, 1.5)),
    Ball("e", (6.0, 2.0, 2.0)),
)


def test_spheres_alone_tell_the_mount(tmp_path: Path) -> None:
    """Known points instead of planes: every correction within U of the truth, as often as k = 2 says."""
    errors, u = [], []
    for seed in range(10):
        truth = replace(OFF, range_offset_m=0.015, points=400)
        made = simulate(seed, truth, plates=(), balls=BALLS, stands=STANDS[:2])
        found = examined(made, tmp_path).adjustment
        assert found is not None and found.converged and not found.set_aside and all(found.sees.seen)
        errors.append((found.step - made.step)[:8])
        u.append(found.sd[:8])
    z = np.array(errors) / np.array(u)
    assert np.mean(np.abs(z) <= 2.0) > 0.87  # 80 values, partly of one kind: 95.45 % less 3 sd
    assert z.std() < 1.25
    assert np.degrees(2.0 * np.array(u)[:, :3]).max() < 0.08


def test_targets_that_contradict_each_other_tell_no_mount(tmp_path: Path) -> None:
    """The only plate that shows a shift to the side lies 60 mm off: turned about, it is seen from both sides."""
    plates = (ROOM[0], replace(ROOM[1], normal=(-1.0, 0.0, 0.0)), replace(ROOM[3], shifted_m=0.060))
    stands = ((0.0, 0.0, 0.0, 0.0), (0.0, 0.4, 0.0, 180.0))
    found = examined(simulate(13, Truth(points=800), plates=plates, stands=stands), tmp_path)
    assert found.adjustment is not None and found.adjustment.set_aside == {}
    assert "left and the others contradict each other" in found.adjustment.refused["mount"]
    assert all(math.isnan(quantity(found, f"mount {name}").value) for name in ("roll", "left", "up"))
    assert found.verdict == "fail"  # the plate's own bias


def test_clock_offset_shows_when_the_pass_moves(tmp_path: Path) -> None:
    made = simulate(6, replace(OFF, clock_s=0.010), moving_s=4.0)
    clock = quantity(examined(made, tmp_path), "clock offset")
    assert clock.value == pytest.approx(0.010, abs=1.25 * clock.expanded)
    assert clock.expanded < 0.002 and clock.decision == "fail"


def test_clock_offset_is_refused_when_it_stands(tmp_path: Path) -> None:
    made = simulate(6, Truth(clock_s=0.010, points=200), settings='require = ["mount", "clock"]')
    found = examined(made, tmp_path)
    clock = quantity(found, "clock offset")
    assert clock.decision == "undecided" and "did not move" in clock.advice and math.isnan(clock.value)
    assert found.verdict == "undecided"


# --------------------------------------------------------------------------- what cannot be told

WALLS = (
    Plate("front", (3.0, 0.3, 0.9), (-1.0, 0.0, 0.0)),
    Plate("left", (0.4, 4.5, 1.0), (0.0, -1.0, 0.0)),
    Plate("behind", (-6.5, 0.5, 1.0), (1.0, 0.3, 0.0)),
)


@pytest.mark.parametrize(
    ("plates", "seen", "why", "add"),
    [
        (ROOM[:1], ("roll", "pitch", "up"), "one surface alone", ["an upright surface", "an upright surface"]),
        (WALLS, ("roll", "pitch", "yaw", "forward", "left"), "lie in one plane", ["a level surface"]),
    ],
    ids=["one floor", "three walls"],
)
def test_what_targets_do_not_show_is_refused(
    plates: tuple[Plate, ...], seen: tuple[str, ...], why: str, add: list[str], tmp_path: Path
) -> None:
    """A lone floor fixes roll, pitch and height; coplanar normals leave one shift (Jiao et al., 2019)."""
    found = examined(simulate(7, Truth(), plates=plates), tmp_path)
    assert found.verdict == "undecided"
    assert found.adjustment is not None
    names = ("roll", "pitch", "yaw", "forward", "left", "up")
    assert tuple(n for n, ok in zip(names, found.adjustment.sees.seen, strict=True) if ok) == seen
    assert why in found.adjustment.refused["mount"]
    assert f"{len(seen)} of 6" in found.adjustment.refused["mount"]
    assert [words[: len(start)] for words, start in zip(found.adjustment.sees.add, add, strict=True)] == add
    for name in names:
        one = quantity(found, f"mount {name}")
        assert math.isfinite(one.value) == (name in seen)
        if name not in seen:
            assert one.decision == "undecided" and one.advice.startswith("not told")


def test_what_it_says_to_add_makes_it_visible(tmp_path: Path) -> None:
    """Three walls and the floor that was asked for: all six degrees of freedom are seen."""
    found = examined(simulate(7, Truth(), plates=(*WALLS, ROOM[0])), tmp_path).adjustment
    assert found is not None and "mount" not in found.refused and all(found.sees.seen)


def test_targets_at_one_distance_tell_no_range_offset(tmp_path: Path) -> None:
    """ASTM E2938 says of relative tests that they cannot find a constant offset: distances must differ."""
    eye = np.array([0.15, 0.02, 0.55])
    ways = [(1.0, 0, 0), (0, 1.0, 0), (0, 0, -1.0), (-1.0, 0, 0), (0, -1.0, 0)]
    plates = tuple(
        Plate(f"p{k}", tuple(eye + 4.0 * np.array(way)), tuple(-np.array(way)), (1.0, 1.0))
        for k, way in enumerate(ways)
    )
    found = examined(simulate(8, Truth(), plates=plates, stands=STANDS[:1]), tmp_path)
    assert found.verdict == "undecided"
    for name in ("range offset", "range scale"):
        one = quantity(found, name)
        assert one.decision == "undecided" and "at one distance (4.0" in one.advice and "add a target" in one.advice


def test_nearly_coplanar_normals_are_weak_but_not_refused(tmp_path: Path) -> None:
    s, c = math.sin(math.radians(10.0)), math.cos(math.radians(10.0))
    plates = (
        Plate("a", (2.0, 0.3, 0.0), (0.0, 0.0, 1.0)),
        Plate("b", (2.2, -1.5, 0.2), (-s, 0.0, c)),
        Plate("c", (3.8, 1.2, 0.1), (0.0, -s, c)),
    )
    truth = Truth(position_sd_m=0.0002, attitude_sd_deg=0.004)
    found = examined(simulate(9, truth, plates=plates), tmp_path).adjustment
    assert found is not None and "mount" not in found.refused
    assert found.sees.condition > 5.0 and "nearly share a plane" in found.sees.weak and found.sees.add
    axis, wall = (3, ROOM[1]) if "in front or behind" in found.sees.add[0] else (4, ROOM[3])
    more = examined(simulate(9, truth, plates=(*plates, wall)), tmp_path).adjustment
    assert more is not None
    assert found.sd[axis] > 1.5 * more.sd[axis]  # worse known than with the wall it asks for


def test_a_far_too_coarse_reference_decides_nothing(tmp_path: Path) -> None:
    made = simulate(10, Truth(place_sd_m=0.02, points=300))
    found = examined(made, tmp_path)
    bias = next(one for t in found.targets for one in t.quantities if one.name == "bias")
    assert bias.decision == "undecided" and "reference" in bias.advice
    assert any("more than a third of the tolerance" in note for note in found.notes)


def test_poses_count_once_a_stand_however_many_points(tmp_path: Path) -> None:
    """Ten times the points do not make up for poses that are known to 10 mm: U stays, more stands lower it."""
    truth = Truth(position_sd_m=0.010, attitude_sd_deg=0.001, points=200)

    def u(truth: Truth, stands: tuple[tuple[float, float, float, float], ...]) -> float:
        found = examined(simulate(11, truth, stands=stands), tmp_path)
        return next(one.expanded for t in found.targets for one in t.quantities if one.name == "bias")

    one, many = u(truth, STANDS[:1]), u(replace(truth, points=2000), STANDS[:1])
    assert one == pytest.approx(0.020, rel=0.1)
    assert many == pytest.approx(one, rel=0.03)
    assert u(truth, STANDS) == pytest.approx(one / 2.0, rel=0.1)


def test_the_same_input_gives_the_same_answer(tmp_path: Path) -> None:
    made = simulate(12, OFF)
    one, other = examined(made, tmp_path), examined(made, tmp_path)
    assert [(n, q.value, q.expanded) for n, q in one.quantities()] == [
        (n, q.value, q.expanded) for n, q in other.quantities()
    ]
