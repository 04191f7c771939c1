"""Everything a report says, as plain values, before it becomes a page."""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import Label, LevelRaster
from terrain.maps.blind_spots import BlindSpots, eye_of, find_blind_spots
from terrain.maps.blind_words import stop_names
from terrain.maps.manifest import CAUTIONS
from terrain.maps.overrules import OverruleLayer, read_overrules
from terrain.maps.store import TerrainMap
from terrain.report.checks import checks_of, history_of
from terrain.report.figures import blind_png, key_svg, plan_png, section_svg
from terrain.report.sections import Line, cut, default_lines

COVERAGE = 2.0
"""U = 2 u, about 95 % (JCGM 100:2008, from memory)."""
_COLUMNS = (
    "Slope: ± 2 sd of what chance makes of it; what tilts all of a map, such as the mount, is not in it (see the "
    "sensor check). Falls to: direction of the fall, counter-clockwise from x. Rough: RMS. Inset: radius of the "
    "largest circle inside. Footholds: share of the patch where the sole can be put down in at least one direction."
)
_STAIRCASE = math.pi / 4.0
"""A border drawn by cells is on average 4/pi times as long as the line it follows (Cauchy-Crofton, two directions)."""
_LIMIT_WORDS = {
    "slope_deg": "slope of the resting sole, degrees",
    "roughness_mm": "roughness under it, mm RMS",
    "support": "share of the sole carried",
    "rocking_m": "load inside the carried area, m",
    "edge_m": "sole to the nearest edge, m",
    "beside_m": "sole to the nearest thing beside, m",
    "observed": "share of the sole's area seen",
}


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing as a data URI, with words for those who do not see it."""

    source: str
    words: str
    caption: str


@dataclass(frozen=True, slots=True, eq=False)
class Report:
    """What goes into the page; all texts plain, all numbers formatted."""

    title: str
    facts: tuple[tuple[str, str], ...]
    areas: tuple[tuple[str, str, str, str], ...]
    plans: tuple[Figure, ...]
    key: Figure | None
    sections: tuple[Figure, ...]
    patches: tuple[tuple[str, ...], ...]
    patches_note: str
    limits: tuple[tuple[str, str, str], ...]
    blind: Figure | None
    spots: tuple[tuple[str, ...], ...]
    stops: tuple[tuple[str, str, str], ...]
    blind_note: str
    checks: tuple[tuple[str, ...], ...]
    checks_note: str
    overrules: tuple[tuple[str, ...], ...]
    overrules_note: str
    inputs: tuple[tuple[str, str, str], ...]
    dropped: tuple[tuple[str, str], ...]
    settings: tuple[tuple[str, str], ...]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]


def collect(
    terrain_map: TerrainMap,
    *,
    lines: Sequence[Line] = (),
    sensor_height_m: float = 0.6,
    most_patches: int = 300,
    checks_file: Path | None = None,
) -> Report:
    """Return what a report of the map says.

    Parameters
    ----------
    lines : sequence of Line
        Sections; none for one along the site and one across it.
    sensor_height_m : float
        For the viewpoints of blind spots.
    most_patches : int
        So many patches are listed, the largest first; none that is smaller than the sole.
    checks_file : Path, optional
        The history of sensor checks; left out, it is looked for in and beside the map.
    """
    manifest = terrain_map.manifest
    rasters = [terrain_map.level(k) for k in terrain_map.levels]
    blind = find_blind_spots(terrain_map, eye=eye_of(terrain_map, height_m=sensor_height_m)) if rasters else None
    cuts = tuple(lines) or default_lines(terrain_map)
    patches, patches_note = patch_rows(terrain_map, most_patches)
    overrules = read_overrules(terrain_map.path)
    checks, checks_note = checks_of(terrain_map, history_of(terrain_map, checks_file))
    return Report(
        title=terrain_map.name,
        facts=_facts(terrain_map, overrules),
        areas=label_areas(terrain_map, rasters),
        plans=_plans(terrain_map),
        key=_key(terrain_map, cuts),
        sections=tuple(_section(terrain_map, line) for line in cuts),
        patches=patches,
        patches_note=patches_note,
        limits=tuple(
            (_LIMIT_WORDS.get(name, name), f"{pair['comfort']:g}", f"{pair['limit']:g}")
            for name, pair in manifest["limits"].items()
        ),
        blind=_blind_figure(terrain_map, blind),
        spots=_spots(blind),
        stops=_stops(blind),
        blind_note=_blind_note(blind),
        checks=checks,
        checks_note=checks_note,
        overrules=decision_rows(overrules),
        overrules_note=decisions_note(overrules),
        inputs=tuple((i["path"], f"{i['size_bytes']:,}", i["sha256"]) for i in manifest["inputs"]),
        dropped=tuple((reason, f"{n:,}") for reason, n in manifest["counts"]["points_dropped"].items()),
        settings=tuple(_flat(manifest.get("settings", {}))),
        warnings=tuple(manifest.get("warnings", ())),
        cautions=tuple(manifest.get("cautions", CAUTIONS)),
    )


# --------------------------------------------------------------------------- numbers


def _facts(terrain_map: TerrainMap, overrules: OverruleLayer) -> tuple[tuple[str, str], ...]:
    manifest, counts = terrain_map.manifest, terrain_map.manifest["counts"]
    software = manifest["software"]
    refine = manifest.get("refine", {})
    return (
        ("map", terrain_map.path.resolve().name),
        ("made", str(manifest["created"])),
        ("with", f"{software['name']} {software['version']}"),
        ("foot", f"{terrain_map.foot.name}"),
        ("points", f"{counts['points_read']:,} read, {counts['points_kept']:,} used"),
        ("patches", f"{counts['patches']:,} on {len(terrain_map.levels)} level(s)"),
        ("poses", str(refine.get("note") or ("corrected" if refine.get("corrected") else "used as they are"))),
        ("decisions in force", str(len(overrules.in_force()))),
        ("SHA-256 of map.json", overrules.map_id),
    )


def label_areas(terrain_map: TerrainMap, rasters: list[LevelRaster]) -> tuple[tuple[str, str, str, str], ...]:
    """Return label, area, its U and its share: ground of all levels, as decisions in force leave it."""
    area, border = dict.fromkeys(Label, 0.0), dict.fromkeys(Label, 0.0)
    for raster in rasters:
        ground = np.isfinite(raster.height_m)
        for label in Label:
            mask = ground & (raster.label == label)
            area[label] += float(np.count_nonzero(mask)) * raster.cell_m**2
            border[label] += _border(mask) * raster.cell_m * _STAIRCASE
    total = sum(area.values())
    sd = _border_sd(terrain_map, rasters)
    order = (Label.STEPPABLE, Label.MARGINAL, Label.UNSTEPPABLE, Label.UNOBSERVED)
    rows = [
        (label.word, f"{area[label]:.2f}", f"{COVERAGE * border[label] * sd:.2f}", _share(area[label], total))
        for label in order
    ]
    return (*rows, ("all ground", f"{total:.2f}", "", ""))


def _share(part: float, whole: float) -> str:
    return f"{part / whole:.1%}" if whole > 0.0 else ""


def _border(mask: Any) -> int:
    """Return how many cell sides lie between the mask and what is not of it."""
    padded = np.pad(mask, 1).astype(np.int8)
    return int(np.abs(np.diff(padded, axis=0)).sum() + np.abs(np.diff(padded, axis=1)).sum())


def _border_sd(terrain_map: TerrainMap, rasters: list[LevelRaster]) -> float:
    """Return the sd of where a border lies: of the map's edges, and of whole cells (width / sqrt(12))."""
    edges = terrain_map.ground.edge_sd_m
    edge = float(np.median(edges)) if len(edges) else 0.0
    return math.hypot(edge, (rasters[0].cell_m if rasters else 0.0) / math.sqrt(12.0))


def patch_rows(terrain_map: TerrainMap, most: int) -> tuple[tuple[tuple[str, ...], ...], str]:
    """Return the largest patches that are ground, one row each, and what is left out."""
    table = terrain_map.patches()
    ground = np.flatnonzero(table.level >= 0)
    large = ground[table.area_m2[ground] >= _area(terrain_map.foot.outline_m)]
    order = large[np.argsort(-table.area_m2[large], kind="stable")]
    rows = []
    for k in order[:most]:
        aspect = "" if math.isnan(table.aspect_rad[k]) else f"{math.degrees(table.aspect_rad[k]):.0f}"
        rows.append(
            (
                str(int(table.patch_id[k])),
                str(int(table.level[k])),
                Label(int(table.label[k])).word,
                ", ".join(table.reasons[k]),
                f"{table.area_m2[k]:.3f}",
                f"{math.degrees(table.slope_rad[k]):.2f} {_within(COVERAGE * math.degrees(table.slope_sd_rad[k]))}",
                aspect,
                f"{table.roughness_m[k] * 1000.0:.1f}",
                f"{table.inset_m[k]:.2f}",
                _footholds(table.placements[k]),
                f"{int(table.points[k]):,}",
            )
        )
    steep, left = len(table) - len(ground), len(ground) - len(rows)
    note = f"{len(ground):,} patches are ground"
    if left:
        smaller = len(ground) - len(large)
        note += (
            f"; the {len(rows):,} largest are listed, all are in patches.gpkg "
            f"({smaller:,} {'is' if smaller == 1 else 'are'} smaller than the sole)"
        )
    return tuple(rows), f"{note}. {steep:,} more are walls, sides and undersides. {_COLUMNS}"


def _within(expanded: float) -> str:
    """Return ± U; what rounds to nothing is shown as a bound, for nothing is known exactly."""
    return f"± {expanded:.2f}" if expanded >= 0.005 else "± <0.01"


def _footholds(part: float) -> str:
    """Return a share as whole percents; a little is not none, and nearly all is not all."""
    if 0.0 < part < 0.01:
        return "<1%"
    return ">99%" if 0.99 < part < 1.0 else f"{part:.0%}"


# --------------------------------------------------------------------------- figures


def _uri(data: bytes, kind: str) -> str:
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"


def _plans(terrain_map: TerrainMap) -> tuple[Figure, ...]:
    figures = []
    for level in terrain_map.levels:
        for layer, what in (("label", "labels"), ("slope", "slope of the ground")):
            if layer != "label" and level != terrain_map.levels[0]:
                continue
            words = f"Plan of level {level}: {what}."
            figures.append(Figure(_uri(plan_png(terrain_map, layer=layer, level=level), "image/png"), words, words))
    return tuple(figures)


def _key(terrain_map: TerrainMap, lines: tuple[Line, ...]) -> Figure | None:
    if not lines or not terrain_map.levels:
        return None
    words = "Where the sections lie. Light blue: steppable; darker grey: other ground."
    return Figure(_uri(key_svg(terrain_map, lines), "image/svg+xml"), words, words)


def _section(terrain_map: TerrainMap, line: Line) -> Figure:
    section = cut(terrain_map, line)
    (x0, y0), (x1, y1) = line.start_m, line.end_m
    seen = float(np.isfinite(section.height_m).any(axis=0).mean())
    caption = (
        f"Section {line.name}: from x {x0:.2f}, y {y0:.2f} to x {x1:.2f}, y {y1:.2f}, {line.length_m:.2f} m; "
        f"ground was seen on {seen:.0%} of it."
    )
    caption += " Colours and hatching as in the plan of labels, which has the legend."
    caption += " The foot finds no place on it." if section.sole is None else ""
    return Figure(_uri(section_svg(section), "image/svg+xml"), caption, caption)


def _blind_figure(terrain_map: TerrainMap, blind: BlindSpots | None) -> Figure | None:
    if blind is None or not blind.spots:
        return None
    words = "Blind spots by rank, and stops from which the next pass would see most of them."
    return Figure(_uri(blind_png(terrain_map, blind), "image/png"), words, words)


# --------------------------------------------------------------------------- blind spots, decisions


def _spots(blind: BlindSpots | None) -> tuple[tuple[str, ...], ...]:
    if blind is None:
        return ()
    return tuple(
        (
            str(spot.number),
            str(spot.level),
            f"{spot.centre_m[0]:.2f}, {spot.centre_m[1]:.2f}",
            f"{spot.area_m2:.3f}",
            f"{spot.gain_m2:.2f}" if spot.gain_m2 > 0 else "none",
            "; ".join(f"{view.x_m:.2f}, {view.y_m:.2f} ({view.sees:.0%})" for view in spot.viewpoints)
            or "no steppable place sees it",
        )
        for spot in blind.spots
    )


def _stops(blind: BlindSpots | None) -> tuple[tuple[str, str, str], ...]:
    if blind is None:
        return ()
    return tuple(
        (name, f"{stop.x_m:.2f}, {stop.y_m:.2f}", ", ".join(f"{k} ({v:.0%})" for k, v in stop.sees.items()))
        for name, stop in zip(stop_names(len(blind.stops)), blind.stops, strict=True)
    )


def _blind_note(blind: BlindSpots | None) -> str:
    if blind is None:
        return "No ground was found."
    if not blind.spots:
        return "No unseen ground between or within the seen ground is large enough to be listed."
    more = f" {blind.left_out} smaller ones are left out." if blind.left_out else ""
    return (
        f"For a sensor {blind.eye.height_m:.2f} m over the ground. The gain is the steppable ground that a blind spot "
        f"would join to the largest area beside it, if it turned out to be steppable.{more}"
    )


def decision_rows(layer: OverruleLayer) -> tuple[tuple[str, ...], ...]:
    """Return every line of the record, oldest first, with what it counts for now."""
    counting = {rule.number for rule in layer.in_force()}
    undone = {record.of: record.number for record in layer.records if record.kind == "undo"}
    rows = []
    for record in layer.records:
        if record.number in undone:
            now = f"undone by {undone[record.number]}"
        elif record.number in counting:
            now = "in force"
        elif record.kind in ("keep-out", "accept"):
            now = "lapsed: the map was made anew"
        else:
            now = f"of {record.of}"
        past = ", ".join(f"{name} as far as {value:g}" for name, value in record.past_limits.items())
        rows.append(
            (
                str(record.number),
                record.kind,
                "all" if record.level is None else str(record.level),
                f"{_area(record.area_m):.2f}" if record.area_m else "",
                past,
                record.reason,
                record.name,
                record.time,
                now,
            )
        )
    return tuple(rows)


def _area(corners: Any) -> float:
    x, y = np.array(corners).T
    return float(abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))) / 2.0)


def decisions_note(layer: OverruleLayer) -> str:
    """Return what the record means for the report."""
    if not layer.records:
        return "Nobody overruled this map."
    return "Areas, tables and plans of this report show labels as the decisions in force leave them."


def _flat(values: Any, name: str = "") -> list[tuple[str, str]]:
    """Return nested settings as dotted names and texts."""
    if isinstance(values, dict):
        return [row for key, value in values.items() for row in _flat(value, f"{name}.{key}" if name else str(key))]
    if isinstance(values, float):
        return [(name, f"{values:.9g}")]
    if isinstance(values, list):
        return [(name, ", ".join(f"{v:.6g}" if isinstance(v, float) else str(v) for v in values))]
    return [(name, "none" if values is None else str(values))]
