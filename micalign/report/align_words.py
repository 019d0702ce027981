"""How is an alignment put into words: as a document and as tables for the terminal?

Shifts are positive where they move a track later. Names are cleaned where they are printed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from micalign.alignment.offsets import Remain
from micalign.files.offsets_file import OffsetsFile, TrackOffset
from micalign.report.tables import WARNING, bare_table, clean
from micalign.report.tuned import LOST_DB
from micalign.units import AUDIBLE_HZ, show_band, show_db, show_dbfs, show_hz, show_ms, show_samples

if TYPE_CHECKING:
    from rich.table import Table

__all__ = ["align_document", "aligned_line", "gain_table", "remain_table", "shift_table", "words"]

Band = dict[str, float | None]


def align_document(offsets: OffsetsFile, folder: Path | None, *, more: dict[str, Any] | None = None) -> dict[str, Any]:
    """What ``align --json`` prints: offsets.json with each file's path as it was written."""
    document = offsets.model_dump(mode="json")
    for entry in document["tracks"]:
        entry["file"] = str(folder / entry["file"]) if folder is not None and entry["file"] else None
    return {**document, "out": None if folder is None else str(folder), **(more or {})}


def shift_table(offsets: OffsetsFile) -> Table:
    """One row a track: what was done to it, and why nothing was where nothing was."""
    table = bare_table(f"Laid onto {offsets.reference}")
    table.add_column("track", overflow="fold")
    for heading in ("shift", "samples"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("polarity", no_wrap=True)
    table.add_column("file", overflow="fold")
    remarks = [clean(_remark(one)) for one in offsets.tracks]
    if any(remarks):
        table.add_column("remark", overflow="fold")
    turned = {phase["track"] for phase in offsets.phases if phase.get("polarity") == -1}
    for one, remark in zip(offsets.tracks, remarks, strict=True):
        polarity = "FLIPPED" if one.polarity_flip else "by all-pass" if one.track in turned else "kept"
        cells = [show_ms(one.shift_s, sign=True), show_samples(one.shift_samples), polarity]
        style = None if one.applied else WARNING
        table.add_row(
            clean(one.track), *cells, clean(one.file or "-"), *([remark] if any(remarks) else []), style=style
        )
    return table


def _remark(one: TrackOffset) -> str:
    words = [] if one.applied else ["NOT MOVED"]
    words += [one.reason] if one.reason else []
    words += [f"all-pass at {show_hz(section.hz)}, Q {section.q:.2f}" for section in one.all_pass]
    words += [f"clock corrected by {one.drift_ppm:+.2f} ppm"] if one.drift_corrected and one.drift_ppm else []
    return "; ".join(words)


def remain_table(remains: Sequence[Remain]) -> Table:
    """For each source what is left in the tracks that are there to take it, against its own mic or the loudest."""
    table = bare_table("What remains of each source")
    for heading in ("source", "in", "against"):
        table.add_column(heading, overflow="fold")
    table.add_column("remains", justify="right", no_wrap=True)
    table.add_column("first notch", justify="right", no_wrap=True)
    table.add_column("polarity", no_wrap=True)
    for one in remains:
        if one.is_bleed:
            continue
        notch = one.first_notch_hz
        stated = "none below 20 kHz" if notch is None or notch > AUDIBLE_HZ else show_hz(notch)
        polarity = "same" if one.polarity > 0 else "OPPOSED"
        cells = [show_ms(one.remain_s, sign=True), stated, polarity]
        table.add_row(clean(one.source), clean(one.track), clean(one.against), *cells)
    return table


def gain_table(offsets: OffsetsFile, *, thirds: bool = False) -> Table:
    """The coherent gain of the sum, before and after: by octave, and each third octave that has lost; or all thirds."""
    table = bare_table(f"Sum against its parts, by {'third octave' if thirds else 'octave'}")
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
    return before is not None and after is not None and after < before - LOST_DB


def _octaves(bands: Sequence[Band]) -> list[Band]:
    """An octave (63 Hz, 125 Hz ...) to a row: the mean of its third octaves' gains."""
    rows: dict[int, list[Band]] = {}
    for band in bands:
        rows.setdefault(round(10 * math.log10(_number(band["centre_hz"])) / 3), []).append(band)
    return [
        {"centre_hz": 10 ** (0.3 * octave), **{key: _mean(group, key) for key in ("before_db", "after_db")}}
        for octave, group in rows.items()
    ]


def _mean(group: Sequence[Band], key: str) -> float | None:
    known = [value for band in group if (value := band[key]) is not None]
    return sum(known) / len(known) if known else None


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
    lines.append(f"Written to {folder}: {len(offsets.tracks)} tracks, offsets.json, offsets.csv.")
    if previews:
        lines.append(f"Listen, low at first: {', '.join(path.name for path in previews)}.")
    return [clean(line) for line in lines]


def aligned_line(offsets: OffsetsFile, folder: Path) -> str:
    """A set in a line: how many tracks moved, which did not, what the sum gained, where it lies."""
    others = [one for one in offsets.tracks if one.track != offsets.reference]
    moved = sum(one.applied for one in others)
    stated = f"{moved} of {len(others)} tracks laid onto '{offsets.reference}'"
    turned = [f"'{one.track}'" for one in others if one.applied and one.polarity_flip]
    stated += f"; flipped: {', '.join(turned)}" if turned else ""
    rest = [f"'{one.track}'" for one in others if not one.applied]
    stated += f"; not moved: {', '.join(rest)}" if rest else ""
    before, after = offsets.sum_gain_db.before, offsets.sum_gain_db.after
    if before is not None and after is not None:
        stated += f"; sum {show_db(after - before, sign=True)}"
    return f"{stated}; in {folder}"


def _number(value: str | float | int | None) -> float:
    return float(value) if isinstance(value, int | float) else 0.0
