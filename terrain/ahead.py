"""Compile the later stages while the first ones run: a first run on a machine uses a second core for it.

`python -m terrain.ahead` segments a small made-up yard, makes ground of it and judges that, and says which it has done;
what numba compiles for that it keeps for other processes.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from terrain.data import Cloud

STAGES = ("segment", "score")
"""What is told of: planes and the ground from them, and judging."""


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
        self._done: set[str] = set()
        if _is_compiled() or len(_cores()) < 2:
            return
        command = [sys.executable, "-m", "terrain.ahead"]
        environment = {**os.environ, "NUMBA_NUM_THREADS": "1"}
        quiet = subprocess.DEVNULL
        try:
            self._process = subprocess.Popen(
                command, stdin=quiet, stdout=subprocess.PIPE, stderr=quiet, env=environment
            )
        except OSError:  # no room for another process: this one compiles when it comes to it
            self._process = None

    def wait(self, stage: str) -> None:
        """Wait until a stage of `STAGES` is compiled, or never will be: then it is compiled when it is needed."""
        if self._process is None or self._process.stdout is None or stage in self._done:
            return
        for line in self._process.stdout:
            self._done.add(line.decode().strip())
            if stage in self._done:
                return

    def stop(self) -> None:
        """End the process if it still runs."""
        if self._process is None:
            return
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()


def _cores() -> set[int]:
    return os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else set(range(os.cpu_count() or 1))


def _is_compiled() -> bool:
    """Return whether the last kernel that is compiled here is kept already."""
    from terrain.kernels.exact import judge_batch

    kernel: Any = judge_batch
    return any(Path(kernel._cache.cache_path).glob("exact.judge_batch*.nbi"))


def made_up_yard() -> Cloud:
    """Return some 20,000 returns of a floor, a wall and two blocks with a joint between them, seen from two places."""
    from terrain.data import Cloud

    rng = np.random.default_rng(1)
    n = 4000
    floor = np.column_stack([rng.uniform(0.0, 2.0, (2 * n, 2)), np.zeros(2 * n)])
    tops = np.column_stack([rng.uniform(0.6, 1.4, n), rng.uniform(0.6, 1.2, n), np.full(n, 0.15)])
    tops = tops[np.abs(tops[:, 0] - 1.0) > 0.01]
    front = np.column_stack([rng.uniform(0.6, 1.4, n), np.full(n, 0.6), rng.uniform(0.0, 0.15, n)])
    wall = np.column_stack([np.full(n, 2.0), rng.uniform(0.0, 2.0, n), rng.uniform(0.0, 1.0, n)])
    xyz = np.concatenate([floor, tops, front, wall]) + rng.normal(0.0, 0.003, (5 * n - (n - len(tops)), 3))
    eyes = np.array([[0.3, -0.8, 1.2], [1.2, -0.6, 1.2]])
    count = len(xyz)
    return Cloud(
        xyz_map_m=xyz,
        time_s=np.linspace(0.0, 4.0, count),
        view_map_m=eyes[(np.arange(count) > count // 2).astype(int)].astype(np.float32),
        sd_m=np.full(count, 0.003, dtype=np.float32),
        cross_sd_m=np.full(count, 0.002, dtype=np.float32),
        origin_m=np.zeros(3),
    )


def compile_stages() -> None:
    """Run the stages of `STAGES` on the yard, and print the name of each once it is done."""
    from terrain.foot import load_foot
    from terrain.ground.build import build_ground
    from terrain.score.dense import judge_everywhere
    from terrain.score.placements import judge_placements
    from terrain.segment.patches import segment_planes

    foot, cloud = load_foot("biped"), made_up_yard()
    segmentation = segment_planes(cloud, joint_m=foot.joint_m)
    ground, _ = build_ground(cloud, segmentation, joint_m=foot.joint_m, drop_m=foot.drop_m)
    sys.stdout.write("segment\n")
    sys.stdout.flush()
    judge_everywhere(ground, foot)
    judge_placements(ground, foot, [[1.0, 0.3, 0.0]])
    sys.stdout.write("score\n")
    sys.stdout.flush()


if __name__ == "__main__":
    compile_stages()
