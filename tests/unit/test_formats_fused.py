"""One walk in every format: the fused cloud is that of the LAZ survey; several sensors, a spindle, growing noise.

The walk is made by SciPy (tests/support/surveys.py); files are written by rosbags, pye57, and by hand in the published
layouts.
"""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import laspy
import numpy as np
import pytest
from click.testing import CliRunner
from scipy.spatial.transform import Rotation

from terrain import fusing, pipeline
from terrain.cli.main import cli
from terrain.data import Cloud
from terrain.errors import DataError
from terrain.survey import load_survey
from tests.support.bags import STORAGES, BagWriter
from tests.support.clouds import write_laz
from tests.support.surveys import SENSOR_SURVEY, write_sensor_survey
from tests.unit.test_read_formats import write_e57

PER_FILE = np.dtype([("x", "<f4"), ("y", "<f4"), ("z", "<f4"), ("t", "<f8")])
PER_MESSAGE = np.dtype([("x", "<f4"), ("y", "<f4"), ("z", "<f4"), ("t", "<u4")])


@pytest.fixture(scope="module")
def walk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a LAZ survey, its scans thinned to a fifth."""
    folder = tmp_path_factory.mktemp("walk")
    write_sensor_survey(folder)
    for path in (folder / "scans").iterdir():
        las = laspy.read(path)
        write_laz(path, np.array(las.xyz)[::5], np.array(las.gps_time)[::5])
    return folder


def fused(survey: Path) -> tuple[Cloud, list[str], list[str]]:
    cloud, report, warnings, *_ = fusing.read_and_fuse(load_survey(survey), lambda *_: None)
    return cloud, list(report.notes), [*warnings, *report.warnings]


def returns(folder: Path) -> tuple[np.ndarray, np.ndarray]:
    files = [laspy.read(path) for path in sorted((folder / "scans").iterdir())]
    return np.concatenate([np.array(f.xyz) for f in files]), np.concatenate([np.array(f.gps_time) for f in files])


def poses(folder: Path) -> np.ndarray:
    return np.loadtxt(folder / "poses.txt")


def same(cloud: Cloud, truth: Cloud, *, tolerance_m: float = 2e-6, tolerance_s: float = 1e-6) -> None:
    assert len(cloud) == len(truth)
    assert cloud.time_s is not None and truth.time_s is not None
    np.testing.assert_allclose(cloud.xyz_map_m, truth.xyz_map_m, rtol=0, atol=tolerance_m)
    np.testing.assert_allclose(cloud.time_s, truth.time_s, rtol=0, atol=tolerance_s)
    np.testing.assert_allclose(cloud.sd_m, truth.sd_m)


def write_files(folder: Path, walk: Path, ending: str, scans: int = 4) -> Path:
    """Write the walk as PLY or PCD by hand, float32 coordinates and float64 times, and its survey."""
    xyz, time = returns(walk)
    rows = np.zeros(len(xyz), PER_FILE)
    rows["x"], rows["y"], rows["z"], rows["t"] = *xyz.T, time
    for k, part in enumerate(np.array_split(rows, scans)):
        if ending == "ply":
            head = f"ply\nformat binary_little_endian 1.0\nelement vertex {len(part)}\nproperty float x\n"
            head += "property float y\nproperty float z\nproperty double t\nend_header\n"
        else:
            head = f"VERSION 0.7\nFIELDS x y z t\nSIZE 4 4 4 8\nTYPE F F F F\nCOUNT 1 1 1 1\nWIDTH {len(part)}\n"
            head += f"HEIGHT 1\nVIEWPOINT 0 0 0 1 0 0 0\nPOINTS {len(part)}\nDATA binary\n"
        (folder / f"scan_{k}.{ending}").write_bytes(head.encode() + part.tobytes())
    (folder / "poses.txt").write_text((walk / "poses.txt").read_text())
    (folder / "survey.toml").write_text(SENSOR_SURVEY.replace("scans/*.laz", f"*.{ending}"))
    return folder / "survey.toml"


@pytest.mark.parametrize("ending", ["ply", "pcd"])
def test_files_with_times_fuse_to_the_same_cloud(tmp_path: Path, walk: Path, ending: str) -> None:
    cloud, notes, _ = fused(write_files(tmp_path, walk, ending))
    truth, _, _ = fused(walk / "survey.toml")
    same(cloud, truth)
    assert any(f"times of .{ending} files: field t (float64)" in note and "seconds" in note for note in notes)


def write_bag(folder: Path, walk: Path, storage: str, *, transforms: bool) -> Path:
    """Write the walk as a bag of 100 messages with times in nanoseconds from each stamp; the sensor's clock is late."""
    xyz, time = returns(walk)
    rows = np.zeros(len(xyz), PER_MESSAGE)
    rows["x"], rows["y"], rows["z"] = xyz.T
    edges = np.searchsorted(time, np.arange(0.0, 10.0, 0.1) - 0.25)
    with BagWriter(folder, storage) as bag:
        if transforms:
            bag.transforms("/tf_static", 0.0, [("base", "lidar", (0.1, 0.0, 0.2), (0, 0, 0, 1))])
        for t, *place in poses(walk):
            if transforms:
                bag.transforms("/tf", t + 100.0, [("odom", "base", place[:3], place[3:])])
            else:
                bag.odometry("/odom", t + 100.0, place[:3], place[3:])
        for k, part in enumerate(np.split(np.arange(len(xyz)), edges[1:])):
            stamp = 100.0 - 0.25 + 0.1 * k
            message = rows[part]
            message["t"] = np.round((time[part] + 100.0 - stamp) * 1e9)
            bag.cloud("/points", message, stamp, recorded_s=stamp + 0.5)
    name = bag.path.name
    text = SENSOR_SURVEY.replace("scans/*.laz", name).replace("poses.txt", name)
    (folder / "survey.toml").write_text(text)
    return folder / "survey.toml"


@pytest.mark.parametrize("storage", STORAGES)
def test_a_bag_with_odometry_fuses_to_the_same_cloud(tmp_path: Path, walk: Path, storage: str) -> None:
    cloud, notes, warnings = fused(write_bag(tmp_path, walk, storage, transforms=False))
    truth, _, _ = fused(walk / "survey.toml")
    assert truth.time_s is not None
    same(cloud, dataclasses.replace(truth, time_s=truth.time_s + 100.0))
    assert any("nanoseconds from the scan's header stamp" in note for note in notes), notes
    assert warnings == []


def test_what_is_wrong_with_a_bag_of_scans_and_poses_is_told_once(tmp_path: Path, walk: Path) -> None:
    survey = write_bag(tmp_path, walk, "mcap", transforms=False)
    (file,) = tmp_path.rglob("*.mcap")
    file.write_bytes(file.read_bytes()[:-200])
    _, _, warnings = fused(survey)
    assert [line for line in warnings if "cut short" in line] == [warnings[0]]


def test_a_bag_with_transforms_fuses_to_the_same_cloud(tmp_path: Path, walk: Path) -> None:
    cloud, _, _ = fused(write_bag(tmp_path, walk, "mcap", transforms=True))
    truth, _, _ = fused(walk / "survey.toml")
    assert truth.time_s is not None
    same(cloud, dataclasses.replace(truth, time_s=truth.time_s + 100.0))


def test_the_survey_that_look_writes_runs_as_it_is(tmp_path: Path, walk: Path) -> None:
    """`terrain look` on a bag with transforms: mount, poses and times come from the bag."""
    path = write_bag(tmp_path, walk, "mcap", transforms=True)
    written = CliRunner().invoke(cli, ["look", str(tmp_path / "pass"), "--survey"])
    assert written.exit_code == 0, written.output
    path.write_text(written.output.replace('profile = "spinning"', 'profile = "spinning"\ntime_offset_s = 0.25'))
    survey = load_survey(path)
    assert survey.sensor is not None
    assert survey.sensor.mount_translation_m.tolist() == [0.1, 0.0, 0.2]
    assert survey.sensors[0].options.time_unit == "ns"
    cloud, _, _ = fused(path)
    truth, _, _ = fused(walk / "survey.toml")
    share = len(cloud) / len(truth)
    assert 0.9 < share <= 1.0  # the class's nearest range is 0.5 m, the walk's survey has 0.1 m


def test_stations_of_an_e57_fuse_to_the_points_in_its_frame(tmp_path: Path) -> None:
    rng = np.random.default_rng(12)
    turns = Rotation.from_euler("zyx", rng.uniform(-0.5, 0.5, (3, 3)))
    stations = [(rng.uniform(1.0, 5.0, (2000, 3)), rng.normal(0.0, 3.0, 3), turns[k].as_quat()) for k in range(3)]
    write_e57(tmp_path / "site.e57", stations)
    text = SENSOR_SURVEY.replace("scans/*.laz", "site.e57").replace("poses.txt", "site.e57")
    text = text.replace("translation_m = [0.1, 0.0, 0.2]", "translation_m = [0.0, 0.0, 0.0]")
    (tmp_path / "survey.toml").write_text(text.replace("time_offset_s = 0.25", "time_offset_s = 0.0"))
    cloud, _, _ = fused(tmp_path / "survey.toml")
    expected = np.concatenate([Rotation.from_quat(turn).apply(own) + place for own, place, turn in stations])
    np.testing.assert_allclose(cloud.xyz_map_m, expected, rtol=0, atol=2e-6)
    assert cloud.view_map_m is not None
    views = cloud.view_map_m + cloud.origin_m
    np.testing.assert_allclose(views[::2000], [place for _, place, _ in stations], atol=1e-6)


def test_kitti_scans_and_matrices_fuse_in_a_level_map(tmp_path: Path) -> None:
    """Camera axes: x right, y down, z forward, so gravity is +y; SciPy places the same points."""
    rng = np.random.default_rng(13)
    calib = Rotation.from_matrix([[0, -1, 0], [0, 0, -1], [1, 0, 0]])  # lidar x forward, y left, z up, to camera
    turns = Rotation.from_rotvec(np.outer(0.1 * np.arange(3), [0.0, 1.0, 0.0]))
    lines, expected = [], []
    for k in range(3):
        own = rng.uniform(1.0, 8.0, (500, 3)).astype(np.float32)
        rows = np.column_stack([own, rng.uniform(0, 1, 500)]).astype("<f4")
        (tmp_path / f"{k:06d}.bin").write_bytes(rows.tobytes())
        place = np.array([0.05 * k, 0.0, 0.9 * k])
        lines.append(" ".join(map(repr, np.column_stack([turns[k].as_matrix(), place]).ravel().tolist())))
        in_camera = calib.apply(own.astype(np.float64)) + np.array([0.0, -0.08, -0.27])
        expected.append(turns[k].apply(in_camera) + place)
    (tmp_path / "poses.txt").write_text("\n".join(lines))
    mount = ", ".join(map(repr, calib.as_quat().tolist()))
    text = SENSOR_SURVEY.replace("scans/*.laz", "*.bin").replace("time_offset_s = 0.25", "time_offset_s = 0.0")
    text = text.replace("[0.1, 0.0, 0.2]", "[0.0, -0.08, -0.27]").replace("[0.0, 0.0, 0.0, 1.0]", f"[{mount}]")
    text = text.replace('points = "sensor"', 'points = "sensor"\ngravity = [0.0, 1.0, 0.0]')
    (tmp_path / "survey.toml").write_text(text)
    cloud, notes, warnings = fused(tmp_path / "survey.toml")
    level = Rotation.from_matrix([[1, 0, 0], [0, 0, 1], [0, -1, 0]])  # the smallest turn that takes -y to +z
    np.testing.assert_allclose(cloud.xyz_map_m, level.apply(np.concatenate(expected)), atol=1e-6)
    assert any("number in the name" in note for note in notes)
    assert any("each scan counts as one instant" in warning for warning in warnings)


TWO = """
[[sensors]]
name = "fore"
mount = { translation_m = [0.1, 0.0, 0.2], rotation_xyzw = [0.0, 0.0, 0.0, 1.0] }
range_sd_m = 0.003
beam_divergence_mrad = 2.0
min_range_m = 0.1
max_range_m = 20.0
time_offset_s = 0.25
files = ["fore.ply"]
[[sensors]]
name = "aft"
mount = { translation_m = [-0.3, 0.1, 0.0], rotation_xyzw = [0.0, 0.0, 1.0, 0.0] }
profile = "depth_camera"
min_range_m = 0.1
max_range_m = 20.0
time_offset_s = -0.5
files = ["aft.ply"]
[sens"""


def test_two_sensors_with_mount_clock_and_noise_of_their_own(tmp_path: Path, walk: Path) -> None:
    """Every second return is seen by a sensor that looks back, with a clock of its own and noise that grows."""
    xyz, time = returns(walk)
    write_files(tmp_path, walk, "ply", scans=1)
    whole = (tmp_path / "scan_0.ply").read_bytes()
    (tmp_path / "scan_0.ply").unlink()
    head, rows = whole[: -20 * len(xyz)], np.frombuffer(whole[-20 * len(xyz) :], PER_FILE)
    fore, aft = rows[::2].copy(), rows[1::2].copy()
    back = Rotation.from_quat([0.0, 0.0, 1.0, 0.0])
    moved = back.inv().apply(xyz[1::2] + np.array([0.4, -0.1, 0.2]))
    aft["x"], aft["y"], aft["z"], aft["t"] = *moved.T, time[1::2] + 0.75
    for name, part in (("fore", fore), ("aft", aft)):
        counted = head.replace(b"vertex %d" % len(rows), b"vertex %d" % len(part))
        (tmp_path / f"{name}.ply").write_bytes(counted + part.tobytes())
    text = SENSOR_SURVEY[: SENSOR_SURVEY.index("[sensor]")] + TWO.removesuffix("[sens")
    text += SENSOR_SURVEY[SENSOR_SURVEY.index("[poses]") : SENSOR_SURVEY.index("[scans]")]
    (tmp_path / "survey.toml").write_text(text + '[foot]\nprofile = "biped"\n')
    cloud, _, _ = fused(tmp_path / "survey.toml")
    truth, _, _ = fused(walk / "survey.toml")
    order = np.concatenate([np.arange(0, len(xyz), 2), np.arange(1, len(xyz), 2)])
    np.testing.assert_allclose(cloud.xyz_map_m, truth.xyz_map_m[order], rtol=0, atol=3e-6)
    assert cloud.time_s is not None and truth.time_s is not None
    np.testing.assert_allclose(cloud.time_s, truth.time_s[order], atol=1e-6)
    np.testing.assert_allclose(cloud.sd_m[: len(fore)], truth.sd_m[: len(fore)])
    grown = np.sqrt(0.002**2 + (0.003 * (moved**2).sum(axis=1)) ** 2 + 0.001**2)
    np.testing.assert_allclose(cloud.sd_m[len(fore) :], grown, rtol=1e-4)
    settings = pipeline.settings_of(load_survey(tmp_path / "survey.toml"))
    assert [sensor["name"] for sensor in settings["sensors"]] == ["fore", "aft"]


def test_a_line_scanner_on_a_spindle(tmp_path: Path, walk: Path) -> None:
    """The encoder's angle, in degrees, turns each point back: SciPy turned it away."""
    xyz, time = returns(walk)
    angle = (37.0 * time) % 360.0
    axis, offset = np.array([0.0, 0.6, 0.8]), np.array([0.02, 0.0, 0.01])
    turn = Rotation.from_rotvec(np.outer(np.radians(angle + 5.0), axis))
    rows = np.zeros(len(xyz), np.dtype([("x", "<f8"), ("y", "<f8"), ("z", "<f8"), ("t", "<f8"), ("encoder", "<f8")]))
    rows["x"], rows["y"], rows["z"] = (turn.inv().apply(xyz) - offset).T
    rows["t"], rows["encoder"] = time, angle
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {len(rows)}\n"
    head += "".join(f"property double {name}\n" for name in rows.dtype.names or ()) + "end_header\n"
    (tmp_path / "lines.ply").write_bytes(head.encode() + rows.tobytes())
    (tmp_path / "poses.txt").write_text((walk / "poses.txt").read_text())
    spindle = 'spindle = { axis = [0.0, 0.6, 0.8], angle_field = "encoder", angle_unit = "deg", zero_deg = 5.0, '
    spindle += "offset_m = [0.02, 0.0, 0.01] }\n"
    text = SENSOR_SURVEY.replace("scans/*.laz", "lines.ply").replace("[poses]", spindle + "[poses]")
    (tmp_path / "survey.toml").write_text(text)
    cloud, _, _ = fused(tmp_path / "survey.toml")
    truth, _, _ = fused(walk / "survey.toml")
    same(cloud, truth)
    (tmp_path / "survey.toml").write_text(text.replace('"encoder"', '"angle"'))
    with pytest.raises(DataError, match=r"lines\.ply: got the fields x, y, z, t, encoder, expected 'angle'"):
        fused(tmp_path / "survey.toml")


def test_no_time_where_poses_are_needed_names_what_would_do(tmp_path: Path, walk: Path) -> None:
    survey = write_files(tmp_path, walk, "ply", scans=1)
    path = tmp_path / "scan_0.ply"
    path.write_bytes(path.read_bytes().replace(b"double t\n", b"double q\n"))
    with pytest.raises(DataError, match=r"scan_0\.ply: got points without times, expected .*scans\.stamps"):
        fused(survey)


def test_look_as_text_and_as_json(tmp_path: Path, walk: Path) -> None:
    write_bag(tmp_path, walk, "db3", transforms=True)
    said = CliRunner().invoke(cli, ["look", str(tmp_path / "pass")])
    assert said.exit_code == 0, said.output
    held = ("ROS 2 bag, sqlite3", "100 messages, 10", "x float32", "nanoseconds", "odom > base", "survey.toml")
    for words in held:
        assert words in said.output, words
    told = CliRunner().invoke(cli, ["look", str(tmp_path / "pass"), "--json"])
    contents = json.loads(told.output)
    points = next(stream for stream in contents["streams"] if stream["name"] == "/points")
    xyz, _ = returns(walk)
    assert abs(points["points"] - len(xyz)) < 0.15 * len(xyz)  # about: the first messages stand for all
    assert points["time"]["unit"] == "ns" and points["time"]["base"] == "stamp"
    assert points["fields"] == {"x": "float32", "y": "float32", "z": "float32", "t": "uint32"}


@pytest.mark.parametrize("name", ["scan_0.ply", "poses.txt"])
def test_look_on_files(tmp_path: Path, walk: Path, name: str) -> None:
    write_files(tmp_path, walk, "ply", scans=1)
    told = CliRunner().invoke(cli, ["look", str(tmp_path / name), "--json"])
    assert told.exit_code == 0, told.output
    (stream,) = json.loads(told.output)["streams"]
    xyz, _ = returns(walk)
    if name == "poses.txt":
        assert stream["messages"] == len(poses(walk))
        assert stream["rate_hz"] == pytest.approx(20.0)
        return
    assert stream["points"] == len(xyz)
    np.testing.assert_allclose(stream["low_m"], xyz.min(axis=0), atol=1e-6)
    np.testing.assert_allclose(stream["high_m"], xyz.max(axis=0), atol=1e-6)


@pytest.mark.parametrize("name", ["nothing.pcd", "notes.md"])
def test_look_at_what_it_cannot_read(tmp_path: Path, name: str) -> None:
    if name == "notes.md":
        (tmp_path / name).write_text("# notes")
    result = CliRunner().invoke(cli, ["look", str(tmp_path / name)])
    assert result.exit_code == (2 if name == "nothing.pcd" else 1)
    assert name in result.output
