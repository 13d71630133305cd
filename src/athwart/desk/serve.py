"""Running the page: a socket on the loopback address, a token, a browser, and an orderly end."""

from __future__ import annotations

import secrets
import socket
import webbrowser
from collections.abc import Callable
from pathlib import Path

from athwart.errors import FileError, UsageError

__all__ = ["listen", "run"]


def listen(port: int = 0) -> socket.socket:
    """Return a socket on 127.0.0.1; a port of 0 takes any free one.

    Raises
    ------
    FileError
        The port is in use, or may not be used.
    """
    if not 0 <= port <= 65535:
        raise UsageError(f"the port {port} cannot be; give a number from 1024 to 65535")
    server = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        server.bind(("127.0.0.1", port))
        server.listen(64)
    except OSError as error:
        server.close()
        raise FileError(
            f"port {port}", f"cannot be used ({(error.strerror or str(error)).lower()}); "
            "give another, or none to take a free one", code="port-unusable",
        ) from error  # fmt: skip
    return server


def run(
    book: Path | None, *, port: int = 0, open_browser: bool = True, say: Callable[[str], None]
) -> None:
    """Serve the page until it is interrupted.

    Parameters
    ----------
    book : pathlib.Path or None
        The book to work on; without one the page asks for a name in the present folder.
    port : int
        Port, or 0 for a free one.
    open_browser : bool
        Open the page in the user's browser.
    say : callable
        Told the address.
    """
    import uvicorn

    from athwart.desk.app import desk_app
    from athwart.desk.state import Desk

    with listen(port) as server:
        number = server.getsockname()[1]
        token = secrets.token_urlsafe(32)
        app = desk_app(Desk(book), token=token, port=number)
        address = f"http://127.0.0.1:{number}/?token={token}"
        say(f"the desk is open at {address}")
        say("only this machine can reach it; press Ctrl-C to close it")
        if open_browser:
            webbrowser.open(address)
        config = uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            server_header=False,
            lifespan="off",
            timeout_graceful_shutdown=2,
            h11_max_incomplete_event_size=64 * 1024,
        )
        uvicorn.Server(config).run(sockets=[server])
