"""Runs ``micalign`` and ``python -m micalign``; stopped while it still loads, it says so in one line."""

import sys

__all__ = ["run"]


def run() -> None:
    """Load the command line and hand over to it."""
    try:
        from micalign.cli import main  # noqa: PLC0415 - Ctrl-C may fall into the loading
    except KeyboardInterrupt:
        sys.stderr.write("micalign: stopped; nothing half-written is left\n")
        sys.exit(130)
    main.run()


if __name__ == "__main__":
    run()
