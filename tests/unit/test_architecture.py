"""What may import what, and how long a module may be: the rules of DEVELOPERS.md."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from terrain.reuse.keys import SOURCES
from tests.support.clouds import level_top, write_laz

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "terrain"
STAGES = ("read", "fuse", "segment", "ground", "score")
COMMON = ("terrain.data", "terrain.errors", "terrain.kernels", "terrain.settings")
"""What every stage may import, beside itself."""
HEAVY = ("open3d", "numba", "scipy", "laspy", "rasterio", "pyogrio", "shapely", "sklearn", "matplotlib")
HEAVY += ("fastapi", "uvicorn", "pyarrow", "rosbags", "prometheus_client")
LONGEST = 500
TO_SPLIT: dict[str, int] = {}
"""Modules longer than that, and what they must not exceed until they are taken apart."""

MODULES = sorted(PACKAGE.rglob("*.py"))


def name_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(path: Path) -> dict[str, bool]:
    """Return what a module imports, at its top and in its functions: dotted name, and whether at the top."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    inner = {
        id(node)
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef)
        for node in ast.walk(function)
    }
    types_only = {
        id(node)
        for test in ast.walk(tree)
        if isinstance(test, ast.If) and isinstance(test.test, ast.Name) and test.test.id == "TYPE_CHECKING"
        for node in ast.walk(test)
    }
    found: dict[str, bool] = {}
    for node in ast.walk(tree):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            # `from terrain.kernels import masks` names a module as well as `from terrain.kernels.masks import x`.
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        for name in names:
            at_top = id(node) not in inner and id(node) not in types_only
            found[name] = found.get(name, False) or at_top
    return found


def under(name: str, packages: tuple[str, ...]) -> bool:
    return any(name == package or name.startswith(package + ".") for package in packages)


def test_the_walk_sees_modules_and_imports() -> None:
    assert PACKAGE / "pipeline.py" in MODULES
    assert len(MODULES) > 30
    assert "terrain.segment.patches.segment_planes" in imports(PACKAGE / "pipeline.py")


@pytest.mark.parametrize("stage", STAGES)
def test_a_stage_imports_no_other_stage(stage: str) -> None:
    own = (f"terrain.{stage}", *COMMON)
    for path in sorted((PACKAGE / stage).rglob("*.py")):
        wrong = [name for name in imports(path) if under(name, ("terrain",)) and not under(name, own)]
        assert not wrong, f"{name_of(path)} imports {wrong}, expected only {own}"


JOINERS = ("terrain.pipeline", "terrain.fusing", "terrain.labelling", "terrain.reuse", "terrain.sensor.run")
JOINERS += ("terrain.follow", "terrain.ahead")
"""The main job; fusing alone; the cloud's labels, from all stages; results between stages; the sensor check, which
reads and fuses as the main job does but makes no map; the main job on scans that still arrive; and what compiles the
judging ahead of it."""


def test_only_the_pipeline_joins_stages() -> None:
    """Maps may import scoring, in functions only: `ask` judges single placements exactly."""
    stages = tuple(f"terrain.{stage}" for stage in STAGES)
    for path in MODULES:
        name = name_of(path)
        if under(name, JOINERS) or under(name, stages):
            continue
        used = {found: at_top for found, at_top in imports(path).items() if under(found, stages)}
        if under(name, ("terrain.maps",)):
            assert all(under(found, ("terrain.score",)) and not at_top for found, at_top in used.items()), (name, used)
        else:
            assert not used, f"{name} imports {sorted(used)}: only {JOINERS} join stages"


def test_kernels_import_kernels_numba_and_numpy() -> None:
    """And what runs them on several threads and collects garbage less often while they are compiled."""
    allowed = ("terrain.kernels", "numba", "numpy", "__future__", "typing", "math", "collections.abc")
    allowed += ("collections", "concurrent.futures", "contextlib", "itertools", "gc")
    for path in sorted((PACKAGE / "kernels").glob("*.py")):
        wrong = [name for name in imports(path) if not under(name, allowed)]
        assert not wrong, f"{name_of(path)} imports {wrong}, expected only {allowed}"


def test_types_errors_and_settings_know_no_stage_and_no_heavy_library() -> None:
    files = [PACKAGE / name for name in ("errors.py", "settings.py", "survey.py", "foot.py")]
    for file in [*files, *sorted((PACKAGE / "data").glob("*.py"))]:
        names = imports(file)
        wrong = [name for name in names if under(name, HEAVY)]
        wrong += [
            name for name in names if under(name, tuple(f"terrain.{stage}" for stage in (*STAGES, "maps", "cli")))
        ]
        assert not wrong, f"{file} imports {wrong}"


def test_click_is_known_to_the_command_line_only() -> None:
    for path in MODULES:
        if not under(name_of(path), ("terrain.cli",)):
            assert not [name for name in imports(path) if under(name, ("click",))], name_of(path)


def test_open3d_is_imported_in_functions_only() -> None:
    """It is slow to load, and cannot load without X11, GL and USB libraries."""
    for path in MODULES:
        assert not [name for name, at_top in imports(path).items() if at_top and under(name, ("open3d",))], path


OTHER_JOBS = ("terrain.foot.configs_folder", "terrain.maps.fused")
"""What modules that make points also import: where example profiles lie, and what writes for another command."""


@pytest.mark.parametrize("part", sorted(SOURCES))
def test_what_is_kept_between_runs_is_keyed_by_all_that_makes_it(part: str) -> None:
    """Else a developer who changes a module gets what it made before."""
    covered = tuple("terrain." + name.removesuffix(".py") for name in SOURCES[part])
    for path in MODULES:
        name = name_of(path)
        if not under(name, covered) or under(name, ("terrain.pipeline", "terrain.reuse")):
            continue
        used = [found for found in imports(path) if under(found, ("terrain",))]
        wrong = [found for found in used if not under(found, (*covered, *OTHER_JOBS))]
        assert not wrong, f"{name} makes {part} and imports {wrong}, expected only {covered}"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_no_module_is_too_long(path: Path) -> None:
    lines = len(path.read_text(encoding="utf-8").splitlines())
    most = TO_SPLIT.get(name_of(path), LONGEST)
    assert lines <= most, f"{name_of(path)}: {lines} lines, expected at most {most}"


@pytest.mark.parametrize(
    "code",
    [
        "import terrain",
        "from click.testing import CliRunner; from terrain.cli.main import cli;"
        "assert CliRunner().invoke(cli, ['--help']).exit_code == 0",
    ],
    ids=["import terrain", "terrain --help"],
)
def test_starting_loads_nothing_heavy(code: str) -> None:
    program = f"{code}; import sys; print([name for name in {HEAVY} if name in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT, timeout=60
    )
    assert done.stdout.strip() == "[]"


SURVEY = """
[survey]
name = "one floor"
[frame]
points = "map"
[scans]
files = ["floor.laz"]
[foot]
profile = "biped"
"""


def test_the_main_job_runs_where_open3d_cannot_load(tmp_path: Path) -> None:
    """LAS and LAZ surveys must be assessed on machines without X11, GL and USB libraries."""
    write_laz(tmp_path / "floor.laz", level_top(np.random.default_rng(1), (0.0, 1.0), (0.0, 1.0), 0.0))
    (tmp_path / "survey.toml").write_text(SURVEY)
    program = (
        "import sys; sys.modules['open3d'] = None\n"
        "from pathlib import Path\n"
        "from terrain.pipeline import assess\n"
        f"assess(Path({str(tmp_path / 'survey.toml')!r}), Path({str(tmp_path / 'map')!r}))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False, cwd=ROOT, timeout=300
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "map" / "map.json").is_file()
