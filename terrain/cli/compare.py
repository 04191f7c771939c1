"""`terrain compare`: what changed between two passes over one site."""

from __future__ import annotations

import json
from pathlib import Path

import click

from terrain.cli.options import Number

_FOLDER = click.Path(exists=True, path_type=Path)


@click.command("compare")
@click.argument("map_before", metavar="MAP_A", type=_FOLDER)
@click.argument("map_after", metavar="MAP_B", type=_FOLDER)
@click.option(
    "--out",
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="A new folder for layer (GeoTIFF, GeoPackage), table (CSV), JSON and a plan; left out, none is written.",
)
@click.option("--replace", is_flag=True, help="Replace an older comparison of that name.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON instead of a table.")
@click.option(
    "--false-alarm",
    type=Number(0.0, 1.0, min_open=True, max_open=True),
    default=0.05,
    show_default=True,
    help="Chance that two passes over a site where nothing changed report any height.",
)
@click.option(
    "--least-height-mm",
    type=Number(min=0.0),
    default=10.0,
    show_default=True,
    help="Smaller height changes are left out, however sure they are.",
)
@click.option(
    "--least-area-cm2",
    type=Number(min=1.0),
    default=100.0,
    show_default=True,
    help="Smaller areas are left out.",
)
@click.option(
    "--accept-misaligned",
    is_flag=True,
    help="Compare even where the maps do not seem to lie in one frame, such as after a site was regraded.",
)
def compare_command(
    map_before: Path,
    map_after: Path,
    out: Path | None,
    replace: bool,
    as_json: bool,
    false_alarm: float,
    least_height_mm: float,
    least_area_cm2: float,
    accept_misaligned: bool,
) -> None:
    """Tell what changed from MAP_A to MAP_B beyond what both leave uncertain.

    \b
      terrain compare monday friday
      terrain compare monday friday --out changes

    Blocks that moved, debris, a deck that came or went, headroom that got less; each with its area and height and what
    they are uncertain by (about 95 %). Ground that only one pass saw is listed apart. Both maps must be in one frame:
    maps that do not line up are refused.
    """  # noqa: D301 - click reads \b as the character
    from terrain.compare.compare import CompareSettings, compare_maps
    from terrain.compare.output import check_out, describe, format_table, write_comparison
    from terrain.maps.store import open_map

    if out is not None:
        check_out(out, replace=replace)
    settings = CompareSettings(
        false_alarm=false_alarm, least_height_m=least_height_mm / 1000.0, least_area_m2=least_area_cm2 / 1e4
    )
    before, after = open_map(map_before), open_map(map_after)
    comparison = compare_maps(before, after, settings=settings, check_frames=not accept_misaligned)
    if out is not None:
        write_comparison(out, comparison, replace=replace)
    click.echo(json.dumps(describe(comparison), indent=2, ensure_ascii=False) if as_json else format_table(comparison))
    if out is not None:
        click.echo(f"written: {out}", err=True)
