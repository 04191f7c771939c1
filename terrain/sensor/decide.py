"""Measured quantities with their uncertainty, and the decision with a guard band."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

PASS, FAIL, UNDECIDED = "pass", "fail", "undecided"
COVERAGE = 2.0
"""Factor k of the expanded uncertainty U = k u_c; about 95 % (JCGM 100:2008, 6.2 and G.6.6)."""

SCALE = {"m": (1e3, "mm"), "rad": (math.degrees(1.0), "deg"), "s": (1e3, "ms"), "ppm": (1e6, "ppm"), "": (1.0, "")}
"""Unit inside: factor and unit on a page."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measured quantity: SI value, expanded uncertainty U (k = 2), tolerance, decision and what would decide it.

    unit : "m", "rad", "s", "ppm" (a plain ratio, shown in millionths) or "" (a ratio)
    budget : standard uncertainties by their source, which add by their squares
    tolerance None: for information, never judged.
    """

    name: str
    unit: str
    value: float
    expanded: float
    tolerance: float | None
    decision: str
    advice: str = ""
    budget: Mapping[str, float] = field(default_factory=dict)

    def shown(self, value: float) -> float:
        """Return a value in the unit of pages."""
        return value * SCALE[self.unit][0]

    @property
    def shown_unit(self) -> str:
        """Return the unit of pages."""
        return SCALE[self.unit][1]


def combined(parts: Iterable[float]) -> float:
    """Return the root of the sum of squares: the combined standard uncertainty of uncorrelated parts.

    Source: JCGM 100:2008, 5.1.2, equation 10 with sensitivities of 1.
    """
    return math.sqrt(sum(part * part for part in parts))


def even_width_sd(half_width: float) -> float:
    """Return the standard uncertainty of what lies evenly within +- half_width: a / sqrt(3) (JCGM 100:2008, 4.3.7)."""
    return half_width / math.sqrt(3.0)


def decide(value: float, expanded: float, tolerance: float) -> str:
    """Return "pass" if |value| + U <= tolerance, "fail" if |value| - U > tolerance, else "undecided".

    Notes
    -----
    Guarded acceptance and guarded rejection with a band of U on both sides (JCGM 106:2012, 8.3). What is not finite
    is undecided.
    """
    if not (math.isfinite(value) and math.isfinite(expanded)):
        return UNDECIDED
    if abs(value) + expanded <= tolerance:
        return PASS
    return FAIL if abs(value) - expanded > tolerance else UNDECIDED


def worst(decisions: Iterable[str]) -> str:
    """Return "fail" if any is, else "undecided" if any is, else "pass"."""
    found = set(decisions)
    return FAIL if FAIL in found else UNDECIDED if UNDECIDED in found else PASS


REMEDY = {
    "noise": "scan it {times:.0f} times as long, or from nearer",
    "reference": "measure the target itself {finer:.1f} times as finely",
    "poses": "repeat it from {times:.0f} times as many stands, or get poses {finer:.1f} times as good",
    "sensor": "tell range offset, scale or clock first: see across the targets",
    "shape": "use a flatter plate",
}


def judged(
    name: str,
    unit: str,
    value: float,
    budget: Mapping[str, float],
    tolerance: float | None,
    *,
    enough: str = "",
) -> Quantity:
    """Return a quantity with its decision, and what to measure where it is undecided.

    Parameters
    ----------
    name, unit, value
        As in `Quantity`.
    budget : mapping
        Standard uncertainties by source.
    tolerance : float or None
        None: not judged.
    enough : str
        Why too little was seen to decide anything; empty where enough was.
    """
    u = combined(budget.values())
    expanded = COVERAGE * u
    if tolerance is None:
        return Quantity(name, unit, value, expanded, None, PASS, "", dict(budget))
    decision = UNDECIDED if enough else decide(value, expanded, tolerance)
    advice = enough or (_advice(unit, value, expanded, tolerance, budget) if decision == UNDECIDED else "")
    return Quantity(name, unit, value, expanded, tolerance, decision, advice, dict(budget))


def _advice(unit: str, value: float, expanded: float, tolerance: float, budget: Mapping[str, float]) -> str:
    factor, word = SCALE[unit]
    if not (math.isfinite(value) and math.isfinite(expanded)):
        return "it could not be computed"
    room = abs(tolerance - abs(value))
    known = f"U is {expanded * factor:.2g} {word}, and the value lies {room * factor:.2g} {word} from its tolerance"
    if room < 0.05 * tolerance:
        return f"{known}: too near to decide by measuring more; mend it, or widen the tolerance"
    source = max(budget, key=lambda part: budget[part])
    others = combined(part for key, part in budget.items() if key != source)
    allowed = (room / COVERAGE) ** 2 - others**2
    if allowed <= 0.0:
        return f"{known}: no single source is to blame ({', '.join(budget)}); reduce all of them"
    finer = budget[source] / math.sqrt(allowed)
    remedy = REMEDY.get(source, "measure it {finer:.1f} times as finely").format(
        finer=max(finer, 1.1), times=max(2.0, math.ceil(finer * finer))
    )
    return f"{known}, mostly from {source}: {remedy}"
