"""`terrain assess`: the main job."""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from terrain.cli.options import survey_overrides

if TYPE_CHECKING:
    from terrain.pipeline import Summary
    from terrain.reuse.keeping import Reused

STAGE_WORDS = {
    "reuse": "taking over from an earlier run",
    "read": "reading and placing points",
    "correct": "correcting drift and clock",
    "clean": "leaving out what moved",
    "segment": "finding planar patches",
    "ground": "building the ground",
    "score": "judging placements",
    "write": "writing the map",
}
BAR_CELLS = 24


class ProgressLines:
    """One line a stage on stderr: a bar that moves on a terminal; elsewhere a line once the next stage begins.

    So that what a stage finds wrong at its end is the only line there.
    """

    def __init__(self, *, live: bool) -> None:
        self._live = live
        self._stage = ""
        self._finished = False
        self._start = 0.0
        self._drawn = 0.0
        self._told = ""

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Take note of how far a stage is."""
        now = time.monotonic()
        if stage != self._stage:
            self._tell()
            self._stage, self._finished, self._start, self._drawn = stage, False, now, 0.0
        if self._finished:
            return
        finished = self._finished = done >= total
        if self._live and (finished or now - self._drawn > 0.1):
            self._drawn = now
            click.echo(f"\r\x1b[K{self._line(done, total, now - self._start)}", nl=finished, err=True)
        elif finished:
            self._told = f"{STAGE_WORDS.get(stage, stage)}: {now - self._start:.1f} s"

    def __enter__(self) -> ProgressLines:
        """Begin."""
        return self

    def __exit__(self, kind: object, value: object, trace: object) -> None:
        """Tell of the last stage, if all went well."""
        if kind is None:
            self._tell()

    def _tell(self) -> None:
        if self._told:
            click.echo(self._told, err=True)
        self._told = ""

    def _line(self, done: int, total: int, seconds: float) -> str:
        share = min(done / total, 1.0) if total else 1.0
        filled = round(BAR_CELLS * share)
        text = f"{STAGE_WORDS.get(self._stage, self._stage):<28} [{'=' * filled}{' ' * (BAR_CELLS - filled)}]"
        if total > 1:
            text += f" {done:,} of {total:,}"
        if 0.0 < share < 1.0:
            text += f", {seconds * (1.0 - share) / share:.0f} s left"
        elif share >= 1.0:
            text += f" {seconds:.1f} s"
        return text


def format_summary(summary: Summary) -> str:
    """Return what a person must know of a finished map, readable in ten seconds."""
    area = summary.area_m2
    total = sum(area.values())
    lines = [
        f"{summary.out}: {summary.survey_name}, judged for the foot '{summary.foot_name}'",
        "",
    ]
    hint = {
        "steppable": "meets the configured limits in at least one direction",
        "marginal": "an operator decides",
        "unsteppable": "past a limit in every direction",
        "unobserved": "seen too thinly to say",
    }
    for word, words in hint.items():
        share = 100.0 * area[word] / total if total else 0.0
        lines.append(f"  {word:<12}{area[word]:9.2f} m2 {share:5.1f} %   {words}")
    counts = ", ".join(f"{count} {word}" for word, count in summary.patches.items() if count)
    lines += [
        "",
        f"  patches     {sum(summary.patches.values())} ({counts or 'none'}) on {summary.levels} level(s)",
        f"  points      {summary.points_read:,} read, {summary.points_kept:,} used"
        + "".join(f", {count:,} {reason}" for reason, count in summary.dropped.items()),
        "  time        " + ", ".join(f"{stage} {seconds:.1f} s" for stage, seconds in summary.timings_s.items()),
    ]
    lines += _reuse_lines(summary.reused)
    lines += [f"  note        {note}" for note in (*summary.notes, *summary.reused.notes)]
    lines += [f"  WARNING     {warning}" for warning in (*summary.warnings, *summary.reused.warnings)]
    lines += [
        "",
        "Advice from geometry at scan time, not a safety function: soft, slippery, loose or since changed ground looks",
        "the same to a lidar. Local rules and licensed practice come first.",
        "",
        f"Next: terrain picture {summary.out} --out plan.png",
    ]
    return "\n".join(lines)


def _reuse_lines(reused: Reused) -> list[str]:
    """Say what was taken over from an earlier run, and what is kept for later ones."""
    if reused.folder is None:
        return []
    said = [f"{', '.join(reused.parts)} from an earlier run"] if reused.parts else []
    if reused.kept_bytes:
        said.append(f"{max(reused.kept_bytes / 1e6, 1.0):,.0f} MB kept for later runs in {reused.folder}")
    return [f"  reuse       {'; '.join(said) or 'nothing taken over, nothing kept'}"]


@click.command("assess")
@click.argument("survey", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Folder to make, the map.")
@click.option("--replace", is_flag=True, help="Replace a map of that name.")
@click.option("--no-cloud", is_flag=True, help="Leave the labelled points out of the map: quicker, and smaller.")
@click.option(
    "--no-reuse",
    is_flag=True,
    help="Make everything anew, and keep nothing for later runs.",
)
@click.option(
    "--reuse-folder",
    type=click.Path(file_okay=False, path_type=Path),
    help="Where results are kept for later runs, instead of $TERRAIN_REUSE or terrain/assess in the user's cache.",
)
@survey_overrides
def assess_command(
    survey: Path,
    out: Path,
    replace: bool,
    no_cloud: bool,
    no_reuse: bool,
    reuse_folder: Path | None,
    overrides: Mapping[str, str],
) -> None:
    """Turn the survey described by SURVEY (a TOML file) into a map of where a foot can stand.

    What does not depend on the foot is kept, and taken over when the same files are assessed again with the same
    settings: another foot, or other limits, take less time. The map is the same either way. $TERRAIN_REUSE names
    another folder, or is "off"; $TERRAIN_REUSE_GB says how much may be kept (10), the oldest use goes first.

    Every other option stands in for a key of the survey file.
    """
    if no_reuse and reuse_folder is not None:
        raise click.UsageError("got both --no-reuse and --reuse-folder, expected one of them")
    from terrain.pipeline import assess

    live = sys.stderr.isatty()
    if live and _will_compile():
        click.echo("first run: compiling for this machine, up to a minute, once", err=True)
    arguments: dict[str, Any] = {"overrides": overrides, "replace": replace, "cloud": not no_cloud}
    with ProgressLines(live=live) as progress:
        summary = assess(survey, out, **arguments, reuse=reuse_folder or not no_reuse, progress=progress)
    click.echo(format_summary(summary))


def _will_compile() -> bool:
    """Whether no compiled kernels are cached beside the package yet."""
    import terrain.kernels

    folder = Path(terrain.kernels.__file__).parent / "__pycache__"
    return not any(folder.glob("*.nbi"))
