"""Kernels on all cores without `parallel=True`, which takes three times as long to compile."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from itertools import pairwise
from typing import Any

from numba import get_num_threads

PARTS = 8
"""Parts a thread, so that one slow part does not keep the others waiting."""


def in_order(job: Callable[[Any], Any], items: Iterable[Any]) -> list[Any]:
    """Return job(item) for each item, in their order, worked out on as many threads as numba uses.

    The jobs must be independent; they gain where they spend their time in `nogil` kernels, NumPy and SciPy. The first
    exception is raised here.
    """
    every = list(items)
    threads = min(int(get_num_threads()), len(every))
    if threads <= 1:
        return [job(item) for item in every]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(job, every))


def as_they_come(job: Callable[[Any], Any], items: Iterable[Any]) -> Iterator[Any]:
    """Yield job(item) for each item, in their order; threads work ahead by no more than two items each."""
    threads = int(get_num_threads())
    if threads <= 1:
        yield from map(job, items)
        return
    waiting: deque[Future[Any]] = deque()
    with ThreadPoolExecutor(threads) as pool:
        try:
            for item in items:
                waiting.append(pool.submit(job, item))
                if len(waiting) > 2 * threads:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()


def one_ahead(items: Iterable[Any]) -> Iterator[Any]:
    """Yield the items; a thread makes the next one meanwhile. What making it raises is raised here."""
    end = object()
    iterator = iter(items)
    with ThreadPoolExecutor(1) as pool:
        waiting = pool.submit(next, iterator, end)
        while (item := waiting.result()) is not end:
            waiting = pool.submit(next, iterator, end)
            yield item


@contextmanager
def at_once() -> Iterator[Callable[[Callable[[Any], Any], list[Any]], None]]:
    """Give what calls a job for each item of a list, as `in_order` does, again and again with the same threads."""
    threads = int(get_num_threads())

    def one_by_one(job: Callable[[Any], Any], items: list[Any]) -> None:
        for item in items:
            job(item)

    if threads <= 1:
        yield one_by_one
        return
    with ThreadPoolExecutor(threads) as pool:

        def side_by_side(job: Callable[[Any], Any], items: list[Any]) -> None:
            if len(items) <= 1:
                return one_by_one(job, items)
            parts = [items[part::threads] for part in range(threads)]
            for done in [pool.submit(one_by_one, job, part) for part in parts]:
                done.result()

        yield side_by_side


def over_parts(kernel: Callable[..., Any], count: int, *arguments: Any) -> list[Any]:
    """Return kernel(begin, end, *arguments) for parts of range(count), which must write to nothing in common.

    The kernel must be compiled with `nogil`. What comes out, put together, must not depend on how many parts there are.
    """
    threads = int(get_num_threads())
    parts = 1 if threads == 1 else max(1, min(count, PARTS * threads))
    edges = [count * part // parts for part in range(parts + 1)]
    return in_order(lambda ends: kernel(*ends, *arguments), pairwise(edges))


def by_remainder(kernel: Callable[..., None], *arguments: Any) -> None:
    """Call kernel(part, parts, *arguments) for as many parts as threads: groups whose number leaves `part` over them.

    Each goes through all rows, so that what is added up by group is so in the order of the rows.
    """
    threads = int(get_num_threads())
    in_order(lambda part: kernel(part, threads, *arguments), range(threads))
