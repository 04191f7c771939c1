"""A map folder appears complete or not at all (POSIX rename; renameat2(2) of the Linux manual)."""

from __future__ import annotations

import json
import os
import resource
import shutil
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from terrain.data import Cloud
from terrain.errors import DataError, ReadError
from terrain.maps import folder, write
from terrain.maps.files import why_not_written
from terrain.maps.folder import MapDraft, check_target, is_map_folder
from terrain.maps.fused import write_cloud
from terrain.maps.rasters import write_level
from terrain.maps.store import open_map
from terrain.maps.write import write_map
from tests.support.map_contents import make_contents, make_raster

ROOT = Path(__file__).parents[2]


def names(path: Path) -> list[str]:
    return sorted(entry.name for entry in path.iterdir())


def contents(name: str = "dry dock") -> object:
    return make_contents(points=50, survey_name=name)


def test_a_map_appears_with_nothing_beside_it(tmp_path: Path) -> None:
    write_map(tmp_path / "map", contents(), replace=False)
    assert names(tmp_path) == ["map"]
    assert is_map_folder(tmp_path / "map")
    assert names(tmp_path / "map") == ["cloud.laz", "ground", "level-0.tif", "map.json", "patches.gpkg"]


def test_folders_above_are_made(tmp_path: Path) -> None:
    write_map(tmp_path / "a" / "b" / "map", contents(), replace=False)
    assert is_map_folder(tmp_path / "a" / "b" / "map")


def test_permissions_follow_the_umask(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        write_map(tmp_path / "map", contents(), replace=False)
    finally:
        os.umask(before)
    assert (tmp_path / "map").stat().st_mode & 0o777 == 0o750


def test_an_existing_map_is_not_touched(tmp_path: Path) -> None:
    write_map(tmp_path / "map", contents("first"), replace=False)
    with pytest.raises(DataError, match="exists already"):
        write_map(tmp_path / "map", contents("second"), replace=False)
    assert open_map(tmp_path / "map").name == "first"
    assert names(tmp_path) == ["map"]


@pytest.mark.parametrize("exchange", [True, False])
def test_replace_puts_the_new_map_in_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, exchange: bool) -> None:
    if not exchange:
        monkeypatch.setattr(folder, "_renameat2", lambda *_: False)
    write_map(tmp_path / "map", contents("first"), replace=False)
    write_map(tmp_path / "map", contents("second"), replace=True)
    assert open_map(tmp_path / "map").name == "second"
    assert names(tmp_path) == ["map"]


def test_replace_keeps_what_is_no_part_of_a_map(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    out = tmp_path / "map"
    write_map(out, contents("first"), replace=False)
    (out / "notes").mkdir()
    (out / "notes" / "today.txt").write_text("the drain lid is loose")
    (out / "plan.png").write_bytes(b"png")
    write_map(out, contents("second"), replace=True)
    assert names(tmp_path) == ["map", "map.kept"]
    assert names(tmp_path / "map.kept") == ["notes", "plan.png"]
    assert (tmp_path / "map.kept" / "notes" / "today.txt").read_text() == "the drain lid is loose"
    assert "map.kept" in caplog.text


def test_replace_refuses_what_is_no_map(tmp_path: Path) -> None:
    out = tmp_path / "home"
    out.mkdir()
    (out / "map.json").write_text('{"format": "something else"}')
    with pytest.raises(DataError, match="no map"):
        write_map(out, contents(), replace=True)
    assert names(out) == ["map.json"]
    file = tmp_path / "file"
    file.write_text("x")
    with pytest.raises(DataError, match="got a file"):
        check_target(file, replace=True)


def test_replace_refuses_a_map_that_is_write_protected(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "map"
    write_map(out, contents("first"), replace=False)
    real = os.access
    monkeypatch.setattr(os, "access", lambda path, mode: Path(path) != out and real(path, mode))  # root may write all
    with pytest.raises(DataError, match=r"map: the map is write-protected, expected a folder that may be replaced"):
        check_target(out, replace=True)


def test_a_replaced_map_that_cannot_be_deleted_is_told_and_no_failure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    write_map(tmp_path / "map", contents("first"), replace=False)
    real = Path.unlink

    def locked(path: Path, *args: bool, **kwargs: bool) -> None:
        if ".partial-" in path.parent.name:
            raise PermissionError(13, "Permission denied", str(path))
        real(path, *args, **kwargs)

    monkeypatch.setattr(Path, "unlink", locked)
    write_map(tmp_path / "map", contents("second"), replace=True)
    assert open_map(tmp_path / "map").name == "second"
    left = [name for name in names(tmp_path) if name != "map"]
    assert open_map(tmp_path / left[0]).name == "first"
    assert "the older map cannot be deleted" in caplog.text and left[0] in caplog.text


def test_replace_takes_a_newer_map_and_an_empty_folder(tmp_path: Path) -> None:
    newer = tmp_path / "newer"
    newer.mkdir()
    (newer / "map.json").write_text(json.dumps({"format": "terrain map", "format_version": 99}))
    write_map(newer, contents("again"), replace=True)
    assert open_map(newer).name == "again"
    (tmp_path / "empty").mkdir()
    write_map(tmp_path / "empty", contents("filled"), replace=True)
    assert open_map(tmp_path / "empty").name == "filled"
    assert names(tmp_path) == ["empty", "newer"]


def test_a_link_to_a_map_stays_a_link(tmp_path: Path) -> None:
    write_map(tmp_path / "real", contents("first"), replace=False)
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_map(tmp_path / "link", contents("second"), replace=True)
    assert (tmp_path / "link").is_symlink()
    assert open_map(tmp_path / "real").name == "second"


@pytest.mark.parametrize("error", [RuntimeError("stop"), KeyboardInterrupt(), OSError(28, "No space left on device")])
@pytest.mark.parametrize("step", ["write_cloud", "write_patches", "write_level", "write_ground", "write_manifest"])
def test_a_failure_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str, error: BaseException
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(write, step, fail)
    expected = DataError if isinstance(error, OSError) else type(error)
    with pytest.raises(expected):
        write_map(tmp_path / "map", contents(), replace=False)
    assert names(tmp_path) == []


def test_a_failed_replace_leaves_the_old_map(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_map(tmp_path / "map", contents("first"), replace=False)

    def fail(*_: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(folder, "_renameat2", lambda *_: False)
    with monkeypatch.context() as patch:
        patch.setattr(folder, "_sync_tree", fail)
        with pytest.raises(DataError, match="Input/output error"):
            write_map(tmp_path / "map", contents("second"), replace=True)
    assert names(tmp_path) == ["map"]

    rename = Path.rename

    def fail_at_the_final_name(self: Path, target: Path) -> Path:
        if target.name == "map" and ".old" not in self.name:
            raise OSError(5, "Input/output error")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", fail_at_the_final_name)
    with pytest.raises(DataError, match="Input/output error"):
        write_map(tmp_path / "map", contents("third"), replace=True)
    assert open_map(tmp_path / "map").name == "first"
    assert names(tmp_path) == ["map"]


def test_a_map_that_appears_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="exists already"), MapDraft(tmp_path / "map", replace=False) as draft:
        write_map(tmp_path / "map", contents("theirs"), replace=False)
        draft.commit()
    assert open_map(tmp_path / "map").name == "theirs"
    assert names(tmp_path) == ["map"]


def test_no_permission_is_a_data_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(DataError, match="is no folder, expected one to write into"):
        write_map(tmp_path / "file" / "map", contents(), replace=False)


@pytest.mark.parametrize("signal", ["SIGKILL", "SIGINT"])
@pytest.mark.parametrize("there_before", [True, False])
def test_a_killed_writer_leaves_nothing_under_the_name(tmp_path: Path, signal: str, there_before: bool) -> None:
    if there_before:
        write_map(tmp_path / "map", contents("first"), replace=False)
    script = f"""
        import os, signal, pathlib
        signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background jobs inherit it ignored
        from terrain.maps import write
        from tests.support.map_contents import make_contents
        write.write_manifest = lambda *_: os.kill(os.getpid(), signal.{signal})
        write.write_map(pathlib.Path({str(tmp_path / "map")!r}), make_contents(points=50), replace={there_before})
        """
    ran = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script)], cwd=ROOT, capture_output=True, text=True, timeout=120
    )
    assert ran.returncode != 0
    assert (tmp_path / "map").exists() == there_before
    if there_before:
        assert open_map(tmp_path / "map").name == "first"
    if signal == "SIGINT":
        assert names(tmp_path) == (["map"] if there_before else [])


def test_a_place_that_cannot_be_written_is_refused_before_the_work(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("x")
    with pytest.raises(DataError, match=r"notes\.txt is no folder, expected one to write into"):
        check_target(tmp_path / "notes.txt" / "map", replace=False)
    check_target(tmp_path / "not" / "there" / "yet" / "map", replace=False)
    assert names(tmp_path) == ["notes.txt"]


@pytest.mark.parametrize("name", ["two\nlines", "tab\there", os.fsdecode(b"caf\xe9")])
def test_a_name_that_gdal_cannot_open_is_refused_before_the_work(tmp_path: Path, name: str) -> None:
    with pytest.raises(DataError, match=r"in a path, expected UTF-8 without control characters"):
        check_target(tmp_path / name / "map", replace=False)


def test_a_relative_name_may_start_with_a_blank(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    write_map(Path(" dock"), contents(), replace=False)
    assert len(open_map(Path(" dock")).patches()) > 0


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_without_permission_is_refused_before_the_work(tmp_path: Path) -> None:
    (tmp_path / "locked").mkdir(mode=0o555)
    with pytest.raises(DataError, match=r"cannot write to the folder .*locked, expected one that you may write to"):
        check_target(tmp_path / "locked" / "map", replace=False)


@pytest.mark.parametrize("name", ["map.json", "ground/first.npy"])
def test_a_file_without_permission_is_not_called_damaged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    write_map(tmp_path / "map", contents(), replace=False)
    real_open, real_read = open, Path.read_text

    def locked(path: object, *args: object, **kwargs: object) -> object:
        if str(path).endswith(name):
            raise PermissionError(13, "Permission denied", str(path))
        return real_open(path, *args, **kwargs)  # type: ignore[call-overload]

    def locked_text(path: Path, *args: str, **kwargs: str) -> str:
        if str(path).endswith(name):
            raise PermissionError(13, "Permission denied", str(path))
        return real_read(path, *args, **kwargs)

    monkeypatch.setattr("builtins.open", locked)
    monkeypatch.setattr(Path, "read_text", locked_text)
    with pytest.raises(ReadError, match=rf"{name}: cannot be read: Permission denied"):
        _ = open_map(tmp_path / "map").ground


@pytest.fixture
def small_files() -> Iterator[None]:
    """Let no file grow past 30 kB: writes fail as on a full disk (setrlimit(2); Python ignores SIGXFSZ)."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, before[1]))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # laspy leaves it open where it fails
def test_a_cloud_that_does_not_fit_is_a_data_error_and_leaves_nothing(tmp_path: Path, small_files: None) -> None:
    xyz = np.random.default_rng(0).random((200_000, 3))
    sd = np.full(len(xyz), 0.01, dtype=np.float32)
    cloud = Cloud(xyz, None, None, sd, sd, np.zeros(3))
    with pytest.raises(DataError, match=r"cloud\.laz: cannot write: "):
        write_cloud(tmp_path / "cloud.laz", cloud)
    assert names(tmp_path) == []


def test_a_raster_that_the_disk_takes_a_part_of_is_an_error(tmp_path: Path, small_files: None) -> None:
    """GDAL closes a file that was cut short without a word; a map with it would have taken its final name."""
    rng = np.random.default_rng(0)
    raster, kept = make_raster(), ("level", "x0_m", "y0_m", "cell_m", "patch_id")
    noisy = rng.random((300, 300)).astype(np.float32)  # does not compress
    bands = {field.name: noisy for field in fields(raster) if field.name not in kept}
    large = replace(raster, **bands, patch_id=np.zeros((300, 300), dtype=np.int32))
    with pytest.raises(OSError, match="File too large"):
        write_level(tmp_path / "level-0.tif", large)


def test_a_full_disk_is_called_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: SimpleNamespace(free=4096))
    assert why_not_written(tmp_path / "map", RuntimeError("sqlite3_exec")) == "no space left on the disk"
    monkeypatch.undo()
    assert why_not_written(tmp_path / "map", RuntimeError("sqlite3_exec")) == "sqlite3_exec"


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # as above
def test_a_map_that_does_not_fit_is_a_data_error_and_leaves_nothing(tmp_path: Path, small_files: None) -> None:
    with pytest.raises(DataError, match="cannot write"):
        write_map(tmp_path / "map", make_contents(points=20_000, survey_name="dry dock"), replace=False)
    assert names(tmp_path) == []
