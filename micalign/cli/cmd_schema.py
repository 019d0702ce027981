"""``micalign schema``: the JSON Schema of the scene file, and its keys in words."""

from __future__ import annotations

import click

from micalign.cli.options import quiet_option
from micalign.cli.output import print_json

__all__ = ["command"]


@click.command("schema")
@click.option("--explain", is_flag=True, help="Print every key and term in words, with an example, instead.")
@quiet_option
def command(*, explain: bool, quiet: bool) -> int:
    """Print the JSON Schema of the scene file, for editors that check while you type.

    \b
    Examples:
      micalign schema > scene.schema.json
      micalign schema --explain | less
    """
    from micalign.files.scenes import scene_reference  # noqa: PLC0415 - pydantic costs what --help must not pay
    from micalign.scene.document import scene_schema  # noqa: PLC0415

    if explain:
        click.echo(scene_reference(), nl=False)
    else:
        print_json(scene_schema())
    return 0
