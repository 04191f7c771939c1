"""`terrain fuse`: the cloud, the poses, the clock and the mount, as a person meets them."""

from __future__ import annotations

import math
import re
from pathlib import Path

import laspy
import numpy as np
import pytest
from click.testing import CliRunner, Result
from scipy.spatial.transform import Rotation

from terrain.cli.main import cli
from terrain.read.poses import read_trajectory
from tests.support.clouds import write_laz
from tests.support.rooms import Pass, Walk, Wrong, off_surface, room, survey_pass
from tests.support.surveys import MAP_SURVEY
from tests.support.walks import Thing, past, scanned

SURVEY = """
[survey]
name = "hall, walked"
[frame]
points = "sensor"
[sensor]
mount = {{ translation_m = [0.1, 0.0, 0.12], rotation_xyzw = [0.0, 0.0, 0.0, 1.0] }}
range_sd_m = 0.008
beam_divergence_mrad = 2.0
min_range_m = 0.4
max_range_m = 25.0
time_offset_s = {offset}
[poses]
file = "poses.txt"
position_sd_m = 0.003
attitude_sd_deg = 0.05
max_gap_s = 0.2
refine = "{refine}"
[scans]
files = ["scans/*.laz"]
[foot]
profile = "biped"
"""
DRIFT = Wrong(drift_m=0.009, drift_rad=0.0032, noise_m=0.001, noise_rad=math.radians(0.02), clock_s=0.02)


def write_pass(folder: Path, made: Pass, *, offset: float = 0.0, refine: str = "auto") -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    poses = made.trajectory
    np.savetxt(folder / "poses.txt", np.column_stack([poses.time_s, poses.position_m, poses.rotation_xyzw]), fmt="%.9f")
    write_laz(folder / "scans" / "a.laz", made.scan.xyz_m, made.scan.time_s)
    (folder / "survey.toml").write_text(SURVEY.format(offset=offset, refine=refine), encoding="utf-8")
    return folder / "survey.toml"


@pytest.fixture(scope="module")
def made() -> Pass:
    return survey_pass(room(), seed=3, wrong=DRIFT, points=120_000)


@pytest.fixture(scope="module")
def survey(made: Pass, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_pass(tmp_path_factory.mktemp("hall"), made)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli, ["fuse", *map(str, arguments)])


def test_the_cloud_and_the_poses_are_written_corrected(survey: Path, made: Pass, tmp_path: Path) -> None:
    cloud, poses = tmp_path / "cloud.laz", tmp_path / "better.txt"
    done = run(survey, "--out", cloud, "--poses-out", poses)
    assert done.exit_code == 0, done.output
    assert "drift: poses moved by up to" in done.stdout and "the frame is kept where the walk starts" in done.stdout
    las = laspy.read(cloud)
    best = np.sqrt((off_surface(room(), made.fused_with_truth(0.02).xyz_map_m) ** 2).mean())
    assert np.sqrt((off_surface(room(), las.xyz) ** 2).mean()) < best + 0.001
    assert las.header.version == "1.4" and las.header.creation_date is None
    corrected, _ = read_trajectory(poses)
    assert np.abs(corrected.position_m - made.true.position_m).max() < 0.02
    assert np.abs(made.trajectory.position_m - made.true.position_m).max() > 0.03
    assert run(survey, "--out", tmp_path / "again.laz").exit_code == 0
    assert (tmp_path / "again.laz").read_bytes() == cloud.read_bytes()


def test_trusted_poses_place_points_as_they_are(survey: Path, made: Pass, tmp_path: Path) -> None:
    done = run(survey, "--out", tmp_path / "cloud.laz", "--poses-refine", "none", "--keep-all")
    assert done.exit_code == 0 and "drift" not in done.stdout
    xyz = laspy.read(tmp_path / "cloud.laz").xyz
    assert np.abs(xyz - made.fused().xyz_map_m).max() < 0.002  # scans in whole millimetres or finer


def test_who_walked_through_is_left_out_of_the_cloud_and_counted(tmp_path: Path) -> None:
    """Which returns are the walker's is known from the simulation, by their times."""
    walker = Thing((-0.15, -0.2, 0.05, 0.15, 0.2, 1.7), past([-2.8, 1.05, 0.0], [4.2, 1.05, 0.0], 10.0))
    seen, hit = scanned([walker, Thing((-6.0, 3.0, 0.0, 6.0, 3.2, 3.0)), Thing((-6.2, -5.0, 0.0, -6.0, 3.0, 3.0))])
    mount = np.array([0.1, 0.0, 0.12])
    write_laz(tmp_path / "scans" / "a.laz", seen.xyz_map_m - seen.view_map_m - mount, seen.time_s)
    at = np.linspace(0.0, 20.0, 2001)
    way = past([-1.0, -1.5, 0.8], [1.0, -1.5, 0.8], 20.0)(at) - mount
    np.savetxt(tmp_path / "poses.txt", np.column_stack([at, way, np.tile([0.0, 0.0, 0.0, 1.0], (2001, 1))]))
    (tmp_path / "survey.toml").write_text(SURVEY.format(offset=0.0, refine="none"))
    clean, full = tmp_path / "clean.laz", tmp_path / "full.laz"
    done = run(tmp_path / "survey.toml", "--out", clean)
    assert done.exit_code == 0, done.output
    left_out = {word: int(count.replace(",", "")) for count, word in re.findall(r", ([\d,]+) (\w+)", done.stdout)}
    assert left_out["kept"] == len(laspy.read(clean).x)
    gone = np.isin(seen.time_s, np.asarray(laspy.read(clean).gps_time), invert=True)
    assert gone[hit == 1].mean() > 0.8 and gone[hit != 1].mean() < 0.001
    assert sum(left_out.get(why, 0) for why in ("moving", "mixed", "isolated")) == gone.sum() > 1000
    done = run(tmp_path / "survey.toml", "--out", full, "--keep-all")
    assert done.exit_code == 0 and "moving" not in done.stdout
    assert len(laspy.read(full).x) == len(seen)


def test_the_clock_is_found_and_the_line_to_paste_works(survey: Path, made: Pass, tmp_path: Path) -> None:
    done = run(survey, "--find-clock-offset")
    assert done.exit_code == 0, done.output
    offset, sd = map(float, re.search(r"clock: ([+-][\d.]+) ms \(sd ([\d.]+) ms\)", done.stdout).groups())
    assert offset == pytest.approx(20.0, abs=1.0) and sd < 1.0
    line = re.search(r"under \[sensor\]: (time_offset_s = .*)", done.stdout).group(1)
    pasted = write_pass(tmp_path / "pasted", made, offset=float(line.split("=")[1]))
    again = run(pasted, "--find-clock-offset")
    assert "the stated offset stands" in again.stdout


def test_too_gentle_a_walk_says_so(tmp_path: Path) -> None:
    gentle = survey_pass(room(), seed=4, walk=Walk("straight", sway=0.0, seconds=12.0), wrong=DRIFT, points=60_000)
    done = run(write_pass(tmp_path, gentle), "--find-clock-offset")
    assert done.exit_code == 0
    assert "clock: cannot be told" in done.stdout and "too gentle" in done.stdout
    assert "time_offset_s" not in done.stdout


def test_the_mount_is_found_and_the_line_to_paste_turns_it_right(made: Pass, tmp_path: Path) -> None:
    written = write_pass(tmp_path, made)
    done = run(
        written, "--find-mount", "--sensor-mount-rotation-xyzw", "0,0.0034906,0,0.9999939"
    )  # 0.4 degrees of pitch
    assert done.exit_code == 0, done.output
    quaternion = re.search(r"rotation_xyzw = \[(.*?)\]", done.stdout).group(1)
    left = Rotation.from_quat([float(part) for part in quaternion.split(",")])
    assert np.degrees(left.magnitude()) < 0.1
    assert "the stated mount stands" not in done.stdout


def test_a_mount_that_is_right_is_left_as_stated(made: Pass, tmp_path: Path) -> None:
    """The room was scanned with the mount that its survey states: no line to paste for what is chance."""
    done = run(write_pass(tmp_path, made), "--find-mount")
    assert done.exit_code == 0, done.output
    assert "the stated mount stands, nothing to change" in done.stdout
    assert "rotation_xyzw" not in done.stdout


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        ([], 2, "nothing to do"),
        (["--out", "cloud.las"], 2, "ends in .laz"),
        (["--out", "no/such/folder/cloud.laz"], 1, "no folder"),
        (["--find-clock-offset", "--sensor-range-sd-m", "-1"], 2, "sensor.range_sd_m"),
    ],
)
def test_wrong_use_is_told_in_a_line(survey: Path, arguments: list[str], code: int, said: str) -> None:
    done = run(survey, *arguments)
    assert done.exit_code == code
    assert said in done.stderr


def test_a_taken_name_is_refused_before_anything_is_read(survey: Path, tmp_path: Path) -> None:
    taken = tmp_path / "cloud.laz"
    taken.write_bytes(b"mine")
    done = run(survey, "--out", taken)
    assert done.exit_code == 1 and "exists already" in done.stderr and "reading" not in done.stderr
    assert taken.read_bytes() == b"mine"
    assert run(survey, "--out", taken, "--replace").exit_code == 0
    assert len(laspy.read(taken).x) > 1000


def test_points_in_the_map_frame_have_no_clock(tmp_path: Path) -> None:
    write_laz(tmp_path / "scans" / "a.laz", np.random.default_rng(1).uniform(0.0, 1.0, (500, 3)))
    (tmp_path / "survey.toml").write_text(MAP_SURVEY)
    done = run(tmp_path / "survey.toml", "--find-clock-offset")
    assert done.exit_code == 0 and "placed already" in done.stdout
    done = run(tmp_path / "survey.toml", "--poses-out", tmp_path / "poses.txt")
    assert done.exit_code == 1 and "no poses to write" in done.stderr
