"""Compile what judges while the stages before it run: the first run on a machine uses a second core for it.

`python -m terrain.ahead` judges a small flat floor; what numba compiles for that it keeps for other processes.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np


@contextmanager
def compiling_ahead() -> Iterator[Ahead]:
    """Compile in a process of its own until the end of the block, unless it is done already or there is one core."""
    ahead = Ahead()
    try:
        yield ahead
    finally:
        ahead.stop()


class Ahead:
    """The process that compiles, if there is one."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        if _is_compiled() or len(_cores()) < 2:
            return
        # This very package, not one that happens to lie where the command was given: kernels are kept beside it.
        command = [sys.executable, "-P", "-m", "terrain.ahead"]
        paths = [str(Path(__file__).resolve().parents[1]), os.environ.get("PYTHONPATH", "")]
        environment = {
            **os.environ,
            "NUMBA_NUM_THREADS": "1",
            "PYTHONPATH": os.pathsep.join(path for path in paths if path),
        }
        quiet = subprocess.DEVNULL
        try:
            self._process = subprocess.Popen(command, stdin=quiet, stdout=quiet, stderr=quiet, env=environment)
        except OSError:  # no room for another process: this one compiles when it comes to it
            self._process = None

    def wait(self) -> None:
        """Wait until all is compiled; how that ended does not matter, as what is missing is compiled when needed."""
        if self._process is not None:
            self._process.wait()

    def stop(self) -> None:
        """End the process if it still runs."""
        if self._process is not None and self._process.poll() is None:
            self._process.kill()
            self._process.wait()


def _cores() -> set[int]:
    return os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else set(range(os.cpu_count() or 1))


def _is_compiled() -> bool:
    """Return whether the last kernel that is compiled here is kept already."""
    from terrain.kernels.exact import judge_batch

    kernel: Any = judge_batch
    return any(Path(kernel._cache.cache_path).glob("exact.judge_batch*.nbi"))


def judge_a_floor() -> None:
    """Judge a flat floor of one tile, everywhere and at a spot."""
    from terrain.data import TILE_CELLS, Grid, Ground
    from terrain.foot import load_foot
    from terrain.score.dense import judge_everywhere
    from terrain.score.placements import judge_placements

    n = TILE_CELLS * TILE_CELLS
    floor = Ground(
        grid=Grid(0.0, 0.0, 0.0, 0.01, TILE_CELLS, TILE_CELLS, np.zeros((1, 1), dtype=np.int32)),
        first=np.arange(n + 1),
        height_m=np.zeros(n, dtype=np.float32),
        height_sd_m=np.full(n, 0.001, dtype=np.float32),
        gradient=np.zeros((n, 2), dtype=np.float32),
        gradient_sd=np.full(n, 0.001, dtype=np.float32),
        roughness_m=np.zeros(n, dtype=np.float32),
        edge_sd_m=np.full(n, 0.003, dtype=np.float32),
        seen=np.full(n, 20, dtype=np.uint8),
        points=np.ones(n, dtype=np.uint16),
        patch_id=np.zeros(n, dtype=np.int32),
        level=np.zeros(n, dtype=np.int16),
        carries=np.ones(n, dtype=np.bool_),
        walkable=np.ones(n, dtype=np.bool_),
        span_first=np.zeros(n + 1, dtype=np.int64),
        span_low_m=np.zeros(0, dtype=np.float32),
        span_high_m=np.zeros(0, dtype=np.float32),
    )
    foot = load_foot("biped")
    judge_everywhere(floor, foot)
    judge_placements(floor, foot, [[0.32, 0.32, 0.0]])


if __name__ == "__main__":
    judge_a_floor()
