"""`terrain page`: the map in a web browser, on this machine."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from terrain.errors import DataError

if TYPE_CHECKING:
    from terrain.web.listen import Address


@click.command("page")
@click.argument("map_folder", metavar="MAP", type=click.Path(exists=True, path_type=Path))
@click.option("--port", type=click.IntRange(0, 65535), default=8042, show_default=True, help="0 takes a free one.")
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    help="Where to listen. Anywhere else than on this machine the page asks for a token, which the address printed "
    "brings along; there is no encryption, so give it to a network you trust only.",
)
@click.option("--token", envvar="TERRAIN_TOKEN", help="The token to ask for; left out, one is made where it is needed.")
@click.option(
    "--earlier",
    metavar="MAP",
    type=click.Path(exists=True, path_type=Path),
    help="A map of an earlier pass in the same frame: the page shows what changed since.",
)
@click.option("--open/--no-open", "open_it", default=False, help="Open the page in this machine's browser.")
def page_command(
    map_folder: Path, port: int, host: str, token: str | None, earlier: Path | None, open_it: bool
) -> None:
    """Show a MAP in a web browser: a plan, a 3D view, why a foot can stand somewhere, and who decided otherwise.

    \b
      terrain page MAP
      terrain page MAP --earlier OLDER_MAP --port 0 --open

    It needs no internet and loads nothing from elsewhere. The only thing it writes are people's decisions, in
    MAP/overrules.jsonl. Ctrl-C ends it.
    """  # noqa: D301 - click reads \b as the character
    from terrain.page.app import is_page_built, make_app
    from terrain.page.build import is_built
    from terrain.web.listen import run_app

    if not is_page_built():
        raise DataError(
            "the page's bundle is missing: it was not built when the package was installed, because npm could not be "
            "reached; with network, run: python -m terrain.page.build"
        )
    if not is_built():
        click.echo("note: the page is older than its sources; python -m terrain.page.build makes it anew", err=True)

    def announce(address: Address) -> None:
        click.echo(address.url_with_token)
        click.echo("open this in a browser; Ctrl-C ends the page", err=True)
        sys.stdout.flush()
        if open_it:
            import webbrowser

            webbrowser.open(address.url_with_token)

    if earlier is not None:
        from terrain.maps.store import open_map

        open_map(earlier)
    run_app(make_app(map_folder, earlier=earlier), host=host, port=port, token=token, announce=announce)
