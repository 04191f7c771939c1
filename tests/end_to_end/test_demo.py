"""The main job on invented docks whose truth is known: what may go wrong, and how often at most.

The limits are the project's own targets; what counts as clear, and the guards, are in `clouds_demo.placements`.
Facets are matched as Hoover et al. do, PAMI 18(7), 1996, at 80 %. The tables are printed at the end of the run.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pytest
from click.testing import CliRunner, Result
from scipy.stats import binom

from clouds_demo.generate import DEFAULT_POINTS, generate
from clouds_demo.shapes import Facet
from clouds_demo.truth import Truth
from terrain.cli.main import cli
from tests.end_to_end.figures import figures, table

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "clouds_demo"
GENERATED_SEEDS = (7,)
PLACEMENTS, PLACEMENTS_GENERATED = 2200, 1200

MOST_MISSED, MOST_MARGINAL = 0.02, 0.02  # of the clearly steppable and well observed placements
SURE = 0.99  # a count may reach this quantile of what a share at its target would give
MOST_SPURIOUS = 0.10  # spurious patches for each true facet
MOST_SLOPE_ERROR_DEG = 0.3  # median over the facets found
LEAST_FOUND = 0.90  # facets found one by one, also where a joint narrower than joint_mm might be spanned


@dataclass(frozen=True, slots=True)
class Mapped:
    """A dock, its map and the figures about it."""

    seed: int
    truth: Path
    folder: Path
    found: dict[str, Any]


def run(*args: object) -> Result:
    return CliRunner().invoke(cli, [str(arg) for arg in args])


def need_open3d() -> None:
    try:
        import open3d  # noqa: F401
    except (ImportError, OSError) as error:
        pytest.skip(f"Open3D cannot load, and the truth about facets needs it: {error}")


@pytest.fixture(scope="session")
def demo_map(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The map of the committed survey."""
    need_open3d()
    out = tmp_path_factory.mktemp("demo") / "map"
    result = run("assess", DEMO / "survey.toml", "--out", out)
    assert result.exit_code == 0, (result.stderr, result.exception)
    return out


@pytest.fixture(scope="session", params=[1, *GENERATED_SEEDS], ids=lambda seed: f"seed {seed}")
def mapped(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, leave_table: Callable[[str, str], None]
) -> Mapped:
    need_open3d()
    work = tmp_path_factory.mktemp("dock")
    if request.param == 1:
        truth, folder, number = DEMO / "truth.json", request.getfixturevalue("demo_map"), PLACEMENTS
    else:
        written = generate(work / "survey", seed=request.param, points=DEFAULT_POINTS)
        truth, folder, number = written.truth, work / "map", PLACEMENTS_GENERATED
        result = run("assess", written.survey, "--out", folder)
        assert result.exit_code == 0, (result.stderr, result.exception)
    found = figures(folder, truth, placements=number, cache=work)
    leave_table(f"invented dock, seed {request.param}", table(found))
    return Mapped(request.param, truth, folder, found)


def most(share: float, n: int) -> int:
    """Return the count that n trials at this share exceed in one case in a hundred."""
    return int(binom.ppf(SURE, n, share))


# --------------------------------------------------------------------------- placements


def test_nothing_past_a_limit_is_called_steppable(mapped: Mapped) -> None:
    found = mapped.found["placements"]
    assert sum(found["confusion"][3]) > 300, "too few placements are past a limit for this to mean anything"
    assert found["false_steppables"] == []


@pytest.mark.parametrize("what, share", [("missed", MOST_MISSED), ("marginal", MOST_MARGINAL)])
def test_clearly_steppable_placements_are_called_so(mapped: Mapped, what: str, share: float) -> None:
    clear = mapped.found["placements"]["clear"]
    assert clear["n"] > 100, "too few placements are clearly steppable for this to mean anything"
    allowed = most(share, clear["n"])
    assert clear[what] <= allowed, (
        f"{clear[what]} of {clear['n']} {what} ({clear[f'{what}_reasons']}), at most {allowed}: {clear['by_kind']}"
    )


# --------------------------------------------------------------------------- facets


def test_facets_are_found(mapped: Mapped) -> None:
    facets = mapped.found["facets"]
    n = facets["counts"]["all"]
    assert n["true"] > 50
    assert n["correct"] >= LEAST_FOUND * n["true"], f"{n['correct']} of {n['true']}: {facets['not_correct']}"


def test_a_gap_wider_than_a_joint_or_a_step_separates_patches(mapped: Mapped) -> None:
    merged = mapped.found["facets"]["merged"]
    assert merged["blocks_of"] > 0 and merged["steps_of"] >= 9  # seven pairs of treads, two or three of altar steps
    assert (merged["blocks"], merged["steps"]) == (0, 0)


def test_few_patches_are_spurious(mapped: Mapped) -> None:
    facets = mapped.found["facets"]
    true = facets["counts"]["all"]["true"]
    assert facets["spurious"] <= MOST_SPURIOUS * true, f"{facets['spurious']} for {true}: {facets['spurious_on']}"


def test_slopes_are_true(mapped: Mapped) -> None:
    assert mapped.found["facets"]["slope_error_deg"]["median"] < MOST_SLOPE_ERROR_DEG


# --------------------------------------------------------------------------- single spots


def ask(folder: Path, x: float, y: float, yaw_rad: float) -> dict[str, Any]:
    result = run("ask", folder, "--at", f"{x},{y},{np.rad2deg(yaw_rad)}")
    assert result.exit_code == 0, (result.stderr, result.exception)
    answer: dict[str, Any] = json.loads(result.stdout)
    return answer


def facet_named(truth: Truth, name: str) -> Facet:
    return next(f for f in truth.scene.facets if f.name == name)


def test_the_third_altar_step_carries_a_foot(demo_map: Path) -> None:
    truth = Truth.read(DEMO / "truth.json")
    step = facet_named(truth, "altar 2")
    a, b, _, d = step.exterior
    along = b - a
    yaw = float(np.arctan2(along[1], along[0]))
    for share in (0.4, 0.5, 0.6):
        spot = a + share * along + 0.5 * (d - a)
        answer = ask(demo_map, spot[0], spot[1], yaw)
        assert answer["label"] == "steppable", answer
        assert answer["z_m"] == pytest.approx(spot[2], abs=0.005)


def test_a_toe_over_the_wide_drain_is_an_edge(demo_map: Path) -> None:
    """The load stands 50 mm from the drain's border, so the toe reaches 120 mm past it."""
    truth = Truth.read(DEMO / "truth.json")
    drain = facet_named(truth, "wide drain")
    a, b, _, d = drain.exterior
    across = (d - a)[:2] / np.linalg.norm((d - a)[:2])
    for share in (0.3, 0.5, 0.7):
        spot = (a + share * (b - a))[:2] - 0.05 * across
        assert [truth.facets[i].name for _, i in truth.surfaces_at(*spot)] == ["floor"]
        answer = ask(demo_map, spot[0], spot[1], float(np.arctan2(across[1], across[0])))
        assert answer["label"] == "unsteppable", answer
        assert "edge" in answer["reasons"], answer


# --------------------------------------------------------------------------- the same bytes, and nothing real


def small_survey(folder: Path) -> Path:
    """Write a piece of the committed survey: its first scan, and every fourth return of the second."""
    (folder / "scans").mkdir(parents=True)
    for name in ("survey.toml", "poses.txt"):
        shutil.copy(DEMO / name, folder / name)
    for name, every in (("scan_000.laz", 1), ("scan_001.laz", 4)):
        las = laspy.read(DEMO / "scans" / name)
        las.points = las.points[np.arange(len(las.points)) % every == 0]
        las.write(str(folder / "scans" / name))
    return folder / "survey.toml"


def assess_apart(survey: Path, out: Path, *, threads: int) -> dict[str, bytes]:
    """Assess in a process of its own; return the map's files, of the manifest what must repeat."""
    env = {**os.environ, "NUMBA_NUM_THREADS": str(threads), "OMP_NUM_THREADS": str(threads)}
    command = [sys.executable, "-m", "terrain.cli.main", "assess", str(survey), "--out", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT, env=env, timeout=300)
    assert done.returncode == 0, done.stderr
    files = {str(path.relative_to(out)): path.read_bytes() for path in sorted(out.rglob("*")) if path.is_file()}
    manifest = json.loads(files["map.json"])
    for key in ("timings_s", "created", "software"):
        del manifest[key]
    return files | {"map.json": json.dumps(manifest, sort_keys=True).encode()}


def test_one_thread_and_two_give_the_same_bytes(tmp_path: Path) -> None:
    need_open3d()
    survey = small_survey(tmp_path / "survey")
    one, two = (assess_apart(survey, tmp_path / f"map {n}", threads=n) for n in (1, 2))
    assert {"map.json", "patches.gpkg", "level-0.tif", "cloud.laz"} <= one.keys()
    assert one.keys() == two.keys()
    assert [name for name in one if one[name] != two[name]] == []


def test_the_demo_says_that_it_is_invented() -> None:
    text = (DEMO / "survey.toml").read_text(encoding="utf-8")
    assert text.splitlines()[0].startswith("# An invented survey of an invented dry dock")
    assert 'name = "invented' in text
    assert json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["note"].startswith("invented")
    assert "invented" in (DEMO / "poses.txt").read_text(encoding="utf-8").splitlines()[0]
    assert "invented" in (DEMO / "README.md").read_text(encoding="utf-8").splitlines()[2]
    for path in (DEMO / "scans").glob("*.laz"):
        with laspy.open(path) as scan:
            assert "invented" in scan.header.generating_software, path


def test_the_map_says_that_the_survey_is_invented(demo_map: Path) -> None:
    assert "invented" in json.loads((demo_map / "map.json").read_text(encoding="utf-8"))["survey"]
