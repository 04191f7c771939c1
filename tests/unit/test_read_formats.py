"""PLY, PCD, E57, COPC and KITTI's records: the cloud that independent code wrote comes back to the format's precision.

Sources: Open3D's tensor writers, pye57 and copclib as independent code; G. Turk, "The PLY Polygon File Format", 1994;
the Point Cloud Library's description of PCD 0.7; ASTM E2807 for E57; Geiger et al., IJRR 32(11), 2013 for the records
of KITTI (the layouts from memory).
"""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from terrain.data import ScanOptions
from terrain.errors import DataError, ReadError
from terrain.kernels import lzf
from terrain.read.clouds import count_points, open_cloud, plan_reading
from terrain.read.e57 import open_e57
from terrain.read.poses import read_trajectory

MAP, SENSOR = ScanOptions(frame="map"), ScanOptions(frame="sensor")
FAR = np.array([515_000.0, 4_918_000.0, 120.0])


def points(count: int = 5000, *, far: bool = False) -> np.ndarray:
    xyz = np.random.default_rng(8).normal(0.0, 6.0, (count, 3))
    return xyz + FAR if far else xyz


def read(path: Path, options: ScanOptions = MAP, *, chunk_points: int = 1234, **more):
    plan = plan_reading([path], options, **more)
    scans = list(open_cloud(path, plan=plan, chunk_points=chunk_points))
    time = None if scans[0].time_s is None else np.concatenate([s.time_s for s in scans])
    return np.concatenate([s.xyz_m for s in scans]), time


WAYS = {
    "ply ascii": ("ply", {"write_ascii": True}),
    "ply binary": ("ply", {}),
    "pcd ascii": ("pcd", {"write_ascii": True}),
    "pcd binary": ("pcd", {}),
    "pcd compressed": ("pcd", {"compressed": True}),
}


OPEN3D = """
import json, numpy, open3d, sys
folder, ways = sys.argv[1], json.loads(sys.argv[2])
for kind in ("float64", "float32"):
    xyz, time = numpy.load(f"{folder}/{kind}.npy"), numpy.load(f"{folder}/time.npy")
    for name, (ending, options) in ways.items():
        cloud = open3d.t.geometry.PointCloud(open3d.core.Tensor(xyz))
        cloud.point["time"] = open3d.core.Tensor(time.reshape(-1, 1))
        assert open3d.t.io.write_point_cloud(f"{folder}/{kind} {name}.{ending}", cloud, **options)
"""
"""A program of its own: the library brings an old threading library that numba would warn of."""


@pytest.fixture(scope="module")
def by_open3d(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder of files that Open3D wrote of clouds beside them."""
    folder = tmp_path_factory.mktemp("open3d")
    np.save(folder / "float64.npy", points(far=True))
    np.save(folder / "float32.npy", points().astype(np.float32))
    np.save(folder / "time.npy", np.linspace(100.0, 120.0, 5000))
    program = [sys.executable, "-c", OPEN3D, str(folder), json.dumps(WAYS)]
    done = subprocess.run(program, capture_output=True, text=True, check=False, timeout=120)
    if "ImportError" in done.stderr or "OSError" in done.stderr:
        pytest.skip(f"Open3D cannot load here: {done.stderr.strip().splitlines()[-1]}")
    assert done.returncode == 0, done.stderr
    return folder


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("kind", ["float64", "float32"])
def test_what_open3d_writes_comes_back(by_open3d: Path, way: str, kind: str) -> None:
    """Coordinates of the size of UTM in float64, times of a pass of 20 s in float64; text has six digits."""
    xyz, time = np.load(by_open3d / f"{kind}.npy"), np.load(by_open3d / "time.npy")
    path = by_open3d / f"{kind} {way}.{WAYS[way][0]}"
    got, got_time = read(path, SENSOR, poses_s=(99.0, 121.0))
    digits = {"rtol": 1e-5 if "ascii" in way else 0.0, "atol": 0.0}
    np.testing.assert_allclose(got, xyz.astype(np.float64), **digits)
    np.testing.assert_allclose(got_time, time, **digits)
    assert count_points([path]) == len(xyz)


@settings(max_examples=40, deadline=None)
@given(
    data=st.lists(st.one_of(st.binary(max_size=40), st.tuples(st.binary(min_size=1, max_size=5), st.integers(1, 600)))),
)
def test_lzf_expands_what_a_plain_packer_packed(data) -> None:
    """The packer writes the format from its description: runs as they are, repeats as copies."""
    plain, packed = bytearray(), bytearray()
    for part in data:
        run, times = part if isinstance(part, tuple) else (part, 1)
        for start in range(0, len(run), 32):
            piece = run[start : start + 32]
            packed += bytes([len(piece) - 1]) + piece
        plain += run
        left = len(run) * (times - 1)
        while left >= 3 and run:
            length = min(left, 264)
            short, back = length - 2, len(run) - 1
            head = [(min(short, 7) << 5) | (back >> 8)] + ([short - 7] if short >= 7 else []) + [back & 255]
            packed += bytes(head)
            plain += (run * (length // len(run) + 1))[:length]
            run = plain[-len(run) :]
            left -= length
    out = np.zeros(len(plain), dtype=np.uint8)
    assert lzf.expand(np.frombuffer(bytes(packed), dtype=np.uint8), out) == len(plain)
    assert out.tobytes() == bytes(plain)


@pytest.mark.parametrize("packed", [[5, 1, 2], [0x20, 0], [0xE0], [0x40, 9, 1], [31] + [0] * 32])
def test_lzf_refuses_damage(packed: list[int]) -> None:
    """A run beyond the end, copies from before the start, heads cut short, more than there is room for."""
    assert lzf.expand(np.array(packed, dtype=np.uint8), np.zeros(20, dtype=np.uint8)) == -1


@pytest.mark.parametrize("order", ["<", ">"])
def test_ply_with_other_elements_and_types_before_the_points(tmp_path: Path, order: str) -> None:
    """Both byte orders; a sensor element before the vertices; every type; a face list behind."""
    kinds = {"red": "u1", "x": "f8", "t": "u4", "y": "f4", "z": "i2"}
    rows = np.zeros(7, np.dtype([(name, order + kind) for name, kind in kinds.items()]))
    rows["x"], rows["y"], rows["z"] = np.arange(7) / 3, -np.arange(7) / 8, np.arange(7) - 3
    rows["t"] = np.arange(7) * 1_000_000
    word = "little" if order == "<" else "big"
    header = (
        f"ply\nformat binary_{word}_endian 1.0\ncomment made by hand\nelement station 2\nproperty double easting\n"
        "property ushort id\nelement vertex 7\nproperty uchar red\nproperty double x\nproperty uint t\n"
        "property float y\nproperty short z\nelement face 1\nproperty list uchar int vertex_indices\nend_header\n"
    )
    path = tmp_path / "scan.ply"
    path.write_bytes(header.encode() + bytes(20) + rows.tobytes() + b"\x03" + bytes(12))
    xyz, _ = read(path)
    np.testing.assert_array_equal(xyz, np.column_stack([rows[a].astype(np.float64) for a in "xyz"]))


PLY = "ply\nformat {way} 1.0\nelement vertex {n}\nproperty float x\nproperty float y\nproperty float z\nend_header\n"
PCD = (
    "# .PCD v0.7\nVERSION 0.7\nFIELDS {fields}\nSIZE {sizes}\nTYPE {types}\nCOUNT {counts}\nWIDTH {n}\nHEIGHT 1\n"
    "VIEWPOINT 0 0 0 1 0 0 0\nPOINTS {n}\nDATA {way}\n"
)


def plain_ply(path: Path, xyz: np.ndarray, kind: str) -> Path:
    head = ["ply", "format binary_little_endian 1.0", f"element vertex {len(xyz)}"]
    head += [f"property {kind} {axis}" for axis in "xyz"] + ["end_header", ""]
    path.write_bytes("\n".join(head).encode() + xyz.astype("<f4" if kind == "float" else "<f8").tobytes())
    return path


@pytest.mark.parametrize(
    ("kind", "away_m", "step"), [("float", 5_800_456.0, "0.5"), ("float", 200_000.0, "0.0156"), ("double", 5.8e6, None)]
)
def test_coordinates_too_large_for_float32_are_refused(
    tmp_path: Path, kind: str, away_m: float, step: str | None
) -> None:
    """IEEE 754: binary32 has 24 bits, so that numbers from 2**22 on are half a metre apart, from 2**17 on 1/64 m."""
    path = plain_ply(tmp_path / "a.ply", points(2000) + np.array([0.0, away_m, 0.0]), kind)
    if step is None:
        assert len(read(path)[0]) == 2000
        return
    with pytest.raises(DataError, match=rf"a\.ply: got y about \d+ m from 0 as float32, in steps of {step} m,"):
        read(path)


def test_strays_far_off_do_not_count_as_coordinates_too_large(tmp_path: Path) -> None:
    xyz = points(2000)
    xyz[::3] = 1e30  # some drivers write beams without a return so
    xyz[1::7] = np.nan
    assert len(read(plain_ply(tmp_path / "a.ply", xyz, "float"))[0]) == 2000


def test_a_nan_that_signals_is_read_without_a_word(tmp_path: Path) -> None:
    """IEEE 754, 6.2.1: a NaN whose first bit of the fraction is 0 signals; Python would warn of it on stderr."""
    xyz = points(2000).astype("<f4")
    xyz.view("<u4")[7, 1] = 0x7F800001
    assert np.isnan(read(plain_ply(tmp_path / "a.ply", xyz, "float"))[0][7, 1])


def test_pcd_with_padding_and_fields_of_several_numbers(tmp_path: Path) -> None:
    axes = [("x", "<f4"), ("y", "<f4"), ("z", "<f4")]
    dtype = np.dtype([*axes, ("_", "u1", 4), ("normal", "<f4", 3), ("timestamp", "<f8")])
    rows = np.zeros(300, dtype)
    rows["x"], rows["y"], rows["z"] = points(300).T
    rows["timestamp"] = np.linspace(1_900_000_000.0, 1_900_000_000.1, 300)
    words = {"fields": "x y z _ normal timestamp", "sizes": "4 4 4 1 4 8", "types": "F F F U F F"}
    head = PCD.format(**words, counts="1 1 1 4 3 1", n=300, way="binary")
    path = tmp_path / "scan.pcd"
    path.write_bytes(head.encode() + rows.tobytes())
    xyz, time = read(path, SENSOR)
    np.testing.assert_array_equal(xyz, np.column_stack([rows[a].astype(np.float64) for a in "xyz"]))
    np.testing.assert_array_equal(time, rows["timestamp"])


def write_e57(path: Path, scans: list[tuple[np.ndarray, np.ndarray, np.ndarray]]) -> None:
    """Write scans of own points, translation, quaternion x y z w, by pye57 (which takes w first)."""
    import pye57

    file = pye57.E57(str(path), mode="w")
    for xyz, translation, xyzw in scans:
        data = {f"cartesian{axis}": column for axis, column in zip("XYZ", xyz.T, strict=True)}
        data["intensity"] = np.linspace(0.0, 1.0, len(xyz))
        file.write_scan_raw(data, rotation=np.roll(xyzw, 1), translation=translation)
    file.close()


def e57_scans(count: int = 3):
    rng = np.random.default_rng(9)
    turns = Rotation.from_euler("zyx", rng.uniform(-1.0, 1.0, (count, 3)))
    return [(points(4000 + k), rng.normal(0.0, 5.0, 3), turns[k].as_quat()) for k in range(count)]


def test_e57_scans_come_with_their_poses_applied(tmp_path: Path) -> None:
    scans = e57_scans()
    path = tmp_path / "stations.e57"
    write_e57(path, scans)
    xyz, time = read(path, MAP)
    expected = np.concatenate([Rotation.from_quat(turn).apply(own) + place for own, place, turn in scans])
    np.testing.assert_allclose(xyz, expected, rtol=0, atol=3e-6)  # pye57 stores float32
    assert time is None
    assert count_points([path]) == sum(len(own) for own, _, _ in scans)


def test_e57_in_the_sensors_frame_pairs_each_scan_with_its_pose(tmp_path: Path) -> None:
    scans = e57_scans()
    path = tmp_path / "stations.e57"
    write_e57(path, scans)
    xyz, time = read(path, ScanOptions(frame="sensor", time_base="scan"))
    trajectory, warnings = read_trajectory(path)
    assert warnings == []
    np.testing.assert_allclose(xyz, np.concatenate([own for own, _, _ in scans]), rtol=0, atol=3e-6)
    for k, (own, place, turn) in enumerate(scans):
        assert np.count_nonzero(time == trajectory.time_s[k]) == len(own)
        np.testing.assert_allclose(trajectory.position_m[k], place, atol=1e-12)
        np.testing.assert_allclose(trajectory.rotation_xyzw[k], turn, atol=1e-12)


def test_e57_invalid_points_are_left_out_and_quaternions_are_read_by_name(tmp_path: Path) -> None:
    """Written with libE57 itself: a rotation stored x, y, z, w, points marked invalid, spherical coordinates, times."""
    from pye57 import libe57

    path = tmp_path / "odd.e57"
    rng = np.random.default_rng(10)
    turn = Rotation.from_euler("zyx", [0.7, -0.2, 0.4])
    rae = np.column_stack([rng.uniform(1, 9, 500), rng.uniform(-3, 3, 500), rng.uniform(-1, 1, 500)])
    invalid = (np.arange(500) % 7 == 0).astype(np.int8)
    stamp = np.linspace(0.0, 2.0, 500)
    file = libe57.ImageFile(str(path), "w")
    root = file.root()
    file.extensionsAdd("", libe57.E57_V1_0_URI)
    root.set("formatName", libe57.StringNode(file, "ASTM E57 3D Imaging Data File"))
    root.set("guid", libe57.StringNode(file, "{0}"))
    root.set("data3D", libe57.VectorNode(file, True))
    scan = libe57.StructureNode(file)
    pose, rotation, translation, start = (libe57.StructureNode(file) for _ in range(4))
    scan.set("pose", pose)
    for name, value in zip("xyzw", turn.as_quat(), strict=True):
        rotation.set(name, libe57.FloatNode(file, float(value)))
    for name, value in zip("xyz", (1.0, 2.0, 3.0), strict=True):
        translation.set(name, libe57.FloatNode(file, value))
    pose.set("rotation", rotation)
    pose.set("translation", translation)
    start.set("dateTimeValue", libe57.FloatNode(file, 1_300_000_000.5))
    scan.set("acquisitionStart", start)
    prototype = libe57.StructureNode(file)
    spherical = ("sphericalRange", "sphericalAzimuth", "sphericalElevation")
    columns = {**dict(zip(spherical, rae.T, strict=True)), "timeStamp": stamp}
    buffers = libe57.VectorSourceDestBuffer()
    kept = [np.ascontiguousarray(column) for column in columns.values()]
    for name, column in zip(columns, kept, strict=True):
        prototype.set(name, libe57.FloatNode(file, 0.0, libe57.E57_DOUBLE, -1e3, 1e3))
        buffers.append(libe57.SourceDestBuffer(file, name, column, 500, True, True))
    prototype.set("sphericalInvalidState", libe57.IntegerNode(file, 0, 0, 2))
    buffers.append(libe57.SourceDestBuffer(file, "sphericalInvalidState", invalid, 500, True, True))
    vector = libe57.CompressedVectorNode(file, prototype, libe57.VectorNode(file, True))
    scan.set("points", vector)
    root["data3D"].append(scan)
    writer = vector.writer(buffers)
    writer.write(500)
    writer.close()
    file.close()
    flat = rae[:, 0] * np.cos(rae[:, 2])
    own = np.column_stack([flat * np.cos(rae[:, 1]), flat * np.sin(rae[:, 1]), rae[:, 0] * np.sin(rae[:, 2])])
    own = own[invalid == 0]
    xyz, _ = read(path, MAP)
    np.testing.assert_allclose(xyz, turn.apply(own) + np.array([1.0, 2.0, 3.0]), atol=1e-9)
    xyz, time = read(path, SENSOR)
    np.testing.assert_allclose(xyz, own, atol=1e-9)
    np.testing.assert_allclose(time, 1_300_000_000.5 + stamp[invalid == 0], atol=1e-6)
    assert open_e57(path, in_map=False).scans[0].start_s == 1_300_000_000.5


def write_kitti(folder: Path, scans: int = 3) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Write velodyne/000000.bin ..., poses.txt of 3 x 4 matrices, times.txt, each by the published layout."""
    (folder / "velodyne").mkdir(parents=True)
    rng = np.random.default_rng(11)
    clouds, matrices = [], []
    for k in range(scans):
        rows = np.column_stack([points(800 + k), rng.uniform(0.0, 1.0, 800 + k)]).astype(np.float32)
        (folder / "velodyne" / f"{k:06d}.bin").write_bytes(b"".join(struct.pack("<4f", *row) for row in rows))
        matrix = np.column_stack([Rotation.from_euler("y", 0.1 * k).as_matrix(), [0.1 * k, 0.0, 1.1 * k]])
        clouds.append(rows)
        matrices.append(matrix)
    (folder / "poses.txt").write_text("\n".join(" ".join(f"{v:.12e}" for v in m.ravel()) for m in matrices))
    (folder / "times.txt").write_text("\n".join(f"{0.1036 * k:.6e}" for k in range(scans)))
    return clouds, matrices


def test_records_of_kitti_and_their_matrices(tmp_path: Path) -> None:
    clouds, matrices = write_kitti(tmp_path)
    files = sorted((tmp_path / "velodyne").iterdir())
    plan = plan_reading(files, ScanOptions(frame="sensor", stamps_file=tmp_path / "times.txt"))
    for k, path in enumerate(files):
        (scan,) = open_cloud(path, plan=plan)
        np.testing.assert_array_equal(scan.xyz_m, clouds[k][:, :3].astype(np.float64))
        assert scan.time_s is not None
        np.testing.assert_allclose(scan.time_s, 0.1036 * k, atol=1e-12)
    assert "each scan counts as one instant" in plan.warnings[0]
    plan = plan_reading(files[1:], SENSOR)
    assert plan.stamps[files[2]] == 2.0
    trajectory, _ = read_trajectory(tmp_path / "poses.txt")
    assert trajectory.time_s.tolist() == [0.0, 1.0, 2.0]
    for k, matrix in enumerate(matrices):
        turn = Rotation.from_quat(trajectory.rotation_xyzw[k]).as_matrix()
        np.testing.assert_allclose(turn, matrix[:, :3], atol=1e-11)
        np.testing.assert_allclose(trajectory.position_m[k], matrix[:, 3], atol=1e-12)


def test_records_with_five_numbers_are_told(tmp_path: Path) -> None:
    rows = np.column_stack([points(800), np.full(800, 0.5), np.arange(800) % 32]).astype("<f4")
    path = tmp_path / "000000.bin"
    path.write_bytes(rows.tobytes())
    with pytest.raises(ReadError, match=r"000000\.bin: got .*another layout; expected records of four float32"):
        count_points([path])


COPC = """
import copclib, numpy, sys
truth = numpy.load(sys.argv[1])
config = copclib.CopcConfigWriter(7, [0.001] * 3, [0.0] * 3)
writer = copclib.FileWriter(sys.argv[2], config)
cloud = copclib.Points(config.las_header)
for x, y, z in truth.tolist():
    point = cloud.CreatePoint()
    point.x, point.y, point.z = x, y, z
    cloud.AddPoint(point)
writer.AddNode(copclib.VoxelKey(0, 0, 0, 0), cloud)
writer.Close()
"""


def test_copc_comes_as_the_cloud_that_was_written(tmp_path: Path) -> None:
    if importlib.util.find_spec("copclib") is None:
        pytest.skip("copclib is not installed")
    truth = np.round(points(500), 3)
    np.save(tmp_path / "truth.npy", truth)
    path = tmp_path / "site.copc.laz"
    subprocess.run([sys.executable, "-c", COPC, str(tmp_path / "truth.npy"), str(path)], check=True, timeout=60)
    xyz, _ = read(path)
    np.testing.assert_allclose(xyz, truth, atol=1e-9)


def cut(path: Path, share: float) -> Path:
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * share)])
    return path


@pytest.mark.parametrize("way", WAYS)
def test_files_cut_short_say_so(by_open3d: Path, tmp_path: Path, way: str) -> None:
    ending = WAYS[way][0]
    path = tmp_path / f"scan.{ending}"
    shutil.copy(by_open3d / f"float64 {way}.{ending}", path)
    with pytest.raises(ReadError, match=rf"scan\.{ending}: cut short: got \d+ ") as caught:
        read(cut(path, 0.6))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("share", [0.5, 0.95, 0.01])
def test_an_e57_cut_short_says_so(tmp_path: Path, share: float) -> None:
    path = tmp_path / "stations.e57"
    write_e57(path, e57_scans(2))
    with pytest.raises(ReadError, match=r"stations\.e57: "):
        read(cut(path, share))
    assert path.exists()


@pytest.mark.parametrize("ending", ["ply", "pcd", "e57"])
@pytest.mark.parametrize("content", [b"", b"something else entirely\n" * 50, bytes(300)])
def test_what_is_no_such_file_is_told(tmp_path: Path, ending: str, content: bytes) -> None:
    path = tmp_path / f"scan.{ending}"
    path.write_bytes(content)
    with pytest.raises(ReadError, match=rf"scan\.{ending}: .*expected"):
        read(path)


def test_missing_axes_and_times_are_named(tmp_path: Path) -> None:
    path = tmp_path / "scan.ply"
    head = PLY.format(way="ascii", n=1).replace("float z", "float height")
    path.write_text(head + "1 2 3\n")
    with pytest.raises(ReadError, match=r"scan\.ply: got x, y, height, expected x, y and z \(z missing\)"):
        read(path)
    path.write_text(head.replace("height", "z") + "1 2 3\n")
    with pytest.raises(DataError, match=r"got the fields x, y, z, expected 'stamp', the time_field asked for"):
        read(path, ScanOptions(time_field="stamp"))


@pytest.mark.parametrize("ending", ["ply", "pcd", "bin"])
def test_an_empty_cloud_comes_as_one_empty_scan(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"000000.{ending}"
    if ending == "ply":
        path.write_text(PLY.format(way="ascii", n=0))
    elif ending == "pcd":
        path.write_text(PCD.format(fields="x y z", sizes="4 4 4", types="F F F", counts="1 1 1", n=0, way="binary"))
    else:
        path.touch()
    scans = list(open_cloud(path))
    assert [len(scan.xyz_m) for scan in scans] == [0]


def test_binary_files_stream_in_bounded_memory(tmp_path: Path) -> None:
    """A sparse PLY of 480 MB is read in chunks of 1.2 MB."""
    import tracemalloc

    path = tmp_path / "large.ply"
    count = 40_000_000
    head = PLY.format(way="binary_little_endian", n=count)
    path.write_text(head)
    os.truncate(path, len(head) + 12 * count)
    tracemalloc.start()
    total = 0
    for scan in open_cloud(path, chunk_points=100_000):
        total += len(scan.xyz_m)
        if total >= 4_000_000:
            break
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 12e6


DATA = Path(__file__).parents[2].parent / "shared" / "data"


def real(name: str) -> Path:
    if not (DATA / name).exists():
        pytest.skip(f"{DATA / name} is missing: real scans are not part of the repository")
    return DATA / name


def test_a_room_as_e57_is_the_same_room_as_laz() -> None:
    """The LAZ was made from the E57 by independent code, rounded to 0.1 mm."""
    xyz, _ = read(real("plant_room/plant_room.e57"))
    las, _ = read(real("plant_room/plant_room.laz"))
    np.testing.assert_allclose(xyz, las, rtol=0, atol=0.5e-4 + 1e-9)


def test_points_of_a_real_pcd_lie_on_the_published_planes() -> None:
    """Point Cloud Library's own test states the larger plane: (a, b, c) / d within 0.1."""
    xyz, _ = read(real("two_planes/sac_plane_test.pcd"))
    normal = np.array([-0.8964, -0.5868, -1.208])
    off_m = np.abs(xyz @ normal + 1.0) / np.linalg.norm(normal)
    assert len(xyz) == 3283
    assert np.mean(off_m < 0.03) > 0.5


def test_real_compressed_pcd_shows_floor_and_ceiling() -> None:
    """The room is 2.94 m high, measured with independent code."""
    xyz, _ = read(real("room_pair/room_scan1.pcd"))
    z = xyz[np.linalg.norm(xyz, axis=1) > 0.5, 2]
    counts, edges = np.histogram(z, bins=np.arange(-2.0, 2.5, 0.02))
    low, high = (edges[:-1][half][np.argmax(counts[half])] for half in (edges[:-1] < 0.0, edges[:-1] > 0.5))
    assert high - low == pytest.approx(2.94, abs=0.05)
