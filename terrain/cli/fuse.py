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
    from terrain.pipeline import Fused


@click.command("fuse")
@click.argument("survey", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="LAZ file to write the fused cloud to.")
@click.option("--poses-out", type=click.Path(path_type=Path), help="Text file to write the corrected poses to.")
@click.option("--find-clock-offset", "clock", is_flag=True, help="Estimate the offset between scan and pose clock.")
@click.option("--find-mount", "mount", is_flag=True, help="Estimate how the sensor is in fact mounted.")
@click.option("--replace", is_flag=True, help="Replace files of those names.")
@survey_overrides
def fuse_command(
    survey: Path,
    out: Path | None,
    poses_out: Path | None,
    clock: bool,
    mount: bool,
    replace: bool,
    overrides: Mapping[str, str],
) -> None:
    """Fuse the scans of SURVEY (a TOML file) into one cloud, drift corrected as the survey asks.

    Every other option stands in for a key of the survey file.
    """
    from terrain.pipeline import fuse_survey

    if out is None and poses_out is None and not clock and not mount:
        raise click.UsageError("nothing to do: give --out FILE.laz, --poses-out FILE, or --find-clock-offset")
    if out is not None and out.suffix.lower() != ".laz":
        raise click.UsageError(f"--out: got {out.name!r}, expected a name that ends in .laz")
    asked = {**overrides, "poses.refine": "auto"} if clock or mount else overrides
    done = fuse_survey(
        survey,
        overrides=asked,
        out=out,
        poses_out=poses_out,
        replace=replace,
        mount=mount,
        progress=ProgressLines(live=sys.stderr.isatty()),
    )
    lines = []
    if clock:
        lines += clock_lines(done)
    if mount:
        lines += mount_lines(done)
    if not clock and not mount:
        lines += summary_lines(done)
    lines += [f"wrote {path}" for path in (out, poses_out) if path is not None]
    click.echo("\n".join(lines))


def summary_lines(done: Fused) -> list[str]:
    """Return what a person must know of a fused cloud."""
    dropped = "".join(f", {count:,} {reason}" for reason, count in done.dropped.items())
    lines = [f"{done.survey_name}: {done.points_read:,} points read, {done.points_kept:,} kept{dropped}"]
    lines += [f"  note     {note}" for note in done.notes]
    lines += [f"  WARNING  {warning}" for warning in done.warnings]
    return lines


def clock_lines(done: Fused) -> list[str]:
    """Return the clock offset found, with its uncertainty and the line to paste; or why there is none."""
    from terrain.fuse.told import paste_line

    found = done.correction
    if found is None:
        return ["clock: cannot be told: the points are in the map frame, placed already"]
    clock = found.clock
    if not clock.told:
        why = found.why if found.thickness is None else f"sd {clock.sd_s * 1e3:.1f} ms" if clock.sd_s < 1.0 else "no sd"
        return [
            f"clock: cannot be told ({why}): the motion was too gentle, or too little was seen.",
            "Walk one turn, or five seconds of normal gait, in sight of a floor and a wall.",
        ]
    lines = [f"clock: {clock.offset_s * 1e3:+.2f} ms (sd {clock.sd_s * 1e3:.2f} ms) against the stated offset"]
    if clock.contradicts:
        return [*lines, paste_line(found, done.stated_offsets_s)]
    return [*lines, "the stated offset stands: nothing to change"]


def mount_lines(done: Fused) -> list[str]:
    """Return how the mount should move, and the line to paste where there is one sensor."""
    from terrain.fuse import told

    if done.correction is None or done.correction.mount is None:
        return ["mount: cannot be told: nothing could be corrected"]
    lines = told.mount_lines(done.correction)
    if len(done.mounts) == 1:
        lines.append(f"put into the survey file, under [sensor]: {told.mount_line(done.correction, done.mounts[0])}")
    return lines
