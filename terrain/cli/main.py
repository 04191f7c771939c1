"""The command `terrain` and the table of its subcommands, which are loaded when they are used."""

from __future__ import annotations

import errno
import importlib
import logging
import sys
from typing import Any

import click

from terrain.cli.interrupts import whole_imports
from terrain.errors import TerrainError

COMMANDS = {
    "assess": ("terrain.cli.assess:assess_command", "Turn a survey into a map of where a foot can stand."),
    "follow": ("terrain.cli.follow:follow_command", "Keep a map of a survey while its scans arrive."),
    "look": ("terrain.cli.look:look_command", "Say what a file of scans or poses, or a bag, holds."),
    "check": ("terrain.cli.check:check_command", "Check a lidar and its mount against known surfaces."),
    "fuse": ("terrain.cli.fuse:fuse_command", "Fuse scans and poses into one cloud; find a clock offset."),
    "ask": ("terrain.cli.ask:ask_command", "Judge foot placements on a map."),
    "page": ("terrain.cli.page:page_command", "Show a map in a web browser; overrule it."),
    "overrule": ("terrain.cli.overrule:overrule_command", "List, make or undo people's decisions on a map."),
    "picture": ("terrain.cli.picture:picture_command", "Draw a map as an image."),
    "report": ("terrain.cli.report:report_command", "Write a map's report: one file to print and to keep."),
    "unseen": ("terrain.cli.unseen:unseen_command", "List unseen ground that matters, and where to look from."),
    "compare": ("terrain.cli.compare:compare_command", "Tell what changed between two passes over one site."),
    "locate": ("terrain.cli.locate:locate_command", "Tell where a new pass lies in a map's frame."),
    "serve": ("terrain.cli.serve:serve_command", "Answer planners over HTTP from one or more maps."),
    "export": ("terrain.cli.export:export_command", "Write a map as a file for other programs."),
    "feet": ("terrain.cli.feet:feet_command", "List the foot profiles that come with the package."),
}
"""Name: where the command is, and the line that `terrain --help` shows without loading it."""


class LazyGroup(click.Group):
    """A group whose commands are imported when they are used, and whose data errors end in one line and exit 1."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of the table, in its order."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the command of that name; None where there is none."""
        if cmd_name not in COMMANDS:
            return None
        module, _, attribute = COMMANDS[cmd_name][0].partition(":")
        command: click.Command = getattr(importlib.import_module(module), attribute)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the table's help lines."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; what a user can put right is told in one line on stderr."""
        try:
            with whole_imports():
                return super().invoke(ctx)
        except TerrainError as error:
            raise click.ClickException(_one_line(str(error))) from error
        except OSError as error:
            if error.errno in (None, errno.EPIPE):
                raise
            raise click.ClickException(_one_line(str(error))) from error


def _one_line(message: str) -> str:
    return " ".join(message.split())


def _show_version(ctx: click.Context, _: click.Parameter, asked: bool) -> None:
    if not asked or ctx.resilient_parsing:
        return
    import terrain

    click.echo(f"terrain {terrain.__version__}")
    ctx.exit()


def _set_logging(verbosity: int) -> None:
    """Send the package's log to stderr; keep the logs of other libraries silent."""
    logging.getLogger().addHandler(logging.NullHandler())
    log = logging.getLogger("terrain")
    for handler in [known for known in log.handlers if known.get_name() == "command line"]:
        log.removeHandler(handler)
    handler = logging.StreamHandler(sys.stderr)
    handler.set_name("command line")
    handler.setFormatter(logging.Formatter("%(levelname)s: %(message)s"))
    log.addHandler(handler)
    log.setLevel((logging.WARNING, logging.INFO, logging.DEBUG)[min(verbosity, 2)])


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_show_version, help="Show the version."
)
@click.option("-v", "--verbose", count=True, help="Say more on stderr; twice for everything.")
def cli(verbose: int) -> None:
    """Tell from lidar scans and poses where a legged robot's foot can stand, and why.

    A verdict says what meets the configured limits, no more: it is no safety function.
    """
    _set_logging(verbose)


if __name__ == "__main__":
    cli(prog_name="terrain")
