"""``micalign help`` and ``schema``: what commands do, and the scene file, for people and for editors."""

from __future__ import annotations

import click

from micalign.cli.options import quiet_option
from micalign.cli.output import print_json

__all__ = ["help_command", "schema_command"]


@click.command("help")
@click.argument("name", required=False, metavar="[COMMAND]")
@click.option("--all", "everything", is_flag=True, help="Every command's help, to read or to print.")
def help_command(name: str | None, *, everything: bool) -> int:
    """Show what a COMMAND does and takes: the same as 'micalign COMMAND --help'.

    \b
    Examples:
      micalign help check
      micalign help --all | less
    """
    from micalign.cli.main import COMMANDS, main  # noqa: PLC0415 - which loads this module

    context = click.get_current_context().find_root()
    if name is not None:
        click.echo(_help_of(main, context, name))
        return 0
    click.echo(main.get_help(context))
    for one in COMMANDS if everything else ():
        click.echo(f"\n\n{one.upper()}\n\n{_help_of(main, context, one)}")
    return 0


def _help_of(main: click.Group, context: click.Context, name: str) -> str:
    named, found, _ = main.resolve_command(context, [name])
    if found is None:
        raise click.UsageError(f"there is no command '{name}'")
    return found.get_help(click.Context(found, info_name=named, parent=context))


@click.command("schema")
@click.option("--explain", is_flag=True, help="Print every key and term in words, with an example, instead.")
@quiet_option
def schema_command(*, explain: bool, quiet: bool) -> int:
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
