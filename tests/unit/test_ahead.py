"""What the first run compiles beside itself."""

import subprocess
import sys

import pytest

from terrain import ahead, beside


@pytest.fixture
def cold(monkeypatch):
    """As if no kernel were kept yet, on two cores; what is kept is used all the same, or this would take a minute."""
    monkeypatch.setattr(ahead, "_is_compiled", lambda: False)
    monkeypatch.setattr(ahead, "_cores", lambda: {0, 1})


def test_what_is_compiled_is_kept_for_other_processes(cold):
    with ahead.compiling_ahead() as compiling:
        compiling.wait()
        assert compiling._process is not None and compiling._process.returncode == 0
    told = subprocess.run(
        [sys.executable, "-c", "from terrain.ahead import _is_compiled; print(_is_compiled())"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert told.stdout.strip() == "True"


def test_the_package_beside_is_compiled_not_one_where_the_command_was_given(cold, tmp_path, monkeypatch):
    other = tmp_path / "terrain"
    other.mkdir()
    (other / "__init__.py").write_text("raise SystemExit(3)")
    monkeypatch.chdir(tmp_path)
    with ahead.compiling_ahead() as compiling:
        compiling.wait()
        assert compiling._process is not None and compiling._process.returncode == 0


def test_who_waits_does_something_meanwhile_but_only_then(cold):
    done = []
    with ahead.compiling_ahead() as compiling:
        compiling.wait(lambda: done.append("running"))
        compiling.wait(lambda: done.append("ended"))
    assert done == ["running"]


def test_a_process_that_fails_keeps_nobody_waiting(cold, monkeypatch):
    monkeypatch.setattr(beside.sys, "executable", "/bin/false")
    with ahead.compiling_ahead() as compiling:
        compiling.wait()
        assert compiling._process is not None and compiling._process.returncode == 1


def test_no_process_outlives_its_block(cold):
    with pytest.raises(ZeroDivisionError), ahead.compiling_ahead() as compiling:
        process = compiling._process
        assert process is not None and process.poll() is None
        raise ZeroDivisionError
    assert process.poll() is not None


def test_the_floor_has_something_to_clean():
    """Else the kernels for what moved would not be compiled."""
    from terrain.fuse.clean import CleanSettings, learned

    cloud = ahead.floor_with_a_visitor()
    moved = learned(cloud, CleanSettings())
    reason = moved.reasons(cloud)
    assert len(moved.plane) > 0
    assert (reason[:8] > 0).all() and (reason[8:] > 0).mean() < 0.001


@pytest.mark.parametrize("what", ["compiled", "one core", "no process"])
def test_without_need_or_room_nothing_runs(cold, monkeypatch, tmp_path, what):
    if what == "compiled":
        monkeypatch.setattr(ahead, "_is_compiled", lambda: True)
    if what == "one core":
        monkeypatch.setattr(ahead, "_cores", lambda: {0})
    if what == "no process":
        monkeypatch.setattr(beside.sys, "executable", str(tmp_path / "none"))
    with ahead.compiling_ahead() as compiling:
        assert compiling._process is None
        compiling.wait()


def test_calls_from_the_end_of_a_piece_of_memory_for_frames_take_no_new_one_each_time():
    """Page faults of 500 calls from each of 400 depths; where Python takes pieces otherwise this tells nothing."""
    resource = pytest.importorskip("resource")

    def leaf(a=0, b=0, c=0, d=0):
        return a, b, c, d

    def down(depth):
        if depth:
            return down(depth - 1)
        for _ in range(500):
            leaf()
        return None

    def faults(depth):
        before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
        down(depth)
        return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before

    found = []
    ahead.with_room(lambda: found.extend(faults(depth) for depth in range(400)))
    if max(faults(depth) for depth in range(400)) < 500:
        pytest.skip("this Python keeps the pieces")
    assert max(found) < 100
