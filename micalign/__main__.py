"""Runs ``micalign`` and ``python -m micalign``; stopped while it still loads, it says so in one line."""

import gc
import sys

__all__ = ["run"]


def run() -> None:
    """Load the command line and hand over to it."""
    # Loading makes some 100 000 objects that stay; looking through them after each 700 took a tenth of a short command.
    gc.set_threshold(50_000, 10, 10)
    try:
        from micalign.cli import main  # noqa: PLC0415 - Ctrl-C may fall into the loading
    except KeyboardInterrupt:
        sys.stderr.write("micalign: stopped; nothing half-written is left\n")
        sys.exit(130)
    main.run()


if __name__ == "__main__":
    run()
