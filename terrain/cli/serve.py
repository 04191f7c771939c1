"""`terrain serve`: maps over HTTP."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from terrain.errors import ConfigError

if TYPE_CHECKING:
    from terrain.web.listen import Address

TOKEN_VARIABLE = "TERRAIN_TOKEN"


@click.command("serve")
@click.argument("maps", metavar="MAP...", nargs=-1, required=True)
@click.option(
    "--host", default="127.0.0.1", show_default=True, help="Address to listen on; the default is this machine only."
)
@click.option("--port", type=click.IntRange(0, 65535), default=8300, show_default=True, help="0 takes a free one.")
@click.option(
    "--token-file",
    metavar="FILE",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help=f"File with the token that requests must carry; or set {TOKEN_VARIABLE}. Left out, none is asked for on "
    "this machine, and one is made and printed anywhere else.",
)
@click.option("--host-name", "host_names", multiple=True, help="Another name under which requests may reach it.")
@click.option(
    "--max-placements",
    type=click.IntRange(min=1),
    default=100_000,
    show_default=True,
    help="Placements judged for one request, those tried on the way included.",
)
@click.option("--max-body-mb", type=click.IntRange(1, 1024), default=16, show_default=True, help="Largest body.")
@click.option("--max-running", type=click.IntRange(min=1), help="Requests worked on at a time; left out, one a core.")
@click.option(
    "--max-waiting",
    type=click.IntRange(min=0),
    default=64,
    show_default=True,
    help="Requests that may wait beside them.",
)
def serve_command(
    maps: tuple[str, ...],
    host: str,
    port: int,
    token_file: Path | None,
    host_names: tuple[str, ...],
    max_placements: int,
    max_body_mb: int,
    max_running: int | None,
    max_waiting: int,
) -> None:
    """Answer planners over HTTP from one or more maps.

    \b
      terrain serve map-dock
      terrain serve east=map-dock west=map-quay --port 0

    A MAP is served under its folder's name, or under NAME with NAME=MAP. /openapi.json describes what can be asked.
    A map that is replaced while this runs is taken up by itself. Ctrl-C ends it once running requests are answered.

    On anything but this machine a token is required, and the connection is not encrypted: use a network you trust,
    or a proxy that speaks TLS.
    """  # noqa: D301 - click reads \b as the character
    from dataclasses import replace

    from terrain.serve.app import Limits, make_app
    from terrain.serve.shelf import Shelf, parse_map_arguments
    from terrain.web.listen import check_token, run_app

    folders = parse_map_arguments(maps)
    for _, folder in folders:
        if not folder.exists():
            raise click.BadParameter(f"{folder} does not exist, expected a map folder or NAME=MAP", param_hint="MAP")
    token = _token(token_file)
    check_token(token)
    limits = Limits(max_placements=max_placements, max_waiting=max_waiting)
    if max_running is not None:
        limits = replace(limits, max_running=max_running)
    shelf = Shelf(folders)
    run_app(
        make_app(shelf, limits),
        host=host,
        port=port,
        token=token,
        host_names=host_names,
        max_body_bytes=max_body_mb * 1024 * 1024,
        announce=lambda address: _announce(address, shelf.names, given=token is not None),
    )


def _token(path: Path | None) -> str | None:
    if path is None:
        return os.environ.get(TOKEN_VARIABLE) or None
    try:
        token = path.read_text(encoding="utf-8").strip()
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: is no text, expected a token") from error
    if not token:
        raise ConfigError(f"{path}: is empty, expected a token")
    return token


def _announce(address: Address, names: tuple[str, ...], *, given: bool) -> None:
    click.echo(address.url)
    for name in names:
        click.echo(f"  {address.url}maps/{name}", err=True)
    if address.token is not None and not given:
        click.echo(f"Requests must carry the header 'Authorization: Bearer {address.token}'", err=True)
    click.echo("Ctrl-C ends it.", err=True)
