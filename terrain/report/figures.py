"""The drawings of a report, as bytes that go into its text: plans as PNG, sections as SVG.

Fill colours are those of the plan: P. Tol, "Colour Schemes", SRON/EPS/TN/09-002, scheme "light" (from memory), with
hatching, so that a grey print reads too.
"""

from __future__ import annotations

import io
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import Label
from terrain.maps.blind_spots import BlindSpots
from terrain.maps.blind_words import draw_blind_spots
from terrain.maps.picture import draw_plan, plain_ticks
from terrain.maps.store import TerrainMap
from terrain.report.sections import Line, Section

STYLE = {
    Label.STEPPABLE: ("#99DDFF", ""),
    Label.MARGINAL: ("#EEDD88", "///"),
    Label.UNSTEPPABLE: ("#EE8866", "xxxx"),
    Label.UNOBSERVED: ("#FFFFFF", "..."),
}
_WIDTH_IN = 10.5


def plan_png(terrain_map: TerrainMap, *, layer: str, level: int) -> bytes:
    """Return the plan of one layer and level."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "plan.png"
        draw_plan(terrain_map, out, layer=layer, level=level)
        return out.read_bytes()


def blind_png(terrain_map: TerrainMap, found: BlindSpots) -> bytes:
    """Return the plan of blind spots."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "unseen.png"
        draw_blind_spots(terrain_map, found, out)
        return out.read_bytes()


def key_svg(terrain_map: TerrainMap, lines: tuple[Line, ...]) -> bytes:
    """Return a small plan that shows where the sections lie."""
    figure = _figure(5.2, 4.2)
    plan = figure.add_axes((0.17, 0.13, 0.80, 0.84))
    low, high = np.full(2, np.inf), np.full(2, -np.inf)
    for k in terrain_map.levels:
        raster = terrain_map.level(k)
        seen = np.isfinite(raster.height_m)
        ny, nx = seen.shape
        corner = np.array([raster.x0_m, raster.y0_m])
        far = corner + raster.cell_m * np.array([nx, ny])
        image = np.zeros((ny, nx, 4), dtype=np.uint8)
        image[seen] = (160, 160, 160, 255)  # darker than steppable ground in a grey print too
        image[seen & (raster.label == Label.STEPPABLE)] = (0x99, 0xDD, 0xFF, 255)
        plan.imshow(image, origin="lower", extent=(corner[0], far[0], corner[1], far[1]), interpolation="none")
        low, high = np.minimum(low, corner), np.maximum(high, far)
    for line in lines:
        x, y = zip(line.start_m, line.end_m, strict=True)
        plan.plot(x, y, color="black", linewidth=1.3)
        for (px, py), word in ((line.start_m, line.name), (line.end_m, f"{line.name}'")):
            box = {"boxstyle": "round,pad=0.2", "facecolor": "white", "edgecolor": "black", "linewidth": 0.6}
            plan.text(px, py, word, fontsize=9, weight="bold", ha="center", va="center", bbox=box)
        low, high = np.minimum(low, [min(x), min(y)]), np.maximum(high, [max(x), max(y)])
    margin = 0.04 * float((high - low).max())
    plan.set(xlim=(low[0] - margin, high[0] + margin), ylim=(low[1] - margin, high[1] + margin))
    plan.set_aspect("equal")
    plain_ticks(plan, bins=5)
    plan.set_xlabel("x, metres", fontsize=8)
    plan.set_ylabel("y, metres", fontsize=8)
    plan.tick_params(labelsize=8)
    return _svg(figure, "key")


def section_svg(section: Section) -> bytes:
    """Return a section: ground with twice its sd, labels below, what is no ground in grey, the sole to scale."""
    heights = np.concatenate([section.height_m[np.isfinite(section.height_m)], section.span_low_m, section.span_high_m])
    low, high = (float(heights.min()), float(heights.max())) if len(heights) else (0.0, 1.0)
    length = section.line.length_m
    room = max(high - low, 0.3)
    stretch = 1.0 if room > 0.12 * length else 2.0 if room > 0.05 * length else 5.0
    tall = min(6.0, max(1.6, 0.88 * _WIDTH_IN * (room * 1.35 + 0.1) * stretch / length)) + 1.3
    figure = _figure(_WIDTH_IN, tall)
    axes = figure.add_axes((0.07, 0.75 / tall, 0.91, 1.0 - 1.05 / tall))
    for at, bottom, top in zip(section.span_at_m, section.span_low_m, section.span_high_m, strict=True):
        axes.plot([at, at], [bottom, max(top, bottom + 0.01)], color="#888888", linewidth=1.0, zorder=1)
    floor = low - 0.06 * room
    strip = 0.07 * room
    for k, (height, sd) in enumerate(zip(section.height_m, section.sd_m, strict=True)):
        seen = np.isfinite(height)
        if not seen.any():
            continue
        axes.fill_between(section.at_m, height - 2 * sd, height + 2 * sd, where=seen, color="#555555", alpha=0.35, lw=0)
        axes.plot(section.at_m, np.where(seen, height, np.nan), color="black", linewidth=1.1, zorder=3)
        _label_strip(axes, section, k, floor - (k + 1) * strip * 1.25, strip)
    _draw_sole(axes, section, room)
    levels = len(section.height_m)
    axes.set(xlim=(0, length), ylim=(floor - (levels + 0.3) * strip * 1.25, high + 0.12 * room))
    axes.set_aspect(stretch)
    axes.set_anchor("W")
    axes.set_xlabel(f"metres from {section.line.name}", fontsize=8)
    axes.set_ylabel("z, metres", fontsize=8)
    axes.tick_params(labelsize=8)
    words = "heights to the scale of lengths" if stretch == 1.0 else f"heights drawn {stretch:.0f} times"
    title = f"{section.line.name} to {section.line.name}', {words}; band: 2 sd; strips: label by level, lowest first"
    figure.text(0.07, 1.0 - 0.2 / tall, title, fontsize=8.5, va="center")
    return _svg(figure, section.line.name)


def _label_strip(axes: Any, section: Section, k: int, bottom: float, tall: float) -> None:
    """Draw the labels of one level as a strip of hatched boxes."""
    from matplotlib.patches import Rectangle

    label = np.where(np.isfinite(section.height_m[k]), section.label[k], np.uint8(Label.UNOBSERVED))
    change = np.flatnonzero(np.diff(label)) + 1
    step = section.line.length_m / len(label)
    for first, last in zip(np.r_[0, change], np.r_[change, len(label)], strict=True):
        colour, hatch = STYLE[Label(int(label[first]))]
        box = Rectangle((first * step, bottom), (last - first) * step, tall, facecolor=colour, hatch=hatch)
        box.set(edgecolor="#333333", linewidth=0.3)
        axes.add_patch(box)


def _draw_sole(axes: Any, section: Section, room: float) -> None:
    if section.sole is None:
        return
    (x0, z0), (x1, z1) = section.sole.heel_m, section.sole.toe_m
    axes.plot([x0, x1], [z0, z1], color="#004488", linewidth=3.2, solid_capstyle="butt", zorder=5)
    axes.annotate(
        f"sole, {abs(x1 - x0):.2f} m",
        (0.5 * (x0 + x1), 0.5 * (z0 + z1)),
        xytext=(0, 22),
        textcoords="offset points",
        fontsize=8,
        ha="center",
        color="#004488",
        arrowprops={"arrowstyle": "-", "color": "#004488", "linewidth": 0.6},
        zorder=6,
    )


def _figure(width_in: float, height_in: float) -> Any:
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), facecolor="white")
    FigureCanvasSVG(figure)
    return figure


def _svg(figure: Any, salt: str) -> bytes:
    """Return the drawing without a date and with ids that do not change from run to run."""
    import matplotlib as mpl

    buffer = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": salt, "svg.fonttype": "path", "hatch.linewidth": 0.5}):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    return buffer.getvalue()
