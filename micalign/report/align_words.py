"""How is an alignment put into words, and what does a demonstration show of one?

A document, tables for the terminal, what was decided and where it lies; shifts are positive where they move a track
later. A demonstration follows one source in two tracks, before and after: how far apart it arrives, and by how much the
second track changes the sum on the first one's loudest hits. Names are cleaned where they are printed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from micalign.acoustics.prediction import predict
from micalign.alignment.offsets import Remain
from micalign.arrays import Floats
from micalign.files.offsets_file import OffsetsFile, TrackOffset
from micalign.files.takes import FLIPPED, LOWERED, LOWERED_M, SCENE_NAME
from micalign.report.check_tables import notch_words
from micalign.report.tables import WARNING, bare_table, clean, once
from micalign.scene.scene import Scene
from micalign.take.tracks import Track
from micalign.units import (
    AUDIBLE_HZ,
    amplitude_from_db,
    db_from_power,
    show_band,
    show_centimetres,
    show_db,
    show_dbfs,
    show_hz,
    show_ms,
    show_samples,
)

if TYPE_CHECKING:
    from rich.table import Table

__all__ = [
    "Remaining",
    "align_document",
    "aligned_line",
    "closing_text",
    "demo_document",
    "gain_table",
    "recorded_sum",
    "remain_notch",
    "remain_table",
    "remaining",
    "shift_table",
    "words",
]

_LOST_DB: Final = 0.5
"""Decibels: what a third octave may lose without being shown; less is the spread of one take (judgement, no source)."""

_SUM_LEVELS: Final = (
    "Level of the sum of all tracks against their powers added up, as loud as they were recorded, with a scene at its "
    "gains: 0 dB as unrelated sounds, +3.0 dB as two that are wholly in step, below 0 dB they cancel."
)

Band = dict[str, float | None]


def align_document(offsets: OffsetsFile, folder: Path | None, *, more: dict[str, Any] | None = None) -> dict[str, Any]:
    """What ``align --json`` prints: offsets.json with each file's path as it was written."""
    document = offsets.model_dump(mode="json")
    for entry in document["tracks"]:
        entry["file"] = str(folder / entry["file"]) if folder is not None and entry["file"] else None
    return {**document, "out": None if folder is None else str(folder), **(more or {})}


def shift_table(offsets: OffsetsFile) -> Table:
    """One row a track, first the one that the others were laid onto: what was done to it, and why nothing was where
    nothing was.
    """
    onto = offsets.laid_onto or offsets.reference
    tracks = sorted(offsets.tracks, key=lambda one: one.track != onto)
    table = bare_table(f"Laid onto {onto}")
    table.add_column("track", overflow="fold")
    for heading in ("shift", "samples"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("polarity", no_wrap=True)
    table.add_column("file", overflow="fold")
    reasons = once([(one.track, one.reason or "") for one in tracks])
    remarks = [clean(_remark(one, reason)) for one, reason in zip(tracks, reasons, strict=True)]
    if any(remarks):
        table.add_column("remark", overflow="fold")
    turned = {phase["track"] for phase in offsets.phases if phase.get("polarity") == -1}
    for one, remark in zip(tracks, remarks, strict=True):
        polarity = "FLIPPED" if one.polarity_flip else "by all-pass" if one.track in turned else "kept"
        cells = [show_ms(one.shift_s, sign=True), show_samples(one.shift_samples), polarity]
        style = None if one.applied or one.as_recorded else WARNING
        table.add_row(
            clean(one.track), *cells, clean(one.file or "-"), *([remark] if any(remarks) else []), style=style
        )
    return table


def _remark(one: TrackOffset, reason: str) -> str:
    words = [] if one.applied or one.as_recorded else ["NOT MOVED"]
    words += [reason] if reason else []
    words += [f"all-pass at {show_hz(section.hz)}, Q {section.q:.2f}" for section in one.all_pass]
    words += [f"clock corrected by {one.drift_ppm:+.2f} ppm"] if one.drift_corrected and one.drift_ppm else []
    return "; ".join(words)


def remain_table(remains: Sequence[Remain]) -> Table:
    """For each source what is left in the tracks that hear it well, against its own mic or the loudest."""
    table = bare_table("What remains of each source")
    for heading in ("source", "in", "against"):
        table.add_column(heading, overflow="fold")
    table.add_column("remains", justify="right", no_wrap=True)
    table.add_column("first notch", justify="right", no_wrap=True)
    table.add_column("polarity", no_wrap=True)
    for one in remains:
        if one.is_faint:
            continue
        polarity = "same" if one.polarity > 0 else "OPPOSED" if one.polarity_clear else "OPPOSED?"
        cells = [show_ms(one.remain_s, sign=True), remain_notch(one), polarity]
        table.add_row(clean(one.source), clean(heard_in(one)), clean(one.against), *cells)
    return table


def heard_in(one: Remain) -> str:
    """The track of what remains, marked where it is not there to take the source."""
    return f"{one.track} (bleed)" if one.is_bleed else one.track


def remain_notch(one: Remain) -> str:
    """What two tracks that hear a source so far apart cancel first.

    >>> remain_notch(Remain("snare", "overhead", "snare mic", 0.25e-3, 1e-5, 1))
    '2.00 kHz'
    >>> remain_notch(Remain("kick", "overhead", "kick mic", 0.1e-3, 1e-5, -1))
    'bass (inverted)'
    >>> remain_notch(Remain("kick", "overhead", "kick mic", 0.1e-3, 1e-5, -1, polarity_clear=False))
    'bass (inverted)?'
    """
    notch = one.first_notch_hz
    if one.polarity > 0 and (notch is None or notch > AUDIBLE_HZ):
        return "none below 20 kHz"
    doubt = "" if one.polarity > 0 or one.polarity_clear else "?"
    return notch_words(one.polarity, notch) + doubt


def gain_table(offsets: OffsetsFile, *, thirds: bool = False) -> Table:
    """The coherent gain of the sum, before and after: by octave, and each third octave that has lost; or all thirds."""
    table = bare_table(f"Sum against its parts, by {'third octave' if thirds else 'octave'}", caption=_SUM_LEVELS)
    for heading in ("band", "before", "after", "gained"):
        table.add_column(heading, justify="right", no_wrap=True)
    rows = [("all", offsets.sum_gain_db.before, offsets.sum_gain_db.after)]
    bands = offsets.bands if thirds else _octaves(offsets.bands)
    rows += [(show_band(_number(band["centre_hz"])), band["before_db"], band["after_db"]) for band in bands]
    lost = [] if thirds else [band for band in offsets.bands if _has_lost(band)]
    rows += [(f"third {show_band(_number(band['centre_hz']))}", band["before_db"], band["after_db"]) for band in lost]
    for name, before, after in rows:
        if before is not None and after is not None:
            cells = (show_db(before, sign=True), show_db(after, sign=True), show_db(after - before, sign=True))
            table.add_row(name, *cells)
    return table


def _has_lost(band: Band) -> bool:
    before, after = band["before_db"], band["after_db"]
    return before is not None and after is not None and after < before - _LOST_DB


def _octaves(bands: Sequence[Band]) -> list[Band]:
    """An octave (63 Hz, 125 Hz ...) to a row: the powers of its third octaves, added."""
    rows: dict[int, list[Band]] = {}
    for band in bands:
        rows.setdefault(round(10 * math.log10(_number(band["centre_hz"])) / 3), []).append(band)
    return [
        {"centre_hz": 10 ** (0.3 * octave), **{key: _of_powers(group, key) for key in ("before_db", "after_db")}}
        for octave, group in rows.items()
    ]


def _of_powers(group: Sequence[Band], key: str) -> float | None:
    """The gain of several bands together; bands of a file that does not say how loud each is count the same."""
    known = [(band.get("parts_db") or 0.0, gain_db) for band in group if (gain_db := band[key]) is not None]
    if not known:
        return None
    parts_db, gains_db = np.array(known).T
    return float(db_from_power(np.sum(10 ** ((parts_db + gains_db) / 10)) / np.sum(10 ** (parts_db / 10))))


def _phase_words(phase: Mapping[str, str | float | int | None], offsets: OffsetsFile) -> str:
    """What the all-pass filters of a DI do, for who plays it."""
    one = next(track for track in offsets.tracks if track.track == phase["track"])
    filters = " and ".join(f"{show_hz(section.hz)} (Q {section.q:.2f})" for section in one.all_pass)
    before, after = (show_db(_number(phase[key]), sign=True) for key in ("before_db", "after_db"))
    low, high = (show_hz(_number(phase[key])) for key in ("low_hz", "high_hz"))
    said = (
        f"Phase of {one.track}: a loudspeaker turns low notes further than high ones, so no one delay suits all. "
        f"All-pass at {filters} and a further shift of {show_ms(_number(phase['shift_s']), sign=True)} turn the DI "
        f"the same way. Its own sound keeps its levels; with {phase['against'] or 'its mic'} it sums to {after} "
        f"instead of {before} ({low} to {high}; +3.0 dB is wholly in step). Proved on parts of the take that the fit "
        "had not seen."
    )
    if phase.get("polarity") == -1:
        alone = "not inverted" if one.polarity_flip else "inverted"
        now = "flipped as well" if one.polarity_flip else "not flipped"
        said += f" Polarity: by delay alone it reads {alone}; the all-pass turns it over in that band, so it is {now}."
    return said


def _cut_words(one: TrackOffset) -> str:
    """What a track loses in front, where that is more than its noise."""
    loud, noise = (show_dbfs(level) for level in (one.cut_dbfs or 0.0, one.noise_floor_dbfs or 0.0))
    return (
        f"Cut off: {one.track} loses its first {show_ms(one.cut_s)} ({one.cut_samples} samples), as loud as {loud}; "
        f"its own noise is {noise}. --keep-all keeps them."
    )


def _pad_words(offsets: OffsetsFile) -> str:
    """How much silence stands in front of every file, in the words of ``measure``."""
    reference = next(one for one in offsets.tracks if one.track == offsets.reference)
    pad, late = show_ms(offsets.pad_s or 0.0), show_ms(offsets.pad_s or 0.0, sign=True)
    return (
        f"Padded: {offsets.pad_samples} samples ({pad}) of silence stand in front of every file, so that nothing is "
        f"cut off: measured against {reference.track}, {reference.file} reads {late}."
    )


def words(offsets: OffsetsFile, folder: Path, previews: Sequence[Path]) -> list[str]:
    """What was decided and where it lies, a line each."""
    lines = [f"Chosen: {offsets.compromise}."] if offsets.compromise else []
    lines += [_phase_words(phase, offsets) for phase in offsets.phases]
    lines += [_cut_words(one) for one in offsets.tracks if one.cut_is_heard]
    lines += [_pad_words(offsets)] if offsets.pad_samples else []
    lines.append(f"written: {folder}, {len(offsets.tracks)} tracks, offsets.json, offsets.csv")
    if previews:
        lines.append(f"Listen, low at first: {', '.join(path.name for path in previews)}.")
    return [clean(line) for line in lines]


def aligned_line(offsets: OffsetsFile, folder: Path) -> str:
    """A set in a line: how many tracks were laid, which were not, what the sum gained, where it lies."""
    onto = offsets.laid_onto or offsets.reference
    others = [one for one in offsets.tracks if one.track != onto]
    kept = sum(one.as_recorded for one in others)
    laid = sum(one.applied for one in others)
    stated = f"{laid} of {len(others)} tracks laid onto '{onto}'"
    stated += f", {kept} left as recorded" if kept else ""
    turned = [f"'{one.track}'" for one in others if one.applied and one.polarity_flip]
    stated += f"; flipped: {', '.join(turned)}" if turned else ""
    rest = [f"'{one.track}'" for one in others if not one.applied and not one.as_recorded]
    stated += f"; not moved: {', '.join(rest)}" if rest else ""
    before, after = offsets.sum_gain_db.before, offsets.sum_gain_db.after
    if before is not None and after is not None:
        stated += f"; sum {show_db(after - before, sign=True)}"
    return f"{stated}; in {folder}"


def _number(value: str | float | int | None) -> float:
    return float(value) if isinstance(value, int | float) else 0.0


_HITS: Final = 12  # the loudest, over which is averaged (by eye)
_APART_S: Final = 0.25  # between hits, so that none counts twice
_BEFORE_S: Final = 0.003  # of a hit, so that its rise is whole
_HIT_S: Final = 0.045  # the hit with its late copy; longer stretches hold more of the room than of the comb
_SMOOTHED_OCTAVES: Final = 1 / 24  # by eye: the notches stay, single bins' ripple goes
_NOTHING_S: Final = 5e-5  # less remains than positions are known to, 2 cm of way


@dataclass(frozen=True, slots=True)
class Remaining:
    """One source in two tracks: how far apart before and after alignment, and how much weaker in the second."""

    source: str
    tracks: tuple[str, str]
    before_s: float
    after_s: float
    level_difference_db: float


def remaining(scene: Scene, aligned: Mapping[str, Any], source: str, close: str) -> Remaining:
    """A close mic's own source between it and the track it was laid onto, from what ``align --json`` prints."""
    rows = [row for row in aligned["remains"] if row["source"] == source and close in {row["track"], row["against"]}]
    # The track that stayed where it was, where it is one of the pair's.
    row = max(rows, key=lambda one: aligned["reference"] in {one["track"], one["against"]})
    shifts = {one["track"]: float(one["shift_s"]) for one in aligned["tracks"]}
    after_s = float(row["remain_s"])
    before_s = after_s - shifts[row["track"]] + shifts[row["against"]]
    other = str(row["against"] if row["track"] == close else row["track"])
    level_db = next(
        abs(one.level_difference_db)
        for one in predict(scene).differences
        if one.source == source and set(one.mics) == {close, other}
    )
    return Remaining(source, (close, other), abs(before_s), abs(after_s), level_db)


def recorded_sum(loud: Track, late: Track, *, gain_db: float = 0.0) -> tuple[Floats, Floats]:
    """What adding ``late`` does to ``loud`` on its loudest hits: frequencies (Hz), levels (dB against it alone), (N,).

    ``gain_db`` is the blend's fader of ``late`` against that of ``loud``: it stands in no recording, and the scene's
    comb is that of the blend. Powers are smoothed to a twenty-fourth of an octave before they are divided.

    Examples
    --------
    >>> noise = np.random.default_rng(1).standard_normal(48000)
    >>> tracks = [Track.from_array(name, noise, 48000) for name in ("a", "b")]
    >>> bool(np.allclose(recorded_sum(*tracks)[1], 6.02, atol=0.01))
    True
    """
    rate, frames = loud.sample_rate, round(_HIT_S * loud.sample_rate)
    fader = amplitude_from_db(gain_db)
    window, alone, both = np.hanning(2 * frames)[frames:], np.zeros(2 * frames + 1), np.zeros(2 * frames + 1)
    for hit in _loudest_hits(loud):
        first, second = (window * track.read(hit - round(_BEFORE_S * rate), frames) for track in (loud, late))
        alone += np.abs(np.fft.rfft(first, 4 * frames)) ** 2
        both += np.abs(np.fft.rfft(first + fader * second, 4 * frames)) ** 2
    centres = np.geomspace(25.0, min(18000.0, 0.45 * rate), 800)
    place = centres * 4 * frames / rate
    low = np.floor(place * 2 ** (-_SMOOTHED_OCTAVES / 2)).astype(int)
    high = np.ceil(place * 2 ** (_SMOOTHED_OCTAVES / 2)).astype(int) + 1
    powers = [np.concatenate([[0.0], np.cumsum(power)]) for power in (both, alone)]
    ratio = np.divide(*(power[high] - power[low] + 1e-20 for power in powers))
    return centres, db_from_power(ratio)


def _loudest_hits(track: Track) -> list[int]:
    """Where its highest samples lie, each well apart from the others."""
    size, apart = np.abs(track.read()), round(_APART_S * track.sample_rate)
    hits: list[int] = []
    for _ in range(_HITS):
        hit = int(np.argmax(size))
        if size[hit] <= 0:
            break
        hits.append(hit)
        size[max(hit - apart, 0) : hit + apart] = 0.0
    return hits


def demo_document(found: Remaining, files: Sequence[str]) -> dict[str, Any]:
    """What ``demo --json`` prints: the files that lie there, and how far apart one source was and is."""
    return {
        "files": list(files),
        "source": found.source,
        "tracks": list(found.tracks),
        "before_s": found.before_s,
        "after_s": found.after_s,
    }


def closing_text(found: Remaining, folder: str) -> str:
    """What to look at, in the order of a day's work."""
    first, second = found.tracks
    left = (
        f"{show_ms(found.after_s)} remain, since a pair moves as one"
        if found.after_s > _NOTHING_S
        else "nothing remains"
    )
    return f"""\
Open this page first, in any browser: hear the take as recorded and aligned (key B switches), and move the mics
  {folder}/report.html

What else lies in {folder}

  {SCENE_NAME:<22} the plan: a kit in a barn, five mics. Change a number and run any command again.
  floor-plan.png         where everything stands.
  check.txt              what the plan promises before anybody plays: the overheads are not equally far from the
                         snare, and the room mic hears the floor.
  take/                  the recording, made on the spot, and truth.json: when every hit truly arrives where.
                         Two mistakes are in it: the {FLIPPED} is inverted, the {LOWERED} stands
                         {show_centimetres(LOWERED_M)} too low.
  measure.txt            what the recording says of itself, hit by hit: the {FLIPPED} reads INVERTED.
  compare.txt            plan against take: both mistakes are found, and what to do about them.
  aligned/               the same tracks laid onto each other, offsets.json and offsets.csv for any program.
                         The {found.source} was {show_ms(found.before_s)} apart in {first} and {second}:
                         {left}.
  comb.png               what that did to the sum of the two, as recorded and as arithmetic promises: the notches
                         before, and after.

Begin with the volume low: hits are sudden, and headphones hide how loud they are. In take/ and aligned/ the sums are as
loud as they come, the aligned one louder. Beside a real kit wear hearing protection.

On your own recording:
  micalign measure overhead-left.wav snare.wav kick.wav
  micalign align overhead-left.wav snare.wav kick.wav -o aligned
"""
