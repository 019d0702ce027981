"""``micalign measure`` and ``align``: delay and polarity between tracks, and offsets and aligned audio that follow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from micalign.cli.options import (
    PATH,
    FiniteRange,
    answer_options,
    basis_options,
    clock_options,
    file_options,
    loopback_option,
    max_delay_option,
    out_option,
    tracks_options,
)
from micalign.cli.output import Tell, console, next_step, note, print_json, progress, told
from micalign.cli.several_songs import Outcome, Several, refuse_one_take

if TYPE_CHECKING:
    from micalign.alignment.pairings import Measured
    from micalign.files.aligned_set import Aligned, AlignRequest
    from micalign.files.sessions import Clock, Laid
    from micalign.files.songs import Song
    from micalign.scene.quantities import AlonePlan, AloneStretch

__all__ = ["align_command", "measure_command"]


@dataclass(frozen=True)
class _Asked:
    """What a measurement is asked for, whichever the tracks."""

    reference: str | None
    alone: tuple[AlonePlan, ...]
    struck: tuple[AloneStretch, ...]
    max_delay_s: float
    drift: bool
    loopback: str | None
    clock: Clock


@click.command("measure")
@tracks_options
@basis_options
@max_delay_option
@click.option("--drift", is_flag=True, help="Look for a difference between the clocks of two recorders.")
@loopback_option
@clock_options
@answer_options
def measure_command(
    tracks: tuple[str, ...],
    scenes: tuple[Path, ...],
    songs: tuple[Path, ...],
    *,
    resume: Path | None,
    as_json: bool,
    quiet: bool,
    **asked: Any,
) -> int:
    """Measure how much later each TRACK hears the same event than REFERENCE, and whether it is inverted.

    Tracks are WAV, FLAC or AIFF files; 'file.wav:2' is the second channel of a file, and a file of several channels
    without one gives them all. A delay is positive when the event comes LATER in the track. With --scene the tracks
    are those the scene names, and each source is measured on its own; where it is struck alone, as in a line check, it
    is measured there, which outranks the song. Such stretches are given by --alone or found; what was found is listed.
    Two mics over a whole kit hear every drum at another delay: theirs is that of the one both hear best.

    A folder stands for all audio files in it, the first by name as REFERENCE unless one is given. Tracks that began at
    other times by their broadcast time stamps are placed by them first: a delay is then one in the session. Without
    such stamps a file of another length that fits only as one that began at another time is told so; so is a track
    whose delay changes within the take, as where a mic is moved, and so are tracks that sound at other times than the
    reference, as those of another take in the same folder. With --songs each folder is a song, reported in a line;
    --reference then names a file in each.

    Example: micalign measure overhead-left.wav snare.wav kick.wav

    Exit status 1 says that a delay is not reliable: do not act on it. A polarity with a question mark is in doubt.
    """
    _refuse_mixed_use(tracks, scenes, songs)
    _refuse_alone((*asked["alone"], *asked["strike"]), scenes)
    if scenes and (asked["drift"] or asked["loopback"]):
        raise click.UsageError("--drift and --loopback go with REFERENCE and TRACKs, not with --scene")
    request = _measurement(**asked)
    several = Several.asked("measure", scenes, songs, resume=resume, quiet=quiet)
    if isinstance(several, Several):
        refuse_one_take(loopback=request.loopback)

        def one(song: Song) -> Outcome:
            return _measured_outcome(*_measured(song, (), request, quiet=quiet))

        return several.run(one, asked=vars(request), resume=resume, as_json=as_json, quiet=quiet)
    found, laid = _measured(several, tracks, request, quiet=quiet)
    for sentence in laid.notes:
        note(sentence, quiet=quiet)
    words = ("measure", *(tracks or ("--songs", str(several.folder))))
    _show_measured(found, laid, words, as_json=as_json, drift=request.drift, loopback=request.loopback is not None)
    if several.scene is not None and not as_json:
        next_step("micalign", "align", "--scene", several.scene, quiet=quiet)
    return 0 if found.all_reliable else 1


def _measurement(
    *,
    alone: tuple[str, ...],
    strike: tuple[str, ...],
    max_delay_ms: float,
    ignore_timestamps: bool,
    resample: bool,
    reference: str | None,
    drift: bool,
    loopback: str | None,
) -> _Asked:
    from micalign.files.sessions import Clock  # noqa: PLC0415 - scipy, which --help must not pay for
    from micalign.scene.quantities import alone_plans, struck_stretches  # noqa: PLC0415

    clock = Clock(ignore_timestamps, resample)
    return _Asked(reference, alone_plans(alone), struck_stretches(strike), max_delay_ms / 1e3, drift, loopback, clock)


def _measured(song: Song, tracks: tuple[str, ...], asked: _Asked, *, quiet: bool) -> tuple[Measured, Laid]:
    with progress(quiet=quiet) as tell:
        if song.scene is not None:
            return _of_scene(song.scene, song.folder, asked, tell)
        return _of_files(tracks or song.tracks(asked.reference), asked, tell)


def _measured_outcome(found: Measured, laid: Laid) -> Outcome:
    from micalign.report.measure_words import measure_document, measured_line  # noqa: PLC0415

    return Outcome(0 if found.all_reliable else 1, measured_line(found), measure_document(found, laid))


def _of_scene(scene: Path, folder: Path | None, asked: _Asked, tell: Tell) -> tuple[Measured, Laid]:
    from micalign.alignment.session import measured_scene  # noqa: PLC0415
    from micalign.files.sessions import open_scene  # noqa: PLC0415

    one = open_scene(scene, reference=asked.reference, clock=asked.clock, alone=asked.alone, folder=folder)
    found = measured_scene(
        one.scene,
        one.take,
        reference=one.reference,
        max_delay_s=asked.max_delay_s,
        alone=one.alone,
        struck=asked.struck,
        progress=tell,
    )
    return found, one.laid


def _of_files(tracks: tuple[str, ...], asked: _Asked, tell: Tell) -> tuple[Measured, Laid]:
    from micalign.alignment.pairings import measured  # noqa: PLC0415
    from micalign.files.sessions import open_pairings, open_recorded, reference_first  # noqa: PLC0415

    tracks = reference_first(tracks, asked.reference)
    if asked.loopback is None:
        pair = open_pairings(tracks, asked.clock)
    else:
        pair = open_recorded(tracks, asked.loopback, asked.clock)
    found = measured(
        pair.reference,
        pair.others,
        max_delay_s=asked.max_delay_s,
        drift=asked.drift and asked.loopback is None,
        loopback=pair.loopback,
        progress=tell,
    )
    return found, pair.laid


def _refuse_mixed_use(tracks: Sequence[str], scenes: Sequence[Path], songs: Sequence[Path]) -> None:
    """Refuse tracks beside a scene or songs, or none of them."""
    if not (scenes or songs or tracks):
        raise click.UsageError("give REFERENCE and at least one TRACK, or --scene SCENE, or --songs FOLDER")
    if scenes and tracks:
        raise click.UsageError("give tracks or --scene, not both: the scene names its own tracks")
    if songs and tracks:
        raise click.UsageError("give tracks or --songs, not both: each song has its own tracks")


def _refuse_alone(alone: Sequence[str], scenes: Sequence[Path]) -> None:
    """Refuse stretches of sources without a scene that knows sources."""
    if alone and not scenes:
        raise click.UsageError("--alone and --strike go with --scene: only a scene knows sources")


def _show_measured(
    found: Measured, laid: Laid, words: Sequence[str], *, as_json: bool, drift: bool, loopback: bool
) -> None:
    from micalign.report.measure_words import (  # noqa: PLC0415
        delay_table,
        kit_command,
        kit_lines,
        latency_words,
        measure_document,
        source_table,
        stretch_lines,
        sum_table,
        sum_words,
    )

    if as_json:
        print_json(measure_document(found, laid))
        return
    out = console()
    for line in stretch_lines(found.stretches):
        out.print(line)
    if found.stretches:
        out.print()
    if found.sources:
        out.print(source_table(found.sources), "")
    for line in kit_lines(found):  # first: read against another, the table below is another
        out.print(line)
    if command := kit_command(found, words):
        out.print(command, soft_wrap=True)  # whole, to be pasted
    if found.of_a_kit:
        out.print()
    out.print(delay_table(f"Against {found.reference}", found.tracks, found.sample_rate, drift=drift))
    for one in found.sums:
        out.print("", sum_table(one))
        for line in sum_words(one):
            out.print(line)
    if loopback:
        out.print(latency_words(found))


@click.command("align")
@tracks_options
@click.option(
    "--offsets", "sheet", type=PATH, metavar="FILE", help="Apply an offsets.json, edited or not.  [default: measure]"
)
@out_option(
    "Folder for the aligned set; in it one for each of several songs.  [default: 'aligned' beside the reference, the "
    "scene or the songs]"
)
@basis_options
@click.option(
    "--for",
    "for_source",
    metavar="SOURCE",
    help="With --scene: the source the shifts must suit.  [default: all of them]",
)
@click.option("--split-pairs", is_flag=True, help="With --scene: let the mics of a stereo pair move apart.")
@max_delay_option
@click.option(
    "--max-shift-ms",
    "--max-shift",
    "max_shift_ms",
    type=FiniteRange(min=0.0),
    metavar="MS",
    help="Move nothing further than this, in ms.  [default: no limit]",
)
@click.option(
    "--by",
    type=click.Choice(["sum", "arrival"]),
    default="sum",
    show_default=True,
    help="What lays a DI and its mic together: where they add up best, or when the sound arrives.",
)
@loopback_option
@click.option("--correct-drift", is_flag=True, help="Take the difference of two recorders' clocks out of each TRACK.")
@click.option("--match-phase", is_flag=True, help="Turn each DI's phase towards its mic by all-pass filters.")
@click.option("--whole-samples", is_flag=True, help="Shift by whole samples: every sample comes out bit for bit.")
@click.option(
    "--headroom-db",
    type=FiniteRange(min=0.0, max=60.0),
    default=0.0,
    show_default=True,
    help="Turn all tracks down by so many dB, so that none clips.",
)
@click.option(
    "--preview",
    "preview_s",
    type=FiniteRange(min=0.1, max=60.0),
    metavar="SECONDS",
    help="Write so many seconds of the sum, before and after, round each source's loudest hit.  [default: none]",
)
@click.option("--thirds", is_flag=True, help="Show the gain of the sum by third octave instead of by octave.")
@clock_options
@click.option(
    "--keep-all",
    is_flag=True,
    help="Cut nothing off: put silence in front of all files, as much as the earliest needs, and say how much.",
)
@click.option(
    "--suffix",
    metavar="TEXT",
    help="What is added to an aligned file's name.  [default: -aligned]",
)
@file_options
def align_command(
    *,
    scenes: tuple[Path, ...],
    songs: tuple[Path, ...],
    resume: Path | None,
    thirds: bool,
    as_json: bool,
    quiet: bool,
    **asked: Any,
) -> int:
    """Measure each TRACK against REFERENCE, then write the aligned set: audio, offsets.json and offsets.csv.

    Every written file begins where REFERENCE begins, so that it can take its original's place in a session; what a
    track that moves earlier loses in front is reported where it is louder than its own noise. A stereo file whose two
    channels are moved alike stays one, else each channel gets a file. Shifts are fractions of a sample unless
    --whole-samples is given; polarity is flipped where a track is inverted; the originals stay as they are. A track
    without a reliable delay is written where it was, and the exit status is 1. Edit offsets.json and hand it back with
    --offsets; its "basis" says what each shift follows from: "arrival" and "sum" were measured, with "reference" and
    "recorded" delay_s is no measurement but follows from the shifts. What is left as recorded by right is
    "as_recorded", and neither "reliable" nor "applied"; its file is written all the same. offsets.csv is for moving the
    originals by hand in any editor.

    Of a drum kit the mics over all of it stay, and so do those in the room; each close mic goes where its own strokes
    add up best with the former, at equal level. That is so also where REFERENCE is a close mic; where --reference names
    one, all are then moved as one so that it stays. What is called overhead, oh, room or amb is taken for that; where
    none is surely over the kit, or there is no close mic, nothing moves. What holds notes beside the kit, such as a
    bass or a voice, stays against it as it was recorded; a DI and the mic on its cabinet are laid onto each other.
    Two mics at a source each that hear each other's, as of a singer with a guitar, are left: no one shift serves both;
    so is a further mic that hears both.

    With --scene each source is measured on its own, close mics are laid onto the overheads, a stereo pair moves as
    one, and so do all mics that are there for every source, such as overheads and a room's. What a mic without 'on' is
    there to take, its place tells; where that does not, it is left as recorded, and so are tracks that share no source
    but as faint bleed. A drum's mic lies by its arrival, or nearby where the drum's own strokes add up clearly better;
    what would lose level there is left as recorded. What a source says where it is struck alone, as in a line check,
    outranks the song, whether that is given by --alone or found; the remark of each shift says what it was measured on.
    A DI and the mic on its cabinet are laid where they add up best; --match-phase turns the DI, whichever of the two it
    is.

    A folder stands for all audio files in it, the first by name as REFERENCE unless one is given. Tracks that began at
    other times by their broadcast time stamps are placed by them before anything is measured. Without such stamps a
    file of another length that fits only as one that began at another time is told so, and not moved; so is a track
    whose delay changes within the take, as where a mic is moved, with when and by how much; and so are tracks that
    sound at other times than the reference, as those of another take in the same folder. With --songs each folder is a
    song: it gets a folder of its own in --out, and a run that was stopped goes on with what is missing.

    Example: micalign align overhead-left.wav snare.wav kick.wav -o aligned

    Listen to previews at a low level first: a sum can be louder than its tracks.
    """
    _refuse_misuse(asked, scenes, songs)
    sheet = asked.pop("sheet")
    request = _align_request(asked)
    several = Several.asked("align", scenes, songs, resume=resume, quiet=quiet)
    if isinstance(several, Several):
        refuse_one_take(loopback=request.loopback, offsets=sheet)
        out = request.out or _beside(several.songs[0]) / "aligned"

        def one(song: Song) -> Outcome:
            return _aligned_outcome(_aligned(song, replace(request, out=out / song.name), quiet=quiet))

        asked = vars(replace(request, force=False)) | {"out": out}
        resume = resume or out / "songs.json"
        return several.run(one, asked=asked, resume=resume, force=request.force, as_json=as_json, quiet=quiet)
    done = _aligned(several, request, sheet, quiet=quiet)
    _show_aligned(done, as_json=as_json, thirds=thirds)
    for sentence in (*done.remarks, *done.warnings):
        told(sentence, quiet=quiet)
    if several.scene is not None and not as_json:
        next_step("micalign", "report", several.scene, quiet=quiet)
    return 1 if done.warnings else 0


def _align_request(asked: dict[str, Any]) -> AlignRequest:
    from micalign.files.aligned_set import AlignRequest  # noqa: PLC0415 - scipy, soundfile and pydantic, as --help must not
    from micalign.scene.quantities import alone_plans, struck_stretches  # noqa: PLC0415

    asked["alone"] = alone_plans(asked["alone"])
    asked["struck"] = struck_stretches(asked.pop("strike"))
    for key in ("max_delay", "max_shift"):
        milliseconds = asked.pop(f"{key}_ms")
        asked[f"{key}_s"] = None if milliseconds is None else milliseconds / 1e3
    return AlignRequest(**asked)


def _beside(song: Song) -> Path:
    """Where the aligned sets of several songs go: the folder that holds the first."""
    place = song.place
    return Path() if place is None else place.parent


def _aligned(song: Song, request: AlignRequest, sheet: Path | None = None, *, quiet: bool) -> Aligned:
    from micalign.files.align import align, apply_offsets  # noqa: PLC0415 - as above

    def say(words: str) -> None:
        note(words, quiet=quiet)

    with progress(quiet=quiet) as tell:
        if sheet is not None:
            return apply_offsets(sheet, request, say=say, progress=tell)
        tracks = request.tracks or song.tracks(request.reference)
        request = replace(request, tracks=tracks, scene=song.scene, folder=song.folder)
        return align(request, say=say, progress=tell)


def _aligned_outcome(done: Aligned) -> Outcome:
    from micalign.report.align_words import aligned_line  # noqa: PLC0415

    made = [str(done.folder / one.file) for one in done.offsets.files]
    return Outcome(
        1 if done.warnings else 0, aligned_line(done.offsets, done.folder), _document(done), made=tuple(made)
    )


def _refuse_misuse(asked: dict[str, Any], scenes: Sequence[Path], songs: Sequence[Path]) -> None:
    if asked["sheet"] is not None:
        if asked["tracks"] or scenes or songs or asked["alone"] or asked["strike"]:
            raise click.UsageError(
                "--offsets names its own tracks: give no tracks, --scene, --songs, --alone or --strike beside it"
            )
        return
    _refuse_mixed_use(asked["tracks"], scenes, songs)
    _refuse_alone((*asked["alone"], *asked["strike"]), scenes)
    if asked["whole_samples"] and (asked["match_phase"] or asked["correct_drift"] or asked["resample"]):
        raise click.UsageError("--whole-samples leaves every sample as it is: it does not go with filters or clocks")
    with_scene = [key for key in ("for_source", "split_pairs") if asked[key]]
    if with_scene and not scenes:
        raise click.UsageError("--for and --split-pairs go with --scene: only a scene knows sources and pairs")
    without = [key for key in ("loopback", "correct_drift") if asked[key]]
    if without and scenes:
        raise click.UsageError("--loopback and --correct-drift go with REFERENCE and TRACKs, not with --scene")


def _document(done: Aligned) -> dict[str, Any]:
    from micalign.report.align_words import align_document  # noqa: PLC0415
    from micalign.report.measure_words import sum_document  # noqa: PLC0415

    more: dict[str, Any] = {"previews": [str(path) for path in done.previews], "notes": list(done.notes)}
    more["sums"] = [sum_document(one) for one in done.sums]
    return align_document(done.offsets, done.folder, more=more)


def _show_aligned(done: Aligned, *, as_json: bool, thirds: bool) -> None:
    from micalign.report.align_words import gain_table, remain_table, shift_table, words  # noqa: PLC0415
    from micalign.report.measure_words import sum_table, sum_words  # noqa: PLC0415

    if as_json:
        print_json(_document(done))
        return
    out = console()
    out.print(shift_table(done.offsets), "")
    if any(not one.is_faint for one in done.remains):
        out.print(remain_table(done.remains), "")
    out.print(gain_table(done.offsets, thirds=thirds), "")
    turned = {phase["track"] for phase in done.offsets.phases}
    for one in done.sums:
        out.print(sum_table(one))
        for line in sum_words(one, matched=one.filtered in turned):
            out.print(line)
        out.print()
    for line in words(done.offsets, done.folder, done.previews):
        out.print(line)
