"""LAS and LAZ files: exact points out of good ones, one line out of bad ones.

Sources: ASPRS LAS Specification 1.4-R15 for the header's layout and for X * scale + offset; laspy as independent code.
"""

import hashlib
import struct
from pathlib import Path

import laspy
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from terrain.data import ScanOptions
from terrain.errors import DataError, ReadError
from terrain.read.clouds import count_points, open_cloud, plan_reading
from terrain.read.hashing import hash_files, sha256_of

DATA = Path(__file__).parents[2].parent / "shared" / "data"
TIMED = [1, 3, 4, 5, 6, 7, 8, 9, 10]
UNTIMED = [0, 2]


def write_las(
    path: Path,
    *,
    points: int = 1000,
    point_format: int = 6,
    offset: tuple[float, float, float] = (515000.0, 4918000.0, 2000.0),
    scale: float = 1e-4,
) -> Path:
    rng = np.random.default_rng(7)
    version = "1.4" if point_format >= 6 else "1.3" if point_format >= 4 else "1.2"
    header = laspy.LasHeader(version=version, point_format=point_format)
    header.scales, header.offsets = np.full(3, scale), np.array(offset)
    las = laspy.LasData(header)
    las.X, las.Y, las.Z = rng.integers(-(2**31), 2**31 - 1, (3, points), dtype=np.int32)
    las.intensity = rng.integers(0, 65535, points, dtype=np.uint16)
    if point_format in TIMED:
        las.gps_time = np.sort(rng.uniform(1e9, 1e9 + 60.0, points))
    las.write(path)
    return path


def read_all(path: Path, **options: int) -> tuple[np.ndarray, np.ndarray | None]:
    scans = list(open_cloud(path, **options))
    assert all(scan.source == str(path) for scan in scans)
    time = None if scans[0].time_s is None else np.concatenate([scan.time_s for scan in scans])
    return np.concatenate([scan.xyz_m for scan in scans]), time


@pytest.mark.parametrize(
    ("ending", "point_format"),
    [("las", known) for known in TIMED + UNTIMED] + [("laz", known) for known in [0, 1, 2, 3, 6, 7, 8]],
)  # nothing here writes compressed waveforms
def test_every_point_format_comes_exactly_as_laspy_reads_it(tmp_path: Path, ending: str, point_format: int) -> None:
    path = write_las(tmp_path / f"points.{ending}", point_format=point_format)
    truth = laspy.read(path)
    xyz, time = read_all(path)
    assert np.array_equal(xyz, truth.xyz)
    if point_format in UNTIMED:
        assert time is None
    else:
        assert np.array_equal(time, truth.gps_time)


@settings(max_examples=15, deadline=None)
@given(points=st.integers(1, 4000), chunk=st.integers(1, 4000))
def test_chunks_of_any_size_add_up(tmp_path_factory, points: int, chunk: int) -> None:
    path = write_las(tmp_path_factory.mktemp("las") / "points.laz", points=points)
    chunk = max(chunk, points // 20)
    scans = list(open_cloud(path, chunk_points=chunk))
    assert [len(scan.xyz_m) for scan in scans[:-1]] == [chunk] * (len(scans) - 1)
    xyz, _ = read_all(path, chunk_points=chunk)
    assert np.array_equal(xyz, laspy.read(path).xyz)
    assert count_points([path, path]) == 2 * points


def test_arrays_are_read_only(tmp_path: Path) -> None:
    scan = next(open_cloud(write_las(tmp_path / "points.laz")))
    assert not scan.xyz_m.flags.writeable
    assert scan.time_s is not None and not scan.time_s.flags.writeable


@pytest.mark.parametrize("ending", ["las", "laz"])
def test_a_file_without_points_yields_one_empty_scan(tmp_path: Path, ending: str) -> None:
    scans = list(open_cloud(write_las(tmp_path / f"points.{ending}", points=0)))
    assert [len(scan.xyz_m) for scan in scans] == [0]
    assert count_points([tmp_path / f"points.{ending}"]) == 0


@pytest.mark.parametrize("ending", ["las", "laz"])
def test_a_file_cut_anywhere_is_an_error_that_names_it(tmp_path: Path, ending: str) -> None:
    whole = write_las(tmp_path / f"points.{ending}", points=3000).read_bytes()
    cut = tmp_path / f"cut.{ending}"
    for length in [*range(0, 400, 37), *range(400, len(whole), len(whole) // 9), len(whole) - 1]:
        cut.write_bytes(whole[:length])
        with pytest.raises(
            ReadError, match=rf"cut\.{ending}: (got an empty file|cut short|damaged|not a LAS)"
        ) as caught:
            read_all(cut)
        assert "\n" not in str(caught.value)


def test_damaged_compressed_points_are_an_error(tmp_path: Path) -> None:
    path = write_las(tmp_path / "points.laz", points=3000)
    raw = bytearray(path.read_bytes())
    start = struct.unpack_from("<I", raw, 96)[0]
    raw[start + 8 : start + 2000] = bytes(1992)
    path.write_bytes(raw)
    try:
        xyz, _ = read_all(path)
    except ReadError as error:
        assert "points.laz" in str(error)
    else:
        pytest.fail(f"read {len(xyz)} points out of zeroed data")


def test_more_points_promised_than_chunks_hold(tmp_path: Path) -> None:
    path = write_las(tmp_path / "points.laz", points=3000)
    raw = bytearray(path.read_bytes())
    struct.pack_into("<Q", raw, 247, 10**15)
    path.write_bytes(raw)
    with pytest.raises(ReadError, match=r"points\.laz: damaged: got 1000000000000000 points in 1 chunks"):
        count_points([path])


def test_a_laszip_record_too_short_for_its_numbers(tmp_path: Path) -> None:
    """LAS 1.4 R15, table 7: reserved 2, user ID 16, record ID 2, then the length after the header, 2 bytes."""
    path = write_las(tmp_path / "points.laz", points=3000)
    raw = bytearray(path.read_bytes())
    struct.pack_into("<H", raw, raw.index(b"laszip encoded") + 18, 8)
    path.write_bytes(raw)
    with pytest.raises(ReadError, match=r"points\.laz: damaged header: got a LASzip record of 8 bytes"):
        count_points([path])


def test_a_record_count_beyond_the_file_is_no_endless_loop(tmp_path: Path) -> None:
    path = write_las(tmp_path / "points.laz")
    raw = bytearray(path.read_bytes())
    struct.pack_into("<I", raw, 100, 2**32 - 1)
    path.write_bytes(raw)
    with pytest.raises(ReadError, match=r"damaged header: got 4294967295 records"):
        read_all(path)


@pytest.mark.parametrize(
    ("at", "value", "said"), [(131, np.nan, "scales"), (131, 0.0, "scales"), (155, np.inf, "offsets")]
)
def test_scales_and_offsets_must_be_numbers(tmp_path: Path, at: int, value: float, said: str) -> None:
    path = write_las(tmp_path / "points.las")
    raw = bytearray(path.read_bytes())
    struct.pack_into("<d", raw, at, value)
    path.write_bytes(raw)
    with pytest.raises(ReadError, match=rf"damaged header: got .*{said}"):
        read_all(path)


def test_other_content_is_told_by_its_first_bytes(tmp_path: Path) -> None:
    path = tmp_path / "points.laz"
    path.write_bytes(b"ply\nformat ascii 1.0\n" + bytes(500))
    with pytest.raises(ReadError, match=r"points\.laz: got a file that starts with b'ply"):
        read_all(path)


def test_unknown_endings_and_missing_files(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match=r"ending in '\.xyz', expected one of \.las, \.laz"):
        open_cloud(tmp_path / "points.xyz")
    with pytest.raises(ReadError, match=r"absent\.laz: no such file"):
        open_cloud(tmp_path / "absent.laz")


def test_real_scans_read_as_laspy_reads_them() -> None:
    paths = sorted(DATA.glob("**/*.laz"))
    if not paths:
        pytest.skip(f"no scans in {DATA}")
    for path in paths:
        truth = laspy.read(path)
        xyz, time = read_all(path, chunk_points=100_000)
        assert np.array_equal(xyz, truth.xyz)
        assert np.array_equal(time, truth.gps_time)


def test_hashes_are_those_of_the_standard(tmp_path: Path) -> None:
    """FIPS 180-4, example of one block: SHA-256 of "abc" (from memory); hashlib for a large file."""
    small, large = tmp_path / "small", tmp_path / "large"
    small.write_bytes(b"abc")
    large.write_bytes(bytes(range(256)) * 20_000)
    assert sha256_of(small) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert hash_files([large, small]) == {
        str(large): hashlib.sha256(large.read_bytes()).hexdigest(),
        str(small): sha256_of(small),
    }
    with pytest.raises(ReadError, match="absent: No such file"):
        sha256_of(tmp_path / "absent")


def planned(paths: list[Path], **options) -> list[np.ndarray | None]:
    plan = plan_reading(paths, ScanOptions(**options))
    return [scan.time_s for path in paths for scan in open_cloud(path, plan=plan)]


def test_stamps_and_units_of_a_survey_hold_for_las(tmp_path: Path) -> None:
    """One file without times, one whose times are all 0, one whose times count from its stamp in microseconds."""
    untimed, zero, timed = (tmp_path / f"scan_{k}.las" for k in range(3))
    write_las(untimed, points=5, point_format=0)
    for path, time in ((zero, np.zeros(5)), (timed, np.arange(5) * 1e4)):
        las = laspy.read(write_las(path, points=5))
        las.gps_time = time
        las.write(path)
    (tmp_path / "times.txt").write_text("10.0\n10.1\n10.2\n")
    stamps = {"stamps_file": tmp_path / "times.txt"}
    first, second, third = planned([untimed, zero, timed], **stamps)
    assert (first == 10.0).all() and (second == 10.1).all()
    assert third.tolist() == [0.0, 1e4, 2e4, 3e4, 4e4]
    *_, third = planned([untimed, zero, timed], **stamps, time_base="scan", time_unit="us")
    np.testing.assert_allclose(third, 10.2 + np.arange(5) * 0.01, atol=1e-12)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"topic": "/points"}, r"got scans\.topic '/points' for \.las files, expected a bag or no topic"),
        ({"time_field": "t"}, r"got scans\.time_field 't', expected gps_time"),
        ({"time_base": "scan"}, r'scans\.time_base: got "scan" for LAS files, expected scans\.stamps'),
    ],
)
def test_what_a_las_file_cannot_follow_is_refused(tmp_path: Path, options: dict, said: str) -> None:
    with pytest.raises(DataError, match=said):
        planned([write_las(tmp_path / "scan.las", points=5)], **options)


def test_a_time_in_the_name_of_a_las_file_is_not_taken(tmp_path: Path) -> None:
    path = write_las(tmp_path / "1900000000250.las", points=5, point_format=0)
    assert planned([path]) == [None]
