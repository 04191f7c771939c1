"""The main job as a function: what it reports, in what order, and what it leaves when it fails."""

from __future__ import annotations

import json
from pathlib import Path

import laspy
import numpy as np
import pytest

import terrain
from terrain import pipeline
from terrain.data import Label
from terrain.errors import ConfigError, DataError, ReadError
from terrain.foot import configs_folder
from terrain.fusing import fuse_survey
from tests.support.clouds import level_top, write_laz
from tests.support.surveys import MAP_SURVEY, write_sensor_survey


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_sensor_survey(tmp_path_factory.mktemp("walked"))


@pytest.fixture(scope="module")
def done(walked: Path) -> tuple[pipeline.Summary, list[tuple[str, int, int]]]:
    calls: list[tuple[str, int, int]] = []
    summary = pipeline.assess(walked, walked.parent / "map", progress=lambda *call: calls.append(call))
    return summary, calls


def small_survey(folder: Path, xyz: np.ndarray, *, extra: str = "") -> Path:
    write_laz(folder / "scans" / "a.laz", xyz)
    (folder / "survey.toml").write_text(MAP_SURVEY + extra)
    return folder / "survey.toml"


def test_the_summary_agrees_with_the_map(done: tuple[pipeline.Summary, list[tuple[str, int, int]]]) -> None:
    summary, _ = done
    manifest = json.loads((summary.out / "map.json").read_text())
    assert summary.survey_name == manifest["survey"] == "yard, walked"
    assert summary.foot_name == "biped"
    assert summary.points_read == manifest["counts"]["points_read"]
    assert summary.points_read == summary.points_kept + sum(summary.dropped.values())
    assert set(summary.area_m2) == set(summary.patches) == {label.word for label in Label}
    opened = terrain.open_map(summary.out)
    assert summary.levels == len(opened.levels)
    assert sum(summary.patches.values()) == len(opened.patches().patch_id)
    for word, area in summary.area_m2.items():
        number = Label[word.upper()]
        cells = sum(
            ((raster.label == number) & np.isfinite(raster.height_m)).sum() * raster.cell_m**2
            for raster in (opened.level(k) for k in opened.levels)
        )
        assert area == pytest.approx(cells, abs=1e-9)
    # A floor of 2.4 by 1.8 m, treads 0.8 by 1.8 m; the block's top lies over floor that nobody saw.
    assert sum(summary.area_m2.values()) == pytest.approx(2.4 * 1.8 + 0.8 * 1.8, rel=0.05)


def test_every_stage_is_timed_and_reports_from_start_to_end(
    done: tuple[pipeline.Summary, list[tuple[str, int, int]]],
) -> None:
    summary, calls = done
    assert set(summary.timings_s) == set(pipeline.STAGES)
    assert all(seconds > 0.0 for seconds in summary.timings_s.values())
    order = [stage for k, (stage, *_) in enumerate(calls) if k == 0 or calls[k - 1][0] != stage]
    assert order == list(pipeline.STAGES)
    for stage in pipeline.STAGES:
        steps = [(so_far, total) for name, so_far, total in calls if name == stage]
        assert steps[-1][0] == steps[-1][1]
        assert [so_far for so_far, _ in steps] == sorted(so_far for so_far, _ in steps)


def test_points_carry_the_patch_and_the_label_of_their_ground(
    done: tuple[pipeline.Summary, list[tuple[str, int, int]]],
) -> None:
    summary, _ = done
    las = laspy.read(summary.out / "cloud.laz")
    patch, label = np.asarray(las["patch_id"]), np.asarray(las["label"])
    xyz = las.xyz
    patches = terrain.open_map(summary.out).patches()
    assert set(np.unique(patch)) <= {-1, *patches.patch_id.tolist()}
    assert set(np.unique(label)) <= {0, 1, 2, 3}
    middle = (np.abs(xyz[:, 0] - 0.3) < 0.3) & (np.abs(xyz[:, 1]) < 0.3)
    assert (label[middle] == Label.STEPPABLE).mean() > 0.95
    # Upright faces of the stair's risers, a hand's breadth from their borders.
    face = (np.abs(xyz[:, 0] - 1.2) < 0.002) & (xyz[:, 2] > 0.06) & (xyz[:, 2] < 0.09)
    assert face.sum() > 50
    assert not (label[face] == Label.STEPPABLE).any()


def test_inputs_are_listed_with_their_hashes(done: tuple[pipeline.Summary, list[tuple[str, int, int]]]) -> None:
    import hashlib

    summary, _ = done
    inputs = json.loads((summary.out / "map.json").read_text())["inputs"]
    assert [item["path"] for item in inputs] == ["survey.toml", "poses.txt", *(f"scans/scan_{k}.laz" for k in range(3))]
    for item in inputs:
        raw = (summary.out.parent / item["path"]).read_bytes()
        assert item["sha256"] == hashlib.sha256(raw).hexdigest()
        assert item["size_bytes"] == len(raw)


def test_what_was_corrected_is_in_the_map_and_in_the_summary(walked: Path, tmp_path: Path) -> None:
    """The yard's poses are good to a millimetre: whatever is done to them must be as small."""
    summary = pipeline.assess(walked, tmp_path / "map", overrides={"poses.refine": "auto"})
    refine = json.loads((tmp_path / "map" / "map.json").read_text())["refine"]
    assert refine["requested"] == "auto"
    assert any(note.startswith("drift: ") for note in summary.notes)
    assert refine["note"].startswith("drift: ")
    assert "correct" in summary.timings_s
    if refine["corrected"]:
        assert refine["thickness_after_mm"] < refine["thickness_before_mm"]
        assert refine["largest_shift_mm"] < 3.0
    else:
        assert "nothing was corrected" in refine["note"]


def test_trusted_poses_are_used_as_they_are(done: tuple[pipeline.Summary, list[tuple[str, int, int]]]) -> None:
    refine = json.loads((done[0].out / "map.json").read_text())["refine"]
    assert refine == {
        "requested": "none",
        "corrected": False,
        "note": "poses were used as they are: nothing was corrected",
    }


def test_a_wrong_clock_is_warned_of_with_the_line_to_paste(walked: Path, tmp_path: Path) -> None:
    """The yard's clock is 0.25 s behind; the survey is told 0.24."""
    overrides = {"poses.refine": "auto", "sensor.time_offset_s": "0.24"}
    done = fuse_survey(walked, overrides=overrides)
    assert done.correction.clock.told
    assert done.correction.clock.offset_s == pytest.approx(0.01, abs=0.001)
    (warning,) = [warning for warning in done.warnings if warning.startswith("the clock")]
    assert "time_offset_s = 0.2" in warning


def test_more_scatter_than_stated_is_warned_of(tmp_path: Path) -> None:
    """8 mm of noise that the survey calls 3 mm; with the 3 mm that every surface is allowed it predicts 4.2.

    Then either the patches scatter too much or nothing passes for a plane: the map must not be silent about it.
    """
    rng = np.random.default_rng(9)
    xyz = level_top(rng, (0.0, 1.2), (0.0, 1.2), 0.0, per_m2=20_000)
    xyz[:, 2] += rng.normal(0.0, 0.008, len(xyz))
    survey = small_survey(tmp_path, xyz, extra="[sensor]\nrange_sd_m = 0.003\n")
    loud = pipeline.assess(survey, tmp_path / "loud").warnings
    assert any("as the stated noise predicts" in warning or "no planar patch" in warning for warning in loud), loud
    quiet = pipeline.assess(survey, tmp_path / "quiet", overrides={"sensor.range_sd_m": "0.008"}).warnings
    assert not any("as the stated noise predicts" in warning or "no planar" in warning for warning in quiet), quiet


def test_half_the_noise_stated_is_told_as_such(tmp_path: Path) -> None:
    """6 mm of noise that the survey calls 3 mm, with the 3 mm that every surface is allowed: sqrt(2) times as much."""
    rng = np.random.default_rng(10)
    xyz = level_top(rng, (0.0, 1.2), (0.0, 1.2), 0.0, per_m2=20_000)
    xyz[:, 2] += rng.normal(0.0, 0.006, len(xyz))
    survey = small_survey(tmp_path, xyz, extra="[sensor]\nrange_sd_m = 0.003\n")
    assert any("1.4 times as much as the stated" in said for said in pipeline.assess(survey, tmp_path / "map").warnings)


@pytest.mark.parametrize(
    ("overrides", "error", "said"),
    [
        ({"foot.profile": "centipede"}, ConfigError, r"survey\.toml: foot\.profile: got 'centipede', expected one of"),
        ({"foot.profile": "feet/none.toml"}, ConfigError, r"survey\.toml: foot\.profile: .*feet/none\.toml: no"),
        ({"scans.files": "none.laz"}, ConfigError, "none.laz"),
        ({"sensor.time_offset_s": "-500"}, DataError, "all .* points were dropped"),
    ],
)
def test_a_failure_leaves_nothing(
    walked: Path, tmp_path: Path, overrides: dict[str, str], error: type[Exception], said: str
) -> None:
    with pytest.raises(error, match=said):
        pipeline.assess(walked, tmp_path / "map", overrides=overrides)
    assert list(tmp_path.iterdir()) == []


def test_foot_paths_of_a_survey_given_by_a_relative_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the file from the survey's folder, instead of it from the working directory; both are relative here."""
    survey = small_survey(tmp_path / "sub", level_top(np.random.default_rng(3), (0.0, 0.5), (0.0, 0.5), 0.0))
    feet = (("sub/feet/own.toml", "in file"), ("own.toml", "instead"))
    for name, said in feet:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        profile = (configs_folder() / "feet" / "biped.toml").read_text(encoding="utf-8")
        (tmp_path / name).write_text(profile.replace('name = "biped"', f'name = "{said}"'), encoding="utf-8")
    survey.write_text(survey.read_text(encoding="utf-8").replace('"biped"', '"feet/own.toml"'), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    relative = survey.relative_to(tmp_path)
    assert pipeline.assess(relative, Path("one")).foot_name == "in file"
    assert pipeline.assess(relative, Path("two"), overrides={"foot.profile": "./own.toml"}).foot_name == "instead"


def test_a_taken_name_is_refused_before_anything_is_read(walked: Path, tmp_path: Path) -> None:
    (tmp_path / "map").mkdir()
    calls: list[str] = []
    with pytest.raises(DataError, match="map"):
        pipeline.assess(walked, tmp_path / "map", progress=lambda stage, *_: calls.append(stage))
    assert calls == []


def test_a_damaged_scan_is_named(tmp_path: Path) -> None:
    survey = small_survey(tmp_path, level_top(np.random.default_rng(10), (0.0, 1.0), (0.0, 1.0), 0.0))
    scan = tmp_path / "scans" / "a.laz"
    scan.write_bytes(scan.read_bytes()[:-500])
    with pytest.raises(ReadError, match=r"a\.laz"):
        pipeline.assess(survey, tmp_path / "map")
    assert not (tmp_path / "map").exists()


def test_the_survey_is_not_altered(done: tuple[pipeline.Summary, list[tuple[str, int, int]]]) -> None:
    folder = done[0].out.parent
    assert sorted(path.name for path in folder.iterdir()) == ["map", "poses.txt", "scans", "survey.toml"]
