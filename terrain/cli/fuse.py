"""`terrain fuse`: scans and poses into one cloud, and what the cloud says of the clock and the mount."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from terrain.cli.assess import ProgressLines
from terrain.cli.options import survey_overrides

if TYPE_CHECKING:
    from terrain.fusing import Fused


@click.command("fuse")
@click.argument("survey", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="LAZ file to write the fused cloud to.")
@click.option("--poses-out", type=click.Path(path_type=Path), help="Text file to write the corrected poses to.")
@click.option("--find-clock-offset", "clock", is_flag=True, help="Estimate the offset between scan and pose clock.")
@click.option("--find-mount", "mount", is_flag=True, help="Estimate how the sensor is in fact mounted.")
@click.option("--keep-all", is_flag=True, help="Leave what moved, mixed and stray returns in the cloud.")
@click.option("--replace", is_flag=True, help="Replace files of those names.")
@survey_overrides
def fuse_command(
    survey: Path,
    out: Path | None,
    poses_out: Path | None,
    clock: bool,
    mount: bool,
    keep_all: bool,
    replace: bool,
    overrides: Mapping[str, str],
) -> None:
    """Fuse the scans of SURVEY (a TOML file) into one cloud, drift corrected as the survey asks.

    The cloud is that of terrain assess: without what moved, returns between two surfaces and stray ones.
    Every other option stands in for a key of the survey file.
    """
    from terrain.fusing import fuse_survey

    if out is None and poses_out is None and not clock and not mount:
        raise click.UsageError(
            "nothing to do: give --out FILE.laz, --poses-out FILE, --find-clock-offset or --find-mount"
        )
    if out is not None and out.suffix.lower() != ".laz":
        raise click.UsageError(f"--out: got {out.name!r}, expected a name that ends in .laz")
    asked = {**overrides, "poses.refine": "auto"} if clock or mount else overrides
    with ProgressLines(live=sys.stderr.isatty()) as progress:
        done = fuse_survey(
            survey,
            overrides=asked,
            out=out,
            poses_out=poses_out,
            replace=replace,
            mount=mount,
            keep_all=keep_all,
            progress=progress,
        )
    lines = [*(done.clock if clock else ()), *(done.mount if mount else ())] or summary_lines(done)
    lines += [f"wrote {path}" for path in (out, poses_out) if path is not None]
    click.echo("\n".join(lines))


def summary_lines(done: Fused) -> list[str]:
    """Return what a person must know of a fused cloud."""
    dropped = "".join(f", {count:,} {reason}" for reason, count in done.dropped.items())
    lines = [f"{done.survey_name}: {done.points_read:,} points read, {done.points_kept:,} kept{dropped}"]
    lines += [f"  note     {note}" for note in done.notes]
    lines += [f"  WARNING  {warning}" for warning in done.warnings]
    return lines
