"""Connected areas of one kind of change: how large, how much higher or lower, and how sure that is."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.compare.changes import HEADROOM, SEEN_ONCE, SURE, Change, ChangeLayer
from terrain.data import Label

COVERAGE = 2.0
"""U = 2 u: about 95 % (JCGM 100:2008, from memory)."""


@dataclass(frozen=True, slots=True, eq=False)
class ChangedArea:
    """One connected area of one kind of change on one level.

    area_m2 and area_u_m2 : its size, and U from the place of its border
    height_change_m, height_change_u_m : mean of the cells and its U; NaN where nothing is compared with
    largest_m : the change of the cell that changed most
    headroom_change_m : mean; NaN where one pass met nothing overhead
    label_before, label_after : the most frequent label, `Label.UNOBSERVED` where there is none
    lost_m2 : ground that was steppable and is not any more; won_m2: the reverse
    centre_m (2,), outline : shapely polygon or multipolygon, map frame
    """

    number: int
    change: Change
    level: int
    area_m2: float
    area_u_m2: float
    height_change_m: float
    height_change_u_m: float
    largest_m: float
    headroom_change_m: float
    label_before: Label
    label_after: Label
    lost_m2: float
    won_m2: float
    centre_m: tuple[float, float]
    outline: Any


def find_areas(
    layers: tuple[ChangeLayer, ...],
    *,
    x0_m: float,
    y0_m: float,
    cell_m: float,
    least_area_m2: float,
    least_single_m2: float,
    registration_m: float,
    border_sd_m: float,
) -> tuple[ChangedArea, ...]:
    """Return the areas of all levels: changes, then changes of headroom, then what was seen once; the largest first.

    Parameters
    ----------
    least_area_m2, least_single_m2 : float
        Smaller areas are left out: of changes, and of ground seen in one pass only.
    registration_m : float
        sd that all heights of an area share.
    border_sd_m : float
        sd of where a border lies in plan. All of an area's border is taken to lie out by the same, which is the worst.
    """
    areas = []
    for layer in layers:
        for kind in (*SURE, *HEADROOM, *SEEN_ONCE):
            least = least_single_m2 if kind in SEEN_ONCE else least_area_m2
            mask = layer.change == kind
            if kind in SEEN_ONCE:
                mask = _without_rims(mask)
            for cells, outline in _pieces(mask, x0_m, y0_m, cell_m, least):
                areas.append(_measure(layer, kind, cells, outline, cell_m, registration_m, border_sd_m))
    order = sorted(areas, key=_rank)
    return tuple(replace(area, number=number) for number, area in enumerate(order, start=1))


def _rank(area: ChangedArea) -> tuple[float, ...]:
    """Return what areas are sorted by: how sure the kind of change is, size, place."""
    kind = 0 if area.change in SURE else 1 if area.change in HEADROOM else 2
    return (kind, -area.area_m2, area.level, int(area.change), *area.centre_m)


def _without_rims(mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Return the mask without pieces that are nowhere three cells wide: where one pass saw a little farther."""
    from scipy.ndimage import binary_opening, binary_propagation

    block = np.ones((3, 3), dtype=bool)
    kept: npt.NDArray[np.bool_] = binary_propagation(binary_opening(mask, block), block, mask)
    return kept


def _pieces(
    mask: npt.NDArray[np.bool_], x0_m: float, y0_m: float, cell_m: float, least_m2: float
) -> list[tuple[tuple[npt.NDArray[np.intp], ...], Any]]:
    """Return cells and outline of each connected piece (by edges or corners) that is large enough."""
    import shapely
    from rasterio import Affine
    from rasterio.features import shapes
    from scipy.ndimage import find_objects, label

    numbered, count = label(mask, structure=np.ones((3, 3)))
    pieces: list[tuple[tuple[npt.NDArray[np.intp], ...], Any]] = []
    for number, window in enumerate(find_objects(numbered, max_label=count), start=1):
        own = numbered[window] == number
        if np.count_nonzero(own) * cell_m**2 < least_m2 - 1e-12:
            continue
        row, column = window[0].start, window[1].start
        place = Affine(cell_m, 0.0, x0_m + column * cell_m, 0.0, cell_m, y0_m + row * cell_m)
        rings = [shapely.geometry.shape(ring) for ring, _ in shapes(own.astype(np.uint8), mask=own, transform=place)]
        rows, columns = np.nonzero(own)
        pieces.append(((rows + row, columns + column), shapely.normalize(shapely.union_all(rings))))
    return pieces


def _measure(
    layer: ChangeLayer,
    kind: Change,
    cells: tuple[npt.NDArray[np.intp], ...],
    outline: Any,
    cell_m: float,
    registration_m: float,
    border_sd_m: float,
) -> ChangedArea:
    height = layer.height_change_m[cells].astype(np.float64)
    height = height[np.isfinite(height)] if kind in (Change.RAISED, Change.LOWERED) else height[:0]
    spread = float(np.sqrt(np.mean(np.square(layer.sd_m[cells], dtype=np.float64)))) if len(height) else math.nan
    room = layer.headroom_change_m[cells].astype(np.float64)
    room = room[np.isfinite(room)] if kind in (Change.LESS_HEADROOM, Change.MORE_HEADROOM) else room[:0]
    before, after = layer.label_before[cells], layer.label_after[cells]
    was, now = before == Label.STEPPABLE, after == Label.STEPPABLE
    return ChangedArea(
        number=0,
        change=kind,
        level=layer.level,
        area_m2=len(before) * cell_m**2,
        area_u_m2=COVERAGE * float(outline.length) * border_sd_m,
        height_change_m=float(height.mean()) if len(height) else math.nan,
        height_change_u_m=COVERAGE * math.hypot(spread, registration_m),
        largest_m=float(height[np.argmax(np.abs(height))]) if len(height) else math.nan,
        headroom_change_m=float(room.mean()) if len(room) else math.nan,
        label_before=_most(before),
        label_after=_most(after),
        lost_m2=float(np.count_nonzero(was & ~now)) * cell_m**2,
        won_m2=float(np.count_nonzero(now & ~was)) * cell_m**2,
        centre_m=(float(outline.centroid.x), float(outline.centroid.y)),
        outline=outline,
    )


def _most(labels: npt.NDArray[np.uint8]) -> Label:
    return Label(int(np.argmax(np.bincount(labels, minlength=len(Label)))))
