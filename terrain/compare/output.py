"""A comparison on disk: a folder with a table, JSON, polygons, rasters and a plan; all of it, or nothing."""

from __future__ import annotations

import csv
import json
import math
import os
import shutil
import tempfile
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from terrain.compare.areas import ChangedArea
from terrain.compare.changes import HEADROOM, SEEN_ONCE, SURFACES, Change, ChangeLayer
from terrain.compare.compare import Comparison
from terrain.data import Label
from terrain.errors import DataError
from terrain.maps.frame import ENGINEERING_WKT
from terrain.maps.rasters import geotiff_profile, save_cog

FORMAT = "terrain changes"
FORMAT_VERSION = 1
SUMMARY = "changes.json"
LAYER = "changes"
BANDS = ("change", "height_change_m", "lod_m", "headroom_change_m", "label_before", "label_after")
CAUTION = (
    "Heights and headroom only, as two surveys saw them. What moved and came back, became soft, wet or loose, or was "
    "seen by neither pass is not in it. No safety function; look before you step."
)
HEADROOM_NOTE = (
    "What no beam crossed overhead counts as free, so a change of headroom may be a thing that one pass did not see; "
    "no false-alarm rate is claimed for it."
)
SURFACE_NOTE = (
    "A surface counts as new or gone where the other pass saw ground beneath it and nothing overhead. A pass that did "
    "not look up there saw the same: look before you believe it; no false-alarm rate is claimed for it."
)
_COLUMNS = (
    "number", "change", "level", "area_m2", "area_u_m2", "height_change_m", "height_change_u_m", "largest_m",
    "headroom_change_m", "label_before", "label_after", "steppable_lost_m2", "steppable_won_m2", "x_m", "y_m",
)  # fmt: skip


def row_of(area: ChangedArea) -> dict[str, Any]:
    """Return an area as JSON values in the order of the table; None where a quantity has no value."""
    values = (
        area.number,
        area.change.word,
        area.level,
        area.area_m2,
        area.area_u_m2,
        area.height_change_m,
        area.height_change_u_m,
        area.largest_m,
        area.headroom_change_m,
        area.label_before.word,
        area.label_after.word,
        area.lost_m2,
        area.won_m2,
        *area.centre_m,
    )
    return {name: _plain(value) for name, value in zip(_COLUMNS, values, strict=True)}


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 4) + 0.0 if math.isfinite(value) else None
    return value


def describe(comparison: Comparison) -> dict[str, Any]:
    """Return the comparison as JSON values: what was compared, by which threshold, and every area."""
    both = Label.UNOBSERVED, Label.STEPPABLE, Label.MARGINAL, Label.UNSTEPPABLE
    registration = comparison.registration
    return {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "before": _source(comparison.before),
        "after": _source(comparison.after),
        "threshold": {
            "formula": "factor * (sqrt(sd_before^2 + sd_after^2) + registration), at least least_height",
            "factor": round(comparison.factor, 4),
            "lod95_factor": 1.96,
            "false_alarm": comparison.settings.false_alarm,
            "comparisons": comparison.comparisons,
            "least_height_m": comparison.settings.least_height_m,
            "least_area_m2": comparison.settings.least_area_m2,
            "edge_m": comparison.settings.edge_m,
            "loose_scatter": round(comparison.loose_scatter, 3),
        },
        "registration": {
            "used_m": round(registration.used_m, 6),
            "measured_m": None if registration.measured_m is None else round(registration.measured_m, 6),
            "stated_m": round(registration.stated_m, 6),
            "offset_m": round(registration.offset_m, 6),
            "blocks": registration.blocks,
        },
        "area_m2": {kind.word: round(value, 4) for kind, value in comparison.area_m2.items() if kind != Change.UNSEEN},
        "labels_m2": {
            f"{was.word} to {now.word}": round(comparison.moved_m2[was][now], 4) for was in both for now in both
        },
        "areas": [{**row_of(area), "outline_wkt": area.outline.wkt} for area in comparison.areas],
        "warnings": list(comparison.warnings),
        "notes": [HEADROOM_NOTE, SURFACE_NOTE],
        "caution": CAUTION,
    }


def _source(terrain_map: Any) -> dict[str, Any]:
    manifest = terrain_map.manifest
    return {
        "map": terrain_map.path.name,
        "survey": terrain_map.name,
        "created": manifest.get("created"),
        "inputs": [{"path": item["path"], "sha256": item["sha256"]} for item in manifest.get("inputs", [])],
    }


# --------------------------------------------------------------------------- text


def notes_of(comparison: Comparison) -> tuple[str, ...]:
    """Return what must be known of the kinds of change that are listed."""
    kinds = {area.change for area in comparison.areas}
    notes = ((HEADROOM, HEADROOM_NOTE), (SURFACES, SURFACE_NOTE))
    return tuple(words for which, words in notes if kinds & set(which))


def format_table(comparison: Comparison, *, rows: int = 20) -> str:
    """Return a summary and the largest areas as text."""
    lines = [_headline(comparison), ""]
    shown = comparison.areas[:rows]
    if shown:
        width = 2 + max(len(_place(area)) for area in shown)  # of map frames with large coordinates too
        lines.append(f"{'no':>3}  {'change':<14}{'area, m2':<17}{'height, m':<18}{'at x, y':<{width}}label")
        lines += [_line(area, width) for area in shown]
    if len(comparison.areas) > rows:
        lines.append(f"     and {len(comparison.areas) - rows} smaller ones, in the table and the layer")
    was, now = Label.STEPPABLE, (Label.MARGINAL, Label.UNSTEPPABLE, Label.UNOBSERVED)
    lost = sum(comparison.moved_m2[was][k] for k in now)
    won = sum(comparison.moved_m2[k][was] for k in now)
    lines += ["", *textwrap.wrap(_labels_line(comparison, lost, won), 110)]
    lines += [line for words in comparison.warnings for line in textwrap.wrap(f"note: {words}", 110)]
    lines += [line for words in notes_of(comparison) for line in textwrap.wrap(f"note: {words}", 110)]
    lines += ["", *textwrap.wrap(CAUTION, 110)]
    return "\n".join(lines)


def _labels_line(comparison: Comparison, lost: float, won: float) -> str:
    words = f"Of ground seen in both, {lost:.2f} m2 are no longer steppable and {won:.2f} m2 have become so"
    twice = [area for area in comparison.areas if area.change not in (*SEEN_ONCE, *SURFACES)]
    inside = sum(area.lost_m2 for area in twice), sum(area.won_m2 for area in twice)
    return (
        f"{words}; {inside[0]:.2f} and {inside[1]:.2f} m2 of that in areas listed as changed. Elsewhere no change was "
        "found: how densely a pass saw the ground changes labels too."
    )


def _headline(comparison: Comparison) -> str:
    changed = comparison.changed
    what = f"{len(changed)} areas changed" if len(changed) != 1 else "1 area changed"
    settings, apart = comparison.settings, comparison.registration
    return (
        f"{what if changed else 'No change'} from {comparison.before.path.name} to {comparison.after.path.name}: "
        f"beyond {comparison.factor:.2f} sds and {settings.least_height_m * 1000:.0f} mm, on "
        f"{settings.least_area_m2 * 1e4:.0f} cm2 and more.\n"
        f"The chance to report any height that did not change is held to {settings.false_alarm:.0%} "
        f"({comparison.comparisons} independent heights).\n"
        f"Ground that stayed lies {max(apart.used_m * 1000, 0.1):.1f} mm apart or less (1 sd); offset "
        f"{round(apart.offset_m * 1000, 1) + 0.0:+.1f} mm."
    )


def _place(area: ChangedArea) -> str:
    return f"{area.centre_m[0]:.2f}, {area.centre_m[1]:.2f}"


def _line(area: ChangedArea, width: int) -> str:
    size = f"{area.area_m2:.3f} ± {area.area_u_m2:.3f}"
    height = (
        f"{area.height_change_m:+.3f} ± {area.height_change_u_m:.3f}" if math.isfinite(area.height_change_m) else ""
    )
    labels = f"{area.label_before.word} to {area.label_after.word}" if area.change not in SEEN_ONCE else ""
    return f"{area.number:>3}  {area.change.word:<14}{size:<17}{height:<18}{_place(area):<{width}}{labels}".rstrip()


# --------------------------------------------------------------------------- files


def write_comparison(out: Path, comparison: Comparison, *, replace: bool = False) -> None:
    """Write `changes.json`, `.csv`, `.gpkg`, `.png` and `changes-level-K.tif` into a new folder.

    Raises
    ------
    DataError
        The name is taken (by something else than an older comparison, where `replace` is set), or the disk refuses.
    """
    check_out(out, replace=replace)
    with _folder(out) as draft:
        text = json.dumps(describe(comparison), indent=2, ensure_ascii=False, allow_nan=False)
        (draft / SUMMARY).write_text(text + "\n", encoding="utf-8")
        with (draft / "changes.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, _COLUMNS, lineterminator="\n")
            writer.writeheader()
            writer.writerows(row_of(area) for area in comparison.areas)
        write_polygons(draft / "changes.gpkg", comparison.areas)
        for layer in comparison.layers:
            write_layer(draft / f"changes-level-{layer.level}.tif", layer, comparison)
        from terrain.compare.plan import draw_changes

        draw_changes(comparison, draft / "changes.png")


def check_out(out: Path, *, replace: bool) -> None:
    """Raise unless a comparison may be written to `out`."""
    if not os.path.lexists(out):
        return
    if not replace:
        raise DataError(f"{out}: exists already, expected a name that is not taken (or --replace)")
    try:
        old = json.loads((out / SUMMARY).read_text(encoding="utf-8")).get("format")
    except (OSError, ValueError, AttributeError):
        old = None
    if old != FORMAT:
        raise DataError(f"{out}: is no comparison that could be replaced; nothing was touched")


@contextmanager
def _folder(out: Path) -> Iterator[Path]:
    """Yield a temporary folder beside `out` that gets its name when the block ends well."""
    draft = None
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        draft = Path(tempfile.mkdtemp(prefix=f".{out.name}.partial-", dir=out.parent))
        yield draft
        umask = os.umask(0)
        os.umask(umask)
        draft.chmod(0o777 & ~umask)
        if out.exists():
            old = Path(tempfile.mkdtemp(prefix=f".{out.name}.old-", dir=out.parent))
            out.rename(old / "old")
            try:
                draft.rename(out)
            except OSError:
                (old / "old").rename(out)
                raise
            finally:
                shutil.rmtree(old, ignore_errors=True)
        else:
            draft.rename(out)
    except OSError as error:
        raise DataError(f"{out}: cannot write the comparison: {error.strerror or error}") from error
    finally:
        if draft is not None:
            shutil.rmtree(draft, ignore_errors=True)


def write_polygons(path: Path, areas: tuple[ChangedArea, ...]) -> None:
    """Write the areas as layer `changes` of a GeoPackage, srs_id -1 (undefined Cartesian), dates zeroed."""
    import shapely
    from pyogrio import raw

    from terrain.maps.polygons import fixed_date

    rows = [row_of(area) for area in areas]
    numbers = {name: np.array([row[name] for row in rows], dtype=object) for name in _COLUMNS}
    for name in ("number", "level"):
        numbers[name] = numbers[name].astype(np.int32)
    for name in set(_COLUMNS) - {"number", "level", "change", "label_before", "label_after"}:
        numbers[name] = numbers[name].astype(np.float64)
    shape = np.array([_as_multi(area.outline) for area in areas], dtype=object)
    with fixed_date():
        raw.write(
            path,
            geometry=shapely.to_wkb(shape, byte_order=1),
            field_data=[numbers[name] for name in _COLUMNS],
            fields=list(_COLUMNS),
            layer=LAYER,
            driver="GPKG",
            geometry_type="MultiPolygon",
            crs=ENGINEERING_WKT,
            dataset_options={"VERSION": "1.3"},
            layer_options={"SRID": "-1"},
        )


def _as_multi(outline: Any) -> Any:
    import shapely

    return outline if outline.geom_type == "MultiPolygon" else shapely.MultiPolygon([outline])


def write_layer(path: Path, layer: ChangeLayer, comparison: Comparison) -> None:
    """Write one level as a Cloud-optimised GeoTIFF, float32, nodata NaN; bands: `BANDS`."""
    import rasterio
    from rasterio.io import MemoryFile

    profile = geotiff_profile(
        layer.change.shape, len(BANDS), x0_m=comparison.x0_m, y0_m=comparison.y0_m, cell_m=comparison.cell_m
    )
    with rasterio.Env(), MemoryFile() as memory:
        with memory.open(**profile) as draft:
            for number, name in enumerate(BANDS, start=1):
                band = np.array(getattr(layer, name), dtype=np.float32)
                if name == "change":
                    band[layer.change == Change.UNSEEN] = np.nan
                draft.write(band[::-1], number)
                draft.set_band_description(number, name)
            draft.update_tags(
                CRS_WKT=ENGINEERING_WKT,
                LEVEL=str(layer.level),
                CHANGES=", ".join(f"{kind.value} {kind.word}" for kind in Change),
                LABELS=", ".join(f"{label.value} {label.word}" for label in Label),
            )
        with memory.open() as draft:
            save_cog(draft, path, COMPRESS="DEFLATE", OVERVIEW_RESAMPLING="NEAREST")
