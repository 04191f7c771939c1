"""CSV: one row a cell."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from terrain.export.source import Cells, Source
from terrain.maps.words import label_words, reason_words

COLUMNS = (
    "x_m",
    "y_m",
    "height_m",
    "level",
    "label",
    "reasons",
    "best_yaw_deg",
    "yaw_share",
    "height_sd_m",
    "slope_deg",
    "roughness_mm",
    "headroom_m",
    "points",
    "patch_id",
)
_BLOCK = 65_536


def write_csv(path: Path, source: Source) -> None:
    """Write cells with ground as CSV (RFC 4180 but for line ends); what has no value is empty, `inf` is no ceiling."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        for cells in source.cells():
            for first in range(0, len(cells), _BLOCK):
                writer.writerows(_rows(cells, slice(first, first + _BLOCK)))


def _rows(cells: Cells, part: slice) -> Iterator[tuple[Any, ...]]:
    chosen = Cells(cells.raster, cells.row[part], cells.column[part], cells.reason[part])
    xyz, patch = chosen.xyz_m(), chosen.take("patch_id")
    columns = (
        _texts(xyz[:, 0], 4),
        _texts(xyz[:, 1], 4),
        _texts(xyz[:, 2], 4),
        [str(cells.raster.level)] * len(chosen),
        label_words(chosen.take("label").astype(np.uint8)).to_list(),
        reason_words(chosen.reason).to_list(),
        _texts(np.degrees(chosen.take("best_yaw_rad")), 1),
        _texts(chosen.take("yaw_share"), 4),
        _texts(chosen.take("height_sd_m"), 5),
        _texts(np.degrees(chosen.take("slope_rad")), 3),
        _texts(chosen.take("roughness_m") * 1000.0, 3),
        _texts(chosen.take("headroom_m"), 3),
        _texts(chosen.take("points"), 0),
        ["" if k < 0 else str(k) for k in patch.tolist()],
    )
    return zip(*columns, strict=True)


def _texts(values: Any, decimals: int) -> list[str]:
    tidy = np.round(np.asarray(values, dtype=np.float64), decimals) + 0.0  # no minus zero
    return ["" if math.isnan(value) else f"{value:.{decimals}f}" for value in tidy.tolist()]
