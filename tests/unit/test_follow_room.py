"""Which returns are held while scans go on arriving, against counts in closed form."""

import numpy as np
import pytest

from terrain.follow.room import BLOCK_M, LEAST_SHARE, MANY, Room

SIDE_M = 8 * BLOCK_M


def returns(seed, n, *, slot_m=0.0, in_slot=0.0):
    """Returns scattered over a square, 3 mm thick; of those that meet a slot across it a share comes back."""
    rng = np.random.default_rng(seed)
    xyz = np.column_stack([rng.uniform(0.0, SIDE_M, (n, 2)), rng.normal(0.0, 0.003, n)])
    over = np.abs(xyz[:, 0] - SIDE_M / 2) < slot_m / 2
    return xyz[~over | (rng.random(n) < in_slot)]


def held(room, seed, n, batches, **slot):
    parts = []
    for k in range(batches):
        xyz = returns(1000 * seed + k, n, **slot)
        parts.append(xyz[room.hold(xyz)])
    return np.concatenate(parts)


def test_a_sparse_pass_is_held_whole():
    xyz = returns(0, 8 * 8 * MANY // 2)
    assert Room().hold(xyz).all()


def test_what_is_held_of_a_long_stay_is_a_small_part():
    """At most twice MANY a block (the sum of (MANY / n)^2 from MANY on is MANY), and LEAST_SHARE of the rest."""
    batches, n = 60, 30_000
    count = len(held(Room(), 1, n, batches))
    blocks = (SIDE_M / BLOCK_M) ** 2
    assert blocks * MANY * 0.8 < count < blocks * 2.2 * MANY + LEAST_SHARE * batches * n
    assert count < 0.06 * batches * n


def test_a_slot_stays_as_empty_beside_its_floor_as_it_was():
    slot_m, in_slot = 0.04, 0.1
    xyz = held(Room(), 2, 20_000, 30, slot_m=slot_m, in_slot=in_slot)
    away = np.abs(xyz[:, 0] - SIDE_M / 2)
    inside = np.count_nonzero(away < slot_m / 2) / slot_m
    beside = np.count_nonzero((away > slot_m / 2) & (away < slot_m / 2 + 0.06)) / 0.12
    sd = np.sqrt(in_slot / (beside * slot_m))
    assert inside / beside == pytest.approx(in_slot, abs=4.0 * sd)


def test_what_comes_to_stand_on_a_floor_seen_for_long_is_held_too():
    room = Room()
    for k in range(60):
        room.hold(returns(k, 30_000))
    rng = np.random.default_rng(9)
    box = np.column_stack([rng.uniform(0.5, 0.7, (6400, 2)), np.full(6400, 0.3)])
    found = np.count_nonzero(room.hold(box))
    assert found > 0.8 * LEAST_SHARE * len(box)


def test_places_far_apart_are_told_apart_and_nothing_is_dropped():
    room = Room()
    assert room.hold(np.array([[-40.0, 3.0, 0.0], [55.0, -20.0, 1.0]])).all()
    assert room.hold(np.array([[1e5, 0.0, 0.0]])).all()
    assert room.hold(np.zeros((0, 3))).all()
