"""Drawings of a check, as SVG text to be put into a page."""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np

from terrain.data import FloatArray
from terrain.sensor.alone import Alone
from terrain.sensor.decide import SCALE, Quantity
from terrain.sensor.history import Entry
from terrain.sensor.sight import Mount
from terrain.sensor.surface import Surface

MOST_DRAWN = 6000
INK, FAINT, BAND = "#22303c", "#9aa5ad", "#d9d2c0"
LOW_HIGH = "PuOr"
MARKS = {"pass": ("o", "#2f6f73"), "fail": ("X", "#a3391f"), "undecided": ("D", "#8a6d1d"), "": ("s", INK)}
KEY = "circle: pass, cross: fail, diamond: undecided; bars: U (k = 2); grey strokes: tolerance"
_STYLE: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "terrain sensor check",
    "font.family": "sans-serif",
    "font.size": 8.0,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "axes.titlesize": 8.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "text.color": INK,
    "text.parse_math": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
}


@contextmanager
def _figure(width: float, height: float, out: list[str]) -> Iterator[Any]:
    """Give a figure to draw on; its SVG element is appended to `out`."""
    import matplotlib
    from matplotlib.figure import Figure

    with matplotlib.rc_context(_STYLE):
        figure = Figure(figsize=(width, height), dpi=120)
        yield figure
        file = io.StringIO()
        figure.savefig(file, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = file.getvalue()
    out.append(text[text.index("<svg") :])


def _some(n: int) -> Any:
    """Return evenly taken rows, few enough to draw."""
    return np.linspace(0, n - 1, min(n, MOST_DRAWN)).astype(np.int64)


def draw_target(surface: Surface, mount: Mount | None) -> str:
    """Return one target's drawings: map of residuals, residual against range and incidence, histogram against noise."""
    out: list[str] = []
    sight = surface.sight
    residual = 1e3 * surface.residual(sight.xyz_m)
    rows = _some(len(residual))
    known = surface.known_place
    with _figure(10.2, 2.45, out) as figure:
        # Fixed margins: fitting them to the labels would take most of the time a report takes.
        margins = {"left": 0.05, "right": 0.99, "bottom": 0.19, "top": 0.9, "wspace": 0.34}
        panels = figure.subplots(1, 4, width_ratios=(1.25, 1.0, 1.0, 1.0), gridspec_kw=margins)
        _map(figure, panels[0], surface, mount, residual, rows)
        panels[0].set_title("off the stated surface, mm" if known else "off its own best plane, mm")
        if mount is not None and sight.has_sensor:
            angle = np.degrees(np.arccos(np.clip(surface.cosine(mount), 0.0, 1.0)))
            _against(panels[1], sight.range_m(), residual, rows, "range, m")
            _against(panels[2], angle, residual, rows, "incidence, deg")
            panels[2].sharey(panels[1])
        else:
            for panel in panels[1:3]:
                panel.set_axis_off()
                panel.text(0.5, 0.5, "where the points were\nseen from is not known", ha="center", va="center")
        _histogram(panels[3], surface, mount)
    return out[0]


def _map(figure: Any, panel: Any, surface: Surface, mount: Mount | None, residual: FloatArray, rows: Any) -> None:
    xyz = surface.met_m(mount)[rows]
    if surface.is_plane:
        u, v = surface.uv(xyz).T
        labels = ("along, m", "across, m")
    else:
        out = xyz - surface.centre_m
        u, v = np.degrees(np.arctan2(out[:, 1], out[:, 0])), np.degrees(np.arcsin(out[:, 2] / surface.radius_m))
        labels = ("azimuth, deg", "elevation, deg")
    middle = float(np.median(residual))
    spread = max(2.5 * float(np.std(residual)), 1e-3)
    drawn = panel.scatter(
        u, v, c=residual[rows], s=2.0, cmap=LOW_HIGH, vmin=middle - spread, vmax=middle + spread, linewidths=0,
        rasterized=True,
    )  # fmt: skip
    panel.set_aspect("equal", adjustable="datalim")
    panel.set_xlabel(labels[0])
    panel.set_ylabel(labels[1])
    bar = figure.colorbar(drawn, ax=panel, shrink=0.9, pad=0.02)
    bar.outline.set_linewidth(0.4)


def _against(panel: Any, x: FloatArray, residual: FloatArray, rows: Any, label: str) -> None:
    panel.scatter(x[rows], residual[rows], s=1.2, color=FAINT, linewidths=0, rasterized=True)
    edges = np.linspace(float(x.min()), float(x.max()) + 1e-9, 13)
    index = np.clip(np.digitize(x, edges) - 1, 0, 11)
    count = np.bincount(index, minlength=12)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.bincount(index, residual, 12) / count
        var = np.bincount(index, residual**2, 12) / count - mean**2
        u = 2.0 * np.sqrt(np.maximum(var, 0.0) / count)
    full = count >= 10
    middle = 0.5 * (edges[:-1] + edges[1:])
    panel.errorbar(middle[full], mean[full], yerr=u[full], fmt="o", ms=3.0, color=INK, elinewidth=0.9, capsize=1.5)
    panel.axhline(0.0, color=INK, lw=0.6, ls=(0, (4, 2)))
    panel.set_xlabel(label)
    panel.set_ylabel("residual, mm")


def _histogram(panel: Any, surface: Surface, mount: Mount | None) -> None:
    """Draw residuals less a plane of their own for every stand, over the stated noise, against the normal curve."""
    xyz, noise = surface.met_m(mount), surface.noise_m(mount)
    scaled = surface.residual(surface.sight.xyz_m) / noise
    columns = surface.reference_columns(xyz) / noise[:, None]
    rest = []
    for stand in np.unique(surface.sight.stand):
        rows = surface.sight.stand == stand
        if rows.sum() > 2 * columns.shape[1]:
            part = columns[rows]
            rest.append(scaled[rows] - part @ np.linalg.lstsq(part, scaled[rows], rcond=None)[0])
    values = np.concatenate(rest) if rest else scaled
    edges = np.linspace(-5.0, 5.0, 41)
    panel.hist(np.clip(values, -5.0, 5.0), edges, density=True, color=BAND, edgecolor=FAINT, linewidth=0.4)
    x = np.linspace(-5.0, 5.0, 201)
    panel.plot(x, np.exp(-x * x / 2.0) / math.sqrt(2.0 * math.pi), color=INK, lw=1.1)
    panel.set_xlabel("residual over stated noise")
    panel.set_yticks([])
    panel.set_title(f"noise over stated: {surface.ratio:.2f}")


def draw_summary(rows: Sequence[tuple[str, Quantity]]) -> str:
    """Return all judged quantities on one scale: value with U, over its tolerance."""
    out: list[str] = []
    told = [(name, one) for name, one in rows if math.isfinite(one.value) and one.tolerance]
    names = [f"{name}: {one.name}" for name, one in told]
    height = 0.6 + 0.17 * max(len(told), 2)
    left = min(0.55, 0.03 + 0.0085 * max((len(name) for name in names), default=0))
    with _figure(7.2, height, out) as figure:
        panel = figure.subplots(gridspec_kw={"left": left, "right": 0.98, "bottom": 0.45 / height, "top": 0.985})
        panel.axvspan(-1.0, 1.0, color=BAND, alpha=0.55, lw=0)
        panel.axvline(0.0, color=INK, lw=0.6)
        for y, (_, one) in enumerate(told):
            assert one.tolerance is not None
            mark, colour = MARKS[one.decision]
            value, u = one.value / one.tolerance, one.expanded / one.tolerance
            shown = max(-4.0, min(4.0, value))
            panel.errorbar([shown], [y], xerr=[u], fmt=mark, ms=4.0, color=colour, elinewidth=1.0, capsize=2.0)
            if shown != value:
                panel.annotate(f"{value:+.0f}", (shown, y), xytext=(0, 4), textcoords="offset points", ha="center")
        panel.set_yticks(range(len(told)), names, parse_math=False)
        panel.set_xlim(-4.6, 4.6)
        panel.set_ylim(max(len(told), 2) - 0.4, -1.1)
        panel.set_xlabel("value over its tolerance; bars: U; inside the band: within tolerance")
    return out[0]


def draw_alone(check: Alone) -> str:
    """Return the drawing of a check without targets: cells seen twice in plan, or the offset of each ring."""
    out: list[str] = []
    difference, u = 1e3 * check.difference_m, 2e3 * check.sd_m
    with _figure(10.2, 2.6, out) as figure:
        if len(check.centre_m):
            margins = {"left": 0.06, "right": 0.99, "bottom": 0.19, "top": 0.9, "wspace": 0.16}
            left, right = figure.subplots(1, 2, width_ratios=(1.3, 1.0), gridspec_kw=margins)
            limit = max(float(np.quantile(np.abs(difference), 0.95)), 1.0)
            drawn = left.scatter(
                check.centre_m[:, 0], check.centre_m[:, 1], c=difference, s=5.0, cmap=LOW_HIGH, vmin=-limit, vmax=limit,
                linewidths=0, rasterized=True,
            )  # fmt: skip
            left.set_aspect("equal", adjustable="datalim")
            left.set_xlabel("x, m")
            left.set_ylabel("y, m")
            left.set_title("second surface over the first, mm, by cell in plan")
            figure.colorbar(drawn, ax=left, shrink=0.9, pad=0.02)
            edge = max(float(np.abs(difference).max()), 1.0)
            right.hist(difference, np.linspace(-edge, edge, 41), color=BAND, edgecolor=FAINT, linewidth=0.4)
            right.set_xlabel("distance of the two surfaces, mm")
            right.set_ylabel("cells")
        else:
            panel = figure.subplots(gridspec_kw={"left": 0.06, "right": 0.99, "bottom": 0.19, "top": 0.95})
            ring = np.arange(len(difference))
            panel.errorbar(ring, difference, yerr=u, fmt="o", ms=3.0, color=INK, elinewidth=0.9, capsize=1.5)
            panel.axhline(0.0, color=INK, lw=0.6, ls=(0, (4, 2)))
            panel.set_xlabel("ring, from the lowest")
            panel.set_ylabel("range offset, mm")
    return out[0]


def trend_names(entries: Sequence[Entry]) -> list[str]:
    """Return the quantities worth a trend, most often measured first: what was across targets, else biases."""
    count: dict[str, int] = {}
    for entry in entries:
        for name, values in entry.quantities.items():
            if values[0] is not None:
                count[name] = count.get(name, 0) + 1
    across = [name for name in count if name.startswith("across targets: ")]
    chosen = across or [name for name in count if name.endswith((": bias", ": centre", ": tilt"))] or list(count)
    return sorted(chosen, key=lambda name: -count[name])[:9]


def trend_figure(entries: Sequence[Entry], figure: Any) -> None:
    """Draw one sensor's history onto a figure: each quantity with U and tolerance, against the date."""
    names = trend_names(entries)
    columns = min(3, max(1, len(names)))
    rows = max(1, -(-len(names) // columns))
    panels = np.atleast_1d(figure.subplots(rows, columns, squeeze=False)).ravel()
    for panel, name in zip(panels, names, strict=False):
        points = [(k, entry) for k, entry in enumerate(entries) if entry.quantities.get(name, (None,))[0] is not None]
        for k, entry in points:
            value, expanded, tolerance, unit, decision = entry.quantities[name]
            factor = SCALE[unit][0]
            mark, colour = MARKS.get(decision, MARKS[""])
            u = (expanded or 0.0) * factor
            panel.errorbar([k], [(value or 0.0) * factor], yerr=[u], fmt=mark, ms=4.0, color=colour, capsize=2.0)
            if tolerance is not None:
                for side in (-1.0, 1.0):
                    panel.plot([k - 0.4, k + 0.4], [side * tolerance * factor] * 2, color=FAINT, lw=0.8)
        unit = points[-1][1].quantities[name][3]
        panel.set_title(name.removeprefix("across targets: ") + (f", {SCALE[unit][1]}" if SCALE[unit][1] else ""))
        panel.axhline(0.0, color=INK, lw=0.5, ls=(0, (4, 2)))
        step = max(1, len(entries) // 6)
        ticks = list(range(0, len(entries), step))
        panel.set_xticks(ticks, [entries[k].done_utc[:10] for k in ticks], rotation=30, ha="right")
        panel.set_xlim(-0.6, len(entries) - 0.4)
    for panel in panels[len(names) :]:
        panel.set_axis_off()


def draw_trend(entries: Sequence[Entry]) -> str:
    """Return one sensor's history as SVG."""
    out: list[str] = []
    rows = max(1, -(-len(trend_names(entries)) // 3))
    with _figure(10.2, 1.9 * rows, out) as figure:
        figure.set_layout_engine("constrained")
        trend_figure(entries, figure)
    return out[0]


def save_trend(entries: Sequence[Entry], path: Any) -> None:
    """Write one sensor's history as an image; the ending tells the format."""
    import matplotlib
    from matplotlib.figure import Figure

    rows = max(1, -(-len(trend_names(entries)) // 3))
    with matplotlib.rc_context(_STYLE):
        count = f"{len(entries)} check{'s' if len(entries) != 1 else ''}"
        title = f"sensor '{entries[-1].sensor}': {count}; {KEY}"
        figure = Figure(figsize=(10.2, 1.9 * rows + 0.4), dpi=150, layout="constrained")
        figure.suptitle(title, x=0.01, ha="left", parse_math=False)
        trend_figure(entries, figure)
        figure.savefig(path, metadata={"Date": None} if str(path).lower().endswith(".svg") else None)
