"""``micalign help``: what a command does, or all of them, one after the other."""

from __future__ import annotations

import click

__all__ = ["command"]


@click.command("help")
@click.argument("name", required=False, metavar="[COMMAND]")
@click.option("--all", "everything", is_flag=True, help="Every command's help, to read or to print.")
def command(name: str | None, *, everything: bool) -> int:
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
