"""``athwart desk``: the page in the browser."""

from __future__ import annotations

from pathlib import Path

import click

from athwart.cli.common import common_options, say


@click.command("desk", short_help="Work on pictures and marks in the browser, on this machine.")
@click.argument("book", required=False, type=click.Path(path_type=Path), metavar="[BOOK]")
@click.option("--port", type=int, default=0, help="Port to listen on; a free one if not given.")
@click.option("--no-open", is_flag=True, help="Do not open a browser.")
@common_options("debug")
def command(book: Path | None, port: int, no_open: bool, debug: bool) -> int:
    """Open the desk: pick on pictures of a paused screen, look through marks, hand them over.

    The page is served to this machine alone, and nothing is loaded from the network.

    \b
      athwart desk season.gpkg
    """  # noqa: D301 - click wants the character itself
    from athwart.desk.serve import run

    run(book, port=port, open_browser=not no_open, say=say)
    return 0
