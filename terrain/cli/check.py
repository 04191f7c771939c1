"""`terrain check`: is the sensor right."""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from terrain.cli.options import survey_overrides

if TYPE_CHECKING:
    from terrain.sensor.decide import Quantity
    from terrain.sensor.history import Entry
    from terrain.sensor.run import CheckRun

EXIT = {"pass": 0, "fail": 3, "undecided": 4}
"""Exit code by verdict; 1 and 2 are problems with data and usage."""


@click.command("check")
@click.argument("survey", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.argument("targets", required=False, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Report to write, .html; its data go beside it as .json.")
@click.option("--replace", is_flag=True, help="Replace a report of that name.")
@click.option("--only", metavar="SENSOR", help="Which sensor, in a survey of several.")
@click.option("--history", "show", is_flag=True, help="Show each sensor's earlier checks; --out draws them (png, svg).")
@click.option(
    "--history-file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Table of checks; by default sensor-checks.sqlite beside the survey, or $TERRAIN_CHECKS.",
)
@survey_overrides
@click.pass_context
def check_command(
    ctx: click.Context,
    survey: Path,
    targets: Path | None,
    out: Path | None,
    replace: bool,
    only: str | None,
    show: bool,
    history_file: Path | None,
    overrides: Mapping[str, str],
) -> None:
    """Check the sensor of SURVEY against the known surfaces in TARGETS (both TOML files).

    Without TARGETS only those checks run that need none: passes in opposite directions, halves of a spindle's turn,
    ring against ring. Exit code 0: pass, 3: fail, 4: undecided. Options named after keys of the survey stand in for
    them.
    """
    if show:
        if targets is not None:
            raise click.UsageError("--history takes a survey only, no targets")
        _show_history(survey, history_file, out, replace=replace, only=only)
        return
    if out is None:
        raise click.UsageError("missing option '--out', the report to write")
    from terrain.cli.assess import ProgressLines
    from terrain.sensor.run import check

    with ProgressLines(live=sys.stderr.isatty()) as progress:
        run = check(
            survey,
            targets,
            out,
            sensor_name=only,
            history=history_file,
            overrides=overrides,
            replace=replace,
            progress=progress,
        )
    click.echo(format_run(run))
    ctx.exit(EXIT[run.checked.verdict])


def format_run(run: CheckRun) -> str:
    """Return what a person must know of a check, readable in ten seconds."""
    from terrain.sensor.adjust import mount_line
    from terrain.sensor.report import NO_TARGETS

    checked = run.checked
    judged = checked.quantities()
    lines = [f"{checked.verdict.upper()}: sensor '{run.sensor_name}', {run.survey.name}", ""]
    lines += [_row(name, one) for name, one in judged if one.decision != "pass" and math.isfinite(one.value)]
    passed = sum(one.decision == "pass" for _, one in judged)
    lines += [f"  {passed} of {len(judged)} quantities pass" if judged else "  nothing could be judged", ""]
    lines += [f"  note      {note}" for note in checked.notes]
    lines += [f"  WARNING   {warning}" for warning in run.warnings]
    if not checked.targets:
        lines.append(f"  note      {NO_TARGETS}")
    for one in checked.alone:
        words = one.why_not or "; ".join(f"{quantity.name} {_number(quantity)}" for quantity in one.quantities)
        lines.append(f"  no target {one.name}: {words}")
    if checked.adjustment is not None and "mount" not in checked.adjustment.refused:
        off = [one for one in checked.adjustment.quantities if one.name.startswith("mount") and one.decision != "pass"]
        if off:
            lines += [
                "",
                "  mount for the survey file; check again with it:",
                f"  {mount_line(checked.adjustment.mount)}",
            ]
    across = checked.adjustment.quantities if checked.adjustment is not None else ()
    clock = [
        one for one in across if one.name == "clock offset" and one.decision != "pass" and math.isfinite(one.value)
    ]
    lines += [f"  add {one.value:+.5f} to the survey's time_offset_s; check again with it" for one in clock]
    lines += ["", f"  report {run.report}, data {run.data}, history {run.history}"]
    lines.append("  No certificate and no safety function. Any knock makes it void: check again.")
    return "\n".join(lines)


def _number(one: Quantity) -> str:
    unit = f" {one.shown_unit}" if one.shown_unit else ""
    return f"{one.shown(one.value):.3g} (U {one.shown(one.expanded):.2g}){unit}"


def _row(name: str, one: Quantity) -> str:
    tolerance = "" if one.tolerance is None else f", tolerance {one.shown(one.tolerance):.4g}"
    advice = f"\n{'':12}{one.advice}" if one.advice else ""
    return f"  {one.decision:<10}{name}: {one.name} {_number(one)}{tolerance}{advice}"


def _show_history(survey: Path, stated: Path | None, out: Path | None, *, replace: bool, only: str | None) -> None:
    from terrain.errors import ReadError
    from terrain.sensor.history import history_path, read_history

    path = history_path(survey, stated)
    entries = read_history(path)
    sensors = list(dict.fromkeys(entry.sensor for entry in entries))
    if not entries:
        raise ReadError(
            f"{path}: no checks yet, expected some made with: terrain check {survey.name} TARGETS --out REPORT"
        )
    if only is not None and only not in sensors:
        raise ReadError(f"{path}: got sensor {only!r}, expected one of {', '.join(sensors)}")
    for name in [only] if only else sensors:
        click.echo(format_history(name, [entry for entry in entries if entry.sensor == name]))
    if out is not None:
        _draw(entries, only or sensors[-1], sensors, out, replace=replace)


def _draw(entries: Sequence[Entry], name: str, sensors: Sequence[str], out: Path, *, replace: bool) -> None:
    from terrain.errors import ReadError
    from terrain.sensor.plots import save_trend

    if out.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise ReadError(f"{out}: got the ending {out.suffix!r}, expected .png, .svg or .pdf")
    if out.exists() and not replace:
        raise ReadError(f"{out}: exists already, expected a new name, or --replace")
    save_trend([entry for entry in entries if entry.sensor == name], out)
    more = f"; --only draws another of {len(sensors)}" if len(sensors) > 1 else ""
    click.echo(f"{out}: trend of sensor '{name}'{more}")


def format_history(name: str, entries: Sequence[Entry]) -> str:
    """Return one sensor's checks as a table: date, verdict, and the quantities across targets."""
    from terrain.sensor.decide import SCALE
    from terrain.sensor.plots import trend_names

    columns = trend_names(entries)[:6]
    heads = []
    for column in columns:
        unit = next(SCALE[e.quantities[column][3]][1] for e in entries if column in e.quantities)
        heads.append(f"{column.removeprefix('across targets: ')}" + (f", {unit}" if unit else ""))
    rows = [["date (UTC)", "verdict", *heads]]
    for entry in entries:
        cells = [entry.done_utc[:16].replace("T", " "), entry.verdict]
        for column in columns:
            value, expanded, _, unit, _ = entry.quantities.get(column, (None, None, None, "", ""))
            factor = SCALE[unit][0]
            cells.append("-" if value is None else f"{value * factor:.3g} (U {(expanded or 0.0) * factor:.2g})")
        rows.append(cells)
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    return "\n".join([f"sensor '{name}'", *(f"  {line}" for line in lines), ""])
