"""The command line: each command parses, calls one job, prints.

Commands are loaded when they are asked for, so that ``athwart --help`` imports nothing but click.
"""

from __future__ import annotations

import errno
import importlib
import io
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import click

from athwart import __version__
from athwart.cli.ctrl_c import ctrl_c_noted

__all__ = ["main"]

STOPPED = 130
"""Exit code after Ctrl-C: 128 and the number of the signal, as shells have it."""

_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)

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


@contextmanager
def _reader_gone_is_no_fault() -> Iterator[None]:
    """End quietly where what reads our help has seen enough: `athwart --help | head`."""
    try:
        yield
    except BrokenPipeError as error:
        from athwart.cli.common import to_nowhere

        to_nowhere(sys.stdout)
        raise click.exceptions.Exit(0) from error


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

    def make_context(self, *words: Any, **rest: Any) -> click.Context:
        with _reader_gone_is_no_fault():
            return super().make_context(*words, **rest)

    def invoke(self, ctx: click.Context) -> Any:
        with _reader_gone_is_no_fault():
            return super().invoke(ctx)

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
        _print_whatever_comes()
        code = _run(arguments)
    except KeyboardInterrupt:  # while a refusal was printed
        code = STOPPED
    if code == STOPPED and (files := sys.modules.get("athwart.formats.files")):
        files.clear_unfinished()
    sys.exit(code)


def _run(arguments: list[str]) -> int:
    if any("\0" in argument for argument in arguments):  # no shell passes it; another program can
        click.echo(
            "a word of the command line holds the character of code 0; leave it out", err=True
        )
        return 2
    with ctrl_c_noted() as ctrl_c:
        try:
            code: Any = cli.main(arguments, prog_name="athwart", standalone_mode=False)
        except click.exceptions.Abort:
            return _stopped()
        except click.ClickException as error:
            error.show()
            if isinstance(error, click.MissingParameter) and isinstance(error.param, click.Option):
                click.echo(f"{error.param.opts[0]}: {error.param.help}", err=True)
            return error.exit_code
        except Exception as error:
            if ctrl_c.pressed:
                return _stopped()
            if "--debug" in arguments:
                raise
            return _say(error)
    return code if isinstance(code, int) else 0


def _stopped() -> int:
    click.echo("stopped", err=True)
    return STOPPED


def _print_whatever_comes() -> None:
    """Let a terminal that lacks a character show its number, rather than stop the work."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _say(error: Exception) -> int:
    from athwart.cli.common import say
    from athwart.cli.ways import refusal
    from athwart.errors import AthwartError

    if isinstance(error, AthwartError):
        say(refusal(error))
        return error.exit_code
    if isinstance(error, OSError) and error.filename is None and error.errno in _NO_ROOM:
        say(f"the disk is full ({(error.strerror or '').lower()}); make room and run it again")
        return 1
    if isinstance(error, MemoryError):
        say("there is not enough memory for this; give less at a time")
        return 1
    say(
        f"something went wrong inside athwart ({type(error).__name__}: {error}); "
        "run it again with --debug and report what it prints"
    )
    return 1
