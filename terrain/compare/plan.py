"""The changes as a plan: what came up and what went down, over the ground that stayed.

Colours: P. Tol, "Colour Schemes", SRON/EPS/TN/09-002, scheme "bright" (from memory); kinds differ in hatching too, so
that the drawing reads in grey.
"""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

import numpy as np

from terrain.compare.changes import SURE, Change
from terrain.compare.compare import Comparison
from terrain.maps.picture import plain_ticks

_STYLE = {
    Change.RAISED: ("#EE6677", "///", "raised"),
    Change.LOWERED: ("#4477AA", "\\\\\\", "lowered"),
    Change.APPEARED: ("#AA3377", "xxx", "new surface"),
    Change.REMOVED: ("#66CCEE", "...", "surface gone"),
    Change.LESS_HEADROOM: ("#CCBB44", "+++", "less headroom"),
    Change.MORE_HEADROOM: ("#228833", "ooo", "more headroom"),
    Change.ONLY_BEFORE: ("#FFFFFF", "---", "seen before only"),
    Change.ONLY_AFTER: ("#FFFFFF", "|||", "seen after only"),
}
_SEEN_TWICE, _UNSEEN = 0.86, 1.0
_DPI = 150
_NUMBERED = 30


def draw_changes(comparison: Comparison, out: Path) -> None:
    """Draw the areas of all levels as PNG; equal comparisons give equal bytes."""
    import matplotlib.style
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.patches import Patch

    shape = comparison.layers[0].change.shape
    width_m, height_m = shape[1] * comparison.cell_m, shape[0] * comparison.cell_m
    x1, y1 = comparison.x0_m + width_m, comparison.y0_m + height_m
    seen = np.zeros(shape, dtype=bool)
    for layer in comparison.layers:
        seen |= np.isfinite(layer.height_change_m)
    with matplotlib.style.context("default"):
        figure = Figure(figsize=(10.0, min(10.0, max(4.0, 2.6 + 7.0 * height_m / width_m))), dpi=_DPI)
        FigureCanvasAgg(figure)
        plan = figure.add_axes((0.08, 0.12, 0.66, 0.78))
        grey = np.where(seen, _SEEN_TWICE, _UNSEEN)
        extent = (comparison.x0_m, x1, comparison.y0_m, y1)
        plan.imshow(grey, origin="lower", extent=extent, cmap="gray", vmin=0, vmax=1, interpolation="none")
        for area in reversed(comparison.areas):
            _draw_area(plan, area)
        for area in comparison.areas[:_NUMBERED]:
            _number(plan, area)
        plan.set(xlim=(comparison.x0_m, x1), ylim=(comparison.y0_m, y1), xlabel="x, metres", ylabel="y, metres")
        plan.set_aspect("equal")
        plain_ticks(plan)
        kinds = sorted({area.change for area in comparison.areas})
        handles = [
            Patch(facecolor=_STYLE[k][0], hatch=_STYLE[k][1], edgecolor="black", linewidth=0.6, label=_STYLE[k][2])
            for k in kinds
        ]
        handles += [
            Patch(facecolor=str(_SEEN_TWICE), edgecolor="black", linewidth=0.6, label="seen in both, no change")
        ]
        handles += [Patch(facecolor="white", edgecolor="black", linewidth=0.6, label="not seen in both")]
        figure.legend(handles=handles, loc="upper left", bbox_to_anchor=(0.76, 0.9), frameon=False, fontsize=9)
        title = textwrap.shorten(f"Changes from {comparison.before.path.name} to {comparison.after.path.name}", 90)
        figure.text(0.08, 0.95, title, fontsize=12, weight="bold", parse_math=False)
        count = len(comparison.changed)
        note = (
            f"{count} {'area' if count == 1 else 'areas'} changed, beyond {comparison.factor:.2f} sds; numbers as in "
            "the table. Heights and headroom as two surveys saw them; no safety function."
        )
        figure.text(0.08, 0.03, note, fontsize=8)
        figure.savefig(out, format="png", dpi=_DPI, metadata={"Software": "terrain"})


def _draw_area(plan: Any, area: Any) -> None:
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline

    colour, hatch, _ = _STYLE[area.change]
    parts = area.outline.geoms if area.outline.geom_type == "MultiPolygon" else [area.outline]
    rings = [ring for part in parts for ring in (part.exterior, *part.interiors)]
    path = Outline.make_compound_path(*(Outline(np.asarray(ring.coords)[:, :2], closed=True) for ring in rings))
    plan.add_patch(PathPatch(path, facecolor=colour, hatch=hatch, edgecolor="black", linewidth=0.7, zorder=2))


def _number(plan: Any, area: Any) -> None:
    where = area.outline.representative_point()
    weight = "bold" if area.change in SURE else "normal"
    plan.annotate(
        str(area.number),
        (where.x, where.y),
        xytext=(9, 9),
        textcoords="offset points",
        fontsize=8,
        weight=weight,
        bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "black", "linewidth": 0.5},
        arrowprops={"arrowstyle": "-", "linewidth": 0.6},
        zorder=3,
    )
