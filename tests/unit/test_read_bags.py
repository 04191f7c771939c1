"""Bags: clouds, times and poses as the rosbags library wrote them, in every storage.

Sources: sensor_msgs/PointCloud2, nav_msgs/Odometry and tf2_msgs/TFMessage of ROS for the layouts; rosbags writes the
files, NumPy and SciPy hold the truth.
"""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation, Slerp

from terrain.data import PoseOptions, ScanOptions
from terrain.errors import DataError, FrameError, ReadError
from terrain.read.bag_poses import read_tree, static_transform
from terrain.read.bags import open_bag
from terrain.read.clouds import count_points, open_cloud, plan_reading
from terrain.read.poses import read_trajectory
from tests.support.bags import STORAGES, BagWriter

START_S = 1_900_000_000.25
PERIOD_S = 0.1
PACKED = np.dtype([("x", "<f4"), ("y", "<f4"), ("z", "<f4"), ("intensity", "<f4"), ("t", "<u4")])
SPREAD = np.dtype(
    {
        "names": ["x", "y", "z", "time", "ring"],
        "formats": ["<f8", "<f8", "<f8", "<f8", "<u2"],
        "offsets": [0, 8, 16, 32, 44],
        "itemsize": 48,
    }
)


def records(rng: np.random.Generator, dtype: np.dtype, points: int, time: np.ndarray | None = None) -> np.ndarray:
    rows = np.zeros(points, dtype)
    for axis in "xyz":
        rows[axis] = rng.normal(0.0, 5.0, points)
    for name in set(dtype.names) & {"t", "time"}:
        rows[name] = time
    return rows


def sweep(points: int, unit: float, dtype: str) -> np.ndarray:
    """Return times within a revolution of 0.0999 s, in steps of it, as stored in that unit."""
    return (np.arange(points) / points * 0.0999 / unit).astype(dtype)


def written(folder: Path, storage: str, dtype: np.dtype, times, *, scans: int = 4, points: int = 3000, **options):
    """Write scans a tenth of a second apart; return the bag, and the records and true stamp of each scan."""
    rng = np.random.default_rng(1)
    truth = []
    with BagWriter(folder, storage) as bag:
        for k in range(scans):
            rows = records(rng, dtype, points, times(k))
            stamp = START_S + PERIOD_S * k
            bag.cloud("/points", rows, stamp, **options)
            truth.append((rows, stamp))
    return bag.path, truth


def read(path: Path, options: ScanOptions | None = None, **more):
    plan = plan_reading([path], options or ScanOptions(), **more)
    scans = list(open_cloud(path, plan=plan))
    time = None if scans[0].time_s is None else np.concatenate([s.time_s for s in scans])
    return np.concatenate([s.xyz_m for s in scans]), time, next(iter(plan.readings.values())), plan


@pytest.mark.parametrize("storage", STORAGES)
@pytest.mark.parametrize("dtype", [PACKED, SPREAD], ids=["packed", "padded"])
def test_points_and_times_come_as_they_were_written(tmp_path: Path, storage: str, dtype: np.dtype) -> None:
    unit, kind = (1e-9, "u4") if dtype is PACKED else (1.0, "f8")
    path, truth = written(tmp_path, storage, dtype, lambda k: sweep(3000, unit, kind))
    xyz, time, reading, _ = read(path)
    rows = np.concatenate([rows for rows, _ in truth])
    np.testing.assert_array_equal(xyz, np.column_stack([rows[a].astype(np.float64) for a in "xyz"]))
    expected = np.concatenate([stamp + rows["t" if dtype is PACKED else "time"] * unit for rows, stamp in truth])
    np.testing.assert_allclose(time, expected, rtol=0, atol=5e-7)  # float64 at 1.9e9 s has steps of 2.4e-7
    assert reading.base == "stamp"
    assert count_points([path]) == 12_000


def test_rows_that_are_filled_up_and_big_endian_numbers(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    big = PACKED.newbyteorder(">")
    with BagWriter(tmp_path, "mcap") as bag:
        rows = records(rng, PACKED, 60, sweep(60, 1e-9, "u4"))
        swapped = np.zeros(60, big)
        for name in PACKED.names:
            swapped[name] = rows[name]
        bag.cloud("/points", swapped, START_S, height=6, row_padding=12, big_endian=True)
        bag.cloud("/points", rows, START_S + PERIOD_S, height=6, row_padding=4)
    xyz, _, _, _ = read(bag.path, ScanOptions(time_unit="ns"))
    assert np.array_equal(xyz[:60], xyz[60:])
    assert np.array_equal(xyz[60:], np.column_stack([rows[a].astype(np.float64) for a in "xyz"]))


def absolute(k: int) -> np.ndarray:
    return START_S + PERIOD_S * k + sweep(3000, 1.0, "f8")


def since_start(k: int) -> np.ndarray:
    return 812.5 + PERIOD_S * k + sweep(3000, 1.0, "f8")


ENCODINGS = {
    "relative s, float32": ("f4", lambda k: sweep(3000, 1.0, "f4"), "s", "stamp", 1e-6),
    "relative s before the stamp": ("f4", lambda k: sweep(3000, 1.0, "f4") - np.float32(0.0999), "s", "stamp", 1e-6),
    "relative us, uint32": ("u4", lambda k: sweep(3000, 1e-6, "u4"), "us", "stamp", 2e-6),
    "relative ns, uint32": ("u4", lambda k: sweep(3000, 1e-9, "u4"), "ns", "stamp", 1e-6),
    "relative ms, float32": ("f4", lambda k: sweep(3000, 1e-3, "f4"), "ms", "stamp", 1e-6),
    "absolute s, float64": ("f8", absolute, "s", "clock", 1e-6),
    "absolute us, float64": ("f8", lambda k: np.floor(absolute(k) * 1e6), "us", "clock", 2e-6),
    "absolute ns, float64": ("f8", lambda k: absolute(k) * 1e9, "ns", "clock", 1e-6),
    "s since the sensor started": ("f8", since_start, "s", "own", 1e-6),
    "ns since the sensor started": ("f8", lambda k: np.floor(since_start(k) * 1e9), "ns", "own", 1e-6),
}
"""Name: stored type, stored times of scan k, and what must be told of them: unit, base; tolerance in seconds."""


@pytest.mark.parametrize("name", ENCODINGS)
def test_every_encoding_of_times_gives_the_same_times(tmp_path: Path, name: str) -> None:
    """The truth is a point's place in its revolution, whatever unit and origin it was stored with."""
    kind, times, unit, base, tolerance_s = ENCODINGS[name]
    dtype = np.dtype([("x", "<f4"), ("y", "<f4"), ("z", "<f4"), ("t", f"<{kind}")], align=True)
    path, truth = written(tmp_path, "mcap", dtype, times)
    _, time, reading, plan = read(path)
    shift = -0.0999 if "before" in name else 0.0
    expected = np.concatenate([stamp + shift + sweep(3000, 1.0, "f8") for _, stamp in truth])
    assert (reading.unit, reading.base) == (unit, base), reading.why
    np.testing.assert_allclose(time, expected, rtol=0, atol=tolerance_s)
    assert plan.notes and {"s": "seconds", "ms": "milli", "us": "micro", "ns": "nano"}[unit] in plan.notes[0]
    assert bool(plan.warnings) == (base == "own")


def test_no_field_of_times_means_one_instant_a_scan_and_says_so(tmp_path: Path) -> None:
    dtype = np.dtype([("x", "<f4"), ("y", "<f4"), ("z", "<f4")])
    path, truth = written(tmp_path, "db3", dtype, lambda k: None)
    _, time, reading, plan = read(path)
    np.testing.assert_allclose(time, np.repeat([stamp for _, stamp in truth], 3000), rtol=0, atol=1e-6)
    assert reading.base == "whole"
    assert "each scan counts as one instant" in plan.warnings[0]


def test_headers_without_time_take_the_recorders(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    with BagWriter(tmp_path, "mcap") as bag:
        for k in range(3):
            rows = records(rng, PACKED, 2000, sweep(2000, 1e-9, "u4"))
            bag.cloud("/points", rows, 0.0, recorded_s=START_S + PERIOD_S * k)
    _, time, reading, plan = read(bag.path)
    assert time[0] == pytest.approx(START_S, abs=1e-6)
    assert time[-2000] == pytest.approx(START_S + 2 * PERIOD_S, abs=1e-6)
    assert "from the scan's record time (headers hold none)" in reading.why
    assert "headers hold no time: the recorder's time of each message stands in" in plan.warnings[0]


@pytest.mark.parametrize("fields", [PACKED, np.dtype([("nothing", "<f4")])], ids=["same fields", "no such fields"])
def test_times_are_told_by_messages_with_points_however_many_empty_ones_come_first(
    tmp_path: Path, fields: np.dtype
) -> None:
    """Drivers publish empty clouds until they are ready; the truth is a point's place in its revolution."""
    rng = np.random.default_rng(6)
    with BagWriter(tmp_path, "mcap") as bag:
        for k in range(24):
            empty = k < 20
            rows = np.zeros(0, fields) if empty else records(rng, PACKED, 3000, sweep(3000, 1e-9, "u4"))
            bag.cloud("/points", rows, START_S + PERIOD_S * k)
    _, time, reading, plan = read(bag.path)
    expected = [START_S + PERIOD_S * k + sweep(3000, 1.0, "f8") for k in range(20, 24)]
    assert (reading.unit, reading.base) == ("ns", "stamp"), reading.why
    np.testing.assert_allclose(time, np.concatenate(expected), rtol=0, atol=1e-6)
    assert not plan.warnings


def test_times_that_are_no_numbers_are_not_called_zero(tmp_path: Path) -> None:
    dtype = np.dtype([("x", "<f4"), ("y", "<f4"), ("z", "<f4"), ("t", "<f8")])
    path, _ = written(tmp_path, "mcap", dtype, lambda k: np.full(3000, np.nan))
    _, _, reading, plan = read(path)
    assert reading.base == "whole"
    assert "field t: no time is a finite number" in plan.warnings[0]


def test_a_topic_of_nothing_but_empty_messages_has_no_points(tmp_path: Path) -> None:
    with BagWriter(tmp_path, "mcap") as bag:
        for k in range(3):
            bag.cloud("/points", np.zeros(0, PACKED), START_S + PERIOD_S * k)
    assert len(read(bag.path)[0]) == 0


def test_times_that_fit_no_unit_or_several_stop_with_the_key_that_settles_it(tmp_path: Path) -> None:
    dtype = np.dtype([("x", "<f4"), ("y", "<f4"), ("z", "<f4"), ("t", "<f8")])
    path, _ = written(tmp_path, "mcap", dtype, lambda k: np.linspace(3.0, 3.000002, 3000))
    with pytest.raises(DataError, match=r"topic /points: field t .*no unit makes sense.*scans\.time_unit"):
        plan_reading([path], ScanOptions())
    assert plan_reading([path], ScanOptions(time_unit="s")).readings["bag"].unit == "s"


def test_a_topic_must_be_named_where_there_are_several(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    with BagWriter(tmp_path, "mcap") as bag:
        for name in ("/left", "/right"):
            bag.cloud(name, records(rng, PACKED, 10, sweep(10, 1e-9, "u4")), START_S)
        bag.odometry("/odom", START_S, (0, 0, 0), (0, 0, 0, 1))
    with pytest.raises(DataError, match=r"2 topics of PointCloud2 \(/left, /right\), expected one, or scans\.topic"):
        plan_reading([bag.path], ScanOptions())
    with pytest.raises(DataError, match=r"got scans\.topic '/odom', /odom is nav_msgs/msg/Odometry, expected"):
        plan_reading([bag.path], ScanOptions(topic="/odom"))
    assert len(read(bag.path, ScanOptions(topic="/left", time_unit="ns"))[0]) == 10


def walk(count: int = 60):
    time = START_S + np.arange(count) * 0.02
    place = np.column_stack([np.linspace(0, 1.2, count), 0.1 * np.sin(np.arange(count) / 9), np.full(count, 0.6)])
    turn = Rotation.from_euler("zyx", np.column_stack([np.linspace(0, 1.5, count), np.full((count, 2), 0.02)]))
    return time, place, turn


@pytest.mark.parametrize("storage", STORAGES)
def test_odometry_comes_as_poses(tmp_path: Path, storage: str) -> None:
    time, place, turn = walk()
    with BagWriter(tmp_path, storage) as bag:
        for k in range(len(time)):
            bag.odometry("/odom", time[k], place[k], turn[k].as_quat())
    trajectory, warnings = read_trajectory(bag.path)
    assert warnings == []
    np.testing.assert_allclose(trajectory.time_s, time, rtol=0, atol=5e-7)
    np.testing.assert_array_equal(trajectory.position_m, place)
    np.testing.assert_allclose(trajectory.rotation_xyzw, turn.as_quat(), atol=1e-15)
    with pytest.raises(FrameError, match=r"poses of base in odom, expected poses\.body_frame 'head'"):
        read_trajectory(bag.path, options=PoseOptions(topic="/odom", body_frame="head"))


@pytest.mark.parametrize("storage", STORAGES)
def test_a_chain_of_transforms_comes_as_poses(tmp_path: Path, storage: str) -> None:
    """map > odom moves slowly, odom > base fast, base > lidar is fixed: SciPy composes the same chain."""
    time, place, turn = walk()
    slow = np.arange(time[0], time[-1] + 0.2, 0.1)
    drift = Rotation.from_rotvec(np.outer(0.1 * (slow - slow[0]), [0.0, 0.0, 1.0]))
    mount = Rotation.from_euler("y", 0.3)
    with BagWriter(tmp_path, storage) as bag:
        bag.transforms("/tf_static", time[0], [("base", "lidar", (0.1, 0.0, 0.4), mount.as_quat())])
        for k, t in enumerate(slow):
            bag.transforms("/tf", t, [("map", "odom", (0.5 + 0.01 * k, 0.0, 0.0), drift[k].as_quat())])
        for k in range(len(time)):
            bag.transforms("/tf", time[k], [("odom", "base", place[k], turn[k].as_quat())])
    trajectory, _ = read_trajectory(bag.path, options=PoseOptions(map_frame="map", body_frame="base"))
    outer = Slerp(slow, drift)(trajectory.time_s)
    lead = np.interp(trajectory.time_s, slow, 0.5 + 0.01 * np.arange(len(slow)))
    expected = outer.apply(place[: len(trajectory.time_s)]) + np.column_stack([lead, 0 * lead, 0 * lead])
    np.testing.assert_allclose(trajectory.position_m, expected, atol=1e-6)
    difference = (outer * turn[: len(trajectory.time_s)]).inv() * Rotation.from_quat(trajectory.rotation_xyzw)
    assert difference.magnitude().max() < 1e-6
    # The body is told where only one moving frame has nothing moving below it.
    alone, _ = read_trajectory(bag.path)
    np.testing.assert_array_equal(alone.position_m, trajectory.position_m)
    found = static_transform(read_tree(open_bag(bag.path)), "base", "lidar")
    assert found is not None
    np.testing.assert_allclose(found[0], [0.1, 0.0, 0.4], atol=1e-15)
    np.testing.assert_allclose(found[1], mount.as_quat(), atol=1e-15)
    with pytest.raises(FrameError, match=r"no transforms from 'world' to 'base', expected frames among .*lidar"):
        read_trajectory(bag.path, options=PoseOptions(map_frame="world", body_frame="base"))


def test_poses_out_of_order_or_twice_are_put_right_and_said(tmp_path: Path) -> None:
    time, place, turn = walk(10)
    order = [0, 1, 3, 2, 4, 4, 5, 6, 7, 8, 9]
    with BagWriter(tmp_path, "mcap") as bag:
        for sent, k in enumerate(order):
            pose = bag.type("geometry_msgs/msg/PoseStamped")(
                bag.header(time[k], "map"), bag._pose(place[k], turn[k].as_quat())
            )
            bag.write("/pose", "geometry_msgs/msg/PoseStamped", pose, time[0] + 0.02 * sent)
    trajectory, warnings = read_trajectory(bag.path)
    np.testing.assert_array_equal(trajectory.position_m, place)
    assert any("1 pose(s) came after a later one" in warning for warning in warnings)
    assert any("dropped 1 repeated pose(s)" in warning for warning in warnings)


@pytest.mark.parametrize(("roll", "warned"), [(0.0, False), (180.0, True)])
def test_poses_that_stand_upside_down_are_told(tmp_path: Path, roll: float, warned: bool) -> None:
    """A map frame whose z points down (north, east, down) turns the ground into a ceiling, and the map comes empty."""
    with BagWriter(tmp_path, "mcap") as bag:
        for k in range(30):
            turn = Rotation.from_euler("zx", [3.0 * k, roll], degrees=True).as_quat()
            bag.odometry("/odom", START_S + 0.02 * k, (0.01 * k, 0, 0), turn)
    for gravity, told in (((0.0, 0.0, -1.0), warned), ((0.0, 0.0, 1.0), not warned)):
        _, said = read_trajectory(bag.path, gravity=gravity)
        assert any("100% of the poses stand upside down" in line for line in said) == told


@pytest.mark.parametrize("asked", ["base", "/base"])
@pytest.mark.parametrize("stored", ["base", "/base"])
def test_a_slash_before_a_frame_means_nothing(tmp_path: Path, asked: str, stored: str) -> None:
    """tf2 of ROS 1 and 2 takes names with and without it for the same frame, or refuses it: from memory."""
    with BagWriter(tmp_path, "bag") as bag:
        for k in range(5):
            bag.odometry("/odom", START_S + 0.02 * k, (0.01 * k, 0, 0), (0, 0, 0, 1), frames=("odom", stored))
            bag.transforms("/tf", START_S + 0.02 * k, [("odom", stored, (0.01 * k, 0, 0), (0, 0, 0, 1))])
    for topic in ("/odom", "/tf"):
        found, _ = read_trajectory(bag.path, options=PoseOptions(topic=topic, map_frame="/odom", body_frame=asked))
        np.testing.assert_allclose(found.position_m[:, 0], 0.01 * np.arange(5), atol=1e-12)


def test_two_poses_at_one_time_are_an_error(tmp_path: Path) -> None:
    with BagWriter(tmp_path, "mcap") as bag:
        bag.pose("/pose", START_S, (0, 0, 0), (0, 0, 0, 1))
        bag.pose("/pose", START_S, (1, 0, 0), (0, 0, 0, 1))
    with pytest.raises(DataError, match=r"two different poses at time 1900000000\.25, 1 m apart"):
        read_trajectory(bag.path)


def test_an_mcap_that_was_cut_short_gives_what_is_there(tmp_path: Path) -> None:
    path, truth = written(tmp_path, "mcap", PACKED, lambda k: sweep(3000, 1e-9, "u4"), scans=60)
    (file,) = path.glob("*.mcap")
    cut = tmp_path / "cut.mcap"
    cut.write_bytes(file.read_bytes()[: file.stat().st_size * 6 // 10])
    xyz, _, _, plan = read(cut)
    whole = np.concatenate([np.column_stack([rows[a].astype(np.float64) for a in "xyz"]) for rows, _ in truth])
    assert 3000 <= len(xyz) < len(whole)
    np.testing.assert_array_equal(xyz, whole[: len(xyz)])
    assert f"the {len(xyz) // 3000} messages before that were recovered" in plan.warnings[0]


def test_an_mcap_cut_anywhere_gives_its_scans_or_one_error(tmp_path: Path) -> None:
    """Wherever the writer died: whole scans, in order, or a ReadError; the end is cut byte by byte."""
    path, truth = written(tmp_path, "mcap", PACKED, lambda k: sweep(30, 1e-9, "u4"), scans=4, points=30)
    (file,) = path.glob("*.mcap")
    data, cut = file.read_bytes(), tmp_path / "cut.mcap"
    whole = np.concatenate([np.column_stack([rows[a].astype(np.float64) for a in "xyz"]) for rows, _ in truth])
    read_well = 0
    for size in [*range(8, len(data) - 700, 97), *range(len(data) - 700, len(data))]:
        cut.write_bytes(data[:size])
        try:
            xyz, *_ = read(cut, ScanOptions(time_unit="ns"))
        except ReadError as error:
            assert "\n" not in str(error)
            continue
        read_well += 1
        np.testing.assert_array_equal(xyz, whole[: len(xyz)])
    assert read_well > 300


def test_an_mcap_whose_lengths_were_overwritten_is_an_error(tmp_path: Path) -> None:
    """MCAP specification: magic of eight bytes, then opcode and a length of eight bytes, little-endian, a record."""
    path, _ = written(tmp_path, "mcap", PACKED, lambda k: sweep(30, 1e-9, "u4"), scans=2, points=30)
    (file,) = path.glob("*.mcap")
    data = bytearray(file.read_bytes())
    data[9 + 6] = 0x7F  # the first record is said to have 35 petabytes
    file.write_bytes(data)
    with pytest.raises(ReadError, match="damaged"):
        read(file)


@pytest.mark.parametrize("in_folder", [True, False])
def test_an_mcap_cut_before_its_first_messages_says_that_nothing_was_recovered(tmp_path: Path, in_folder: bool) -> None:
    path, _ = written(tmp_path, "mcap", PACKED, lambda k: sweep(3000, 1e-9, "u4"), scans=2)
    (file,) = path.glob("*.mcap")
    file.write_bytes(file.read_bytes()[: file.stat().st_size // 2])  # the writer holds both scans in one chunk
    with pytest.raises(ReadError, match="not one message of it could be recovered") as caught:
        read(path if in_folder else file)
    assert str(caught.value).startswith(f"{file}: damaged") and str(caught.value).count(str(path)) == 1


@pytest.mark.parametrize("ending", ["bag", "db3", "mcap"])
@pytest.mark.parametrize("content", [b"", b"no bag at all, but some text that is long enough to read" * 9])
def test_what_is_no_bag_is_told_in_one_line(tmp_path: Path, ending: str, content: bytes) -> None:
    path = tmp_path / f"pass.{ending}"
    path.write_bytes(content)
    with pytest.raises(ReadError, match=rf"pass\.{ending}: ") as caught:
        plan_reading([path], ScanOptions())
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("storage", ["bag", "db3"])
def test_a_bag_cut_short_that_cannot_be_recovered_says_so(tmp_path: Path, storage: str) -> None:
    path, _ = written(tmp_path, storage, PACKED, lambda k: sweep(3000, 1e-9, "u4"), scans=8)
    file = path if path.is_file() else next(path.glob("*.db3"))
    cut = tmp_path / f"cut.{storage}"
    cut.write_bytes(file.read_bytes()[: file.stat().st_size // 2])
    with pytest.raises(ReadError, match=rf"cut\.{storage}: "):
        read(cut)


def test_a_message_shorter_than_it_says_is_an_error(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    with BagWriter(tmp_path, "mcap") as bag:
        rows = records(rng, PACKED, 50, sweep(50, 1e-9, "u4"))
        kind = "sensor_msgs/msg/PointCloud2"
        bag.cloud("/points", rows, START_S)
        field = bag.type("sensor_msgs/msg/PointField")
        fields = [field(name=a, offset=4 * k, datatype=7, count=1) for k, a in enumerate("xyz")]
        message = bag.type(kind)(
            header=bag.header(START_S, "lidar"), height=1, width=80, fields=fields, is_bigendian=False,
            point_step=20, row_step=1600, data=rows.view(np.uint8), is_dense=True,
        )  # fmt: skip
        bag.write("/points", kind, message, START_S + 0.1)
    with pytest.raises(ReadError, match=r"message 1: got 1000 bytes, expected 1600 for 80 x 1 points"):
        list(open_cloud(bag.path, options=ScanOptions(time_unit="ns")))


@pytest.mark.parametrize("storage", STORAGES)
def test_a_bag_streams_in_bounded_memory(tmp_path: Path, storage: str) -> None:
    """40 MB of points beside 40 MB of another topic pass through less than 20 MB of memory."""
    rng = np.random.default_rng(6)
    with BagWriter(tmp_path, storage) as bag:
        rows = records(rng, PACKED, 25_000, sweep(25_000, 1e-9, "u4"))
        kind = "sensor_msgs/msg/CompressedImage"
        for k in range(80):
            bag.cloud("/points", rows, START_S + PERIOD_S * k)
            image = bag.type(kind)(bag.header(START_S, "camera"), "raw", np.zeros(500_000, dtype=np.uint8))
            bag.write("/camera", kind, image, START_S + PERIOD_S * k)
    plan = plan_reading([bag.path], ScanOptions())
    tracemalloc.start()
    total = sum(len(scan.xyz_m) for scan in open_cloud(bag.path, plan=plan))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert total == 2_000_000
    assert peak < 20e6
