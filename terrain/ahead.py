"""Compile later stages while earlier ones run: the first run on a machine uses a second core for it.

`python -m terrain.ahead` cleans a small flat floor, makes it ground and judges it; what numba compiles for that it
keeps for other processes.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from terrain.beside import start_beside
from terrain.data import Cloud, Patches, PatchMasks, Segmentation


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
        quiet = subprocess.DEVNULL
        try:
            self._process = start_beside("terrain.ahead", stdin=quiet, stdout=quiet, stderr=quiet)
        except OSError:  # no room for another process: this one compiles when it comes to it
            self._process = None

    def wait(self, meanwhile: Callable[[], object] = lambda: None) -> None:
        """Wait until all is compiled, and do something if that takes longer.

        How it ended does not matter, as what is missing is compiled when needed.
        """
        if self._process is not None:
            if self._process.poll() is None:
                meanwhile()
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
    from terrain.kernels.dense import judge_block

    kernel: Any = judge_block
    return any(Path(kernel._cache.cache_path).glob("dense.judge_block*.nbi"))


SIDE_M, CELL_M = 1.28, 0.01


def floor_with_a_visitor() -> Cloud:
    """Return points of a level floor that is scanned all the while, and of something that stood on it for a moment."""
    rng = np.random.default_rng(1)
    count, few = 60_000, 8
    floor = np.column_stack([rng.uniform(0.0, SIDE_M, (count, 2)), rng.normal(0.0, 0.003, count)])
    visitor = rng.uniform([0.60, 0.60, 0.30], [0.63, 0.63, 0.33], (few, 3))
    sd = np.full(count + few, 0.005, dtype=np.float32)
    return Cloud(
        xyz_map_m=np.concatenate([visitor, floor]),
        time_s=np.concatenate([np.zeros(few), np.linspace(1.0, 20.0, count)]),
        view_map_m=np.tile(np.array([0.6, 0.6, 2.0], dtype=np.float32), (count + few, 1)),
        sd_m=sd,
        cross_sd_m=sd,
        origin_m=np.zeros(3),
    )


def one_patch(points: int) -> Segmentation:
    """Return the floor as a patch that all points are on but the last two."""
    import shapely

    one, cells = np.ones(1), round(SIDE_M / CELL_M)
    patches = Patches(
        origin_m=np.zeros(3),
        normal=np.array([[0.0, 0.0, 1.0]]),
        offset_m=0.0 * one,
        centre_m=np.array([[0.5 * SIDE_M, 0.5 * SIDE_M, 0.0]]),
        slope_sd_rad=0.001 * one,
        height_sd_m=0.001 * one,
        roughness_m=0.0 * one,
        residual_m=0.005 * one,
        noise_m=0.005 * one,
        points=np.array([points - 2]),
        area_m2=SIDE_M**2 * one,
        upward=np.ones(1, dtype=np.bool_),
        outline=(shapely.box(0.0, 0.0, SIDE_M, SIDE_M),),
    )
    zero, side = np.zeros(1, dtype=np.int64), np.full(1, cells)
    masks = PatchMasks(
        0.0, 0.0, CELL_M, zero, zero, side, side, np.array([0, cells**2]), np.ones(cells**2, dtype=np.uint8)
    )
    patch = np.zeros(points, dtype=np.int32)
    patch[-2:] = -1
    return Segmentation(patches, masks, patch)


def clean_and_judge_a_floor() -> None:
    """Clean a small floor, make it ground, and judge it everywhere.

    What judges single soles is compiled by who waits for this (`pipeline`), who has nothing else to do by then.
    """
    from terrain.foot import load_foot
    from terrain.fuse.clean import clean
    from terrain.ground.build import build_ground
    from terrain.score.dense import judge_everywhere

    cloud, _ = clean(floor_with_a_visitor())
    foot = load_foot("biped")
    ground, _ = build_ground(cloud, one_patch(len(cloud)), joint_m=foot.joint_m, drop_m=foot.drop_m)
    judge_everywhere(ground, foot)


def with_room(job: Callable[[], None]) -> None:
    """Do a job that calls deeply; see ROOM."""
    job()


ROOM = 70_000
"""Values that a frame of `with_room` is said to need. Python takes memory for frames from the system in pieces of 16 kB
and gives a piece back with its first frame: where numba's loops call from the end of one it did so half a million
times, 16 of 55 s. A frame that needs more gets a piece of 1 MB, and those it calls find room in that."""
with_room.__code__ = with_room.__code__.replace(co_stacksize=ROOM)


if __name__ == "__main__":
    with_room(clean_and_judge_a_floor)
