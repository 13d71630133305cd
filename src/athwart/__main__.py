"""The program: ``athwart`` and ``python -m athwart``."""

from __future__ import annotations

import sys

__all__ = ["main"]


def main() -> None:
    """Run the command line; Ctrl-C while it is still being loaded ends it like any other."""
    try:
        from athwart.cli import main as run

        run()
    except KeyboardInterrupt:
        sys.stderr.write("stopped\n")
        sys.exit(130)


if __name__ == "__main__":
    main()
