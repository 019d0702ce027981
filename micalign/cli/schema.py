"""``micalign schema``: the JSON Schema of the scene file."""

from __future__ import annotations

import click

from micalign.cli.output import print_json

__all__ = ["command"]


@click.command("schema")
def command() -> int:
    """Print the JSON Schema of the scene file, for editors that check while you type.

    \b
    Example:
      micalign schema > scene.schema.json
    """
    from micalign.scene.document import scene_schema  # noqa: PLC0415 - pydantic costs what --help must not pay

    print_json(scene_schema())
    return 0
