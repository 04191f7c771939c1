"""`terrain unseen`: ground that nobody saw and that matters, and from where to look."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import click

from terrain.cli.options import Number


def _parse_route(_: click.Context, __: click.Parameter, text: str | None) -> tuple[tuple[float, float], ...]:
    """Return the corners of a route given as `x,y x,y ...`."""
    if text is None:
        return ()
    try:
        corners = [tuple(float(part) for part in corner.split(",")) for corner in text.replace(";", " ").split()]
    except ValueError:
        corners = []
    if len(corners) < 2 or any(len(c) != 2 or not all(map(math.isfinite, c)) for c in corners):
        raise click.BadParameter(f"got {text!r}, expected two points or more, such as '1.5,2 4,2.5 6,1'")
    return tuple((corner[0], corner[1]) for corner in corners)


def _parse_view(_: click.Context, __: click.Parameter, text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    try:
        low, high = (float(part) for part in text.split(","))
    except ValueError:
        low = high = math.nan
    if not -90.0 <= low < high <= 90.0:
        raise click.BadParameter(f"got {text!r}, expected two angles below the horizontal in degrees, such as -15,60")
    return low, high


@click.command("unseen")
@click.argument("map_folder", metavar="MAP", type=click.Path(exists=True, path_type=Path))
@click.option("--route", metavar="'X,Y X,Y ...'", callback=_parse_route, help="A route; blind spots on it come first.")
@click.option(
    "--sensor-height-m",
    type=Number(0.05, 10.0),
    default=0.6,
    show_default=True,
    help="How high the sensor stands over the ground under the robot. A map does not know it: measure yours.",
)
@click.option(
    "--field-of-view-deg",
    "view",
    metavar="UP,DOWN",
    callback=_parse_view,
    help="Flattest and steepest beam, degrees below the horizontal, such as -15,60; left out, all directions.",
)
@click.option("--most", type=click.IntRange(1, 500), default=20, show_default=True, help="List at most so many.")
@click.option("--json", "as_json", is_flag=True, help="Print everything, with outlines, as JSON.")
@click.option(
    "--picture",
    metavar="PNG",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Draw them on a plan; an existing file is replaced.",
)
def unseen_command(
    map_folder: Path,
    route: tuple[tuple[float, float], ...],
    sensor_height_m: float,
    view: tuple[float, float] | None,
    most: int,
    as_json: bool,
    picture: Path | None,
) -> None:
    """List ground of a MAP that nobody saw and that matters, and where to stand to see it.

    \b
      terrain unseen MAP
      terrain unseen MAP --route '1.5,2 4,2.5 6,1' --picture unseen.png

    Ranked by how much steppable ground it would join; on a route, by how much of the route lies on it. Each has up to
    three places on steppable ground from which the sensor would see it past all that is known to stand or hang in the
    way. The stops at the end are a short pass that shows most of them.
    """  # noqa: D301 - click reads \b as the character
    if picture is not None and picture.suffix.lower() != ".png":
        raise click.BadParameter(f"got {picture.name!r}, expected a name that ends in .png", param_hint="--picture")
    from terrain.maps.blind_search import SearchSettings
    from terrain.maps.blind_spots import eye_of, find_blind_spots
    from terrain.maps.blind_words import describe, draw_blind_spots, format_table
    from terrain.maps.store import open_map

    terrain_map = open_map(map_folder)
    eye: dict[str, Any] = {"height_m": sensor_height_m}
    if view is not None:
        eye |= {"shallowest_rad": math.radians(view[0]), "steepest_rad": math.radians(view[1])}
    found = find_blind_spots(
        terrain_map, eye=eye_of(terrain_map, **eye), route_m=route, settings=SearchSettings(most=most)
    )
    if picture is not None:
        draw_blind_spots(terrain_map, found, picture)
    shown = describe(terrain_map, found)
    click.echo(json.dumps(shown, indent=2, ensure_ascii=False) if as_json else format_table(terrain_map, found))
