"""Opening a map: quick, with the same ground and foot back, and clear words for what is wrong with it."""

from __future__ import annotations

import dataclasses
import json
import sys
import types
from collections.abc import Callable
from importlib import resources
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from terrain.data import FootProfile, Ground, Limit
from terrain.errors import DataError, ReadError
from terrain.foot import foot_to_dict
from terrain.maps.manifest import foot_from_json
from terrain.maps.store import TerrainMap, open_map
from terrain.maps.write import write_map
from tests.support.grounds import biped
from tests.support.map_contents import make_contents, make_ground, make_raster


@pytest.fixture(scope="module")
def shared_map(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("store") / "map"
    write_map(out, make_contents(levels=2), replace=False)
    return out


@pytest.fixture
def own_map(tmp_path: Path) -> Path:
    write_map(tmp_path / "map", make_contents(points=50), replace=False)
    return tmp_path / "map"


def edit(folder: Path, change: Callable[[dict[str, object]], object]) -> None:
    manifest = json.loads((folder / "map.json").read_text())
    change(manifest)
    (folder / "map.json").write_text(json.dumps(manifest))


def same_foot(a: FootProfile, b: FootProfile) -> bool:
    return all(
        np.array_equal(getattr(a, f.name), getattr(b, f.name))
        if f.name == "outline_m"
        else getattr(a, f.name) == getattr(b, f.name)
        for f in dataclasses.fields(FootProfile)
    )


def test_the_manifest_meets_the_schema_that_ships(shared_map: Path) -> None:
    schema = json.loads((resources.files("terrain.maps") / "map.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    manifest = json.loads((shared_map / "map.json").read_text())
    jsonschema.Draft202012Validator(schema).validate(manifest)
    del manifest["timings_s"]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(schema).validate(manifest)


def test_the_counts_add_up(shared_map: Path) -> None:
    counts = open_map(shared_map).manifest["counts"]
    assert counts["points_read"] == counts["points_kept"] + sum(counts["points_dropped"].values())
    assert sum(counts["points_per_label"].values()) == counts["points_kept"] == 5000
    assert counts["patches_per_label"] == {"unobserved": 0, "steppable": 1, "marginal": 1, "unsteppable": 1}
    # 60 x 40 cells of 25 cm2, less 10 x 10 nobody saw, on two levels; half of the columns are steppable
    assert sum(counts["ground_m2_per_label"].values()) == pytest.approx(2 * 2300 * 0.0025)
    assert counts["ground_m2_per_label"]["steppable"] == pytest.approx(2 * 1100 * 0.0025)


def test_points_unaccounted_for_are_refused() -> None:
    with pytest.raises(ValueError, match="7 unaccounted for"):
        make_contents(points=50, points_read=87)


def test_the_manifest_tells_what_a_map_cannot_see(shared_map: Path) -> None:
    text = " ".join(open_map(shared_map).manifest["cautions"]).lower()
    for word in ("friction", "no safety function", "unobserved", "water", "glass", "soft"):
        assert word in text
    assert "compliant" not in text


def test_the_ground_comes_back_bit_for_bit(shared_map: Path) -> None:
    ground, expected = open_map(shared_map).ground, make_ground()
    for f in dataclasses.fields(Ground):
        if f.name == "grid":
            continue
        got, want = getattr(ground, f.name), getattr(expected, f.name)
        np.testing.assert_array_equal(got, want, err_msg=f.name)
        if f.name != "levels":
            assert got.dtype == want.dtype, f.name
            assert not got.flags.writeable, f.name
    assert ground.grid.columns == expected.grid.columns
    assert (ground.grid.x0_m, ground.grid.y0_m, ground.grid.cell_m) == (-1.0, -0.5, 0.01)
    np.testing.assert_array_equal(ground.grid.tile_slot, expected.grid.tile_slot)


def test_the_ground_is_mapped_not_read(shared_map: Path) -> None:
    base = open_map(shared_map).ground.height_m
    while isinstance(base, np.ndarray) and not isinstance(base, np.memmap):
        base = base.base
    assert isinstance(base, np.memmap)


def test_the_foot_comes_back_exactly(shared_map: Path) -> None:
    assert same_foot(open_map(shared_map).foot, biped())
    odd = biped(slope_rad=Limit(0.1 + 0.2, 1 / 3), z=2.0 / 3.0)
    assert same_foot(foot_from_json(json.loads(json.dumps(foot_to_dict(odd)))), odd)


def test_limits_are_in_the_units_of_their_names(shared_map: Path) -> None:
    limits = open_map(shared_map).manifest["limits"]
    assert limits["slope_deg"] == {"comfort": 10.0, "limit": 18.0}
    assert limits["roughness_mm"] == {"comfort": 6.0, "limit": 12.0}


def test_a_level_comes_back(shared_map: Path) -> None:
    got, want = open_map(shared_map).level(1), make_raster(1)
    assert (got.level, got.cell_m) == (1, want.cell_m)
    assert (got.x0_m, got.y0_m) == pytest.approx((want.x0_m, want.y0_m), abs=1e-12)
    for name in ("height_m", "height_sd_m", "headroom_m", "points", "label", "yaw_share", "patch_id"):
        np.testing.assert_array_equal(getattr(got, name), getattr(want, name), err_msg=name)
    for name in ("slope_rad", "roughness_m", "best_yaw_rad"):
        np.testing.assert_allclose(getattr(got, name), getattr(want, name), rtol=1e-6, err_msg=name)
    with pytest.raises(DataError, match=r"got level 2, expected one of \[0, 1\]"):
        open_map(shared_map).level(2)


def test_patches_come_back(shared_map: Path) -> None:
    table = open_map(shared_map).patches()
    assert len(table) == 3
    assert table.reasons == ((), ("edge", "support"), ("slope",))
    np.testing.assert_allclose(np.degrees(table.slope_rad), [0, 0, 20.0], atol=1e-9)
    # the ramp rises with x, so it descends against x
    np.testing.assert_allclose(np.degrees(table.aspect_rad), [np.nan, np.nan, 180.0], atol=1e-9)
    assert table.outline[0].area == pytest.approx(3 * 2 - 0.25)


def test_a_map_without_cloud_and_patches(tmp_path: Path) -> None:
    empty = make_contents(points=0)
    none = dataclasses.replace(empty, points=None)
    write_map(tmp_path / "map", none, replace=False)
    opened = open_map(tmp_path / "map")
    assert "cloud.laz" not in opened.manifest["files"]
    assert not (tmp_path / "map" / "cloud.laz").exists()
    assert opened.manifest["counts"]["points_per_label"] is None


# --------------------------------------------------------------------------- judging


def judge_with(monkeypatch: pytest.MonkeyPatch, terrain_map: TerrainMap, placements: object) -> np.ndarray:
    seen: list[np.ndarray] = []
    module = types.ModuleType("terrain.score.placements")
    module.judge_placements = lambda ground, foot, four, *, known: seen.append(four)  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "terrain.score.placements", module)
    terrain_map.judge(placements)
    return seen[0]


def test_judge_hands_on_four_columns(shared_map: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened = open_map(shared_map)
    got = judge_with(monkeypatch, opened, [[1, 2, 3]])
    np.testing.assert_array_equal(got, [[1, 2, 3, np.nan]])
    got = judge_with(monkeypatch, opened, np.array([[1, 2, 3, 4.5], [1, 2, 3, np.nan]], dtype=np.float32))
    np.testing.assert_array_equal(got, [[1, 2, 3, 4.5], [1, 2, 3, np.nan]])
    assert got.dtype == np.float64
    assert judge_with(monkeypatch, opened, np.empty((0, 3))).shape == (0, 4)


@pytest.mark.parametrize(
    ("placements", "message"),
    [
        ([1, 2, 3], r"shape \(3,\)"),
        ([[1, 2]], r"shape \(1, 2\)"),
        ([[0, 0, 0], [1, np.nan, 3]], "row 1"),
        ([[0, 0, 0, np.inf]], "row 0"),
        ([[0, 0, np.inf, 0]], "row 0"),
    ],
)
def test_judge_refuses(shared_map: Path, placements: list[float], message: str) -> None:
    with pytest.raises(DataError, match=message):
        open_map(shared_map).judge(placements)


# --------------------------------------------------------------------------- what can be wrong


def test_no_map_folder(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="not a map folder"):
        open_map(tmp_path)
    with pytest.raises(ReadError, match="not a map folder"):
        open_map(tmp_path / "nowhere")
    (tmp_path / "map.json").write_text('{"format": "soup"}')
    with pytest.raises(ReadError, match="not the manifest of a map"):
        open_map(tmp_path)


def test_a_newer_map(own_map: Path) -> None:
    edit(own_map, lambda m: m.update(format_version=3))
    with pytest.raises(ReadError, match="format_version is 3, this software reads up to 2"):
        open_map(own_map)
    edit(own_map, lambda m: m.update(format_version="1"))
    with pytest.raises(ReadError, match="format_version is '1'"):
        open_map(own_map)


def test_newer_ground_arrays(own_map: Path) -> None:
    edit(own_map, lambda m: m["ground"].update(format_version=9))
    with pytest.raises(ReadError, match="ground arrays have format version 9"):
        open_map(own_map)


@pytest.mark.parametrize("name", ["cloud.laz", "level-0.tif", "patches.gpkg", "ground/height_m.npy"])
def test_a_missing_file(own_map: Path, name: str) -> None:
    (own_map / name).unlink()
    with pytest.raises(ReadError, match=f"{name}: is missing"):
        open_map(own_map)


@pytest.mark.parametrize("size", [0, 40, 200])
def test_a_ground_file_cut_short(own_map: Path, size: int) -> None:
    path = own_map / "ground" / "height_m.npy"
    path.write_bytes(path.read_bytes()[:size])
    with pytest.raises(ReadError, match=r"height_m\.npy: is damaged or cut short"):
        open_map(own_map)


def test_a_ground_file_of_another_map(own_map: Path) -> None:
    path = own_map / "ground" / "height_m.npy"
    np.save(path, np.zeros(3, dtype=np.float32))
    with pytest.raises(ReadError, match=r"height_m\.npy: got <f4 \[3\]"):
        open_map(own_map)


def test_a_manifest_cut_short(own_map: Path) -> None:
    path = own_map / "map.json"
    path.write_text(path.read_text()[:500])
    with pytest.raises(ReadError, match=r"map\.json: is damaged or cut short"):
        open_map(own_map)


@pytest.mark.parametrize("part", ["foot", "ground", "levels", "files"])
def test_a_manifest_without_a_part(own_map: Path, part: str) -> None:
    edit(own_map, lambda m: m.pop(part))
    with pytest.raises(ReadError, match=f"lacks or garbles a part: '{part}'"):
        open_map(own_map)


def test_damaged_files_of_other_programs(own_map: Path) -> None:
    (own_map / "patches.gpkg").write_bytes(b"no database")
    (own_map / "level-0.tif").write_bytes(b"no picture")
    opened = open_map(own_map)
    with pytest.raises(ReadError, match=r"patches\.gpkg"):
        opened.patches()
    with pytest.raises(ReadError, match=r"level-0\.tif"):
        opened.level(0)
