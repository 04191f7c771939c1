"""What is taken over, and how it becomes arrays and a JSON value and is put together again, bit by bit the same."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import Cloud, FloatArray, Grid, Ground, Patches, PatchMasks, Segmentation
from terrain.fuse.clean import WhatMoved
from terrain.fuse.move import Move
from terrain.fuse.rest import AllPoints
from terrain.fuse.spool import SpooledPoints

AnyArray = npt.NDArray[Any]


@dataclass(frozen=True, slots=True, eq=False)
class UsedPoints:
    """The points a map rests on: fused, corrected, cleaned; counts, and what there is to say of them.

    every: all points, of which the cloud is a part; None where it is all there are. Then points_kept are those of the
    cloud; else those that were fused, dropped (reason -> count) the others, and what else becomes of them is told when
    they are labelled. refine: what drift correction did, as the record of a map has it.
    """

    cloud: Cloud
    every: AllPoints | None
    points_read: int
    points_kept: int
    dropped: Mapping[str, int]
    warnings: tuple[str, ...]
    notes: tuple[str, ...]
    refine: Mapping[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class MadeGround:
    """The ground, the roughness of each patch (p,) as it was found on the way, and warnings."""

    ground: Ground
    patch_roughness_m: FloatArray
    warnings: tuple[str, ...]


KINDS: dict[str, type] = {
    kind.__name__: kind
    for kind in (
        UsedPoints, MadeGround, Cloud, Segmentation, Patches, PatchMasks, Grid, Ground,
        AllPoints, SpooledPoints, Move, WhatMoved,
    )
}  # fmt: skip
COPIED = (Move.__name__, WhatMoved.__name__)
"""Their arrays are copied when they come back: kernels would compile anew for arrays that cannot be written to."""


def taken_apart(value: Any) -> tuple[Any, list[AnyArray]]:
    """Return a JSON value and the arrays that it numbers; nothing is copied.

    Raises
    ------
    TypeError
        There is something in it that is not one of `KINDS`, an array, a polygon, text or a number.
    """
    arrays: list[AnyArray] = []
    return _apart(value, arrays), arrays


def put_together(tree: Any, arrays: Sequence[AnyArray]) -> Any:
    """Return what `taken_apart` was given.

    Raises
    ------
    KeyError, IndexError, TypeError, ValueError
        The JSON value is none that `taken_apart` makes, or does not go with the arrays.
    """
    ((kind, inner),) = tree.items()
    if kind == "value":
        return inner
    if kind == "array":
        return arrays[inner]
    if kind == "rows":
        return tuple(put_together(part, arrays) for part in inner)
    if kind == "table":
        return {name: put_together(part, arrays) for name, part in inner.items()}
    if kind == "polygons":
        return _polygons(arrays[inner[0]], arrays[inner[1]])
    fields = {name: put_together(part, arrays) for name, part in inner.items()}
    if kind in COPIED:
        fields = {name: np.array(part) if isinstance(part, np.ndarray) else part for name, part in fields.items()}
    return KINDS[kind](**fields)


def _apart(value: Any, arrays: list[AnyArray]) -> Any:
    if isinstance(value, np.bool_ | np.int64 | np.float64):
        value = value.item()
    if value is None or isinstance(value, bool | int | float | str):
        return {"value": value}
    if isinstance(value, np.ndarray):
        arrays.append(value)
        return {"array": len(arrays) - 1}
    if isinstance(value, tuple | list):
        if value and hasattr(value[0], "geom_type"):
            return {"polygons": [_apart(part, arrays)["array"] for part in _binary(value)]}
        return {"rows": [_apart(part, arrays) for part in value]}
    if isinstance(value, Mapping):
        return {"table": {str(name): _apart(part, arrays) for name, part in value.items()}}
    name = type(value).__name__
    if KINDS.get(name) is not type(value):
        raise TypeError(f"got {name}, expected one of {', '.join(KINDS)}, an array, text or a number")
    names = [field.name for field in dataclasses.fields(KINDS[name])]
    return {name: {part: _apart(getattr(value, part), arrays) for part in names}}


def _binary(polygons: Sequence[Any]) -> tuple[AnyArray, AnyArray]:
    """Return polygons as one row of well-known binary, and where each begins."""
    import shapely

    parts = [shapely.to_wkb(polygon, output_dimension=3, byte_order=1) for polygon in polygons]
    begins = np.concatenate([[0], np.cumsum([len(part) for part in parts])]).astype(np.int64)
    return np.frombuffer(b"".join(parts), dtype=np.uint8), begins


def _polygons(raw: AnyArray, begins: AnyArray) -> tuple[Any, ...]:
    import shapely

    whole = raw.tobytes()
    return tuple(shapely.from_wkb(whole[a:b]) for a, b in pairwise(begins))
