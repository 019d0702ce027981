"""``micalign survey``, ``locate`` and ``place``: where things stand, by tape or hits, and where mics should stand."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from micalign.cli.options import PATH, UNITS, a_place, a_room, file_options, name_of, scene_argument, write_option
from micalign.cli.output import clean, console, next_step, note, print_json

if TYPE_CHECKING:
    from rich.table import Table

    from micalign.acoustics.placement import Placement
    from micalign.acoustics.prediction import Prediction
    from micalign.acoustics.survey import Survey
    from micalign.scene.scene import Scene

__all__ = ["locate_command", "place_command", "survey_command"]


@click.command("survey")
@scene_argument
@write_option("Write a copy of the scene with the coordinates found; comments are kept.  [default: nothing]")
@file_options
def survey_command(scene: Path, write: Path | None, force: bool, as_json: bool, quiet: bool) -> int:
    """Find coordinates from distances measured with a tape.

    A point may know some coordinates: at = ["?", "?", 1.9] where only the height is measured. Give each unknown point
    one [[tape]] more than it has unknown coordinates, and a wrong tape shows. Exit status 1 where a point is not
    fixed, may stand in two places, or a tape is suspect.

    \b
    Example:
      micalign survey scenes/jazz-kit.toml --write surveyed.toml
    """
    from micalign.acoustics.survey import survey  # noqa: PLC0415 - so that --help costs only click
    from micalign.files.scenes import read_scene  # noqa: PLC0415
    from micalign.report.positions import survey_document, written_in_doubt  # noqa: PLC0415

    planned = read_scene(scene)
    found = survey(planned)
    if write is not None:  # first: what nobody reads on the terminal must not keep it from being written
        _write_fixed(scene, write, planned, found, force=force)
    if as_json:
        print_json(survey_document(found))
    else:
        _print_survey(planned, found)
    if write is not None:
        note(f"written: {write}", quiet=quiet)
        for sentence in written_in_doubt(planned, found):
            note(sentence, quiet=quiet)
    return int(bool(found.unfixed or found.doubtful or found.suspects))


def _print_survey(scene: Scene, found: Survey) -> None:
    from micalign.report.positions import point_table, remarks, tape_table  # noqa: PLC0415

    out = console()
    if not found.points:
        out.print(
            "Every position is given: nothing is left to find." + (" The tapes check them:" if found.tapes else "")
        )
    for table in (point_table(scene, found), tape_table(scene, found)):
        if table is not None:
            out.print(table)
            out.print()
    for remark in remarks(scene, found):
        out.print(clean(remark))


def _write_fixed(scene_path: Path, target: Path, scene: Scene, found: Survey, *, force: bool) -> None:
    """Fixed points alone are written, each with what its coordinates are known to."""
    from micalign.acoustics.survey import axis_sigmas_m  # noqa: PLC0415
    from micalign.files.scenes import write_positions  # noqa: PLC0415

    fixed = {point.name: point.at_m for point in found.points if point.fixed}
    sigmas = axis_sigmas_m(scene, found)
    write_positions(
        scene_path, target, fixed, force=force, plus_minus_m={name: max(sigmas[name], 1e-3) for name in fixed}
    )


@click.command("locate")
@scene_argument
@write_option("Write the scene with the places that are reliable.  [default: nothing]")
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="A number that sets where the search starts."
)
@file_options
def locate_command(scene: Path, write: Path | None, *, seed: int, force: bool, as_json: bool, quiet: bool) -> int:
    """Find where the mics of SCENE stand from the take that it names: hits at its sources.

    Put every known point into the scene as a [[source]] (drums to tap, marks on the floor to clap at), hit each three
    times or more, one after the other in the order of the scene, and record all mics on one clock. Mics may be left
    without 'at'. Four mics need hits at 4 points at the least, two need 6; 8 that are spread in height as well as
    about the mics do well.

    Claps and rim shots near your ears are loud: wear hearing protection.

    \b
    Example:
      micalign locate scenes/hits.toml --write located.toml

    Exit status 1 says that a mic's place is not reliable: the table says why, and what to add.
    """
    from micalign.compare.location import locate  # noqa: PLC0415
    from micalign.files.scenes import read_scene, write_positions  # noqa: PLC0415 - so that --help costs only click
    from micalign.files.sessions import open_scene  # noqa: PLC0415
    from micalign.files.whole import SCENE, refuse_taken  # noqa: PLC0415
    from micalign.report.positions import advice, hit_table, locate_document, mic_table  # noqa: PLC0415

    planned = read_scene(scene)
    if write is not None:
        refuse_taken(write, force=force, kind=SCENE)  # before the work, not after it
    opened = open_scene(scene)
    for sentence in opened.laid.notes:
        note(sentence, quiet=quiet)
    found = locate(planned, opened.take, seed=seed)
    if write is not None:
        sure = [mic for mic in found.mics if mic.reliable]
        sigmas = {mic.mic: mic.uncertainty_m / 3**0.5 for mic in sure}
        write_positions(scene, write, {mic.mic: mic.at_m for mic in sure}, plus_minus_m=sigmas, force=force)
        note(f"written: {write}, {len(sure)} of {len(found.mics)} mics at their new places", quiet=quiet)
    if as_json:
        print_json(locate_document(found))
        return 0 if found.is_reliable else 1
    out = console()
    out.print(mic_table(found, planned.length_unit))
    out.print(hit_table(found))
    for line in advice(found, planned.length_unit):
        out.print(clean(line))
    return 0 if found.is_reliable else 1


ARRANGEMENTS: Final = (
    "equal-overheads",
    "spaced-pair",
    "coincident-pair",
    "near-coincident-pair",
    "close-mic",
    "two-mics-on-cab",
    "di-and-cab",
    "two-singers",
)
FACINGS: Final = ("front", "back", "left", "right")


@dataclass(frozen=True, slots=True)
class _Arrangement:
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
        type=click.Choice(ARRANGEMENTS),
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
        type=click.Choice(FACINGS),
        default="front",
        show_default=True,
        help="The wall that the source or player looks at.",
    ),
    click.option(
        "--unit",
        type=click.Choice(UNITS),
        default="m",
        show_default=True,
        help="The unit of bare numbers, and of the new scene.",
    ),
)


def _arrangement_options(command: click.decorators.FC) -> click.decorators.FC:
    """``--arrangement`` and the options that go with it."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def _tell_arrangement(
    options: _Arrangement, scene: Path | None, write: Path | None, *, force: bool, as_json: bool, quiet: bool
) -> int:
    """Print the scene, or write it."""
    from micalign.report.tables import escaped  # noqa: PLC0415 - so that --help costs only click

    text = _appended(options, scene) if scene is not None else _new_scene(options)
    if write is not None:
        from micalign.files.whole import SCENE, write_text  # noqa: PLC0415

        write_text(write, text, force=force, kind=SCENE)
        note(f"written: {write}", quiet=quiet)
    if as_json:
        print_json({"arrangement": options.name, "written": None if write is None else str(write), "scene": text})
    elif write is None:
        click.echo(escaped(text), nl=False)
    return 0


def _new_scene(options: _Arrangement) -> str:
    from micalign.acoustics.arrangements import USUAL_ROOM, arranged  # noqa: PLC0415 - as above
    from micalign.report.firstscene import scene_text  # noqa: PLC0415
    from micalign.scene.document import parse_scene  # noqa: PLC0415
    from micalign.scene.model import Source  # noqa: PLC0415

    if options.around:
        raise click.UsageError("--around names a source of a scene: give SCENE too, or use --at NAME=X,Y,Z")
    room = USUAL_ROOM if options.room is None else a_room(options.room, options.unit)
    sources = tuple(Source(*a_place(text, options.unit)) for text in options.at)
    sources, made = arranged(options.name, sources, room=room, facing=options.facing)
    text = scene_text(options.name, sources, made, room=room, unit=options.unit)
    parse_scene(text, "the new scene")
    return text


def _appended(options: _Arrangement, path: Path) -> str:
    from micalign.acoustics.arrangements import arranged, renamed, reused  # noqa: PLC0415 - as above
    from micalign.acoustics.survey import surveyed  # noqa: PLC0415
    from micalign.files.scenes import changes_text, read_text  # noqa: PLC0415
    from micalign.report.firstscene import appended_text  # noqa: PLC0415
    from micalign.scene.document import parse_scene  # noqa: PLC0415
    from micalign.scene.scene import changed, tape_lengths_m  # noqa: PLC0415

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


@click.command("place")
@click.argument("scene", type=PATH, required=False, metavar="SCENE")
@write_option("Write the scene with the new positions.  [default: nothing]")
@click.option(
    "--figure", type=PATH, metavar="FILE", help="Draw old and new places (.png, .svg or .pdf).  [default: no figure]"
)
@_arrangement_options
@file_options
def place_command(
    scene: Path | None,
    *,
    write: Path | None,
    figure: Path | None,
    arrangement: str | None,
    at: tuple[str, ...],
    around: tuple[str, ...],
    room: str | None,
    facing: str,
    unit: str,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Find better positions for the mics of SCENE that may move ('move' or 'reach').

    Keepouts, the walls' margin and each mic's own box are never broken. Pairs are brought within their tolerance to
    everything in 'equal_to'; then distances, spacing, reflections, stereo and short moves are weighed ([place] in the
    scene). Nothing is written without --write or --figure.

    With --arrangement a first scene is made instead: round sources given with --at, round those of SCENE, or round
    usual ones; printed, or written with --write.

    \b
      equal-overheads       a pair over the player's head, equal to snare and kick
      spaced-pair           two cardioids 60 cm apart
      coincident-pair       two cardioids in one place, 90 degrees apart
      near-coincident-pair  two cardioids, 17 cm and 110 degrees apart
      close-mic             a mic on each source, 5 cm off and at 45 degrees
      two-mics-on-cab       two mics at one distance from the cone
      di-and-cab            a DI and a close mic on one cab
      two-singers           a mic each, by the 3:1 rule

    \b
    Examples:
      micalign place scenes/jazz-kit.toml --write placed.toml --figure placed.png
      micalign place --arrangement equal-overheads --at snare=2.1,2.0,0.7 --at kick=2.0,1.4,0.3 --write first.toml

    Exit status 1 says that the limits leave no solution; the best compromise and what stands in the way are reported.
    """
    if arrangement is not None:
        if figure is not None:
            raise click.UsageError("--figure shows a move: place the written scene with it, or use 'micalign draw'")
        options = _Arrangement(arrangement, at, around, room, facing, unit)
        return _tell_arrangement(options, scene, write, force=force, as_json=as_json, quiet=quiet)
    if scene is None:
        raise click.UsageError("give SCENE, or --arrangement to make a first one")
    if at or around or room:
        raise click.UsageError("--at, --around and --room go with --arrangement")
    return _better(scene, write, figure, force=force, as_json=as_json, quiet=quiet)


def _better(path: Path, write: Path | None, figure: Path | None, *, force: bool, as_json: bool, quiet: bool) -> int:
    from micalign.acoustics.survey import surveyed  # noqa: PLC0415
    from micalign.files.scenes import read_scene, write_positions  # noqa: PLC0415
    from micalign.files.whole import FIGURE, SCENE, refuse_taken  # noqa: PLC0415
    from micalign.findings.placing import place  # noqa: PLC0415 - numpy, which --help must not pay for

    before = surveyed(read_scene(path))
    for target, kind in ((write, SCENE), (figure, FIGURE)):
        if target is not None:
            refuse_taken(target, force=force, kind=kind)  # before the search, not after it
    found = place(before)
    with ExitStack() as both:  # the figure stands when the scene does
        if figure is not None:
            both.enter_context(_drawn(found.scene, before, figure, force=force))
        if write is not None:
            places = {move.mic: move.to_m for move in found.moved}
            write_positions(path, write, places, force=force, tapes_m=found.tapes_m)
    for target in (write, figure):
        if target is not None:
            note(f"written: {target}", quiet=quiet)
    _tell_moves(found, before, as_json=as_json)
    if not as_json and (write is not None or found.moved):
        step = ("plan", write) if write is not None else ("place", path, "--write", f"{name_of(path)}-placed.toml")
        next_step("micalign", *step, quiet=quiet)
    return 0 if found.feasible else 1


@contextmanager
def _drawn(after: Scene, before: Scene, path: Path, *, force: bool) -> Iterator[None]:
    """The figure, which takes its name when the block ends well."""
    from micalign.figures.stage_plan import plan_figure  # noqa: PLC0415 - matplotlib, only for --figure
    from micalign.figures.style import render  # noqa: PLC0415
    from micalign.files.whole import FIGURE, whole_file  # noqa: PLC0415

    with whole_file(path, force=force, kind=FIGURE) as partial:
        partial.write_bytes(render(plan_figure(after, before=before), path.suffix))
        yield


def _tell_moves(found: Placement, before: Scene, *, as_json: bool) -> None:
    from micalign.acoustics.prediction import predict  # noqa: PLC0415 - as above
    from micalign.findings.rules import cautions, reported, with_remedies  # noqa: PLC0415
    from micalign.findings.rules import found as found_in  # noqa: PLC0415
    from micalign.report import place_words as report  # noqa: PLC0415
    from micalign.report.check_words import caution_lines  # noqa: PLC0415

    prediction = predict(found.scene)
    every = found_in(before, predict(before)), found_in(found.scene, prediction)
    then, now = (with_remedies(scene, reported(one)) for scene, one in zip((before, found.scene), every, strict=True))
    if as_json:
        print_json(report.place_document(found, before, prediction, then, now))
        return
    out = console()
    for line in report.summary(found, before, now):
        out.print(line)
    for table in _move_tables(found, before, prediction):
        out.print()
        out.print(table)
    for line in report.error_words(before) if found.strings else ():
        out.print(line)
    if then or now:
        out.print()
        out.print(report.findings_table(then, now, found_before=every[0], found_after=every[1]))
    if found.moved and cautions(found.scene):
        out.print()
        out.print(caution_lines(cautions(found.scene)))


def _move_tables(found: Placement, before: Scene, prediction: Prediction) -> Iterator[Table]:
    from micalign.report import place_words as report  # noqa: PLC0415 - as above

    if found.moved:
        yield report.move_table(found, before)
    if report.term_rows(found):
        yield report.term_table(found)
    if found.strings:
        yield report.string_table(found, prediction)
