"""Layers of a map as small pictures of numbers: one byte a cell, in tiles, at several levels of detail.

The browser colours them. Where several cells share one the worse is kept, so that thin walls and gaps do not vanish
from afar.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import ByteArray, Float32Array, FootProfile, Label, LevelRaster
from terrain.maps.manifest import limits_of
from terrain.page.lazy import LazyRaster

TILE = 256
STEPS = 250
"""Bytes 0 to 250 are even steps from the low to the high end of a layer's scale."""
INFINITE, NONE = 254, 255


@dataclass(frozen=True, slots=True)
class Layer:
    """How a layer is called, which field it is, in which unit, and which end is worse (`fmax` or `fmin`)."""

    key: str
    title: str
    unit: str
    field: str
    factor: float
    worse: Callable[..., Any]
    ramp: str
    limit: str | None = None
    note: str = ""


LAYERS = (
    Layer("label", "Where a foot can stand", "", "label", 1.0, np.fmax, "label", None, "for the best of 16 directions"),
    Layer("slope", "Slope", "degrees", "slope_rad", 180.0 / math.pi, np.fmax, "down", "slope_deg"),
    Layer("roughness", "Roughness", "mm RMS", "roughness_m", 1000.0, np.fmax, "down", "roughness_mm"),
    Layer(
        "headroom", "Headroom", "m", "headroom_m", 1.0, np.fmin, "up", None,
        "free height above the ground; air that no beam crossed counts as free",
    ),
    Layer("height", "Height", "m", "height_m", 1.0, np.fmax, "up"),
    Layer(
        "height_sd", "Confidence in height", "mm (1 sd)", "height_sd_m", 1000.0, np.fmax, "down", None,
        "how well the height of the ground is known: a small sd is a sure height",
    ),
    Layer("points", "Density of the data", "returns in a cell", "points", 1.0, np.fmin, "up"),
    Layer("age", "Age of the data", "s before the end of the survey", "age_s", 1.0, np.fmax, "down"),
    Layer(
        "yaw_share", "Share of directions", "of 16 directions steppable", "yaw_share", 1.0, np.fmin, "up", None,
        "in how many directions the foot may point",
    ),
)  # fmt: skip
KEYS = tuple(layer.key for layer in LAYERS)


def layer_of(key: str) -> Layer | None:
    """Return the layer of that key, None where there is none."""
    return next((layer for layer in LAYERS if layer.key == key), None)


def marks_of(layer: Layer, foot: FootProfile) -> list[dict[str, Any]]:
    """Return the values of a layer that decide something: word and value in its unit."""
    if layer.key == "headroom":
        return [{"word": "needed", "value": foot.clear_height_m}]
    if layer.limit is None:
        return []
    limit = limits_of(foot)[layer.limit]
    return [{"word": "comfort", "value": limit["comfort"]}, {"word": "limit", "value": limit["limit"]}]


def scale_of(layer: Layer, values: list[Float32Array], foot: FootProfile) -> tuple[float, float]:
    """Return the ends of a layer's scale: fixed where limits are known, else by what was measured on all levels."""
    if layer.key == "label":
        return 0.0, float(STEPS)
    if layer.key == "yaw_share":
        return 0.0, 1.0
    marks = marks_of(layer, foot)
    if layer.key == "headroom":
        return 0.0, max(1.6, 1.5 * float(marks[0]["value"]))
    if marks:
        return 0.0, 1.5 * float(marks[-1]["value"])
    finite = np.concatenate([v[np.isfinite(v)] for v in values]) if values else np.empty(0)
    if not len(finite):
        return 0.0, 1.0
    low = float(np.percentile(finite, 1)) if layer.key == "height" else 0.0
    high = float(np.percentile(finite, 99))
    return (low, high) if high - low > 1e-6 else (low - 0.5, high + 0.5)


def values_of(layer: Layer, raster: LevelRaster | LazyRaster, age_s: Float32Array | None) -> Float32Array:
    """Return a layer's numbers in its unit, (ny, nx), NaN where there is none."""
    if layer.key == "age":
        return np.full(raster.height_m.shape, np.nan, dtype=np.float32) if age_s is None else age_s
    values: Float32Array = getattr(raster, layer.field)
    return values if layer.factor == 1.0 else values * np.float32(layer.factor)


def encoded(
    layer: Layer, values: Float32Array, ends: tuple[float, float], raster: LevelRaster | LazyRaster
) -> ByteArray:
    """Return numbers as bytes: labels as they are (`NONE` where no ground is), others as steps of the scale."""
    if layer.key == "label":
        label = np.where(np.isnan(values), NONE, values).astype(np.uint8)
        label[(label == Label.UNOBSERVED) & np.isnan(raster.height_m)] = NONE
        return label
    low, high = ends
    share = np.clip((values - low) / (high - low), 0.0, 1.0)
    code = np.where(np.isnan(values), np.float32(NONE), np.round(share * STEPS))
    code[np.isinf(values)] = INFINITE
    return code.astype(np.uint8)


def halved(layer: Layer, code: ByteArray) -> ByteArray:
    """Return a picture at half the detail: of four cells the worse."""
    ny, nx = code.shape
    even = np.full((ny + ny % 2, nx + nx % 2), NONE, dtype=np.uint8)
    even[:ny, :nx] = code
    blocks = even.reshape(even.shape[0] // 2, 2, even.shape[1] // 2, 2)
    rank = _rank(layer)
    best = rank[blocks].max(axis=(1, 3))
    code_of = np.empty(256, dtype=np.uint8)
    code_of[rank] = np.arange(256, dtype=np.uint8)
    halves: ByteArray = code_of[best]
    return halves


def _rank(layer: Layer) -> npt.NDArray[np.uint8]:
    """Return how bad each byte is, 0 the least; no value counts least, but no ground among labels as unobserved."""
    order: list[int]
    if layer.key == "label":
        order = [int(Label.STEPPABLE), int(Label.MARGINAL), NONE, int(Label.UNOBSERVED), int(Label.UNSTEPPABLE)]
    elif layer.worse is np.fmax:
        order = [NONE, *range(NONE)]
    else:
        order = [NONE, *range(NONE - 1, -1, -1)]
    order += [code for code in range(256) if code not in set(order)]
    rank = np.empty(256, dtype=np.uint8)
    rank[order] = np.arange(256, dtype=np.uint8)
    return rank


def tile_of(code: ByteArray, tx: int, ty: int) -> bytes:
    """Return a tile, row 0 the lowest y, `NONE` beyond the border; the size of `TILE` squared."""
    tile = np.full((TILE, TILE), NONE, dtype=np.uint8)
    part = code[ty * TILE : (ty + 1) * TILE, tx * TILE : (tx + 1) * TILE]
    tile[: part.shape[0], : part.shape[1]] = part
    return tile.tobytes()
