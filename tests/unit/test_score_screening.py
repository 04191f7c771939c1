"""Screening: which placements are steppable and which marginal, as the verdicts have it, and what tells early.

The floor of the small map: from x = -1 to 2 and y = -0.5 to 1.5, a block top at 0.1 m, a ramp of 20 degrees.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from terrain.data import FloatArray, FootProfile, Ground, Label, Limit
from terrain.errors import DataError
from terrain.foot import load_foot
from terrain.maps.overrules import add_area
from terrain.maps.store import LOOKING_UP_PAYS, TerrainMap, open_map
from terrain.maps.write import write_map
from terrain.score.placements import judge_placements, look_up
from terrain.score.screening import make_screen, screen_placements
from tests.support.grounds import Layer, biped, block, build_ground, cells, disc, flat, rectangle
from tests.support.map_contents import make_contents
from tests.support.scenes import SCENES, WIDE

MANY = 1500


def rubble(seed: int, step_m: float = 0.06, rise_m: float = 0.05) -> Ground:
    """Lumps of every height up to `rise_m` on a floor, in patches of their own, with gaps and thin places."""
    rng = np.random.default_rng(seed)
    nx, ny = round(2.4 / step_m), round(1.8 / step_m)
    coarse = np.where(rng.random((ny, nx)) < 0.5, 0.0, rng.uniform(0.0, rise_m, (ny, nx)))
    coarse[rng.random((ny, nx)) < 0.02] = np.nan
    fine = np.kron(coarse, np.ones((round(step_m / 0.01), round(step_m / 0.01))))
    number = np.kron(
        np.arange(coarse.size).reshape(coarse.shape), np.ones_like(fine[: len(fine) // ny, : fine.shape[1] // nx])
    )
    look = cells(number, x0_m=-1.2, y0_m=-0.9)
    thin = rng.integers(1, 12, fine.shape)
    return build_ground(
        Layer(
            cells(fine, x0_m=-1.2, y0_m=-0.9),
            patch_id=lambda x, y: np.nan_to_num(look(x, y)).astype(np.int32),
            seen=lambda x, y: np.nan_to_num(cells(thin.astype(float), x0_m=-1.2, y0_m=-0.9)(x, y)).astype(np.int32),
            height_sd_m=lambda x, y: 0.002 + 0.004 * (np.sin(9 * x) > 0.5),
            edge_sd_m=lambda x, y: 0.004 + 0.006 * (np.sin(7 * y) > 0.5),
            roughness_m=lambda x, y: 0.004 * (np.sin(5 * x + 3 * y) > 0.0),
        ),
        **WIDE,
    )


GROUNDS = SCENES | {
    "low beam": lambda: build_ground(Layer(flat()), **WIDE, blocks=(block(-0.2, -0.9, 0.1, 0.9, 0.25, 0.3),)),
    "pipes": lambda: build_ground(
        Layer(flat()), **WIDE, blocks=tuple(block(x, -0.9, x + 0.02, 0.9, 0.05, 0.09) for x in (-0.8, -0.1, 0.5))
    ),
    "kerb of 6 cm": lambda: build_ground(
        Layer(
            lambda x, y: np.where(x + 0.3 * y > 0.0, 0.06, 0.0), patch_id=lambda x, y: (x + 0.3 * y > 0.0).astype(int)
        ),
        **WIDE,
    ),
    "rubble": lambda: rubble(1),
    "coarse rubble": lambda: rubble(2, step_m=0.3, rise_m=0.09),
    "fine rubble": lambda: rubble(3, step_m=0.03, rise_m=0.03),
}
FEET = {
    "biped": lambda: load_foot("biped"),
    "quadruped": lambda: load_foot("quadruped"),
    "boot": lambda: load_foot("boot"),
    "disc": lambda: biped(outline_m=disc(0.03, 24)),
    "long toe": lambda: biped(outline_m=rectangle(0.3, 0.1, 0.02)),
    "over edges": lambda: biped(edge_m=Limit(-0.01, -0.05), beside_m=Limit(0.0, -0.02)),
    "no roughness": lambda: biped(roughness_m=Limit(0.0, 0.001)),
}


def placements(seed: int, n: int = MANY) -> FloatArray:
    rng = np.random.default_rng(seed)
    columns = (rng.uniform(-1.3, 1.3, n), rng.uniform(-1.0, 1.0, n), rng.uniform(-4.0, 4.0, n))
    return np.column_stack([*columns, rng.choice([np.nan, 0.0, 0.9], n)])


def never(label: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """Return labels with `unsteppable` in the place of `unobserved`: of both nothing can be stepped on."""
    return np.where(label == Label.UNOBSERVED, np.uint8(Label.UNSTEPPABLE), label)


@pytest.mark.parametrize("foot_name", FEET)
@pytest.mark.parametrize("name", GROUNDS)
def test_labels_are_those_of_the_verdicts(name: str, foot_name: str) -> None:
    ground, foot, rows = GROUNDS[name](), FEET[foot_name](), placements(4)
    want = never(judge_placements(ground, foot, rows, known=look_up(ground, foot)).label)
    got = screen_placements(ground, make_screen(ground, foot), rows)
    wrong = np.flatnonzero(got != want)
    assert len(wrong) == 0, (rows[wrong[:3]], got[wrong[:3]], want[wrong[:3]])


def test_the_scenes_hold_every_label() -> None:
    """Or else the test above would compare nothing with nothing."""
    foot, rows, seen = FEET["biped"](), placements(4), set[int]()
    for name in ("stairs", "rubble", "coarse rubble", "low beam"):
        seen |= set(judge_placements(GROUNDS[name](), foot, rows).label.tolist())
    assert seen == {0, 1, 2, 3}


@pytest.mark.parametrize(
    ("name", "least"), [("floor", 0.1), ("hole", 0.3), ("low beam", 0.3), ("kerb of 6 cm", 0.3), ("stairs", 0.3)]
)
def test_most_of_what_cannot_be_stepped_on_is_told_without_judging(
    name: str, least: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of placements on the ground that are past a limit or unobserved: what a break tells is not judged any more."""
    import terrain.score.screening as module

    ground, foot, rows = GROUNDS[name](), FEET["biped"](), placements(5)
    judged: list[FloatArray] = []

    def spy(*arguments: object, **options: object) -> object:
        judged.append(np.asarray(arguments[2]))
        return judge(*arguments, **options)

    judge = module.judge_rows
    monkeypatch.setattr(module, "judge_rows", spy)
    got = screen_placements(ground, make_screen(ground, foot), rows)
    bad = int((got == Label.UNSTEPPABLE).sum())
    again = sum(int((never(judge_placements(ground, foot, part).label) == Label.UNSTEPPABLE).sum()) for part in judged)
    assert bad > 100
    assert again < (1.0 - least) * bad


def test_no_placements_no_labels() -> None:
    ground, foot = GROUNDS["floor"](), FEET["biped"]()
    assert len(screen_placements(ground, make_screen(ground, foot), np.empty((0, 4)))) == 0


# --------------------------------------------------------------------------- of a map


@pytest.fixture
def dock(tmp_path: Path) -> TerrainMap:
    write_map(tmp_path / "map-dock", make_contents(points=50), replace=False)
    return open_map(tmp_path / "map-dock")


def spots(n: int, seed: int = 6) -> FloatArray:
    rng = np.random.default_rng(seed)
    return np.column_stack([rng.uniform(-1.2, 2.2, n), rng.uniform(-0.7, 1.7, n), rng.uniform(-3.0, 3.0, n)])


@pytest.mark.parametrize("n", [3, LOOKING_UP_PAYS, 4000])
def test_a_map_is_screened_as_it_is_judged(dock: TerrainMap, n: int) -> None:
    rows = spots(n)
    got, label = dock.screen(rows), dock.judge(rows).label
    np.testing.assert_array_equal(got.steppable, label == Label.STEPPABLE)
    np.testing.assert_array_equal(got.marginal, label == Label.MARGINAL)
    assert len(got) == n
    assert not got.steppable.flags.writeable


def test_decisions_count(dock: TerrainMap) -> None:
    rows = spots(4000)
    before = dock.screen(rows)
    for kind, x0, y0, x1, y1 in (("keep-out", 0.0, 0.6, 0.6, 1.2), ("accept", 0.5, -0.6, 2.1, 1.6)):
        area = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]
        add_area(dock.path, kind=kind, area_m=area, level=0, name="A. Tester", reason="as it was seen")
    after, label = dock.screen(rows), dock.judge(rows).label
    np.testing.assert_array_equal(after.steppable, label == Label.STEPPABLE)
    np.testing.assert_array_equal(after.marginal, label == Label.MARGINAL)
    assert (before.steppable & ~after.steppable).sum() > 20
    assert (before.marginal & after.steppable).sum() > 5


@pytest.mark.parametrize("rows", [[[0.0, 0.0]], [[0.0, np.nan, 0.0]], [[0.0, 0.0, 0.0, np.inf]]])
def test_what_is_no_placement_is_refused(dock: TerrainMap, rows: list[list[float]]) -> None:
    with pytest.raises(DataError, match="placements: "):
        dock.screen(rows)


def test_feet_are_told_apart() -> None:
    """A screen belongs to one foot: the disc stands where the biped's sole is over the edge."""
    ground = GROUNDS["kerb of 6 cm"]()
    rows = np.array([[0.045, 0.0, 0.0, np.nan]])
    small: FootProfile = FEET["disc"]()
    assert screen_placements(ground, make_screen(ground, small), rows)[0] != Label.UNSTEPPABLE
    assert screen_placements(ground, make_screen(ground, FEET["biped"]()), rows)[0] == Label.UNSTEPPABLE
