"""`terrain feet`: the foot profiles that come with the package."""

from __future__ import annotations

import math

import click

from terrain.data import FootProfile, Limit
from terrain.foot import configs_folder, foot_names, load_foot


@click.command("feet")
def feet_command() -> None:
    """List the foot profiles that come with the package: sole, limits and clearance.

    Limits are comfort/limit. The profiles are examples: set the numbers of your own robot.
    """
    click.echo(format_feet([load_foot(name) for name in foot_names()]))
    click.echo(
        f"\nLimits are comfort/limit. All are examples; copy one from {configs_folder() / 'feet'} and set your own."
    )


def format_feet(feet: list[FootProfile]) -> str:
    """Return a table of profiles, one column a profile, a row a quantity."""
    rows = [("", [foot.name for foot in feet])]
    rows += [(label, [show(foot) for foot in feet]) for label, show in _ROWS]
    first = max(len(label) for label, _ in rows)
    widths = [max(len(cells[k]) for _, cells in rows) for k in range(len(feet))]
    lines = [
        "  ".join([label.ljust(first), *(cell.rjust(width) for cell, width in zip(cells, widths, strict=True))])
        for label, cells in rows
    ]
    return "\n".join(line.rstrip() for line in lines)


def _pair(limit: Limit, scale: float = 1.0) -> str:
    return f"{limit.comfort * scale:.4g}/{limit.limit * scale:.4g}"


def _size_mm(foot: FootProfile) -> str:
    length, width = (foot.outline_m.max(axis=0) - foot.outline_m.min(axis=0)) * 1000.0
    return f"{length:.0f} x {width:.0f}"


_ROWS = (
    ("sole length x width, mm", _size_mm),
    ("slope, degrees", lambda foot: _pair(foot.slope_rad, math.degrees(1.0))),
    ("roughness, mm", lambda foot: _pair(foot.roughness_m, 1000.0)),
    ("support, share", lambda foot: _pair(foot.support)),
    ("rocking, mm", lambda foot: _pair(foot.rocking_m, 1000.0)),
    ("edge, mm", lambda foot: _pair(foot.edge_m, 1000.0)),
    ("beside, mm", lambda foot: _pair(foot.beside_m, 1000.0)),
    ("observed, share", lambda foot: _pair(foot.observed)),
    ("contact, mm", lambda foot: f"{foot.contact_m * 1000.0:.4g}"),
    ("drop, mm", lambda foot: f"{foot.drop_m * 1000.0:.4g}"),
    ("joint, mm", lambda foot: f"{foot.joint_m * 1000.0:.4g}"),
    (
        "clearance radius x height, mm",
        lambda foot: f"{foot.shin_radius_m * 1000.0:.0f} x {foot.clear_height_m * 1000.0:.0f}",
    ),
    ("step up/down, mm", lambda foot: f"{foot.max_up_m * 1000.0:.4g}/{foot.max_down_m * 1000.0:.4g}"),
    ("step reach, mm", lambda foot: f"{foot.max_reach_m * 1000.0:.4g}"),
    ("confidence z", lambda foot: f"{foot.z:.4g}"),
)
