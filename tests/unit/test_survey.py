"""Survey files: the rules of the format, one key at a time. No outside source: the format is the project's own."""

import copy
import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from terrain.errors import ConfigError, ReadError
from terrain.foot import configs_folder
from terrain.survey import KEYS, load_survey

FULL = {
    "survey": {"name": "dry dock, east apron"},
    "frame": {"points": "sensor", "gravity": [0.0, 0.0, -1.0]},
    "sensor": {
        "mount": {"translation_m": [0.10, 0.0, 0.45], "rotation_xyzw": [0.0, 0.0, 0.0, 1.0]},
        "range_sd_m": 0.008,
        "beam_divergence_mrad": 2.0,
        "min_range_m": 0.4,
        "max_range_m": 25.0,
        "time_offset_s": 0.0,
    },
    "poses": {
        "file": "poses.txt",
        "position_sd_m": 0.01,
        "attitude_sd_deg": 0.2,
        "max_gap_s": 0.2,
        "refine": "auto",
    },
    "scans": {"files": ["scans/*.laz"]},
    "foot": {"profile": "biped"},
}
WITH_DEFAULT = {"frame.gravity", "sensor.time_offset_s", "poses.refine"}
OPTIONAL = {
    "sensor.profile",
    "sensor.range_sd_per_m2",
    "sensor.spindle.axis",
    "sensor.spindle.angle_field",
    "sensor.spindle.angle_unit",
    "sensor.spindle.zero_deg",
    "sensor.spindle.offset_m",
    "poses.topic",
    "poses.map_frame",
    "poses.body_frame",
    "poses.quaternion",
    "poses.stamps",
    "scans.topic",
    "scans.time_field",
    "scans.time_unit",
    "scans.time_base",
    "scans.stamps",
    "body.low_m",
    "body.high_m",
}
"""Keys that the full file leaves out; tests of their own are in test_survey_sensors.py."""


def toml_of(tables: dict, prefix: str = "") -> str:
    """Write nested dicts of JSON-like values as TOML with dotted keys."""
    lines = []
    for name, value in tables.items():
        if isinstance(value, dict):
            lines.append(toml_of(value, f"{prefix}{name}."))
        else:
            lines.append(f"{prefix}{name} = {json.dumps(value)}")
    return "\n".join(lines)


def changed(key: str, value: object = None, *, remove: bool = False) -> dict:
    tables = copy.deepcopy(FULL)
    *path, last = key.split(".")
    table = tables
    for part in path:
        table = table.setdefault(part, {})
    if remove:
        del table[last]
    else:
        table[last] = value
    return tables


@pytest.fixture
def write(tmp_path: Path):
    (tmp_path / "scans").mkdir()
    for name in ("scan_10.laz", "scan_2.laz", "scan_1.laz"):
        (tmp_path / "scans" / name).touch()
    (tmp_path / "poses.txt").touch()

    def _write(tables: dict | str) -> Path:
        path = tmp_path / "survey.toml"
        path.write_text(tables if isinstance(tables, str) else toml_of(tables))
        return path

    return _write


def test_the_full_file_in_si_units(write, tmp_path: Path) -> None:
    survey = load_survey(write(FULL))
    assert survey.name == "dry dock, east apron"
    assert survey.frame == "sensor"
    assert survey.gravity.tolist() == [0.0, 0.0, -1.0]
    assert survey.sensor is not None and survey.poses is not None
    assert survey.sensor.mount_translation_m.tolist() == [0.10, 0.0, 0.45]
    assert survey.sensor.beam_divergence_rad == pytest.approx(0.002)
    assert survey.poses.attitude_sd_rad == pytest.approx(math.radians(0.2))
    assert survey.poses.refine == "auto"
    assert survey.poses_file == tmp_path / "poses.txt"
    assert [path.name for path in survey.scan_files] == ["scan_1.laz", "scan_2.laz", "scan_10.laz"]
    assert survey.foot_profile == "biped"


@pytest.mark.parametrize("key", [key.name for key in KEYS if key.name not in OPTIONAL])
def test_a_missing_key_is_named_with_the_file(write, key: str) -> None:
    path = write(changed(key, remove=True))
    if key in WITH_DEFAULT:
        load_survey(path)
        return
    with pytest.raises(ConfigError) as caught:
        load_survey(path)
    message = str(caught.value)
    assert f"{key}: missing, expected" in message
    assert str(path) in message
    assert "\n" not in message


OUT_OF_RANGE = [
    ("survey.name", ""),
    ("survey.name", 3),
    ("frame.points", "world"),
    ("frame.gravity", [0.0, 0.0, 0.0]),
    ("frame.gravity", [0.0, -1.0]),
    ("frame.gravity", [0.0, 0.0, "down"]),
    ("sensor.mount.translation_m", [0.1, 0.0]),
    ("sensor.mount.translation_m", [0.1, 0.0, 1e6]),
    ("sensor.mount.rotation_xyzw", [0.0, 0.0, 0.0, 1.002]),
    ("sensor.mount.rotation_xyzw", [0.0, 0.0, 1.0]),
    ("sensor.range_sd_m", 0.0),
    ("sensor.range_sd_m", -0.008),
    ("sensor.range_sd_m", "0.008"),
    ("sensor.range_sd_m", True),
    ("sensor.range_sd_m", [0.008]),
    ("sensor.beam_divergence_mrad", -1.0),
    ("sensor.min_range_m", -0.1),
    ("sensor.max_range_m", 0.0),
    ("sensor.max_range_m", 0.4),
    ("sensor.time_offset_s", "now"),
    ("poses.file", 7),
    ("poses.file", "other.txt"),
    ("poses.position_sd_m", -0.01),
    ("poses.attitude_sd_deg", 90.0),
    ("poses.max_gap_s", 0.0),
    ("poses.refine", "yes"),
    ("scans.files", []),
    ("scans.files", "scans/*.laz"),
    ("scans.files", ["scans/*.ply"]),
    ("foot.profile", 4),
]


@pytest.mark.parametrize(("key", "value"), OUT_OF_RANGE)
def test_a_value_out_of_range_is_named_with_what_is_allowed(write, key: str, value: object) -> None:
    path = write(changed(key, value))
    with pytest.raises(ConfigError) as caught:
        load_survey(path)
    message = str(caught.value)
    shown = value[0] if isinstance(value, list) and value and isinstance(value[0], str) else value
    assert f"{key}: got {shown!r}" in message
    assert "expected" in message
    assert str(path) in message
    assert "\n" not in message


@pytest.mark.parametrize("word", ["nan", "inf", "-inf"])
def test_numbers_that_are_not_finite_are_refused(write, word: str) -> None:
    with pytest.raises(ConfigError, match=r"sensor\.range_sd_m: got"):
        load_survey(write(toml_of(FULL).replace("range_sd_m = 0.008", f"range_sd_m = {word}")))


@pytest.mark.parametrize(
    ("key", "nearest"),
    [
        ("sensor.range_sd", "range_sd_m"),
        ("poses.max_gap", "max_gap_s"),
        ("scan.files", "scans"),
        ("foot.profil", "profile"),
    ],
)
def test_a_misspelt_key_is_named_with_the_nearest(write, key: str, nearest: str) -> None:
    with pytest.raises(ConfigError) as caught:
        load_survey(write(changed(key, 1.0)))
    assert f"{key.split('.files')[0]}: unknown key" in str(caught.value)
    assert f'nearest: "{nearest}"' in str(caught.value)


def test_a_section_that_is_no_table_is_named(write) -> None:
    with pytest.raises(ConfigError, match=r"sensor: got 3, expected a table"):
        load_survey(write({**FULL, "sensor": 3}))


def test_all_problems_come_at_once(write) -> None:
    tables = changed("sensor.range_sd_m", -1.0)
    tables["poses"]["max_gap_s"] = -2.0
    with pytest.raises(ConfigError, match=r"sensor\.range_sd_m: got -1\.0.*; poses\.max_gap_s: got -2\.0"):
        load_survey(write(tables))


def test_a_map_survey_needs_neither_sensor_nor_poses(write) -> None:
    tables = changed("frame.points", "map")
    del tables["sensor"], tables["poses"]
    survey = load_survey(write(tables))
    assert survey.sensor is None and survey.poses is None and survey.poses_file is None


def test_a_map_survey_may_state_its_range_noise(write) -> None:
    tables = changed("frame.points", "map")
    tables["sensor"] = {"range_sd_m": 0.003}
    del tables["poses"]
    survey = load_survey(write(tables))
    assert survey.sensor is not None
    assert survey.sensor.range_sd_m == 0.003


def test_a_map_survey_is_still_checked(write) -> None:
    tables = changed("frame.points", "map")
    tables["sensor"] = {"range_sd_m": 3.0}
    with pytest.raises(ConfigError, match=r"sensor\.range_sd_m: got 3\.0"):
        load_survey(write(tables))


def test_no_toml_names_file_and_line(write) -> None:
    with pytest.raises(ConfigError, match=r"survey\.toml: not TOML: .*line 2"):
        load_survey(write("[survey]\nname = \n"))


def test_a_missing_file_is_a_read_error(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match=r"absent\.toml: no such file"):
        load_survey(tmp_path / "absent.toml")


def test_every_pattern_must_match(write) -> None:
    with pytest.raises(ConfigError, match=r"scans\.files: got 'more/\*\.laz', which matches no file"):
        load_survey(write(changed("scans.files", ["scans/*.laz", "more/*.laz"])))


def test_a_file_that_two_patterns_match_comes_once(write) -> None:
    survey = load_survey(write(changed("scans.files", ["scans/*.laz", "scans/scan_2.laz"])))
    assert [path.name for path in survey.scan_files] == ["scan_1.laz", "scan_2.laz", "scan_10.laz"]


def test_brackets_in_the_folder_name_are_no_pattern(write, tmp_path: Path) -> None:
    folder = tmp_path / "pass [1]"
    folder.mkdir()
    (folder / "scan_1.laz").touch()
    tables = changed("frame.points", "map")
    del tables["sensor"], tables["poses"]
    tables["scans"]["files"] = ["*.laz"]
    (folder / "survey.toml").write_text(toml_of(tables))
    assert load_survey(folder / "survey.toml").scan_files == (folder / "scan_1.laz",)


def test_foot_paths_start_from_the_survey(write, tmp_path: Path) -> None:
    assert load_survey(write(changed("foot.profile", "feet/own.toml"))).foot_profile == str(tmp_path / "feet/own.toml")


OVERRIDES = {
    "survey.name": ("west apron", lambda s: s.name, "west apron"),
    "frame.gravity": ("0,0,-9.81", lambda s: s.gravity.tolist(), [0.0, 0.0, -1.0]),
    "sensor.mount.translation_m": ("1, 2, 3", lambda s: s.sensor.mount_translation_m.tolist(), [1.0, 2.0, 3.0]),
    "sensor.mount.rotation_xyzw": ("1,0,0,0", lambda s: s.sensor.mount_rotation_xyzw.tolist(), [1.0, 0.0, 0.0, 0.0]),
    "sensor.range_sd_m": ("0.02", lambda s: s.sensor.range_sd_m, 0.02),
    "sensor.beam_divergence_mrad": ("3", lambda s: s.sensor.beam_divergence_rad, 0.003),
    "sensor.min_range_m": ("0.5", lambda s: s.sensor.min_range_m, 0.5),
    "sensor.max_range_m": ("30", lambda s: s.sensor.max_range_m, 30.0),
    "sensor.time_offset_s": ("-0.05", lambda s: s.sensor.time_offset_s, -0.05),
    "poses.position_sd_m": ("0.03", lambda s: s.poses.position_sd_m, 0.03),
    "poses.attitude_sd_deg": ("0.5", lambda s: s.poses.attitude_sd_rad, math.radians(0.5)),
    "poses.max_gap_s": ("1", lambda s: s.poses.max_gap_s, 1.0),
    "poses.refine": ("none", lambda s: s.poses.refine, "none"),
    "foot.profile": ("quadruped", lambda s: s.foot_profile, "quadruped"),
}


@pytest.mark.parametrize("key", OVERRIDES)
def test_overrides_replace_the_file(write, key: str) -> None:
    words, get, expected = OVERRIDES[key]
    assert get(load_survey(write(FULL), {key: words})) == expected


def test_override_paths_start_from_the_working_directory(write, tmp_path: Path, monkeypatch) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    for name in ("a.laz", "b.laz", "p.txt"):
        (elsewhere / name).touch()
    path = write(FULL)
    monkeypatch.chdir(elsewhere)
    survey = load_survey(path, {"scans.files": "a.laz,b.laz", "poses.file": "p.txt", "frame.points": "sensor"})
    assert [file.resolve() for file in survey.scan_files] == [elsewhere / "a.laz", elsewhere / "b.laz"]
    assert survey.poses_file is not None
    assert survey.poses_file.resolve() == elsewhere / "p.txt"


def test_overrides_cover_every_key() -> None:
    assert set(OVERRIDES) | {"scans.files", "poses.file", "frame.points"} | OPTIONAL == {key.name for key in KEYS}


@pytest.mark.parametrize("words", ["wide", "-1", "nan", ""])
def test_bad_overrides_are_named(write, words: str) -> None:
    with pytest.raises(ConfigError, match=r"sensor\.range_sd_m: "):
        load_survey(write(FULL), {"sensor.range_sd_m": words})


def test_the_box_around_the_robot_itself_takes_both_corners_in_order(write) -> None:
    box = {"body.low_m": "-0.5,-0.3,-0.6", "body.high_m": "0.5,0.3,0.1"}
    low, high = load_survey(write(FULL), box).own_body
    assert low.tolist() == [-0.5, -0.3, -0.6]
    assert high.tolist() == [0.5, 0.3, 0.1]
    assert load_survey(write(FULL)).own_body is None
    with pytest.raises(ConfigError, match=r"body: got only body\.low_m, expected both corners or neither"):
        load_survey(write(FULL), {"body.low_m": "0,0,0"})
    with pytest.raises(ConfigError, match=r"body\.high_m: got \[0\.5, -0\.3, 0\.1\], expected more than body\.low_m"):
        load_survey(write(FULL), box | {"body.high_m": "0.5,-0.3,0.1"})


def test_unknown_overrides_are_named(write) -> None:
    with pytest.raises(ConfigError, match=r'sensor\.range: unknown override.*nearest: "sensor\.range_sd_m"'):
        load_survey(write(FULL), {"sensor.range": "1"})


@given(direction=st.tuples(*[st.floats(-10.0, 10.0)] * 3).filter(lambda v: math.dist(v, (0, 0, 0)) > 1e-3))
def test_gravity_comes_as_a_unit_vector(tmp_path_factory, direction: tuple[float, float, float]) -> None:
    folder = tmp_path_factory.mktemp("survey")
    (folder / "points.las").touch()
    tables = {
        "survey": {"name": "n"},
        "frame": {"points": "map", "gravity": list(direction)},
        "scans": {"files": ["points.las"]},
        "foot": {"profile": "biped"},
    }
    (folder / "survey.toml").write_text(toml_of(tables))
    gravity = load_survey(folder / "survey.toml").gravity
    assert np.linalg.norm(gravity) == pytest.approx(1.0, abs=1e-12)
    assert np.dot(gravity, direction) == pytest.approx(np.linalg.norm(direction), rel=1e-12)


def test_the_example_survey_of_the_project_loads(tmp_path: Path) -> None:
    example = Path(__file__).parents[2] / "configs" / "surveys" / "example.toml"
    (tmp_path / "scans").mkdir()
    (tmp_path / "scans" / "scan_1.laz").touch()
    (tmp_path / "poses.txt").touch()
    (tmp_path / "survey.toml").write_text(example.read_text())
    assert load_survey(tmp_path / "survey.toml").name == "dry dock, east apron"


@pytest.mark.parametrize("kind", ["feet/biped.toml", "sensors/spinning.toml", "targets/example.toml"])
def test_a_file_of_another_kind_is_told_in_one_short_line(kind: str) -> None:
    with pytest.raises(
        ConfigError, match=r"got a file of another kind, with .*; expected one with survey, frame"
    ) as it:
        load_survey(configs_folder() / kind)
    assert len(str(it.value)) < 400
