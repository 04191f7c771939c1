"""Verdicts, rasters and patches as people's decisions leave them; what was measured stays beside.

An area kept out makes every placement whose sole touches it `unsteppable`, reason `kept-out`. An accepted area makes
`marginal` placements `steppable` whose sole lies in it as a whole; one that is past a limit only where the acceptance
names that limit and reaches as far. Ground that was not seen stays `unobserved` whatever anybody decides.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from terrain.data import REASONS, BoolArray, FloatArray, FootProfile, IntArray, Label, LevelRaster, Verdicts
from terrain.maps.overrules import Overrule, OverruleLayer

if TYPE_CHECKING:
    from terrain.maps.polygons import PatchTable

_DEG = 180.0 / math.pi
QUANTITIES: dict[str, tuple[str, str, float, bool]] = {
    "slope_deg": ("slope_rad", "slope", _DEG, False),
    "roughness_mm": ("roughness_m", "roughness", 1000.0, False),
    "support": ("support", "support", 1.0, True),
    "rocking_m": ("rocking_m", "rocking", 1.0, True),
    "edge_m": ("edge_m", "edge", 1.0, True),
    "beside_m": ("beside_m", "beside", 1.0, True),
    "headroom_m": ("headroom_m", "headroom", 1.0, True),
}
"""Name in files -> field of `Verdicts`, reason, factor from SI, whether more is better."""
_NEVER = tuple(REASONS.index(word) for word in ("no-ground", "kept-out"))
_KEPT_OUT = REASONS.index("kept-out")
_UNOBSERVED = REASONS.index("unobserved")
_SLACK = 1e-6


def holds_ground(levels: Iterable[LevelRaster], area_m: Sequence[Sequence[float]]) -> bool:
    """Return whether a cell that holds ground lies in an area, or within a cell of it; corners (x, y) in metres."""
    import shapely

    area = shapely.Polygon(area_m)
    low, high = np.reshape(area.bounds, (2, 2))
    for raster in levels:
        corner = np.array([raster.x0_m, raster.y0_m])
        shape = np.array(raster.height_m.shape[::-1])
        first = np.clip(np.floor((low - corner) / raster.cell_m).astype(np.int64) - 1, 0, shape)
        last = np.clip(np.ceil((high - corner) / raster.cell_m).astype(np.int64) + 1, 0, shape)
        rows, columns = np.nonzero(np.isfinite(raster.height_m[first[1] : last[1], first[0] : last[0]]))
        x, y = corner[:, None] + raster.cell_m * (np.stack((columns, rows)) + first[:, None] + 0.5)
        if shapely.contains_xy(area.buffer(raster.cell_m), x, y).any():
            return True
    return False


def overruled(verdicts: Verdicts, layer: OverruleLayer, foot: FootProfile) -> Verdicts:
    """Return verdicts as the decisions in force leave them.

    Parameters
    ----------
    verdicts : Verdicts
        As measured.
    layer : OverruleLayer
        What people decided.
    foot : FootProfile
        The sole, whose outline in plan is compared with the areas, and its limits.

    Returns
    -------
    Verdicts
        The same quantities. `measured_label` holds the labels as they were, `overrule` the number of the decision that
        counts for the row, 0 for none. An area kept out outweighs an acceptance. Reasons of an accepted placement stay.
    """
    rules = layer.in_force()
    if not rules:
        return verdicts
    decision = np.zeros(len(verdicts), dtype=np.int64)
    label, reason = verdicts.label.copy(), verdicts.reason.copy()
    for rule in (rule for rule in rules if rule.kind == "accept"):
        rows = _within(verdicts, rule, foot)
        rows = rows[_acceptable(verdicts, rows, rule.past_limits, foot)]
        label[rows], decision[rows] = Label.STEPPABLE, rule.number
    for rule in (rule for rule in rules if rule.kind == "keep-out"):
        rows = _touching(verdicts, rule, foot)
        fresh = rows[reason[rows, 0] != _KEPT_OUT]
        reason[fresh, 1:] = reason[fresh, :-1]
        reason[fresh, 0] = _KEPT_OUT
        label[rows], decision[rows] = Label.UNSTEPPABLE, rule.number
    return replace(verdicts, label=label, reason=reason, measured_label=verdicts.label, overrule=decision)


def sole_polygons(placement: FloatArray, foot: FootProfile) -> npt.NDArray[Any]:
    """Return the sole's outline in plan at each of (n, 3 or more) placements, n shapely polygons."""
    import shapely

    cos, sin = np.cos(placement[:, 2])[:, None], np.sin(placement[:, 2])[:, None]
    x, y = foot.outline_m.T
    corners = np.stack([placement[:, :1] + cos * x - sin * y, placement[:, 1:2] + sin * x + cos * y], axis=-1)
    polygons: npt.NDArray[Any] = shapely.polygons(corners)
    return polygons


def beside_area(placement: FloatArray, rule: Overrule, foot: FootProfile) -> BoolArray:
    """Return at which of (n, 3 or more) placements the sole could reach an area in plan, by its bounding box."""
    corners = np.array(rule.area_m)
    reach = float(np.hypot(*foot.outline_m.T).max())
    low, high = corners.min(axis=0) - reach, corners.max(axis=0) + reach
    at = placement[:, :2]
    beside: BoolArray = ((at >= low) & (at <= high)).all(axis=1)
    return beside


def _near(verdicts: Verdicts, rule: Overrule, foot: FootProfile) -> IntArray:
    """Return rows on the area's level whose sole could reach it, by its bounding box."""
    near = beside_area(verdicts.placement, rule, foot)
    if rule.level is not None:
        near &= (verdicts.level == rule.level) | ((verdicts.level < 0) & (rule.kind == "keep-out"))
    return np.flatnonzero(near)


def _touching(verdicts: Verdicts, rule: Overrule, foot: FootProfile) -> IntArray:
    import shapely

    rows = _near(verdicts, rule, foot)
    hit: BoolArray = shapely.intersects(shapely.Polygon(rule.area_m), sole_polygons(verdicts.placement[rows], foot))
    return rows[hit]


def _within(verdicts: Verdicts, rule: Overrule, foot: FootProfile) -> IntArray:
    import shapely

    rows = _near(verdicts, rule, foot)
    hit: BoolArray = shapely.covers(shapely.Polygon(rule.area_m), sole_polygons(verdicts.placement[rows], foot))
    return rows[hit]


def _acceptable(verdicts: Verdicts, rows: IntArray, past_limits: Mapping[str, float], foot: FootProfile) -> BoolArray:
    """Return which rows an acceptance turns: nothing unseen, and no limit passed but those named, as far as named."""
    label, reason = verdicts.label[rows], verdicts.reason[rows]
    seen = verdicts.observed[rows] >= foot.observed.limit  # NaN is not
    fine = np.isin(label, (Label.MARGINAL, Label.UNSTEPPABLE)) & seen & np.isfinite(verdicts.z_m[rows])
    fine &= ~np.isin(reason, _NEVER).any(axis=1)
    for name, past in past_limit(verdicts, rows, foot).items():
        value = getattr(verdicts, QUANTITIES[name][0])[rows] * QUANTITIES[name][2]
        better = QUANTITIES[name][3]
        bound = past_limits.get(name)
        if bound is None:
            fine &= ~past
        else:
            as_far = value >= bound - _SLACK if better else value <= bound + _SLACK
            fine &= ~past | as_far
    return np.asarray(fine, dtype=np.bool_)


def past_limit(verdicts: Verdicts, rows: IntArray, foot: FootProfile) -> dict[str, BoolArray]:
    """Return for each quantity in which rows it is a reason and past its limit, or has no value."""
    found = {}
    for name, (field, word, _, better) in QUANTITIES.items():
        named = (verdicts.reason[rows] == REASONS.index(word)).any(axis=1)
        value = getattr(verdicts, field)[rows]
        if field == "headroom_m":
            within = np.zeros(len(rows), dtype=np.bool_)  # headroom has no comfort: as a reason it is past its limit
        else:
            limit = getattr(foot, field).limit
            within = value >= limit if better else value <= limit
        found[name] = named & ~within
    return found


def worst_past_limits(verdicts: Verdicts, foot: FootProfile) -> tuple[dict[str, float], dict[str, int]]:
    """Return how far each limit is passed, for those who might accept it, and how many rows pass it.

    Rows that were not seen well enough, or that have no resting plane, are left out: they cannot be accepted.
    """
    possible = np.flatnonzero(
        (verdicts.label == Label.UNSTEPPABLE)
        & (verdicts.observed >= foot.observed.limit)
        & np.isfinite(verdicts.z_m)
        & ~np.isin(verdicts.reason, _NEVER).any(axis=1)
    )
    worst: dict[str, float] = {}
    count: dict[str, int] = {}
    for name, past in past_limit(verdicts, possible, foot).items():
        field, _, factor, better = QUANTITIES[name]
        values = getattr(verdicts, field)[possible][past] * factor
        values = values[np.isfinite(values)]
        if len(values):
            worst[name] = float(values.min() if better else values.max())
            count[name] = len(values)
    return worst, count


def rounded_outward(quantity: str, value: float) -> float:
    """Return a worst value to be accepted, rounded to what holds it and what differs from it by chance alone.

    Heights are float32, so that the slope of one plane differs by some 0.0005 degrees from place to place.
    """
    step = 0.01 if quantity.endswith(("_deg", "_mm")) else 0.001
    outward = -1.0 if QUANTITIES[quantity][3] else 1.0
    return round(float(np.ceil(outward * value / step + 0.5)) * outward * step, 6)


def decision_on(verdicts: Verdicts, row: int, layer: OverruleLayer) -> dict[str, Any] | None:
    """Return the decision that counts for a row, with the label as measured, as JSON values; None where there is none.

    An acceptance past a limit names every person who confirmed one.
    """
    if not verdicts.overrule[row]:
        return None
    number = int(verdicts.overrule[row])
    rule = next(rule for rule in layer.in_force() if rule.number == number)
    undone = {record.of for record in layer.records if record.kind == "undo"}
    further = [record for record in layer.records if record.of == number and record.kind == "accept-past-limit"]
    return {
        "number": number,
        "kind": rule.kind,
        "name": rule.name,
        "reason": rule.reason,
        "time": rule.time,
        "measured_label": Label(verdicts.measured_label[row]).word,
        "past_limits": dict(rule.past_limits),
        "past_limits_by": [
            {"name": record.name, "reason": record.reason, "time": record.time, "limits": dict(record.past_limits)}
            for record in further
            if record.number not in undone
        ],
    }


# --------------------------------------------------------------------------- rasters and patches


def overruled_raster(
    raster: LevelRaster, layer: OverruleLayer, foot: FootProfile, judge: Callable[[FloatArray], Verdicts]
) -> LevelRaster:
    """Return a level as the decisions in force leave it: labels, and no steppable yaw where it is kept out.

    A cell stands for the sole at its best yaw. Cells past a limit have none: where somebody accepted that, `judge`
    is asked for the verdicts as measured, at four yaws.
    """
    import shapely

    rules = [rule for rule in layer.in_force() if rule.level in (None, raster.level)]
    if not rules:
        return raster
    label, share = raster.label.copy(), raster.yaw_share.copy()
    for rule in (rule for rule in rules if rule.kind == "accept"):
        _accept_cells(label, raster, rule, foot, judge)
    for rule in (rule for rule in rules if rule.kind == "keep-out"):
        rows, columns, at = _cells_near(raster, rule, foot)
        area = shapely.Polygon(rule.area_m)
        hit = shapely.intersects(area, sole_polygons(at, foot)) | shapely.intersects_xy(area, at[:, 0], at[:, 1])
        label[rows[hit], columns[hit]] = Label.UNSTEPPABLE
        share[rows[hit], columns[hit]] = 0.0
    return replace(raster, label=label, yaw_share=share)


def _cells_near(raster: LevelRaster, rule: Overrule, foot: FootProfile) -> tuple[IntArray, IntArray, FloatArray]:
    """Return rows, columns, and x, y, best yaw (0 where there is none) of cells with ground near an area."""
    corners = np.array(rule.area_m)
    reach = float(np.hypot(*foot.outline_m.T).max())
    origin = np.array([raster.x0_m, raster.y0_m])
    low = np.maximum(0, np.floor((corners.min(axis=0) - reach - origin) / raster.cell_m).astype(int))
    high = np.maximum(0, np.ceil((corners.max(axis=0) + reach - origin) / raster.cell_m).astype(int))
    part = np.isfinite(raster.height_m[low[1] : high[1], low[0] : high[0]])
    rows, columns = (found + start for found, start in zip(np.nonzero(part), (low[1], low[0]), strict=True))
    x = raster.x0_m + (columns + 0.5) * raster.cell_m
    y = raster.y0_m + (rows + 0.5) * raster.cell_m
    return rows, columns, np.column_stack([x, y, np.nan_to_num(raster.best_yaw_rad[rows, columns])])


def _accept_cells(
    label: npt.NDArray[np.float32],
    raster: LevelRaster,
    rule: Overrule,
    foot: FootProfile,
    judge: Callable[[FloatArray], Verdicts],
) -> None:
    import shapely

    rows, columns, at = _cells_near(raster, rule, foot)
    area = shapely.Polygon(rule.area_m)
    marginal = (raster.label[rows, columns] == Label.MARGINAL) & shapely.covers(area, sole_polygons(at, foot))
    label[rows[marginal], columns[marginal]] = Label.STEPPABLE
    if not rule.past_limits:
        return
    inside = (raster.label[rows, columns] == Label.UNSTEPPABLE) & shapely.intersects_xy(area, at[:, 0], at[:, 1])
    rows, columns = rows[inside], columns[inside]
    height = raster.height_m[rows, columns].astype(np.float64)
    for yaw in np.arange(4) * (math.pi / 4.0):
        placement = np.column_stack([at[inside, :2], np.full(len(rows), yaw), height])
        verdicts = judge(placement)
        accepted = _within(verdicts, rule, foot)
        accepted = accepted[_acceptable(verdicts, accepted, rule.past_limits, foot)]
        label[rows[accepted], columns[accepted]] = Label.STEPPABLE


def overruled_patches(table: PatchTable, layer: OverruleLayer) -> PatchTable:
    """Return patches as the decisions in force leave them.

    A patch that lies in an area kept out as a whole is `unsteppable`; one that it takes a part of is `marginal` at
    best, so that nobody takes all of it for ground to step on; the first reason of both is `kept-out`. A patch that
    lies in an accepted area as a whole turns from `marginal` to `steppable`. Other labels do not change.
    """
    import shapely

    rules = layer.in_force()
    if not rules or not len(table):
        return table
    outline = shapely.force_2d(np.array(table.outline, dtype=object))
    label, reasons = table.label.copy(), list(table.reasons)
    for rule in sorted(rules, key=lambda rule: rule.kind):  # accept before keep-out
        area = shapely.Polygon(rule.area_m)
        here = np.full(len(table), True) if rule.level is None else table.level == rule.level
        if rule.kind == "accept":
            label[here & (label == Label.MARGINAL) & shapely.covers(area, outline)] = Label.STEPPABLE
            continue
        for row in np.flatnonzero(here & (table.level >= 0) & shapely.intersects(area, outline)):
            if area.covers(outline[row]):
                label[row] = Label.UNSTEPPABLE
            elif label[row] == Label.STEPPABLE:
                label[row] = Label.MARGINAL
            reasons[row] = ("kept-out", *(word for word in reasons[row] if word != "kept-out"))
    return replace(table, label=label, reasons=tuple(reasons))
