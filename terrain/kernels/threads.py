"""Kernels on all cores without `parallel=True`, which takes three times as long to compile."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import Any

from numba import config

PARTS = 8
"""Parts a thread, so that one slow part does not keep the others waiting."""


def over_parts(kernel: Callable[..., None], count: int, *arguments: Any) -> None:
    """Call kernel(begin, end, *arguments) for parts of range(count), which must write to nothing in common.

    The kernel must be compiled with `nogil`. What comes out does not depend on how many parts there are.
    """
    threads = int(config.NUMBA_NUM_THREADS)  # type: ignore[attr-defined]
    if threads == 1:
        kernel(0, count, *arguments)
        return
    parts = min(count, PARTS * threads)
    edges = [count * part // parts for part in range(parts + 1)] if parts else [0]
    with ThreadPoolExecutor(threads) as pool:
        runs = [pool.submit(kernel, begin, end, *arguments) for begin, end in pairwise(edges)]
        for run in runs:
            run.result()
