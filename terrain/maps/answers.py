"""Verdicts as text: one as JSON with its reasons in words, many as a table."""

from __future__ import annotations

import csv
import math
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, TextIO

import numpy as np

from terrain.data import REASONS, FloatArray, FootProfile, Label, LevelRaster, Verdicts
from terrain.errors import DataError
from terrain.maps.manifest import limits_of
from terrain.maps.overruled import decision_on, overruled, overruled_patches, overruled_raster
from terrain.maps.overrules import OverruleLayer, read_overrules

if TYPE_CHECKING:
    from terrain.maps.polygons import PatchTable
    from terrain.maps.store import TerrainMap

CAUTION = (
    "Advice from geometry at scan time, against the configured limits; not a safety function. Friction, loose or "
    "soft ground and later changes are not in it."
)
PLACEMENT_COLUMNS = ("x_m", "y_m", "yaw_deg")
LEVEL_COLUMN = "level_z_m"
VERDICT_COLUMNS = (
    "z_m",
    "label",
    "reasons",
    "slope_deg",
    "slope_sd_deg",
    "roughness_mm",
    "support",
    "rocking_m",
    "edge_m",
    "beside_m",
    "observed",
    "patch_id",
)
OVERRULE_COLUMNS = ("measured_label", "overruled_by")
_DECIMALS = 6
_CHUNK_ROWS = 65_536


@dataclass(frozen=True, slots=True)
class _Quantity:
    """How a quantity is called and worded; `factor` takes SI to the unit of its name."""

    name: str
    value: str
    sd: str
    factor: float
    reason: str
    words: str
    """What is measured, with the number as {}."""
    show: str
    """How a number is shown."""
    show_factor: float = 1.0
    more_is_better: bool = True


_DEG = 180.0 / math.pi
_QUANTITIES = (
    _Quantity("slope_deg", "slope_rad", "slope_sd_rad", _DEG, "slope", "tilted by {}", "{:.1f} deg", 1.0, False),
    _Quantity(
        "roughness_mm", "roughness_m", "roughness_sd_m", 1e3, "roughness", "rough by {} RMS", "{:.1f} mm", 1.0, False
    ),
    _Quantity("support", "support", "support_sd", 1.0, "support", "{} of the sole is carried", "{:.0f} %", 100.0),
    _Quantity(
        "rocking_m",
        "rocking_m",
        "rocking_sd_m",
        1.0,
        "rocking",
        "the load stands {} inside the carried area",
        "{:.0f} mm",
        1e3,
    ),
    _Quantity("edge_m", "edge_m", "edge_sd_m", 1.0, "edge", "{} from the sole to the nearest edge", "{:.0f} mm", 1e3),
    _Quantity(
        "beside_m",
        "beside_m",
        "beside_sd_m",
        1.0,
        "beside",
        "{} from the sole to the nearest thing standing up",
        "{:.0f} mm",
        1e3,
    ),
    _Quantity(
        "observed", "observed", "observed_sd", 1.0, "unobserved", "{} of the sole's area was seen", "{:.0f} %", 100.0
    ),
)
_OF_REASON = {quantity.reason: quantity for quantity in _QUANTITIES}


# --------------------------------------------------------------------------- what is answered


def decisions_on(terrain_map: TerrainMap) -> OverruleLayer:
    """Return what people decided on a map; an acceptance counts only for the very map that was opened.

    A map that was replaced since it was opened keeps its ground, so it must not take over what was accepted later.

    Raises
    ------
    ReadError
        The file is damaged, or holds fewer decisions than this map has answered with: what was kept out must not be
        steppable because a folder was emptied under it.
    """
    layer = read_overrules(terrain_map.path)
    if len(layer.records) < terrain_map.decisions_seen():
        layer = read_overrules(terrain_map.path)  # another thread may have read a newer line meanwhile
    terrain_map.see_decisions(len(layer.records))
    return replace(layer, map_id=terrain_map.version) if terrain_map.version else layer


def deciders(terrain_map: TerrainMap) -> dict[int, str]:
    """Return the number of each decision in force, and the name that the person typed."""
    return {rule.number: rule.name for rule in decisions_on(terrain_map).in_force()}


def judged(terrain_map: TerrainMap, placements: FloatArray) -> Verdicts:
    """Return the verdicts on checked placements, (n, 4); every verdict that leaves a map comes through here."""
    return overruled(measured(terrain_map, placements), decisions_on(terrain_map), terrain_map.foot)


def measured(terrain_map: TerrainMap, placements: FloatArray) -> Verdicts:
    """Return the verdicts as measured, before people's decisions count; for those who decide."""
    from terrain.score.placements import judge_placements

    known = terrain_map.known(len(placements))
    verdicts: Verdicts = judge_placements(terrain_map.ground, terrain_map.foot, placements, known=known)
    return verdicts


def judged_level(terrain_map: TerrainMap, number: int) -> LevelRaster:
    """Return the dense judgement of a level; every raster that leaves a map comes through here."""
    layer = decisions_on(terrain_map)
    raster = measured_level(terrain_map, number)
    return overruled_raster(raster, layer, terrain_map.foot, lambda at: measured(terrain_map, at))


def measured_level(terrain_map: TerrainMap, number: int) -> LevelRaster:
    """Return the dense judgement of a level as measured, before people's decisions count."""
    return terrain_map.stored_level(number)


def judged_patches(terrain_map: TerrainMap) -> PatchTable:
    """Return the patches with their verdicts; every patch that leaves a map comes through here."""
    return overruled_patches(terrain_map.stored_patches(), decisions_on(terrain_map))


# --------------------------------------------------------------------------- one verdict


def describe(terrain_map: TerrainMap, verdicts: Verdicts, row: int) -> dict[str, Any]:
    """Return one verdict as JSON values, named as the columns of a table of verdicts.

    Beside those: why in words, the sd of each quantity, and comfort and limit of each. What has no value is null;
    `headroom_m` is null too where nothing was met overhead (`headroom_free`). `overrule` is the person's decision that
    counts here, null where there is none, and `measured_label` the label without it.
    """
    x_m, y_m, yaw_rad, level_z_m = verdicts.placement[row]
    values = {q.name: _rounded(getattr(verdicts, q.value)[row] * q.factor) for q in _QUANTITIES}
    sds = {q.name: _rounded(getattr(verdicts, q.sd)[row] * q.factor) for q in _QUANTITIES}
    headroom_m = float(verdicts.headroom_m[row])
    patch, level = int(verdicts.patch_id[row]), int(verdicts.level[row])
    decision = decision_on(verdicts, row, decisions_on(terrain_map))
    label = Label(verdicts.label[row]).word
    return {
        "survey": terrain_map.name,
        "foot": terrain_map.foot.name,
        "x_m": _rounded(x_m),
        "y_m": _rounded(y_m),
        "yaw_deg": _rounded(math.degrees(yaw_rad)),
        LEVEL_COLUMN: _rounded(level_z_m),
        "z_m": _rounded(verdicts.z_m[row]),
        "label": label,
        "measured_label": label if decision is None else decision["measured_label"],
        "overrule": decision,
        "reasons": list(verdicts.reasons(row)),
        "why": [explain(verdicts, row, reason, terrain_map.foot, decision) for reason in verdicts.reasons(row)],
        **values,
        "headroom_m": _rounded(headroom_m),
        "headroom_free": math.isinf(headroom_m),
        "patch_id": None if patch < 0 else patch,
        "level": None if level < 0 else level,
        "slope_sd_deg": sds["slope_deg"],
        "sd": sds,
        "limits": limits_of(terrain_map.foot),
        "headroom_needed_m": terrain_map.foot.clear_height_m,
        "sd_factor": terrain_map.foot.z,
        "caution": CAUTION,
    }


def explain(
    verdicts: Verdicts, row: int, reason: str, foot: FootProfile, decision: Mapping[str, Any] | None = None
) -> str:
    """Return one reason of a verdict as a sentence that a tired reader understands; `decision`: who kept it out."""
    if reason == "no-ground":
        return "no-ground: no ground was found there to stand on"
    if reason == "kept-out":
        if decision is None:
            return "kept-out: this area is marked as one to stay out of"
        return f"kept-out: {decision['name']} keeps this area out since {decision['time']}: {decision['reason']}"
    if reason == "headroom":
        free_m = float(verdicts.headroom_m[row])
        found = f"{free_m:.2f} m free" if math.isfinite(free_m) else "something is in the way"
        return f"headroom: {found} above the sole, {foot.clear_height_m:.2f} m needed"
    return _explain_quantity(verdicts, row, _OF_REASON[reason], foot)


def _explain_quantity(verdicts: Verdicts, row: int, quantity: _Quantity, foot: FootProfile) -> str:
    value = float(getattr(verdicts, quantity.value)[row])
    if not math.isfinite(value):
        if quantity.reason == "rocking":
            return "rocking: no ground on one side of the load, the foot would tip"
        return f"{quantity.reason}: could not be measured"
    si_limit = getattr(foot, quantity.value)
    factor = quantity.factor * quantity.show_factor

    def show(si: float) -> str:
        text = quantity.show.format(si * factor)
        return text.removeprefix("-") if float(text.split()[0]) == 0 else text

    sd = float(getattr(verdicts, quantity.sd)[row])
    spread = f", give or take {show(sd)} (1 sd)" if math.isfinite(sd) else ""
    side, past = ("at least", "under") if quantity.more_is_better else ("up to", "over")
    worst = Label.UNOBSERVED.word if quantity.reason == "unobserved" else Label.UNSTEPPABLE.word
    comfortable = value >= si_limit.comfort if quantity.more_is_better else value <= si_limit.comfort
    doubt = "; too uncertain to count as comfortable" if comfortable else ""
    return (
        f"{quantity.reason}: {quantity.words.format(show(value))}{spread}; {side} {show(si_limit.comfort)} is "
        f"comfortable, {past} {show(si_limit.limit)} {worst}{doubt}"
    )


def _rounded(value: float) -> float | None:
    """Return the number for JSON, None where there is none."""
    if not math.isfinite(value):
        return None
    return round(float(value), _DECIMALS) + 0.0  # no minus zero


# --------------------------------------------------------------------------- many


def judge_table(terrain_map: TerrainMap, source: TextIO, target: TextIO, *, name: str) -> Counter[str]:
    """Read placements as CSV, write their verdicts as CSV, and return how many got each label.

    Parameters
    ----------
    source : text stream
        A header with `x_m,y_m,yaw_deg` and optionally `level_z_m`, in any order and case, then a row a placement.
        A byte-order mark, spaces around values and empty lines are passed over; other columns are not repeated.
    target : text stream
        Gets the placements as they were written, then the columns of `VERDICT_COLUMNS`; a quantity without a value
        is empty. Where people's decisions on the map are in force, `OVERRULE_COLUMNS` follow: the label as measured,
        and whose decision counts, empty where none does.
    name : str
        What to call the source in messages.

    Raises
    ------
    DataError
        A column is missing or doubled, or a row is not three finite numbers (named by its line).

    Notes
    -----
    Rows are judged some ten thousand at a time: rows before a bad one have been written when it is found, so a
    caller who wants all or nothing gives a temporary target.
    """
    reader = csv.reader(source, strict=True)
    writer = csv.writer(target, lineterminator="\n")
    tally: Counter[str] = Counter()
    layer = decisions_on(terrain_map)
    names = {rule.number: rule.name for rule in layer.in_force()}
    for chunk in _placement_chunks(reader, name):
        if not tally:
            writer.writerow([*chunk.columns, *VERDICT_COLUMNS, *(OVERRULE_COLUMNS if names else ())])
        if not chunk.text:
            break
        verdicts = overruled(measured(terrain_map, chunk.placement), layer, terrain_map.foot)
        writer.writerows(a + b + c for a, b, c in zip(chunk.text, _rows(verdicts), _who(verdicts, names), strict=True))
        words, counts = np.unique(verdicts.label, return_counts=True)
        tally.update({Label(word).word: int(count) for word, count in zip(words, counts, strict=True)})
    return tally


@dataclass(frozen=True, slots=True)
class _Chunk:
    columns: tuple[str, ...]
    text: list[list[str]]
    placement: FloatArray


def _placement_chunks(reader: Any, name: str) -> Iterator[_Chunk]:
    """Yield rows by the chunk, at least one chunk (an empty one for a table without rows)."""
    try:
        header: list[str] = next((row for row in reader if any(field.strip() for field in row)), [])
        columns, where = _columns_of(header, name)
        text: list[list[str]] = []
        numbers: list[list[float]] = []
        row, first = 0, True
        for fields in reader:
            if not fields or (len(fields) == 1 and not fields[0].strip()):
                continue
            row += 1
            place = f"{name}: line {reader.line_num} (row {row})"
            if len(fields) != len(header):
                raise DataError(f"{place}: got {len(fields)} values, expected {len(header)} as in the header")
            wanted = [fields[k].strip() for k in where]
            numbers.append([_number(value, column, place) for value, column in zip(wanted, columns, strict=True)])
            text.append(wanted)
            if len(text) == _CHUNK_ROWS:
                yield _Chunk(columns, text, _placements(numbers))
                text, numbers, first = [], [], False
        if text or first:
            yield _Chunk(columns, text, _placements(numbers))
    except csv.Error as error:
        raise DataError(f"{name}: line {reader.line_num}: {error}, expected comma-separated values") from error
    except UnicodeDecodeError as error:
        raise DataError(f"{name}: is not UTF-8 text: {error.reason} at byte {error.start}") from error


def _columns_of(header: list[str], name: str) -> tuple[tuple[str, ...], list[int]]:
    """Return the columns that are used, in the order of the output, and where they are."""
    found = [field.strip().lower() for field in header]
    expected = f"a header with {','.join(PLACEMENT_COLUMNS)} and optionally {LEVEL_COLUMN}"
    for column in (*PLACEMENT_COLUMNS, LEVEL_COLUMN):
        if found.count(column) > 1:
            raise DataError(f"{name}: column {column} appears {found.count(column)} times, expected {expected}")
    missing = [column for column in PLACEMENT_COLUMNS if column not in found]
    if missing:
        got = ",".join(header) if header else "an empty file"
        raise DataError(f"{name}: no column {missing[0]}: got {got}, expected {expected}")
    columns = (*PLACEMENT_COLUMNS, LEVEL_COLUMN) if LEVEL_COLUMN in found else PLACEMENT_COLUMNS
    return columns, [found.index(column) for column in columns]


def _number(text: str, column: str, place: str) -> float:
    if column == LEVEL_COLUMN and not text:
        return math.nan
    try:
        value = float(text) if "_" not in text else math.nan
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise DataError(f"{place}: {column} is {text!r}, expected a finite number")
    return value


def _placements(numbers: list[list[float]]) -> FloatArray:
    array = np.full((len(numbers), 4), np.nan)
    if numbers:
        given = np.array(numbers)
        array[:, : given.shape[1]] = given
        array[:, 2] = np.radians(array[:, 2])
    return array


def verdict_numbers(verdicts: Verdicts) -> dict[str, FloatArray]:
    """Return the numbers of verdicts by the names of their columns, in the units of these."""
    return {
        "z_m": verdicts.z_m,
        "slope_deg": np.degrees(verdicts.slope_rad),
        "slope_sd_deg": np.degrees(verdicts.slope_sd_rad),
        "roughness_mm": verdicts.roughness_m * 1000.0,
        "support": verdicts.support,
        "rocking_m": verdicts.rocking_m,
        "edge_m": verdicts.edge_m,
        "beside_m": verdicts.beside_m,
        "observed": verdicts.observed,
    }


def _rows(verdicts: Verdicts) -> Iterator[list[str]]:
    """Yield one row of text a verdict, in the order of `VERDICT_COLUMNS`."""
    words = {label.value: label.word for label in Label}
    columns: dict[str, list[str]] = {name: _texts(values) for name, values in verdict_numbers(verdicts).items()}
    columns["label"] = [words[k] for k in verdicts.label.tolist()]
    columns["reasons"] = [";".join(REASONS[k] for k in row if k >= 0) for row in verdicts.reason.tolist()]
    columns["patch_id"] = [str(k) if k >= 0 else "" for k in verdicts.patch_id.tolist()]
    for row in zip(*(columns[name] for name in VERDICT_COLUMNS), strict=True):
        yield list(row)


def _who(verdicts: Verdicts, names: Mapping[int, str]) -> Iterator[list[str]]:
    """Yield the columns of `OVERRULE_COLUMNS`, none of them where no decision is in force."""
    if not names:
        yield from ([] for _ in range(len(verdicts)))
        return
    words = {label.value: label.word for label in Label}
    for label, number in zip(verdicts.measured_label.tolist(), verdicts.overrule.tolist(), strict=True):
        yield [words[label], names.get(number, "")]


def _texts(values: FloatArray) -> list[str]:
    tidy = np.round(values, _DECIMALS) + 0.0  # no minus zero
    return [f"{value:.{_DECIMALS}f}" if math.isfinite(value) else "" for value in tidy.tolist()]
