"""The dense judgement: the exact judge's labels in every yaw, on rasters that fit the map."""

import numpy as np
import pytest
import shapely
from shapely import affinity

from terrain.data import Label
from terrain.foot import load_foot
from terrain.score.dense import is_round, judge_everywhere, lay_templates
from terrain.score.placements import judge_placements
from tests.support.grounds import (
    Layer,
    biped,
    block,
    box,
    build_ground,
    cells,
    disc,
    flat,
    outside,
    plane,
    rectangle,
    stairs,
    tread_number,
)

FOOT = biped()
BOOT = load_foot("boot").outline_m
NOTCHED = np.array(
    [[-0.08, -0.05], [0.12, -0.05], [0.12, -0.015], [0.05, -0.015], [0.05, 0.015], [0.12, 0.015], [0.12, 0.05],
     [-0.08, 0.05]]
)  # fmt: skip
"""Toes apart: across them rows of cells are in two pieces."""
SMALL = {"x_m": (-0.5, 0.5), "y_m": (-0.4, 0.4)}


def gravel(sd, seed=4):
    return cells(np.random.default_rng(seed).normal(0.0, sd, (80, 100)), x0_m=-0.5, y0_m=-0.4)


def two_decks():
    upper = Layer(box(-0.3, -0.3, 0.4, 0.3, 1.0), patch_id=1, level=1, seen=lambda x, y: np.where(x < 0, 20, 2))
    lid = Layer(box(0.1, -0.3, 0.4, 0.3, 0.7), patch_id=2, level=-1, walkable=False)
    return build_ground(Layer(flat(0.0)), upper, lid, **SMALL)


SCENES = {
    "ramp": lambda: build_ground(Layer(plane(0.05, 0.1)), **SMALL),
    "stairs": lambda: build_ground(
        Layer(
            stairs(risers=3, tread_m=0.28, riser_m=0.17, x0_m=-0.3),
            patch_id=tread_number(risers=3, tread_m=0.28, x0_m=-0.3),
        ),
        **SMALL,
    ),
    "hole": lambda: build_ground(Layer(outside(flat(), 0.0, 0.0, 0.06, 0.1)), **SMALL),
    "fine gravel": lambda: build_ground(Layer(gravel(0.002), patch_id=-1), **SMALL),
    "coarse gravel": lambda: build_ground(Layer(gravel(0.006), patch_id=-1), **SMALL),
    "ledge and posts": lambda: build_ground(
        Layer(box(-0.5, -0.4, 0.1, 0.4, 0.0)),
        Layer(box(0.1, -0.4, 0.5, 0.4, -0.012), patch_id=1),
        **SMALL,
        blocks=(block(-0.2, 0.1, -0.16, 0.14, 0.0, 1.0), block(-0.5, -0.35, 0.5, -0.25, 0.3, 0.5)),
    ),
    "kerb near the drop": lambda: build_ground(
        Layer(box(-0.5, -0.4, 0.0, 0.4, 0.0)),
        Layer(box(0.0, -0.4, 0.5, 0.4, -0.039), patch_id=1, height_sd_m=0.002),
        **SMALL,
    ),
    "joints": lambda: build_ground(Layer(flat(), carries=lambda x, y: np.mod(x, 0.2) > 0.02), **SMALL),
    "rough patch": lambda: build_ground(
        Layer(flat(), roughness_m=0.0055, points=lambda x, y: np.where(x > 0, 0, 2)), **SMALL
    ),
    "sparse": lambda: build_ground(Layer(flat(), seen=lambda x, y: np.clip(4 - 10 * x, 0, 9)), **SMALL),
    "two decks": two_decks,
    "steep": lambda: build_ground(Layer(plane(0.9, 0.3)), **SMALL),
}


@pytest.mark.parametrize("name", SCENES)
@pytest.mark.parametrize("outline", ["rectangle", "disc", "short", "boot", "notched"])
def test_labels_equal_the_exact_judges_in_every_yaw(name, outline):
    shapes = {
        "rectangle": FOOT.outline_m,
        "disc": disc(0.03, 24),
        "short": rectangle(0.10, 0.08, 0.04),
        "boot": BOOT,
        "notched": NOTCHED,
    }
    foot = biped(outline_m=shapes[outline])
    yaws = 1 if outline == "disc" else 8
    ground = SCENES[name]()
    for raster in judge_everywhere(ground, foot, yaws=8):
        iy, ix = np.nonzero(np.isfinite(raster.height_m))
        pick = np.random.default_rng(1).choice(len(iy), min(250, len(iy)), replace=False)
        iy, ix = iy[pick], ix[pick]
        x, y = raster.x0_m + (ix + 0.5) * raster.cell_m, raster.y0_m + (iy + 0.5) * raster.cell_m
        yaw = np.repeat(2 * np.pi * np.arange(yaws) / 8, len(x))
        rows = np.column_stack([np.tile(x, yaws), np.tile(y, yaws), yaw, np.tile(raster.height_m[iy, ix], yaws)])
        exact = judge_placements(ground, foot, rows)
        label = exact.label.reshape(yaws, -1)
        usable = np.where((label == Label.STEPPABLE) | (label == Label.MARGINAL), label, 9).min(axis=0)
        assert (raster.label[iy, ix] == np.where(usable < 9, usable, label[0])).all()
        assert raster.yaw_share[iy, ix] == pytest.approx((label == Label.STEPPABLE).mean(axis=0))
        best = raster.best_yaw_rad[iy, ix]
        assert (np.isnan(best) == (usable == 9)).all()
        number = np.where(usable < 9, np.round(np.nan_to_num(best) / (2 * np.pi / 8)), 0).astype(int)
        assert (label[number, np.arange(len(x))] == raster.label[iy, ix]).all()
        rough = exact.roughness_m.reshape(yaws, -1)[number, np.arange(len(x))]
        known = usable < 9
        assert raster.roughness_m[iy, ix][known] == pytest.approx(rough[known], abs=1e-5)


def test_a_boot_that_may_reach_over_edges_is_judged_as_the_exact_judge_does():
    """Of its limits edge is below zero: an edge under the sole ends nothing until there is a marginal yaw."""
    foot = load_foot("boot")
    assert foot.edge_m.limit < 0.0
    rng = np.random.default_rng(2)
    for name in ("stairs", "hole", "ledge and posts", "kerb near the drop", "sparse"):
        ground = SCENES[name]()
        (raster,) = judge_everywhere(ground, foot, yaws=8)
        iy, ix = np.nonzero(np.isfinite(raster.height_m))
        pick = rng.choice(len(iy), 200, replace=False)
        iy, ix = iy[pick], ix[pick]
        x, y = raster.x0_m + (ix + 0.5) * raster.cell_m, raster.y0_m + (iy + 0.5) * raster.cell_m
        yaw = np.repeat(2 * np.pi * np.arange(8) / 8, len(x))
        rows = np.column_stack([np.tile(x, 8), np.tile(y, 8), yaw, np.tile(raster.height_m[iy, ix], 8)])
        label = judge_placements(ground, foot, rows).label.reshape(8, -1)
        usable = np.where((label == Label.STEPPABLE) | (label == Label.MARGINAL), label, 9).min(axis=0)
        assert (raster.label[iy, ix] == np.where(usable < 9, usable, label[0])).all(), name
        assert raster.yaw_share[iy, ix] == pytest.approx((label == Label.STEPPABLE).mean(axis=0)), name


@pytest.mark.parametrize("outline", ["rectangle", "boot", "notched"])
def test_what_templates_say_of_rows_is_shapelys(outline):
    """Whether rows are in one piece, and from where on cells are ever farther away, by shapely (GEOS)."""
    shape = {"rectangle": FOOT.outline_m, "boot": BOOT, "notched": NOTCHED}[outline]
    yaw, cell, part, reach = 2 * np.pi * np.arange(16) / 16, 0.01, 0.37, 0.06
    templates = lay_templates(biped(outline_m=shape), yaw, cell_m=cell, part=(part, part), reach_m=reach)
    far = templates.far
    at = (np.arange(-far, far + 1) + 0.5 - part) * cell
    x, y = np.meshgrid(at, at)
    squares = shapely.box(x - cell / 2, y - cell / 2, x + cell / 2, y + cell / 2)
    pieces = []
    for m in range(16):
        sole = affinity.rotate(shapely.Polygon(shape), yaw[m], origin=(0.0, 0.0), use_radians=True)
        inside = shapely.contains_xy(sole, x, y)
        runs = (np.diff(np.pad(inside, ((0, 0), (1, 1))).astype(int), axis=1) == 1).sum(axis=1)
        pieces.append(runs.max())
        assert templates.joined[m] == (runs.max() == 1)
        # A sole that is told to be filled must be: all that lies between two of its cells up to four apart.
        if templates.filled[m]:
            for k in range(2 * far - 3):
                assert inside[k + 1 : k + 4, inside[k] & inside[k + 4]].all()
        away = shapely.distance(sole, squares)
        for row, low, high, _, left, right in templates.rows[m, : templates.row_count[m]]:
            line = away[row + far]
            assert (np.diff(line[max(right, low) + far : high + far + 1]) > -1e-9).all()
            assert (np.diff(line[low + far : min(left, high) + far + 1]) < 1e-9).all()
    assert (max(pieces) > 1) == (outline == "notched")


def test_cells_are_aligned_to_multiples_and_cropped_to_the_level():
    ground = build_ground(Layer(box(0.23, -0.11, 0.40, 0.2, 0.5)), x_m=(-0.63, 0.77), y_m=(-0.5, 0.5))
    (raster,) = judge_everywhere(ground, FOOT)
    assert [raster.x0_m, raster.y0_m] == pytest.approx([0.22, -0.12])
    assert raster.label.shape == (16, 9)
    assert np.isfinite(raster.height_m[1:-1, 1:]).all()
    assert raster.height_m[5, 5] == pytest.approx(0.5)


def test_one_raster_a_level_with_its_own_values():
    lower, upper = judge_everywhere(two_decks(), FOOT)
    assert (lower.level, upper.level) == (0, 1)
    assert upper.label.shape == (30, 35)
    assert np.nanmax(lower.height_m) == pytest.approx(0.0)
    assert np.unique(lower.patch_id).tolist() == [0]
    row, column = 20, 25  # x 0.01, y 0.01: under the upper deck, which hangs 1 m above
    assert lower.headroom_m[row, column] == pytest.approx(1.0, abs=1e-6)
    assert lower.headroom_m[row, 35] == pytest.approx(0.7, abs=1e-6)
    assert lower.headroom_m[row, 2] == np.inf
    assert lower.points[row, column] == 4
    assert upper.label[15, 25] == Label.UNOBSERVED


def test_slope_is_the_surfaces():
    (raster,) = judge_everywhere(SCENES["ramp"](), FOOT)
    assert np.nanmax(np.abs(raster.slope_rad - np.arctan(np.hypot(0.05, 0.1)))) < 1e-6


def test_round_soles_are_tried_once_and_others_are_not_taken_for_round():
    assert is_round(disc(0.03))
    assert not is_round(disc(0.03) + np.array([0.01, 0.0]))
    assert not is_round(rectangle(0.1, 0.1, 0.05))


def test_progress_reaches_its_total():
    calls = []
    judge_everywhere(SCENES["ramp"](), FOOT, yaws=1, progress=lambda done, total: calls.append((done, total)))
    assert calls[-1][0] == calls[-1][1] > 0


@pytest.mark.parametrize("reach_m", [0.0, 0.12, 0.8])
def test_part_of_a_ground_is_judged_as_in_the_whole(reach_m):
    ground = SCENES["ledge and posts"]()
    core = np.zeros(ground.grid.tile_slot.shape, dtype=bool)
    core[np.nonzero(ground.grid.tile_slot >= 0)[0][0], np.nonzero(ground.grid.tile_slot >= 0)[1][0]] = True
    ty, tx = np.argwhere(core)[0]
    for whole, part in zip(
        judge_everywhere(ground, FOOT), judge_everywhere(ground, FOOT, core=core, core_reach_m=reach_m), strict=True
    ):
        ny, nx = whole.label.shape
        x = whole.x0_m + (np.arange(nx) + 0.5) * whole.cell_m - ground.grid.x0_m
        y = whole.y0_m + (np.arange(ny) + 0.5) * whole.cell_m - ground.grid.y0_m
        away_x, away_y = (np.maximum(np.maximum(k * 0.64 - v, v - (k + 1) * 0.64), 0.0) for k, v in ((tx, x), (ty, y)))
        near = np.maximum(away_y[:, None], away_x[None, :])
        inside, beyond = near <= max(reach_m - 0.01, 0.0), near > reach_m + 0.02
        assert inside.any()
        for name in ("label", "height_m", "best_yaw_rad", "yaw_share", "roughness_m"):
            np.testing.assert_array_equal(getattr(part, name)[inside], getattr(whole, name)[inside])
        assert np.isnan(part.height_m[beyond]).all()
        assert (part.label[beyond] == Label.UNOBSERVED).all()


def test_the_number_of_threads_changes_nothing():
    import numba

    ground = SCENES["fine gravel"]()
    before = numba.get_num_threads()
    try:
        numba.set_num_threads(1)
        (single,) = judge_everywhere(ground, FOOT, yaws=4)
    finally:
        numba.set_num_threads(before)
    (many,) = judge_everywhere(ground, FOOT, yaws=4)
    for name in ("label", "best_yaw_rad", "yaw_share", "roughness_m", "headroom_m"):
        assert getattr(single, name).tobytes() == getattr(many, name).tobytes(), name


@pytest.mark.parametrize("changes", [{"cell_m": 0.015}, {"cell_m": 0.005}, {"yaws": 0}])
def test_cells_and_yaws_that_cannot_be_are_refused(changes):
    with pytest.raises(ValueError, match=next(iter(changes))):
        judge_everywhere(SCENES["ramp"](), FOOT, **changes)


def test_a_level_without_surfaces_gives_an_empty_raster():
    ground = build_ground(Layer(box(0.0, 0.0, 0.2, 0.2, 0.0), level=1), **SMALL)
    empty, full = judge_everywhere(ground, FOOT, yaws=1)
    assert empty.label.size == 0 and full.label.size > 0
