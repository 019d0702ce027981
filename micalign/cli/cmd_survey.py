"""``micalign survey``: coordinates from a tape measure."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from micalign.cli.options import file_options, scene_argument, write_option
from micalign.cli.output import clean, console, note, print_json

if TYPE_CHECKING:
    from micalign.acoustics.survey import Survey
    from micalign.scene.model import Scene

__all__ = ["command"]


@click.command("survey")
@scene_argument
@write_option("Write a copy of the scene with the coordinates found; comments are kept.  [default: nothing]")
@file_options
def command(scene: Path, write: Path | None, force: bool, as_json: bool, quiet: bool) -> int:
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
        _write(scene, write, planned, found, force=force)
    if as_json:
        print_json(survey_document(found))
    else:
        _print_words(planned, found)
    if write is not None:
        note(f"Wrote {write}", quiet=quiet)
        for point in found.doubtful:
            note(
                f"'{point.name}' is written at the first of its two places: is it not the other?",
                quiet=quiet,
            )
    return int(bool(found.unfixed or found.doubtful or found.suspects))


def _print_words(scene: Scene, found: Survey) -> None:
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


def _write(scene_path: Path, target: Path, scene: Scene, found: Survey, *, force: bool) -> None:
    """Fixed points alone are written, each with what its coordinates are known to."""
    from micalign.acoustics.survey import axis_sigmas_m  # noqa: PLC0415
    from micalign.files.scenes import write_positions  # noqa: PLC0415

    fixed = {point.name: point.at_m for point in found.points if point.fixed}
    sigmas = axis_sigmas_m(scene, found)
    write_positions(
        scene_path, target, fixed, force=force, plus_minus_m={name: max(sigmas[name], 1e-3) for name in fixed}
    )
