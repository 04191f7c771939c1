"""Pose files: "timestamp tx ty tz qx qy qz qw", one pose a line.

Sources: the text format that many public trajectory tools read (seconds, metres, quaternion x, y, z, w); SciPy's
Rotation as independent code.
"""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from terrain.data import PoseOptions, Trajectory
from terrain.errors import DataError, FrameError, ReadError, TerrainError
from terrain.read.pose_checks import odd_poses
from terrain.read.poses import GrowingPoses, read_trajectory

UP = "0 0 0 1"


@pytest.fixture
def write(tmp_path: Path):
    def _write(text: str, *, encoding: str = "utf-8") -> Path:
        path = tmp_path / "poses.txt"
        path.write_text(text, encoding=encoding)
        return path

    return _write


def walk(yaws_deg: list[float], *, w_first: bool) -> str:
    quaternions = Rotation.from_euler("z", np.reshape(yaws_deg, (-1, 1)), degrees=True).as_quat()
    quaternions = np.roll(quaternions, 1, axis=1) if w_first else quaternions
    return "\n".join(f"{k} 0 0 0 " + " ".join(map(repr, map(float, q))) for k, q in enumerate(quaternions))


def test_comments_blanks_and_endings_of_lines_are_passed_over(write) -> None:
    text = f"# time x y z and so on\r\n\r\n1.5 1 2 3 {UP}  # the start\r\n  \r\n2.5\t-1e0 .5 +3 {UP}\r\n"
    trajectory, warnings = read_trajectory(write(text, encoding="utf-8-sig"))
    assert warnings == []
    assert trajectory.time_s.tolist() == [1.5, 2.5]
    assert trajectory.position_m.tolist() == [[1.0, 2.0, 3.0], [-1.0, 0.5, 3.0]]
    assert trajectory.rotation_xyzw.tolist() == [[0.0, 0.0, 0.0, 1.0]] * 2


FINITE = st.floats(-1e7, 1e7, allow_nan=False)


@settings(deadline=None)
@given(
    times=st.lists(st.floats(0.0, 2e9), min_size=1, max_size=20, unique=True),
    place=st.tuples(FINITE, FINITE, FINITE),
    yaw=st.floats(-3.1, 3.1),
)
def test_numbers_come_back_to_the_last_bit(tmp_path_factory, times: list[float], place: tuple, yaw: float) -> None:
    quaternion = Rotation.from_euler("z", yaw).as_quat()
    rows = [(time, *place, *map(float, quaternion)) for time in sorted(times)]
    path = tmp_path_factory.mktemp("poses") / "poses.txt"
    path.write_text("\n".join(" ".join(map(repr, row)) for row in rows))
    trajectory, _ = read_trajectory(path)
    assert trajectory.time_s.tolist() == sorted(times)
    assert trajectory.position_m.tolist() == [list(place)] * len(times)
    assert trajectory.rotation_xyzw == pytest.approx(np.tile(quaternion, (len(times), 1)), abs=1e-15)


def test_within_the_tolerance_the_norm_becomes_one(write) -> None:
    trajectory, _ = read_trajectory(write("0 0 0 0 0 0 0.0006 1.0009"))
    assert np.linalg.norm(trajectory.rotation_xyzw) == pytest.approx(1.0, abs=1e-15)


@pytest.mark.parametrize("w", ["1.0011", "0.9989", "0"])
def test_beyond_the_tolerance_the_norm_is_an_error_with_its_line(write, w: str) -> None:
    with pytest.raises(FrameError, match=r"poses\.txt, line 3: got a quaternion of norm .*expected 1 within 0\.001"):
        read_trajectory(write(f"# poses\n0 0 0 0 {UP}\n1 0 0 0 0 0 0 {w}"))


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("1 0 0 0 0 0 1", "got 7 values"),
        ("1 0 0 0 0 0 0 1 9", "got 9 values"),
        ("1,0,0,0,0,0,0,1", "got 1 values"),
        ("one 0 0 0 0 0 0 1", "got 'one 0 0 0 0 0 0 1'"),
        ("1 nan 0 0 0 0 0 1", r"got \[1\.0, nan"),
        ("inf 0 0 0 0 0 0 1", r"got \[inf"),
    ],
)
def test_bad_lines_are_named(write, line: str, said: str) -> None:
    with pytest.raises(DataError, match=rf"poses\.txt, line 4: {said}.*expected"):
        read_trajectory(write(f"# poses\n\n0 0 0 0 {UP}\n{line}\n2 0 0 0 {UP}\n"))


def test_every_line_of_seven_numbers_is_no_trajectory(write) -> None:
    with pytest.raises(DataError, match=r"line 1: got 7 values"):
        read_trajectory(write("0 0 0 0 0 0 1\n1 0 0 0 0 0 1"))


def test_out_of_order_names_both_lines(write) -> None:
    with pytest.raises(DataError, match=r"line 5 \(time 1\.5\) comes after line 3 \(time 2\.0\)"):
        read_trajectory(write(f"# poses\n1 0 0 0 {UP}\n2 0 0 0 {UP}\n\n1.5 0 0 0 {UP}\n"))


@pytest.mark.parametrize("other", ["0.1 0 0 0 0 0 1", "0 0 0 0 0 0.1 0.99498743710662"])
def test_two_poses_at_one_time_name_both_lines(write, other: str) -> None:
    with pytest.raises(DataError, match=r"lines 2 and 3 give different poses at time 1\.0"):
        read_trajectory(write(f"0 0 0 0 {UP}\n1 0 0 0 {UP}\n1 {other}\n"))


@pytest.mark.parametrize("again", ["0 0 0 1", "-0 -0 -0 -1"])
def test_identical_poses_are_dropped_with_a_warning(write, again: str) -> None:
    trajectory, warnings = read_trajectory(write(f"0 0 0 0 {UP}\n1 5 0 0 {UP}\n1 5 0 0 {again}\n2 0 0 0 {UP}\n"))
    assert trajectory.time_s.tolist() == [0.0, 1.0, 2.0]
    assert len(warnings) == 1
    assert "dropped 1 repeated pose(s), identical to the line before: 3" in warnings[0]


def test_three_at_one_time_of_which_one_differs(write) -> None:
    with pytest.raises(DataError, match=r"lines 2 and 3"):
        read_trajectory(write(f"1 5 0 0 {UP}\n1 5 0 0 {UP}\n1 6 0 0 {UP}\n"))


@pytest.mark.parametrize("text", ["", "# only a comment\n\n"])
def test_no_poses_at_all(write, text: str) -> None:
    with pytest.raises(DataError, match=r"poses\.txt: got no poses"):
        read_trajectory(write(text))


def test_missing_files_and_no_text(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match=r"absent\.txt: no such file"):
        read_trajectory(tmp_path / "absent.txt")
    (tmp_path / "binary.txt").write_bytes(b"\x00\xff\xfe\x80")
    with pytest.raises(ReadError, match=r"binary\.txt: not text"):
        read_trajectory(tmp_path / "binary.txt")


def test_w_first_reads_as_upside_down(write) -> None:
    """The identity written w, x, y, z reads as half a turn about x: REP 103 bodies then stand on their heads."""
    with pytest.raises(FrameError, match=r"poses\.txt: got 100% of the poses upside down.*probably w-first"):
        read_trajectory(write(walk([0.0, 1.0, -2.0], w_first=True)))


@pytest.mark.parametrize("yaws", [[90.0, 90.0, 88.0], [0.0, 90.0, 180.0, 270.0], list(range(-170, 180, 20))])
def test_w_first_is_told_on_other_courses_too(write, yaws: list[float]) -> None:
    with pytest.raises(FrameError, match="probably w-first"):
        read_trajectory(write(walk(yaws, w_first=True)))


@settings(deadline=None)
@given(
    yaws=st.lists(st.floats(-180.0, 180.0), min_size=1, max_size=30),
    lean=st.floats(0.0, 40.0),
    towards=st.floats(-180.0, 180.0),
)
def test_a_robot_on_its_feet_is_never_called_w_first(
    tmp_path_factory, yaws: list[float], lean: float, towards: float
) -> None:
    leaning = Rotation.from_euler("z", np.reshape(yaws, (-1, 1)), degrees=True) * Rotation.from_euler(
        "zyz", [towards, lean, -towards], degrees=True
    )
    path = tmp_path_factory.mktemp("poses") / "poses.txt"
    path.write_text(
        "\n".join(f"{k} 0 0 0 " + " ".join(map(repr, map(float, q))) for k, q in enumerate(leaning.as_quat()))
    )
    trajectory, _ = read_trajectory(path)
    assert len(trajectory.time_s) == len(yaws)


def test_a_few_falls_do_not_make_a_survey_upside_down(write) -> None:
    text = "\n".join(f"{k} 0 0 0 {'1 0 0 0' if k == 2 else UP}" for k in range(5))
    assert len(read_trajectory(write(text))[0].time_s) == 5


def test_gravity_says_which_way_is_up(write) -> None:
    text = walk([0.0, 10.0], w_first=False)
    with pytest.raises(TerrainError, match=r"probably w-first.*; or frame\.gravity points up"):
        read_trajectory(write(text), gravity=(0.0, 0.0, 1.0))
    read_trajectory(write(text), gravity=(0.0, 0.1, -9.8))


def test_a_hundred_thousand_lines_come_in_order(write) -> None:
    text = "\n".join(f"{k / 200.0!r} {k / 1000.0!r} 0 0 {UP}" for k in range(100_000))
    trajectory, _ = read_trajectory(write(text))
    assert np.array_equal(trajectory.position_m[:, 0], np.arange(100_000) / 1000.0)


ROWS = [(1_900_000_000 + 0.02 * k, 0.1 * k, 0.0, 0.5) for k in range(20)]


def test_w_first_with_its_key_reads_as_the_same_poses(write) -> None:
    yaws = [0.0, 30.0, 60.0]
    wanted, _ = read_trajectory(write(walk(yaws, w_first=False)))
    got, _ = read_trajectory(write(walk(yaws, w_first=True)), options=PoseOptions(quaternion_order="wxyz"))
    np.testing.assert_array_equal(got.rotation_xyzw, wanted.rotation_xyzw)
    with pytest.raises(FrameError, match=r'with poses\.quaternion = "wxyz"; the file is probably w-last'):
        read_trajectory(write(walk([100.0, 110.0, 120.0], w_first=False)), options=PoseOptions(quaternion_order="wxyz"))


def test_a_heading_that_names_w_first_is_believed_where_the_poses_do_not_show_it(write) -> None:
    """A half turn and a bit: either order stands upright."""
    text = "#timestamp [ns], p_x, p_y, p_z, q_w, q_x, q_y, q_z\n" + walk([170.0, 171.0], w_first=True).replace(" ", ",")
    with pytest.raises(FrameError, match=r'its heading says qw qx qy qz.*set poses\.quaternion = "wxyz"'):
        read_trajectory(write(text))
    got, _ = read_trajectory(write(text), options=PoseOptions(quaternion_order="wxyz"))
    expected = Rotation.from_euler("z", [[170.0], [171.0]], degrees=True).as_quat()
    np.testing.assert_allclose(np.abs(np.sum(got.rotation_xyzw * expected, axis=1)), 1.0, atol=1e-12)


@pytest.mark.parametrize("heading", ["# w comes last: qw after qx", "# timestamp tx ty tz qx qy qz qw", "# q w"])
def test_words_that_are_no_such_heading_are_passed_over(write, heading: str) -> None:
    assert len(read_trajectory(write(f"{heading}\n0 0 0 0 {UP}\n"))[0].time_s) == 1


def test_a_heading_with_units_is_read_too(write) -> None:
    """The heading that a public set of flights uses."""
    heading = "#timestamp [ns],p_RS_R_x [m],p_RS_R_y [m],p_RS_R_z [m],q_RS_w [],q_RS_x [],q_RS_y [],q_RS_z []\n"
    with pytest.raises(FrameError, match=r"its heading says qw qx qy qz"):
        read_trajectory(write(heading + "1,0,0,0,1,0,0,0\n"))


def test_commas_throughout_are_read(write) -> None:
    trajectory, _ = read_trajectory(write("timestamp,tx,ty,tz,qx,qy,qz,qw\n1,0,0,0,0,0,0,1\n2,1,0,0,0,0,0,1\n"))
    assert trajectory.position_m.tolist() == [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0]]


@pytest.mark.parametrize(("factor", "word"), [(10**3, "milliseconds"), (10**6, "microseconds"), (10**9, "nanoseconds")])
def test_dates_in_smaller_units_are_read_and_said(write, factor: int, word: str) -> None:
    lines = [f"{round(t * factor)} {x} {y} {z} {UP}" for t, x, y, z in ROWS]
    trajectory, warnings = read_trajectory(write("\n".join(lines)))
    np.testing.assert_allclose(trajectory.time_s, [row[0] for row in ROWS], atol=1e-6)
    assert any(f"were read as {word} since 1970" in warning for warning in warnings)


def test_matrices_with_times(write, tmp_path: Path) -> None:
    turns = Rotation.from_euler("zyx", [[0.1, 0.2, 0.3], [1.0, -0.4, 2.0]])
    rows = [np.column_stack([turn.as_matrix(), [k, 2 * k, 3 * k]]).ravel() for k, turn in enumerate(turns)]
    text = "\n".join(" ".join(f"{v:.15e}" for v in row) for row in rows)
    (tmp_path / "times.txt").write_text("5.0\n5.1\n")
    trajectory, _ = read_trajectory(write(text), options=PoseOptions(stamps_file=tmp_path / "times.txt"))
    assert trajectory.time_s.tolist() == [5.0, 5.1]
    assert trajectory.position_m.tolist() == [[0.0, 0.0, 0.0], [1.0, 2.0, 3.0]]
    np.testing.assert_allclose(
        (Rotation.from_quat(trajectory.rotation_xyzw) * turns.inv()).magnitude(), 0.0, atol=1e-12
    )
    (tmp_path / "times.txt").write_text("5.0\n")
    with pytest.raises(DataError, match=r"times\.txt: got 1 times for 2 poses"):
        read_trajectory(write(text), options=PoseOptions(stamps_file=tmp_path / "times.txt"))


@pytest.mark.parametrize("matrix", ["2 0 0 0 0 1 0 0 0 0 1 0", "1 0 0 0 0 1 0 0 0 0 -1 0", "nan 0 0 0 0 1 0 0 0 0 1 0"])
def test_a_matrix_that_is_no_rotation_is_an_error(write, matrix: str) -> None:
    with pytest.raises(FrameError, match=r"poses\.txt, line 2: its matrix is no rotation"):
        read_trajectory(write("1 0 0 0 0 1 0 0 0 0 1 0\n" + matrix))


def steady(count: int = 200, rate_hz: float = 50.0, seed: int = 3) -> Trajectory:
    """Return a walk of 0.8 m/s with sway, bob and slow turns."""
    time = np.arange(count) / rate_hz
    sway = 0.02 * np.sin(2 * np.pi * 1.8 * time)
    place = np.column_stack([0.8 * time, 0.3 * np.sin(0.5 * time) + sway, 0.6 + 0.5 * sway])
    turn = Rotation.from_euler("zyx", np.column_stack([0.4 * np.sin(0.5 * time), 2.0 * sway, sway]))
    noise = np.random.default_rng(seed).normal(0.0, 0.001, place.shape)
    return Trajectory(time_s=time, position_m=place + noise, rotation_xyzw=turn.as_quat())


def test_a_steady_walk_is_not_odd() -> None:
    for seed in range(20):
        assert odd_poses(steady(seed=seed), max_gap_s=0.2, where="poses") == []


def test_gaps_are_counted_and_the_longest_is_named() -> None:
    walked = steady()
    keep = np.ones(200, dtype=bool)
    keep[50:70] = keep[120:160] = False
    cut = Trajectory(walked.time_s[keep], walked.position_m[keep], walked.rotation_xyzw[keep])
    (said,) = odd_poses(cut, max_gap_s=0.2, where="poses.txt")
    assert said.startswith("poses.txt: 2 gap(s) wider than 0.2 s, 1.24 s in all; the longest is 0.82 s from 2.380 on")


@pytest.mark.parametrize("jump", [0.08, 0.5, 5.0])
def test_a_jump_is_found_where_it_is(jump: float) -> None:
    """A loop closure moves all later poses at once."""
    walked = steady()
    position = walked.position_m + np.where(walked.time_s[:, None] >= 2.0, [0.0, jump, 0.0], 0.0)
    (said,) = odd_poses(Trajectory(walked.time_s, position, walked.rotation_xyzw), max_gap_s=0.2, where="poses")
    assert "the poses jump 1 time(s): " in said
    assert "in 20 ms at 2.000" in said


def test_a_jump_in_yaw_is_found() -> None:
    walked = steady()
    yaw = np.where(walked.time_s >= 3.0, 0.1, 0.0)
    rotation = Rotation.from_rotvec(np.outer(yaw, [0.0, 0.0, 1.0])) * Rotation.from_quat(walked.rotation_xyzw)
    (said,) = odd_poses(Trajectory(walked.time_s, walked.position_m, rotation.as_quat()), max_gap_s=0.2, where="poses")
    assert "5." in said and "degrees in 20 ms at 3.000" in said


def test_few_poses_a_second_are_said_with_what_they_cost() -> None:
    """a dt^2 / 8 with 5 m/s2 at 10 Hz is 6.25 mm."""
    (said,) = odd_poses(steady(rate_hz=10.0), max_gap_s=0.2, where="poses")
    assert "10 poses a second are few" in said and "6.2 mm off" in said


MATRIX = "1 0 0 0 0 1 0 0 0 0 1 0"


@pytest.mark.parametrize(
    ("text", "options", "said"),
    [
        (f"0 0 0 0 {UP}", {"topic": "/odom"}, r"got poses\.topic '/odom' for a file that is no bag"),
        (f"0 0 0 0 {UP}", {"body_frame": "base"}, r"got poses\.body_frame 'base' for a file that is no bag"),
        (f"0 0 0 0 {UP}", {"stamps_file": "times.txt"}, r"got poses\.stamps for poses that hold their own times"),
        (MATRIX, {"quaternion_order": "wxyz"}, r"got poses\.quaternion for a file of matrices"),
    ],
)
def test_what_a_file_cannot_follow_is_refused(write, tmp_path: Path, text: str, options: dict, said: str) -> None:
    (tmp_path / "times.txt").write_text("0.0\n")
    if "stamps_file" in options:
        options = {"stamps_file": tmp_path / "times.txt"}
    with pytest.raises(DataError, match=said):
        read_trajectory(write(text), options=PoseOptions(**options))


@given(st.lists(st.integers(0, 700), min_size=1, max_size=8), st.sampled_from(["xyzw", "wxyz"]), st.booleans())
@settings(max_examples=40, deadline=None)
def test_a_text_that_grows_reads_as_the_same_text_read_whole(
    tmp_path_factory: pytest.TempPathFactory, ends: list[int], order: str, with_commas: bool
) -> None:
    """Cut anywhere, also within a line; the text is written anew where the next cut lies before the last one."""
    rows = walk([3.0 * k for k in range(9)], w_first=order == "wxyz").splitlines()
    rows = [f"{row}  # so far" if k == 4 else row for k, row in enumerate(rows)]
    text = "# time x y z\n\n" + "\n".join([*rows[:6], rows[5], *rows[6:]]) + "\n"
    stored = (text.replace(" ", ",") if with_commas else text).encode()
    path = tmp_path_factory.mktemp("poses") / "poses.txt"
    options = PoseOptions(quaternion_order=order)
    growing = GrowingPoses(path, gravity=(0.0, 0.0, -1.0), options=options)
    for end in [*ends, len(stored)]:
        path.write_bytes(stored[:end])
        try:
            wanted, said = read_trajectory(path, options=options, growing=True)
        except TerrainError as error:
            with pytest.raises(type(error)) as got:
                growing.read()
            assert str(got.value) == str(error)
            continue
        found, told = growing.read()
        assert told == said
        np.testing.assert_array_equal(found.time_s, wanted.time_s)
        np.testing.assert_array_equal(found.position_m, wanted.position_m)
        np.testing.assert_array_equal(found.rotation_xyzw, wanted.rotation_xyzw)
    assert len(found.time_s) == 9 and len(told) == 1


def test_a_pose_that_comes_while_the_text_is_read_comes_once(write, monkeypatch) -> None:
    path = write(f"1.0 0 0 0 {UP}\n")
    read_bytes = Path.read_bytes

    def read_and_grow(self: Path) -> bytes:
        stored = read_bytes(self)
        with self.open("a") as file:
            file.write(f"{stored.count(10) + 1}.0 0 0 0 {UP}\n")
        return stored

    monkeypatch.setattr(Path, "read_bytes", read_and_grow)
    growing = GrowingPoses(path, gravity=(0.0, 0.0, -1.0), options=PoseOptions())
    for count in (1, 2, 3):
        assert growing.read()[0].time_s.tolist() == [1.0 + k for k in range(count)]


def test_what_is_wrong_in_a_text_that_grows_is_told_by_its_line(write) -> None:
    path = write(f"# time\n1.0 0 0 0 {UP}\n")
    growing = GrowingPoses(path, gravity=(0.0, 0.0, -1.0), options=PoseOptions())
    assert len(growing.read()[0].time_s) == 1
    for bad, what in (("0.5 0 0 0 0 0 0 1", r"line 4 \(time 0.5\) comes after line 2"), ("2.0 0 0", "line 4: got 3")):
        path.write_text(f"# time\n1.0 0 0 0 {UP}\n\n{bad}\n")
        for _ in range(2):
            with pytest.raises(DataError, match=what):
                growing.read()
    path.write_text(f"# time\n1.0 0 0 0 {UP}\n2.0 0 0 0 {UP}\n")
    assert len(growing.read()[0].time_s) == 2
    path.write_text(f"# time\n1.0 0 0 7 {UP}\n2.0 0 0 7 {UP}\n")
    assert growing.read()[0].position_m[:, 2].tolist() == [7.0, 7.0]
