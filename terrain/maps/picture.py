"""A map as a drawing from above, as a surveyor would hand it over: plan, scale bar, legend, cautions.

Labels are told apart twice, by colour and by hatching, so that the drawing reads in grey too. The colours are those
of the "light" scheme for fills in P. Tol, "Colour Schemes", SRON technical note SRON/EPS/TN/09-002 (from memory),
which is made to stay distinct for colour-blind readers; values are drawn in cividis (Nunez, Anderton, Renslow, PLoS
ONE 13(7), 2018) and viridis, which rise evenly in lightness.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import FloatArray, Label, LevelRaster
from terrain.errors import DataError
from terrain.maps.files import replacing
from terrain.maps.manifest import limits_of
from terrain.maps.store import TerrainMap

CAUTION = (
    "Advice from geometry at scan time; unobserved ground is never steppable; not a safety function. Friction, soft "
    "or loose ground and later changes are not in it. Local rules and licensed practice come first."
)
_MEANINGS = {
    Label.STEPPABLE: "meets the configured limits",
    Label.MARGINAL: "between comfort and limit:\nan operator decides",
    Label.UNSTEPPABLE: "past a limit",
    Label.UNOBSERVED: "not seen, never steppable",
}
_FILL = {
    Label.STEPPABLE: (0x99, 0xDD, 0xFF),
    Label.MARGINAL: (0xEE, 0xDD, 0x88),
    Label.UNSTEPPABLE: (0xEE, 0x88, 0x66),
    Label.UNOBSERVED: (0xFF, 0xFF, 0xFF),
}
_INK = (0x33, 0x33, 0x33)
_WORSE = (Label.STEPPABLE, Label.MARGINAL, Label.UNOBSERVED, Label.UNSTEPPABLE)
"""Where several cells share a pixel the rightmost is drawn: thin walls and gaps do not vanish."""

_DPI = 100
_PLAN_PX = (1200, 900)
_LEFT, _RIGHT, _TOP, _BOTTOM, _GAP, _PANEL = 104, 30, 70, 130, 40, 330
_LEAST_PLAN_PX = 480
_PANEL_HEIGHT = 560


@dataclass(frozen=True, slots=True)
class _Layer:
    """A layer of numbers: its field and unit, its colours, and which of several cells in a pixel is drawn."""

    title: str
    field: str
    factor: float
    worse: Callable[..., Any]
    colours: str
    limit: str | None = None


LAYERS = ("label", "slope", "roughness", "height", "headroom", "points", "yaw_share")
_VALUES = {
    "slope": _Layer(
        "slope of the resting plane, degrees", "slope_rad", 180.0 / math.pi, np.fmax, "cividis_r", "slope_deg"
    ),
    "roughness": _Layer("roughness, millimetres RMS", "roughness_m", 1000.0, np.fmax, "cividis_r", "roughness_mm"),
    "height": _Layer("height of the ground, metres", "height_m", 1.0, np.fmax, "viridis"),
    "headroom": _Layer("free height above the ground, metres", "headroom_m", 1.0, np.fmin, "viridis"),
    "points": _Layer("returns in a cell", "points", 1.0, np.fmin, "viridis"),
    "yaw_share": _Layer("share of yaws that are steppable", "yaw_share", 1.0, np.fmin, "cividis"),
}


def draw_plan(terrain_map: TerrainMap, out: Path, *, layer: str = "label", level: int | None = None) -> None:
    """Draw one layer of one level as a PNG file; equal maps give equal bytes.

    Parameters
    ----------
    terrain_map : TerrainMap
        The map.
    out : Path
        The file, replaced once the drawing is whole.
    layer : str
        One of `LAYERS`.
    level : int, optional
        The level; left out, the first.

    Raises
    ------
    DataError
        The map has no such layer or level, or the file cannot be written.
    """
    if layer not in LAYERS:
        raise DataError(f"layer: got {layer!r}, expected one of {', '.join(LAYERS)}")
    if not terrain_map.levels:
        raise DataError(f"{terrain_map.path}: has no level to draw: no ground was found")
    chosen = terrain_map.levels[0] if level is None else level
    raster = terrain_map.level(chosen)
    with replacing(out) as draft:
        _draw(terrain_map, raster, layer, draft)


def _draw(terrain_map: TerrainMap, raster: LevelRaster, layer: str, out: Path) -> None:
    import matplotlib.style
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    window = _seen_window(raster)
    view = _View.of(raster, window)
    with matplotlib.style.context("default"):
        figure = Figure(figsize=(view.width / _DPI, view.height / _DPI), dpi=_DPI, facecolor="white")
        FigureCanvasAgg(figure)
        sheet = figure.add_axes((0, 0, 1, 1))
        sheet.set(xlim=(0, view.width), ylim=(0, view.height))
        sheet.axis("off")
        plan = figure.add_axes(view.plan_box)
        _draw_frame(plan, view)
        if layer == "label":
            _draw_labels(plan, raster, view)
            top = _label_legend(figure, sheet, raster, view)
        else:
            top = _draw_values(terrain_map, figure, plan, sheet, raster, _VALUES[layer], view)
        _draw_title(terrain_map, sheet, raster, layer, view)
        _draw_scale_and_axes(sheet, view, top)
        figure.savefig(out, format="png", dpi=_DPI, metadata={"Software": "terrain"})


# --------------------------------------------------------------------------- where things go


def _seen_window(raster: LevelRaster) -> tuple[slice, slice]:
    """Return the rows and columns that hold ground, with a margin of a twentieth; all where nothing does."""
    seen = np.isfinite(raster.height_m)
    if not seen.any():
        return slice(0, seen.shape[0]), slice(0, seen.shape[1])
    parts = []
    for axis, size in ((1, seen.shape[0]), (0, seen.shape[1])):
        used = np.flatnonzero(seen.any(axis=axis))
        margin = max(2, (used[-1] - used[0]) // 20)
        parts.append(slice(max(0, used[0] - margin), min(size, used[-1] + 1 + margin)))
    return parts[0], parts[1]


@dataclass(frozen=True, slots=True)
class _View:
    """The window of the raster and its place on the sheet, in pixels from the lower left."""

    rows: slice
    columns: slice
    x0_m: float
    y0_m: float
    x1_m: float
    y1_m: float
    plan_w: int
    plan_h: int

    @classmethod
    def of(cls, raster: LevelRaster, window: tuple[slice, slice]) -> _View:
        rows, columns = window
        ny, nx = rows.stop - rows.start, columns.stop - columns.start
        scale = min(_PLAN_PX[0] / nx, _PLAN_PX[1] / ny)
        return cls(
            rows=rows,
            columns=columns,
            x0_m=raster.x0_m + columns.start * raster.cell_m,
            y0_m=raster.y0_m + rows.start * raster.cell_m,
            x1_m=raster.x0_m + columns.stop * raster.cell_m,
            y1_m=raster.y0_m + rows.stop * raster.cell_m,
            plan_w=max(24, round(nx * scale)),
            plan_h=max(24, round(ny * scale)),
        )

    @property
    def width(self) -> int:
        return self.panel_left + _PANEL + _RIGHT

    @property
    def height(self) -> int:
        return _BOTTOM + max(self.plan_h, _PANEL_HEIGHT) + _TOP

    @property
    def plan_top(self) -> int:
        return self.height - _TOP

    @property
    def panel_left(self) -> int:
        return _LEFT + max(self.plan_w, _LEAST_PLAN_PX) + _GAP

    @property
    def plan_box(self) -> tuple[float, float, float, float]:
        bottom = self.plan_top - self.plan_h
        return self.box(_LEFT, bottom, self.plan_w, self.plan_h)

    @property
    def extent(self) -> tuple[float, float, float, float]:
        return self.x0_m, self.x1_m, self.y0_m, self.y1_m

    @property
    def px_per_m(self) -> float:
        return self.plan_w / (self.x1_m - self.x0_m)

    def box(self, left: float, bottom: float, width: float, height: float) -> tuple[float, float, float, float]:
        return left / self.width, bottom / self.height, width / self.width, height / self.height

    def pixels(self, cells: npt.NDArray[Any], worse: Callable[..., Any]) -> npt.NDArray[Any]:
        """Return the window at the plan's pixels, row 0 the lowest; of several cells in a pixel the worse."""
        part = cells[self.rows, self.columns]
        for axis, size in ((0, self.plan_h), (1, self.plan_w)):
            count = part.shape[axis]
            if count > size:
                starts = (np.arange(size) * count) // size
                part = worse.reduceat(part, starts, axis=axis)  # type: ignore[attr-defined]
            else:
                part = np.take(part, (np.arange(size) * count) // size, axis=axis)
        return part


# --------------------------------------------------------------------------- the plan


def plain_ticks(plan: Any, bins: int = 7) -> None:
    """Give a small plan round coordinates in full, few enough not to touch, without an offset written apart."""
    from matplotlib.ticker import MaxNLocator

    plan.xaxis.set_major_locator(MaxNLocator(bins, steps=[1, 2, 5, 10]))
    plan.yaxis.set_major_locator(MaxNLocator(bins + 1, steps=[1, 2, 5, 10]))
    plan.ticklabel_format(style="plain", useOffset=False)


def _draw_frame(plan: Any, view: _View) -> None:
    """Draw the border, metres along it, and a cross at every round coordinate instead of grid lines."""
    from matplotlib.ticker import MaxNLocator

    plan.set(xlim=(view.x0_m, view.x1_m), ylim=(view.y0_m, view.y1_m))
    plan.set_xlabel("x, metres", fontsize=9)
    plan.set_ylabel("y, metres" if view.plan_h > 80 else "y", fontsize=9)
    plan.tick_params(direction="out", labelsize=8, top=True, right=True)
    bins = max(2, min(10, view.plan_w // 90))
    plan.xaxis.set_major_locator(MaxNLocator(bins, steps=[1, 2, 5, 10]))
    plan.yaxis.set_major_locator(MaxNLocator(max(2, min(10, view.plan_h // 70)), steps=[1, 2, 5, 10]))
    across, up = plan.get_xticks(), plan.get_yticks()
    x, y = np.meshgrid(across, up)
    plan.plot(x.ravel(), y.ravel(), "+", color="white", markersize=9, markeredgewidth=2.0, alpha=0.6, zorder=4)
    plan.plot(x.ravel(), y.ravel(), "+", color="black", markersize=8, markeredgewidth=0.6, zorder=5)
    plan.ticklabel_format(style="plain", useOffset=False)
    plan.set(xlim=(view.x0_m, view.x1_m), ylim=(view.y0_m, view.y1_m))


def _hatched(labels: npt.NDArray[np.integer[Any]]) -> npt.NDArray[np.uint8]:
    """Return labels (rows, columns), row 0 the lowest, as colours with ink: strokes, crosses, or dots."""
    rows, columns = np.mgrid[0 : labels.shape[0], 0 : labels.shape[1]]
    rising, falling = (columns - rows) % 10 == 0, (columns + rows) % 10 == 0
    dots = (rows % 9 < 2) & ((columns + 9 * ((rows // 9) % 2)) % 18 < 2)
    ink = {Label.MARGINAL: rising, Label.UNSTEPPABLE: rising | falling, Label.UNOBSERVED: dots}
    image = np.empty((*labels.shape, 3), dtype=np.uint8)
    for label, fill in _FILL.items():
        here = labels == label
        image[here] = fill
        if label in ink:
            image[here & ink[label]] = _INK
    return image


def _draw_labels(plan: Any, raster: LevelRaster, view: _View) -> None:
    rank = np.empty(len(Label), dtype=np.int64)
    rank[list(_WORSE)] = np.arange(len(_WORSE))
    ranked = rank[raster.label.astype(np.int64)]
    labels = np.array(_WORSE)[view.pixels(ranked, np.maximum)]
    plan.imshow(_hatched(labels), origin="lower", extent=view.extent, interpolation="none", aspect="auto", zorder=1)


def _draw_values(
    terrain_map: TerrainMap, figure: Any, plan: Any, sheet: Any, raster: LevelRaster, layer: _Layer, view: _View
) -> int:
    """Draw numbers with the lines of comfort and limit, and their scale in the panel; return where that ends."""
    from matplotlib import colormaps
    from matplotlib.patheffects import withStroke

    values = view.pixels(getattr(raster, layer.field) * layer.factor, layer.worse).astype(np.float64)
    marks = _marks(terrain_map, layer)
    low, high = _range_of(values, layer, marks)
    share = np.clip((values - low) / (high - low), 0.0, 1.0)
    known = ~np.isnan(values)
    image = _hatched(np.full(values.shape, Label.UNOBSERVED))
    colours = colormaps[layer.colours]
    image[known] = np.round(colours(share[known])[:, :3] * 255)
    plan.imshow(image, origin="lower", extent=view.extent, interpolation="none", aspect="auto", zorder=1)
    finite = np.where(np.isinf(values), high, values)
    for _, value, style in marks:
        if known.any() and np.nanmin(finite) < value < np.nanmax(finite):
            lines = plan.contour(
                np.linspace(*view.extent[:2], values.shape[1]),
                np.linspace(*view.extent[2:], values.shape[0]),
                np.ma.masked_invalid(finite),
                levels=[value],
                colors="black",
                linestyles=style,
                linewidths=0.9,
                zorder=3,
            )
            lines.set_path_effects([withStroke(linewidth=2.2, foreground="white")])
    return _value_legend(figure, sheet, layer, colours, (low, high), marks, view)


def _marks(terrain_map: TerrainMap, layer: _Layer) -> list[tuple[str, float, str]]:
    """Return the values worth a line: word, value in the layer's unit, line style."""
    if layer.field == "headroom_m":
        return [("needed", terrain_map.foot.clear_height_m, "solid")]
    if layer.limit is None:
        return []
    limit = limits_of(terrain_map.foot)[layer.limit]
    return [("comfort", limit["comfort"], "dashed"), ("limit", limit["limit"], "solid")]


def _range_of(values: FloatArray, layer: _Layer, marks: list[tuple[str, float, str]]) -> tuple[float, float]:
    """Return the ends of the colour scale: fixed where limits are known, else by what was measured."""
    finite = values[np.isfinite(values)]
    if layer.field == "yaw_share":
        return 0.0, 1.0
    if layer.limit is not None or layer.field == "headroom_m":
        return 0.0, max(1.6, 1.5 * marks[-1][1]) if layer.field == "headroom_m" else 1.5 * marks[-1][1]
    if not len(finite):
        return 0.0, 1.0
    low = 0.0 if layer.field == "points" else float(np.percentile(finite, 1))
    high = float(np.percentile(finite, 99))
    return (low, high) if high - low > 1e-6 else (low - 0.5, high + 0.5)


# --------------------------------------------------------------------------- around the plan


def _draw_title(terrain_map: TerrainMap, sheet: Any, raster: LevelRaster, layer: str, view: _View) -> None:
    """Write the survey's name above the plan and the caution below; draw the sheet's border."""
    from matplotlib.patches import Rectangle

    what = "labels" if layer == "label" else _VALUES[layer].title
    made = str(terrain_map.manifest.get("created", ""))[:10]
    others = [str(number) for number in terrain_map.levels if number != raster.level]
    level = f"level {raster.level} ({'not drawn: ' + ', '.join(others) if others else 'the only one'})"
    sheet.text(
        _LEFT,
        view.height - 30,
        textwrap.shorten(terrain_map.name, (view.width - _LEFT) // 13),
        fontsize=15,
        weight="bold",
        va="center",
    )
    sheet.text(
        _LEFT,
        view.height - 53,
        f"{what};  {level};  foot: {terrain_map.foot.name};  cells of {raster.cell_m * 1000:.0f} mm;  map made {made}",
        fontsize=9,
        va="center",
    )
    wrapped = textwrap.fill(CAUTION, round((view.width - 2 * _RIGHT) / 7.2))
    sheet.plot([12, view.width - 12], [62, 62], color="black", linewidth=0.6)
    sheet.text(_RIGHT, 38, wrapped, fontsize=9, va="center")
    sheet.add_patch(Rectangle((12, 12), view.width - 24, view.height - 24, fill=False, linewidth=1.2))


def _label_legend(figure: Any, sheet: Any, raster: LevelRaster, view: _View) -> int:
    """Write the four labels with their patterns and areas; return the height at which the legend ends."""
    y = view.plan_top - 8
    sheet.text(view.panel_left, y, "LABELS", fontsize=10, weight="bold", va="center")
    ground = np.isfinite(raster.height_m)
    for label, meaning in _MEANINGS.items():
        y -= 62
        swatch = figure.add_axes(view.box(view.panel_left, y, 66, 44))
        swatch.imshow(_hatched(np.full((44, 66), label)), origin="lower", interpolation="none", aspect="auto")
        swatch.set(xticks=[], yticks=[])
        area = np.count_nonzero(ground & (raster.label == label)) * raster.cell_m**2
        size = "" if label == Label.UNOBSERVED else f", {area:.2f} m$^2$"
        sheet.text(view.panel_left + 80, y + 36, f"{label.word}{size}", fontsize=10, va="center")
        sheet.text(view.panel_left + 80, y + 24, meaning, fontsize=8, va="top", linespacing=1.15)
    note = "A cell is drawn for the best of its yaws:\nask for the placement that you mean."
    sheet.text(view.panel_left, y - 14, note, fontsize=8, va="top", linespacing=1.3)
    return y - 60


def _value_legend(
    figure: Any,
    sheet: Any,
    layer: _Layer,
    colours: Any,
    ends: tuple[float, float],
    marks: list[tuple[str, float, str]],
    view: _View,
) -> int:
    """Draw the colour scale with comfort and limit, and the pattern of the unknown; return where it ends."""
    from matplotlib.ticker import MaxNLocator

    top, height = view.plan_top - 8, 210
    words = textwrap.fill(layer.title.upper(), 28)
    sheet.text(view.panel_left, top, words, fontsize=10, weight="bold", va="top", linespacing=1.3)
    bottom = top - 50 - height
    scale = figure.add_axes(view.box(view.panel_left + 6, bottom, 34, height))
    ramp = np.round(colours(np.linspace(0, 1, height))[:, None, :3] * 255).astype(np.uint8)
    scale.imshow(ramp, origin="lower", extent=(0, 1, *ends), aspect="auto", interpolation="none")
    scale.yaxis.tick_right()
    scale.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    scale.tick_params(labelsize=8)
    scale.set(xticks=[], ylim=ends)
    for word, value, style in marks:
        y = bottom + height * (value - ends[0]) / (ends[1] - ends[0])
        sheet.plot([view.panel_left + 86, view.panel_left + 136], [y, y], color="black", linestyle=style, linewidth=1)
        sheet.text(view.panel_left + 144, y, f"{word} {value:g}", fontsize=9, va="center")
    ends_note = "The ends of the scale stand for all beyond them."
    sheet.text(view.panel_left, bottom - 18, ends_note, fontsize=8, va="center")
    y = bottom - 84
    swatch = figure.add_axes(view.box(view.panel_left, y, 66, 44))
    swatch.imshow(_hatched(np.full((44, 66), Label.UNOBSERVED)), origin="lower", interpolation="none", aspect="auto")
    swatch.set(xticks=[], yticks=[])
    sheet.text(view.panel_left + 80, y + 22, "no value: not seen,\nor no plane to measure", fontsize=9, va="center")
    return y - 20


def _draw_scale_and_axes(sheet: Any, view: _View, top: int) -> None:
    """Draw a bar of alternating pieces and the directions of x, y and yaw."""
    from matplotlib.patches import Arc, Rectangle

    length_m = _round_length(0.8 * _PANEL / view.px_per_m)
    piece = length_m * view.px_per_m / 4
    left, y = view.panel_left, top - 46
    sheet.text(left, y + 26, "SCALE", fontsize=10, weight="bold", va="center")
    for k in range(4):
        fill = "black" if k % 2 == 0 else "white"
        sheet.add_patch(Rectangle((left + k * piece, y), piece, 8, facecolor=fill, edgecolor="black", linewidth=0.7))
    for k in (0, 2, 4):
        unit = " m" if k == 4 else ""
        sheet.text(left + k * piece, y - 10, f"{length_m * k / 4:g}{unit}", fontsize=8, ha="center", va="center")
    y -= 118
    style = {"arrowstyle": "-|>", "color": "black", "linewidth": 1.0, "mutation_scale": 10, "shrinkA": 0, "shrinkB": 0}
    for tip, word, place in (((64, 0), "x", (74, 0)), ((0, 64), "y", (0, 75))):
        sheet.annotate("", (left + 14 + tip[0], y + tip[1]), (left + 14, y), arrowprops=style)
        sheet.text(left + 14 + place[0], y + place[1], word, fontsize=10, ha="center", va="center", style="italic")
    sheet.add_patch(Arc((left + 14, y), 70, 70, theta1=0, theta2=58, linewidth=0.8))
    sheet.text(left + 52, y + 28, "yaw +", fontsize=8, va="center")
    sheet.text(left + 112, y + 28, "map frame, z up\ntowards the reader", fontsize=8, va="center", linespacing=1.3)


def _round_length(most_m: float) -> float:
    """Return the greatest of 1, 2, 4 times a power of ten that is not over `most_m`, so that quarters are round."""
    power = 10.0 ** math.floor(math.log10(most_m))
    return power * max(step for step in (1, 2, 4) if step * power <= most_m)
