"""`terrain ask`: verdicts on foot placements."""

from __future__ import annotations

import json
import math
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

import click

if TYPE_CHECKING:
    from terrain.maps.store import TerrainMap

_COPY_CHARACTERS = 1 << 20


def _parse_at(context: click.Context, option: click.Parameter, text: str | None) -> tuple[float, ...] | None:
    """Return x, y, yaw in degrees and perhaps a level height, as `--at` gives them."""
    if text is None:
        return None
    fields = [field.strip() for field in text.split(",")]
    try:
        values = tuple(float(field) for field in fields)
    except ValueError:
        values = ()
    if len(values) not in (3, 4) or not all(math.isfinite(value) for value in values):
        raise click.BadParameter(
            f"got {text!r}, expected X,Y,YAW_DEG or X,Y,YAW_DEG,LEVEL_Z: finite numbers with commas and no spaces"
        )
    return values


@click.command("ask")
@click.argument("map_folder", metavar="MAP", type=click.Path(exists=True, path_type=Path))
@click.option(
    "--at",
    metavar="X,Y,YAW_DEG",
    callback=_parse_at,
    help="One placement: metres and degrees, map frame; yaw counter-clockwise from x. A fourth number picks the "
    "level nearest to that height (within 0.25 m), where a deck stands above a floor.",
)
@click.option(
    "--from",
    "table",
    metavar="CSV",
    type=click.Path(exists=True, dir_okay=False, allow_dash=True, path_type=Path),
    help="Many placements: a table with columns x_m,y_m,yaw_deg and optionally level_z_m. '-' reads standard input.",
)
@click.option(
    "--out",
    metavar="FILE",
    type=click.Path(dir_okay=False, allow_dash=True, path_type=Path),
    help="Where the answer goes; an existing file is replaced once all of it is there. Left out, or '-': printed.",
)
def ask_command(map_folder: Path, at: tuple[float, ...] | None, table: Path | None, out: Path | None) -> None:
    """Ask a MAP whether a foot can be put down, and why not.

    \b
      terrain ask MAP --at 3.20,1.05,90
      terrain ask MAP --from placements.csv --out verdicts.csv

    The label is steppable, marginal (you decide), unsteppable or unobserved. The reasons come worst first. One
    placement is answered as JSON, with every quantity, its standard deviation and its limits, and the reasons in
    words; a table is answered as a table, one row a row, in the same order. What has no value is null or empty.

    A verdict says whether the placement meets the configured limits, going by the ground as it was scanned. It is
    advice, not a safety function.
    """  # noqa: D301 - click reads \b as the character
    if (at is None) == (table is None):
        raise click.UsageError("Give either --at X,Y,YAW_DEG or --from CSV.")
    if table is not None and out is not None and str(table) != "-" and _is_same_file(table, out):
        raise click.UsageError(f"--out {out} would overwrite the placements; give another name.")
    from terrain.maps.store import open_map

    terrain_map = open_map(map_folder)
    with ExitStack() as stack:
        target = _open_target(stack, out)
        if at is not None:
            target.write(_answer(terrain_map, at))
        elif table is not None:
            _answer_table(terrain_map, table, target)


def _is_same_file(table: Path, out: Path) -> bool:
    return out.exists() and table.samefile(out)


def _open_target(stack: ExitStack, out: Path | None) -> TextIO:
    """Return a stream whose text reaches `out` or standard output only when all went well."""
    if out is not None and str(out) != "-":
        from terrain.maps.files import replacing

        draft = stack.enter_context(replacing(out))
        return stack.enter_context(draft.open("w", encoding="utf-8", newline=""))
    spool = stack.enter_context(tempfile.TemporaryFile("w+", encoding="utf-8", newline=""))
    stack.push(lambda kind, value, trace: _print_spooled(spool) if kind is None else None)
    return spool


def _print_spooled(spool: TextIO) -> None:
    spool.seek(0)
    while text := spool.read(_COPY_CHARACTERS):
        click.echo(text, nl=False)


def _answer(terrain_map: TerrainMap, at: tuple[float, ...]) -> str:
    from terrain.maps.answers import describe

    x_m, y_m, yaw_deg, *level_z_m = at
    verdicts = terrain_map.judge([[x_m, y_m, math.radians(yaw_deg), *level_z_m]])
    return json.dumps(describe(terrain_map, verdicts, 0), indent=2, allow_nan=False) + "\n"


def _answer_table(terrain_map: TerrainMap, table: Path, target: TextIO) -> None:
    from terrain.maps.answers import judge_table

    if str(table) == "-":
        sys.stdin.reconfigure(encoding="utf-8-sig", newline="")  # type: ignore[union-attr]
        tally = judge_table(terrain_map, sys.stdin, target, name="standard input")
    else:
        with table.open(encoding="utf-8-sig", newline="") as source:
            tally = judge_table(terrain_map, source, target, name=str(table))
    parts = ", ".join(f"{count} {word}" for word, count in sorted(tally.items()))
    click.echo(f"{sum(tally.values())} placements: {parts or 'the table has no rows'}", err=True)
