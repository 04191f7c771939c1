"""How stored times are told: the true unit and origin, or an error that names the key; never another unit.

No outside source: the rules are the project's own. The truth is what the times were made from.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from terrain.data import UNITS_S, ScanOptions
from terrain.errors import DataError
from terrain.read.clouds import open_cloud, plan_reading
from terrain.read.stamps import read_stamps, time_in_name
from terrain.read.times import TimeFacts, applied, read_times, sample_of, time_field

NONE = ScanOptions()


def facts(scans: list[np.ndarray], stamps=None, poses_s=None, files: int | None = None) -> TimeFacts:
    stamps = stamps or [None] * len(scans)
    samples = tuple(sample_of(raw, stamp) for raw, stamp in zip(scans, stamps, strict=True))
    return TimeFacts("scan", "t", scans[0].dtype, samples, "stamps", poses_s, files or len(scans))


def stored(true_s: np.ndarray, unit: str, kind: str) -> np.ndarray:
    values = true_s / UNITS_S[unit]
    return np.round(values).astype(kind) if np.dtype(kind).kind in "iu" else values.astype(kind)


KINDS = st.sampled_from([("s", "f8"), ("ms", "f8"), ("us", "f8"), ("us", "u8"), ("ns", "u8"), ("ns", "f8")])


@settings(max_examples=150, deadline=None)
@given(
    kind=KINDS,
    origin=st.sampled_from(["stamp", "clock", "own"]),
    start_s=st.one_of(st.floats(1.0, 1e5), st.floats(1e9, 4e9)),
    period_s=st.floats(0.02, 2.0),
    share=st.floats(0.06, 1.0),
    points=st.integers(20, 3000),
)
def test_against_stamps_the_truth_is_found_or_nothing(kind, origin, start_s, period_s, share, points) -> None:
    """Relative to each stamp, on the stamps' clock, or on a clock that started elsewhere."""
    unit, dtype = kind
    place = np.linspace(0.0, share * period_s, points)
    stamps = [start_s + k * period_s for k in range(5)]
    shift = {"stamp": lambda s: 0.0, "clock": lambda s: s, "own": lambda s: s - start_s + 5_000_000.0}[origin]
    scans = [stored(place + shift(stamp), unit, dtype) for stamp in stamps]
    try:
        reading = read_times(facts(scans, stamps), NONE)
    except DataError as error:
        assert "time_unit" in str(error)
        return
    got = np.concatenate([applied(reading, raw, points, stamp, None) for raw, stamp in zip(scans, stamps, strict=True)])
    expected = np.concatenate([place + stamp for stamp in stamps])
    step_s = max(
        float(np.spacing(scans[-1].astype(np.float64).max())) * UNITS_S[unit], 1e-6, float(np.spacing(start_s))
    )
    if origin == "own" and reading.base == "clock":  # near the stamps' clock by chance, or a date of its own: said so
        assume(False)
    np.testing.assert_allclose(got, expected, rtol=0, atol=2.0 * step_s)


@settings(max_examples=100, deadline=None)
@given(
    kind=KINDS,
    start_s=st.one_of(st.floats(0.0, 1e5), st.floats(1e9, 4e9)),
    lasts_s=st.floats(5.0, 600.0),
    lead_s=st.floats(0.0, 2.0),
    points=st.integers(200, 200_000),
)
def test_against_poses_the_truth_is_found_or_nothing(kind, start_s, lasts_s, lead_s, points) -> None:
    """One file of a whole pass whose times are on the clock of the poses."""
    unit, dtype = kind
    raw = stored(np.linspace(start_s + lead_s, start_s + lead_s + lasts_s, points), unit, dtype)
    try:
        reading = read_times(facts([raw], poses_s=(start_s, start_s + lead_s + lasts_s + 1.0)), NONE)
    except DataError as error:
        assert "time_unit" in str(error)
        return
    assert (reading.unit, reading.base) == (unit, "clock"), reading.why


def test_milliseconds_of_a_long_uptime_are_no_dates_where_the_poses_say_so() -> None:
    """20 days in milliseconds read like a date in seconds; the poses are on the same uptime."""
    raw = np.round(np.linspace(1_728_000_000.0, 1_728_020_000.0, 400_000))
    reading = read_times(facts([raw], poses_s=(1_727_990.0, 1_728_030.0)), NONE)
    assert (reading.unit, reading.base) == ("ms", "clock")


def test_a_thinned_pass_of_twenty_seconds_is_not_taken_for_milliseconds() -> None:
    """5,000 points over 20 s would be a fair rate in milliseconds: without poses nothing decides."""
    raw = np.linspace(100.0, 120.0, 5000)
    with pytest.raises(DataError, match=r"seconds or milliseconds would fit; expected scans\.time_unit"):
        read_times(facts([raw]), NONE)
    assert read_times(facts([raw], poses_s=(99.0, 125.0)), NONE).unit == "s"
    assert read_times(facts([raw], poses_s=(0.0, 125.0)), NONE).unit == "s"
    assert read_times(facts([raw]), ScanOptions(time_unit="ms")).unit == "ms"


def test_times_outside_the_poses_are_said_to_be() -> None:
    raw = np.linspace(100.0, 120.0, 2_000_000)
    assert "outside the span of the poses" in read_times(facts([raw], poses_s=(900.0, 1000.0)), NONE).why


def test_scans_that_all_start_anew_need_stamps() -> None:
    scans = [np.linspace(0.0, 0.0999, 30_000) for _ in range(3)]
    with pytest.raises(DataError, match=r"count from the start of each scan.*expected scans\.stamps"):
        read_times(facts(scans, poses_s=(0.0, 30.0)), NONE)


@pytest.mark.parametrize(("start", "base"), [(1_900_000_000.0, "clock"), (512.0, "own")])
def test_one_time_for_all_points_of_a_scan_is_told_and_warned_of(start: float, base: str) -> None:
    """The stamps are 0.1 s apart on their own clock; the field repeats one value a scan, in milliseconds."""
    stamps = [1_900_000_000.0 + 0.1 * k for k in range(5)]
    scans = [np.full(300, (start + 0.1 * k) * 1e3) for k in range(5)]
    reading = read_times(facts(scans, stamps), NONE)
    assert (reading.unit, reading.base) == ("ms", base)
    assert reading.warning is not None
    times = [applied(reading, raw, 300, stamp, None) for raw, stamp in zip(scans, stamps, strict=True)]
    np.testing.assert_allclose(np.concatenate(times), np.repeat(stamps, 300), rtol=0, atol=1e-6)


def test_a_stated_base_is_kept() -> None:
    """Values that would pass for times from the stamps are on the clock if the survey says so, and the other way."""
    scans, stamps = [np.linspace(0.0, 0.09, 3000)] * 3, [50.0, 50.1, 50.2]
    assert read_times(facts(scans, stamps), NONE).base == "stamp"
    assert read_times(facts(scans, stamps), ScanOptions(time_base="clock")).base == "clock"
    dates = [1_900_000_000.0 + stamp + scan for stamp, scan in zip(stamps, scans, strict=True)]
    assert read_times(facts(dates, stamps), NONE).base == "clock"
    assert read_times(facts(dates, stamps), ScanOptions(time_base="scan")).base == "own"


def test_dates_as_float32_are_lost() -> None:
    raw = np.linspace(1_900_000_000.0, 1_900_000_020.0, 1000).astype(np.float32)
    with pytest.raises(DataError, match=r"as float32, in steps of 128 s, expected float64"):
        read_times(facts([raw]), NONE)


def test_coarse_times_are_warned_of() -> None:
    """float32 at 20,000 s comes in steps of 2 ms."""
    raw = np.linspace(20_000.0, 20_010.0, 500_000).astype(np.float32)
    reading = read_times(facts([raw], poses_s=(19_000.0, 21_000.0)), NONE)
    assert reading.warning is not None and "steps of 0.00195 s" in reading.warning


@pytest.mark.parametrize(
    ("names", "found"),
    [
        (["x", "y", "z", "timestamp"], "timestamp"),
        (["x", "y", "z", "t", "time"], "time"),
        (["x", "y", "z", "scalar_GpsTime"], "scalar_GpsTime"),
        (["x", "y", "z", "offset_time"], "offset_time"),
        (["x", "y", "z", "time_ns"], "time_ns"),
        (["x", "y", "z", "intensity", "tilt"], None),
    ],
)
def test_fields_of_times_by_name(names: list[str], found: str | None) -> None:
    assert time_field(names, None, where="scan") == found


def test_a_name_may_hold_the_unit() -> None:
    sample = sample_of(np.array([10, 20], dtype=np.uint32), None)
    named = TimeFacts("scan", "time_us", np.dtype(np.uint32), (sample,))
    assert read_times(named, NONE).unit == "us"


@pytest.mark.parametrize(
    ("name", "time"),
    [
        ("1900000000.250000.pcd", 1_900_000_000.25),
        ("1900000000_250000000.ply", 1_900_000_000.25),
        ("cloud_1900000000250000000.pcd", 1_900_000_000.25),
        ("1900000000250.pcd", 1_900_000_000.25),
        ("000012.bin", None),
        ("20310504_130225.pcd", None),
        ("scan_9999999999999.pcd", None),
    ],
)
def test_times_in_names_are_taken_only_where_they_can_be_nothing_else(name: str, time: float | None) -> None:
    found = time_in_name(Path(name))
    assert found is None if time is None else found == pytest.approx(time, abs=1e-6)


def write_ply(path: Path, seconds: np.ndarray | None, points: int = 4000) -> None:
    names = ["x", "y", "z"] + ([] if seconds is None else ["t"])
    rows = np.zeros(points, np.dtype([(name, "<f4") for name in names]))
    rows["x"] = 1.0
    if seconds is not None:
        rows["t"] = seconds
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {points}\n"
    path.write_bytes(
        (head + "".join(f"property float {n}\n" for n in names) + "end_header\n").encode() + rows.tobytes()
    )


def test_files_that_count_from_their_stamps(tmp_path: Path) -> None:
    for k in range(3):
        write_ply(tmp_path / f"scan_{k}.ply", np.linspace(0.0, 0.0999, 4000))
    files = sorted(tmp_path.glob("*.ply"))
    (tmp_path / "times.txt").write_text("# when\n50.0\n50.1\n50.2\n")
    plan = plan_reading(files, ScanOptions(stamps_file=tmp_path / "times.txt"), poses_s=(40.0, 60.0))
    time = np.concatenate(
        [scan.time_s for path in files for scan in open_cloud(path, plan=plan) if scan.time_s is not None]
    )
    expected = np.concatenate([start + np.linspace(0.0, 0.0999, 4000) for start in (50.0, 50.1, 50.2)])
    np.testing.assert_allclose(time, expected, atol=1e-7)
    assert "seconds from the scan's line in times.txt" in plan.notes[0]
    (tmp_path / "times.txt").write_text("50.0\n50.1\n")
    with pytest.raises(DataError, match=r"times\.txt: got 2 times for 3 scan files"):
        plan_reading(files, ScanOptions(stamps_file=tmp_path / "times.txt"))


def test_stamps_may_be_dates(tmp_path: Path) -> None:
    path = tmp_path / "timestamps.txt"
    path.write_text("2031-05-04 13:02:25.594360375\n2031-05-04 13:02:25.697\n")
    first = np.datetime64("2031-05-04T13:02:25.594360375").astype("datetime64[ns]").astype(np.int64) * 1e-9
    np.testing.assert_allclose(read_stamps(path), [first, first + 0.102639625], atol=1e-6)
    path.write_text("1.0\nsoon\n")
    with pytest.raises(DataError, match=r"timestamps\.txt, line 2: got 'soon', expected a time"):
        read_stamps(path)


def test_points_without_any_time_have_none(tmp_path: Path) -> None:
    write_ply(tmp_path / "scan.ply", None)
    plan = plan_reading([tmp_path / "scan.ply"], NONE)
    assert next(open_cloud(tmp_path / "scan.ply", plan=plan)).time_s is None


def test_in_the_map_frame_times_that_cannot_be_told_are_left_out_with_a_note(tmp_path: Path) -> None:
    write_ply(tmp_path / "scan.ply", np.linspace(100.0, 120.0, 4000))
    plan = plan_reading([tmp_path / "scan.ply"], ScanOptions(frame="map"))
    assert next(open_cloud(tmp_path / "scan.ply", plan=plan)).time_s is None
    assert "left out: " in plan.notes[0]
