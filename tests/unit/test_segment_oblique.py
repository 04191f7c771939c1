"""Strips aslant a part: sums along sloping lines, what lacks in them, and openings that run askew."""

import numpy as np
import pytest
from sklearn.metrics import mean_poisson_deviance

from terrain.kernels.slanted import (
    BINS,
    BINS_A_UNIT,
    Lines,
    close_along,
    deviance_root,
    mark_along,
    place_of,
    put_sums_along,
)
from terrain.segment.joint_settings import JointSettings
from terrain.segment.oblique import oblique_openings, slopes_off, strip_sums

CELL_M = 0.01


@pytest.mark.parametrize("slope", [-0.94, -0.31, 0.06, 0.44, 0.81])
def test_sums_along_lines_are_those_of_their_cells(slope):
    rng = np.random.default_rng(3)
    values, margin = rng.integers(0, 9, (23, 17)).astype(np.float32), 14
    rise = np.zeros(len(values) + 1, dtype=np.int64)
    rise[1:] = np.floor(slope * np.arange(len(values)) + 0.5)
    table = np.full((len(values) + 1, values.shape[1] + 2 * margin), np.nan, dtype=np.float32)
    put_sums_along(values, rise, margin, table)
    for x, y, half, count in ((11, 4, 3, 2), (0, 0, 5, 1), (22, 9, 6, 3), (12, 15, 9, 4), (7, -2, 4, 5)):
        expected = 0.0
        for column in range(max(x - half, 0), min(x + half, len(values) - 1) + 1):
            for row in range(y, y + count):
                at = row + rise[column + 1] - rise[x + 1]
                if 0 <= at < values.shape[1]:
                    expected += values[column, at]
        lines = Lines(table, table, rise, margin)
        assert strip_sums(table, lines, np.array([x]), np.array([y]), half, count) == expected


@pytest.mark.parametrize(("seen", "expected"), [(0.0, 9.5), (3.0, 17.0), (60.0, 101.0), (99.0, 101.0)])
def test_depths_are_roots_of_the_poisson_deviance(seen, expected):
    """Against scikit-learn; and no depth is more than twice the difference of roots, by which strips are sifted."""
    deviance = mean_poisson_deviance([seen], [expected])
    assert deviance_root(np.float32(seen), np.float32(expected), 8.0) == pytest.approx(np.sqrt(deviance), rel=1e-6)
    assert np.sqrt(deviance) <= 2.0 * (np.sqrt(expected) - np.sqrt(seen))


def test_too_few_returns_tell_nothing():
    assert deviance_root(np.float32(0.0), np.float32(7.9), 8.0) == 0.0
    assert deviance_root(np.float32(9.0), np.float32(8.5), 8.0) == 0.0


@pytest.mark.parametrize("share", [0.25, 0.5])
def test_places_are_quantiles(share):
    values = np.random.default_rng(4).normal(0.3, 1.2, 4000)
    counts = np.zeros(BINS + 2, dtype=np.int64)
    np.add.at(counts, 1 + np.floor(values * BINS_A_UNIT).astype(int) + BINS // 2, 1)
    assert place_of(counts, share * len(values)) == pytest.approx(np.quantile(values, share), abs=1.0 / BINS_A_UNIT)


def scattered(seed, per_m2, *, size=(200, 200), slot_m=0.0, turn_rad=0.0):
    """Returns scattered evenly (Poisson) over a part of so many cells, none over a slot through its middle."""
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0.0, 1.0, (rng.poisson(per_m2 * np.prod(size) * CELL_M**2), 2)) * size
    away = (xy - np.array(size) / 2.0) @ np.array([-np.sin(turn_rad), np.cos(turn_rad)])
    return np.ones(size[::-1], dtype=bool), xy[np.abs(away) * CELL_M > slot_m / 2.0]


@pytest.mark.parametrize("per_m2", [4000.0, 10_000.0])
@pytest.mark.parametrize("turn_deg", range(15, 180, 15))
def test_a_slot_is_found_in_every_direction_but_the_borders(turn_deg, per_m2):
    own, members = scattered(5, per_m2, slot_m=0.035, turn_rad=np.deg2rad(turn_deg))
    found = oblique_openings(own, 0.0, members, CELL_M, JointSettings())
    if turn_deg == 90:
        assert not found.any()
        return
    y, x = np.nonzero(found)
    along = np.array([np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))])
    place = (np.column_stack([x, y]) + 0.5 - 100.0) * CELL_M
    assert np.abs(place @ np.array([-along[1], along[0]])).max() < 0.08
    inside = np.abs(place @ np.array([-along[1], along[0]])) < 0.01
    assert np.ptp((place @ along)[inside]) > 1.6  # nearly all of what is 2 m long at least


def test_whole_parts_have_no_opening_by_chance():
    """Of 30 parts of 4 m2 one may have: where chance decides, it decides once."""
    cut = 0
    for seed in range(30):
        own, members = scattered(seed, 5000.0)
        cut += bool(oblique_openings(own, 0.0, members, CELL_M, JointSettings()).any())
    assert cut <= 1


def test_a_part_smaller_than_a_strip_has_none():
    own, members = scattered(6, 8000.0, size=(30, 28), slot_m=0.04, turn_rad=0.7)
    assert not oblique_openings(own, 0.0, members, CELL_M, JointSettings()).any()


def test_columns_and_rows_are_alike():
    """What is mirrored at the diagonal is found mirrored, to a cell."""
    own, members = scattered(7, 8000.0, size=(220, 140), slot_m=0.04, turn_rad=np.deg2rad(33.0))
    found = oblique_openings(own, 0.0, members, CELL_M, JointSettings())
    mirrored = oblique_openings(own.T.copy(), 0.0, members[:, ::-1].copy(), CELL_M, JointSettings()).T
    assert found.any() and np.array_equal(found, mirrored)


@pytest.mark.parametrize("angle", [0.0, 0.2, 0.7, 1.5])
def test_directions_next_to_the_border_are_left_out(angle):
    settings = JointSettings()
    away = (np.arctan(slopes_off(angle, settings)) - angle + np.pi / 4) % (np.pi / 2) - np.pi / 4
    assert np.abs(away).min() > settings.oblique_least_rad
    assert len(away) >= 2 * settings.oblique - 3


def test_lines_hold_what_kernels_read():
    """Lines are made anew in the same memory for each slope: nothing of the slope before is left."""
    values, margin = np.ones((9, 7), dtype=np.float32), 6
    table = np.empty((10, 19), dtype=np.float32)
    for slope in (0.9, -0.9):
        rise = np.concatenate([[0], np.floor(slope * np.arange(9) + 0.5)]).astype(np.int64)
        put_sums_along(values, rise, margin, table)
        lines = Lines(table, table, rise, margin)
        expected = sum(0 <= y + rise[x + 1] - rise[5] < 7 for x in range(9) for y in range(7))
        assert strip_sums(table, lines, np.array([4]), np.array([0]), 9, 7) == expected


@pytest.mark.parametrize("slope", [-0.94, -0.31, 0.06, 0.81])
def test_cells_are_marked_and_gaps_closed_along_lines(slope):
    """Row by row of the grid that is got by moving each column down by what lines have risen there."""
    rng = np.random.default_rng(8)
    shape, most = (25, 19), 4
    own, cells = rng.random(shape) < 0.9, rng.random(shape) < 0.06
    rise = np.concatenate([[0], np.floor(slope * np.arange(shape[0]) + 0.5)]).astype(np.int64)
    margin = int(np.abs(rise).max())

    def level(grid):
        moved = np.zeros((shape[0], shape[1] + 2 * margin), dtype=bool)
        for x in range(shape[0]):
            moved[x, margin - rise[x + 1] :][: shape[1]] = grid[x]
        return moved

    def back(moved):
        return np.array([moved[x, margin - rise[x + 1] :][: shape[1]] for x in range(shape[0])])

    straight = level(cells)
    marked, closed = np.zeros_like(straight), np.zeros_like(straight)
    for x, y in zip(*np.nonzero(straight), strict=True):
        marked[max(x - 2, 0) : x + 6, y] = True
        later = np.flatnonzero(straight[x + 1 : x + 1 + most, y])
        closed[x : x + 1 + later[0] if len(later) else x, y] = True
    for function, arguments, expected in ((mark_along, (-2, 6), marked), (close_along, (most,), closed)):
        out = np.zeros_like(own)
        function(cells, *arguments, rise, own, out)
        assert out.any() and np.array_equal(out, back(expected) & own)
