"""``micalign locate``: the mics' places from a recording of hits at known points."""

from __future__ import annotations

from pathlib import Path

import click

from micalign.cli.options import file_options, scene_argument, write_option

__all__ = ["command"]


@click.command("locate")
@scene_argument
@write_option("Write the scene with the places that are reliable.  [default: nothing]")
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="A number that sets where the search starts."
)
@file_options
def command(scene: Path, write: Path | None, *, seed: int, force: bool, as_json: bool, quiet: bool) -> int:
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
    from micalign.cli.output import clean, console, note, print_json  # noqa: PLC0415 - so that --help costs only click
    from micalign.files.scenes import read_scene, write_positions  # noqa: PLC0415
    from micalign.files.sessions import open_scene  # noqa: PLC0415
    from micalign.files.whole import SCENE, refuse_taken  # noqa: PLC0415
    from micalign.locate.location import locate  # noqa: PLC0415
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
