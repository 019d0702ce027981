"""``micalign levels``: is a take sound? Peaks, clipping, noise, hum, offset, dead and doubled tracks."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from micalign.cli.options import file_options, out_option, scene_option, songs_options
from micalign.cli.output import console, next_step, note, print_json, progress
from micalign.cli.several_songs import Outcome, Several, refuse_one_take

if TYPE_CHECKING:
    from micalign.files.songs import Song
    from micalign.report.levels_words import TakeLevels
    from micalign.take.levels import WorkingWindow

__all__ = ["command"]


@click.command("levels")
@click.argument("tracks", nargs=-1, metavar="TRACK...")
@scene_option
@songs_options
@click.option(
    "--window",
    type=(float, float),
    default=(25.0, 75.0),
    show_default=True,
    metavar="LOWER UPPER",
    help="Where the loudest peaks should lie, in percent of full scale.",
)
@out_option("Draw the take into this file (.png, .svg or .pdf).  [default: no figure]", "--figure")
@file_options
def command(
    tracks: tuple[str, ...],
    scenes: tuple[Path, ...],
    songs: tuple[Path, ...],
    *,
    resume: Path | None,
    window: tuple[float, float],
    out: Path | None,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Read each TRACK once and say whether it is fit, and what to do: the first thing to run after a take.

    Tracks are WAV, FLAC or AIFF files; 'file.wav:2' is one channel, a file alone gives all of its channels, a folder
    all its audio files. With --scene they are those the scene names; with --songs each folder is a song, reported in a
    line. Peaks between 25 and 75 % of full scale (-12.0 to -2.5 dBFS) are good; tracks called left and right of one
    name are advised one gain, and so is a stereo file of overheads or room. RMS is against full scale 1: a full-scale
    sine reads -3.0. '<' before a noise floor says that the track never paused, or that a gate muted its pauses, so that
    its true floor may be lower.

    Example: micalign levels takes/first/*.wav -o levels.png

    Exit status 1 says that something is wrong: a clipped, silent, dead or doubled track, an offset of 1 % or more,
    hum or noise that would be heard, a file that cannot be read, sample rates that differ. Merely quiet or hot
    tracks, other lengths and other start times are reported, but leave it at 0.
    """
    if sum(map(bool, (tracks, scenes, songs))) != 1 and (tracks or not scenes):
        raise click.UsageError("give at least one TRACK, or --scene SCENE, or --songs FOLDER: one of them")
    from micalign.take.levels import WorkingWindow  # noqa: PLC0415 - numpy, which --help must not pay for

    limits = WorkingWindow(*window)
    several = Several.asked("levels", scenes, songs, resume=resume, quiet=quiet)
    if isinstance(several, Several):
        refuse_one_take(out=out)

        def one(song: Song) -> Outcome:
            return _outcome(_measured(song, song.tracks(None), limits, quiet=quiet))

        asked = {"window": window}
        return several.run(one, asked=asked, resume=resume, force=force, as_json=as_json, quiet=quiet)
    _refuse_out(out, force=force)
    take = _measured(several, tracks, limits, quiet=quiet)
    if out is not None:
        _draw(take, limits, out, force=force)
        note(f"drawn: {out}", quiet=quiet)
    _show(take, as_json=as_json)
    if several.scene is not None and not as_json:
        next_step("micalign", "measure", "--scene", several.scene, quiet=quiet)
    return 1 if take.has_problem else 0


def _measured(song: Song, tracks: tuple[str, ...], limits: WorkingWindow, *, quiet: bool) -> TakeLevels:
    from micalign.files.audio import inventory_of_scene, inventory_of_tracks  # noqa: PLC0415
    from micalign.report.levels_words import take_levels  # noqa: PLC0415

    if song.scene is not None:
        from micalign.files.scenes import read_scene  # noqa: PLC0415
        from micalign.files.songs import recorded_in  # noqa: PLC0415

        call = inventory_of_scene(recorded_in(read_scene(song.scene), song.scene, song.folder), song.scene)
    else:
        from micalign.files.songs import expanded  # noqa: PLC0415

        listed, notes = expanded(tracks or song.tracks(None))
        for sentence in () if song.folder else notes:
            note(sentence, quiet=quiet)
        call = inventory_of_tracks(listed)
    longest_s = max((one.track.duration_s for one in call.present), default=0.0) or 1.0
    with progress(quiet=quiet) as tell:
        words = f"reading {len(call.present)} tracks"
        return take_levels(call, window=limits, progress=lambda at_s: tell(words, at_s / longest_s))


def _outcome(take: TakeLevels) -> Outcome:
    from micalign.report.levels_words import levels_document, levels_line  # noqa: PLC0415

    return Outcome(1 if take.has_problem else 0, levels_line(take), levels_document(take))


def _refuse_out(out: Path | None, *, force: bool) -> None:
    """Refuse a picture that cannot be written before a long reading."""
    if out is None:
        return
    if out.suffix.lower() not in {".png", ".svg", ".pdf"}:
        raise click.UsageError(f"--out '{out}' is no picture: end its name in .png, .svg or .pdf")
    from micalign.files.whole import FIGURE, refuse_taken  # noqa: PLC0415

    refuse_taken(out, force=force, kind=FIGURE)


def _draw(take: TakeLevels, limits: WorkingWindow, out: Path, *, force: bool) -> None:
    from micalign.figures.style import render  # noqa: PLC0415
    from micalign.figures.take import levels_figure  # noqa: PLC0415 - matplotlib
    from micalign.files.whole import FIGURE, write_bytes  # noqa: PLC0415

    figure = levels_figure([levels for _, levels in take.rows], limits)
    write_bytes(out, render(figure, out.suffix), force=force, kind=FIGURE)


def _show(take: TakeLevels, *, as_json: bool) -> None:
    from micalign.report import levels_words  # noqa: PLC0415

    if as_json:
        print_json(levels_words.levels_document(take))
        return
    out = console()
    out.print(levels_words.levels_table(take))
    advice = levels_words.advice_lines(take)
    if advice is not None:
        out.print()
        out.print(advice)
    for caution in levels_words.cautions(take):
        out.print(caution)
