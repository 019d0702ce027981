"""``micalign measure``: delay and polarity between tracks, with uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from micalign.cli.options import (
    answer_options,
    basis_options,
    clock_options,
    loopback_option,
    max_delay_option,
    tracks_options,
)
from micalign.cli.output import Tell, console, next_step, note, print_json, progress
from micalign.cli.several_songs import Outcome, Several, refuse_one_take

if TYPE_CHECKING:
    from micalign.alignment.pairings import Measured
    from micalign.files.sessions import Clock, Laid
    from micalign.files.songs import Song
    from micalign.scene.quantities import AlonePlan, AloneStretch

__all__ = ["measure_command", "refuse_alone", "refuse_mixed_use"]


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
    Two mics over a whole kit hear every drum at another delay: theirs is the loudest drum's, as a rule the snare's.

    A folder stands for all audio files in it, the first by name as REFERENCE unless one is given. Tracks that began at
    other times by their broadcast time stamps are placed by them first: a delay is then one in the session. Without
    such stamps a file of another length that fits only as one that began at another time is told so; and so
    is a track whose delay changes within the take, as where a mic is moved. With --songs each folder is a song,
    reported in a line; --reference then names a file in each.

    Example: micalign measure overhead-left.wav snare.wav kick.wav

    Exit status 1 says that a delay is not reliable: do not act on it. A polarity with a question mark is in doubt.
    """
    refuse_mixed_use(tracks, scenes, songs)
    refuse_alone((*asked["alone"], *asked["strike"]), scenes)
    if scenes and (asked["drift"] or asked["loopback"]):
        raise click.UsageError("--drift and --loopback go with REFERENCE and TRACKs, not with --scene")
    request = _request(**asked)
    several = Several.asked("measure", scenes, songs, resume=resume, quiet=quiet)
    if isinstance(several, Several):
        refuse_one_take(loopback=request.loopback)

        def one(song: Song) -> Outcome:
            return _outcome(*_measured(song, (), request, quiet=quiet))

        return several.run(one, asked=vars(request), resume=resume, as_json=as_json, quiet=quiet)
    found, laid = _measured(several, tracks, request, quiet=quiet)
    for sentence in laid.notes:
        note(sentence, quiet=quiet)
    _show(found, laid, as_json=as_json, drift=request.drift, loopback=request.loopback is not None)
    if several.scene is not None and not as_json:
        next_step("micalign", "align", "--scene", several.scene, quiet=quiet)
    return 0 if found.all_reliable else 1


def _request(
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


def _outcome(found: Measured, laid: Laid) -> Outcome:
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


def refuse_mixed_use(tracks: Sequence[str], scenes: Sequence[Path], songs: Sequence[Path]) -> None:
    """Refuse tracks beside a scene or songs, or none of them."""
    if not (scenes or songs or tracks):
        raise click.UsageError("give REFERENCE and at least one TRACK, or --scene SCENE, or --songs FOLDER")
    if scenes and tracks:
        raise click.UsageError("give tracks or --scene, not both: the scene names its own tracks")
    if songs and tracks:
        raise click.UsageError("give tracks or --songs, not both: each song has its own tracks")


def refuse_alone(alone: Sequence[str], scenes: Sequence[Path]) -> None:
    """Refuse stretches of sources without a scene that knows sources."""
    if alone and not scenes:
        raise click.UsageError("--alone and --strike go with --scene: only a scene knows sources")


def _show(found: Measured, laid: Laid, *, as_json: bool, drift: bool, loopback: bool) -> None:
    from micalign.report.measure_words import (  # noqa: PLC0415
        delay_table,
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
    out.print(delay_table(f"Against {found.reference}", found.tracks, found.sample_rate, drift=drift))
    for line in kit_lines(found):
        out.print(line)
    for one in found.sums:
        out.print("", sum_table(one))
        for line in sum_words(one):
            out.print(line)
    if loopback:
        out.print(latency_words(found))
