"""From when on a tile is made the first time: how many points show ground, and whether a sole has room on it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.lib.stride_tricks import sliding_window_view
from scipy.ndimage import convolve

from terrain.data import FootProfile
from terrain.follow.changes import FEWEST, LEAST_ROOM, MANY, Changes
from terrain.follow.mosaic import Mosaic
from terrain.follow.points import TILE_M
from terrain.follow.seen import SQUARES, Seen, sole_in_squares
from terrain.foot import load_foot
from terrain.kernels.standing import standing_squares

FLOOR = np.indices((48, 48)).reshape(2, -1).T * 0.04 - TILE_M + 0.02
"""The middles of the squares of a tile and of those around it."""


@pytest.fixture(scope="module")
def foot() -> FootProfile:
    return load_foot("biped", relative_to=Path())


def is_due(foot: FootProfile, xy: np.ndarray, *, quick: bool) -> bool:
    """Return whether a tile is made the first time with these points."""
    changes = Changes(foot)
    for _ in range(50 if quick else 0):
        changes.keep_up(0.1)
    changes.take({(0, 0): np.column_stack([xy, np.zeros(len(xy))])}, Mosaic(), {(0, 0): len(xy)}, 1.0)
    return (0, 0) in changes.since


def evenly(size_m: tuple[float, float], in_block: int) -> np.ndarray:
    """Return points evenly over a corner of a tile, so many in a block of 16 cm."""
    count = round(in_block * size_m[0] * size_m[1] / 0.16**2)
    spread = (np.arange(count)[:, None] * (1 / 1.32471795724474602596, 1 / 1.32471795724474602596**2)) % 1.0
    return spread * size_m  # multiples of the plastic number's powers, taken modulo 1, lie evenly (from memory)


@pytest.mark.parametrize("quick", [True, False])
def test_a_tile_is_made_the_first_time_where_a_sole_can_be_observed(foot: FootProfile, quick: bool) -> None:
    """With as many points as show ground, over as much of it as a sole and what it keeps from unknown ground take.

    Twice as many in the beginning: they double with every scan then, and a tile made of few is to be made anew at once.
    """
    fewest = FEWEST if quick else 2 * FEWEST
    enough = round(1.1 * fewest)
    assert is_due(foot, evenly((0.48, 0.32), enough), quick=quick)
    assert not is_due(foot, evenly((0.48, 0.32), round(0.6 * fewest)), quick=quick)
    assert not is_due(foot, evenly((0.16, 0.16), enough), quick=quick)  # no sole has room there
    assert not is_due(foot, evenly((0.64, 0.12), enough), quick=quick)  # nor on a line, or at the foot of a wall
    assert is_due(foot, evenly((0.64, 0.12), round(1.5 * MANY)), quick=quick)


def test_points_far_apart_show_no_ground(foot: FootProfile) -> None:
    assert not is_due(foot, evenly((TILE_M, TILE_M), FEWEST // 4), quick=True)


def test_a_sole_takes_its_own_size_and_what_it_keeps_from_unknown_ground(foot: FootProfile) -> None:
    """26 by 13 cm, 9 behind the load, and 2 + 1.645 x 1 cm all around: 33 by 20 in squares of 4."""
    assert sole_in_squares(foot) == (8, 5, 3, 2)


def test_room_of_a_floor_seen_everywhere_as_counted_by_hand(foot: FootProfile) -> None:
    """Lying along x, its 8 by 5 squares begin from 7 before the tile to its last one, and from 4 before: 23 x 20.

    Turned round, the load is one square further: 24 x 20 together, as many along y, and 20 x 20 are in both.
    """
    seen = Seen(foot)
    for tile in np.ndindex(3, 3):
        corner = np.array(tile) - 1
        own = FLOOR[(np.floor(FLOOR / TILE_M) == corner).all(axis=1)]
        assert len(own) == SQUARES**2
        seen.take(
            (int(corner[0]), int(corner[1])), np.column_stack([*np.repeat(own, 3, axis=0).T, np.zeros(3 * len(own))])
        )
    assert seen.most((0, 0), squares=4) == 16 * 3
    assert seen.room((0, 0)) == 4 * (2 * 24 * 20 - 20 * 20)


def test_a_plank_as_wide_as_a_sole_needs_has_room_enough(foot: FootProfile) -> None:
    """24 cm of it, along x, with nothing beside; 16 cm are too few. What lies in the tile beside it counts for both."""
    for wide, enough in ((6, True), (4, False)):
        seen = Seen(foot)
        for column in (-1, 0, 1):
            x, y = (np.indices((16, wide)).reshape(2, -1) + 0.5) * 0.04
            xyz = np.column_stack([x + column * TILE_M, y - 0.04, np.zeros(x.size)])
            for row in (-1, 0):
                own = np.floor(xyz[:, 1] / TILE_M) == row
                seen.take((column, row), np.repeat(xyz[own], 5, axis=0))
        assert (seen.room((0, 0)) >= LEAST_ROOM) is enough
        assert (seen.room((0, -1)) >= LEAST_ROOM) is enough


def test_standing_squares_as_numpy_has_them() -> None:
    """Random counts, against every place of a sole one by one."""
    rng = np.random.default_rng(3)
    for margin, length, width, behind, beside in ((9, 8, 5, 3, 2), (5, 4, 4, 1, 2), (7, 6, 1, 0, 0)):
        n = 16 + 2 * margin
        counts = rng.poisson(6.0, (n, n)).astype(np.int32)
        counts[rng.random((n, n)) < 0.02] = 0
        around = convolve(counts, np.ones((3, 3), dtype=np.int32), mode="constant")
        seen = 9 * counts + around >= 30.5
        seen[[0, -1]] = seen[:, [0, -1]] = False
        expected = np.zeros((n, n), dtype=bool)
        for high, wide, turned in ((width, length, False), (length, width, True)):
            whole = sliding_window_view(seen, (high, wide)).all(axis=(2, 3))
            for y, x in zip(*np.nonzero(whole), strict=True):
                own = np.zeros((n, n), dtype=bool)
                own[y : y + high, x : x + wide] = True
                if own[margin:-margin, margin:-margin].any():
                    for along, across in ((behind, beside), (length - 1 - behind, width - 1 - beside)):
                        expected[(y + along, x + across) if turned else (y + across, x + along)] = True
        room = np.zeros((2, n, n), dtype=np.uint8)
        found = standing_squares(counts, margin, 30.5, length, width, behind, beside, *room)
        assert found == expected.sum() > 0
        assert (room[1] > 0).tolist() == expected.tolist()
