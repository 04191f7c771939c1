"""The command `terrain`, for `python -m terrain`."""

from terrain.cli.main import cli

if __name__ == "__main__":
    cli(prog_name="terrain")
