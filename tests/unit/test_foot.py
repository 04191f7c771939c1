"""Foot profiles: the rules of the format. No outside source: the format is the project's own."""

import copy
import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from terrain.data import FootProfile, Limit
from terrain.errors import ConfigError, DataError, ReadError
from terrain.foot import configs_folder, foot_from_dict, foot_names, foot_to_dict, load_foot

FULL = {
    "name": "biped",
    "sole": {"length_m": 0.26, "width_m": 0.13, "heel_m": 0.09},
    "limits": {
        "slope_deg": (10.0, 18.0),
        "roughness_mm": (6.0, 12.0),
        "support": (0.95, 0.75),
        "rocking_m": (0.03, 0.01),
        "edge_m": (0.02, 0.0),
        "beside_m": (0.01, 0.0),
        "observed": (0.90, 0.60),
        "contact_mm": 15.0,
        "drop_mm": 40.0,
        "joint_mm": 25.0,
    },
    "clearance": {"shin_radius_m": 0.10, "height_m": 0.40},
    "step": {"max_up_m": 0.20, "max_down_m": 0.20, "max_reach_m": 0.55},
    "confidence": {"z": 1.645},
}
REQUIRED_KEYS = [
    "name",
    *(f"{section}.{key}" for section in ("limits", "clearance", "step", "confidence") for key in FULL[section]),
]


def toml_of(tables: dict, prefix: str = "") -> str:
    lines = []
    for name, value in tables.items():
        if isinstance(value, dict):
            lines.append(toml_of(value, f"{prefix}{name}."))
        elif isinstance(value, tuple):
            lines.append(f"{prefix}{name} = {{ comfort = {value[0]}, limit = {value[1]} }}")
        else:
            lines.append(f"{prefix}{name} = {json.dumps(value)}")
    return "\n".join(lines)


def changed(key: str, value: object = None, *, remove: bool = False) -> dict:
    tables = copy.deepcopy(FULL)
    *path, last = key.split(".")
    table = tables
    for part in path:
        table = table[part]
    if remove:
        del table[last]
    else:
        table[last] = value
    return tables


@pytest.fixture
def write(tmp_path: Path):
    def _write(tables: dict) -> Path:
        path = tmp_path / "foot.toml"
        path.write_text(toml_of(tables))
        return path

    return _write


def area_of(outline: np.ndarray) -> float:
    x, y = outline.T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def test_biped_is_the_documented_profile(write) -> None:
    biped, written = load_foot("biped"), load_foot(write(FULL))
    assert foot_to_dict(biped) == foot_to_dict(written)
    assert biped.slope_rad == Limit(math.radians(10.0), math.radians(18.0))
    assert biped.roughness_m == Limit(0.006, 0.012)
    assert biped.contact_m == 0.015
    low, high = biped.outline_m.min(axis=0), biped.outline_m.max(axis=0)
    assert low == pytest.approx([-0.09, -0.065])
    assert high == pytest.approx([0.17, 0.065])


def test_names_are_those_of_the_folder() -> None:
    assert foot_names() == ("biped", "boot", "quadruped")
    for name in foot_names():
        foot = load_foot(name)
        assert foot.name == name
        assert area_of(foot.outline_m) > 0.0


def test_the_boot_holds_a_mean_mans_foot() -> None:
    """271.2 mm by 101.9 mm: mean foot length and breadth of men, ANSUR II (2012), public records."""
    outline = load_foot("boot").outline_m
    length, width = outline.max(axis=0) - outline.min(axis=0)
    assert length > 0.2712
    assert width > 0.1019


def test_a_round_sole_has_the_area_of_its_circle(write) -> None:
    foot = load_foot(write(changed("sole", {"radius_m": 0.04})))
    assert foot.outline_m.shape == (32, 2)
    assert area_of(foot.outline_m) == pytest.approx(math.pi * 0.04**2, rel=1e-12)
    assert np.hypot(*foot.outline_m.T) == pytest.approx(0.04, rel=0.004)


@pytest.mark.parametrize("closed", [False, True])
@pytest.mark.parametrize("clockwise", [False, True])
def test_any_polygon_comes_counter_clockwise_and_open(write, closed: bool, clockwise: bool) -> None:
    corners = [[-0.1, -0.05], [0.2, -0.05], [0.2, 0.05], [0.05, 0.02], [-0.1, 0.05]]
    corners = corners[::-1] if clockwise else corners
    given_corners = [*corners, corners[0]] if closed else corners
    foot = load_foot(write(changed("sole", {"outline_m": given_corners})))
    assert area_of(foot.outline_m) > 0.0
    assert sorted(map(tuple, foot.outline_m.tolist())) == sorted(map(tuple, corners))


@pytest.mark.parametrize(
    "corners",
    [
        [[-0.1, -0.1], [0.1, 0.1], [0.1, -0.1], [-0.1, 0.1]],  # crosses itself at the origin
        [[-0.1, -0.1], [0.1, -0.1], [0.2, -0.1], [-0.05, -0.1]],  # no area
        [[0.1, 0.1], [0.2, 0.1], [0.2, 0.2]],  # the load point is outside
        [[0.0, 0.0], [0.2, 0.0], [0.2, 0.2], [0.0, 0.2]],  # the load point is on the border
        [[-0.1, -0.1], [0.1, -0.1]],  # two corners
        [[-0.1, -0.1], [0.1, -0.1], [0.0, 5.0]],  # five metres
        [[-0.1, -0.1], [0.1, -0.1], [0.0]],  # no pair
        [[-0.1, -0.1], [0.1, -0.1], [0.1, 0.1], [0.1, -0.1], [-0.1, 0.1]],  # a side runs back on itself
    ],
)
def test_outlines_that_are_no_sole_are_refused(write, corners: list) -> None:
    with pytest.raises(ConfigError, match=r"sole\.outline_m: got .*expected"):
        load_foot(write(changed("sole", {"outline_m": corners})))


@pytest.mark.parametrize(
    "sole",
    [
        {},
        {"length_m": 0.26, "width_m": 0.13, "heel_m": 0.09, "radius_m": 0.04},
        {"radius_m": 0.04, "outline_m": [[-0.1, -0.1], [0.1, -0.1], [0.0, 0.1]]},
        {"width_m": 0.13, "radius_m": 0.04},
    ],
)
def test_exactly_one_form_of_sole(write, sole: dict) -> None:
    with pytest.raises(ConfigError, match=r"sole: got .*expected exactly one of"):
        load_foot(write(changed("sole", sole)))


@pytest.mark.parametrize("key", ["length_m", "width_m", "heel_m"])
def test_a_rectangle_needs_all_three(write, key: str) -> None:
    with pytest.raises(ConfigError, match=rf"sole\.{key}: missing"):
        load_foot(write(changed(f"sole.{key}", remove=True)))


def test_the_heel_lies_within_the_sole(write) -> None:
    with pytest.raises(ConfigError, match=r"sole\.heel_m: got 0\.3, expected a number below sole\.length_m"):
        load_foot(write(changed("sole.heel_m", 0.3)))


@pytest.mark.parametrize("key", REQUIRED_KEYS)
def test_a_missing_key_is_named_with_the_file(write, key: str) -> None:
    path = write(changed(key, remove=True))
    with pytest.raises(ConfigError) as caught:
        load_foot(path)
    assert f"{key}: missing, expected" in str(caught.value)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize("key", ["slope_deg", "roughness_mm", "support", "rocking_m", "edge_m", "beside_m", "observed"])
def test_comfort_and_limit_the_wrong_way_round(write, key: str) -> None:
    comfort, limit = FULL["limits"][key]
    with pytest.raises(ConfigError, match=rf"limits\.{key}: got .*expected .*comfort [<>]= limit"):
        load_foot(write(changed(f"limits.{key}", (limit, comfort))))
    load_foot(write(changed(f"limits.{key}", (limit, limit))))


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("name", ""),
        ("sole.length_m", 0.0),
        ("sole.width_m", "wide"),
        ("sole.heel_m", -0.1),
        ("limits.slope_deg", (10.0, 95.0)),
        ("limits.slope_deg", 10.0),
        ("limits.support", (1.2, 0.5)),
        ("limits.edge_m", (0.2, 0.0)),
        ("limits.contact_mm", 0.0),
        ("limits.drop_mm", -1.0),
        ("limits.drop_mm", 15.0),
        ("limits.joint_mm", -1.0),
        ("clearance.shin_radius_m", -0.1),
        ("clearance.height_m", 0.0),
        ("clearance.height_m", 0.03),
        ("step.max_up_m", -0.1),
        ("step.max_reach_m", 0.0),
        ("confidence.z", -1.0),
        ("confidence.z", True),
    ],
)
def test_values_out_of_range_are_named(write, key: str, value: object) -> None:
    path = write(changed(key, value))
    with pytest.raises(ConfigError) as caught:
        load_foot(path)
    assert f"{key}: got " in str(caught.value)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_half_a_limit_and_a_misspelt_key(write) -> None:
    text = toml_of(FULL).replace("{ comfort = 10.0, limit = 18.0 }", "{ comfort = 10.0 }")
    path = write(FULL)
    path.write_text(text + "\nlimits.slope_degrees = 3.0")
    with pytest.raises(ConfigError) as caught:
        load_foot(path)
    assert "limits.slope_deg: got {'comfort': 10.0}" in str(caught.value)
    assert "limits.slope_degrees: unknown key with value 3.0" in str(caught.value)
    assert 'nearest: "slope_deg"' in str(caught.value)


def test_unknown_names_list_the_known_ones() -> None:
    with pytest.raises(ConfigError, match="got 'bipde', expected one of biped, boot, quadruped"):
        load_foot("bipde")


def test_paths_start_where_they_are_told(write, tmp_path: Path) -> None:
    write(FULL)
    assert load_foot("foot.toml", relative_to=tmp_path).name == "biped"
    with pytest.raises(ReadError, match=r"absent\.toml: no such file"):
        load_foot("absent.toml", relative_to=tmp_path)


ANY = st.floats(-1e6, 1e6, allow_nan=False)


@given(numbers=st.lists(ANY, min_size=23, max_size=23), outline=st.lists(st.tuples(ANY, ANY), min_size=3, max_size=40))
def test_the_manifest_form_comes_back_to_the_last_bit(numbers: list[float], outline: list) -> None:
    pairs = [Limit(numbers[k], numbers[k + 1]) for k in range(0, 14, 2)]
    foot = FootProfile("any", np.array(outline), *pairs, *numbers[14:])
    back = foot_from_dict(json.loads(json.dumps(foot_to_dict(foot))))
    assert back.outline_m.tobytes() == foot.outline_m.tobytes()
    assert foot_to_dict(back) == foot_to_dict(foot)


@pytest.mark.parametrize("spoil", [lambda d: d.pop("z"), lambda d: d.update(other=1.0), lambda d: d.update(z="high")])
def test_a_manifest_that_does_not_fit_is_refused(spoil) -> None:
    plain = foot_to_dict(load_foot("biped"))
    spoil(plain)
    with pytest.raises(DataError, match="foot profile: got"):
        foot_from_dict(plain)


@pytest.mark.parametrize("kind", ["surveys/example.toml", "sensors/spinning.toml"])
def test_a_file_of_another_kind_is_told_in_one_short_line(kind: str) -> None:
    with pytest.raises(ConfigError, match=r"got a file of another kind, with .*; expected one with name, sole"):
        load_foot(str(configs_folder() / kind))
