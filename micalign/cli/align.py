"""``micalign align``: measure, then write offsets and aligned audio."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from micalign.cli.measure import refuse_mixed_use
from micalign.cli.options import (
    force_option,
    json_option,
    max_delay_option,
    out_option,
    quiet_option,
    reference_option,
    scene_option,
    tracks_argument,
)
from micalign.cli.output import console, note, print_json

if TYPE_CHECKING:
    from micalign.files.alignments import Aligned

__all__ = ["command"]


@click.command("align")
@tracks_argument
@scene_option
@reference_option
@out_option("Folder for the aligned set; 'aligned' beside the reference or the scene if left out.")
@max_delay_option
@click.option("--whole-samples", is_flag=True, help="Shift by whole samples: every sample comes out bit for bit.")
@click.option("--for", "for_source", metavar="SOURCE", help="With --scene: the source the shifts must suit.")
@click.option("--split-pairs", is_flag=True, help="With --scene: let the mics of a stereo pair move apart.")
@click.option(
    "--max-shift", "max_shift_ms", type=click.FloatRange(min=0.0), metavar="MS", help="Move no track further."
)
@click.option(
    "--headroom-db",
    type=click.FloatRange(min=0.0, max=60.0),
    default=0.0,
    show_default=True,
    help="Turn all tracks down by so much, so that none clips.",
)
@force_option
@json_option
@quiet_option
def command(
    tracks: tuple[str, ...],
    scene: Path | None,
    reference: str | None,
    out: Path | None,
    max_delay_ms: float,
    whole_samples: bool,
    for_source: str | None,
    split_pairs: bool,
    max_shift_ms: float | None,
    headroom_db: float,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Measure each TRACK against REFERENCE, then write the aligned set: audio, offsets.json and offsets.csv.

    Shifts are fractions of a sample unless --whole-samples is given; polarity is flipped where a track is inverted;
    nothing is cut off at either end; the originals stay as they are. A track without a reliable delay is written
    where it was, and the exit status is 1. Edit offsets.json and hand it back with --offsets.

    Example: micalign align overhead-left.wav snare.wav kick.wav -o aligned
    """
    refuse_mixed_use(tracks, scene, reference)
    from micalign.files import alignments  # noqa: PLC0415 - scipy, soundfile and pydantic, which --help must not pay for

    wish = alignments.Wish(
        tracks=tracks,
        scene=scene,
        reference=reference,
        out=out,
        max_delay_s=max_delay_ms / 1e3,
        whole_samples=whole_samples,
        for_source=for_source,
        split_pairs=split_pairs,
        max_shift_s=None if max_shift_ms is None else max_shift_ms / 1e3,
        headroom_db=headroom_db,
        force=force,
    )
    done = alignments.align(wish, say=lambda words: note(words, quiet=quiet))
    _show(done, as_json=as_json)
    for sentence in done.warnings:
        note(sentence, quiet=quiet)
    return 1 if done.warnings else 0


def _show(done: Aligned, *, as_json: bool) -> None:
    from micalign.report.align import align_document, gain_table, remain_table, shift_table  # noqa: PLC0415

    if as_json:
        print_json(align_document(done.offsets, done.folder))
        return
    out = console()
    out.print(shift_table(done.offsets))
    if done.remains:
        out.print(remain_table(done.remains))
    out.print(gain_table(done.offsets))
