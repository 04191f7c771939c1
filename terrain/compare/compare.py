"""Compare two maps of one site."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from terrain.compare.alignment import Registration, check_alignment, measure_loose_scatter, measure_registration
from terrain.compare.areas import ChangedArea, find_areas
from terrain.compare.changes import (
    SURE,
    Change,
    ChangeLayer,
    Threshold,
    count_comparisons,
    detection_factor,
    find_changes,
)
from terrain.compare.stacks import partners, stack_pair, widened
from terrain.data import Label
from terrain.errors import FrameError
from terrain.maps.store import TerrainMap


@dataclass(frozen=True, slots=True)
class CompareSettings:
    """How much must differ before it is called a change.

    false_alarm : chance that two passes over a site where nothing changed report any area
    least_height_m : height differences under this are no change, however sure: rough ground seen twice, from other
        places, differs by some millimetres (7 on the gravel of a demo dock)
    least_area_m2 : a change is reported from this size on
    least_single_m2 : so is ground that only one pass saw
    edge_m : borders less than this apart are the same border
    most_changed : a larger share of ground changed means that the maps do not line up
    """

    false_alarm: float = 0.05
    least_height_m: float = 0.01
    least_area_m2: float = 0.01
    least_single_m2: float = 0.05
    edge_m: float = 0.04
    most_changed: float = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """What two maps of one site have changed into each other.

    factor : sds that make a change; comparisons: how many independent ones it allows for
    loose_scatter : what the sds of loose ground were multiplied by, see `measure_loose_scatter`
    moved_m2 : (4, 4) area from each label before (row) to each label after (column), ground seen in both
    area_m2 : area by kind of change, all sizes
    """

    before: TerrainMap
    after: TerrainMap
    settings: CompareSettings
    registration: Registration
    factor: float
    comparisons: int
    loose_scatter: float
    x0_m: float
    y0_m: float
    cell_m: float
    layers: tuple[ChangeLayer, ...]
    areas: tuple[ChangedArea, ...]
    moved_m2: tuple[tuple[float, ...], ...]
    area_m2: dict[Change, float]
    warnings: tuple[str, ...]

    @property
    def changed(self) -> tuple[ChangedArea, ...]:
        """Return the areas that the rate of false alarms holds for: no headroom, nothing that was seen once."""
        return tuple(area for area in self.areas if area.change in SURE)


def compare_maps(
    before: TerrainMap,
    after: TerrainMap,
    *,
    settings: CompareSettings | None = None,
    check_frames: bool = True,
) -> Comparison:
    """Return what changed from one map to another beyond what both leave uncertain.

    Parameters
    ----------
    before, after : TerrainMap
        Two maps in one frame, with cells of one size.
    check_frames : bool
        Whether maps that do not line up are refused.

    Raises
    ------
    DataError
        No ground, or cells of another size.
    FrameError
        The maps are not in one frame.
    """
    settings = settings or CompareSettings()
    names = str(before.path), str(after.path)
    pair = stack_pair(before, after)
    to_after, to_before = partners(pair)
    registration = measure_registration(pair, to_after, (before, after))
    if check_frames:
        check_alignment(pair, registration, names)
    scatter = measure_loose_scatter(pair, to_after)
    pair = replace(pair, before=widened(pair.before, scatter), after=widened(pair.after, scatter))
    comparisons = count_comparisons(pair, to_after, settings.least_area_m2)
    factor = detection_factor(comparisons, settings.false_alarm)
    layers = find_changes(
        pair,
        to_after,
        to_before,
        threshold=Threshold(registration.used_m, factor, settings.least_height_m),
        edge_m=settings.edge_m,
        clear_m=min(before.foot.clear_height_m, after.foot.clear_height_m),
    )
    area_m2 = {
        kind: sum(int(np.count_nonzero(layer.change == kind)) for layer in layers) * pair.cell_m**2 for kind in Change
    }
    if check_frames:
        _check_share(area_m2, settings, names)
    areas = find_areas(
        layers,
        x0_m=pair.x0_m,
        y0_m=pair.y0_m,
        cell_m=pair.cell_m,
        least_area_m2=settings.least_area_m2,
        least_single_m2=settings.least_single_m2,
        registration_m=registration.used_m,
        border_sd_m=_border_sd(before, after, pair.cell_m),
    )
    return Comparison(
        before=before,
        after=after,
        settings=settings,
        registration=registration,
        factor=factor,
        comparisons=comparisons,
        loose_scatter=scatter,
        x0_m=pair.x0_m,
        y0_m=pair.y0_m,
        cell_m=pair.cell_m,
        layers=layers,
        areas=areas,
        moved_m2=_moved(layers, pair.cell_m),
        area_m2=area_m2,
        warnings=_warnings(before, after, registration),
    )


def _border_sd(before: TerrainMap, after: TerrainMap, cell_m: float) -> float:
    """Return the sd of where a border lies in plan: of both maps' edges, and of whole cells (width / sqrt(12))."""
    edges = [float(np.median(m.ground.edge_sd_m)) if len(m.ground.edge_sd_m) else 0.0 for m in (before, after)]
    return math.hypot(*edges, cell_m / math.sqrt(12.0))


def _check_share(area_m2: dict[Change, float], settings: CompareSettings, names: tuple[str, str]) -> None:
    moved = area_m2[Change.RAISED] + area_m2[Change.LOWERED]
    both = moved + area_m2[Change.SAME] + area_m2[Change.LESS_HEADROOM] + area_m2[Change.MORE_HEADROOM]
    if moved > settings.most_changed * both > 0.0:
        raise FrameError(
            f"{names[1]}: {moved / both:.0%} of the ground seen in both maps is higher or lower than in {names[0]}, "
            f"expected at most {settings.most_changed:.0%} where both are in one frame; align the poses of the two "
            "passes first"
        )


def _moved(layers: tuple[ChangeLayer, ...], cell_m: float) -> tuple[tuple[float, ...], ...]:
    table = np.zeros((len(Label), len(Label)))
    single = (Change.UNSEEN, Change.ONLY_BEFORE, Change.ONLY_AFTER, Change.APPEARED, Change.REMOVED)
    for layer in layers:
        both = ~np.isin(layer.change, single) & np.isfinite(layer.height_change_m)
        np.add.at(table, (layer.label_before[both], layer.label_after[both]), cell_m**2)
    return tuple(tuple(float(value) for value in row) for row in table)


def _warnings(before: TerrainMap, after: TerrainMap, registration: Registration) -> tuple[str, ...]:
    warnings = []
    if [item["sha256"] for item in before.manifest["inputs"]] == [item["sha256"] for item in after.manifest["inputs"]]:
        warnings.append("both maps were made from the same files: this compares a pass with itself")
    if before.manifest["foot"]["si"] != after.manifest["foot"]["si"]:
        warnings.append(
            f"the maps were made for different feet or limits ({before.foot.name}, {after.foot.name}): labels differ "
            "for that reason too; heights do not"
        )
    if registration.measured_m is None:
        warnings.append(
            f"too little ground was seen twice to measure how well the maps agree ({registration.blocks} blocks of "
            f"1 m); the stated accuracy of the poses was used ({registration.stated_m * 1000:.1f} mm)"
        )
    elif registration.measured_m > 2.0 * registration.stated_m > 0.0:
        warnings.append(
            f"ground that did not change lies {registration.measured_m * 1000:.1f} mm apart (1 sd), the poses claim "
            f"{registration.stated_m * 1000:.1f} mm: the passes agree worse than stated"
        )
    return tuple(warnings)
