"""How stored times are to be read: their unit, and what they count from. Told by evidence and said, never guessed.

Evidence, strongest first: what the survey states; a date between 2000 and 2100; the time between the stamps of
scans; the span of the poses; how many points a second a lidar can return at most; whether values have fractions.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from terrain.data import UNITS_S, FloatArray, ScanOptions, TimeReading
from terrain.errors import DataError

EPOCH_S = (946_684_800.0, 4_102_444_800.0)
"""The years 2000 to 2100 in seconds since 1970."""
FASTEST_PER_S = 2e7
"""No lidar returns more points a second. A thinned cloud may hold as few as one likes: that is no evidence."""
DAY_S = 86_400.0
SWEEP_SHARE = (0.05, 1.5)
"""A sweep takes this share of the time to the next one: units are a factor of 1000 apart, so at most one fits."""
SWEEP_S = (0.002, 5.0)
"""From a short frame of a solid-state lidar to a slow turn of a spindle."""
LEAST_SHARE = 0.02
"""The scans of a survey fill at least this share of the time its poses span."""
COARSE_S, USELESS_S = 1e-3, 0.05
NAMES = (
    "time", "timestamp", "t", "gps_time", "gpstime", "time_stamp", "point_time", "offset_time", "time_offset",
    "timestampoffset", "point_time_offset",
)  # fmt: skip
SUFFIXES = {"_ns": "ns", "_nsec": "ns", "_us": "us", "_usec": "us", "_ms": "ms", "_msec": "ms", "_s": "s", "_sec": "s"}
WORDS = {"s": "seconds", "ms": "milliseconds", "us": "microseconds", "ns": "nanoseconds"}


@dataclass(frozen=True, slots=True)
class TimeSample:
    """The stored times of one scan: least, greatest, how many, all whole numbers or not; the scan's stamp if any."""

    low: float
    high: float
    points: int
    whole: bool
    stamp_s: float | None = None


@dataclass(frozen=True, slots=True)
class TimeFacts:
    """A field of times: name, type, samples in order, what stamps are, span of the poses, how many files there are."""

    where: str
    field: str | None
    dtype: np.dtype[np.generic] | None
    samples: tuple[TimeSample, ...]
    stamps: str = "stamps"
    poses_s: tuple[float, float] | None = None
    files: int = 1


def time_field(names: Sequence[str], asked: str | None, *, where: str) -> str | None:
    """Return the name of the field of times among the fields of a file; None where there is none.

    Raises
    ------
    DataError
        The field that was asked for is not there.
    """
    if asked is not None:
        if asked not in names:
            raise DataError(f"{where}: got the fields {', '.join(names)}, expected {asked!r}, the time_field asked for")
        return asked
    bare = {name.lower().removeprefix("scalar_"): name for name in reversed(names)}
    for known in NAMES:
        for candidate in (known, *(known + suffix for suffix in SUFFIXES)):
            if candidate in bare:
                return bare[candidate]
    return None


def sample_of(raw: npt.NDArray[np.generic] | None, stamp_s: float | None) -> TimeSample:
    """Return what is to be known of the stored times of one scan."""
    if raw is None or len(raw) == 0:
        return TimeSample(math.nan, math.nan, 0 if raw is None else len(raw), True, stamp_s)
    values = raw.astype(np.float64)
    values = values[np.isfinite(values)]
    if len(values) == 0:
        return TimeSample(math.nan, math.nan, len(raw), True, stamp_s)
    whole = raw.dtype.kind in "iu" or bool((values == np.floor(values)).all())
    return TimeSample(float(values.min()), float(values.max()), len(raw), whole, stamp_s)


def read_times(facts: TimeFacts, options: ScanOptions) -> TimeReading:
    """Return how the times of a set of scans are to be read.

    Raises
    ------
    DataError
        The evidence fits no reading or several; the message says which key of the survey settles it.
    """
    with_times = [sample for sample in facts.samples if math.isfinite(sample.low)]
    stamped = any(sample.stamp_s is not None for sample in facts.samples)
    silent = facts.field is None or not with_times or all(s.low == s.high == 0.0 for s in with_times)
    if silent:
        return _whole(facts) if stamped else _none(facts)
    reading = _decided(facts, with_times, options)
    return _with_resolution(reading, facts, with_times)


def _whole(facts: TimeFacts) -> TimeReading:
    known = any(math.isfinite(sample.low) for sample in facts.samples)
    zero = "all times are 0" if known else "no time is a finite number"
    why = "there is no field of times" if facts.field is None else f"field {facts.field}: {zero}"
    return TimeReading(
        None, 1.0, "whole", f"{why}; each scan has the time of its {facts.stamps}",
        warning=f"{facts.where}: {why}, so each scan counts as one instant: motion within a scan is not corrected",
    )  # fmt: skip


def _none(facts: TimeFacts) -> TimeReading:
    if facts.field is None:
        return TimeReading(None, 1.0, "none", "there is no field of times and no stamp")
    return TimeReading(facts.field, 1.0, "clock", f"field {facts.field}: all times are 0, read as seconds")


def _decided(facts: TimeFacts, samples: list[TimeSample], options: ScanOptions) -> TimeReading:
    units = _units(facts, options)
    low, high = min(s.low for s in samples), max(s.high for s in samples)
    seen = f"field {facts.field} ({facts.dtype}) runs from {low:.15g} to {high:.15g}"
    dated = [u for u in units if _are_dates(samples, low, high, UNITS_S[u])]
    if facts.poses_s is not None:  # a clock of its own may read like dates; the poses know better
        inside = [u for u in units if _overlap(low * UNITS_S[u], high * UNITS_S[u], facts.poses_s) > 0.5]
        dated = [u for u in dated if u in inside or not inside]
    if dated and options.time_base != "scan":
        scale = UNITS_S[dated[0]]
        why = f"{seen}: {WORDS[dated[0]]} since 1970 ({np.datetime64(int(low * scale), 's')})"
        return TimeReading(facts.field, scale, "clock", why, _apart(facts, samples, scale))
    stamped = [s for s in samples if s.stamp_s is not None]
    if stamped:
        return _against_stamps(facts, stamped, units, seen, options)
    return _without_stamps(facts, samples, units, seen, options)


def _are_dates(samples: list[TimeSample], low: float, high: float, scale: float) -> bool:
    """Whether times are dates in that unit, of a pass of at most a day in scans that end before the next begins."""
    if not (EPOCH_S[0] <= low * scale and high * scale <= EPOCH_S[1] and (high - low) * scale <= DAY_S):
        return False
    stamps = np.array([s.stamp_s for s in samples if s.stamp_s is not None])
    steps = np.diff(stamps)
    if not (steps > 0).any():
        return True
    spread = float(np.median([s.high - s.low for s in samples])) * scale
    return spread <= SWEEP_SHARE[1] * float(np.median(steps[steps > 0]))


def _units(facts: TimeFacts, options: ScanOptions) -> list[str]:
    if options.time_unit is not None:
        return [options.time_unit]
    name = str(facts.field).lower()
    for suffix, unit in SUFFIXES.items():
        if name.endswith(suffix):
            return [unit]
    return list(UNITS_S)


def _by_fractions(units: list[str], samples: list[TimeSample]) -> list[str]:
    """Return units without seconds where all values are whole, without nanoseconds where they are not."""
    whole = all(s.whole for s in samples)
    return [unit for unit in units if len(units) == 1 or unit != ("s" if whole else "ns")]


def _apart(facts: TimeFacts, samples: list[TimeSample], scale: float) -> str | None:
    """Warn where points and stamps are on clocks that differ."""
    apart = [0.5 * (s.low + s.high) * scale - s.stamp_s for s in samples if s.stamp_s is not None]
    if not apart or abs(float(np.median(apart))) < 1.0:
        return None
    return (
        f"{facts.where}: the points' times are {float(np.median(apart)):.3f} s off the {facts.stamps}: two clocks; "
        "the points' own was taken"
    )


def _against_stamps(
    facts: TimeFacts, samples: list[TimeSample], units: list[str], seen: str, options: ScanOptions
) -> TimeReading:
    stamps = np.array([s.stamp_s for s in samples], dtype=np.float64)
    lows, highs = np.array([s.low for s in samples]), np.array([s.high for s in samples])
    spread = float(np.median(highs - lows))
    steps = np.diff(stamps)
    period = float(np.median(steps[steps > 0])) if (steps > 0).any() else None
    between = np.abs(np.diff(lows))
    lasts = spread if spread > 0.0 or not (between > 0).any() else float(np.median(between[between > 0]))
    unit = _unit_of_sweep(facts, samples, units, lasts, period, seen)
    scale = UNITS_S[unit]
    sweep = f"{spread * scale:.4g} s a scan" + (f", scans {period:.4g} s apart" if period else "")
    near = 2.0 * max(period or 0.0, spread * scale)
    if options.time_base == "clock":
        why = f"{seen}, {sweep}: {WORDS[unit]} on one clock, as the survey states"
        return TimeReading(facts.field, scale, "clock", why, _apart(facts, samples, scale))
    from_stamp = float(np.median(np.maximum(np.abs(lows), np.abs(highs)))) * scale
    if from_stamp <= near or (options.time_base == "scan" and len(samples) == 1):
        return TimeReading(
            facts.field, scale, "stamp", f"{seen} in each scan, {sweep}: {WORDS[unit]} from the scan's {facts.stamps}"
        )
    on_clock = float(np.median(np.abs(lows * scale - stamps))) <= near + 0.5
    in_poses = facts.poses_s is not None and _overlap(lows[0] * scale, highs[-1] * scale, facts.poses_s) > 0.0
    stamps_in_poses = facts.poses_s is not None and facts.poses_s[0] <= stamps[0] <= facts.poses_s[1]
    if options.time_base != "scan" and (on_clock or (in_poses and not stamps_in_poses)):
        return TimeReading(
            facts.field, scale, "clock", f"{seen}, {sweep}: {WORDS[unit]} on the clock of the "
            + (facts.stamps if on_clock else "poses"), None if on_clock else _apart(facts, samples, scale),
        )  # fmt: skip
    return TimeReading(
        facts.field, scale, "own", f"{seen}, {sweep}: {WORDS[unit]} on a clock of the sensor's own",
        warning=f"{facts.where}: the points' times are on a clock of their own; the first point of each scan was given "
        f"the time of its {facts.stamps}",
    )  # fmt: skip


def _unit_of_sweep(
    facts: TimeFacts, samples: list[TimeSample], units: list[str], spread: float, period: float | None, seen: str
) -> str:
    """Return the unit in which a scan lasts about as long as it takes to the next one."""
    if len(units) == 1:
        return units[0]
    if period is not None:
        fits = [u for u in units if SWEEP_SHARE[0] <= spread * UNITS_S[u] / period <= SWEEP_SHARE[1]]
        given = f"scans {period:.4g} s apart"
    else:
        points = int(np.median([s.points for s in samples]))
        fits = [u for u in _by_fractions(units, samples) if _is_sweep(points, spread * UNITS_S[u])]
        given = f"{points} points in a scan"
    if len(fits) == 1:
        return fits[0]
    raise DataError(f"{facts.where}: {seen}, {spread:.6g} in each scan, {given}: {_fitting(fits)}; {_settle()}")


def _without_stamps(
    facts: TimeFacts, samples: list[TimeSample], units: list[str], seen: str, options: ScanOptions
) -> TimeReading:
    if options.time_base == "scan" or _same_window(samples, units):
        raise DataError(
            f"{facts.where}: {seen} in each scan: times count from the start of each scan, and nothing says when that "
            "was; expected scans.stamps, a file of one time a scan"
        )
    low, high = min(s.low for s in samples), max(s.high for s in samples)
    if options.time_unit is not None or len(units) == 1:
        asked = "as the survey states" if options.time_unit else "as its name says"
        return TimeReading(facts.field, UNITS_S[units[0]], "clock", f"{seen}: {WORDS[units[0]]}, {asked}")
    points, spread = sum(s.points for s in samples), sum(s.high - s.low for s in samples)
    told = _by_fractions(units, samples)
    possible = [u for u in told if points <= FASTEST_PER_S * spread * UNITS_S[u] or spread == 0.0]
    fits, given = possible, ""
    if facts.poses_s is not None:
        inside = [u for u in possible if _overlap(low * UNITS_S[u], high * UNITS_S[u], facts.poses_s) > 0.5]
        whole = facts.poses_s[1] - facts.poses_s[0]
        share = max(spread, high - low) / len(samples) * max(facts.files, len(samples))
        filled = [u for u in inside if share * UNITS_S[u] >= LEAST_SHARE * whole]
        fits = filled or inside or possible
        given = f", poses from {facts.poses_s[0]:.6f} to {facts.poses_s[1]:.6f} s"
    if len(fits) != 1:
        raise DataError(f"{facts.where}: {seen}{given}, {points} points: {_fitting(fits)}; {_settle()}")
    scale = UNITS_S[fits[0]]
    said = f"{points / (spread * scale):.3g} points a second" if spread else "one time"
    if facts.poses_s is not None:
        within = _overlap(low * scale, high * scale, facts.poses_s) > 0.5
        said = ("within" if within else "outside") + f" the span of the poses, {said}"
    return TimeReading(facts.field, scale, "clock", f"{seen}: {WORDS[fits[0]]}, {said}")


def _is_sweep(points: int, seconds: float) -> bool:
    """Whether that many points in that time may be one scan."""
    return SWEEP_S[0] <= seconds <= SWEEP_S[1] and points <= FASTEST_PER_S * seconds


def _overlap(low: float, high: float, span: tuple[float, float]) -> float:
    """Return the share of [low, high] that lies in the span, which is taken a second wider."""
    inside = min(high, span[1] + 1.0) - max(low, span[0] - 1.0)
    if high <= low:
        return float(inside >= 0.0)
    return max(inside, 0.0) / (high - low)


def _same_window(samples: list[TimeSample], units: list[str]) -> bool:
    """Whether several scans cover the same short window, as times do that start anew with each scan."""
    if len(samples) < 2:
        return False
    spread = max(s.high - s.low for s in samples)
    short = any(_is_sweep(max(s.points for s in samples), spread * UNITS_S[unit]) for unit in units)
    edges = [abs(s.low - samples[0].low) + abs(s.high - samples[0].high) for s in samples]
    return short and max(edges) < 0.2 * spread


def _fitting(fits: list[str]) -> str:
    if not fits:
        return "no unit makes sense of them"
    return " or ".join(WORDS[u] for u in fits) + " would fit"


def _settle() -> str:
    return 'expected scans.time_unit (s, ms, us or ns) and, where times start anew with each scan, time_base = "scan"'


def _with_resolution(reading: TimeReading, facts: TimeFacts, samples: list[TimeSample]) -> TimeReading:
    """Refuse or warn of times whose stored type is too coarse for them; warn of one time for a whole scan."""
    warning = reading.warning
    if facts.dtype is not None and facts.dtype == np.float32:
        largest = max(abs(s.high) for s in samples)
        step_s = float(np.spacing(np.float32(largest))) * reading.scale_s
        got = (
            f"{facts.where}: field {facts.field} holds times up to {largest:.9g} as float32, in steps of {step_s:.3g} s"
        )
        if step_s > USELESS_S:
            raise DataError(f"{got}, expected float64 or times that count from the scan's start: they are lost")
        warning = warning or (got if step_s > COARSE_S else None)
    if all(s.low == s.high for s in samples) and sum(s.points for s in samples) > len(samples):
        said = f"{facts.where}: field {facts.field} is one time for a whole scan: motion within it is not corrected"
        warning = warning or said
    return TimeReading(reading.field, reading.scale_s, reading.base, reading.why, warning)


def applied(
    reading: TimeReading, raw: npt.NDArray[np.generic] | None, count: int, stamp_s: float | None, own_low: float | None
) -> FloatArray | None:
    """Return the times of points in seconds on the scan clock.

    Parameters
    ----------
    raw : (n,) array, optional
        As stored.
    count : int
        How many points.
    stamp_s : float, optional
        The scan's stamp.
    own_low : float, optional
        The scan's least stored time; what is in `raw` where it is left out.
    """
    if reading.base == "none" or (reading.base != "clock" and stamp_s is None):
        return None
    if reading.base == "whole" or raw is None:
        return np.full(count, stamp_s, dtype=np.float64) if reading.base == "whole" else None
    values = raw.astype(np.float64)
    if reading.base == "own" and count:
        values = values - (own_low if own_low is not None else float(np.nanmin(values)))
    if reading.scale_s != 1.0:
        values *= reading.scale_s
    if reading.base != "clock" and stamp_s is not None:
        values += stamp_s
    return values
