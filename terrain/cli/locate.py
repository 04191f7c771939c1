"""`terrain locate`: where a new pass lies in the frame of a map."""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping
from pathlib import Path

import click

from terrain.cli.assess import ProgressLines
from terrain.cli.options import survey_overrides

REFUSED = 3


def _parse_near(context: click.Context, option: click.Parameter, text: str | None) -> tuple[float, float, float] | None:
    """Return x, y and yaw in radians."""
    if text is None:
        return None
    try:
        values = tuple(float(part) for part in text.split(","))
    except ValueError:
        values = ()
    if len(values) != 3 or not all(math.isfinite(value) for value in values):
        raise click.BadParameter(f"got {text!r}, expected X,Y,YAW_DEG: three finite numbers with commas and no spaces")
    return values[0], values[1], math.radians(values[2])


@click.command("locate")
@click.argument("map_folder", metavar="MAP", type=click.Path(exists=True, path_type=Path))
@click.argument("survey", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--near",
    metavar="X,Y,YAW_DEG",
    callback=_parse_near,
    help="Roughly where the robot is in the map as the pass begins (for a survey without poses: where its origin "
    "is), within half a metre and ten degrees. Left out: the whole map is searched, which takes longer and finds "
    "more places that look alike.",
)
@survey_overrides
@click.pass_context
def locate_command(
    context: click.Context,
    map_folder: Path,
    survey: Path,
    near: tuple[float, float, float] | None,
    overrides: Mapping[str, str],
) -> None:
    """Tell where SURVEY, a new pass or a single scan, lies in the frame of MAP.

    \b
      terrain locate MAP survey.toml --near 3.6,3.2,-117

    Prints JSON: the transform T_map_survey from the survey's level frame to the map's, its standard deviations and
    covariance, the directions that nothing told, how much of the survey lies on the map's surfaces, the decision and
    its reasons. A survey that fits badly, that fits elsewhere as well, or that could slide along something (a
    corridor, a bare floor) is refused: it has no T_map_survey, and `closest` says where it would lie.

    Exit codes: 0 placed, 3 refused (the JSON says why), 1 a problem with the data, 2 wrong usage.

    Look at the place before a robot walks by it: this is advice, not a safety function.
    """  # noqa: D301 - click reads \b as the character
    from terrain.locate.survey import as_json, locate, report

    with ProgressLines(live=sys.stderr.isatty()) as lines:
        found = locate(map_folder, survey, near=near, overrides=overrides, progress=lines)
    answer = report(found, map_name=str(map_folder), survey_name=str(survey))
    click.echo(as_json(answer))
    if not found.placed:
        context.exit(REFUSED)
