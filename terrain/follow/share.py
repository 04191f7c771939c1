"""Due tiles in groups, and who makes which: none larger than a fair share, the largest first."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from terrain.follow.mosaic import beside
from terrain.maps.tiles import Tile

LEAST_SHARE = 2
"""Groups of so many tiles are not cut."""
SLACK = 0.15
"""Nor are those that are larger than their share by so much of it."""


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


def shared_out(tiles: Iterable[Tile], shares: int) -> list[list[Tile]]:
    """Return groups of tiles, the largest first, none of which is more than one of so many equal shares of all.

    What is larger is cut across its longer side: that makes more margin, and less time.
    """
    left, found = groups(tiles), []
    share = max(math.ceil((1.0 + SLACK) * sum(map(len, left)) / shares), LEAST_SHARE)
    while left:
        group = left.pop()
        if len(group) <= share:
            found.append(group)
            continue
        x, y = zip(*group, strict=True)
        along = 0 if max(x) - min(x) >= max(y) - min(y) else 1
        group = sorted(group, key=lambda tile: (tile[along], tile[1 - along]))
        parts = math.ceil(len(group) / share)
        at = round(len(group) / parts)
        left += groups(group[:at]) + groups(group[at:])
    return sorted(found, key=lambda group: (-len(group), group))


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
