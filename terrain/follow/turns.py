"""Which tiles the next version makes anew: as many as its time allows, the nearest to the robot first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from terrain.maps.tiles import Tile

NEAR_M = 3.0
"""What lies this near to the robot is made first."""
NEAR_S = 1.0
"""About so long may making tiles take in one version, and what is far away besides, `REST_S`."""
REST_S = 0.03
FAR_S = 0.3
"""And so long if nothing near is due: the next scan can change that."""
LATE_S, LATE_SHARE_S = 5.0, 0.3
"""What is far away and has been due for so long gets as much of a version's time as this."""
IDLE_AFTER_S = 0.5
"""What is not due has its turn once nothing arrived for so long: it would keep the next scan waiting."""
IDLE_S = 1.0
"""The same of a version that holds nothing else that is new."""
FIRST_COST_S = 0.02
"""A tile is taken to cost so much until it was measured."""


class Turns:
    """How long making a tile takes, as measured, and what is due to tiles far away."""

    def __init__(self) -> None:
        self._cost_s = FIRST_COST_S
        self._credit_s = 0.0

    def measured(self, tiles: int, seconds: float) -> None:
        """Take note of how long making some tiles took."""
        if tiles:
            self._cost_s += 0.3 * (seconds / tiles - self._cost_s)

    def due(self, away_m: Mapping[Tile, float], since: Mapping[Tile, float], now: float) -> list[Tile]:
        """Return the due tiles (those in `since`) that have their turn: near ones by distance, then the longest due."""
        near = sorted((tile for tile in since if away_m[tile] <= NEAR_M), key=lambda tile: (away_m[tile], tile))
        far = sorted((tile for tile in since if away_m[tile] > NEAR_M), key=lambda tile: (since[tile], tile))
        if not near:
            return far[: self._count(FAR_S)]
        chosen = near[: self._count(NEAR_S)]
        if not far:
            self._credit_s = 0.0
            return chosen
        self._credit_s += REST_S
        late = min(sum(since[tile] < now - LATE_S for tile in far), self._count(LATE_SHARE_S))
        share = max(min(int(self._credit_s / self._cost_s), len(far)), late)
        self._credit_s = max(self._credit_s - share * self._cost_s, 0.0)
        return chosen + far[:share]

    def is_near(self, away_m: float, farthest_m: float) -> bool:
        """Return whether a tile beside those that have their turn may go along: near the robot, or no farther."""
        return away_m <= max(NEAR_M, farthest_m)

    def idle(self, tiles: Sequence[Tile]) -> list[Tile]:
        """Return as many of some tiles as a version may make that holds nothing else that is new."""
        return list(tiles[: self._count(IDLE_S)])

    def _count(self, seconds: float) -> int:
        return max(1, int(seconds / self._cost_s))


def behind_s(away_m: Mapping[Tile, float], since: Mapping[Tile, float], now: float, *, near: bool = True) -> float:
    """Return for how long the first of some tiles (those in `since`) near the robot, or of the others, has waited."""
    return max((now - begun for tile, begun in since.items() if (away_m[tile] <= NEAR_M) is near), default=0.0)
