"""Sensors of a survey: classes, several of them, spindles, and keys on how files are read.

No outside source: the format is the project's own. Figures of the classes are common practice, see the files.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from terrain.errors import ConfigError
from terrain.foot import configs_folder
from terrain.survey import load_survey
from terrain.survey_sensors import load_class, sensor_names

HEAD = '[survey]\nname = "west stair"\n[foot]\nprofile = "biped"\n'
POSES = '[poses]\nfile = "poses.txt"\nposition_sd_m = 0.01\nattitude_sd_deg = 0.2\nmax_gap_s = 0.2\n'
FRAME = '[frame]\npoints = "sensor"\n'
MOUNT = "mount = { translation_m = [0.1, 0.0, 0.4], rotation_xyzw = [0.0, 0.0, 0.0, 1.0] }\n"
NOISE = "range_sd_m = 0.01\nbeam_divergence_mrad = 2.0\nmin_range_m = 0.5\nmax_range_m = 30.0\n"
SCANS = '[scans]\nfiles = ["a.pcd"]\n'


@pytest.fixture
def write(tmp_path: Path):
    for name in ("a.pcd", "b.pcd", "poses.txt", "times.txt", "pass.mcap"):
        (tmp_path / name).touch()

    def _write(*parts: str) -> Path:
        path = tmp_path / "survey.toml"
        path.write_text("".join(parts))
        return path

    return _write


def test_classes_come_with_the_package_and_load() -> None:
    assert sensor_names() == ("depth_camera", "solid_state", "spindle", "spinning", "survey_scanner")
    for name in sensor_names():
        assert load_class(name, Path()).name == name


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [("spinning", 0.010, 0.030), ("solid_state", 0.010, 0.030), ("survey_scanner", 0.001, 0.005)],
)
def test_noise_of_a_class_is_what_is_common(name: str, low: float, high: float) -> None:
    """Common practice, no source: spinning and solid state 10 to 30 mm, survey scanner 1 to 5 mm, one sd."""
    assert low <= load_class(name, Path()).table["range_sd_m"] <= high


def test_a_class_fills_in_what_is_left_out_and_the_survey_stands_before_it(write) -> None:
    survey = load_survey(
        write(HEAD, FRAME, "[sensor]\n", MOUNT, 'profile = "spinning"\nmax_range_m = 12.0\n', POSES, SCANS)
    )
    table = load_class("spinning", Path()).table
    assert survey.sensor is not None
    assert survey.sensor.max_range_m == 12.0
    assert survey.sensor.range_sd_m == table["range_sd_m"]
    assert survey.sensor.beam_divergence_rad == pytest.approx(table["beam_divergence_mrad"] / 1000.0)


def test_a_class_may_be_given_on_the_command_line_or_as_a_file(write, tmp_path: Path) -> None:
    text = (configs_folder() / "sensors" / "depth_camera.toml").read_text()
    (tmp_path / "own.toml").write_text(text.replace("range_sd_per_m2 = 0.003", "range_sd_per_m2 = 0.004"))
    path = write(HEAD, FRAME, "[sensor]\n", MOUNT, 'profile = "own.toml"\n', POSES, SCANS)
    survey = load_survey(path)
    assert survey.sensor is not None and survey.sensor.range_sd_per_m2 == 0.004
    survey = load_survey(path, {"sensor.profile": "spinning"})
    assert survey.sensor is not None and survey.sensor.range_sd_per_m2 == 0.0


def test_an_unknown_class_is_named_with_those_there_are(write) -> None:
    path = write(HEAD, FRAME, "[sensor]\n", MOUNT, 'profile = "radar"\n', NOISE, POSES, SCANS)
    with pytest.raises(ConfigError, match=r"sensor\.profile: got 'radar', expected one of depth_camera, solid_state, "):
        load_survey(path)


def test_a_wrong_key_in_a_class_file_is_named_with_the_file(write, tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text('name = "own"\nsummary = "x"\n[sensor]\nrange_sd = 0.1\n' + NOISE)
    path = write(HEAD, FRAME, "[sensor]\n", MOUNT, 'profile = "own.toml"\n', POSES, SCANS)
    with pytest.raises(ConfigError, match=r'own\.toml: sensor\.range_sd: unknown key.*nearest: "range_sd_m"') as caught:
        load_survey(path)
    assert "\n" not in str(caught.value)


def two(first: str = "", second: str = "") -> str:
    return (
        f'[[sensors]]\nname = "mast"\n{MOUNT}{NOISE}files = ["a.pcd"]\n{first}'
        f'[[sensors]]\nname = "chin"\nprofile = "depth_camera"\n{MOUNT}topic = "/chin"\n{second}'
    )


def test_several_sensors_each_with_mount_noise_and_files(write, tmp_path: Path) -> None:
    second = 'files = ["pass.mcap"]\ntime_offset_s = -0.01\ntime_unit = "ns"\ntime_base = "scan"\n'
    survey = load_survey(write(HEAD, FRAME, two(second=second), POSES))
    mast, chin = survey.sensors
    assert (mast.name, chin.name) == ("mast", "chin")
    assert mast.files == (tmp_path / "a.pcd",) and chin.files == (tmp_path / "pass.mcap",)
    assert mast.sensor is not None and chin.sensor is not None
    assert (mast.sensor.range_sd_m, chin.sensor.range_sd_per_m2) == (0.01, 0.003)
    assert chin.sensor.time_offset_s == -0.01
    assert (chin.options.topic, chin.options.time_unit, chin.options.time_base) == ("/chin", "ns", "scan")
    assert survey.sensor is mast.sensor
    assert survey.scan_files == (tmp_path / "a.pcd", tmp_path / "pass.mcap")


def test_sensors_without_own_files_share_those_of_scans(write, tmp_path: Path) -> None:
    survey = load_survey(write(HEAD, FRAME, two(), POSES, '[scans]\nfiles = ["b.pcd"]\ntime_unit = "us"\n'))
    assert survey.sensors[1].files == (tmp_path / "b.pcd",)
    assert [part.options.time_unit for part in survey.sensors] == ["us", "us"]


def test_an_override_holds_for_every_sensor(write) -> None:
    path = write(HEAD, FRAME, two(second='files = ["b.pcd"]\n'), POSES)
    survey = load_survey(path, {"sensor.range_sd_m": "0.05", "scans.time_unit": "ms"})
    assert [part.sensor.range_sd_m for part in survey.sensors if part.sensor is not None] == [0.05, 0.05]
    assert [part.options.time_unit for part in survey.sensors] == ["ms", "ms"]


B = 'files = ["b.pcd"]\n'
BARE = '[[sensors]]\nname = "mast"\n' + NOISE + B


def test_an_override_of_the_files_stands_before_those_of_each_sensor(write, tmp_path: Path, monkeypatch) -> None:
    path = write(HEAD, FRAME, two(second=B), POSES)
    monkeypatch.chdir(tmp_path)
    survey = load_survey(path, {"scans.files": "pass.mcap", "scans.stamps": "times.txt"})
    assert [part.files for part in survey.sensors] == [(Path("pass.mcap"),)] * 2
    assert [part.options.stamps_file for part in survey.sensors] == [Path("times.txt")] * 2


WRONG = [
    (BARE, r"sensors\[mast\]\.mount\.translation_m: missing"),
    ("[[sensors]]\n" + MOUNT + NOISE + B, r"sensors\[1\]\.name: missing, expected text"),
    (two(first="colour = 3\n", second=B), r"sensors\[mast\]\.colour: unknown key with value 3"),
    (two(second='files = ["c.pcd"]\n'), r"sensors\[chin\]\.files: got 'c\.pcd', which matches no file"),
    (two(second=B + "min_range_m = 9.0\n"), r"sensors\[chin\]\.max_range_m: got 4\.0, expected a number above"),
    (two(second=B).replace('"chin"', '"mast"'), r"sensors: got the names mast, mast, expected a name of its own"),
    ("[sensor]\n" + NOISE + MOUNT + two(second=B), r"sensor: got both \[sensor\] and \[\[sensors\]\]"),
    ('[sensors]\nname = "mast"\n' + SCANS, r"sensors: got .*, expected tables that begin with \[\[sensors\]\]"),
    (two(), r"scans\.files: missing"),
]


@pytest.mark.parametrize(("text", "said"), WRONG)
def test_what_is_wrong_with_a_sensor_is_named(write, text: str, said: str) -> None:
    with pytest.raises(ConfigError, match=said) as caught:
        load_survey(write(HEAD, FRAME, text, POSES))
    assert "\n" not in str(caught.value)


SPINDLE = 'spindle = { axis = [0.0, 0.0, 2.0], angle_field = "encoder", angle_unit = "deg", zero_deg = 30.0 }\n'


def test_a_spindle_in_radians(write) -> None:
    survey = load_survey(write(HEAD, FRAME, "[sensor]\n", MOUNT, NOISE, SPINDLE, POSES, SCANS))
    spindle = survey.sensors[0].options.spindle
    assert spindle is not None
    assert spindle.axis.tolist() == [0.0, 0.0, 1.0]
    assert spindle.zero_rad == pytest.approx(math.radians(30.0))
    assert spindle.unit_rad == pytest.approx(math.pi / 180.0)
    assert np.array_equal(spindle.offset_m, np.zeros(3))


def test_half_a_spindle_is_named(write) -> None:
    path = write(HEAD, FRAME, "[sensor]\n", MOUNT, NOISE, "spindle = { axis = [0.0, 0.0, 1.0] }\n", POSES, SCANS)
    with pytest.raises(ConfigError, match=r"sensor\.spindle\.angle_field: missing, expected all of spindle\.axis"):
        load_survey(path)


def test_keys_on_how_to_read(write, tmp_path: Path) -> None:
    poses = (
        POSES + 'topic = "/odom"\nmap_frame = "map"\nbody_frame = "base"\nquaternion = "wxyz"\nstamps = "times.txt"\n'
    )
    scans = SCANS + 'topic = "/points"\ntime_field = "t"\ntime_unit = "ns"\ntime_base = "clock"\nstamps = "times.txt"\n'
    survey = load_survey(write(HEAD, FRAME, "[sensor]\n", MOUNT, NOISE, poses, scans))
    options, how = survey.sensors[0].options, survey.pose_options
    assert (options.topic, options.time_field, options.time_unit, options.time_base) == ("/points", "t", "ns", "clock")
    assert options.stamps_file == how.stamps_file == tmp_path / "times.txt"
    assert (how.topic, how.map_frame, how.body_frame, how.quaternion_order) == ("/odom", "map", "base", "wxyz")


@pytest.mark.parametrize(
    ("section", "key", "said"),
    [
        ("scans", 'time_unit = "min"', r'scans\.time_unit: got \'min\', expected "s" or "ms" or "us" or "ns"'),
        ("scans", 'time_base = "start"', r'scans\.time_base: got \'start\', expected "clock" or "scan"'),
        ("scans", 'stamps = "none.txt"', r"scans\.stamps: got 'none\.txt', but .* is no file"),
        ("poses", 'quaternion = "zyxw"', r'poses\.quaternion: got \'zyxw\', expected "xyzw" or "wxyz"'),
        ("poses", 'stamps = "none.txt"', r"poses\.stamps: got 'none\.txt', but .* is no file"),
    ],
)
def test_wrong_values_of_them_are_named(write, section: str, key: str, said: str) -> None:
    parts = {"poses": POSES, "scans": SCANS}
    parts[section] += key + "\n"
    with pytest.raises(ConfigError, match=said):
        load_survey(write(HEAD, FRAME, "[sensor]\n", MOUNT, NOISE, *parts.values()))


def test_poses_of_an_e57_mean_one_time_a_scan(write, tmp_path: Path) -> None:
    (tmp_path / "a.e57").touch()
    poses, scans = POSES.replace("poses.txt", "a.e57"), SCANS.replace("a.pcd", "a.e57")
    assert (
        load_survey(write(HEAD, FRAME, "[sensor]\n", MOUNT, NOISE, poses, scans)).sensors[0].options.time_base == "scan"
    )


def test_the_folder_of_a_bag_is_a_scan_file(write, tmp_path: Path) -> None:
    (tmp_path / "pass").mkdir()
    (tmp_path / "pass" / "pass_0.mcap").touch()
    (tmp_path / "other").mkdir()
    text = [HEAD, FRAME, "[sensor]\n", MOUNT, NOISE, POSES.replace("poses.txt", "pass"), SCANS.replace("a.pcd", "pass")]
    survey = load_survey(write(*text))
    assert survey.scan_files == (tmp_path / "pass",) == (survey.poses_file,)
    with pytest.raises(ConfigError, match=r"scans\.files: got 'other', which matches no file"):
        load_survey(write(*text[:-1], SCANS.replace("a.pcd", "other")))


def test_the_example_of_several_sensors_loads(tmp_path: Path) -> None:
    example = Path(__file__).parents[2] / "configs" / "surveys" / "example_sensors.toml"
    (tmp_path / "tail").mkdir()
    (tmp_path / "tail" / "scan_1.pcd").touch()
    (tmp_path / "pass.mcap").touch()
    (tmp_path / "survey.toml").write_text(example.read_text())
    survey = load_survey(tmp_path / "survey.toml")
    assert [part.name for part in survey.sensors] == ["mast", "chin", "tail"]
    assert survey.sensors[2].options.spindle is not None
