"""What the first run compiles beside itself."""

import os
import subprocess
import sys

import pytest

from terrain import ahead
from terrain.segment.patches import segment_planes


@pytest.fixture
def cold(monkeypatch, tmp_path):
    """Where no kernel is kept yet."""
    monkeypatch.setattr(ahead, "_is_compiled", lambda: False)
    monkeypatch.setattr(ahead, "_cores", lambda: {0, 1})
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    return tmp_path


def test_what_a_process_compiled_is_kept_for_others(cold):
    with ahead.compiling_ahead() as compiling:
        compiling.wait("segment")
        assert list(cold.rglob("regions.grow_regions*.nbc"))
        assert compiling._process is not None and compiling._process.poll() is None
        compiling.wait("score")
        assert list(cold.rglob("dense.judge_block*.nbc"))
    told = subprocess.run(
        [sys.executable, "-c", "from terrain.ahead import _is_compiled; print(_is_compiled())"],
        env={**os.environ, "NUMBA_CACHE_DIR": str(cold)}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert told.stdout.strip() == "True"


def test_the_yard_has_what_the_stages_look_for():
    """A floor, two blocks' tops, their fronts and a wall; the joint is found, or its kernels were not compiled."""
    cloud = ahead.made_up_yard()
    segmentation = segment_planes(cloud, joint_m=0.025)
    assert len(segmentation.patches) >= 4
    assert segmentation.patches.upward.sum() >= 2


def test_no_process_outlives_its_block(cold):
    with pytest.raises(ZeroDivisionError), ahead.compiling_ahead() as compiling:
        process = compiling._process
        assert process is not None and process.poll() is None
        raise ZeroDivisionError
    assert process.poll() is not None


@pytest.mark.parametrize("what", ["compiled", "one core", "no process"])
def test_without_need_or_room_nothing_runs(cold, monkeypatch, what):
    if what == "compiled":
        monkeypatch.setattr(ahead, "_is_compiled", lambda: True)
    if what == "one core":
        monkeypatch.setattr(ahead, "_cores", lambda: {0})
    if what == "no process":
        monkeypatch.setattr(ahead.sys, "executable", str(cold / "none"))
    with ahead.compiling_ahead() as compiling:
        assert compiling._process is None
        compiling.wait("segment")
        compiling.wait("score")
