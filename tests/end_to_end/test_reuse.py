"""Assessing again: what is taken over, that the map is the same byte by byte, and that nothing stale is used."""

from __future__ import annotations

import json
import os
import re
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from terrain import pipeline
from terrain.cli.main import cli
from terrain.pipeline import Summary, assess
from terrain.survey import load_survey
from tests.support.surveys import write_map_survey, write_sensor_survey

ALL = ("points", "patches", "ground")
FEET = Path(__file__).parents[2] / "configs" / "feet"


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file of a map; the manifest without the date and the seconds."""
    found = {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}
    manifest = json.loads(found["map.json"])
    for volatile in ("timings_s", "created"):
        del manifest[volatile]
    found["map.json"] = json.dumps(manifest).encode()
    return found


def foot_like(biped: Path, **changes: str) -> Path:
    """Write the biped's profile with other values; return it."""
    text = (FEET / "biped.toml").read_text()
    for name, value in changes.items():
        text, count = re.subn(rf"^{name}( *)= [^#\n]*", rf"{name}\1= {value} ", text, flags=re.MULTILINE)
        assert count == 1, name
    biped.write_text(text)
    return biped


@pytest.fixture(scope="module", params=["walked", "fused"])
def survey(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    write = write_sensor_survey if request.param == "walked" else write_map_survey
    return write(tmp_path_factory.mktemp(request.param))


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_sensor_survey(tmp_path_factory.mktemp("own"))


@pytest.fixture(scope="module")
def filled(walked: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store that holds what the first run of `walked` left; tests copy it."""
    store = tmp_path_factory.mktemp("filled") / "store"
    assert assess(walked, store.parent / "map", reuse=store).reused.parts == ()
    return store


@pytest.fixture
def store(filled: Path, tmp_path: Path) -> Path:
    return shutil.copytree(filled, tmp_path / "store")


def run(*args: object) -> Result:
    return CliRunner().invoke(cli, [str(arg) for arg in args])


def test_the_map_is_the_same_with_and_without(survey: Path, tmp_path: Path) -> None:
    fresh = assess(survey, tmp_path / "fresh", reuse=False)
    first = assess(survey, tmp_path / "first", reuse=tmp_path / "store")
    again = assess(survey, tmp_path / "again", reuse=tmp_path / "store")
    assert (fresh.reused.parts, first.reused.parts, again.reused.parts) == ((), (), ALL)
    assert fresh.reused.folder is None
    assert first.reused.kept_bytes > 0 == again.reused.kept_bytes
    assert first.reused.notes == again.reused.notes == first.reused.warnings == again.reused.warnings == ()
    assert contents(tmp_path / "fresh") == contents(tmp_path / "first") == contents(tmp_path / "again")
    assert set(again.timings_s) == {"read", "reuse", "score", "write"}
    same = {"points_read", "points_kept", "dropped", "area_m2", "patches", "levels", "warnings", "notes"}
    assert {name: getattr(fresh, name) for name in same} == {name: getattr(again, name) for name in same}


@pytest.mark.parametrize(
    ("changes", "parts"),
    [
        ({"slope_deg": "{ comfort = 4.0, limit = 9.0 }"}, ALL),
        ({"drop_mm": "30.0"}, ("points", "patches")),
        ({"joint_mm": "15.0"}, ("points", "patches")),
        ({"joint_mm": "45.0"}, ("points",)),
    ],
    ids=["limits", "drop", "joint", "wide joint"],
)
def test_another_foot_takes_over_what_does_not_depend_on_it(
    changes: dict[str, str], parts: tuple[str, ...], walked: Path, store: Path, tmp_path: Path
) -> None:
    foot = {"foot.profile": str(foot_like(tmp_path / "other.toml", **changes))}
    second = assess(walked, tmp_path / "second", overrides=foot, reuse=store)
    assert second.reused.parts == parts
    assess(walked, tmp_path / "fresh", overrides=foot, reuse=False)
    assert contents(tmp_path / "second") == contents(tmp_path / "fresh")
    third = assess(walked, tmp_path / "third", overrides=foot, reuse=store)
    assert third.reused.parts == ALL
    assert contents(tmp_path / "third") == contents(tmp_path / "fresh")


def test_a_foot_that_is_edited_in_the_survey_file_takes_over_all(walked: Path, store: Path, tmp_path: Path) -> None:
    """The file of the survey changes, and with it its hash in the manifest, but none of the settings that enter."""
    moved = shutil.copytree(walked.parent, tmp_path / "site")
    first = assess(moved / "survey.toml", tmp_path / "first", reuse=store)
    assert first.reused.parts == (), "warnings name files by their paths, so that another path is another result"
    foot_like(moved / "own.toml", slope_deg="{ comfort = 4.0, limit = 9.0 }")
    text = (moved / "survey.toml").read_text().replace('profile = "biped"', 'profile = "own.toml"')
    (moved / "survey.toml").write_text(text)
    assert assess(moved / "survey.toml", tmp_path / "second", reuse=store).reused.parts == ALL


def test_a_changed_scan_is_read_anew_even_with_the_old_date(walked: Path, tmp_path: Path) -> None:
    site = shutil.copytree(walked.parent, tmp_path / "site")
    assess(site / "survey.toml", tmp_path / "first", reuse=tmp_path / "store")
    scan = site / "scans" / "scan_1.laz"
    before = scan.stat()
    other = write_sensor_survey(tmp_path / "other", per_m2=21_000.0).parent / "scans" / "scan_1.laz"
    scan.write_bytes(other.read_bytes())
    os.utime(scan, ns=(before.st_atime_ns, before.st_mtime_ns))
    second = assess(site / "survey.toml", tmp_path / "second", reuse=tmp_path / "store")
    assert second.reused.parts == ()
    assess(site / "survey.toml", tmp_path / "fresh", reuse=False)
    assert contents(tmp_path / "second") == contents(tmp_path / "fresh")
    assert contents(tmp_path / "second")["cloud.laz"] != contents(tmp_path / "first")["cloud.laz"]


def test_a_changed_setting_is_no_old_result(walked: Path, store: Path, tmp_path: Path) -> None:
    noisier = {"sensor.range_sd_m": "0.004"}
    assert assess(walked, tmp_path / "second", overrides=noisier, reuse=store).reused.parts == ()


def test_a_file_that_changes_while_it_is_read_is_not_kept(
    walked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was read may be the old file or the new one; the manifest then holds the hash of the new one."""
    site = shutil.copytree(walked.parent, tmp_path / "site")
    read = pipeline.read_and_fuse

    def slowly(*args: object) -> object:
        found = read(*args)  # type: ignore[arg-type]
        with open(site / "poses.txt", "a") as file:
            file.write("# walked on\n")
        return found

    monkeypatch.setattr(pipeline, "read_and_fuse", slowly)
    summary = assess(site / "survey.toml", tmp_path / "map", reuse=tmp_path / "store")
    assert summary.reused.kept_bytes == 0
    assert not (tmp_path / "store").exists()
    inputs = {item["path"]: item for item in json.loads((tmp_path / "map" / "map.json").read_text())["inputs"]}
    assert inputs["poses.txt"]["size_bytes"] == (site / "poses.txt").stat().st_size


def test_damaged_results_are_made_anew_with_a_note(walked: Path, store: Path, tmp_path: Path) -> None:
    largest = max(store.rglob("*.npy"), key=lambda path: path.stat().st_size)
    raw = bytearray(largest.read_bytes())
    raw[-1] ^= 255
    largest.write_bytes(raw)
    summary = assess(walked, tmp_path / "map", reuse=store)
    assert summary.reused.parts == ("patches", "ground")
    assert len(summary.reused.notes) == 1
    assert summary.reused.kept_bytes > 0
    assess(walked, tmp_path / "fresh", reuse=False)
    assert contents(tmp_path / "map") == contents(tmp_path / "fresh")
    assert assess(walked, tmp_path / "again", reuse=store).reused.parts == ALL


def test_a_store_that_cannot_be_written_gives_a_warning_and_the_map(walked: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    summary = assess(walked, tmp_path / "map", reuse=tmp_path / "file" / "store")
    assert len(summary.reused.warnings) == 1
    manifest = json.loads((tmp_path / "map" / "map.json").read_text())
    assert manifest["warnings"] == list(summary.warnings), "a warning about the store is none about the map"


def test_a_failed_run_leaves_no_draft(walked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import terrain.score.dense

    def fails(*args: object, **kwargs: object) -> None:
        raise RuntimeError("in the middle")

    monkeypatch.setattr(terrain.score.dense, "judge_everywhere", fails)
    with pytest.raises(RuntimeError, match="in the middle"):
        assess(walked, tmp_path / "map", reuse=tmp_path / "store")
    left = list((tmp_path / "store").iterdir()) if (tmp_path / "store").exists() else []
    assert all(len(path.name) == 64 for path in left)


def test_a_survey_that_is_followed_keeps_nothing(walked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Following calls `assess_survey`, which neither looks for results nor keeps any unless it is asked to."""
    monkeypatch.setenv("TERRAIN_REUSE", str(tmp_path / "store"))
    summary: Summary = pipeline.assess_survey(load_survey(walked), tmp_path / "map")
    assert summary.reused.folder is None
    assert not (tmp_path / "store").exists()
    assert assess(walked, tmp_path / "other").reused.folder == tmp_path / "store"


def test_the_command_says_what_it_took_over(walked: Path, tmp_path: Path) -> None:
    store = tmp_path / "store"
    first = run("assess", walked, "--out", tmp_path / "first", "--reuse-folder", store)
    assert first.exit_code == 0, first.stderr
    assert re.search(rf"^  reuse       \d+ MB kept for later runs in {re.escape(str(store))}$", first.stdout, re.M)
    second = run("assess", walked, "--out", tmp_path / "second", "--reuse-folder", store)
    assert "  reuse       points, patches, ground from an earlier run\n" in second.stdout
    assert "taking over from an earlier run: " in second.stderr
    assert "finding planar patches" not in second.stderr
    without = run("assess", walked, "--out", tmp_path / "third", "--no-reuse")
    assert "reuse" not in without.stdout
    both = run("assess", walked, "--out", tmp_path / "fourth", "--no-reuse", "--reuse-folder", store)
    assert both.exit_code == 2
    assert "got both --no-reuse and --reuse-folder" in both.stderr
