"""`terrain assess` from the outside: exit codes, what it says, what it leaves, and that bytes repeat."""

from __future__ import annotations

import csv
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import laspy
import numpy as np
import pytest
from click.testing import CliRunner, Result

from terrain.cli.main import cli
from tests.support.clouds import write_laz
from tests.support.surveys import BLOCK_TOP_M, GOING_M, RISE_M, write_map_survey, write_sensor_survey

ROOT = Path(__file__).parents[2]


def run(*args: object) -> Result:
    return CliRunner().invoke(cli, [str(arg) for arg in args])


def one_line(result: Result) -> str:
    """Return what a failed command said: one line on stderr, nothing on stdout."""
    said = result.stderr.splitlines()
    assert len(said) == 1, result.stderr
    assert result.stdout == ""
    return said[0]


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file of a map; of the manifest what must repeat."""
    found = {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}
    manifest = json.loads(found["map.json"])
    for volatile in ("timings_s", "created", "software"):
        del manifest[volatile]
    found["map.json"] = json.dumps(manifest, sort_keys=True).encode()
    return found


@pytest.fixture(scope="module")
def fused(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_map_survey(tmp_path_factory.mktemp("fused"))


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_sensor_survey(tmp_path_factory.mktemp("walked"))


@pytest.fixture(scope="module")
def fused_map(fused: Path) -> Path:
    result = run("assess", fused, "--out", fused.parent / "map")
    assert result.exit_code == 0, result.stderr
    return fused.parent / "map"


@pytest.fixture(scope="module")
def walked_map(walked: Path) -> Path:
    result = run("assess", walked, "--out", walked.parent / "map")
    assert result.exit_code == 0, result.stderr
    return walked.parent / "map"


# --------------------------------------------------------------------------- done


@pytest.mark.parametrize("kind", ["fused", "walked"])
def test_the_map_holds_what_the_format_says(kind: str, request: pytest.FixtureRequest) -> None:
    folder = request.getfixturevalue(f"{kind}_map")
    names = {path.name for path in folder.iterdir()}
    assert {"map.json", "patches.gpkg", "level-0.tif", "cloud.laz"} <= names
    assert not [path for path in folder.parent.iterdir() if path.name.startswith((".map", "map."))]
    manifest = json.loads((folder / "map.json").read_text())
    counts = manifest["counts"]
    points = laspy.read(folder / "cloud.laz")
    assert counts["points_read"] == len(points.x) + sum(counts["points_dropped"].values())
    assert {"patch_id", "label"} <= set(points.point_format.extra_dimension_names)


PLACES = [  # x, y, yaw in degrees, acceptable labels, and a reason that must be among those given
    (0.2, -0.4, 0.0, {"steppable"}, None),
    (0.2, 0.3, 90.0, {"steppable"}, None),
    (-0.65, 0.35, 0.0, {"steppable", "marginal"}, None),
    (-0.42, 0.35, 0.0, {"unsteppable"}, "edge"),  # toe far over the block's border
    (0.2, 0.8, 90.0, {"unsteppable", "unobserved"}, "edge"),  # toe past the end of the floor
    (1.022, 0.0, 0.0, {"marginal", "unsteppable"}, "beside"),  # toe 8 mm from the riser
    (1.15, 0.0, 0.0, {"unsteppable"}, "slope"),  # toe on the tread above
    (9.0, 9.0, 0.0, {"unobserved"}, "no-ground"),
]


@pytest.mark.parametrize("kind", ["fused", "walked"])
def test_the_verdicts_are_those_of_the_yard(kind: str, request: pytest.FixtureRequest, tmp_path: Path) -> None:
    folder = request.getfixturevalue(f"{kind}_map")
    table, out = tmp_path / "placements.csv", tmp_path / "verdicts.csv"
    table.write_text("x_m,y_m,yaw_deg\n" + "".join(f"{x},{y},{yaw}\n" for x, y, yaw, *_ in PLACES))
    assert run("ask", folder, "--from", table, "--out", out).exit_code == 0
    with out.open(newline="") as rows:
        verdicts = list(csv.DictReader(rows))
    assert len(verdicts) == len(PLACES)
    for verdict, (x, y, _, labels, reason) in zip(verdicts, PLACES, strict=True):
        assert verdict["label"] in labels, (x, y, verdict)
        assert reason is None or reason in verdict["reasons"].split(";"), (x, y, verdict)
        if verdict["label"] == "steppable":
            assert verdict["reasons"] == ""
            assert float(verdict["slope_deg"]) < 1.0
    assert float(verdicts[0]["z_m"]) == pytest.approx(0.0, abs=0.004)
    assert float(verdicts[2]["z_m"]) == pytest.approx(BLOCK_TOP_M, abs=0.004)
    treads = [f"{1.2 + GOING_M * (k + 0.5)},0.0,90" for k in (0, 1)]
    for k, at in enumerate(treads):
        answer = json.loads(run("ask", folder, "--at", at).stdout)
        assert answer["z_m"] == pytest.approx(RISE_M * (k + 1), abs=0.004)
        assert answer["label"] in {"steppable", "marginal"}


def test_the_summary_says_what_was_read_and_what_it_is_not(fused: Path, tmp_path: Path) -> None:
    result = run("assess", fused, "--out", tmp_path / "map")
    assert result.exit_code == 0
    assert "yard, fused" in result.stdout
    assert "not a safety function" in result.stdout
    assert not any(word in result.stdout.lower() for word in (" safe ", "compliant", "certified"))


def test_every_key_has_an_option(fused: Path, tmp_path: Path) -> None:
    result = run("assess", fused, "--out", tmp_path / "map", "--foot", "quadruped", "--survey-name", "by hand")
    assert result.exit_code == 0, result.stderr
    manifest = json.loads((tmp_path / "map" / "map.json").read_text())
    assert manifest["survey"] == "by hand"
    assert manifest["foot"]["si"]["name"] == "quadruped"


# --------------------------------------------------------------------------- an existing map


def test_an_existing_map_is_not_touched_without_replace(fused: Path, fused_map: Path, tmp_path: Path) -> None:
    target = shutil.copytree(fused_map, tmp_path / "map")
    before = {path: path.stat().st_mtime_ns for path in target.rglob("*")}
    result = run("assess", fused, "--out", target)
    assert result.exit_code == 1
    assert str(target) in one_line(result)
    assert {path: path.stat().st_mtime_ns for path in target.rglob("*")} == before
    result = run("assess", fused, "--out", target, "--replace", "--survey-name", "second")
    assert result.exit_code == 0, result.stderr
    assert json.loads((target / "map.json").read_text())["survey"] == "second"
    assert [path.name for path in tmp_path.iterdir()] == ["map"]


# --------------------------------------------------------------------------- wrong usage, wrong data


def test_a_missing_survey_is_wrong_usage(tmp_path: Path) -> None:
    result = run("assess", tmp_path / "none.toml", "--out", tmp_path / "map")
    assert result.exit_code == 2
    assert "none.toml" in result.stderr
    assert not (tmp_path / "map").exists()


def test_a_missing_out_is_wrong_usage(fused: Path) -> None:
    assert run("assess", fused).exit_code == 2


def changed(survey: Path, folder: Path, old: str, new: str) -> Path:
    """Return a copy of a survey with one thing changed; its scans stay where they are."""
    shutil.copytree(survey.parent, folder, ignore=shutil.ignore_patterns("map*"))
    text = (folder / "survey.toml").read_text()
    assert old in text
    (folder / "survey.toml").write_text(text.replace(old, new))
    return folder / "survey.toml"


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ("range_sd_m", "range_sdm", ("sensor.range_sdm", "range_sd_m")),
        ("range_sd_m = 0.003", "range_sd_m = -1", ("sensor.range_sd_m", "-1")),
        ("max_gap_s = 0.2", "", ("poses.max_gap_s", "missing")),
        ("scans/*.laz", "nowhere/*.laz", ("scans.files", "nowhere/*.laz")),
        ('profile = "biped"', 'profile = "centipede"', ("centipede",)),
        ("rotation_xyzw = [0.0, 0.0, 0.0, 1.0]", "rotation_xyzw = [0.0, 0.0, 0.0, 1.1]", ("rotation_xyzw", "1.1")),
        ("[survey]", "[survey", ("survey.toml",)),
    ],
)
def test_a_bad_key_ends_in_one_line_that_names_it(
    walked: Path, tmp_path: Path, old: str, new: str, named: tuple[str, ...]
) -> None:
    survey = changed(walked, tmp_path / "changed", old, new)
    result = run("assess", survey, "--out", tmp_path / "map")
    assert result.exit_code == 1, result.stderr
    line = one_line(result)
    for word in named:
        assert word in line, line
    assert not (tmp_path / "map").exists()


@pytest.mark.parametrize("option", [("--sensor-range-sd-m", "much"), ("--frame-points", "moon")])
def test_a_bad_option_is_wrong_usage(walked: Path, tmp_path: Path, option: tuple[str, str]) -> None:
    result = run("assess", walked, "--out", tmp_path / "map", *option)
    assert result.exit_code == 2
    assert option[1] in result.stderr
    assert not (tmp_path / "map").exists()


def test_an_empty_scan_is_a_warning(fused: Path, tmp_path: Path) -> None:
    survey = changed(fused, tmp_path / "changed", "fused", "fused")
    write_laz(survey.parent / "scans" / "scan_9.laz", np.zeros((0, 3)))
    result = run("assess", survey, "--out", tmp_path / "map")
    assert result.exit_code == 0, result.stderr
    assert "WARNING" in result.stdout
    assert "scan_9.laz" in result.stdout
    assert any("scan_9.laz" in line for line in json.loads((tmp_path / "map" / "map.json").read_text())["warnings"])


def test_no_points_at_all_are_an_error(fused: Path, tmp_path: Path) -> None:
    survey = changed(fused, tmp_path / "changed", "scans/*.laz", "scans/empty.laz")
    write_laz(survey.parent / "scans" / "empty.laz", np.zeros((0, 3)))
    result = run("assess", survey, "--out", tmp_path / "map")
    assert result.exit_code == 1
    assert "no points" in one_line(result)
    assert not (tmp_path / "map").exists()


def test_poses_of_another_time_are_an_error_that_says_both_times(walked: Path, tmp_path: Path) -> None:
    result = run("assess", walked, "--out", tmp_path / "map", "--sensor-time-offset-s", "1000")
    assert result.exit_code == 1
    assert "1000" in one_line(result)
    assert not (tmp_path / "map").exists()


def test_points_outside_the_poses_are_dropped_and_counted(walked: Path, tmp_path: Path) -> None:
    """Poses end half a second before the scans do: those returns are dropped, never placed by the last pose."""
    lines = (walked.parent / "poses.txt").read_text().splitlines()
    (tmp_path / "short.txt").write_text("\n".join(lines[:192]) + "\n")  # a comment and 191 poses, 0 to 9.5 s
    result = run("assess", walked, "--out", tmp_path / "map", "--poses-file", tmp_path / "short.txt")
    assert result.exit_code == 0, result.stderr
    counts = json.loads((tmp_path / "map" / "map.json").read_text())["counts"]
    times = np.concatenate([laspy.read(path).gps_time for path in (walked.parent / "scans").iterdir()]) + 0.25
    assert counts["points_read"] == len(times)
    assert counts["points_dropped"]["outside poses"] == (times > 9.5).sum() > 0


@pytest.mark.parametrize("kind", ["scatter", "three", "line"])
def test_points_without_any_plane_still_make_a_map(tmp_path: Path, kind: str) -> None:
    rng = np.random.default_rng(8)
    xyz = {
        "scatter": rng.uniform(0.0, 1.0, (3000, 3)),
        "three": np.array([[0.0, 0, 0], [0.01, 0, 0], [0, 0.01, 0]]),
        "line": np.linspace(0, 1, 500)[:, None] * [1.0, 2.0, 0.5],
    }[kind]
    survey = write_map_survey(tmp_path / "survey", scans=1)
    write_laz(tmp_path / "survey" / "scans" / "scan_0.laz", xyz)
    result = run("assess", survey, "--out", tmp_path / "map")
    assert result.exit_code == 0, (result.stderr, result.exception)
    manifest = json.loads((tmp_path / "map" / "map.json").read_text())
    assert manifest["warnings"]
    answer = json.loads(run("ask", tmp_path / "map", "--at", "0.5,0.5,0").stdout)
    assert answer["label"] != "steppable"


def test_a_survey_at_map_coordinates_gives_the_same_verdicts(fused_map: Path, tmp_path: Path) -> None:
    """Moved by whole metres to where UTM coordinates lie: heights and labels stay."""
    shift = (400_000.0, 5_600_000.0, 300.0)
    survey = write_map_survey(tmp_path / "far", shift_m=shift)
    assert run("assess", survey, "--out", tmp_path / "map").exit_code == 0
    for x, y, yaw, *_ in PLACES[:4]:
        near = json.loads(run("ask", fused_map, "--at", f"{x},{y},{yaw}").stdout)
        far = json.loads(run("ask", tmp_path / "map", "--at", f"{x + shift[0]},{y + shift[1]},{yaw}").stdout)
        assert far["label"] == near["label"]
        assert far["z_m"] - shift[2] == pytest.approx(near["z_m"], abs=0.002)


# --------------------------------------------------------------------------- the same bytes


def assess_apart(survey: Path, out: Path, *, threads: int) -> None:
    """Assess in a process of its own with so many threads."""
    env = {**os.environ, "NUMBA_NUM_THREADS": str(threads), "OMP_NUM_THREADS": str(threads)}
    command = [sys.executable, "-m", "terrain.cli.main", "assess", str(survey), "--out", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT, env=env, timeout=300)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("kind", ["fused", "walked"])
def test_the_same_survey_gives_the_same_bytes_with_any_number_of_threads(
    kind: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    survey = request.getfixturevalue(kind)
    first = contents(request.getfixturevalue(f"{kind}_map"))
    assess_apart(survey, tmp_path / "one", threads=1)
    assess_apart(survey, tmp_path / "two", threads=2)
    for other in ("one", "two"):
        again = contents(tmp_path / other)
        assert again.keys() == first.keys()
        assert [name for name in first if again[name] != first[name]] == []
