"""What changed, cell by cell: height, things that came or went, headroom; against what both passes leave uncertain.

The threshold is the level of detection of a difference of two surfaces. For one cell at 95 % it is

    LoD95 = 1.96 (sqrt(sd_before^2 + sd_after^2) + registration)

after Lane, Westaway and Hicks (Earth Surface Processes and Landforms 28, 2003) for the root and Lague, Brodu and Leroux
(ISPRS Journal 82, 2013) for the registration added to it (both from memory). A site is thousands of cells, so 1.96
would report something on every site where nothing changed. The factor is therefore raised until the chance of any
false report, over all that is compared, is `false_alarm` (Bonferroni). Cells of one patch share their patch's error
and count once.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from terrain.compare.stacks import Pair, Stack, chosen
from terrain.data import BoolArray, Float32Array

LOD95_FACTOR = 1.96
HEADROOM_SD_M = 0.01
"""sd of the height of a thing overhead, which no layer of a map states: one range noise."""


class Change(IntEnum):
    """What became of a cell; the numbers are those of the files."""

    UNSEEN = 0
    SAME = 1
    RAISED = 2
    LOWERED = 3
    APPEARED = 4
    REMOVED = 5
    LESS_HEADROOM = 6
    MORE_HEADROOM = 7
    ONLY_BEFORE = 8
    ONLY_AFTER = 9

    @property
    def word(self) -> str:
        """Return the change as the files spell it."""
        return self.name.lower().replace("_", " ")


SURE = (Change.RAISED, Change.LOWERED, Change.APPEARED, Change.REMOVED)
"""Changes of the ground; the rate of false alarms holds for heights, raised and lowered."""
SURFACES = (Change.APPEARED, Change.REMOVED)
HEADROOM = (Change.LESS_HEADROOM, Change.MORE_HEADROOM)
SEEN_ONCE = (Change.ONLY_BEFORE, Change.ONLY_AFTER)


@dataclass(frozen=True, slots=True, eq=False)
class ChangeLayer:
    """One level, cell by cell, (ny, nx), row 0 the lowest y.

    change uint8, see `Change`; height_change_m, sd_m, lod_m, headroom_change_m float32, NaN where there is no pair;
    label_before, label_after uint8, 0 to 3.
    """

    level: int
    change: npt.NDArray[np.uint8]
    height_change_m: Float32Array
    sd_m: Float32Array
    lod_m: Float32Array
    headroom_change_m: Float32Array
    label_before: npt.NDArray[np.uint8]
    label_after: npt.NDArray[np.uint8]


def level_of_detection(
    sd_before_m: npt.ArrayLike, sd_after_m: npt.ArrayLike, registration_m: float, *, factor: float = LOD95_FACTOR
) -> npt.NDArray[np.floating]:
    """Return the least height difference that noise does not explain, metres; see the module's text."""
    root = np.sqrt(np.square(sd_before_m) + np.square(sd_after_m))
    lod: npt.NDArray[np.floating] = factor * (root + registration_m)
    return lod


@dataclass(frozen=True, slots=True)
class Threshold:
    """What makes a change: `factor` sds with the registration's share, and never under `least_m`."""

    registration_m: float
    factor: float
    least_m: float

    def lod(self, sd_before_m: npt.ArrayLike, sd_after_m: npt.ArrayLike) -> npt.NDArray[np.floating]:
        """Return the least height difference that counts as a change, metres."""
        lod = level_of_detection(sd_before_m, sd_after_m, self.registration_m, factor=self.factor)
        largest: npt.NDArray[np.floating] = np.maximum(lod, self.least_m)
        return largest


def detection_factor(comparisons: int, false_alarm: float) -> float:
    """Return how many sds make a change, so that of `comparisons` independent ones any is false with `false_alarm`.

    Two-sided, Bonferroni; never under 1.96.
    """
    from scipy.stats import norm

    return max(LOD95_FACTOR, float(norm.isf(false_alarm / (2.0 * max(comparisons, 1)))))


def count_comparisons(pair: Pair, to_after: npt.NDArray[np.int8], least_area_m2: float) -> int:
    """Return how many independent heights are compared: pairs of patches, and pieces of loose ground."""
    paired = to_after >= 0
    own = pair.before.patch_id[paired].astype(np.int64)
    other = np.take_along_axis(pair.after.patch_id, np.maximum(to_after, 0), axis=0)[paired].astype(np.int64)
    on_patches = (own >= 0) & (other >= 0)
    patches = len(np.unique(own[on_patches] * (int(other.max(initial=0)) + 1) + other[on_patches]))
    loose = int(np.count_nonzero(~on_patches)) * pair.cell_m**2 / least_area_m2
    return patches + int(np.ceil(loose))


def find_changes(
    pair: Pair,
    to_after: npt.NDArray[np.int8],
    to_before: npt.NDArray[np.int8],
    *,
    threshold: Threshold,
    edge_m: float,
    clear_m: float,
) -> tuple[ChangeLayer, ...]:
    """Return one layer a level.

    Parameters
    ----------
    to_after, to_before : (levels, ny, nx)
        From `partners`.
    threshold : Threshold
        What makes a change.
    edge_m : float
        A border may lie this far off in either map: a height counts as changed only if the other map has none like
        it within that distance.
    clear_m : float
        Headroom that the foot needs. Headroom counts as changed where it was that and is not, or the reverse.

    Notes
    -----
    What no beam crossed overhead counts as free in a map. So less headroom can be a thing that was there unseen, and
    more headroom a thing that was not seen this time: both are for a look, and no false-alarm rate is claimed for them.
    """
    from scipy.ndimage import maximum_filter, minimum_filter

    disc = _disc(edge_m / pair.cell_m)

    def ranges(levels: npt.NDArray[np.floating]) -> tuple[npt.NDArray[np.floating], npt.NDArray[np.floating]]:
        low = [minimum_filter(np.where(np.isnan(z), np.inf, z), footprint=disc) for z in levels]
        high = [maximum_filter(np.where(np.isnan(z), -np.inf, z), footprint=disc) for z in levels]
        return np.stack(low), np.stack(high)

    before, after = pair.before, pair.after
    near_before, near_after = ranges(before.height_m), ranges(after.height_m)
    layers = []
    for k in range(max(len(before.height_m), len(after.height_m))):
        layer = _blank(k, before.height_m.shape[1:])
        if k < len(before.height_m):
            _compare_level(layer, pair, k, to_after, (near_before, near_after), threshold, disc, clear_m)
            _mark_single(layer, before, after, k, to_after, near_after, threshold, gone=True)
        if k < len(after.height_m):
            _mark_single(layer, after, before, k, to_before, near_before, threshold, gone=False)
        layers.append(layer)
    return tuple(layers)


def _compare_level(
    layer: ChangeLayer,
    pair: Pair,
    k: int,
    to_after: npt.NDArray[np.int8],
    near: tuple[tuple[npt.NDArray[np.floating], ...], tuple[npt.NDArray[np.floating], ...]],
    threshold: Threshold,
    disc: BoolArray,
    clear_m: float,
) -> None:
    """Fill in surfaces of level k of the first map that have a partner."""
    before, after = pair.before, pair.after
    which = to_after[k][None]
    z0, sd0 = before.height_m[k], before.height_sd_m[k]
    z1, sd1, room1, label1 = (
        chosen(band, which)[0] for band in (after.height_m, after.height_sd_m, after.headroom_m, after.label)
    )
    paired = to_after[k] >= 0
    lod = threshold.lod(sd0, sd1)
    low1, high1 = (chosen(edge, which)[0] for edge in near[1])
    apart = (z0 < low1 - lod) | (z0 > high1 + lod)
    apart |= (z1 < near[0][0][k] - lod) | (z1 > near[0][1][k] + lod)
    apart &= paired & (np.abs(z1 - z0) > lod)
    # What hangs over the lower of the two may be the higher one, seen from below only: then nothing changed.
    room0 = before.headroom_m[k]
    still_over = apart & (z0 > z1) & (z1 + room1 <= z0 + lod + 0.05)
    already_over = apart & (z1 > z0) & (z0 + room0 <= z1 + lod + 0.05)
    change = np.where(paired, np.uint8(Change.SAME), np.uint8(Change.UNSEEN))
    change[apart & (z1 > z0)] = Change.RAISED
    change[apart & (z1 < z0)] = Change.LOWERED
    change[still_over] = Change.ONLY_BEFORE
    change[already_over] = Change.ONLY_AFTER
    _mark_headroom(change, z0, z1, room0, room1, lod + threshold.factor * HEADROOM_SD_M * np.sqrt(2.0), disc, clear_m)
    layer.change[paired] = change[paired]
    for name, values in (("height_change_m", z1 - z0), ("sd_m", np.hypot(sd0, sd1)), ("lod_m", lod)):
        getattr(layer, name)[paired] = values[paired]
    with np.errstate(invalid="ignore"):  # nothing overhead in either: no number, no change
        layer.headroom_change_m[paired] = (room1 - room0)[paired]
    layer.label_before[paired] = before.label[k][paired]
    layer.label_after[paired] = label1[paired]


def _mark_headroom(
    change: npt.NDArray[np.uint8],
    z0: npt.NDArray[np.floating],
    z1: npt.NDArray[np.floating],
    room0: npt.NDArray[np.floating],
    room1: npt.NDArray[np.floating],
    slack: npt.NDArray[np.floating],
    disc: BoolArray,
    clear_m: float,
) -> None:
    """Mark cells whose ground stayed and whose headroom passed the needed one, where no cell nearby explains it."""
    from scipy.ndimage import minimum_filter

    over0, over1 = np.where(np.isnan(room0), np.inf, z0 + room0), np.where(np.isnan(room1), np.inf, z1 + room1)
    same = change == Change.SAME
    less = same & (room1 < clear_m) & (room0 >= clear_m)
    less &= over1 < minimum_filter(over0, footprint=disc) - slack
    more = same & (room0 < clear_m) & (room1 >= clear_m)
    more &= over0 < minimum_filter(over1, footprint=disc) - slack
    change[less] = Change.LESS_HEADROOM
    change[more] = Change.MORE_HEADROOM


def _mark_single(
    layer: ChangeLayer,
    own: Stack,
    other: Stack,
    k: int,
    partner: npt.NDArray[np.int8],
    near_other: tuple[npt.NDArray[np.floating], ...],
    threshold: Threshold,
    *,
    gone: bool,
) -> None:
    """Mark surfaces of level k without a partner: gone or new where the other pass saw through them, else seen once.

    A pass saw through a surface where it has ground beneath it and nothing over that ground as low as the surface.
    """
    z, sd = own.height_m[k], own.height_sd_m[k]
    alone = np.isfinite(z) & (partner[k] < 0)
    lod = threshold.lod(sd, sd)
    through = np.zeros(z.shape, dtype=bool)
    alike = np.zeros(z.shape, dtype=bool)
    for j in range(len(other.height_m)):
        beneath = other.height_m[j] < z - lod
        through |= beneath & (other.height_m[j] + other.headroom_m[j] > z + lod + 0.05)
        alike |= (z >= near_other[0][j] - lod) & (z <= near_other[1][j] + lod)
    free = alone & (layer.change == Change.UNSEEN)
    seen_once = Change.ONLY_BEFORE if gone else Change.ONLY_AFTER
    layer.change[free] = seen_once
    layer.change[free & through & ~alike] = Change.REMOVED if gone else Change.APPEARED
    label = layer.label_before if gone else layer.label_after
    label[free] = own.label[k][free]
    layer.sd_m[free], layer.lod_m[free] = (np.sqrt(2.0) * sd)[free], lod[free]


def _blank(level: int, shape: tuple[int, ...]) -> ChangeLayer:
    def numbers() -> Float32Array:
        return np.full(shape, np.nan, dtype=np.float32)

    def codes() -> npt.NDArray[np.uint8]:
        return np.zeros(shape, dtype=np.uint8)

    return ChangeLayer(level, codes(), numbers(), numbers(), numbers(), numbers(), codes(), codes())


def _disc(radius: float) -> BoolArray:
    reach = int(np.ceil(radius - 1e-9))
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    disc: BoolArray = x * x + y * y <= max(radius, reach) ** 2 + 1e-9
    return disc
