"""`terrain ask`: the columns, orders, empty values and exit codes that other programs script against.

Verdicts are made by hand here, one a placement, so that every number in the output is known beforehand; what judging
itself gives is tested with the scoring.
"""

from __future__ import annotations

import csv
import io
import json
import math
import sys
import types
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from terrain.cli.main import cli
from terrain.data import REASONS, FootProfile, Ground, Label, Verdicts
from terrain.maps import answers
from terrain.maps.answers import explain
from terrain.maps.write import write_map
from tests.support.grounds import biped
from tests.support.map_contents import make_contents

ADDED = "z_m,label,reasons,slope_deg,slope_sd_deg,roughness_mm,support,rocking_m,edge_m,beside_m,observed,patch_id"


def make_verdicts(placement: np.ndarray, **changes: object) -> Verdicts:
    """Return steppable verdicts whose z is x + 10 y, with some fields replaced for all rows."""
    n = len(placement)
    known: dict[str, object] = {
        "placement": placement,
        "z_m": placement[:, 0] + 10 * placement[:, 1],
        "label": np.full(n, Label.STEPPABLE),
        "reason": np.full((n, len(REASONS)), -1),
        "slope_rad": np.full(n, np.radians(2.5)),
        "slope_sd_rad": np.full(n, np.radians(0.25)),
        "roughness_m": np.full(n, 0.0015),
        "roughness_sd_m": np.full(n, 0.0005),
        "support": np.full(n, 1.0),
        "support_sd": np.full(n, 0.01),
        "rocking_m": np.full(n, 0.06),
        "rocking_sd_m": np.full(n, 0.002),
        "edge_m": np.full(n, 0.10),
        "edge_sd_m": np.full(n, 0.003),
        "beside_m": np.full(n, 0.10),
        "beside_sd_m": np.full(n, 0.003),
        "observed": np.full(n, 0.97),
        "observed_sd": np.full(n, 0.01),
        "headroom_m": np.full(n, np.inf),
        "plane": np.zeros((n, 3)),
        "patch_id": np.arange(n) - 1,
        "level": np.zeros(n),
    }
    for name, value in changes.items():
        known[name] = value if np.ndim(value) else np.full(n, value)
    return Verdicts(**known)


def one(**changes: object) -> Verdicts:
    reasons = changes.pop("reasons", ())
    reason = np.full((1, len(REASONS)), -1)
    for k, word in enumerate(reasons):
        reason[0, k] = REASONS.index(word)
    return make_verdicts(np.array([[1.0, 2.0, 0.0, np.nan]]), reason=reason, **changes)


@pytest.fixture(scope="module")
def map_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("ask") / "map"
    write_map(out, make_contents(points=50), replace=False)
    return out


@pytest.fixture(autouse=True)
def asked(monkeypatch: pytest.MonkeyPatch) -> list[np.ndarray]:
    """Judge by hand: x < 0 has no ground, x > 100 is off an edge; return what was asked."""
    seen: list[np.ndarray] = []

    def judge_placements(ground: Ground, foot: FootProfile, placement: np.ndarray, *, known: object) -> Verdicts:
        seen.append(placement)
        verdicts = make_verdicts(placement)
        fields = {name: getattr(verdicts, name).copy() for name in Verdicts.__slots__}
        nothing, edge = placement[:, 0] < 0, placement[:, 0] > 100
        for name, values in fields.items():
            if name != "placement" and values.dtype == np.float64:
                values[nothing] = np.nan
        fields["label"][nothing] = Label.UNOBSERVED
        fields["label"][edge] = Label.UNSTEPPABLE
        fields["patch_id"][nothing] = -1
        fields["reason"][nothing, 0] = REASONS.index("no-ground")
        fields["reason"][edge, :2] = REASONS.index("edge"), REASONS.index("rocking")
        fields["edge_m"][edge] = -0.011
        fields["rocking_m"][edge] = -1e-9
        return Verdicts(**fields)

    module = types.ModuleType("terrain.score.placements")
    module.judge_placements = judge_placements  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "terrain.score.placements", module)
    return seen


def ask(*arguments: object, stdin: str | None = None) -> Result:
    return CliRunner().invoke(cli, ["ask", *map(str, arguments)], input=stdin)


def table(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "placements.csv"
    path.write_text(text, encoding="utf-8")
    return path


# --------------------------------------------------------------------------- a table


def test_table_to_file(map_folder: Path, tmp_path: Path, asked: list[np.ndarray]) -> None:
    source = table(tmp_path, "x_m,y_m,yaw_deg\n1.5,0.25,90\n-1,0,0\n101.0,0,-180\n")
    out = tmp_path / "verdicts.csv"
    got = ask(map_folder, "--from", source, "--out", out)
    assert got.exit_code == 0, got.output
    assert got.stdout == ""
    assert "3 placements: 1 steppable, 1 unobserved, 1 unsteppable" in got.stderr
    assert out.read_text() == (
        f"x_m,y_m,yaw_deg,{ADDED}\n"
        "1.5,0.25,90,4.000000,steppable,,2.500000,0.250000,1.500000,1.000000,0.060000,0.100000,0.100000,0.970000,\n"
        "-1,0,0,,unobserved,no-ground,,,,,,,,,\n"
        "101.0,0,-180,101.000000,unsteppable,edge;rocking,2.500000,0.250000,1.500000,1.000000,0.000000,-0.011000,"
        "0.100000,0.970000,1\n"
    )
    np.testing.assert_allclose(asked[0][:, 2], [math.pi / 2, 0, -math.pi], atol=1e-15)
    assert np.isnan(asked[0][:, 3]).all()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["placements.csv", "verdicts.csv"]


def test_table_with_levels_to_standard_output(map_folder: Path, tmp_path: Path, asked: list[np.ndarray]) -> None:
    source = table(tmp_path, "x_m,y_m,yaw_deg,level_z_m\n1,0,0,2.5\n2,0,0,\n")
    got = ask(map_folder, "--from", source)
    assert got.exit_code == 0, got.output
    rows = list(csv.DictReader(io.StringIO(got.stdout)))
    assert list(rows[0]) == ["x_m", "y_m", "yaw_deg", "level_z_m", *ADDED.split(",")]
    assert [row["level_z_m"] for row in rows] == ["2.5", ""]
    np.testing.assert_array_equal(asked[0][:, 3], [2.5, np.nan])


def test_table_from_standard_input(map_folder: Path) -> None:
    got = ask(map_folder, "--from", "-", stdin="x_m,y_m,yaw_deg\n1,2,3\n")
    assert got.exit_code == 0, got.output
    assert got.stdout.splitlines()[1].startswith("1,2,3,21.000000,steppable,")


def test_what_a_table_may_look_like(map_folder: Path, tmp_path: Path, asked: list[np.ndarray]) -> None:
    """Byte-order mark, Windows line ends, case, spaces, order, other columns, quotes, empty lines."""
    text = '\ufeff Yaw_Deg , note,X_M,y_m\r\n 90 ,"left, front", 1e0 ,"2"\r\n\r\n45,,3,4\r\n'
    got = ask(map_folder, "--from", table(tmp_path, text))
    assert got.exit_code == 0, got.output
    rows = list(csv.reader(io.StringIO(got.stdout)))
    assert rows[0][:4] == ["x_m", "y_m", "yaw_deg", "z_m"]
    assert [row[:3] for row in rows[1:]] == [["1e0", "2", "90"], ["3", "4", "45"]]
    np.testing.assert_allclose(asked[0][:, :3], [[1, 2, math.pi / 2], [3, 4, math.pi / 4]])


def test_order_holds_over_chunks(
    map_folder: Path, tmp_path: Path, asked: list[np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(answers, "_CHUNK_ROWS", 4)
    rows = "".join(f"{k},0,0\n" for k in range(10))
    got = ask(map_folder, "--from", table(tmp_path, "x_m,y_m,yaw_deg\n" + rows))
    lines = list(csv.DictReader(io.StringIO(got.stdout)))
    assert [row["x_m"] for row in lines] == [str(k) for k in range(10)]
    assert [float(row["z_m"]) for row in lines] == list(range(10))
    assert [len(part) for part in asked] == [4, 4, 2]


def test_a_table_of_full_chunks_has_one_header(map_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(answers, "_CHUNK_ROWS", 2)
    got = ask(map_folder, "--from", "-", stdin="x_m,y_m,yaw_deg\n" + "1,2,3\n" * 4)
    assert [line.startswith("x_m") for line in got.stdout.splitlines()] == [True] + [False] * 4


def test_a_table_without_rows(map_folder: Path) -> None:
    got = ask(map_folder, "--from", "-", stdin="x_m,y_m,yaw_deg\n")
    assert got.exit_code == 0
    assert got.stdout == f"x_m,y_m,yaw_deg,{ADDED}\n"
    assert "no rows" in got.stderr


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("x_m,y_m,yaw_deg\n1,2,3\n1,nan,3\n", "line 3 (row 2): y_m is 'nan', expected a finite number"),
        ("x_m,y_m,yaw_deg\n1,2,inf\n", "line 2 (row 1): yaw_deg is 'inf'"),
        ("x_m,y_m,yaw_deg\n\n,2,3\n", "line 3 (row 1): x_m is ''"),
        ("x_m,y_m,yaw_deg\n1_0,2,3\n", "x_m is '1_0'"),
        ("x_m,y_m,yaw_deg\n1,2,ninety\n", "yaw_deg is 'ninety'"),
        ("x_m,y_m,yaw_deg\n1,2\n", "line 2 (row 1): got 2 values, expected 3"),
        ("x_m,y_m,yaw_deg\n1,2,3,4\n", "got 4 values, expected 3"),
        ("x_m,y_m,yaw_deg,level_z_m\n1,2,3,nan\n", "level_z_m is 'nan'"),
        ("x_m,y_m\n1,2\n", "no column yaw_deg"),
        ("x_m;y_m;yaw_deg\n1;2;3\n", "no column x_m: got x_m;y_m;yaw_deg"),
        ("1,2,3\n", "no column x_m: got 1,2,3"),
        ("", "no column x_m: got an empty file"),
        ("x_m,y_m,yaw_deg,X_M\n1,2,3,4\n", "column x_m appears 2 times"),
        ('x_m,y_m,yaw_deg\n1,2,"3\n', "unexpected end of data"),
    ],
)
def test_a_bad_table_is_named_and_writes_nothing(map_folder: Path, tmp_path: Path, text: str, message: str) -> None:
    source = table(tmp_path, text)
    out = tmp_path / "verdicts.csv"
    got = ask(map_folder, "--from", source, "--out", out)
    assert got.exit_code == 1
    assert message in got.stderr
    assert str(source) in got.stderr
    assert len(got.stderr.splitlines()) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["placements.csv"]
    printed = ask(map_folder, "--from", source)
    assert printed.exit_code == 1
    assert printed.stdout == ""


def test_a_late_bad_row_writes_nothing(map_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(answers, "_CHUNK_ROWS", 2)
    out = tmp_path / "verdicts.csv"
    out.write_text("from yesterday")
    source = table(tmp_path, "x_m,y_m,yaw_deg\n" + "1,2,3\n" * 5 + "x,2,3\n")
    got = ask(map_folder, "--from", source, "--out", out)
    assert got.exit_code == 1
    assert "line 7 (row 6)" in got.stderr
    assert out.read_text() == "from yesterday"
    assert ask(map_folder, "--from", source).stdout == ""


def test_a_table_that_is_no_text(map_folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "placements.csv"
    path.write_bytes(b"x_m,y_m,yaw_deg\n\xff\xfe,1,2\n")
    got = ask(map_folder, "--from", path)
    assert got.exit_code == 1
    assert "is not UTF-8 text" in got.stderr


def test_out_in_a_folder_that_is_missing(map_folder: Path, tmp_path: Path) -> None:
    got = ask(map_folder, "--at", "1,2,3", "--out", tmp_path / "no" / "verdict.json")
    assert got.exit_code == 1
    assert "cannot write there" in got.stderr


def test_out_onto_a_device(map_folder: Path) -> None:
    got = ask(map_folder, "--at", "1,2,3", "--out", "/dev/null")
    assert got.exit_code == 1
    assert "no ordinary file" in got.stderr


# --------------------------------------------------------------------------- one placement


def test_one_verdict_as_json(map_folder: Path, asked: list[np.ndarray]) -> None:
    got = ask(map_folder, "--at", "101,0.5,90")
    assert got.exit_code == 0, got.output
    answer = json.loads(got.stdout)
    assert answer["label"] == "unsteppable"
    assert answer["reasons"] == ["edge", "rocking"]
    assert answer["z_m"] == 106.0
    assert answer["patch_id"] is None
    assert (answer["x_m"], answer["y_m"], answer["yaw_deg"], answer["level_z_m"]) == (101.0, 0.5, 90.0, None)
    assert (answer["edge_m"], answer["sd"]["edge_m"]) == (-0.011, 0.003)
    assert answer["limits"]["edge_m"] == {"comfort": 0.02, "limit": 0.0}
    assert (answer["slope_deg"], answer["slope_sd_deg"], answer["sd"]["slope_deg"]) == (2.5, 0.25, 0.25)
    assert answer["limits"]["slope_deg"] == {"comfort": 10.0, "limit": 18.0}
    assert (answer["headroom_m"], answer["headroom_free"], answer["headroom_needed_m"]) == (None, True, 0.4)
    assert set(ADDED.split(",")) <= set(answer)
    assert set(answer["sd"]) == set(answer["limits"]) <= set(answer)
    assert [sentence.split(":")[0] for sentence in answer["why"]] == ["edge", "rocking"]
    assert "not a safety function" in answer["caution"]
    np.testing.assert_allclose(asked[0], [[101, 0.5, math.pi / 2, np.nan]])


def test_one_verdict_with_level(map_folder: Path, asked: list[np.ndarray]) -> None:
    got = ask(map_folder, "--at", "-1.5, 0, 0, 3.2")
    assert got.exit_code == 0, got.output
    np.testing.assert_array_equal(asked[0], [[-1.5, 0, 0, 3.2]])
    answer = json.loads(got.stdout)
    assert answer["z_m"] is None
    assert answer["why"] == ["no-ground: no ground was found there to stand on"]


def test_one_verdict_to_a_file(map_folder: Path, tmp_path: Path) -> None:
    printed = ask(map_folder, "--at", "1,2,3").stdout
    ask(map_folder, "--at", "1,2,3", "--out", tmp_path / "verdict.json")
    assert (tmp_path / "verdict.json").read_text() == printed


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (
            {"reasons": ("edge",), "edge_m": 0.011, "edge_sd_m": 0.003},
            "edge: 11 mm from the sole to the nearest edge, give or take 3 mm (1 sd); at least 20 mm is comfortable, "
            "under 0 mm unsteppable",
        ),
        (
            {"reasons": ("slope",), "slope_rad": np.radians(9.8), "slope_sd_rad": np.radians(0.4)},
            "slope: tilted by 9.8 deg, give or take 0.4 deg (1 sd); up to 10.0 deg is comfortable, over 18.0 deg "
            "unsteppable; too uncertain to count as comfortable",
        ),
        (
            {"reasons": ("unobserved",), "observed": 0.4, "observed_sd": np.nan},
            "unobserved: 40 % of the sole's area was seen; at least 90 % is comfortable, under 60 % unobserved",
        ),
        (
            {"reasons": ("rocking",), "rocking_m": np.nan},
            "rocking: no ground on one side of the load, the foot would tip",
        ),
        ({"reasons": ("slope",), "slope_rad": np.nan}, "slope: could not be measured"),
        ({"reasons": ("headroom",), "headroom_m": 0.234}, "headroom: 0.23 m free above the sole, 0.40 m needed"),
        ({"reasons": ("kept-out",)}, "kept-out: this area is marked as one to stay out of"),
    ],
)
def test_reasons_in_words(change: dict[str, object], sentence: str) -> None:
    verdicts = one(**change)
    assert explain(verdicts, 0, verdicts.reasons(0)[0], biped()) == sentence


@pytest.mark.parametrize("reason", REASONS)
def test_every_reason_has_words(reason: str) -> None:
    assert explain(one(reasons=(reason,)), 0, reason, biped()).startswith(f"{reason}: ")


# --------------------------------------------------------------------------- wrong usage


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("--at", "1,2"),
        ("--at", "1,2,nan"),
        ("--at", "1,2,3,4,5"),
        ("--at", "here"),
        ("--from", "nowhere.csv"),
        ("--at", "1,2,3", "--from", "-"),
    ],
)
def test_wrong_usage(map_folder: Path, arguments: tuple[str, ...]) -> None:
    assert ask(map_folder, *arguments).exit_code == 2


def test_out_over_the_placements(map_folder: Path, tmp_path: Path) -> None:
    source = table(tmp_path, "x_m,y_m,yaw_deg\n1,2,3\n")
    got = ask(map_folder, "--from", source, "--out", source)
    assert got.exit_code == 2
    assert source.read_text() == "x_m,y_m,yaw_deg\n1,2,3\n"


def test_maps_that_are_none(tmp_path: Path) -> None:
    assert ask(tmp_path / "nowhere", "--at", "1,2,3").exit_code == 2
    got = ask(tmp_path, "--at", "1,2,3")
    assert got.exit_code == 1
    assert "is not a map folder" in got.stderr


def test_help_fits_and_shows_how() -> None:
    got = ask("--help")
    assert got.exit_code == 0
    assert "terrain ask MAP --from placements.csv --out verdicts.csv" in got.stdout
    assert "not a safety function" in " ".join(got.stdout.split())
