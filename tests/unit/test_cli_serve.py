"""`terrain serve` as a stranger runs it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

from terrain.cli.main import cli
from terrain.maps.write import write_map
from tests.support.map_contents import make_contents


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("serve") / "map-dock"
    write_map(out, make_contents(points=50), replace=False)
    return out


@contextmanager
def serving(*arguments: str, **variables: str) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    command = [sys.executable, "-m", "terrain.cli.main", "serve", *arguments, "--port", "0"]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env={**os.environ, **variables}
    )
    assert process.stdout is not None
    try:
        yield process.stdout.readline().strip(), process
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
        assert process.stderr is not None
        process.stderr.close()


def health(url: str, **headers: str) -> dict[str, object]:
    port = url.rstrip("/").rpartition(":")[2]
    request = urllib.request.Request(f"http://127.0.0.1:{port}/health", headers=headers)
    with urllib.request.urlopen(request, timeout=20) as answer:
        found: dict[str, object] = json.load(answer)
    return found


def test_it_serves_on_loopback_and_ends_with_ctrl_c(folder: Path) -> None:
    with serving(str(folder)) as (url, process):
        assert url.startswith("http://127.0.0.1:")
        assert health(url)["maps"][0]["map"] == "map-dock"  # type: ignore[index]
        process.send_signal(signal.SIGINT)
        assert process.wait(20) == 0
        assert process.stderr is not None
        told = process.stderr.read()
        assert f"{url}maps/map-dock" in told and "Traceback" not in told


def test_a_token_of_ones_own(folder: Path, tmp_path: Path) -> None:
    token = "a-token-that-is-long"
    with serving(f"dock={folder}", "--host", "0.0.0.0", TERRAIN_TOKEN=token) as (url, process):
        with pytest.raises(urllib.error.HTTPError, match="401"):
            health(url)
        assert health(url, Authorization=f"Bearer {token}")["status"] == "ok"
        process.send_signal(signal.SIGTERM)
        process.wait(20)
        assert process.stderr is not None
        assert token not in process.stderr.read()


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        ([], 2, "Missing argument"),
        (["{tmp}"], 1, "is not a map folder"),
        (["{tmp}/nowhere"], 2, "does not exist"),
        (["{map}", "{map}"], 1, "got it twice"),
        (["{map}", "--host", "no such host"], 1, "host 'no such host'"),
        (["{map}", "--token-file", "{tmp}/short"], 1, "token: got 5 characters, expected at least 16"),
        (["{map}", "--token-file", "{tmp}/empty"], 1, "is empty, expected a token"),
        (["{map}", "--port", "99999"], 2, "--port"),
    ],
)
def test_wrong_input_is_told_in_one_line(
    folder: Path, tmp_path: Path, arguments: list[str], code: int, message: str
) -> None:
    (tmp_path / "short").write_text("short\n")
    (tmp_path / "empty").write_text("\n")
    got = CliRunner().invoke(cli, ["serve", *(word.format(tmp=tmp_path, map=folder) for word in arguments)])
    assert got.exit_code == code
    assert message in got.stderr
    if code == 1:
        assert len(got.stderr.strip().splitlines()) == 1
