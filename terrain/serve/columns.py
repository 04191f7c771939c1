"""Verdicts as columns, named and in the units of the files: what JSON and Arrow answers are made of."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from terrain.data import FloatArray, IntArray, Verdicts
from terrain.maps.answers import verdict_numbers
from terrain.maps.heights import Heights
from terrain.maps.nearest import Nearest
from terrain.maps.polygons import PatchTable, patch_numbers
from terrain.maps.screened import Screened
from terrain.maps.words import Words, label_words, reason_words

Columns = dict[str, Any]
"""Name -> (n,) float64 with NaN for no value, (n,) integers with -1 for none, or `Words`."""
_DECIMALS = 6
_ROUNDED_TO = 1e9


def verdict_columns(verdicts: Verdicts, deciders: Mapping[int, str]) -> Columns:
    """Return placements and verdicts; `measured_label`, `decision` and `overruled_by` tell what people decided.

    deciders: the number of each decision in force, and who made it.
    """
    placement = verdicts.placement
    return {
        "x_m": placement[:, 0],
        "y_m": placement[:, 1],
        "yaw_deg": np.degrees(placement[:, 2]),
        "level_z_m": placement[:, 3],
        "z_m": verdicts.z_m,
        "label": label_words(verdicts.label),
        "reasons": reason_words(verdicts.reason),
        **verdict_numbers(verdicts),
        "patch_id": verdicts.patch_id,
        "level": verdicts.level,
        "measured_label": label_words(verdicts.measured_label),
        "decision": verdicts.overrule,
        "overruled_by": _who(verdicts.overrule, deciders),
    }


def _who(decision: IntArray, deciders: Mapping[int, str]) -> Words:
    numbers = sorted(deciders)
    place = np.searchsorted(numbers, decision)
    known = np.isin(decision, numbers)
    return Words(np.where(known, place + 1, 0), ("", *(deciders[number] for number in numbers)))


def screen_columns(screened: Screened) -> Columns:
    """Return 1 or 0 for each placement; neither: past a limit, or not seen enough."""
    return {"steppable": screened.steppable.astype(np.int8), "marginal": screened.marginal.astype(np.int8)}


def nearest_columns(nearest: Nearest, deciders: Mapping[int, str]) -> Columns:
    """Return what was found, then how far it is; `found` is 1 or 0."""
    return {
        **verdict_columns(nearest.verdicts, deciders),
        "found": nearest.found.astype(np.int8),
        "moved_m": nearest.moved_m,
        "turned_deg": np.degrees(nearest.turned_rad),
    }


def height_columns(heights: Heights, spots: FloatArray) -> Columns:
    """Return (n, 3) spots and the ground there."""
    return {
        "x_m": spots[:, 0],
        "y_m": spots[:, 1],
        "level_z_m": spots[:, 2],
        "height_m": heights.z_m,
        "height_sd_m": heights.sd_m,
        "patch_id": heights.patch_id,
        "level": heights.level,
    }


def patch_columns(table: PatchTable) -> Columns:
    """Return patches with their outlines as well-known text (ISO 19125), z included."""
    import shapely

    def words(values: list[str]) -> Words:
        known, number = np.unique(np.array(values, dtype=object), return_inverse=True)
        return Words(number, tuple(known.tolist()))

    return {
        "patch_id": table.patch_id,
        "level": table.level,
        "label": label_words(table.label),
        "reasons": words([";".join(row) for row in table.reasons]),
        **patch_numbers(table),
        "outline_wkt": words([str(shapely.to_wkt(outline, rounding_precision=4)) for outline in table.outline]),
    }


def json_columns(columns: Mapping[str, Any]) -> dict[str, list[Any]]:
    """Return columns as lists of JSON values: no value is null, numbers are rounded as in verdict tables."""
    return {name: _json_list(values) for name, values in columns.items()}


def _json_list(values: Any) -> list[Any]:
    if isinstance(values, Words):
        return values.to_list()
    if values.dtype.kind == "f":
        small = np.abs(values) < _ROUNDED_TO  # rounding would overflow on the largest numbers
        out = np.where(small, np.round(np.where(small, values, 0.0), _DECIMALS) + 0.0, values).tolist()  # no minus zero
        for row in np.flatnonzero(~np.isfinite(values)).tolist():
            out[row] = None
        return list(out)
    return [None if value < 0 else value for value in values.tolist()]
