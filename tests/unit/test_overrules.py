"""People's decisions: what each may change, what none may, and that none is lost.

The rules tested are those of the project's contract: unobserved ground is never steppable, a marginal label is an
operator's to decide, past a limit only by a second confirmation that names it. Areas and soles are worked by hand.
"""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from terrain.cli.main import cli
from terrain.data import REASONS, Label, Verdicts
from terrain.errors import DataError, ReadError
from terrain.maps import answers
from terrain.maps.answers import describe, judge_table
from terrain.maps.overruled import (
    overruled,
    overruled_patches,
    overruled_raster,
    rounded_outward,
    worst_past_limits,
)
from terrain.maps.overrules import (
    OVERRULES,
    accept_past_limit,
    add_area,
    read_overrules,
    undo,
)
from terrain.maps.store import open_map
from terrain.maps.write import write_map
from tests.support.grounds import biped
from tests.support.map_contents import make_contents, make_raster

ROOT = Path(__file__).parents[2]
SQUARE = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]
WHO = {"name": "Ines Example", "reason": "planks laid over it"}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    out = tmp_path / "map"
    write_map(out, make_contents(points=50), replace=False)
    return out


def verdicts(*rows: tuple[float, float, Label, tuple[str, ...]], **changes: float) -> Verdicts:
    """Return verdicts at x, y (yaw 0) with label and reasons; every quantity comfortable but those changed."""
    n = len(rows)
    reason = np.full((n, len(REASONS)), -1)
    for k, (_, _, _, words) in enumerate(rows):
        reason[k, : len(words)] = [REASONS.index(word) for word in words]
    known = {
        "slope_rad": 0.02, "roughness_m": 0.001, "support": 1.0, "rocking_m": 0.06, "edge_m": 0.1, "beside_m": 0.1,
        "observed": 1.0, "headroom_m": np.inf, "z_m": 0.0, **changes,
    }  # fmt: skip
    sds = dict.fromkeys(
        ("slope_sd_rad", "roughness_sd_m", "support_sd", "rocking_sd_m", "edge_sd_m", "beside_sd_m", "observed_sd"), 0.0
    )
    return Verdicts(
        placement=np.array([[x, y, 0.0, np.nan] for x, y, _, _ in rows]),
        label=np.array([label for _, _, label, _ in rows]),
        reason=reason,
        plane=np.zeros((n, 3)),
        patch_id=np.zeros(n),
        level=np.zeros(n),
        **{name: np.full(n, value) for name, value in {**known, **sds}.items()},
    )


def labels(folder: Path, given: Verdicts) -> list[Label]:
    return [Label(k) for k in overruled(given, read_overrules(folder), biped()).label]


def test_a_map_without_decisions_is_as_measured(folder: Path) -> None:
    given = verdicts((0.5, 0.5, Label.MARGINAL, ("edge",)))
    assert labels(folder, given) == [Label.MARGINAL]
    assert read_overrules(folder).records == ()


def test_an_area_kept_out_stops_every_sole_that_touches_it(folder: Path) -> None:
    """The biped's toe is 0.17 m before the load point, its heel 0.09 m behind: common sizes, worked by hand."""
    add_area(folder, kind="keep-out", area_m=SQUARE, level=None, **WHO)
    given = verdicts(
        (0.5, 0.5, Label.STEPPABLE, ()),
        (-0.16, 0.5, Label.STEPPABLE, ()),  # the toe reaches in by 10 mm
        (-0.18, 0.5, Label.STEPPABLE, ()),  # it ends 10 mm before
        (1.08, 0.5, Label.STEPPABLE, ()),  # the heel reaches in
        (1.10, 0.5, Label.STEPPABLE, ()),
        (0.5, 0.5, Label.MARGINAL, ("edge", "support")),
    )
    after = overruled(given, read_overrules(folder), biped())
    out, free = Label.UNSTEPPABLE, Label.STEPPABLE
    assert [Label(k) for k in after.label] == [out, out, free, out, free, out]
    assert after.reasons(0) == ("kept-out",)
    assert after.reasons(5) == ("kept-out", "edge", "support")
    assert list(after.measured_label) == list(given.label)
    assert list(after.overrule) == [1, 1, 0, 1, 0, 1]


def test_an_acceptance_turns_marginal_only_where_the_whole_sole_lies_in_it(folder: Path) -> None:
    add_area(folder, kind="accept", area_m=SQUARE, level=0, **WHO)
    given = verdicts(
        (0.5, 0.5, Label.MARGINAL, ("edge",)),
        (0.9, 0.5, Label.MARGINAL, ("edge",)),  # the toe is outside
        (0.5, 0.5, Label.STEPPABLE, ()),
        (0.5, 0.5, Label.UNOBSERVED, ("unobserved",)),
        (0.5, 0.5, Label.UNOBSERVED, ("no-ground",)),
    )
    assert labels(folder, given) == [
        Label.STEPPABLE, Label.MARGINAL, Label.STEPPABLE, Label.UNOBSERVED, Label.UNOBSERVED,
    ]  # fmt: skip
    after = overruled(given, read_overrules(folder), biped())
    assert after.reasons(0) == ("edge",), "what is not comfortable stays said"


def test_an_acceptance_counts_on_its_level(folder: Path) -> None:
    add_area(folder, kind="accept", area_m=SQUARE, level=1, **WHO)
    given = verdicts((0.5, 0.5, Label.MARGINAL, ("edge",)))
    assert labels(folder, given) == [Label.MARGINAL]
    assert labels(folder, replace(given, level=np.array([1]))) == [Label.STEPPABLE]


def test_past_a_limit_takes_a_second_confirmation_by_name_and_no_further_than_said(folder: Path) -> None:
    steep = verdicts((0.5, 0.5, Label.UNSTEPPABLE, ("slope",)), slope_rad=np.radians(19.5))
    add_area(folder, kind="accept", area_m=SQUARE, level=0, **WHO)
    assert labels(folder, steep) == [Label.UNSTEPPABLE]
    with pytest.raises(DataError, match="each limit by name: slope_deg"):
        accept_past_limit(folder, of=1, past_limits={"slope_deg": 20.0}, confirmed=[], **WHO)
    with pytest.raises(DataError, match="got edge_m"):
        accept_past_limit(folder, of=1, past_limits={"slope_deg": 20.0}, confirmed=["edge_m"], **WHO)
    assert labels(folder, steep) == [Label.UNSTEPPABLE]
    accept_past_limit(folder, of=1, past_limits={"slope_deg": 20.0}, confirmed=["slope_deg"], **WHO)
    assert labels(folder, steep) == [Label.STEPPABLE]
    steeper = verdicts((0.5, 0.5, Label.UNSTEPPABLE, ("slope",)), slope_rad=np.radians(20.5))
    assert labels(folder, steeper) == [Label.UNSTEPPABLE]
    also_rough = verdicts(
        (0.5, 0.5, Label.UNSTEPPABLE, ("roughness", "slope")), slope_rad=np.radians(19.5), roughness_m=0.02
    )
    assert labels(folder, also_rough) == [Label.UNSTEPPABLE], "a limit that nobody named still counts"


@pytest.mark.parametrize("changes", [{"observed": 0.3}, {"observed": np.nan}, {"z_m": np.nan}])
def test_what_was_not_seen_is_never_accepted(folder: Path, changes: dict[str, float]) -> None:
    add_area(folder, kind="accept", area_m=SQUARE, level=0, **WHO)
    accept_past_limit(folder, of=1, past_limits={"edge_m": -0.2}, confirmed=["edge_m"], **WHO)
    given = verdicts((0.5, 0.5, Label.UNSTEPPABLE, ("edge",)), edge_m=-0.05)
    assert labels(folder, given) == [Label.STEPPABLE]
    unseen = verdicts((0.5, 0.5, Label.UNSTEPPABLE, ("edge", "unobserved")), edge_m=-0.05, **changes)
    assert labels(folder, unseen) == [Label.UNSTEPPABLE]
    with pytest.raises(DataError, match="observed"):
        accept_past_limit(folder, of=1, past_limits={"observed": 0.1}, confirmed=["observed"], **WHO)


def test_a_quantity_without_a_value_is_never_accepted(folder: Path) -> None:
    add_area(folder, kind="accept", area_m=SQUARE, level=0, **WHO)
    accept_past_limit(folder, of=1, past_limits={"rocking_m": -1.0}, confirmed=["rocking_m"], **WHO)
    assert labels(folder, verdicts((0.5, 0.5, Label.UNSTEPPABLE, ("rocking",)), rocking_m=np.nan)) == [
        Label.UNSTEPPABLE
    ]


def test_an_area_kept_out_outweighs_an_acceptance_and_undo_brings_it_back(folder: Path) -> None:
    given = verdicts((0.5, 0.5, Label.MARGINAL, ("edge",)))
    add_area(folder, kind="keep-out", area_m=SQUARE, level=0, **WHO)
    add_area(folder, kind="accept", area_m=SQUARE, level=0, **WHO)
    assert labels(folder, given) == [Label.UNSTEPPABLE]
    undo(folder, of=1, name="Bo Example")
    assert labels(folder, given) == [Label.STEPPABLE]
    undo(folder, of=2, name="Bo Example", reason="planks gone")
    assert labels(folder, given) == [Label.MARGINAL]
    assert [record.kind for record in read_overrules(folder).records] == ["keep-out", "accept", "undo", "undo"]
    with pytest.raises(DataError, match="undone already"):
        undo(folder, of=2, name="Bo Example")
    with pytest.raises(DataError, match="none of that number"):
        undo(folder, of=9, name="Bo Example")
    with pytest.raises(DataError, match="no acceptance in force"):
        accept_past_limit(folder, of=2, past_limits={"slope_deg": 20.0}, confirmed=["slope_deg"], **WHO)


def test_undoing_a_confirmation_leaves_the_acceptance(folder: Path) -> None:
    add_area(folder, kind="accept", area_m=SQUARE, level=0, **WHO)
    accept_past_limit(folder, of=1, past_limits={"slope_deg": 20.0}, confirmed=["slope_deg"], **WHO)
    undo(folder, of=2, name="Bo Example")
    steep = verdicts((0.5, 0.5, Label.UNSTEPPABLE, ("slope",)), slope_rad=np.radians(19.5))
    assert labels(folder, steep) == [Label.UNSTEPPABLE]
    assert labels(folder, verdicts((0.5, 0.5, Label.MARGINAL, ("slope",)))) == [Label.STEPPABLE]


@pytest.mark.parametrize(
    ("quantity", "value", "least", "most"),
    [("slope_deg", 20.0, 20.005, 20.02), ("slope_deg", 19.9999, 20.004, 20.02), ("roughness_mm", 12.341, 12.345, 12.37),
     ("edge_m", -0.0312, -0.0337, -0.0317), ("support", 0.7004, 0.6979, 0.6999)],
)  # fmt: skip
def test_a_worst_value_is_rounded_so_that_it_holds_what_differs_by_chance(quantity, value, least, most) -> None:
    assert least <= rounded_outward(quantity, value) <= most


def test_worst_past_limits_leaves_out_what_was_not_seen() -> None:
    given = verdicts(
        (0.5, 0.5, Label.UNSTEPPABLE, ("slope",)),
        (0.5, 0.5, Label.UNSTEPPABLE, ("slope",)),
        (0.5, 0.5, Label.UNSTEPPABLE, ("slope", "unobserved")),
        (0.5, 0.5, Label.MARGINAL, ("slope",)),
    )
    given = replace(given, slope_rad=np.radians([19.0, 21.0, 40.0, 15.0]), observed=np.array([1.0, 1.0, 0.2, 1.0]))
    worst, count = worst_past_limits(given, biped())
    assert worst == {"slope_deg": pytest.approx(21.0)}
    assert count == {"slope_deg": 2}


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"name": "  "}, "name: is empty"),
        ({"name": "=HYPERLINK(1)"}, "expected a letter or digit"),
        ({"reason": ""}, "reason: is empty"),
        ({"reason": "x" * 501}, "501 characters"),
        ({"area_m": SQUARE[:2]}, "2 corners"),
        ({"area_m": [[0, 0], [1, 1], [1, 0], [0, 1]]}, "crosses itself"),
        ({"area_m": [[0, 0], [1, 0], [float("nan"), 1]]}, "not finite"),
        ({"area_m": [[0, 0], [0.001, 0], [0, 0.001]]}, "covers"),
        ({"area_m": ["abc"]}, "list of"),
        ({"kind": "undo"}, "keep-out or accept"),
        ({"level": None}, "expected the level"),
    ],
)
def test_what_is_refused_leaves_no_line(folder: Path, changes: dict[str, object], message: str) -> None:
    with pytest.raises(DataError, match=message):
        add_area(folder, **{"kind": "accept", "area_m": SQUARE, "level": 0, **WHO, **changes})
    assert read_overrules(folder).records == ()


def test_a_line_that_a_crash_cut_short_is_passed_over_and_dropped(folder: Path) -> None:
    add_area(folder, kind="keep-out", area_m=SQUARE, level=None, **WHO)
    with (folder / OVERRULES).open("ab") as file:
        file.write(b'[{"number": 2, "kind": "keep-')
    assert len(read_overrules(folder).records) == 1
    add_area(folder, kind="accept", area_m=SQUARE, level=0, **WHO)
    assert [record.number for record in read_overrules(folder).records] == [1, 2]


def test_a_changed_line_stops_every_answer(folder: Path) -> None:
    add_area(folder, kind="keep-out", area_m=SQUARE, level=None, **WHO)
    path = folder / OVERRULES
    path.write_text(path.read_text().replace("keep-out", "accept"))
    with pytest.raises(ReadError, match="line 1 is damaged"):
        open_map(folder).judge([[0.5, 0.5, 0.0]])


def test_a_map_whose_decisions_are_gone_answers_nothing(folder: Path) -> None:
    """As when somebody empties the folder under a planner: what was kept out must not become steppable by that."""
    add_area(folder, kind="keep-out", area_m=SQUARE, level=None, **WHO)
    opened, path = open_map(folder), folder / OVERRULES
    at = np.column_stack([np.full(300, 0.5), np.full(300, 0.5), np.zeros(300)])
    assert opened.judge(at[:1]).label[0] == Label.UNSTEPPABLE
    kept = path.read_bytes()
    path.unlink()
    for ask in (lambda: opened.judge(at[:1]), lambda: opened.screen(at), opened.patches, lambda: opened.level(0)):
        with pytest.raises(ReadError, match=r"got 0 of people's decisions, expected the 1 that this map had"):
            ask()
    path.write_bytes(kept)
    assert opened.judge(at[:1]).label[0] == Label.UNSTEPPABLE
    add_area(folder, kind="keep-out", area_m=SQUARE, level=None, **WHO)
    assert not opened.screen(at).steppable.any()
    path.write_bytes(kept)
    with pytest.raises(ReadError, match="got 1 of people's decisions, expected the 2"):
        opened.judge(at[:1])


WRITER = """
import sys
from pathlib import Path
from terrain.maps.overrules import add_area
area = [[0, 0], [1, 0], [1, 1]]
for _ in range(20):
    add_area(Path(sys.argv[1]), kind="keep-out", area_m=area, level=None, name=sys.argv[2], reason="counted")
"""


def test_many_writers_at_once_lose_nothing(folder: Path) -> None:
    writers = [subprocess.Popen([sys.executable, "-c", WRITER, folder, f"Writer {k}"], cwd=ROOT) for k in range(4)]
    assert [writer.wait(60) for writer in writers] == [0, 0, 0, 0]
    records = read_overrules(folder).records
    assert [record.number for record in records] == list(range(1, 81))
    assert {record.name for record in records} == {f"Writer {k}" for k in range(4)}


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_takes_no_file_says_so(folder: Path) -> None:
    folder.chmod(0o555)
    try:
        with pytest.raises(DataError, match="nothing was overruled"):
            add_area(folder, kind="keep-out", area_m=SQUARE, level=None, **WHO)
    finally:
        folder.chmod(0o755)


def test_a_replaced_map_keeps_areas_out_and_lapses_acceptances(folder: Path) -> None:
    add_area(folder, kind="keep-out", area_m=SQUARE, level=3, **WHO)
    add_area(folder, kind="accept", area_m=SQUARE, level=0, **WHO)
    write_map(folder, make_contents(points=60), replace=True)
    layer = read_overrules(folder)
    assert len(layer.records) == 2
    assert [(rule.kind, rule.level) for rule in layer.in_force()] == [("keep-out", None)]
    assert [rule.number for rule in layer.lapsed()] == [2]
    assert labels(folder, verdicts((0.5, 0.5, Label.STEPPABLE, ()))) == [Label.UNSTEPPABLE]
    assert not list(folder.parent.glob("*.kept*"))
    undo(folder, of=1, name="Bo Example")
    assert labels(folder, verdicts((0.5, 0.5, Label.MARGINAL, ("edge",)))) == [Label.MARGINAL]


def test_nobody_accepts_a_map_that_they_have_not_seen(folder: Path) -> None:
    seen = read_overrules(folder).map_id
    add_area(folder, kind="accept", area_m=SQUARE, level=0, seen_map_id=seen, **WHO)
    write_map(folder, make_contents(points=60), replace=True)
    with pytest.raises(DataError, match="replaced since you looked"):
        add_area(folder, kind="accept", area_m=SQUARE, level=0, seen_map_id=seen, **WHO)
    assert len(read_overrules(folder).records) == 1


# --------------------------------------------------------------------------- in every answer


def test_json_and_table_name_the_person_and_the_measured_label(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    given = verdicts((0.5, 0.5, Label.STEPPABLE, ()), (5.0, 5.0, Label.MARGINAL, ("edge",)))
    monkeypatch.setattr(answers, "measured", lambda _, placement: given)
    opened = open_map(folder)

    def table() -> list[dict[str, str]]:
        target = io.StringIO()
        judge_table(opened, io.StringIO("x_m,y_m,yaw_deg\n0.5,0.5,0\n5,5,0\n"), target, name="t")
        return list(csv.DictReader(io.StringIO(target.getvalue())))

    assert "measured_label" not in table()[0], "a map without decisions has the columns it always had"
    add_area(folder, kind="keep-out", area_m=SQUARE, level=None, name="Ines <b>Example</b>", reason="wet paint")
    judged = opened.judge([[0.5, 0.5, 0.0], [5.0, 5.0, 0.0]])
    answer = json.loads(json.dumps(describe(opened, judged, 0)))
    assert (answer["label"], answer["measured_label"]) == ("unsteppable", "steppable")
    assert answer["overrule"]["name"] == "Ines <b>Example</b>"
    assert "wet paint" in answer["why"][0]
    other = describe(opened, judged, 1)
    assert other["overrule"] is None
    assert other["measured_label"] == other["label"] == "marginal"
    rows = table()
    assert [(row["label"], row["measured_label"], row["overruled_by"]) for row in rows] == [
        ("unsteppable", "steppable", "Ines <b>Example</b>"),
        ("marginal", "marginal", ""),
    ]


def test_rasters_follow_the_decisions(folder: Path) -> None:
    """Cells of 50 mm from (-1, -0.5); labels by column: steppable to x = 0.5, marginal to 1.25, then unsteppable."""
    raster = make_raster()
    add_area(folder, kind="keep-out", area_m=[[-0.2, 0.2], [0.2, 0.2], [0.2, 0.6], [-0.2, 0.6]], level=0, **WHO)
    add_area(folder, kind="accept", area_m=[[0.4, 0.9], [1.9, 0.9], [1.9, 1.5], [0.4, 1.5]], level=0, **WHO)

    def judge(placement: np.ndarray) -> Verdicts:
        raise AssertionError("nobody accepted anything past a limit")

    after = overruled_raster(raster, read_overrules(folder), biped(), judge)

    def at(x_m: float, y_m: float) -> tuple[int, float]:
        row, column = int((y_m + 0.5) / 0.05), int((x_m + 1.0) / 0.05)
        return int(after.label[row, column]), float(after.yaw_share[row, column])

    assert at(0.0, 0.4) == (Label.UNSTEPPABLE, 0.0)
    assert at(-0.6, 0.4)[0] == Label.STEPPABLE
    assert at(0.9, 1.2)[0] == Label.STEPPABLE
    assert at(0.9, 0.0)[0] == Label.MARGINAL
    assert at(1.5, 1.2)[0] == Label.UNSTEPPABLE
    np.testing.assert_array_equal(raster.label, make_raster().label)


def test_patches_follow_the_decisions(folder: Path) -> None:
    """The block's top, a square of half a metre from (-0.5, -0.25), is marginal; the floor around it steppable."""
    table = open_map(folder).patches()
    assert [Label(k) for k in table.label] == [Label.STEPPABLE, Label.MARGINAL, Label.UNSTEPPABLE]
    add_area(folder, kind="accept", area_m=[[-0.6, -0.3], [0.1, -0.3], [0.1, 0.3], [-0.6, 0.3]], level=0, **WHO)
    assert Label(open_map(folder).patches().label[1]) == Label.STEPPABLE
    add_area(folder, kind="keep-out", area_m=[[-0.5, 1.0], [0.5, 1.0], [0.5, 1.4]], level=0, **WHO)
    after = overruled_patches(table, read_overrules(folder))
    assert [Label(k) for k in after.label] == [Label.MARGINAL, Label.STEPPABLE, Label.UNSTEPPABLE]
    assert after.reasons[0] == ("kept-out",)
    add_area(folder, kind="keep-out", area_m=[[-0.6, -0.3], [0.1, -0.3], [0.1, 0.3], [-0.6, 0.3]], level=0, **WHO)
    assert Label(open_map(folder).patches().label[1]) == Label.UNSTEPPABLE


# --------------------------------------------------------------------------- from the command line


def run(folder: Path, *arguments: str) -> tuple[int, str]:
    done = CliRunner().invoke(cli, ["overrule", str(folder), *arguments])
    return done.exit_code, done.output


def test_decisions_without_a_browser(folder: Path) -> None:
    assert run(folder) == (0, "Nobody has decided anything on this map.\n")
    who = ("--name", "Ines Example", "--reason", "hose across")
    assert run(folder, "--keep-out", "0,0 1,0 1,1", *who)[0] == 0
    assert run(folder, "--accept", "0,0 1,0 1,1", "--level", "0", *who)[0] == 0
    code, said = run(folder, "--past-limit", "2", "--worst", "slope_deg=20", *who)
    assert code == 1
    assert "each limit by name: slope_deg" in said
    assert run(folder, "--past-limit", "2", "--worst", "slope_deg=20", "--confirm", "slope_deg", *who)[0] == 0
    assert run(folder, "--undo", "1", "--name", "Bo Example")[0] == 0
    lines = run(folder)[1].splitlines()
    assert [line.rpartition("[")[2] for line in lines] == ["undone]", "in force]", "in force]", "on record]"]
    assert "Ines Example" in lines[0]
    assert "slope_deg to 20" in lines[2]


def test_an_area_beside_all_ground_is_kept_and_questioned(folder: Path) -> None:
    who = ("--name", "Ines Example", "--reason", "hose across")
    for corners, level, questioned in (
        ("700,0 701,0 701,1", (), "no ground of this map lies in that area"),
        ("0,0 1,0 1,1", ("--level", "9"), "no ground of level 9 of this map lies in that area"),
        ("0,0 1,0 1,1", (), None),
    ):
        code, said = run(folder, "--keep-out", corners, *level, *who)
        assert code == 0
        assert questioned in said if questioned else "no ground" not in said
    assert len(read_overrules(folder).records) == 3


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (("--keep-out", "0,0 1,0"), 2, "three corners or more"),
        (("--keep-out", "0,0 1,0 1,1", "--undo", "1"), 2, "one of"),
        (("--keep-out", "0,0 1,0 1,1"), 1, "name: is empty"),
        (("--undo", "7", "--name", "Ines"), 1, "none of that number"),
        (("--past-limit", "1", "--worst", "slope"), 2, "slope_deg=20"),
    ],
)
def test_what_the_command_refuses(folder: Path, arguments: tuple[str, ...], code: int, message: str) -> None:
    assert run(folder, *arguments)[0] == code
    assert message in run(folder, *arguments)[1]
    assert read_overrules(folder).records == ()
