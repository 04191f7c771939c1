"""Versions of a map that grows: what is read from each is what was put in, whatever the one before held."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
import rasterio
from hypothesis import given, settings
from hypothesis import strategies as st

from terrain.data import Ground, LevelRaster
from terrain.errors import ReadError
from terrain.follow.mosaic import Mosaic
from terrain.maps.blocks import BLOCK, LevelBlocks
from terrain.maps.contents import MapContents
from terrain.maps.folder import MapDraft
from terrain.maps.growing import GrowingFiles
from terrain.maps.parts import MOST_FILES, Parts, open_part, write_part
from terrain.maps.rasters import BANDS, level_bands
from terrain.maps.store import open_map
from terrain.maps.tiles import Tile, TiledGround, TileGround
from tests.support.grounds import Layer, build_ground, flat, plane
from tests.support.map_contents import make_contents, make_patches, make_raster
from tests.support.rasters import level_of

FIELDS = tuple(field.name for field in dataclasses.fields(Ground) if field.name != "grid")


def tiles_of(*layers: Layer) -> dict[Tile, TileGround]:
    """Return the ground of some layers, four by three tiles of 0.64 m about the origin."""
    mosaic = Mosaic()
    ground = build_ground(*layers, x_m=(-1.28, 1.28), y_m=(-0.64, 1.28))
    mosaic.put(ground, [(x, y) for x in range(-2, 2) for y in range(-1, 2)], first_patch=0)
    return dict(mosaic.tiled(np.arange(9, dtype=np.int32)).tiles)


@pytest.fixture(scope="module")
def low() -> dict[Tile, TileGround]:
    return tiles_of(Layer(flat(0.0), patch_id=0))


@pytest.fixture(scope="module")
def high() -> dict[Tile, TileGround]:
    return tiles_of(Layer(flat(0.1), patch_id=1), Layer(plane(0.2, 0.3), patch_id=2))


def tiled(tiles: dict[Tile, TileGround], patches: int = 9) -> TiledGround:
    return TiledGround(tiles, 0.0, 0.01, np.arange(patches, dtype=np.int32)[::-1].copy())


def contents(tiles: dict[Tile, TileGround], **changes: object) -> MapContents:
    return dataclasses.replace(make_contents(points=10), points=None, ground=tiled(tiles), **changes)


def put(out: Path, files: GrowingFiles, version: MapContents, drawn: dict[int, list[tuple[int, ...]]]) -> None:
    with MapDraft(out, replace=True) as draft:
        files.fill(draft, version, drawn)
        draft.commit()


def numbers_of(folder: Path) -> dict[str, int]:
    return {path.relative_to(folder).as_posix(): path.stat().st_ino for path in folder.rglob("*") if path.is_file()}


def same_ground(one: Ground, other: Ground) -> bool:
    np.testing.assert_array_equal(one.grid.tile_slot, other.grid.tile_slot)
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in FIELDS)


def test_a_version_holds_what_was_put_in_and_links_the_rest(
    tmp_path: Path, low: dict[Tile, TileGround], high: dict[Tile, TileGround]
) -> None:
    out, files = tmp_path / "map", GrowingFiles()
    first = contents(low)
    put(out, files, first, {})
    before, held = numbers_of(out), open_map(out)
    assert same_ground(held.ground, first.ground.joined())
    assert held.ground.patch_id.max() == 8  # patch 0 of the tiles is patch 8 of the map

    put(out, files, dataclasses.replace(first, survey_name="again"), {})
    again = numbers_of(out)
    assert {name for name in before if before[name] != again[name]} == {"map.json"}

    mixed = {**low, (0, 0): high[0, 0]}
    del mixed[-2, -1]
    third = dataclasses.replace(first, ground=tiled(mixed), patches=make_patches())
    put(out, files, third, {})
    assert same_ground(open_map(out).ground, third.ground.joined())
    changed = {name for name, number in numbers_of(out).items() if again.get(name) != number}
    assert changed == {"map.json", "patches.gpkg", "ground/tile_part.npy", "ground/part-3.npy"}
    assert (out / "ground" / "part-3.npy").stat().st_size < (out / "ground" / "part-1.npy").stat().st_size / 6
    assert same_ground(held.ground, first.ground.joined())  # a map that is open stays what it was


def test_the_disk_may_refuse_second_names(
    tmp_path: Path, low: dict[Tile, TileGround], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(1, "Operation not permitted")

    out, files = tmp_path / "map", GrowingFiles()
    version = contents(low)
    put(out, files, version, {})
    monkeypatch.setattr("os.link", refuse)
    put(out, files, version, {})
    assert same_ground(open_map(out).ground, version.ground.joined())


@settings(max_examples=40, deadline=None)
@given(st.lists(st.lists(st.tuples(st.integers(-2, 1), st.integers(-1, 1)), max_size=4), min_size=1, max_size=60))
def test_parts_hold_every_tile_once_and_never_are_many(changes: list[list[Tile]]) -> None:
    """Against a dictionary of what each file was given; a tile in the list comes, changes or goes."""
    parts, tiles, given_to = Parts(), {(0, 0): grain()}, {}
    for changed in changes:
        for k, tile in enumerate(changed):
            if k == 3 and len(tiles) > 1:
                tiles.pop(tile, None)
            else:
                tiles[tile] = grain()
        number, fresh = parts.update(tiles)
        given_to[number] = fresh
        table = parts.table(tiled(tiles))
        x0, y0 = min(x for x, _ in tiles), min(y for _, y in tiles)
        for (row, column), held in np.ndenumerate(table):
            tile = (x0 + column, y0 + row)
            assert (held < 0) == (tile not in tiles)
            assert held < 0 or given_to[held][tile] is tiles[tile]
        assert set(parts.files()) == set(table[table >= 0].tolist())
        assert len(parts.files()) <= MOST_FILES
        assert sum(len(given_to[k]) for k in parts.files()) <= 2 * len(tiles)


def grain() -> TileGround:
    """Return a tile without anything in it."""
    starts = np.zeros(4097, dtype=np.int32)
    return TileGround(starts, starts, {"level": np.zeros(0, dtype=np.int16)})


@pytest.mark.parametrize("damage", ["half", "head", "other", "empty"])
def test_a_damaged_part_is_one_clear_error(tmp_path: Path, low: dict[Tile, TileGround], damage: str) -> None:
    path = tmp_path / "part-1.npy"
    write_part(path, low)
    assert set(open_part(path)) == set(low)
    whole = path.read_bytes()
    path.write_bytes({"half": whole[: len(whole) // 2], "head": whole[:20], "other": b"x" * 99, "empty": b""}[damage])
    with pytest.raises(ReadError, match=r"part-1\.npy: is damaged or cut short"):
        open_part(path)
    path.unlink()
    with pytest.raises(ReadError, match=r"part-1\.npy: is missing"):
        open_part(path)


def slope(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.where(x + y > 7.0, np.nan, 0.1 * x + 0.2 * y)


def read_all(path: Path) -> tuple[np.ndarray, dict[str, str], tuple[str, ...], object]:
    with rasterio.open(path) as file:
        return file.read(), file.tags(), file.descriptions, file.transform


def check(path: Path, raster: LevelRaster) -> None:
    """GDAL reads what the bands are, and that the file is a tiled one packed by zstd."""
    bands, tags, descriptions, transform = read_all(path)
    wanted = np.stack([np.asarray(band, dtype=np.float32)[::-1] for band in level_bands(raster).values()])
    np.testing.assert_array_equal(bands, wanted)
    ny = raster.height_m.shape[0]
    assert (transform.a, transform.c, transform.f) == pytest.approx((0.02, raster.x0_m, raster.y0_m + 0.02 * ny))
    assert descriptions == BANDS and tags["LEVEL"] == str(raster.level) and "ENGCRS" in tags["CRS_WKT"]
    with rasterio.open(path) as file:
        assert (file.compression.name, file.block_shapes[0]) == ("zstd", (BLOCK, BLOCK))


@pytest.mark.parametrize("cells", [(1, 1), (BLOCK, BLOCK), (300, 257), (BLOCK - 1, 2 * BLOCK + 3)])
def test_gdal_reads_a_level_as_it_is(tmp_path: Path, cells: tuple[int, int]) -> None:
    ny, nx = cells
    raster = level_of(slope, x_m=(-1.0, -1.0 + 0.02 * nx), y_m=(0.5, 0.5 + 0.02 * ny), level=2)
    assert LevelBlocks().write(tmp_path / "level-2.tif", raster, [])
    check(tmp_path / "level-2.tif", raster)


def test_blocks_that_changed_give_the_bytes_that_all_anew_give(tmp_path: Path) -> None:
    """Cells of the map in a box; the box's own numbers are checked by a level that begins at (-1.0, 0.5)."""
    raster = level_of(slope, x_m=(-1.0, 9.0), y_m=(0.5, 12.5))
    blocks = LevelBlocks()
    assert blocks.write(tmp_path / "one.tif", raster, [])
    assert not blocks.write(tmp_path / "none.tif", raster, [])
    assert not (tmp_path / "none.tif").exists()
    height = raster.height_m.copy()
    for row, column in ((0, 0), (255, 243), (599, 499), (300, 256)):  # row 0 is the lowest y
        height[row, column] = 7.0
        x, y = -50 + column, 25 + row
        changed = dataclasses.replace(raster, height_m=height.copy())
        assert blocks.write(tmp_path / "some.tif", changed, [(x, x + 1, y, y + 1)])
        LevelBlocks().write(tmp_path / "all.tif", changed, [])
        assert (tmp_path / "some.tif").read_bytes() == (tmp_path / "all.tif").read_bytes()
        check(tmp_path / "some.tif", changed)


def test_a_level_that_grew_is_packed_anew(tmp_path: Path) -> None:
    blocks = LevelBlocks()
    blocks.write(tmp_path / "one.tif", level_of(slope, x_m=(0.0, 4.0)), [])
    for x_m in ((-0.02, 4.0), (0.0, 4.02), (1.0, 4.0)):
        larger = level_of(slope, x_m=x_m)
        assert blocks.write(tmp_path / "other.tif", larger, [])
        check(tmp_path / "other.tif", larger)


def test_a_level_that_comes_back_is_written(tmp_path: Path, low: dict[Tile, TileGround]) -> None:
    out, files = tmp_path / "map", GrowingFiles()
    version = contents(low, rasters=(make_raster(0), make_raster(1)))
    put(out, files, version, {})
    put(out, files, dataclasses.replace(version, rasters=version.rasters[:1]), {})
    assert open_map(out).levels == (0,)
    put(out, files, version, {})
    np.testing.assert_array_equal(open_map(out).level(1).height_m, version.rasters[1].height_m)
