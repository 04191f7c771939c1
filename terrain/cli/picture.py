"""`terrain picture`: a map as a drawing."""

from __future__ import annotations

from pathlib import Path

import click

LAYERS = ("label", "slope", "roughness", "height", "headroom", "points", "yaw_share")
"""As in `terrain.maps.picture`, which would be slow to import for a help text."""


@click.command("picture")
@click.argument("map_folder", metavar="MAP", type=click.Path(exists=True, path_type=Path))
@click.option(
    "--out",
    required=True,
    metavar="PNG",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The picture, such as plan.png; an existing one is replaced.",
)
@click.option(
    "--layer",
    type=click.Choice(LAYERS),
    default="label",
    show_default=True,
    help="What to draw. label: where a foot can stand, by its best yaw. yaw_share: for how many yaws.",
)
@click.option("--level", type=click.IntRange(min=0), help="Which level, from 0; left out, the first.")
def picture_command(map_folder: Path, out: Path, layer: str, level: int | None) -> None:
    """Draw a MAP from above, to scale, for printing or a report.

    \b
      terrain picture MAP --out plan.png
      terrain picture MAP --out slope.png --layer slope

    Labels are drawn in colours and in hatching, so that a grey print reads too. White with dots is ground that
    nobody saw. Lines in slope and roughness show where comfort ends (dashed) and the limit (full).
    """  # noqa: D301 - click reads \b as the character
    if out.suffix.lower() != ".png":
        raise click.BadParameter(f"got {out.name!r}, expected a name that ends in .png", param_hint="--out")
    from terrain.maps.picture import draw_plan
    from terrain.maps.store import open_map

    draw_plan(open_map(map_folder), out, layer=layer, level=level)
