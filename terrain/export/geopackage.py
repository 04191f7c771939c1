"""GeoPackage: the patches, and areas of one label and reasons."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from terrain.errors import DataError
from terrain.export.source import Cells, Source
from terrain.maps.files import why_not_written
from terrain.maps.frame import ENGINEERING_WKT
from terrain.maps.polygons import fixed_date, write_patches
from terrain.maps.words import LABEL_WORDS, reason_words

AREAS = "areas"


def write_geopackage(path: Path, source: Source) -> None:
    """Write layers `patches`, as in a map folder, and `areas`: neighbouring cells that have label and reasons alike.

    Both have people's decisions in them. Areas are polygons along the cells' borders; `cells` counts them.

    Raises
    ------
    DataError
        GDAL cannot write there.
    """
    import shapely
    from pyogrio import raw
    from pyogrio.errors import DataLayerError, DataSourceError, FeatureError, GeometryError

    path.unlink(missing_ok=True)  # GDAL takes an empty file for a damaged GeoPackage
    write_patches(path, source.patches())
    parts = [_areas(cells) for cells in source.cells()]
    geometry = [shape for shapes, _ in parts for shape in shapes]
    columns: dict[str, Any] = {
        name: np.concatenate([columns[name] for _, columns in parts] or [np.empty(0, dtype=object)])
        for name in ("level", "label", "reasons", "cells", "area_m2")
    }
    try:
        with fixed_date():
            raw.write(
                path,
                geometry=shapely.to_wkb(np.array(geometry, dtype=object), byte_order=1),
                field_data=list(columns.values()),
                fields=list(columns),
                layer=AREAS,
                driver="GPKG",
                geometry_type="Polygon",
                crs=ENGINEERING_WKT,
                append=False,
                dataset_options={"VERSION": "1.3"},
                layer_options={"SRID": "-1"},
            )
    except (DataSourceError, DataLayerError, FeatureError, GeometryError) as error:
        raise DataError(f"{path}: cannot write the areas: {why_not_written(path, error)}") from error


def _areas(cells: Cells) -> tuple[list[Any], dict[str, Any]]:
    """Return polygons and their columns, from the lowest row up."""
    import shapely
    from rasterio import Affine, features

    raster = cells.raster
    words = reason_words(cells.reason)
    label = cells.take("label").astype(np.int32)
    code = np.zeros(raster.label.shape, dtype=np.int32)
    code[cells.row, cells.column] = 1 + words.number * len(LABEL_WORDS) + label
    transform = Affine(raster.cell_m, 0.0, raster.x0_m, 0.0, raster.cell_m, raster.y0_m)
    found = list(features.shapes(code, mask=code > 0, connectivity=4, transform=transform))
    shapes = [shapely.geometry.shape(shape) for shape, _ in found]
    number = np.array([int(value) - 1 for _, value in found], dtype=np.int64)
    area = shapely.area(np.array(shapes, dtype=object)) if shapes else np.empty(0)
    return shapes, {
        "level": np.full(len(found), raster.level, dtype=np.int32),
        "label": np.array(LABEL_WORDS, dtype=object)[number % len(LABEL_WORDS)],
        "reasons": np.array(words.table or ("",), dtype=object)[number // len(LABEL_WORDS)],
        "cells": np.rint(area / raster.cell_m**2).astype(np.int64),
        "area_m2": np.round(area, 6),
    }
