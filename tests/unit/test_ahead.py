"""What the first run compiles beside itself."""

import os
import subprocess
import sys

import pytest

from terrain import ahead


@pytest.fixture
def cold(monkeypatch, tmp_path):
    """Where no kernel is kept yet."""
    monkeypatch.setattr(ahead, "_is_compiled", lambda: False)
    monkeypatch.setattr(ahead, "_cores", lambda: {0, 1})
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    return tmp_path


def test_what_a_process_compiled_is_kept_for_others(cold):
    with ahead.compiling_ahead() as compiling:
        compiling.wait()
    assert list(cold.rglob("dense.judge_block*.nbc"))
    told = subprocess.run(
        [sys.executable, "-c", "from terrain.ahead import _is_compiled; print(_is_compiled())"],
        env={**os.environ, "NUMBA_CACHE_DIR": str(cold)}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert told.stdout.strip() == "True"


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
        compiling.wait()
