"""`terrain locate` by hand: exit codes, JSON, wrong input."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
import shapely
from click.testing import CliRunner, Result
from scipy.spatial.transform import Rotation

from terrain.cli.main import cli
from terrain.data import Label, Patches, PatchVerdicts
from terrain.maps.write import write_map
from tests.support.clouds import write_laz
from tests.support.map_contents import make_contents, make_patches, make_verdicts

SURVEY = """
[survey]
name = "again"
[frame]
points = "map"
[sensor]
range_sd_m = 0.003
[scans]
files = ["again.laz"]
[foot]
profile = "biped"
"""
FACES = (
    ((-1.0, -0.5, 0.0), (0.0, 2.0, 0.0), (0.0, 0.0, 1.0)),
    ((-1.0, 1.5, 0.0), (0.0, 0.0, 1.0), (3.0, 0.0, 0.0)),
    ((-0.5, -0.25, 0.0), (0.0, 0.0, 0.1), (0.0, 0.5, 0.0)),
    ((-0.5, -0.25, 0.0), (0.5, 0.0, 0.0), (0.0, 0.0, 0.1)),
)
"""Two walls, and two sides of the block: a corner and two edges; the normal is the cross product of the edges."""


def faces() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    corner, a, b = (np.array([face[i] for face in FACES]) for i in range(3))
    return corner, a, b


def upright_patches() -> Patches:
    """Return the map's three patches and the faces."""
    flat = make_patches()
    corner, a, b = faces()
    normal = np.cross(a, b)
    area = np.linalg.norm(normal, axis=1)
    normal /= area[:, None]
    rings = [[c, c + p, c + p + q, c + q] for c, p, q in zip(corner, a, b, strict=True)]

    def more(name: str, value: float) -> np.ndarray:
        old = getattr(flat, name)
        return np.concatenate([old, np.full(len(FACES), value, dtype=old.dtype)])

    same = ("slope_sd_rad", "height_sd_m", "roughness_m", "residual_m", "noise_m")
    return Patches(
        origin_m=flat.origin_m,
        normal=np.concatenate([flat.normal, normal]),
        offset_m=np.concatenate([flat.offset_m, np.einsum("ij,ij->i", normal, corner)]),
        centre_m=np.concatenate([flat.centre_m, corner + 0.5 * (a + b)]),
        points=more("points", 500),
        area_m2=np.concatenate([flat.area_m2, area]),
        upward=np.concatenate([flat.upward, np.zeros(len(FACES), dtype=bool)]),
        outline=(*flat.outline, *(shapely.Polygon(ring) for ring in rings)),
        **{name: more(name, 0.003) for name in same},
    )


def upright_verdicts() -> PatchVerdicts:
    known, count = make_verdicts(), len(FACES)
    return PatchVerdicts(
        label=np.concatenate([known.label, np.full(count, Label.UNSTEPPABLE)]),
        reason=np.concatenate([known.reason, np.full((count, known.reason.shape[1]), -1)]),
        level=np.concatenate([known.level, np.full(count, -1)]),
        inset_m=np.concatenate([known.inset_m, np.full(count, 0.1)]),
        placements=np.concatenate([known.placements, np.zeros(count)]),
    )


def points(*, upright: bool) -> np.ndarray:
    """Return points of the map's ground, and of its faces."""
    rng = np.random.default_rng(2)
    xy = rng.uniform([-1.0, -0.5], [2.0, 1.5], (40_000, 2))
    x, y = xy.T
    on_ramp = (x > 0.6) & (x < 1.5) & (y < 0.5)
    block = (x > -0.5) & (x < 0.0) & (np.abs(y) < 0.25)
    z = np.where(on_ramp, x * math.tan(math.radians(20.0)), np.where(block, 0.1, 0.0))
    parts = [np.column_stack([xy, z])]
    if upright:
        corner, a, b = faces()
        for c, p, q in zip(corner, a, b, strict=True):
            u, v = rng.uniform(0.0, 1.0, (2, 6000, 1))
            parts.append(c + u * p + v * q)
    xyz = np.concatenate(parts)
    return xyz + rng.normal(0.0, 0.003, xyz.shape)


@pytest.fixture(scope="module")
def site(tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("site") / "map"
    write_map(out, make_contents(patches=upright_patches(), patch_verdicts=upright_verdicts()), replace=False)
    return out


def run(site: Path, folder: Path, xyz: np.ndarray, *options: str) -> Result:
    write_laz(folder / "again.laz", xyz)
    (folder / "survey.toml").write_text(SURVEY)
    return CliRunner().invoke(cli, ["locate", str(site), str(folder / "survey.toml"), *options])


def test_a_pass_is_placed(site: Path, tmp_path: Path) -> None:
    turn, shift = Rotation.from_euler("z", 0.05), np.array([10.0, 5.0, 1.0])
    done = run(site, tmp_path, turn.apply(points(upright=True)) + shift, "--near=-10.1,-4.4,0")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["decision"] == "placed"
    assert told["reasons"] == told["undetermined"] == []
    matrix = np.array(told["T_map_survey"])
    assert np.abs(matrix[:3, :3] - turn.inv().as_matrix()).max() < math.radians(0.2)
    middle = np.array([0.5, 0.5, 0.0])
    assert np.abs(matrix[:3, :3] @ (turn.apply(middle) + shift) + matrix[:3, 3] - middle).max() < 0.01
    assert told["yaw_deg"] == pytest.approx(-math.degrees(0.05), abs=0.2)
    assert set(told["sd"]) == {"x_m", "y_m", "z_m", "roll_deg", "pitch_deg", "yaw_deg"}
    assert np.shape(told["covariance"]) == (6, 6)
    assert told["inlier_share"] > 0.95


def test_what_could_slide_is_refused_with_exit_3(site: Path, tmp_path: Path) -> None:
    """Floor, block top and a ramp along x: nothing tells the way along y."""
    done = run(site, tmp_path, points(upright=False), "--near", "0,0,0")
    assert done.exit_code == 3
    told = json.loads(done.stdout)
    assert told["decision"] == "refused"
    assert told["T_map_survey"] is None
    assert np.shape(told["closest"]) == (4, 4)
    assert any("the position along 90 degrees from x" in word or "along 89" in word for word in told["undetermined"])


@pytest.mark.parametrize("near", ["1,2", "1,2,x", "1,2,nan", "1,2,3,4"])
def test_a_guess_that_is_none_is_wrong_usage(site: Path, tmp_path: Path, near: str) -> None:
    done = run(site, tmp_path, points(upright=False), "--near", near)
    assert done.exit_code == 2
    assert f"got '{near}', expected X,Y,YAW_DEG" in done.stderr


def test_what_is_no_map_and_too_few_points_are_one_line_each(site: Path, tmp_path: Path) -> None:
    done = run(tmp_path, tmp_path, points(upright=False))
    assert done.exit_code == 1
    assert len(done.stderr.strip().splitlines()) == 1
    done = run(site, tmp_path, points(upright=False)[:20])
    assert done.exit_code == 1
    assert "expected at least 60 to lay onto a map" in done.stderr
