"""``micalign levels``, ``click``, ``linecheck`` and ``compare``: is what was recorded sound, and as its scene says?

Peaks, clipping, noise, hum, offset, dead and doubled tracks of a take; test signals for a loopback and for a small
loudspeaker, and what a recorded sweep says; each source alone on every line, and a take against its scene.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from micalign.cli.options import (
    PATH,
    FiniteRange,
    answer_options,
    file_options,
    out_option,
    scene_option,
    songs_options,
    strike_option,
    timestamps_option,
)
from micalign.cli.output import clean, console, next_step, note, print_json, progress
from micalign.cli.several_songs import Outcome, Several, refuse_one_take

if TYPE_CHECKING:
    from micalign.acoustics.prediction import Prediction
    from micalign.compare.comparison import Comparison
    from micalign.files.sessions import Clock, LineTake
    from micalign.files.songs import Song
    from micalign.report.levels_words import TakeLevels
    from micalign.take.sweep import Response, Sweep
    from micalign.take.track_levels import WorkingWindow

__all__ = ["click_command", "compare_command", "levels_command", "linecheck_command"]

_SWEEP_S: Final = 6.0  # of a recorded sweep whose length is not said


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
def levels_command(
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
    hum or noise that would be heard, a file that cannot be read or not to its end, sample rates that differ. Merely
    quiet or hot tracks, other lengths and other start times are reported, but leave it at 0.
    """
    if sum(map(bool, (tracks, scenes, songs))) != 1 and (tracks or not scenes):
        raise click.UsageError("give at least one TRACK, or --scene SCENE, or --songs FOLDER: one of them")
    from micalign.take.track_levels import WorkingWindow  # noqa: PLC0415 - numpy, which --help must not pay for

    limits = WorkingWindow(*window)
    several = Several.asked("levels", scenes, songs, resume=resume, quiet=quiet)
    if isinstance(several, Several):
        refuse_one_take(out=out)

        def one(song: Song) -> Outcome:
            return _levels_outcome(_read_levels(song, song.tracks(None), limits, quiet=quiet))

        asked = {"window": window}
        return several.run(one, asked=asked, resume=resume, force=force, as_json=as_json, quiet=quiet)
    _refuse_out(out, force=force)
    take = _read_levels(several, tracks, limits, quiet=quiet)
    if out is not None:
        _draw_levels(take, limits, out, force=force)
        note(f"written: {out}", quiet=quiet)
    _show_levels(take, as_json=as_json)
    if several.scene is not None and not as_json:
        next_step("micalign", "measure", "--scene", several.scene, quiet=quiet)
    return 1 if take.has_problem else 0


def _read_levels(song: Song, tracks: tuple[str, ...], limits: WorkingWindow, *, quiet: bool) -> TakeLevels:
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


def _levels_outcome(take: TakeLevels) -> Outcome:
    from micalign.report.levels_words import levels_document, levels_line  # noqa: PLC0415

    off = any(levels.verdict in {"quiet", "hot"} and not levels.may_be_bleed for _, levels in take.rows)
    minded = "to level" if off and not take.has_problem else ""
    return Outcome(int(take.has_problem), levels_line(take), levels_document(take), minded=minded)


def _refuse_out(out: Path | None, *, force: bool) -> None:
    """Refuse a picture that cannot be written before a long reading."""
    if out is None:
        return
    if out.suffix.lower() not in {".png", ".svg", ".pdf"}:
        raise click.UsageError(f"--out '{out}' is no picture: end its name in .png, .svg or .pdf")
    from micalign.files.whole import FIGURE, refuse_taken  # noqa: PLC0415

    refuse_taken(out, force=force, kind=FIGURE)


def _draw_levels(take: TakeLevels, limits: WorkingWindow, out: Path, *, force: bool) -> None:
    from micalign.figures.style import render  # noqa: PLC0415
    from micalign.figures.take import levels_figure  # noqa: PLC0415 - matplotlib
    from micalign.files.whole import FIGURE, write_bytes  # noqa: PLC0415

    figure = levels_figure([levels for _, levels in take.rows], limits)
    write_bytes(out, render(figure, out.suffix), force=force, kind=FIGURE)


def _show_levels(take: TakeLevels, *, as_json: bool) -> None:
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


@click.command("click")
@out_option("The sound file to write.  [default: click.wav, or sweep.wav with --sweep]")
@click.option(
    "--sweep",
    "sweep_s",
    type=FiniteRange(min=0.5, max=60.0),
    metavar="SECONDS",
    help="An exponential sweep of so many seconds, 50 hertz to 20 kHz, instead of clicks.  "
    "[default: clicks; 6 with --recorded]",
)
@click.option(
    "--level-dbfs",
    type=FiniteRange(min=-80.0, max=-6.0),
    default=-30.0,
    show_default=True,
    help="Peak of the signal, in dB of full scale.",
)
@click.option(
    "--rate",
    type=click.IntRange(8000, 192000),
    default=48000,
    show_default=True,
    metavar="HZ",
    help="Sample rate of the file, in hertz.",
)
@click.option(
    "--recorded",
    multiple=True,
    metavar="FILE",
    help="What a mic recorded of the sweep from the file's beginning on: read it. May be repeated.  [default: write]",
)
@click.option(
    "--scene", type=PATH, metavar="SCENE", help="Scene file (TOML) whose plan stands beside it.  [default: none]"
)
@click.option("--source", metavar="SOURCE", help="With --scene: where the loudspeaker stands.  [default: none]")
@click.option(
    "--mic", "mics", multiple=True, metavar="MIC", help="With --scene: the mic of each --recorded.  [default: none]"
)
@file_options
def click_command(
    *,
    out: Path | None,
    sweep_s: float | None,
    level_dbfs: float,
    rate: int,
    recorded: tuple[str, ...],
    scene: Path | None,
    source: str | None,
    mics: tuple[str, ...],
    force: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Make a test signal: clicks for a loopback, or a sweep for a small loudspeaker; or read a recorded sweep.

    CAUTION: turn the monitors down before you play it and come up slowly; take headphones off. A click or a sweep is
    louder than it looks, and a tweeter burns before an ear complains. The file begins at a low level for that reason.

    The clicks are five positive half waves after a second of silence. Through a cable from an output to an input they
    give the latency ('micalign measure click.wav --loopback back.wav'); through a loudspeaker that keeps polarity,
    'micalign linecheck --pop positive' gives each mic's.

    With --recorded a sweep becomes an impulse response: first arrival and polarity in each recording, the first
    reflections, early decay and reverberation; with --scene beside what the scene predicts. All recordings must begin
    with the playback, or all at the same instant.

    \b
    Example:
      micalign click -o click.wav
      micalign click --sweep 6 -o sweep.wav
      micalign click --sweep 6 --recorded overhead-left.wav --recorded overhead-right.wav
    """
    from micalign.report.levels_words import SIGNAL_CAUTION  # noqa: PLC0415 - so that --help costs only click

    _refuse_mixed(recorded, scene, source, mics)
    from micalign.take.sweep import Sweep, clicks  # noqa: PLC0415

    if recorded:
        return _read_sweeps(recorded, sweep_s or _SWEEP_S, (scene, source, mics), as_json=as_json, quiet=quiet)
    note(f"Caution. {SIGNAL_CAUTION}", quiet=quiet)
    path = out or Path("sweep.wav" if sweep_s else "click.wav")
    signal = Sweep(sweep_s, rate).file_signal() if sweep_s else clicks(rate)
    _write_signal(path, signal * 10.0 ** (level_dbfs / 20.0), rate, force=force)
    _print_written(path, len(signal) / rate, rate, level_dbfs, sweep_s, as_json=as_json)
    return 0


def _refuse_mixed(recorded: tuple[str, ...], scene: Path | None, source: str | None, mics: tuple[str, ...]) -> None:
    if (scene is None) != (source is None):
        raise click.UsageError("--scene and --source go together: the source is where the loudspeaker stands")
    if scene is not None and not recorded:
        raise click.UsageError("--scene goes with --recorded: it says what the recording should hold")
    if mics and (scene is None or len(mics) != len(recorded)):
        raise click.UsageError("--mic goes with --scene, one for each --recorded and in their order")
    if scene is not None and not mics:
        raise click.UsageError("--scene needs --mic, one for each --recorded and in their order")


def _write_signal(path: Path, samples: object, rate: int, *, force: bool) -> None:
    from micalign.files.whole import SOUND, write_bytes  # noqa: PLC0415
    from micalign.report.sounds import wav_bytes  # noqa: PLC0415

    if path.suffix.casefold() != ".wav":
        raise click.UsageError(f"--out: '{path}' is no name of a sound file: end it in .wav")
    write_bytes(path, wav_bytes(samples, sample_rate=rate), force=force, kind=SOUND)  # type: ignore[arg-type]


def _print_written(
    path: Path, seconds: float, rate: int, level_dbfs: float, sweep_s: float | None, *, as_json: bool
) -> None:
    from micalign.report.levels_words import made_document, made_words  # noqa: PLC0415

    document = made_document(path, seconds, rate, level_dbfs, sweep_s)
    if as_json:
        print_json(document)
        return
    out = console()
    for line in made_words(document):
        out.print(line)


def _read_sweeps(
    recorded: tuple[str, ...],
    seconds: float,
    plan: tuple[Path | None, str | None, tuple[str, ...]],
    *,
    as_json: bool,
    quiet: bool,
) -> int:
    from micalign.files.audio import open_tracks  # noqa: PLC0415
    from micalign.files.sessions import unread_notes  # noqa: PLC0415
    from micalign.report.levels_words import Planned, response_document, response_screen  # noqa: PLC0415
    from micalign.take.sweep import Sweep, response  # noqa: PLC0415

    take = open_tracks(recorded)
    for sentence in unread_notes(take.tracks):
        note(sentence, quiet=quiet)
    sweep: Sweep = Sweep(seconds, take.sample_rate)
    found: tuple[Response, ...] = tuple(response(track, sweep) for track in take.tracks)
    predicted = _predicted(*plan)
    planned = None if predicted is None else Planned(predicted, str(plan[1]), plan[2])
    if as_json:
        print_json(response_document(found, planned))
        return 0
    out = console()
    for block in response_screen(found, planned):
        out.print(block)
    return 0


def _predicted(scene_path: Path | None, source: str | None, mics: tuple[str, ...]) -> Prediction | None:
    if scene_path is None or source is None:
        return None
    from micalign.acoustics.prediction import predict  # noqa: PLC0415
    from micalign.files.scenes import read_scene  # noqa: PLC0415

    scene = read_scene(scene_path)
    scene.source(source)
    for mic in mics:
        scene.mic(mic)
    return predict(scene)


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
            return _compared_outcome(_compared(song, clock)[0])

        return several.run(one, asked={"clock": clock}, resume=resume, as_json=as_json, quiet=quiet)
    found, notes = _compared(several, clock)
    for sentence in notes:
        note(sentence, quiet=quiet)
    return _show_compared(found, as_json=as_json)


def _compared(song: Song, clock: Clock) -> tuple[Comparison, tuple[str, ...]]:
    from micalign.compare.run import compare  # noqa: PLC0415 - as above
    from micalign.files.sessions import open_scene  # noqa: PLC0415

    if song.scene is None:
        raise click.UsageError("give SCENE: only a scene says where things should be")
    opened = open_scene(song.scene, clock=clock, folder=song.folder)
    return compare(opened.scene, opened.take, opened.alone), opened.laid.notes


def _compared_outcome(found: Comparison) -> Outcome:
    from micalign.findings.rules import is_wrong  # noqa: PLC0415
    from micalign.report.compare_words import compare_document, compared_line  # noqa: PLC0415

    return Outcome(int(is_wrong(found.findings)), compared_line(found), compare_document(found))


def _show_compared(found: Comparison, *, as_json: bool) -> int:
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
