"""Blind spots as JSON, as text and as a plan."""

from __future__ import annotations

import math
import textwrap
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import Label, LevelRaster
from terrain.maps.blind_spots import BlindSpot, BlindSpots, Viewpoint
from terrain.maps.files import replacing
from terrain.maps.picture import plain_ticks
from terrain.maps.store import TerrainMap

FORMAT = "terrain blind spots"
FORMAT_VERSION = 1
CAUTION = (
    "Unseen ground is not known to be ground: the gain is what it would join if it turned out to be steppable. Stand "
    "only where you have looked yourself; a viewpoint is steppable by the map, no more."
)
_SHADE = {Label.UNOBSERVED: 255, Label.STEPPABLE: 226, Label.MARGINAL: 200, Label.UNSTEPPABLE: 170}
_SPOT, _VIEW, _ROUTE = "#AA3377", "#004488", "#222222"
_DPI = 150


def describe(terrain_map: TerrainMap, found: BlindSpots) -> dict[str, Any]:
    """Return blind spots and stops as JSON values."""
    eye = found.eye
    return {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "map": terrain_map.path.name,
        "survey": terrain_map.name,
        "foot": terrain_map.foot.name,
        "sensor": {
            "height_over_ground_m": eye.height_m,
            "min_range_m": eye.min_range_m,
            "max_range_m": eye.max_range_m,
            "below_horizontal_deg": [
                round(math.degrees(eye.shallowest_rad), 3),
                round(math.degrees(eye.steepest_rad), 3),
            ],
            "least_grazing_deg": round(math.degrees(eye.grazing_rad), 3),
        },
        "route_m": [list(corner) for corner in found.route_m],
        "walking_areas_m2": [round(area, 4) for area in found.areas_m2],
        "spots": [_spot(spot) for spot in found.spots],
        "stops": [
            {**_place(stop), "sees": {str(number): round(share, 3) for number, share in stop.sees.items()}}
            for stop in found.stops
        ],
        "left_out": {"spots": found.left_out, "area_m2": round(found.left_out_m2, 4)},
        "caution": CAUTION,
    }


def _spot(spot: BlindSpot) -> dict[str, Any]:
    return {
        "number": spot.number,
        "level": spot.level,
        "area_m2": round(spot.area_m2, 4),
        "gain_m2": round(spot.gain_m2, 4),
        "joins_m2": [round(area, 4) for area in spot.joins_m2],
        "route_m": round(spot.route_m, 3),
        "x_m": round(spot.centre_m[0], 3),
        "y_m": round(spot.centre_m[1], 3),
        "assumed_z_m": round(spot.z_m, 3),
        "viewpoints": [{**_place(view), "sees": round(view.sees, 3)} for view in spot.viewpoints],
        "seen_share": round(spot.seen_share, 3),
        "outline_wkt": spot.outline.wkt,
    }


def _place(view: Any) -> dict[str, float]:
    return {
        "x_m": round(view.x_m, 3),
        "y_m": round(view.y_m, 3),
        "ground_z_m": round(view.z_m, 3),
        "sensor_z_m": round(view.sensor_z_m, 3),
    }


# --------------------------------------------------------------------------- text


def format_table(terrain_map: TerrainMap, found: BlindSpots) -> str:
    """Return blind spots and stops as text."""
    lines = [
        f"{terrain_map.path.name}: {_counted(len(found.spots), 'blind spot')} worth a look, {_sensor_words(found)}",
        f"Steppable ground is in {_counted(len(found.areas_m2), 'area')} that steps join; the largest has "
        f"{found.areas_m2[0]:.2f} m2."
        if found.areas_m2
        else "No ground is steppable for this foot: nothing can be joined, and there is no place to look from.",
    ]
    if found.spots:
        width = 2 + max(len(_place_words(spot)) for spot in found.spots)  # of map frames with large coordinates too
        head = (
            f"{'no':>3}  {'joins, m2':<17}{'own, m2':<9}{'route, m':<10}{'at x, y, z':<{width}}look from x, y (share)"
        )
        lines += ["", head, *(_row(spot, width) for spot in found.spots)]
    if found.left_out:
        lines.append(f"     and {_counted(found.left_out, 'smaller one')}, {found.left_out_m2:.2f} m2 together")
    if found.stops:
        lines += ["", "Few stops that show most of them, the best first:"]
        for letter, stop in zip(stop_names(len(found.stops)), found.stops, strict=True):
            shows = ", ".join(f"{number} ({share:.0%})" for number, share in stop.sees.items())
            lines.append(f"  {letter}  x {stop.x_m:.2f}, y {stop.y_m:.2f}: {shows}")
    lines += ["", *textwrap.wrap(CAUTION, 110)]
    return "\n".join(lines)


def stop_names(count: int) -> list[str]:
    """Return A, B, C and so on."""
    return [chr(ord("A") + k % 26) * (1 + k // 26) for k in range(count)]


def _counted(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"


def _place_words(spot: BlindSpot) -> str:
    return f"{spot.centre_m[0]:.2f}, {spot.centre_m[1]:.2f}, {spot.z_m:.2f}"


def _row(spot: BlindSpot, width: int) -> str:
    joins = f"{spot.gain_m2:.2f} to {spot.joins_m2[0]:.2f}" if spot.gain_m2 > 0 else "nothing new"
    views = "; ".join(f"{view.x_m:.2f}, {view.y_m:.2f} ({view.sees:.0%})" for view in spot.viewpoints)
    route = f"{spot.route_m:.2f}" if spot.route_m > 0 else ""
    nowhere = "no steppable place sees it: another height, or another side"
    return (
        f"{spot.number:>3}  {joins:<17}{spot.area_m2:<9.3f}{route:<10}{_place_words(spot):<{width}}{views or nowhere}"
    )


# --------------------------------------------------------------------------- plan


def _sensor_words(found: BlindSpots) -> str:
    eye = found.eye
    return f"for a sensor {eye.height_m:.2f} m over the ground, {eye.min_range_m:g} to {eye.max_range_m:g} m"


def draw_blind_spots(terrain_map: TerrainMap, found: BlindSpots, out: Path) -> None:
    """Draw blind spots, stops and the route over the map's labels as PNG; equal input gives equal bytes."""
    with replacing(out) as draft:
        _draw(terrain_map, found, draft)


def _draw(terrain_map: TerrainMap, found: BlindSpots, out: Path) -> None:
    import matplotlib.style
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    rasters = [terrain_map.level(k) for k in terrain_map.levels]
    low = np.min([[r.x0_m, r.y0_m] for r in rasters], axis=0)
    high = np.max(
        [[r.x0_m + r.cell_m * r.label.shape[1], r.y0_m + r.cell_m * r.label.shape[0]] for r in rasters], axis=0
    )
    if found.route_m:
        low, high = np.minimum(low, np.min(found.route_m, axis=0)), np.maximum(high, np.max(found.route_m, axis=0))
    width, height = high - low
    with matplotlib.style.context("default"):
        figure = Figure(figsize=(10.0, min(10.0, max(4.0, 2.4 + 7.0 * height / width))), dpi=_DPI)
        FigureCanvasAgg(figure)
        plan = figure.add_axes((0.08, 0.12, 0.66, 0.78))
        for raster in rasters:
            extent = (
                raster.x0_m,
                raster.x0_m + raster.cell_m * raster.label.shape[1],
                raster.y0_m,
                raster.y0_m + raster.cell_m * raster.label.shape[0],
            )
            plan.imshow(_shades(raster), origin="lower", extent=extent, interpolation="none")
        plan.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]), xlabel="x, metres", ylabel="y, metres")
        plan.set_aspect("equal")
        plain_ticks(plan)
        _draw_spots(plan, found)
        _legend(figure, found)
        title = textwrap.shorten(f"Blind spots of {terrain_map.path.name}", 80)
        figure.text(0.08, 0.95, title, fontsize=12, weight="bold", parse_math=False)
        figure.text(0.08, 0.925, _sensor_words(found), fontsize=8)
        figure.text(0.08, 0.025, textwrap.fill(CAUTION, 120), fontsize=8)
        figure.savefig(out, format="png", dpi=_DPI, metadata={"Software": "terrain"})


def _shades(raster: LevelRaster) -> npt.NDArray[np.uint8]:
    """Return labels as greys, transparent where the level has nothing."""
    image = np.zeros((*raster.label.shape, 4), dtype=np.uint8)
    for label, shade in _SHADE.items():
        here = np.isfinite(raster.height_m) & (raster.label == label)
        image[here] = (shade, shade, shade, 255)
    return image


def _draw_spots(plan: Any, found: BlindSpots) -> None:
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline

    if found.route_m:
        plan.plot(*np.array(found.route_m).T, color=_ROUTE, linewidth=1.6, linestyle=(0, (6, 3)), zorder=3)
    for spot in found.spots:
        parts = spot.outline.geoms if spot.outline.geom_type == "MultiPolygon" else [spot.outline]
        rings = [ring for part in parts for ring in (part.exterior, *part.interiors)]
        path = Outline.make_compound_path(*(Outline(np.asarray(ring.coords)[:, :2], closed=True) for ring in rings))
        plan.add_patch(PathPatch(path, facecolor=_SPOT, edgecolor=_SPOT, linewidth=1.2, zorder=4))
        for view in spot.viewpoints[:1]:
            _sight(plan, view, spot)
    for letter, stop in zip(stop_names(len(found.stops)), found.stops, strict=True):
        plan.plot(stop.x_m, stop.y_m, marker="^", markersize=9, color=_VIEW, markeredgecolor="white", zorder=6)
        _tag(plan, letter, (stop.x_m, stop.y_m), (-12, 6), _VIEW)
    for spot in found.spots:
        where = spot.outline.representative_point()
        _tag(plan, str(spot.number), (where.x, where.y), (10, 8), _SPOT)


def _sight(plan: Any, view: Viewpoint, spot: BlindSpot) -> None:
    where = spot.outline.representative_point()
    plan.plot([view.x_m, where.x], [view.y_m, where.y], color=_VIEW, linewidth=0.8, linestyle=":", zorder=5)
    plan.plot(view.x_m, view.y_m, marker="o", markersize=4, color=_VIEW, markeredgecolor="white", zorder=5)


def _tag(plan: Any, words: str, at: tuple[float, float], off: tuple[int, int], colour: str) -> None:
    plan.annotate(
        words,
        at,
        xytext=off,
        textcoords="offset points",
        fontsize=8,
        weight="bold",
        color=colour,
        bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": colour, "linewidth": 0.6},
        arrowprops={"arrowstyle": "-", "linewidth": 0.6, "color": colour},
        zorder=7,
    )


def _legend(figure: Any, found: BlindSpots) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Any] = [Patch(facecolor=_SPOT, label="blind spot, by rank")]
    handles.append(Line2D([], [], marker="^", linestyle="", color=_VIEW, markersize=8, label="stop of a short pass"))
    handles.append(Line2D([], [], marker="o", linestyle=":", color=_VIEW, markersize=4, label="best view of one spot"))
    if found.route_m:
        handles.append(Line2D([], [], color=_ROUTE, linestyle="--", label="route"))
    for label, shade in _SHADE.items():
        colour = f"#{shade:02x}{shade:02x}{shade:02x}"
        handles.append(Patch(facecolor=colour, edgecolor="black", linewidth=0.5, label=label.word))
    figure.legend(handles=handles, loc="upper left", bbox_to_anchor=(0.76, 0.9), frameon=False, fontsize=9)
