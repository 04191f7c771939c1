"""A check as JSON; its JSON Schema is `check.schema.json` beside this module."""

from __future__ import annotations

import json
import math
from typing import Any

import terrain
from terrain.sensor.adjust import Adjustment, mount_line
from terrain.sensor.decide import Quantity
from terrain.sensor.observe import FREEDOMS
from terrain.sensor.run import CheckRun

FORMAT, FORMAT_VERSION = "terrain sensor check", 1

CAUTIONS = (
    "This check says whether the sensor met the configured tolerances when it was made, on these surfaces and at these "
    "ranges, and no more. It is no certificate of calibration and no safety function.",
    "Any knock, and any change of mount, cable, firmware or temperature, makes it void: check again.",
    "U holds what was stated of targets and poses. If the targets lie elsewhere than stated by more than their sd, or "
    "the poses are worse than stated, U is too small, and no computation can tell.",
    "An error that is the same on every target, such as a frame that is off as a whole, is taken for the mount's.",
    "Wet, glossy, very dark or see-through surfaces measure otherwise than a matt plate.",
    "Before you paste the mount line: stop the robot and keep people out of its reach. Then check again with it.",
)


def quantity_data(one: Quantity) -> dict[str, Any]:
    """Return a quantity in the units of pages; null where there is no value."""

    def shown(value: float | None) -> float | None:
        return None if value is None or not math.isfinite(value) else round(one.shown(value), 6)

    return {
        "name": one.name,
        "unit": one.shown_unit,
        "value": shown(one.value),
        "U": shown(one.expanded),
        "tolerance": shown(one.tolerance),
        "decision": one.decision if one.tolerance is not None else "information",
        "advice": one.advice,
        "u_by_source": {source: shown(u) for source, u in one.budget.items()},
    }


def report_data(run: CheckRun) -> dict[str, Any]:
    """Return everything a check found, as plain values."""
    checked, settings = run.checked, run.targets.settings
    return {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "software": f"terrain {terrain.__version__}",
        "done_utc": run.done_utc,
        "sensor": run.sensor_name,
        "survey": {"name": run.survey.name, "file": run.survey.path.name},
        "set_up": {"name": settings.name, "file": run.targets.path.name},
        "coverage_factor": 2,
        "verdict": checked.verdict,
        "points": run.points,
        "targets": [
            {
                "name": target.name,
                "kind": target.kind,
                "points": target.points,
                "stands": target.stands,
                "seen": {key: _number(value) for key, value in target.facts.items()},
                "quantities": [quantity_data(one) for one in target.quantities],
                "set_aside": (checked.adjustment.set_aside.get(target.name, "") if checked.adjustment else ""),
                "note": target.note,
            }
            for target in checked.targets
        ],
        "relations": [quantity_data(one) for one in checked.relations],
        "across": None if checked.adjustment is None else _across(checked.adjustment),
        "without_targets": [
            {
                "name": one.name,
                "applies": not one.why_not,
                "why_not": one.why_not,
                "cells": len(one.difference_m),
                "quantities": [quantity_data(quantity) for quantity in one.quantities],
            }
            for one in checked.alone
        ],
        "notes": list(checked.notes),
        "warnings": list(run.warnings),
        "cautions": list(CAUTIONS),
    }


def _across(found: Adjustment) -> dict[str, Any]:
    told = "mount" not in found.refused
    return {
        "quantities": [quantity_data(one) for one in found.quantities],
        "freedoms": dict(zip(FREEDOMS, found.sees.seen, strict=True)),
        "singular_values": [round(one, 9) for one in found.sees.singular],
        "singular_values_of_normals": [round(one, 9) for one in found.sees.translation],
        "condition_of_normals": _number(found.sees.condition),
        "ranges_m": [_number(one) for one in found.range_m],
        "refused": dict(found.refused),
        "set_aside": dict(found.set_aside),
        "to_add": list(found.sees.add),
        "converged": found.converged,
        "mount_line": mount_line(found.mount) if told else None,
        "covariance": [[_number(one) for one in row] for row in found.covariance.tolist()] if told else None,
        "covariance_order": [*FREEDOMS, "range offset", "range scale", "clock offset"],
        "left_after_correction_mm": {
            name: {"mean": _number(1e3 * mean), "rms": _number(1e3 * rms)} for name, (mean, rms) in found.after.items()
        },
    }


def _number(value: float) -> float | None:
    return float(f"{value:.9g}") if math.isfinite(value) else None


def as_text(run: CheckRun) -> str:
    """Return the JSON text of a check."""
    return json.dumps(report_data(run), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
