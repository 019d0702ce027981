"""``micalign survey`` and ``locate``: where things stand, found from a tape measure or from a recording of hits."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from micalign.cli.options import file_options, scene_argument, write_option
from micalign.cli.output import clean, console, note, print_json

if TYPE_CHECKING:
    from micalign.acoustics.survey import Survey
    from micalign.scene.model import Scene

__all__ = ["locate_command", "survey_command"]


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
    from micalign.report.positions import survey_document  # noqa: PLC0415

    planned = read_scene(scene)
    found = survey(planned)
    if write is not None:  # first: what nobody reads on the terminal must not keep it from being written
        _write_fixed(scene, write, planned, found, force=force)
    if as_json:
        print_json(survey_document(found))
    else:
        _print_survey(planned, found)
    if write is not None:
        note(f"Wrote {write}", quiet=quiet)
        for point in found.doubtful:
            note(
                f"'{point.name}' is written at the first of its two places: is it not the other?",
                quiet=quiet,
            )
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
        note(f"wrote {write}: {len(sure)} of {len(found.mics)} mics at their new places", quiet=quiet)
    if as_json:
        print_json(locate_document(found))
        return 0 if found.is_reliable else 1
    out = console()
    out.print(mic_table(found, planned.length_unit))
    out.print(hit_table(found))
    for line in advice(found, planned.length_unit):
        out.print(clean(line))
    return 0 if found.is_reliable else 1
