"""`terrain overrule`: people's decisions on a map, listed, made and undone without a browser."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from terrain.maps.overrules import Overrule, OverruleLayer

_Corners = tuple[tuple[float, float], ...]


def _parse_area(_: click.Context, __: click.Parameter, text: str | None) -> _Corners | None:
    """Return the corners of an area given as `x,y x,y x,y ...`."""
    if text is None:
        return None
    try:
        corners = [tuple(float(part) for part in corner.split(",")) for corner in text.replace(";", " ").split()]
    except ValueError:
        corners = []
    if len(corners) < 3 or any(len(c) != 2 or not all(map(math.isfinite, c)) for c in corners):
        raise click.BadParameter(f"got {text!r}, expected three corners or more, such as '1,2 3,2 3,4'")
    return tuple((corner[0], corner[1]) for corner in corners)


def _parse_limits(_: click.Context, __: click.Parameter, texts: tuple[str, ...]) -> dict[str, float]:
    """Return quantity -> worst value that is accepted, from `quantity=value`."""
    limits: dict[str, float] = {}
    for text in texts:
        name, _sign, value = text.partition("=")
        try:
            limits[name.strip()] = float(value)
        except ValueError:
            raise click.BadParameter(f"got {text!r}, expected such as slope_deg=20") from None
    return limits


@click.command("overrule")
@click.argument("map_folder", metavar="MAP", type=click.Path(exists=True, path_type=Path))
@click.option("--keep-out", metavar="'X,Y X,Y X,Y ...'", callback=_parse_area, help="Keep this area out.")
@click.option("--accept", metavar="'X,Y X,Y X,Y ...'", callback=_parse_area, help="Accept marginal ground in it.")
@click.option("--past-limit", type=int, metavar="NUMBER", help="Take an acceptance past the limits named by --worst.")
@click.option(
    "--worst",
    multiple=True,
    metavar="QUANTITY=VALUE",
    callback=_parse_limits,
    help="With --past-limit: the worst value to accept, such as slope_deg=20; once a limit.",
)
@click.option("--confirm", multiple=True, metavar="QUANTITY", help="With --past-limit: name each limit again.")
@click.option("--undo", type=int, metavar="NUMBER", help="Take a decision back; it stays on record.")
@click.option(
    "--level", type=click.IntRange(min=0), help="The level it counts for; left out, --keep-out counts for all."
)
@click.option("--name", default="", help="Who decides.")
@click.option("--reason", default="", help="Why.")
def overrule_command(
    map_folder: Path,
    keep_out: _Corners | None,
    accept: _Corners | None,
    past_limit: int | None,
    worst: dict[str, float],
    confirm: tuple[str, ...],
    undo: int | None,
    level: int | None,
    name: str,
    reason: str,
) -> None:
    """List, make or undo people's decisions on a MAP; `terrain page` does the same with a plan.

    \b
      terrain overrule MAP
      terrain overrule MAP --keep-out '1,2 3,2 3,4' --name 'Ines Example' --reason 'hose across'
      terrain overrule MAP --accept '1,2 3,2 3,4' --level 0 --name 'Ines Example' --reason 'mats laid'
      terrain overrule MAP --past-limit 2 --worst slope_deg=20 --confirm slope_deg --name ... --reason ...
      terrain overrule MAP --undo 1 --name 'Ines Example'

    Kept out is every footing that touches the area. Accepted is what lies in it as a whole and is marginal; past a
    limit only what a second decision names. Ground that was not seen is never accepted.
    """  # noqa: D301 - click reads \b as the character
    wanted = [one for one in (keep_out, accept, past_limit, undo) if one is not None]
    if len(wanted) > 1:
        raise click.UsageError("Give one of --keep-out, --accept, --past-limit and --undo at a time.")
    from terrain.maps import overrules
    from terrain.maps.overruled import holds_ground
    from terrain.maps.store import open_map

    terrain_map = open_map(map_folder)
    signed = {"name": name, "reason": reason}
    if not wanted:
        click.echo(format_decisions(overrules.read_overrules(map_folder)))
        return
    if undo is not None:
        record = overrules.undo(map_folder, of=undo, **signed)
    elif past_limit is not None:
        record = overrules.accept_past_limit(map_folder, of=past_limit, past_limits=worst, confirmed=confirm, **signed)
    else:
        kind, area = ("keep-out", keep_out) if keep_out is not None else ("accept", accept)
        record = overrules.add_area(map_folder, kind=kind, area_m=area or (), level=level, **signed)
        levels = [number for number in terrain_map.levels if level in (None, number)]
        if not holds_ground(map(terrain_map.level, levels), area or ()):
            where = "this map" if level is None else f"level {level} of this map"
            click.echo(f"note: no ground of {where} lies in that area: check its corners", err=True)
    click.echo(_line(record))


def format_decisions(layer: OverruleLayer) -> str:
    """Return every decision as a line, with what became of it."""
    if not layer.records:
        return "Nobody has decided anything on this map."
    in_force = {rule.number for rule in layer.in_force()}
    lapsed = {rule.number for rule in layer.lapsed()}
    undone = {record.of for record in layer.records if record.kind == "undo"}

    def state(record: Overrule) -> str:
        if record.kind == "undo":
            return "on record"
        if record.number in undone:
            return "undone"
        if record.number in lapsed or record.of in lapsed:
            return "lapsed: the map was replaced"
        return "in force" if record.number in in_force or record.of in in_force else "does not count"

    return "\n".join(f"{_line(record)} [{state(record)}]" for record in layer.records)


def _line(record: Overrule) -> str:
    what = record.kind if record.of is None else f"{record.kind} {record.of}"
    where = "" if record.kind not in ("keep-out", "accept") else f", {_level(record)}"
    limits = "".join(f", {name} to {value:g}" for name, value in record.past_limits.items())
    why = f": {record.reason}" if record.reason else ""
    return f"{record.number}  {what}{where}{limits}, {record.name}, {record.time}{why}"


def _level(record: Overrule) -> str:
    return "every level" if record.level is None else f"level {record.level}"
