"""`terrain follow`: a map that grows while scans arrive."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from terrain.cli.assess import ProgressLines, format_summary
from terrain.cli.options import Number, survey_overrides

if TYPE_CHECKING:
    from terrain.follow.contents import Version
    from terrain.follow.follower import Follower


def format_version(version: Version) -> str:
    """Return one line on a version that readers see now."""
    late = "" if version.latency_s is None else f", {version.latency_s:.1f} s after its last point"
    behind = f", {version.backlog} waiting" if version.backlog else ""
    return (
        f"{datetime.now():%H:%M:%S}  version {version.number}: {version.scans} scans (+{version.fresh}){behind}, "
        f"{version.points:,} points, {version.steppable_m2:.2f} m2 steppable, {version.waiting_m2:.1f} m2 to be looked "
        f"at again{late}"
    )


@click.command("follow")
@click.argument("survey", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Folder to make and to renew, the map.")
@click.option(
    "--until-quiet",
    "until_quiet_s",
    metavar="SECONDS",
    type=Number(min=0.0),
    help="Finish when nothing arrived for so long; left out, it goes on until Ctrl-C or SIGTERM.",
)
@click.option("--stop-file", type=click.Path(path_type=Path), help="Finish when this file appears.")
@click.option("--replace", is_flag=True, help="Start anew: forget the journal, and replace a map of that name.")
@survey_overrides
def follow_command(
    survey: Path,
    out: Path,
    until_quiet_s: float | None,
    stop_file: Path | None,
    replace: bool,
    overrides: Mapping[str, str],
) -> None:
    """Keep a map of the survey described by SURVEY (a TOML file) while its scans arrive.

    Scan files and poses may still be to come, and bags (MCAP, sqlite3) still be growing. After each scan the map in
    --out is replaced by a newer version, in one step; ground within 3 m of the robot comes first. When the pass ends
    the whole is assessed once more, and the map is then the one that `terrain assess` makes of the same scans.

    Killed or cut off, it goes on where it was when it is started again in the same way. What it has taken in is noted
    in OUT.follow.jsonl. A file that cannot be read is named and set aside.

    A version in between is advice on what had been seen by then: ground that newer points changed may wait to be
    looked at again, and drift is corrected only at the end.

    Ctrl-C finishes; a second one leaves at once, with the last version in place.

    Every other option stands in for a key of the survey file.
    """
    from terrain.follow.follower import Follower

    with Follower(
        survey,
        out,
        overrides=overrides,
        replace=replace,
        on_version=lambda version: click.echo(format_version(version), err=True),
        on_line=lambda line: click.echo(line, err=True),
    ) as follower:
        with _finishing_on_signals(follower):
            progress = ProgressLines(live=sys.stderr.isatty())
            summary = follower.run(until_quiet_s=until_quiet_s, stop_file=stop_file, progress=progress)
        aside = follower.set_aside()
    click.echo(format_summary(summary))
    for name, why in aside.items():
        click.echo(f"  set aside   {name}: {why}")


@contextmanager
def _finishing_on_signals(follower: Follower) -> Iterator[None]:
    """Let the first Ctrl-C or SIGTERM finish the pass, and the second end the program."""

    def first(number: int, _: Any) -> None:
        signal.signal(number, signal.default_int_handler)
        click.echo("finishing: the whole is assessed once more (again to leave at once)", err=True)
        follower.stop()

    before = {number: signal.signal(number, first) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
