"""Open ground: rooms against SciPy's chessboard distances, and verdicts that do not depend on them."""

import dataclasses

import numpy as np
import pytest
from scipy.ndimage import distance_transform_cdt

from terrain.data import Label, Verdicts
from terrain.score.bundles import outline_cover
from terrain.score.placements import judge_placements, look_up
from tests.support.grounds import Layer, biped, block, box, build_ground, disc, flat, rectangle
from tests.support.scenes import SCENES, WIDE

FOOT = biped()
CELL = 0.01


@pytest.mark.parametrize("name", SCENES)
@pytest.mark.parametrize("outline", ["biped", "disc", "long toe"])
def test_verdicts_do_not_depend_on_rooms(name, outline):
    shapes = {"biped": FOOT.outline_m, "disc": disc(0.03, 24), "long toe": rectangle(0.3, 0.1, 0.02)}
    foot = biped(outline_m=shapes[outline])
    ground = SCENES[name]()
    rng = np.random.default_rng(3)
    n = 400
    rows = np.column_stack(
        [
            rng.uniform(-1.3, 1.3, n),
            rng.uniform(-1.0, 1.0, n),
            rng.uniform(-4.0, 4.0, n),
            rng.choice([np.nan, 0.0, 0.9], n),
        ]
    )
    slow, fast = (
        judge_placements(ground, foot, rows),
        judge_placements(ground, foot, rows, known=look_up(ground, foot)),
    )
    for field in dataclasses.fields(Verdicts):
        want, got = getattr(slow, field.name), getattr(fast, field.name)
        if want.dtype.kind == "f":
            assert got == pytest.approx(want, abs=2e-6, nan_ok=True), field.name
        else:
            assert (got == want).all(), field.name


@pytest.mark.parametrize("seed", range(3))
def test_rooms_are_chessboard_distances_to_what_is_not_open(seed):
    """Posts at random, over many tiles; a beam hangs higher than the foot needs to be clear."""
    rng = np.random.default_rng(seed)
    size = round(2.4 / CELL), round(1.8 / CELL)
    posts = np.column_stack([rng.integers(5, size[0] - 5, 6), rng.integers(5, size[1] - 5, 6)])
    corner = np.array([-1.2, -0.9]) + posts * CELL
    blocks = [block(x, y, x + 2 * CELL, y + 3 * CELL, 0.0, 0.2) for x, y in corner]
    ground = build_ground(Layer(flat()), **WIDE, blocks=(*blocks, block(0.3, -0.9, 0.5, 0.9, 0.9, 1.2)))
    rooms = look_up(ground, FOOT).rooms
    free = np.ones(size[::-1], dtype=bool)
    for ix, iy in posts:
        free[iy : iy + 3, ix : ix + 2] = False
    want = np.minimum(distance_transform_cdt(np.pad(free, 1), metric="chessboard")[1:-1, 1:-1], 255)
    grid = ground.grid
    ix = round((-1.2 - grid.x0_m) / CELL) + np.arange(size[0])
    iy = round((-0.9 - grid.y0_m) / CELL) + np.arange(size[1])
    slot = grid.tile_slot[iy[:, None] // 64, ix[None, :] // 64].astype(np.int64)
    column = slot * 4096 + (iy[:, None] % 64) * 64 + ix[None, :] % 64
    assert (np.diff(ground.first)[column] == 1).all()
    assert (rooms[ground.first[column]] == want).all()


def test_rows_of_open_ground_are_runs_of_one_patch():
    """Run by run, in NumPy: cells that go on, cells without roughness of their own, and their returns."""
    rng = np.random.default_rng(5)
    ground = build_ground(
        Layer(box(-1.2, -0.9, 0.13, 0.9, 0.0), points=lambda x, y: rng.integers(0, 900, x.shape)),
        Layer(
            box(0.13, -0.9, 1.2, 0.9, -0.02),
            patch_id=1,
            roughness_m=lambda x, y: np.where(rng.random(x.shape) < 0.1, 0.003, 0.0),
            points=3,
        ),
        **WIDE,
        blocks=(block(-0.6, -0.3, -0.5, -0.2, 0.0, 0.2),),
    )
    known = look_up(ground, FOOT)
    alone = (np.diff(ground.first) == 1) & (np.diff(ground.span_first) == 0)
    surface = np.where(alone, ground.first[:-1], -1)
    assert (known.flat == surface).all()
    for start in range(0, len(surface), 64):
        row = surface[start : start + 64]
        patch = np.where(row >= 0, ground.patch_id[row], -1)
        for k in np.flatnonzero(row >= 0):
            others = np.flatnonzero(patch[k:] != patch[k])
            run = row[k : k + (others[0] if len(others) else 64)]
            rough = np.flatnonzero(ground.roughness_m[run] > 0.0)
            assert known.run[start + k] == len(run)
            assert known.smooth[start + k] == (rough[0] if len(rough) else len(run))
            assert known.returns[start + k] == ground.points[run].sum()
        assert (known.run[start : start + 64][row < 0] == 0).all()


def test_most_of_a_wide_floor_is_open_to_a_sole():
    """0.9 m from every edge but 20 cm beside the sole's middle line are enough."""
    ground = SCENES["floor"]()
    cover = outline_cover(FOOT.outline_m, shin_m=FOOT.shin_radius_m, reach_m=0.1)
    assert cover[:, 2].max() < 0.21
    known = look_up(ground, FOOT)
    assert (known.rooms >= 23).mean() > 0.5
    got = judge_placements(ground, FOOT, [[0.0, 0.6, 0.0]], known=known)
    assert Label(got.label[0]) == Label.STEPPABLE


@pytest.mark.parametrize(
    "outline", [FOOT.outline_m, disc(0.03, 24), rectangle(0.3, 0.1, 0.02), rectangle(0.1, 0.3, 0.05)]
)
@pytest.mark.parametrize("shin", [0.02, 0.1, 0.25])
@pytest.mark.parametrize("reach", [0.04, 0.1])
def test_a_cover_holds_all_within_reach(outline, shin, reach):
    """By sampling: points at most so far outside the outline, and the clearance about the load point."""
    cover = outline_cover(outline, shin_m=shin, reach_m=reach)
    turn = np.linspace(0.0, 2.0 * np.pi, 90)
    around = np.column_stack([np.cos(turn), np.sin(turn)])
    rim = np.concatenate([outline + t * (np.roll(outline, -1, axis=0) - outline) for t in np.linspace(0.0, 1.0, 20)])
    spots = np.concatenate([(rim[:, None] + reach * around[None]).reshape(-1, 2), shin * around])
    away = np.linalg.norm(spots[:, None] - cover[None, :, :2], axis=2)
    assert (away <= cover[None, :, 2] + 1e-9).any(axis=1).all()
    if len(cover) > 1:
        steps = np.linalg.norm(np.diff(cover[:, :2], axis=0), axis=1)
        assert (steps < cover[1:, 2]).all()
