"""How much work is done at once: a few jobs run, some wait, the rest are told to come back."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

from terrain.serve.metrics import Metrics
from terrain.serve.problems import BusyError

T = TypeVar("T")


class Jobs:
    """Runs jobs on threads of their own, first come first served.

    Parameters
    ----------
    running, waiting : int
        How many jobs may run and how many wait beside them.
    metrics : Metrics
        Is told how many there are.
    """

    def __init__(self, *, running: int, waiting: int, metrics: Metrics) -> None:
        self._pool = ThreadPoolExecutor(max_workers=running, thread_name_prefix="terrain-job")
        self._most = running + waiting
        self._running = running
        self._metrics = metrics
        self._taken = 0

    async def run(self, job: Callable[[], T]) -> T:
        """Return what the job returns.

        Raises
        ------
        BusyError
            Too many jobs wait.
        """
        if self._taken >= self._most:
            self._metrics.count_refused()
            raise BusyError
        future = asyncio.get_running_loop().run_in_executor(self._pool, job)
        self._count(1)
        # Counted until the job is done: it takes its thread also when whoever asked has gone.
        future.add_done_callback(lambda _: self._count(-1))
        return await asyncio.shield(future)

    def close(self) -> None:
        """Wait for jobs that run and drop those that wait."""
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _count(self, change: int) -> None:
        self._taken += change
        self._metrics.running.set(min(self._taken, self._running))
        self._metrics.waiting.set(max(self._taken - self._running, 0))
