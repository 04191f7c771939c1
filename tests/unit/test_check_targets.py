"""Targets files: what they hold, and one clear line for what is wrong."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from terrain.errors import ConfigError, ReadError
from terrain.sensor.targets import load_targets

GOOD = """
[check]
name = "corner of bay two"
sensor = "front lidar"
tolerance_mm = 8
[[plane]]
name = "floor plate"
near_m = [1.0, 0.0, 0.0]
size_m = [1.2, 0.9]
normal = [0.0, 0.0, 2.0]
normal_sd_deg = 0.05
offset_m = 0.4
offset_sd_mm = 1.5
[[plane]]
name = "wall"
box_m = [[2.0, -1.0, 0.2], [2.4, 1.0, 1.8]]
[[plane]]
name = "step"
near_m = [1.0, 1.0, 0.2]
normal = [0.0, 0.0, 1.0]
normal_sd_deg = 0.1
point_m = [1.0, 1.0, 0.2]
offset_sd_mm = 2
tolerance_mm = 5
[[sphere]]
name = "ball"
near_m = [3.0, 0.0, 1.0]
radius_mm = 100
[[sphere]]
name = "other ball"
near_m = [3.0, 1.0, 1.0]
radius_mm = 100
centre_m = [3.0, 1.0, 1.0]
centre_sd_mm = 0.5
[[angle]]
between = ["floor plate", "wall"]
angle_deg = 90
sd_deg = 0.02
[[step]]
between = ["floor plate", "step"]
height_mm = 200
sd_mm = 0.5
[[spacing]]
between = ["ball", "other ball"]
distance_mm = 1000
sd_mm = 0.1
[[flatness]]
of = "wall"
length_m = 1.0
row = 7
"""


def write(folder: Path, words: str) -> Path:
    (folder / "targets.toml").write_text(words, encoding="utf-8")
    return folder / "targets.toml"


def test_units_and_defaults(tmp_path: Path) -> None:
    found = load_targets(write(tmp_path, GOOD))
    floor, wall, step = found.planes
    assert floor.normal == pytest.approx([0.0, 0.0, 1.0])
    assert floor.offset_m == pytest.approx(0.2)  # 0.4 = (0, 0, 2) . x
    assert (floor.offset_sd_m, floor.tolerance_m) == pytest.approx((0.0015, 0.008))
    assert floor.normal_sd_rad == pytest.approx(math.radians(0.05))
    assert floor.hint.radius_m == pytest.approx(0.75)  # half the diagonal
    assert wall.normal is None and wall.offset_m is None
    assert wall.hint.holds(np.array([[2.2, 0.0, 1.0], [2.5, 0.0, 1.0]])).tolist() == [True, False]
    assert step.offset_m == pytest.approx(0.2) and step.tolerance_m == pytest.approx(0.005)
    ball, other = found.spheres
    assert ball.centre_m is None and ball.radius_m == pytest.approx(0.1)
    assert other.centre_m == pytest.approx([3.0, 1.0, 1.0]) and other.centre_sd_m == pytest.approx(0.0005)
    kinds = {one.kind: one for one in found.relations}
    assert kinds["angle"].value == pytest.approx(math.pi / 2) and kinds["angle"].tolerance == pytest.approx(
        math.radians(0.5)
    )
    assert kinds["step"].value == pytest.approx(0.2) and kinds["spacing"].value == pytest.approx(1.0)
    assert kinds["flatness"].tolerance == pytest.approx(0.003)  # DIN 18202, row 7 at 1 m: 3 mm
    assert found.settings.require == ("mount", "range") and found.settings.sensor == "front lidar"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("near_m = [1.0, 0.0, 0.0]", "near_m = [1.0, 0.0]"), 'plane 1 "floor plate": near_m: got [1.0, 0.0]'),
        (("near_m = [1.0, 0.0, 0.0]", ""), "got neither near_m nor box_m"),
        (("normal_sd_deg = 0.05", ""), "got normal without normal_sd_deg"),
        (("offset_sd_mm = 1.5", ""), "got offset_m without offset_sd_mm"),
        (("normal = [0.0, 0.0, 2.0]\nnormal_sd_deg = 0.05\n", ""), "got a place without normal"),
        (("row = 7", "row = 8"), "a row of DIN 18202, table 3: 1 to 7"),
        (("row = 7", ""), "both or neither of row and gap_mm"),
        (('of = "wall"', 'of = "ball"'), 'flatness: got "ball", expected the name of a plane'),
        (('"ball", "other ball"', '"ball", "wall"'), 'spacing: got "wall", expected the name of a sphere'),
        (('name = "wall"', 'name = "step"'), 'got "step" for 2 targets'),
        (("radius_mm = 100\n[[sphere]]", "[[sphere]]"), 'sphere 1 "ball": radius_mm: missing'),
        (("sensor =", "senser ="), "check.senser: unknown key with value 'front lidar', expected one of"),
        (("[[angle]]", "[[angel]]"), "angel: unknown table"),
        (("[2.4, 1.0, 1.8]", "[1.4, 1.0, 1.8]"), "the lower one first"),
        (("tolerance_mm = 8", "tolerance_mm = -8"), "check.tolerance_mm: got -8"),
        (("[check]", "require = 3\n[check]"), "require: unknown table"),
        (('sensor = "front lidar"', 'require = ["mounts"]'), "check.require: got ['mounts']"),
    ],
)
def test_what_is_wrong_is_named(change: tuple[str, str], words: str, tmp_path: Path) -> None:
    assert change[0] in GOOD
    path = write(tmp_path, GOOD.replace(change[0], change[1], 1))
    with pytest.raises(ConfigError) as caught:
        load_targets(path)
    assert words in str(caught.value) and str(path) in str(caught.value)


def test_everything_wrong_is_named_at_once(tmp_path: Path) -> None:
    path = write(tmp_path, GOOD.replace("row = 7", "row = 8").replace("normal_sd_deg = 0.05", "normal_sd_deg = 90"))
    with pytest.raises(ConfigError) as caught:
        load_targets(path)
    assert "normal_sd_deg" in str(caught.value) and "row" in str(caught.value)


def test_no_target_no_file_and_no_toml(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"got no target, expected at least one \[\[plane\]\] or \[\[sphere\]\]"):
        load_targets(write(tmp_path, '[check]\nname = "x"\n'))
    with pytest.raises(ConfigError, match=r"check\.name: missing"):
        load_targets(write(tmp_path, "[check]\n"))
    with pytest.raises(ConfigError, match="not TOML"):
        load_targets(write(tmp_path, "[check\n"))
    with pytest.raises(ReadError, match="no such file"):
        load_targets(tmp_path / "none.toml")


def test_the_example_that_ships_is_a_good_one() -> None:
    found = load_targets(Path(__file__).parents[2] / "configs" / "targets" / "example.toml")
    assert len(found.planes) >= 4 and found.spheres and {one.kind for one in found.relations} >= {"angle", "step"}
