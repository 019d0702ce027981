"""``micalign compare`` and ``linecheck``: is what was recorded as its scene says, a take or each source alone?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from micalign.cli.options import PATH, answer_options, songs_options, strike_option, timestamps_option
from micalign.cli.output import clean, console, note, print_json, progress
from micalign.cli.several_songs import Outcome, Several

if TYPE_CHECKING:
    from micalign.compare.comparison import Comparison
    from micalign.files.sessions import Clock, LineTake
    from micalign.files.songs import Song

__all__ = ["compare_command", "linecheck_command"]


@click.command("compare")
@click.argument("scenes", nargs=-1, required=True, type=PATH, metavar="SCENE...")
@songs_options
@timestamps_option
@answer_options
def compare_command(
    scenes: tuple[Path, ...],
    songs: tuple[Path, ...],
    *,
    resume: Path | None,
    ignore_timestamps: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Hold the take that SCENE names against the scene itself.

    For every source and track: the difference in arrival that the positions promise, the one that was recorded, and
    how many standard deviations part them. Then the simplest cause that explains the take: all as planned, a flipped
    polarity, two swapped inputs, a stand or source that was moved, another temperature, a track that is late
    throughout, a scene in the wrong unit. At the end what to do now, the most useful first.

    The take should hold a few single hits or notes of each source, at best one source after the other. In a groove a
    source is heard where its own mic leads, or in a line check before it, which is found or named by [take.alone].

    \b
    Example:
      micalign compare scenes/jazz-kit.toml

    Several scenes, or --songs with one, are reported in a line each: which song was played after a stand was kicked?

    Exit status 1 says that the take is not as the scene says.
    """
    from micalign.files.sessions import Clock  # noqa: PLC0415 - scipy, which --help must not pay for

    clock = Clock(ignore_timestamps)
    several = Several.asked("compare", scenes, songs, resume=resume, quiet=quiet)
    if isinstance(several, Several):

        def one(song: Song) -> Outcome:
            return _outcome(_compared(song, clock)[0])

        return several.run(one, asked={"clock": clock}, resume=resume, as_json=as_json, quiet=quiet)
    found, notes = _compared(several, clock)
    for sentence in notes:
        note(sentence, quiet=quiet)
    return _show(found, as_json=as_json)


def _compared(song: Song, clock: Clock) -> tuple[Comparison, tuple[str, ...]]:
    from micalign.compare.run import compare  # noqa: PLC0415 - as above
    from micalign.files.sessions import open_scene  # noqa: PLC0415

    if song.scene is None:
        raise click.UsageError("give SCENE: only a scene says where things should be")
    opened = open_scene(song.scene, clock=clock, folder=song.folder)
    return compare(opened.scene, opened.take, opened.alone), opened.laid.notes


def _outcome(found: Comparison) -> Outcome:
    from micalign.findings.rules import is_wrong  # noqa: PLC0415
    from micalign.report.compare_words import compare_document, compared_line  # noqa: PLC0415

    return Outcome(int(is_wrong(found.findings)), compared_line(found), compare_document(found))


def _show(found: Comparison, *, as_json: bool) -> int:
    from micalign.findings.rules import is_wrong  # noqa: PLC0415
    from micalign.report.compare_words import compare_document, comparison_table, summary, to_do  # noqa: PLC0415

    if as_json:
        print_json(compare_document(found))
        return int(is_wrong(found.findings))
    out = console()
    out.print(comparison_table(found))
    for line in summary(found):
        out.print(clean(line))
    out.print("\nWhat to do now", style="bold")
    out.print(to_do(found))
    return int(is_wrong(found.findings))


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
def linecheck_command(
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
    from micalign.compare.linecheck import checked_lines  # noqa: PLC0415 - so that --help costs only click
    from micalign.report.compare_words import linecheck_document, linecheck_screen  # noqa: PLC0415

    with progress(quiet=quiet) as tell:
        tell("reading the line check", 0.1)
        read = _line_take(tracks, alone, strike, ignore_timestamps=ignore_timestamps)
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


def _line_take(
    tracks: tuple[str, ...], alone: tuple[str, ...], strike: tuple[str, ...], *, ignore_timestamps: bool
) -> LineTake:
    from micalign.files.sessions import Clock, open_linecheck  # noqa: PLC0415
    from micalign.scene.quantities import alone_plans, struck_stretches  # noqa: PLC0415

    clock = Clock(ignore_timestamps)
    return open_linecheck(tracks, clock=clock, alone=alone_plans(alone), struck=struck_stretches(strike))
