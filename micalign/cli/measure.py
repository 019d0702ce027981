"""``micalign measure``: delay and polarity between tracks, with uncertainty."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from micalign.cli.options import (
    drift_option,
    json_option,
    max_delay_option,
    quiet_option,
    reference_option,
    scene_option,
    tracks_argument,
)
from micalign.cli.output import console, note, print_json

if TYPE_CHECKING:
    from micalign.alignment.session import Measured

__all__ = ["command", "refuse_mixed_use"]


@click.command("measure")
@tracks_argument
@scene_option
@reference_option
@max_delay_option
@drift_option
@json_option
@quiet_option
def command(
    tracks: tuple[str, ...],
    scene: Path | None,
    reference: str | None,
    max_delay_ms: float,
    drift: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Measure how much later each TRACK hears the same event than REFERENCE, and whether it is inverted.

    Tracks are WAV, FLAC or AIFF files; 'file.wav:2' is the second channel of a file, and a file of several channels
    without one gives them all. A delay is positive when the event comes LATER in the track. With --scene the tracks
    are those the scene names, and each source is measured on its own.

    Example: micalign measure overhead-left.wav snare.wav kick.wav

    Exit status 1 says that a delay is not reliable: do not act on it.
    """
    refuse_mixed_use(tracks, scene, reference)
    from micalign.alignment import session  # noqa: PLC0415 - scipy, which --help must not pay for

    if scene is not None:
        from micalign.files.sessions import open_scene  # noqa: PLC0415

        opened, take = open_scene(scene)
        found = session.measured_scene(
            opened,
            take,
            reference=reference,
            max_delay_s=max_delay_ms / 1e3,
            progress=lambda source: note(f"measuring {source} on its own", quiet=quiet),
        )
    else:
        from micalign.files.sessions import open_pairings  # noqa: PLC0415

        first, others = open_pairings(tracks)
        found = session.measured(first, others, max_delay_s=max_delay_ms / 1e3, drift=drift)
    _show(found, as_json=as_json, drift=drift)
    return 0 if found.all_reliable else 1


def refuse_mixed_use(tracks: tuple[str, ...], scene: Path | None, reference: str | None) -> None:
    """Refuse tracks beside a scene, or neither."""
    if scene is None and not tracks:
        raise click.UsageError("give REFERENCE and at least one TRACK, or --scene SCENE")
    if scene is not None and tracks:
        raise click.UsageError("give tracks or --scene, not both: the scene names its own tracks")
    if scene is None and reference is not None:
        raise click.UsageError("--reference goes with --scene; without one the first file is the reference")


def _show(found: Measured, *, as_json: bool, drift: bool) -> None:
    from micalign.report.measure import delay_table, measure_document, source_table  # noqa: PLC0415

    if as_json:
        print_json(measure_document(found))
        return
    out = console()
    for source in found.sources or ():
        out.print(source_table(source, found.sample_rate))
    out.print(delay_table(f"Against {found.reference}", found.tracks, found.sample_rate, drift=drift))
