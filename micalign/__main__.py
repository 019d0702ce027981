"""Lets ``python -m micalign`` do what the ``micalign`` command does."""

from micalign.cli.main import run

if __name__ == "__main__":
    run()
