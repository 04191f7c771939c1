"""What the page asks of other readers of maps: ground that nobody saw, and what changed since an earlier pass."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from terrain.maps.store import TerrainMap, open_map

MOST_AREAS = 200


def unseen(terrain_map: TerrainMap, route_m: Sequence[tuple[float, float]]) -> dict[str, Any]:
    """Return unseen ground that matters, ranked, and where to stand to see it; see `terrain unseen`.

    Raises
    ------
    DataError
        The map has no level, or the route is a single point.
    """
    from terrain.maps.blind_spots import find_blind_spots
    from terrain.maps.blind_words import CAUTION, describe

    found = find_blind_spots(terrain_map, route_m=route_m)
    words = describe(terrain_map, found)
    for row, spot in zip(words["spots"], found.spots, strict=True):
        del row["outline_wkt"]
        row["rings_m"] = rings_of(spot.outline)
    return {
        "spots": words["spots"],
        "stops": words["stops"],
        "sensor": words["sensor"],
        "route_m": words["route_m"],
        "caution": CAUTION,
    }


def changes(earlier: Path, terrain_map: TerrainMap) -> dict[str, Any]:
    """Return what changed from an earlier map to this one beyond the uncertainty of both; see `terrain compare`.

    Raises
    ------
    TerrainError
        The earlier folder is no map, or the two do not lie in one frame.
    """
    from terrain.compare.compare import compare_maps
    from terrain.compare.output import CAUTION, notes_of, row_of

    comparison = compare_maps(open_map(earlier), terrain_map)
    changed = comparison.changed
    return {
        "earlier": comparison.before.name,
        "earlier_made": str(comparison.before.manifest.get("created", ""))[:10],
        "areas": [{**row_of(area), "rings_m": rings_of(area.outline)} for area in changed[:MOST_AREAS]],
        "left_out": max(0, len(changed) - MOST_AREAS),
        "warnings": list(comparison.warnings),
        "caution": " ".join((*notes_of(comparison), CAUTION)),
    }


def rings_of(outline: Any) -> list[list[list[float]]]:
    """Return the rings of a polygon or multipolygon, [x, y] in metres."""
    import shapely

    polygons = getattr(outline, "geoms", [outline])
    rings = [ring for polygon in polygons for ring in (polygon.exterior, *polygon.interiors)]
    return [np.round(shapely.get_coordinates(ring), 3).tolist() for ring in rings]
