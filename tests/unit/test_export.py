"""Maps in the formats of other programs, each read back by another library than the one that wrote it.

The map: a floor, a block, a ramp; two levels whose rasters are made by hand, so that every band is known.
"""

from __future__ import annotations

import csv
import dataclasses
import functools
import json
import resource
import shutil
import sqlite3
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import copclib
import laspy
import mcap.reader
import numpy as np
import pytest
import rasterio
import shapely
from click.testing import CliRunner
from mcap_ros2.decoder import DecoderFactory
from ruamel.yaml import YAML

from terrain.cli.main import cli
from terrain.data import REASONS, Label, LevelRaster
from terrain.errors import ConfigError, DataError
from terrain.export.copc import grow_octree
from terrain.export.formats import FORMATS, export_map
from terrain.maps.overrules import add_area
from terrain.maps.store import TerrainMap, open_map
from terrain.maps.write import write_map
from tests.support.map_contents import make_contents, make_raster

POINTS = 3000
NAMES = {"ros2-bag": "dock.mcap", "geopackage": "dock.gpkg", "geotiff": "dock.tif", "copc": "dock.copc.laz"}
NAMES |= {"ply": "dock.ply", "csv": "dock.csv"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("export") / "map-dock"
    write_map(out, make_contents(points=POINTS, levels=2), replace=False)
    return out


@pytest.fixture(scope="module")
def dock(folder: Path) -> TerrainMap:
    return open_map(folder)


@pytest.fixture(scope="module")
def exported(dock: TerrainMap, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    out = tmp_path_factory.mktemp("exported")
    for to, name in NAMES.items():
        export_map(dock, out / name, to=to)
    return {to: out / name for to, name in NAMES.items()}


def ground_cells(raster: LevelRaster) -> tuple[np.ndarray, np.ndarray]:
    return np.nonzero(np.isfinite(raster.height_m))


@functools.cache
def judged_reasons(dock: TerrainMap, number: int) -> list[tuple[str, ...]]:
    """Return the reasons at each cell that has ground and is not steppable, by `judge` itself; () for steppable."""
    raster = dock.level(number)
    row, column = ground_cells(raster)
    x, y = (raster.x0_m + (column + 0.5) * raster.cell_m, raster.y0_m + (row + 0.5) * raster.cell_m)
    placements = np.column_stack([x, y, raster.best_yaw_rad[row, column], raster.height_m[row, column]])
    verdicts = dock.judge(placements)
    label = raster.label[row, column]
    return [() if label[k] == Label.STEPPABLE else verdicts.reasons(k) for k in range(len(row))]


def bits_of(reasons: tuple[str, ...]) -> int:
    return sum(1 << REASONS.index(word) for word in reasons)


# --------------------------------------------------------------------------- each format by another reader


def test_csv(dock: TerrainMap, exported: dict[str, Path]) -> None:
    with exported["csv"].open(newline="") as file:
        rows = list(csv.DictReader(file))
    start = 0
    for number in dock.levels:
        raster = dock.level(number)
        row, column = ground_cells(raster)
        part = rows[start : start + len(row)]
        start += len(row)
        assert {line["level"] for line in part} == {str(number)}
        np.testing.assert_allclose(
            [float(line["x_m"]) for line in part], raster.x0_m + (column + 0.5) * raster.cell_m, atol=6e-5
        )
        np.testing.assert_allclose([float(line["height_m"]) for line in part], raster.height_m[row, column], atol=6e-5)
        assert [line["label"] for line in part] == [Label(int(k)).word for k in raster.label[row, column]]
        assert [tuple(filter(None, line["reasons"].split(";"))) for line in part] == judged_reasons(dock, raster.level)
        assert [line["headroom_m"] for line in part] == [
            "inf" if np.isinf(v) else f"{v:.3f}" for v in raster.headroom_m[row, column]
        ]
    assert start == len(rows)
    assert len({line["reasons"] for line in rows}) > 3


def test_geotiff_by_gdal(dock: TerrainMap, exported: dict[str, Path]) -> None:
    raster = dock.level(0)
    with rasterio.open(exported["geotiff"]) as source:
        tags, data = source.tags(), dict(zip(source.descriptions, source.read()[:, ::-1], strict=True))
        inside = next(source.sample([(0.325, 0.925)], indexes=[7]))[0]
    np.testing.assert_array_equal(data["label"], raster.label)
    np.testing.assert_array_equal(data["height_m"], raster.height_m)
    assert (
        inside == raster.label[int((0.925 - raster.y0_m) / raster.cell_m), int((0.325 - raster.x0_m) / raster.cell_m)]
    )
    bit_of = {word: int(bit) for bit, word in (part.split() for part in tags["REASONS"].split(", "))}
    place_of = {word: int(place) for place, word in (part.split() for part in tags["WORST_REASON"].split(", "))}
    row, column = ground_cells(raster)
    reasons = judged_reasons(dock, raster.level)
    assert data["reasons"][row, column].tolist() == [sum(bit_of[word] for word in words) for words in reasons]
    assert data["worst_reason"][row, column].tolist() == [place_of[words[0]] if words else 0 for words in reasons]
    assert np.isnan(data["reasons"][np.isnan(raster.height_m)]).all()
    if shutil.which("gdalinfo"):
        done = subprocess.run(
            ["gdalinfo", "-json", exported["geotiff"]], capture_output=True, text=True, check=True, timeout=60
        )
        assert [band["description"] for band in json.loads(done.stdout)["bands"]] == list(data)


def test_geotiff_of_another_level(dock: TerrainMap, tmp_path: Path) -> None:
    export_map(dock, tmp_path / "deck.tif", to="geotiff", level=1)
    with rasterio.open(tmp_path / "deck.tif") as source:
        np.testing.assert_array_equal(source.read(1)[::-1], dock.level(1).height_m)
    with pytest.raises(DataError, match=r"got level 7, expected one of \[0, 1\]"):
        export_map(dock, tmp_path / "x.tif", to="geotiff", level=7)


def test_geopackage(dock: TerrainMap, exported: dict[str, Path]) -> None:
    """GeoPackage is SQLite (OGC 12-128): read by Python's own; geometry after its header is plain WKB."""
    with sqlite3.connect(exported["geopackage"]) as base:
        layers = {name for (name,) in base.execute("SELECT table_name FROM gpkg_contents")}
        patches = base.execute("SELECT patch_id, label, reasons FROM patches ORDER BY patch_id").fetchall()
        areas = base.execute("SELECT geom, level, label, reasons, cells, area_m2 FROM areas").fetchall()
    base.close()
    assert layers == {"patches", "areas"}
    assert patches == [(0, "steppable", ""), (1, "marginal", "edge;support"), (2, "unsteppable", "slope")]
    for number in dock.levels:
        raster = dock.level(number)
        row, column = ground_cells(raster)
        expected = Counter(
            zip(
                (Label(int(k)).word for k in raster.label[row, column]),
                (";".join(words) for words in judged_reasons(dock, raster.level)),
                strict=True,
            )
        )
        found: Counter[tuple[str, str]] = Counter()
        for geom, level, label, reasons, cells, area in areas:
            if level == number:
                found[label, reasons] += cells
                shape = shapely.from_wkb(geom[8 + (32 if geom[3] & 0x02 else 0) :])
                assert shape.is_valid and shape.area == pytest.approx(area, abs=1e-6)
                assert area == pytest.approx(cells * raster.cell_m**2, abs=1e-6)
        assert found == expected
    if shutil.which("ogrinfo"):
        done = subprocess.run(
            ["ogrinfo", "-so", exported["geopackage"], "areas"], capture_output=True, text=True, check=True, timeout=60
        )
        assert f"Feature Count: {len(areas)}" in done.stdout and "reasons: String" in done.stdout


@functools.cache
def cloud_of(dock: TerrainMap) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the cloud's points, labels and reason bits by a plain loop: a cell's ground within 5 cm tells."""
    las = laspy.read(dock.path / "cloud.laz")
    xyz, label = np.asarray(las.xyz), np.array(las["label"])
    table = dock.patches()
    of_patch = {int(k): bits_of(reasons) for k, reasons in zip(table.patch_id, table.reasons, strict=True)}
    bits = [0 if label[k] == 1 else of_patch.get(int(las["patch_id"][k]), 0) for k in range(len(xyz))]
    for number in dock.levels:
        raster = dock.level(number)
        reasons = dict(zip(zip(*ground_cells(raster), strict=True), judged_reasons(dock, raster.level), strict=True))
        for k, (x, y, z) in enumerate(xyz):
            at = int((y - raster.y0_m) // raster.cell_m), int((x - raster.x0_m) // raster.cell_m)
            if at in reasons and abs(z - raster.height_m[at]) < 0.05:
                label[k], bits[k] = raster.label[at], bits_of(reasons[at])
    return xyz, label, np.array(bits)


def in_order(xyz: np.ndarray, *columns: np.ndarray) -> np.ndarray:
    """Return rows of x, y, z in 0.1 mm and the columns, sorted: formats may change the order of points."""
    rows = np.column_stack([np.rint(np.asarray(xyz) * 1e4), *columns]).astype(np.int64)
    return rows[np.lexsort(rows.T[::-1])]


def test_copc_by_laspy_and_copclib(dock: TerrainMap, exported: dict[str, Path]) -> None:
    path, (xyz, label, bits) = exported["copc"], cloud_of(dock)
    expected = in_order(xyz, label, bits)
    with laspy.CopcReader.open(path) as reader:
        points = reader.query()
        np.testing.assert_array_equal(
            in_order(np.column_stack([points.x, points.y, points.z]), points["label"], points["reasons"]), expected
        )
        window = laspy.copc.Bounds(mins=np.array([0.0, 0.0]), maxs=np.array([0.7, 0.9]))
        part = reader.query(bounds=window)
        inside = (xyz[:, :2] >= 0.0).all(axis=1) & (xyz[:, 0] <= 0.7) & (xyz[:, 1] <= 0.9)
        assert len(part) == np.count_nonzero(inside)
    plain = laspy.read(path)
    np.testing.assert_array_equal(in_order(plain.xyz, plain["label"], plain["reasons"]), expected)
    assert set(np.unique(plain["patch_id"])) == {-1, 0, 2}
    words = next(record for record in plain.header.vlrs if record.user_id == "terrain")
    assert b"16 edge" in words.record_data_bytes()
    other = copclib.FileReader(str(path))
    assert other.copc_config.las_header.point_count == POINTS
    assert other.ValidateSpatialBounds()


def test_the_octree_covers_coarsely_before_finely(tmp_path: Path) -> None:
    """Against the COPC rule that a node's points lie in its cube, and a parent exists for every node."""
    rng = np.random.default_rng(8)
    xyz = np.concatenate([rng.uniform(0, 8, (4000, 3)), rng.normal(2, 0.05, (3000, 3))])
    tree = grow_octree(xyz, node_points=200)
    assert np.sort(tree.order).tolist() == list(range(len(xyz)))
    keys = {tuple(key) for key in tree.key.tolist()}
    assert len(keys) == len(tree.key) and max(key[0] for key in keys) >= 3
    for k, (depth, *cell) in enumerate(tree.key.tolist()):
        if depth:
            assert (depth - 1, *(c // 2 for c in cell)) in keys
        size = 2 * tree.half_m / (1 << depth)
        low = tree.centre_m - tree.half_m + np.array(cell) * size
        inside = xyz[tree.order[tree.first[k] : tree.first[k + 1]]]
        assert 0 < len(inside) <= 200
        assert (inside >= low - 1e-9).all() and (inside <= low + size + 1e-9).all()
    root = xyz[tree.order[: tree.first[1]]]
    np.testing.assert_allclose(root.mean(axis=0), xyz.mean(axis=0), atol=0.5)


def test_ply_by_open3d(dock: TerrainMap, exported: dict[str, Path]) -> None:
    try:
        import open3d as o3d
    except (ImportError, OSError) as error:
        pytest.skip(f"Open3D cannot load here: {error}")
    cloud = o3d.t.io.read_point_cloud(str(exported["ply"]))
    xyz, label, bits = cloud_of(dock)
    np.testing.assert_array_equal(cloud.point.positions.numpy(), xyz)
    np.testing.assert_array_equal(cloud.point["label"].numpy().ravel(), label)
    np.testing.assert_array_equal(cloud.point["reasons"].numpy().ravel(), bits)
    assert cloud.point["patch_id"].numpy().min() == -1
    assert cloud.point.colors.numpy().shape == (POINTS, 3)


def test_cells_as_points(dock: TerrainMap, tmp_path: Path) -> None:
    export_map(dock, tmp_path / "cells.copc.laz", to="copc", points="cells")
    las = laspy.read(tmp_path / "cells.copc.laz")
    rows = []
    for number in dock.levels:
        raster = dock.level(number)
        row, column = ground_cells(raster)
        x, y = (raster.x0_m + (column + 0.5) * raster.cell_m, raster.y0_m + (row + 0.5) * raster.cell_m)
        bits = [bits_of(words) for words in judged_reasons(dock, raster.level)]
        rows.append(np.column_stack([x, y, raster.height_m[row, column], raster.label[row, column], bits]))
    want = np.concatenate(rows)
    np.testing.assert_array_equal(
        in_order(las.xyz, las["label"], las["reasons"]), in_order(want[:, :3], want[:, 3], want[:, 4])
    )


def test_bag_by_mcap(dock: TerrainMap, exported: dict[str, Path]) -> None:
    messages: dict[str, list[Any]] = {}
    with exported["ros2-bag"].open("rb") as file:
        reader = mcap.reader.make_reader(file, decoder_factories=[DecoderFactory()])
        for schema, channel, message, decoded in reader.iter_decoded_messages():
            messages.setdefault(channel.topic, []).append((schema.name, message.log_time, decoded))
    ((kind, stamp, tf),) = messages["/tf_static"]
    move = tf.transforms[0].transform.translation
    origin = np.array([move.x, move.y, move.z])
    assert kind == "tf2_msgs/msg/TFMessage"
    assert (tf.transforms[0].header.frame_id, tf.transforms[0].child_frame_id) == ("map", "terrain_origin")
    assert stamp > 1.7e18
    about = json.loads(messages["/terrain/about"][0][2].data)
    assert about["occupancy"] == {"unobserved": -1, "steppable": 0, "marginal": 50, "unsteppable": 100}
    for number in dock.levels:
        raster = dock.level(number)
        ((kind, _, grid),) = messages[f"/terrain/level_{number}/grid"]
        assert kind == "nav_msgs/msg/OccupancyGrid" and grid.header.frame_id == "terrain_origin"
        assert (grid.info.width, grid.info.height) == (60, 40)
        assert grid.info.resolution == pytest.approx(0.05)
        corner = grid.info.origin.position
        np.testing.assert_allclose([origin[0] + corner.x, origin[1] + corner.y], [raster.x0_m, raster.y0_m], atol=1e-9)
        scale = np.array([-1, 0, 50, 100])
        np.testing.assert_array_equal(
            np.array(grid.data, dtype=np.int8).reshape(40, 60), scale[raster.label.astype(int)]
        )
        assert -1 in grid.data
    ((kind, _, cloud),) = messages["/terrain/cells"]
    offsets = {field.name: (field.offset, field.datatype) for field in cloud.fields}
    types = {2: "u1", 3: "<i2", 4: "<u2", 5: "<i4", 7: "<f4"}  # sensor_msgs/PointField: the numbers of its types
    layout = {
        "names": list(offsets),
        "formats": [types[datatype] for _, datatype in offsets.values()],
        "offsets": [offset for offset, _ in offsets.values()],
        "itemsize": cloud.point_step,
    }
    rows = np.frombuffer(bytes(cloud.data), dtype=np.dtype(layout))
    assert len(rows) == cloud.width == sum(len(ground_cells(dock.level(k))[0]) for k in dock.levels)
    first = rows[rows["level"] == 0]
    raster = dock.level(0)
    row, column = ground_cells(raster)
    np.testing.assert_allclose(first["z"] + origin[2], raster.height_m[row, column], atol=1e-5)
    np.testing.assert_array_equal(first["label"], raster.label[row, column])
    assert first["reasons"].tolist() == [bits_of(words) for words in judged_reasons(dock, raster.level)]
    ((kind, _, markers),) = messages["/terrain/patches"]
    assert kind == "visualization_msgs/msg/MarkerArray"
    assert {(m.ns, m.id) for m in markers.markers if m.ns.endswith("outline")} == {
        ("steppable outline", 0),
        ("marginal outline", 1),
        ("unsteppable outline", 2),
    }
    assert [m.text for m in markers.markers if m.ns == "words"] == [
        "0 steppable",
        "1 marginal edge;support",
        "2 unsteppable slope",
    ]
    assert sum(m.ns == "steppable hole 1" for m in markers.markers) == 1
    polygons = messages["/terrain/patch_outlines"]
    assert [name for name, *_ in polygons] == ["geometry_msgs/msg/PolygonStamped"] * 3
    got = shapely.Polygon([(p.x + origin[0], p.y + origin[1]) for p in polygons[2][2].polygon.points])
    assert got.symmetric_difference(dock.patches().outline[2]).area < 1e-5


def test_a_bag_folder_is_read_by_another_library_too(dock: TerrainMap, tmp_path: Path) -> None:
    export_map(dock, tmp_path / "bag", to="ros2-bag")
    assert sorted(path.name for path in (tmp_path / "bag").iterdir()) == ["bag.mcap", "metadata.yaml"]
    before = (tmp_path / "bag" / "bag.mcap").read_bytes()
    export_map(dock, tmp_path / "bag", to="ros2-bag")  # a bag may be replaced
    assert (tmp_path / "bag" / "bag.mcap").read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["bag"]


def test_a_bag_opens_in_older_ros_too(dock: TerrainMap, tmp_path: Path) -> None:
    """Humble and Iron read qualities of service as text that holds numbers (ros2/rosbag2, issues 1895 and 2013).

    Numbers: rmw/types.h of ROS 2, from memory: keep all 2, reliable 1, transient local 1.
    """
    export_map(dock, tmp_path / "bag", to="ros2-bag")
    yaml = YAML(typ="safe")
    about = yaml.load((tmp_path / "bag" / "metadata.yaml").read_text())["rosbag2_bagfile_information"]
    offered = [topic["topic_metadata"]["offered_qos_profiles"] for topic in about["topics_with_message_count"]]
    with (tmp_path / "bag" / "bag.mcap").open("rb") as file:
        channels = mcap.reader.make_reader(file).get_summary().channels.values()
    offered += [channel.metadata["offered_qos_profiles"] for channel in channels]
    assert about["version"] <= 8 and len(offered) == 2 * len(channels) > 0
    for text in offered:
        assert isinstance(text, str)
        (profile,) = yaml.load(text)
        assert (profile["history"], profile["reliability"], profile["durability"]) == (2, 1, 1)


# --------------------------------------------------------------------------- all formats


def test_every_format_is_tested() -> None:
    assert set(NAMES) == set(FORMATS)


@pytest.mark.parametrize("to", FORMATS)
def test_the_same_map_gives_the_same_bytes(
    dock: TerrainMap, exported: dict[str, Path], tmp_path: Path, to: str
) -> None:
    export_map(open_map(dock.path), tmp_path / NAMES[to], to=to)
    assert (tmp_path / NAMES[to]).read_bytes() == exported[to].read_bytes()
    assert [path.name for path in tmp_path.iterdir()] == [NAMES[to]]


def test_areas_that_people_kept_out_are_in_it(folder: Path, tmp_path: Path) -> None:
    own = tmp_path / "map-dock"
    shutil.copytree(folder, own)
    add_area(
        own,
        kind="keep-out",
        area_m=[(0.2, 0.7), (0.4, 0.7), (0.4, 0.9), (0.2, 0.9)],
        level=None,
        name="A. Nobody",
        reason="wet paint",
    )
    export_map(open_map(own), tmp_path / "cells.csv", to="csv")
    with (tmp_path / "cells.csv").open(newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["level"] == "0" and row["x_m"] == "0.3250"]
    inside = next(row for row in rows if row["y_m"] == "0.8250")
    assert inside["label"] == "unsteppable" and "kept-out" in inside["reasons"].split(";")
    outside = next(row for row in rows if row["y_m"] == "1.2250")
    assert outside["label"] == "steppable" and outside["reasons"] == ""


def test_a_map_without_a_cloud(tmp_path: Path) -> None:
    contents = dataclasses.replace(make_contents(points=0), points=None)
    write_map(tmp_path / "map", contents, replace=False)
    with pytest.raises(DataError, match="has no cloud"):
        export_map(open_map(tmp_path / "map"), tmp_path / "a.ply", to="ply")
    export_map(open_map(tmp_path / "map"), tmp_path / "a.ply", to="ply", points="cells")
    assert (tmp_path / "a.ply").read_bytes().startswith(b"ply\n")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"to": "shapefile"}, "format: got 'shapefile', expected one of ros2-bag"),
        ({"to": "csv", "level": 1}, "only geotiff holds one"),
        ({"to": "csv", "points": "cloud"}, "points: got 'cloud' for csv"),
    ],
)
def test_what_does_not_go_together(dock: TerrainMap, tmp_path: Path, options: dict[str, Any], message: str) -> None:
    with pytest.raises(ConfigError, match=message):
        export_map(dock, tmp_path / "x", **options)


def test_names_that_cannot_be_written_to(dock: TerrainMap, tmp_path: Path) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter.txt").write_text("dear")
    with pytest.raises(DataError, match="exists and is no bag"):
        export_map(dock, tmp_path / "full", to="ros2-bag")
    with pytest.raises(DataError, match="cannot write there"):
        export_map(dock, tmp_path / "nowhere" / "a.csv", to="csv")
    with pytest.raises(DataError, match="cannot write there"):
        export_map(dock, tmp_path / "nowhere" / "bag", to="ros2-bag")
    with pytest.raises(DataError, match="is no ordinary file"):
        export_map(dock, tmp_path / "full", to="csv")
    with pytest.raises(DataError, match="in a path, expected UTF-8 without control characters"):
        export_map(dock, tmp_path / "two\nlines.gpkg", to="geopackage")
    assert [path.name for path in tmp_path.rglob("*")] == ["full", "letter.txt"]


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # some libraries leave files open
@pytest.mark.parametrize("name", [*NAMES.values(), "dock-bag"])
def test_what_does_not_fit_on_the_disk_is_told_by_the_name_that_was_asked_for(
    dock: TerrainMap, tmp_path: Path, name: str
) -> None:
    """No file may grow past 8 kB: writes fail as on a full disk (setrlimit(2); Python ignores SIGXFSZ)."""
    to = next((kind for kind, usual in NAMES.items() if usual == name), "ros2-bag")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (8_000, before[1]))
    try:
        with pytest.raises(DataError) as caught:
            export_map(dock, tmp_path / name, to=to)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert str(caught.value).startswith(f"{tmp_path / name}: cannot write")
    assert ".partial-" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_the_command(folder: Path, tmp_path: Path) -> None:
    got = CliRunner().invoke(cli, ["export", str(folder), "--to", "geotiff", "--out", str(tmp_path / "a.tif")])
    assert (got.exit_code, got.stdout) == (0, f"{tmp_path / 'a.tif'}\n")
    assert "Also there: level 1" in got.stderr
    got = CliRunner().invoke(cli, ["export", str(folder), "--to", "pdf", "--out", "a.pdf"])
    assert got.exit_code == 2 and "'pdf' is not one of" in got.stderr
    for option, value, message in (
        ("--level", "1", "--level is for geotiff"),
        ("--points", "cloud", "--points is for copc"),
        ("--to", "geopackage", "got 'a.csv', expected a name that ends in .gpkg for geopackage"),
        ("--to", "geotiff", "got 'a.csv', expected a name that ends in .tif or .tiff for geotiff"),
    ):
        got = CliRunner().invoke(cli, ["export", str(folder), "--to", "csv", "--out", "a.csv", option, value])
        assert got.exit_code == 2 and message in got.stderr
    got = CliRunner().invoke(cli, ["export", str(tmp_path), "--to", "csv", "--out", str(tmp_path / "b.csv")])
    assert got.exit_code == 1 and "is not a map folder" in got.stderr


def test_killed_at_any_moment_nothing_torn_is_left(tmp_path: Path) -> None:
    """SIGKILL at 12 random moments: a name holds the whole new file, or what was there before.

    All of the map is steppable, so that no time goes into judging: what is killed is the writing.
    """
    folder, raster = tmp_path / "map", make_raster()
    easy = dataclasses.replace(raster, label=np.ones_like(raster.label))
    write_map(folder, make_contents(points=50, rasters=(easy,)), replace=False)
    out = tmp_path / "out"
    out.mkdir()
    formats = ("csv", "geopackage", "ros2-bag")
    done = subprocess.run(
        [
            sys.executable,
            "-W",
            "ignore",
            "-m",
            "tests.support.killing",
            folder,
            out,
            "--turns",
            "12",
            "--formats",
            *formats,
        ],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    lines = done.stdout.splitlines()
    assert lines[-1] == "torn 0"
    assert any(line.endswith("new") for line in lines) and any(line.endswith("old") for line in lines)
    strays = [path.name for path in out.iterdir() if path.name not in ("dock.csv", "dock.gpkg", "dock.mcap")]
    assert strays and all(name.startswith(".dock") and ".partial-" in name for name in strays)
