"""The command line: each command parses, calls one job, prints.

Commands are loaded when they are asked for, so that ``athwart --help`` imports nothing but click.
"""

from __future__ import annotations

import importlib
import os
import sys
from typing import Any

import click

from athwart import __version__

__all__ = ["main"]

COMMANDS = {
    "fix": "Turn picks from a paused screen into positions.",
    "merge": "Fold the sightings of many trips into one set of marks.",
    "export": "Write a clean GPX file for a chartplotter.",
    "map": "Draw a review map: one page that works offline.",
    "strip": "Lay pictures of a paused screen on the seabed, as a GeoTIFF.",
    "book": "Keep every trip in one file, with its history.",
    "desk": "Work on pictures and marks in the browser, on this machine.",
    "run": "Lay a line to run along a bank, a ledge or a track.",
    "zones": "Hold marks and plans against your own zones: closed areas, cables.",
    "coverage": "Show what the side-scan has seen, and what not yet.",
    "lanes": "Lay survey lanes over an area, or over what was not seen.",
    "tide": "Height of the tide, and the water over marks at a time.",
    "beam": "What the sonar sees at a depth, a range and a speed.",
    "hold": "Where to hold for a cast, and where a drift over a mark starts.",
    "sink": "Count a lure down to a depth, and lead it against the current.",
    "day": "One sheet for the day: order, legs, water, light.",
    "info": "Say what files hold, and what in them is wrong.",
    "demo": "Run the whole job on the sample data.",
}


class _Commands(click.Group):
    """Finds commands by name and imports only the one that runs."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        module = importlib.import_module(f"athwart.cli.{name}_command")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="athwart")
def cli() -> None:
    """Side-scan picks and plotter waypoints: true positions, one clean set of marks.

    Positions are estimates with a stated error (R95). Not for navigation: keep a lookout, and
    local law, closed areas, wrecks, pipes and cables come first.
    """


def main(args: list[str] | None = None) -> None:
    """Run the command line; print errors as sentences and exit with 0, 1 or 2."""
    arguments = sys.argv[1:] if args is None else args
    try:
        code: Any = cli.main(arguments, prog_name="athwart", standalone_mode=False)
    except click.exceptions.Abort:
        code = 130
        click.echo("stopped", err=True)
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except BrokenPipeError:  # `athwart info x | head`: the reader has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 0
    except Exception as error:
        if "--debug" in arguments:
            raise
        code = _say(error)
    sys.exit(code if isinstance(code, int) else 0)


def _say(error: Exception) -> int:
    from athwart.cli.ways import refusal
    from athwart.errors import AthwartError

    if isinstance(error, AthwartError):
        click.echo(refusal(error), err=True)
        return error.exit_code
    click.echo(
        f"something went wrong inside athwart ({type(error).__name__}: {error}); "
        "run it again with --debug and report what it prints",
        err=True,
    )
    return 1
