"""The files of a map as programs see them that know nothing of this package.

Sources: LAS 1.4 R15 (ASPRS), public header block; GeoPackage 1.3 (OGC 12-128r17), section 2.1.3, the geometry blob, and
1.1.2, srs_id -1 for undefined Cartesian; GeoTIFF 1.1 (OGC 19-008r4); from memory where the offsets are given.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import struct
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import laspy
import numpy as np
import pytest
import rasterio
import shapely
from pyogrio import raw

from terrain.maps.write import write_map
from tests.support.map_contents import CELL_M, NX, NY, SLOPE_DEG, X0_M, Y0_M, make_contents

ROOT = Path(__file__).parents[2]
BANDS = "height_m height_sd_m slope_deg roughness_mm headroom_m points label best_yaw_deg yaw_share".split()
COLUMNS = (
    "patch_id level label reasons slope_deg slope_sd_deg aspect_deg roughness_mm area_m2 inset_m placements points "
    "normal_x normal_y normal_z"
).split()


@pytest.fixture(scope="module")
def map_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("files") / "map"
    write_map(out, make_contents(levels=2), replace=False)
    return out


def tool(*command: str, quiet: bool = True) -> str:
    if shutil.which(command[0]) is None:
        pytest.skip(f"{command[0]} is not installed (Debian package gdal-bin)")
    ran = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    assert not quiet or ran.stderr == ""
    return ran.stdout


def digests(folder: Path) -> dict[str, str]:
    files = [path for path in folder.rglob("*") if path.is_file() and path.name != "map.json"]
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


# --------------------------------------------------------------------------- polygons


def polygon_of(blob: bytes) -> tuple[shapely.Geometry, int]:
    """Parse a GeoPackage geometry blob: GP, version, flags, srs_id, envelope, then WKB."""
    magic, version, flags = struct.unpack("<2sBB", blob[:4])
    assert (magic, version) == (b"GP", 0)
    srs_id = struct.unpack("<i" if flags & 1 else ">i", blob[4:8])[0]
    envelope = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}[(flags >> 1) & 7]
    return shapely.from_wkb(blob[8 + envelope :]), srs_id


def test_patches_by_sqlite(map_folder: Path) -> None:
    with sqlite3.connect(f"file:{map_folder / 'patches.gpkg'}?mode=ro", uri=True) as base:
        names = [row[1] for row in base.execute("PRAGMA table_info(patches)")]
        assert [name for name in names if name not in ("fid", "geom")] == COLUMNS
        assert base.execute("SELECT table_name, srs_id FROM gpkg_contents").fetchall() == [("patches", -1)]
        kind = base.execute("SELECT geometry_type_name, srs_id, z FROM gpkg_geometry_columns").fetchall()
        assert kind == [("POLYGON", -1, 1)]
        organisation = base.execute("SELECT organization FROM gpkg_spatial_ref_sys WHERE srs_id = -1").fetchone()
        assert organisation == ("NONE",)
        rows = base.execute(f"SELECT {', '.join(COLUMNS)}, geom FROM patches ORDER BY patch_id").fetchall()
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    base.close()
    by_name = [dict(zip([*COLUMNS, "geom"], row, strict=True)) for row in rows]
    assert [row["patch_id"] for row in by_name] == [0, 1, 2]
    assert [row["level"] for row in by_name] == [0, 0, -1]
    assert [row["label"] for row in by_name] == ["steppable", "marginal", "unsteppable"]
    assert [row["reasons"] for row in by_name] == ["", "edge;support", "slope"]
    assert by_name[2]["slope_deg"] == pytest.approx(SLOPE_DEG)
    assert by_name[2]["slope_sd_deg"] == pytest.approx(0.3)
    assert by_name[2]["aspect_deg"] == pytest.approx(180.0)
    assert by_name[0]["aspect_deg"] is None
    assert by_name[1]["roughness_mm"] == pytest.approx(2.0)
    assert by_name[0]["points"] == 4000

    floor, srs_id = polygon_of(by_name[0]["geom"])
    assert srs_id == -1
    assert floor.has_z
    assert len(floor.interiors) == 1
    assert floor.area == pytest.approx(3 * 2 - 0.25)
    ramp, _ = polygon_of(by_name[2]["geom"])
    assert max(point[2] for point in ramp.exterior.coords) == pytest.approx(1.5 * np.tan(np.radians(SLOPE_DEG)))


def test_patches_by_ogrinfo(map_folder: Path) -> None:
    text = tool("ogrinfo", "-so", str(map_folder / "patches.gpkg"), "patches")
    assert "Geometry: 3D Polygon" in text
    assert "Feature Count: 3" in text
    assert "Undefined Cartesian SRS" in text
    assert "reasons: String" in text


def test_patches_by_pyogrio(map_folder: Path) -> None:
    meta, _, geometry, fields = raw.read(map_folder / "patches.gpkg", layer="patches")
    assert list(meta["fields"]) == COLUMNS
    assert meta["geometry_type"] == "Polygon Z"
    assert len(geometry) == len(fields[0]) == 3


# --------------------------------------------------------------------------- rasters


def test_level_by_rasterio(map_folder: Path) -> None:
    with rasterio.open(map_folder / "level-1.tif") as source:
        assert list(source.descriptions) == BANDS
        assert set(source.dtypes) == {"float32"}
        assert all(np.isnan(value) for value in source.nodatavals)
        assert source.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
        assert source.tags()["CRS_WKT"].startswith("ENGCRS[")
        assert source.crs is not None
        assert not source.crs.is_geographic
        assert not source.crs.is_projected
        assert 'UNIT["metre",1' in source.crs.to_wkt()
        assert source.bounds == pytest.approx((X0_M, Y0_M, X0_M + NX * CELL_M, Y0_M + NY * CELL_M))
        # cell (ix 33, iy 12): the values that the raster was made of
        x, y = X0_M + 33.5 * CELL_M, Y0_M + 12.5 * CELL_M
        got = dict(zip(BANDS, next(source.sample([(x, y)])), strict=True))
        unseen = dict(zip(BANDS, next(source.sample([(X0_M + 0.01, Y0_M + 0.01)])), strict=True))
        under = next(source.sample([(x, Y0_M + 35.5 * CELL_M)]))[BANDS.index("headroom_m")]
    expected = {
        "height_m": 0.33 + 12 + 1,
        "height_sd_m": 0.001,
        "slope_deg": 16.5,
        "roughness_mm": 1.2,
        "headroom_m": np.inf,
        "points": 33 % 7,
        "label": 2,
        "best_yaw_deg": 22.5,
        "yaw_share": 1 / 16,
    }
    assert got == pytest.approx(expected, rel=1e-6)
    assert unseen.pop("label") == 0
    assert np.isnan(list(unseen.values())).all()
    assert under == pytest.approx(0.3)


def test_level_by_gdalinfo(map_folder: Path) -> None:
    assert "Driver: GTiff/GeoTIFF" in tool("gdalinfo", str(map_folder / "level-0.tif"))
    # -json looks for latitudes too and complains that a local frame has none
    info = json.loads(tool("gdalinfo", "-json", str(map_folder / "level-0.tif"), quiet=False))
    assert [band["description"] for band in info["bands"]] == BANDS
    assert {band["type"] for band in info["bands"]} == {"Float32"}
    assert info["metadata"]["IMAGE_STRUCTURE"]["LAYOUT"] == "COG"
    assert info["geoTransform"] == pytest.approx([X0_M, CELL_M, 0, Y0_M + NY * CELL_M, 0, -CELL_M])
    assert "terrain map frame" in info["coordinateSystem"]["wkt"]


# --------------------------------------------------------------------------- cloud


def test_cloud_header_bytes(map_folder: Path) -> None:
    header = (map_folder / "cloud.laz").read_bytes()[:375]
    assert header[:4] == b"LASF"
    assert struct.unpack_from("<H", header, 6)[0] & 0x10  # WKT, which point formats from 6 on must have
    assert header[8:24] == bytes(16)
    assert header[24:26] == bytes([1, 4])
    assert struct.unpack_from("<HH", header, 90) == (0, 0)  # day and year of creation
    assert header[104] == 6 | 0x80  # point format 6, compressed
    assert struct.unpack_from("<3d", header, 131) == (1e-4, 1e-4, 1e-4)
    assert struct.unpack_from("<Q", header, 247)[0] == 5000


def test_cloud_by_laspy(map_folder: Path) -> None:
    contents = make_contents(levels=2)
    las = laspy.read(map_folder / "cloud.laz")
    assert str(las.header.version) == "1.4"
    assert las.header.point_format.id == 6
    assert list(las.point_format.extra_dimension_names) == ["patch_id", "label"]
    assert las["patch_id"].dtype == np.int32
    assert las["label"].dtype == np.uint8
    points = contents.points
    assert points is not None
    np.testing.assert_allclose(las.xyz, points.xyz_map_m, atol=0.5001e-4)
    np.testing.assert_array_equal(las.gps_time, points.time_s)
    np.testing.assert_array_equal(las["patch_id"], points.patch_id)
    np.testing.assert_array_equal(las["label"], points.label)
    assert (np.asarray(las.return_number) == 1).all()
    assert (np.asarray(las.number_of_returns) == 1).all()
    np.testing.assert_allclose(las.header.mins, las.xyz.min(axis=0), atol=1e-9)


def test_cloud_far_from_the_origin(tmp_path: Path) -> None:
    from terrain.maps.cloud import CloudWriter

    far = np.array([[451_234.56781, 5_412_345.67894, 123.4567], [451_235.0, 5_412_346.0, 123.0]])
    with CloudWriter(tmp_path / "far.laz", origin_m=far[0]) as writer:
        writer.append(far, None, np.array([-1, 7], dtype=np.int32), np.array([0, 3], dtype=np.uint8))
    las = laspy.read(tmp_path / "far.laz")
    np.testing.assert_allclose(las.xyz, far, atol=0.51e-4)
    np.testing.assert_array_equal(las["patch_id"], [-1, 7])
    with CloudWriter(tmp_path / "out.laz", origin_m=np.zeros(3)) as writer, pytest.raises(ValueError, match="214748 m"):
        writer.append(far, None, np.zeros(2, dtype=np.int32), np.zeros(2, dtype=np.uint8))


# --------------------------------------------------------------------------- same bytes


def test_same_bytes_whatever_the_threads_and_the_day(tmp_path: Path) -> None:
    script = """
        import os, pathlib, sys
        from tests.support.map_contents import make_contents
        from terrain.maps.write import write_map
        threads = int(sys.argv[2])
        os.cpu_count = lambda: threads
        write_map(pathlib.Path(sys.argv[1]), make_contents(points=1_100_000, levels=1), replace=False)
        """
    got = []
    for threads in ("1", "3"):
        out = tmp_path / f"map-{threads}"
        subprocess.run(
            [sys.executable, "-c", textwrap.dedent(script), str(out), threads],
            cwd=ROOT,
            check=True,
            timeout=120,
            env={"RAYON_NUM_THREADS": threads, "PATH": "/usr/bin:/bin"},
        )
        got.append(digests(out))
        time.sleep(1.1)  # dates of whole seconds would differ
    assert got[0] == got[1]
    assert {"cloud.laz", "patches.gpkg", "level-0.tif", "ground/height_m.npy"} <= set(got[0])


def test_same_bytes_however_the_cloud_is_handed_over(tmp_path: Path) -> None:
    from terrain.maps.cloud import CloudWriter

    cloud = make_contents(points=600_000).points
    assert cloud is not None
    for name, step in (("whole.laz", 600_000), ("parts.laz", 77_777)):
        with CloudWriter(tmp_path / name, origin_m=cloud.origin_m) as writer:
            for start in range(0, 600_000, step):
                part = slice(start, start + step)
                writer.append(cloud.xyz_map_m[part], None, cloud.patch_id[part], cloud.label[part])
        assert writer.points == 600_000
    assert (tmp_path / "whole.laz").read_bytes() == (tmp_path / "parts.laz").read_bytes()


def test_a_big_level_has_overviews_and_equal_bytes(tmp_path: Path) -> None:
    import dataclasses

    from terrain.maps.blocks import LevelBlocks
    from terrain.maps.rasters import write_level
    from tests.support.map_contents import make_raster

    small = make_raster()
    bands = {
        field.name: np.tile(getattr(small, field.name), (20, 12))
        for field in dataclasses.fields(small)
        if isinstance(getattr(small, field.name), np.ndarray)
    }
    big = dataclasses.replace(small, **bands)
    write_level(tmp_path / "a.tif", big)
    write_level(tmp_path / "b.tif", big)
    assert (tmp_path / "a.tif").read_bytes() == (tmp_path / "b.tif").read_bytes()
    with rasterio.open(tmp_path / "a.tif") as source:
        assert source.overviews(1) == [2, 4]
        assert source.shape == (NY * 20, NX * 12)
        # an overview of labels holds labels, never a mean of two
        coarse = source.read(BANDS.index("label") + 1, out_shape=(NY * 10, NX * 6))
        assert set(np.unique(coarse)) <= {0, 1, 2, 3}
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.tif", "b.tif"]
    assert LevelBlocks().write(tmp_path / "plain.tif", big, ())  # as while a map grows
    with rasterio.open(tmp_path / "a.tif") as one, rasterio.open(tmp_path / "plain.tif") as other:
        assert other.overviews(1) == [] and one.descriptions == other.descriptions
        assert (one.transform, one.tags()["LEVEL"], one.crs) == (other.transform, other.tags()["LEVEL"], other.crs)
        np.testing.assert_array_equal(one.read(), other.read())


# --------------------------------------------------------------------------- judging from disk


def test_verdicts_from_disk_are_those_from_memory(map_folder: Path) -> None:
    from terrain.data import Verdicts
    from terrain.maps.store import open_map
    from terrain.score.placements import judge_placements
    from tests.support.grounds import biped
    from tests.support.map_contents import make_ground

    rng = np.random.default_rng(3)
    placements = np.column_stack([rng.uniform(-1.2, 2.2, 60), rng.uniform(-0.7, 1.7, 60), rng.uniform(-3, 3, 60)])
    got, want = open_map(map_folder).judge(placements), judge_placements(make_ground(), biped(), placements)
    assert len(set(want.label.tolist())) >= 3
    for name in Verdicts.__slots__:
        np.testing.assert_array_equal(getattr(got, name), getattr(want, name), err_msg=name)


def test_ask_about_ground_of_known_shape(map_folder: Path) -> None:
    """Level floor at 0, a ramp of 20 degrees against a limit of 18, nothing beyond x = 2."""
    from click.testing import CliRunner

    from terrain.cli.main import cli

    def ask(at: str) -> dict[str, object]:
        got = CliRunner().invoke(cli, ["ask", str(map_folder), "--at", at])
        assert got.exit_code == 0, got.output
        answer: dict[str, object] = json.loads(got.stdout)
        return answer

    floor, ramp, nothing = ask("0.5,1.0,30"), ask("1,0,0"), ask("5,5,0")
    assert (floor["label"], floor["reasons"], floor["z_m"], floor["patch_id"]) == ("steppable", [], 0.0, 0)
    assert (ramp["label"], ramp["patch_id"]) == ("unsteppable", 2)
    assert ramp["reasons"][0] == "slope"
    assert ramp["slope_deg"] == pytest.approx(SLOPE_DEG, abs=0.01)
    assert ramp["z_m"] == pytest.approx(np.tan(np.radians(SLOPE_DEG)), abs=1e-4)
    assert (nothing["label"], nothing["reasons"][0], nothing["z_m"]) == ("unobserved", "no-ground", None)
