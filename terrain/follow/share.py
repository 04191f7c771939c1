"""Due tiles in groups, and who makes which: none larger than a fair share, the largest first."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np

from terrain.follow.mosaic import beside
from terrain.maps.tiles import Tile

LEAST_SHARE = 2
"""Groups of so many tiles are not cut."""
SLACK = 0.15
"""Nor are those that are larger than their share by so much of it."""
TILE_POINTS = 1000
"""What a tile costs besides its points, in points."""
MOST_POINTS = 10_000
"""What a tile has beyond that costs nothing: it is left out of its window."""


def groups(tiles: Iterable[Tile]) -> list[list[Tile]]:
    """Return tiles that touch, at corners too, together; groups and tiles in a fixed order."""
    left, found = set(tiles), []
    for start in sorted(left):
        if start not in left:
            continue
        left.discard(start)
        group, edge = [start], [start]
        while edge:
            near = beside([edge.pop()], 1) & left
            left -= near
            group += near
            edge += near
        found.append(sorted(group))
    return found


def shared_out(points: Mapping[Tile, int], shares: int) -> list[list[Tile]]:
    """Return groups of tiles, the largest first, none of which is more than one of so many equal shares of all.

    points: how many each of the tiles has. What is larger is cut in two across its longer side: that makes more margin,
    and less time.
    """
    cost = {tile: TILE_POINTS + min(count, MOST_POINTS) for tile, count in points.items()}
    left, found = groups(cost), []
    share = sum(cost.values()) / shares
    while left:
        group = left.pop()
        costs = np.array([cost[tile] for tile in group])
        if len(group) <= LEAST_SHARE or costs.sum() <= (1.0 + SLACK) * share:
            found.append(group)
            continue
        left += _cut(group, cost, share)
    return sorted(found, key=lambda group: (-sum(cost[tile] for tile in group), group))


def _cut(group: list[Tile], cost: Mapping[Tile, int], share: float) -> list[list[Tile]]:
    """Return what is left of a group cut across its longer side, where the first part is nearest to a share."""
    x, y = zip(*group, strict=True)
    along = 0 if max(x) - min(x) >= max(y) - min(y) else 1
    group = sorted(group, key=lambda tile: (tile[along], tile[1 - along]))
    first = np.cumsum([cost[tile] for tile in group])[:-1]
    at = 1 + int(np.argmin(np.abs(first - share)))
    return groups(group[:at]) + groups(group[at:])


def by_whoever_is_free(workers: Sequence[Callable[[Any], Any]], items: Iterable[Any]) -> list[Any]:
    """Return what workers make of items, in the order of the items: who has made one takes the next.

    The first worker works on this thread, each other one on a thread of its own. The first exception is raised here,
    once all are done with what they are at.
    """
    every = list(items)
    found: list[Any] = [None] * len(every)
    left = deque(range(len(every)))

    def work(worker: Callable[[Any], Any]) -> None:
        while True:
            try:
                k = left.popleft()
            except IndexError:
                return
            try:
                found[k] = worker(every[k])
            except BaseException:
                left.clear()
                raise

    others = workers[1 : len(every)]
    if not others:
        work(workers[0])
        return found
    with ThreadPoolExecutor(len(others)) as pool:
        under_way = [pool.submit(work, worker) for worker in others]
        work(workers[0])
        for each in under_way:
            each.result()
    return found
