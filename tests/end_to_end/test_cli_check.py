"""`terrain check` by hand: exit codes, report, data, history, wrong input, and real scans."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import jsonschema
import laspy
import numpy as np
import pytest
from click.testing import CliRunner, Result

import terrain.sensor
from terrain.cli.main import cli
from terrain.pipeline import assess
from tests.support.plates import ROOM, STANDS, Truth, simulate, write_survey

SHARED = Path(__file__).parents[2].parent / "shared" / "data"
SCHEMA = json.loads((Path(terrain.sensor.__file__).parent / "check.schema.json").read_text())
FEW = {"plates": ROOM[:6], "stands": STANDS[:2]}


@pytest.fixture(autouse=True)
def no_shared_history(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("TERRAIN_CHECKS", raising=False)


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(cli, ["check", *map(str, words)])


NASTY = '<script>alert(1)</script> & $x_1$ "q"'


@pytest.fixture(scope="module")
def right(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A survey with a sensor that is as stated; one target's name and the set-up's are nasty."""
    survey = write_survey(tmp_path_factory.mktemp("right"), simulate(2, Truth(points=1500), **FEW))
    targets = survey.parent / "targets.toml"
    words = targets.read_text().replace('"floor"', json.dumps(NASTY)).replace('"eight plates"', json.dumps(NASTY))
    targets.write_text(words)
    return survey


@pytest.fixture(scope="module")
def passed(right: Path) -> Result:
    return run(right, right.parent / "targets.toml", "--out", right.parent / "report.html")


@pytest.fixture(scope="module")
def wrong(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A survey whose mount is half a degree off in pitch."""
    made = simulate(3, Truth(points=700, turn_deg=(0.0, 0.5, 0.0)), **FEW)
    return write_survey(tmp_path_factory.mktemp("wrong"), made)


@pytest.fixture(scope="module")
def failed(wrong: Path) -> Result:
    return run(wrong, wrong.parent / "targets.toml", "--out", wrong.parent / "before")


# --------------------------------------------------------------------------- exit codes


def test_a_right_sensor_exits_0_with_report_data_and_history(right: Path, passed: Result) -> None:
    assert passed.exit_code == 0, (passed.stdout, passed.stderr, passed.exception)
    assert passed.stdout.startswith("PASS: sensor 'sensor', plates")
    data = json.loads((right.parent / "report.json").read_text())
    jsonschema.Draft202012Validator(SCHEMA).validate(data)
    assert data["verdict"] == "pass" and len(data["targets"]) == 6
    assert (right.parent / "sensor-checks.sqlite").is_file()
    assert list(right.parent.glob(".*")) == []  # nothing half-written


def test_a_wrong_mount_exits_3_and_its_own_line_mends_it(wrong: Path, failed: Result) -> None:
    assert failed.exit_code == 3, (failed.stdout, failed.stderr)
    (line,) = [words.strip() for words in failed.stdout.splitlines() if words.strip().startswith("mount = {")]
    assert json.loads((wrong.parent / "before.json").read_text())["across"]["mount_line"] == line
    mended = wrong.with_name("mended.toml")
    mended.write_text(re.sub(r"(?m)^mount = .*$", line, wrong.read_text()))
    again = run(
        mended, wrong.parent / "targets.toml", "--out", wrong.parent / "after", "--history-file", wrong.parent / "b"
    )
    assert "fail " not in again.stdout and again.exit_code in (0, 4), again.stdout
    across = json.loads((wrong.parent / "after.json").read_text())["across"]["quantities"]
    pitch = next(one for one in across if one["name"] == "mount pitch")
    assert abs(pitch["value"]) < 0.01 and pitch["decision"] == "pass"


def test_one_floor_alone_exits_4_and_says_what_to_add(tmp_path: Path) -> None:
    survey = write_survey(tmp_path / "s", simulate(4, Truth(points=500), plates=ROOM[:1], stands=STANDS[:2]))
    done = run(survey, survey.parent / "targets.toml", "--out", tmp_path / "r")
    assert done.exit_code == 4
    assert "cannot tell yaw, forward, left" in done.stdout and "to add: an upright surface" in done.stdout
    assert "mount = {" not in done.stdout
    data = json.loads((tmp_path / "r.json").read_text())
    jsonschema.Draft202012Validator(SCHEMA).validate(data)
    assert data["across"]["mount_line"] is None and data["across"]["to_add"]


def test_without_targets_only_the_checks_that_need_none(right: Path, tmp_path: Path) -> None:
    done = run(right, "--out", tmp_path / "r", "--history-file", tmp_path / "h.sqlite")
    assert done.exit_code == 4  # no two passes, no spindle, no rings: nothing was decided
    assert "no two passes in opposite directions" in done.stdout
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    for said in (done.stdout, page):  # relative checks cannot see a common offset (ASTM E2938, scope, from memory)
        assert "the height of the mount or a range offset, was not checked" in said
    assert "At a glance" not in page  # there is nothing to draw there
    jsonschema.Draft202012Validator(SCHEMA).validate(json.loads((tmp_path / "r.json").read_text()))


# --------------------------------------------------------------------------- the page


def test_the_page_is_one_file_and_escapes_what_comes_from_files(right: Path, passed: Result) -> None:
    page = (right.parent / "report.html").read_text(encoding="utf-8")
    assert "<script" not in page.lower()
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; $x_1$" in page
    links = re.findall(r"""(?:src|href)\s*=\s*["']([^"']+)""", page)
    assert links and all(link.startswith(("#", "data:")) for link in links), links[:5]
    assert "@import" not in page and "url(http" not in page
    pictures = re.findall(r"<svg.*?</svg>", page, flags=re.DOTALL)
    assert len(pictures) >= 7
    for picture in pictures:
        ET.fromstring(picture)
    assert "No target was used" not in passed.stdout + page
    assert "No certificate" in passed.stdout and "Cautions" in page and "Any knock" in page


def test_the_same_input_gives_the_same_data(right: Path, passed: Result, tmp_path: Path) -> None:
    again = tmp_path / "again.html"
    run(right, right.parent / "targets.toml", "--out", again, "--history-file", tmp_path / "h.sqlite")
    one, other = (json.loads(path.read_text()) for path in (right.parent / "report.json", tmp_path / "again.json"))
    assert {**one, "done_utc": ""} == {**other, "done_utc": ""}
    first, second = ((right.parent / "report.html").read_text(), again.read_text())
    dated = r"20\d\d-\d\d-\d\d \d\d:\d\d"
    assert re.sub(dated, "", first) == re.sub(dated, "", second)


# --------------------------------------------------------------------------- history and assess


def test_history_shows_the_trend(wrong: Path, failed: Result, tmp_path: Path) -> None:
    again = run(wrong, wrong.parent / "targets.toml", "--out", tmp_path / "b")
    assert again.exit_code == failed.exit_code == 3
    assert "1 earlier check" in (tmp_path / "b.html").read_text()
    done = run(wrong, "--history", "--out", tmp_path / "trend.png")
    assert done.exit_code == 0, done.stderr
    assert done.stdout.count("fail") == 2 and "mount pitch, deg" in done.stdout
    assert (tmp_path / "trend.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    twice = run(wrong, "--history", "--out", tmp_path / "trend.png")
    assert twice.exit_code == 1 and "--replace" in twice.stderr


def test_assess_warns_of_the_failed_check(wrong: Path, failed: Result, tmp_path: Path) -> None:
    assert failed.exit_code == 3
    summary = assess(wrong, tmp_path / "map")
    assert any("sensor check of 'sensor'" in words and "failed" in words for words in summary.warnings)


# --------------------------------------------------------------------------- wrong input


def test_wrong_usage_exits_2(right: Path, tmp_path: Path) -> None:
    targets = right.parent / "targets.toml"
    assert run(right, targets).exit_code == 2
    assert run(tmp_path / "none.toml", targets, "--out", tmp_path / "r").exit_code == 2
    assert run(right, tmp_path / "none.toml", "--out", tmp_path / "r").exit_code == 2
    assert run(right, targets, "--history").exit_code == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--only", "rear"), "got sensor 'rear', expected one of sensor"),
        (("--out", "missing/r"), "no such folder"),
        (("--history-file", "scans"), "is a directory"),
    ],
)
def test_wrong_input_is_one_line_and_leaves_nothing(
    words: tuple[str, str], said: str, right: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(right.parent)
    done = run(right, right.parent / "targets.toml", "--out", tmp_path / "r", *words)
    assert done.exit_code in (1, 2) and said in done.stderr and done.stdout == ""
    assert list(tmp_path.iterdir()) == []


def test_an_existing_report_is_left_alone(right: Path, tmp_path: Path) -> None:
    (tmp_path / "r.json").write_text("mine")
    done = run(right, right.parent / "targets.toml", "--out", tmp_path / "r.html")
    assert done.exit_code == 1 and "exists already" in done.stderr and len(done.stderr.splitlines()) == 1
    assert (tmp_path / "r.json").read_text() == "mine" and not (tmp_path / "r.html").exists()


def test_no_history_yet_says_how_to_begin(right: Path, tmp_path: Path) -> None:
    done = run(right, "--history", "--history-file", tmp_path / "none.sqlite")
    assert done.exit_code == 1 and "no checks yet" in done.stderr


# --------------------------------------------------------------------------- real scans


def real(name: str) -> Path:
    if not (SHARED / name).is_dir():
        pytest.skip(f"{SHARED / name} is missing: real scans are not part of the repository")
    return SHARED / name


STANDING = """
[survey]
name = "one revolution, standing still"
[frame]
points = "sensor"
[sensor]
mount = {{ translation_m = [0.0, 0.0, 0.0], rotation_xyzw = [0.0, 0.0, 0.0, 1.0] }}
range_sd_m = 0.015
beam_divergence_mrad = 3.0
min_range_m = 0.5
max_range_m = 30.0
[poses]
file = "poses.txt"
position_sd_m = 0.001
attitude_sd_deg = 0.05
max_gap_s = 3600.0
refine = "none"
[scans]
files = ["{scans}/*.laz"]
[foot]
profile = "biped"
"""


def test_a_real_floor_under_a_standing_lidar(tmp_path: Path) -> None:
    """Measured by others: floor 1.315 m below the sensor, RMS 7.7 mm within 5 m; its class allows 10 to 30 mm of noise.

    The floor alone is refused as a mount check; what it shows (bias, noise, flatness) is reported all the same.
    """
    source = real("static_floor")
    times = np.concatenate([laspy.read(path).gps_time for path in sorted((source / "scans").glob("*.laz"))])
    rows = [f"{t!r} 0 0 0 0 0 0 1\n" for t in (float(times.min()) - 1.0, float(times.max()) + 1.0)]
    (tmp_path / "poses.txt").write_text("".join(rows))
    (tmp_path / "survey.toml").write_text(STANDING.format(scans=source / "scans"))
    (tmp_path / "targets.toml").write_text(
        '[check]\nname = "floor"\nrequire = []\nflatness_tolerance_mm = 15\n[[plane]]\nname = "floor"\n'
        "near_m = [0.0, 0.0, -1.315]\nradius_m = 5.0\nnormal = [0.0, 0.0, 1.0]\nnormal_sd_deg = 1.0\n"
        "point_m = [0.0, 0.0, -1.315]\noffset_sd_mm = 2.0\n"
    )
    done = run(tmp_path / "survey.toml", tmp_path / "targets.toml", "--out", tmp_path / "r")
    assert done.exit_code in (0, 3, 4), done.stderr
    data = json.loads((tmp_path / "r.json").read_text())
    jsonschema.Draft202012Validator(SCHEMA).validate(data)
    (floor,) = data["targets"]
    found = {one["name"].split(" in ")[0]: one for one in floor["quantities"]}
    assert floor["points"] > 500
    assert found["noise over stated"]["value"] * 15.0 < 30.0  # range noise of its class
    assert 2.0 < floor["seen"]["noise_mm"] < 15.0
    assert found["flatness"]["value"] < 40.0
    assert abs(found["bias"]["value"]) < 60.0
    assert "mount" in data["across"]["refused"] and data["across"]["mount_line"] is None
    rings = next(one for one in data["without_targets"] if one["name"] == "ring against ring")
    assert rings["applies"] and rings["cells"] == 32


def test_a_real_machine_room_of_fused_points(tmp_path: Path) -> None:
    """Measured by others: floor at -1.86 to -1.88 m, RMS 4.1 mm; plinth 4 cm above it, RMS 3.0 mm."""
    source = real("plant_room")
    (tmp_path / "survey.toml").write_text(
        (source / "survey.toml").read_text().replace('"plant_room.laz"', json.dumps(str(source / "plant_room.laz")))
        + "[sensor]\nrange_sd_m = 0.005\n"
    )
    cloud = laspy.read(source / "plant_room.laz").xyz
    floor = cloud[np.abs(cloud[:, 2] + 1.87) < 0.03]
    middle = np.median(floor, axis=0)
    (tmp_path / "targets.toml").write_text(
        f'[check]\nname = "floor"\nrequire = []\nflatness_tolerance_mm = 20\n[[plane]]\nname = "floor"\n'
        f'near_m = {middle.tolist()}\nradius_m = 0.8\n[[flatness]]\nof = "floor"\nlength_m = 0.4\nrow = 1\n'
    )
    done = run(tmp_path / "survey.toml", tmp_path / "targets.toml", "--out", tmp_path / "r")
    assert done.exit_code in (0, 4), (done.stdout, done.stderr)
    (found,) = json.loads((tmp_path / "r.json").read_text())["targets"]
    assert found["seen"]["noise_mm"] < 5.0
    assert "nothing is said of mount, range or clock" in done.stdout
