"""Levels made from height functions, and maps that hold them: for readers of the dense judgement."""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from terrain.data import FloatArray, Label, LevelRaster
from terrain.maps.store import TerrainMap, open_map
from terrain.maps.write import fill_draft
from tests.support.map_contents import make_contents

CELL_M = 0.02


def level_of(
    height: Callable[[FloatArray, FloatArray], FloatArray],
    *,
    x_m: tuple[float, float] = (0.0, 4.0),
    y_m: tuple[float, float] = (0.0, 3.0),
    level: int = 0,
    sd_m: float = 0.001,
    headroom: Callable[[FloatArray, FloatArray], FloatArray] | None = None,
    label: Label | Callable[[FloatArray, FloatArray], FloatArray] = Label.STEPPABLE,
    patch_id: int = 0,
    noise_m: float = 0.0,
    seed: int = 0,
) -> LevelRaster:
    """Return a level sampled at the cells' centres; NaN height: nothing seen. Noise is independent in every cell."""
    nx, ny = round((x_m[1] - x_m[0]) / CELL_M), round((y_m[1] - y_m[0]) / CELL_M)
    x, y = np.meshgrid(x_m[0] + (np.arange(nx) + 0.5) * CELL_M, y_m[0] + (np.arange(ny) + 0.5) * CELL_M)
    z = height(x, y) + np.random.default_rng(seed).normal(0.0, noise_m, x.shape)
    seen = np.isfinite(z)
    room = np.full(x.shape, np.inf) if headroom is None else headroom(x, y)
    labels = label(x, y) if callable(label) else np.full(x.shape, label)

    def band(values: FloatArray) -> FloatArray:
        return np.where(seen, values, np.nan).astype(np.float32)

    zero = np.zeros(x.shape)
    return LevelRaster(
        level=level,
        x0_m=x_m[0],
        y0_m=y_m[0],
        cell_m=CELL_M,
        height_m=band(z),
        height_sd_m=band(zero + sd_m),
        slope_rad=band(zero),
        roughness_m=band(zero),
        headroom_m=band(room),
        points=band(zero + 9),
        label=np.where(seen, labels, Label.UNOBSERVED).astype(np.float32),
        best_yaw_rad=band(zero),
        yaw_share=band(zero + 1.0),
        patch_id=np.where(seen, patch_id, -1).astype(np.int32),
    )


def map_of(folder: Path, *rasters: LevelRaster, **changes: object) -> TerrainMap:
    """Write a map of these levels without its cloud and open it; patches and fine ground are those of `make_contents`.

    Nothing is forced to disk, which would be most of the time of many small tests.
    """
    contents = dataclasses.replace(make_contents(points=10, rasters=rasters, **changes), points=None)
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    fill_draft(SimpleNamespace(path=folder), contents)
    return open_map(folder)
