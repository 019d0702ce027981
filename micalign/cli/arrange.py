"""The ``--arrangement`` half of ``micalign place``: a first scene, written or printed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import click

from micalign.acoustics.arrangements import ARRANGEMENTS, FACINGS, USUAL_ROOM, arranged, renamed, reused
from micalign.cli.output import note, print_json
from micalign.cli.places import a_place, a_room
from micalign.scene.model import Scene, Source
from micalign.scene.quantities import LENGTH_UNITS

__all__ = ["ArrangementOptions", "arrangement_options", "tell_arrangement"]


@dataclass(frozen=True, slots=True)
class ArrangementOptions:
    """What the command line says of an arrangement."""

    name: str
    at: tuple[str, ...]
    around: tuple[str, ...]
    room: str | None
    facing: str
    unit: str


_OPTIONS: Final = (
    click.option(
        "--arrangement",
        type=click.Choice(list(ARRANGEMENTS)),
        metavar="NAME",
        help="Make a first scene of this kind instead.  [default: better SCENE]",
    ),
    click.option(
        "--at",
        multiple=True,
        metavar="NAME=X,Y,Z",
        help="A source to build round, in --unit; may be repeated.  [default: usual ones]",
    ),
    click.option(
        "--around",
        multiple=True,
        metavar="NAME",
        help="A source of SCENE to build round; may be repeated.  [default: all of them]",
    ),
    click.option(
        "--room",
        metavar="W,D,H",
        help="The room's width, depth and height, in --unit.  [default: that of SCENE, else none]",
    ),
    click.option(
        "--facing",
        type=click.Choice(list(FACINGS)),
        default="front",
        show_default=True,
        help="The wall that the source or player looks at.",
    ),
    click.option(
        "--unit",
        type=click.Choice(LENGTH_UNITS),
        default="m",
        show_default=True,
        help="The unit of bare numbers, and of the new scene.",
    ),
)


def arrangement_options(command: click.decorators.FC) -> click.decorators.FC:
    """``--arrangement`` and the options that go with it."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def tell_arrangement(
    options: ArrangementOptions, scene: Path | None, write: Path | None, *, force: bool, as_json: bool, quiet: bool
) -> int:
    """Print the scene, or write it."""
    from micalign.report.plain import escaped  # noqa: PLC0415 - so that --help costs only click

    text = _appended(options, scene) if scene is not None else _new(options)
    if write is not None:
        from micalign.files.kinds import SCENE  # noqa: PLC0415 - only a writer needs it
        from micalign.files.whole import write_text  # noqa: PLC0415

        write_text(write, text, force=force, kind=SCENE)
        note(f"wrote {write}", quiet=quiet)
    if as_json:
        print_json({"arrangement": options.name, "written": None if write is None else str(write), "scene": text})
    elif write is None:
        click.echo(escaped(text), nl=False)
    return 0


def _new(options: ArrangementOptions) -> str:
    from micalign.report.arrangement import scene_text  # noqa: PLC0415 - as above
    from micalign.scene.document import parse_scene  # noqa: PLC0415

    if options.around:
        raise click.UsageError("--around names a source of a scene: give SCENE too, or use --at NAME=X,Y,Z")
    room = USUAL_ROOM if options.room is None else a_room(options.room, options.unit)
    sources = tuple(Source(*a_place(text, options.unit)) for text in options.at)
    sources, made = arranged(options.name, sources, room=room, facing=options.facing)
    text = scene_text(options.name, sources, made, room=room, unit=options.unit)
    parse_scene(text, "the new scene")
    return text


def _appended(options: ArrangementOptions, path: Path) -> str:
    from micalign.acoustics.survey import surveyed  # noqa: PLC0415 - as above
    from micalign.files.scenes import changes_text, read_text  # noqa: PLC0415
    from micalign.report.arrangement import appended_text  # noqa: PLC0415
    from micalign.scene.changes import changed, tape_lengths_m  # noqa: PLC0415
    from micalign.scene.document import parse_scene  # noqa: PLC0415

    if options.at or options.room:
        raise click.UsageError("--at and --room describe a new scene; SCENE has its own sources and room")
    text = read_text(path)
    scene = surveyed(parse_scene(text, str(path)))
    sources = tuple(scene.source(name) for name in options.around) or scene.sources
    _, made = arranged(options.name, sources, room=scene.room, facing=options.facing)
    changes, made = reused(scene, made)
    text = changes_text(text, changes, tapes_m=tape_lengths_m(scene, changed(scene, changes)))
    text = appended_text(options.name, text, renamed(made, _taken(scene)), unit=scene.length_unit)
    parse_scene(text, "the new scene")
    return text


def _taken(scene: Scene) -> frozenset[str]:
    groups = (scene.sources, scene.mics, scene.dis, scene.pairs, scene.keepouts)
    return frozenset(thing.name for group in groups for thing in group)
