"""``micalign compare``: a take held against its scene."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from micalign.cli.options import PATH, answer_options, songs_options, timestamps_option
from micalign.cli.output import clean, console, note, print_json
from micalign.cli.several_songs import Outcome, Several

if TYPE_CHECKING:
    from micalign.compare.comparison import Comparison
    from micalign.files.sessions import Clock
    from micalign.files.songs import Song

__all__ = ["command"]


@click.command("compare")
@click.argument("scenes", nargs=-1, required=True, type=PATH, metavar="SCENE...")
@songs_options
@timestamps_option
@answer_options
def command(
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
    from micalign.findings.finding import is_wrong  # noqa: PLC0415
    from micalign.report.compare_words import compare_document, compared_line  # noqa: PLC0415

    return Outcome(int(is_wrong(found.findings)), compared_line(found), compare_document(found))


def _show(found: Comparison, *, as_json: bool) -> int:
    from micalign.findings.finding import is_wrong  # noqa: PLC0415
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
