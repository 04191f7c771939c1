"""`terrain report`: a map as one file to print and to keep."""

from __future__ import annotations

import math
from pathlib import Path

import click

from terrain.cli.options import Number


def _parse_sections(
    _: click.Context, __: click.Parameter, texts: tuple[str, ...]
) -> tuple[tuple[float, float, float, float], ...]:
    found = []
    for text in texts:
        try:
            values = [float(part) for part in text.split(",")]
        except ValueError:
            values = []
        if len(values) != 4 or not all(map(math.isfinite, values)):
            raise click.BadParameter(f"got {text!r}, expected X1,Y1,X2,Y2: four finite numbers with commas")
        found.append((values[0], values[1], values[2], values[3]))
    return tuple(found)


@click.command("report")
@click.argument("map_folder", metavar="MAP", type=click.Path(exists=True, path_type=Path))
@click.option(
    "--out",
    metavar="FILE",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The file, .html or .pdf; an existing one is replaced. Left out: MAP-report.html here, with --pdf .pdf.",
)
@click.option("--pdf", is_flag=True, help="Write PDF instead of HTML.")
@click.option(
    "--section",
    "sections",
    metavar="X1,Y1,X2,Y2",
    multiple=True,
    callback=_parse_sections,
    help="A section, metres, map frame; may be given again. Left out: one along the site and one across.",
)
@click.option(
    "--sensor-height-m",
    type=Number(0.05, 10.0),
    default=0.6,
    show_default=True,
    help="For blind spots: how high the sensor stands over the ground.",
)
@click.option(
    "--checks",
    metavar="SQLITE",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="The history of sensor checks; left out, $TERRAIN_CHECKS or sensor-checks.sqlite in or beside the map.",
)
def report_command(
    map_folder: Path,
    out: Path | None,
    pdf: bool,
    sections: tuple[tuple[float, float, float, float], ...],
    sensor_height_m: float,
    checks: Path | None,
) -> None:
    """Write what a MAP says into one file to print and to keep.

    \b
      terrain report MAP
      terrain report MAP --out dock.html --section 2,1,9,4
      terrain report MAP --pdf

    Plans, sections with the sole to scale, patches, areas and what they are uncertain by, blind spots, the sensor's
    checks, what people decided, inputs with their hashes, cautions. The page opens from disk in any browser; it loads
    nothing and runs nothing.
    """  # noqa: D301 - click reads \b as the character
    target = out or Path(f"{map_folder.resolve().name}-report.{'pdf' if pdf else 'html'}")
    if target.suffix.lower() not in (".html", ".htm", ".pdf") or (pdf and target.suffix.lower() != ".pdf"):
        expected = ".pdf" if pdf else ".html or .pdf"
        raise click.BadParameter(f"got {target.name!r}, expected a name that ends in {expected}", param_hint="--out")
    from terrain.maps.store import open_map
    from terrain.report.collect import collect
    from terrain.report.render import check_pdf, write_html, write_pdf
    from terrain.report.sections import Line

    as_pdf = target.suffix.lower() == ".pdf"
    if as_pdf:
        check_pdf()
    lines = [Line(_letter(k), (x0, y0), (x1, y1)) for k, (x0, y0, x1, y1) in enumerate(sections)]
    report = collect(open_map(map_folder), lines=lines, sensor_height_m=sensor_height_m, checks_file=checks)
    (write_pdf if as_pdf else write_html)(report, target)
    click.echo(str(target))


def _letter(k: int) -> str:
    return chr(ord("A") + k % 26) + ("" if k < 26 else str(k // 26))
