"""Which due tiles have their turn: near ones first, and none far away is passed over for ever."""

from __future__ import annotations

from terrain.follow.turns import FIRST_COST_S, LATE_S, NEAR_M, NEAR_S, Turns, behind_s


def test_near_tiles_come_first_by_distance_and_far_ones_by_age() -> None:
    turns = Turns()
    turns.measured(1, NEAR_S)  # a tile takes long: a version holds few
    away_m = {(0, 0): 2.0, (1, 0): 1.0, (9, 0): 9.0, (8, 0): 8.0}
    since = {(0, 0): 0.0, (1, 0): 1.0, (9, 0): 0.5, (8, 0): 0.7}
    chosen = turns.due(away_m, since, 2.0)
    assert chosen[0] == (1, 0) and not {(9, 0), (8, 0)} & set(chosen)
    far = {tile: begun for tile, begun in since.items() if away_m[tile] > NEAR_M}
    assert Turns().due(away_m, far, 2.0) == [(9, 0), (8, 0)]


def test_what_is_far_and_late_has_its_turn_beside_any_number_of_near_tiles() -> None:
    """As many near tiles are due in each version as it can hold; the far ones are all made soon after they are late."""
    turns, now = Turns(), 0.0
    near = {(0, k): 0.0 for k in range(int(NEAR_S / FIRST_COST_S))}
    far = {(100, k): 0.0 for k in range(40)}
    away_m = dict.fromkeys(near, 1.0) | dict.fromkeys(far, 50.0)
    while far:
        now += NEAR_S
        chosen = turns.due(away_m, near | far, now)
        assert set(near) <= set(chosen)
        for tile in set(chosen) & set(far):
            del far[tile]
        assert now < 2.0 * LATE_S
        assert (behind_s(away_m, near | far, now, near=False) > 0.0) is bool(far)
