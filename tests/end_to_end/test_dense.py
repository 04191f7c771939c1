"""Surveys denser than needed, from scans to a map: a part is used, all are labelled, and nothing is counted twice."""

from __future__ import annotations

from pathlib import Path

import laspy
import numba
import numpy as np
import pytest
from scipy.spatial import KDTree

from terrain.fuse import sieve
from terrain.fuse.sieve import SieveSettings
from terrain.pipeline import assess
from tests.end_to_end.test_reuse import ALL, contents
from tests.support.surveys import write_map_survey, write_sensor_survey


@pytest.fixture(params=["walked", "fused"])
def survey(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A survey that is dense by what counts as enough here: 1.5 returns a voxel, at first 5,000 a column."""
    few = SieveSettings(returns=1.5, most=5000)
    monkeypatch.setattr(sieve, "SieveSettings", lambda: few)
    write = write_sensor_survey if request.param == "walked" else write_map_survey
    return write(tmp_path / "survey", per_m2=40_000.0)


def test_all_returns_are_labelled_as_those_beside_them_that_were_used(
    survey: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    summary = assess(survey, tmp_path / "thinned", reuse=False)
    (note,) = (note for note in summary.notes if "denser than needed" in note)
    assert summary.points_read == summary.points_kept + sum(summary.dropped.values())
    thinned = laspy.read(tmp_path / "thinned" / "cloud.laz")
    assert len(thinned.x) == summary.points_kept
    used = int(note.split(" are of ")[1].split(" of ")[0].replace(",", ""))
    assert used < 0.6 * summary.points_read
    never = SieveSettings(returns=1e9, most=1_000_000)
    monkeypatch.setattr(sieve, "SieveSettings", lambda: never)
    whole = assess(survey, tmp_path / "whole", reuse=False)
    assert not any("denser" in note for note in whole.notes)
    every = laspy.read(tmp_path / "whole" / "cloud.laz")
    assert summary.points_read == whole.points_read
    assert abs(summary.points_kept - whole.points_kept) < 0.002 * whole.points_read
    assert np.abs(np.sort(thinned.gps_time)[[0, -1]] - np.sort(every.gps_time)[[0, -1]]).max() < 0.01
    away, nearest = KDTree(every.xyz).query(thinned.xyz)
    assert np.quantile(away, 0.99) < 0.003, "corrected by other points, but of the same scans"
    both = (thinned["label"] > 0) & (every["label"][nearest] > 0)
    assert both.mean() > 0.5
    assert (thinned["patch_id"] >= 0).mean() > 0.97 * (every["patch_id"] >= 0).mean()


def test_the_map_is_the_same_whatever_the_threads_and_taken_over(survey: Path, tmp_path: Path) -> None:
    store = tmp_path / "store"
    assert assess(survey, tmp_path / "first", reuse=store).reused.parts == ()
    assert assess(survey, tmp_path / "again", reuse=store).reused.parts == ALL
    threads = numba.get_num_threads()
    numba.set_num_threads(1)
    try:
        assess(survey, tmp_path / "alone", reuse=False)
    finally:
        numba.set_num_threads(threads)
    assert contents(tmp_path / "first") == contents(tmp_path / "again") == contents(tmp_path / "alone")
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(("tmp", "."))] == []


def test_without_a_cloud_the_map_is_the_same_and_says_what_was_not_looked_at(survey: Path, tmp_path: Path) -> None:
    full = assess(survey, tmp_path / "full", reuse=False)
    bare = assess(survey, tmp_path / "bare", reuse=tmp_path / "store", cloud=False)
    again = assess(survey, tmp_path / "again", reuse=tmp_path / "store", cloud=False)
    assert again.reused.parts == ALL
    files, with_cloud = contents(tmp_path / "bare"), contents(tmp_path / "full")
    assert files == contents(tmp_path / "again")
    assert set(with_cloud) - set(files) == {"cloud.laz"}
    assert all(files[name] == with_cloud[name] for name in files if name != "map.json")
    assert bare.dropped["not needed"] > 0.3 * bare.points_read
    assert bare.points_read == full.points_read == bare.points_kept + sum(bare.dropped.values())
    (note,) = (note for note in bare.notes if "denser than needed" in note)
    assert note.endswith("drawn evenly")


def test_a_disk_without_room_is_told(survey: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from terrain.errors import DataError
    from terrain.fuse import spool

    class Full:
        def write(self, raw: object) -> None:
            raise OSError(28, "No space left on device")

        def close(self) -> None:
            pass

    monkeypatch.setattr(spool.tempfile, "TemporaryFile", lambda **_: Full())
    with pytest.raises(DataError, match=r"cannot put points aside there \(.* GB and more\): No space left on device"):
        assess(survey, tmp_path / "map", reuse=False)
    assert not (tmp_path / "map").exists()
