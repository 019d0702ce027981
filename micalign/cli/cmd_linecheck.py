"""``micalign linecheck``: each source alone, before the take: who heard whom, and what is wrong with which line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from micalign.cli.options import answer_options, strike_option, timestamps_option

if TYPE_CHECKING:
    from micalign.files.sessions import LineTake

__all__ = ["command"]


@click.command("linecheck")
@click.argument("tracks", nargs=-1, required=True, metavar="SCENE|TRACK...")
@click.option(
    "--alone",
    "alone",
    multiple=True,
    metavar="SOURCE=FROM-TO",
    help='Where a source sounds alone, as in "snare=0:05-0:14" (seconds, m:ss or samples). May be repeated.  '
    "[default: as the scene says, else found]",
)
@strike_option
@click.option(
    "--pop",
    type=click.Choice(["positive", "negative"]),
    help="The sign of the pressure with which every source begins at its own mic, where it is known.  "
    "[default: not known, lines are held against each other]",
)
@timestamps_option
@answer_options
def command(
    tracks: tuple[str, ...],
    *,
    alone: tuple[str, ...],
    strike: tuple[str, ...],
    pop: str | None,
    ignore_timestamps: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Read a line check: each source alone, four hits or more with pauses between, recorded on all tracks at once.

    SCENE names its tracks, and its plan is held against what was heard; TRACKs are WAV, FLAC or AIFF files, or a
    folder. For each source: which lines hear it, when its first wave arrives and in which polarity, how loud, and the
    bleed. For each line: dead, inverted, swapped with another, late, clipped, hum or noise. Then what to do.

    Without --alone and without [take.alone] the stretches in which one source is struck alone are found by themselves.

    Signs for --pop: a diaphragm that is pushed in gives a positive voltage at pin 2 (IEC 61938, AES26; from memory). A
    positive click, a hand-clap near the mic and a spoken "p" begin positive; a beater on the batter head begins
    positive for a mic on the far side of the drum and negative for one on the player's side (common practice, no
    source). Without --pop, polarity is only known between lines, and a mic below a drum is opposite to those above it.

    \b
    Example:
      micalign linecheck scenes/jazz-kit.toml
      micalign linecheck kick.wav snare.wav overhead-left.wav --alone "kick=0:02-0:09"

    Exit status 1 says that something is wrong with a line.
    """
    from micalign.cli.output import console, note, print_json, progress  # noqa: PLC0415 - so that --help costs only click
    from micalign.compare.linecheck import checked_lines  # noqa: PLC0415
    from micalign.report.compare_words import linecheck_document, linecheck_screen  # noqa: PLC0415

    with progress(quiet=quiet) as tell:
        tell("reading the line check", 0.1)
        read = _read(tracks, alone, strike, ignore_timestamps=ignore_timestamps)
        tell("measuring", 0.5)
        sign = {"positive": 1, "negative": -1, None: None}[pop]
        found = checked_lines(read.tracks, read.alone, scene=read.scene, own=read.own, found=read.unnamed, pop=sign)
    for sentence in read.notes:
        note(sentence, quiet=quiet)
    if as_json:
        print_json(linecheck_document(found, read.found))
    else:
        out = console()
        for block in linecheck_screen(found, read.found):
            out.print(block)
    return int(not found.is_good)


def _read(
    tracks: tuple[str, ...], alone: tuple[str, ...], strike: tuple[str, ...], *, ignore_timestamps: bool
) -> LineTake:
    from micalign.files.sessions import Clock, open_linecheck  # noqa: PLC0415
    from micalign.scene.quantities import alone_plans, struck_stretches  # noqa: PLC0415

    clock = Clock(ignore_timestamps)
    return open_linecheck(tracks, clock=clock, alone=alone_plans(alone), struck=struck_stretches(strike))
