"""`terrain export`: a map in the formats of other programs."""

from __future__ import annotations

import sys
from pathlib import Path

import click

FORMATS = ("ros2-bag", "geopackage", "geotiff", "copc", "ply", "csv")
"""As in `terrain.export.formats`, which would be slow to import for a help text."""
ENDINGS = {
    "geopackage": (".gpkg",),
    "geotiff": (".tif", ".tiff"),
    "copc": (".laz",),
    "ply": (".ply",),
    "csv": (".csv",),
}
"""By these the programs that are to read the files know them."""


@click.command("export")
@click.argument("map_folder", metavar="MAP", type=click.Path(exists=True, path_type=Path))
@click.option("--to", required=True, type=click.Choice(FORMATS), help="The format.")
@click.option(
    "--out",
    required=True,
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="The file; for ros2-bag a folder, or a name that ends in .mcap. An older one is replaced once all of the new "
    "one is there.",
)
@click.option("--level", type=click.IntRange(min=0), help="geotiff: which level, from 0; left out, the first.")
@click.option(
    "--points",
    type=click.Choice(("cloud", "cells")),
    help="copc and ply: the fused cloud (if nothing is said), or one point for every 2 cm cell.",
)
def export_command(map_folder: Path, to: str, out: Path, level: int | None, points: str | None) -> None:
    """Write a MAP as a file that other programs read, with labels and reasons.

    \b
      terrain export MAP --to ros2-bag --out dock-bag
      terrain export MAP --to geopackage --out dock.gpkg
      terrain export MAP --to geotiff --level 1 --out deck.tif
      terrain export MAP --to copc --out dock.copc.laz
      terrain export MAP --to ply --points cells --out dock.ply
      terrain export MAP --to csv --out dock.csv

    Areas that people kept out or accepted are in it as they are now; the file does not follow later decisions.
    """  # noqa: D301 - click reads \b as the character
    if level is not None and to != "geotiff":
        raise click.UsageError(f"--level is for geotiff; {to} holds all levels.")
    endings = ENDINGS.get(to)
    if endings is not None and out.suffix.lower() not in endings:
        raise click.UsageError(
            f"--out: got {out.name!r}, expected a name that ends in {' or '.join(endings)} for {to}."
        )
    if points is not None and to not in ("copc", "ply"):
        raise click.UsageError(f"--points is for copc and ply, not for {to}.")
    from terrain.cli.assess import ProgressLines
    from terrain.export.formats import export_map
    from terrain.maps.store import open_map

    terrain_map = open_map(map_folder)
    with ProgressLines(live=sys.stderr.isatty()) as show:
        export_map(
            terrain_map,
            out,
            to=to,
            level=level,
            points=points,
            progress=lambda done, total: show("judge cells", done, total),
        )
    others = [number for number in terrain_map.levels if number != (terrain_map.levels[0] if level is None else level)]
    if to == "geotiff" and others:
        click.echo(f"Also there: level {', '.join(map(str, others))} (--level)", err=True)
    click.echo(str(out))
