"""``micalign measure``: delay and polarity between tracks, with uncertainty."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from micalign.cli.options import (
    alone_option,
    drift_option,
    json_option,
    loopback_option,
    max_delay_option,
    quiet_option,
    reference_option,
    resample_option,
    scene_option,
    timestamps_option,
    tracks_argument,
)
from micalign.cli.output import Tell, console, note, print_json, progress

if TYPE_CHECKING:
    from micalign.alignment.pairings import Measured
    from micalign.files.sessions import Clock
    from micalign.files.stamps import Laid

__all__ = ["command", "refuse_alone", "refuse_mixed_use"]


@click.command("measure")
@tracks_argument
@scene_option
@reference_option
@alone_option
@max_delay_option
@drift_option
@loopback_option
@timestamps_option
@resample_option
@json_option
@quiet_option
def command(
    tracks: tuple[str, ...],
    scene: Path | None,
    reference: str | None,
    alone: tuple[str, ...],
    max_delay_ms: float,
    drift: bool,
    loopback: str | None,
    ignore_timestamps: bool,
    resample: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Measure how much later each TRACK hears the same event than REFERENCE, and whether it is inverted.

    Tracks are WAV, FLAC or AIFF files; 'file.wav:2' is the second channel of a file, and a file of several channels
    without one gives them all. A delay is positive when the event comes LATER in the track. With --scene the tracks
    are those the scene names, and each source is measured on its own; where it sounds alone, as in a line check, it is
    measured there, which outranks the song. Two mics over a whole kit hear every drum at another delay: theirs is the
    loudest drum's, as a rule the snare's.

    A folder stands for all audio files in it, the first by name as REFERENCE unless one is given. Tracks that began at
    other times by their broadcast time stamps are placed by them first: a delay is then one in the session.

    Example: micalign measure overhead-left.wav snare.wav kick.wav

    Exit status 1 says that a delay is not reliable: do not act on it.
    """
    refuse_mixed_use(tracks, scene, reference)
    refuse_alone(alone, scene)
    if scene is not None and (drift or loopback):
        raise click.UsageError("--drift and --loopback go with REFERENCE and TRACKs, not with --scene")
    from micalign.files.sessions import Clock  # noqa: PLC0415 - scipy, which --help must not pay for

    clock = Clock(ignore_timestamps, resample)
    with progress(quiet=quiet) as tell:
        if scene is not None:
            found, laid = _of_scene(scene, reference, alone, max_delay_ms / 1e3, clock, tell)
        else:
            found, laid = _of_files(tracks, max_delay_ms / 1e3, clock, tell, drift=drift, loopback=loopback)
    for sentence in laid.notes:
        note(sentence, quiet=quiet)
    _show(found, laid, as_json=as_json, drift=drift, loopback=loopback is not None)
    return 0 if found.all_reliable else 1


def _of_scene(
    scene: Path, reference: str | None, alone: tuple[str, ...], max_delay_s: float, clock: Clock, tell: Tell
) -> tuple[Measured, Laid]:
    from micalign.alignment.session import measured_scene  # noqa: PLC0415
    from micalign.files.sessions import open_scene  # noqa: PLC0415
    from micalign.scene.quantities import alone_plans  # noqa: PLC0415

    one = open_scene(scene, reference=reference, clock=clock, alone=alone_plans(alone))
    found = measured_scene(
        one.scene, one.take, reference=one.reference, max_delay_s=max_delay_s, alone=one.alone, progress=tell
    )
    return found, one.laid


def _of_files(
    tracks: tuple[str, ...], max_delay_s: float, clock: Clock, tell: Tell, *, drift: bool, loopback: str | None
) -> tuple[Measured, Laid]:
    from micalign.alignment.pairings import measured  # noqa: PLC0415
    from micalign.files.sessions import open_pairings, open_recorded  # noqa: PLC0415

    if loopback is None:
        pair = open_pairings(tracks, clock)
        found = measured(pair.reference, pair.others, max_delay_s=max_delay_s, drift=drift, progress=tell)
    else:
        pair = open_recorded(tracks, loopback, clock)
        found = measured(pair.reference, pair.others, max_delay_s=max_delay_s, loopback=pair.loopback, progress=tell)
    return found, pair.laid


def refuse_mixed_use(tracks: tuple[str, ...], scene: Path | None, reference: str | None) -> None:
    """Refuse tracks beside a scene, or neither."""
    if scene is None and not tracks:
        raise click.UsageError("give REFERENCE and at least one TRACK, or --scene SCENE")
    if scene is not None and tracks:
        raise click.UsageError("give tracks or --scene, not both: the scene names its own tracks")
    if scene is None and reference is not None:
        raise click.UsageError("--reference goes with --scene; without one the first file is the reference")


def refuse_alone(alone: tuple[str, ...], scene: Path | None) -> None:
    """Refuse stretches of sources without a scene that knows sources."""
    if alone and scene is None:
        raise click.UsageError("--alone goes with --scene: only a scene knows sources")


def _show(found: Measured, laid: Laid, *, as_json: bool, drift: bool, loopback: bool) -> None:
    from micalign.report.measure import delay_table, latency_words, measure_document, source_table  # noqa: PLC0415
    from micalign.report.threelines import sum_table, sum_words  # noqa: PLC0415

    if as_json:
        print_json(measure_document(found, laid))
        return
    out = console()
    for source in found.sources or ():
        out.print(source_table(source, found.sample_rate))
    out.print(delay_table(f"Against {found.reference}", found.tracks, found.sample_rate, drift=drift))
    for one in found.sums:
        out.print(sum_table(one))
        for line in sum_words(one):
            out.print(line)
    if loopback:
        out.print(latency_words(found))
