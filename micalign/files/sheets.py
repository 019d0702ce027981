"""The sheets of an aligned set: offsets.json, made from what was done and turned back into it; offsets.csv for people.

The table is to be followed by hand in any editor: the sign stands in words in the heading, and each shift is also given
as a delay where no track may move earlier. Cells that a spreadsheet could take for a formula are quoted.
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from micalign.alignment.all_pass import PhaseMatch
from micalign.alignment.gain import SumGain
from micalign.alignment.moved import Cut, MovedTrack
from micalign.alignment.offsets import Offsets, Remain, Shift
from micalign.errors import TakeError
from micalign.files.audio import Written, open_track
from micalign.files.kinds import file_hash
from micalign.files.offsets_file import AllPass, OffsetsFile, SumGainDb, TrackOffset, read_offsets
from micalign.files.outputs import SUFFIX, original_of
from micalign.files.stamps import Laid, laid_on_one_clock
from micalign.take.tracks import Track

__all__ = ["Kept", "csv_text", "moved_by_sheet", "open_sheet", "sheet_of"]

_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
_LATER: Final = "positive: move this track LATER"
_COLUMNS: Final = (
    "track",
    "original file",
    "channel",
    "written file",
    "sample rate in Hz",
    f"shift in samples ({_LATER})",
    f"shift in ms ({_LATER})",
    "delay only: samples (no track moves earlier)",
    "delay only: ms (no track moves earlier)",
    "polarity",
    "reliable",
    "remark",
    "centimetres of air (tracks of a mic)",
    "silence put in front of the written file in samples",
)


def csv_text(offsets: OffsetsFile, *, speed_of_sound_m_s: float, through_air: Collection[str] = ()) -> str:
    """The same to be followed by hand, one row a track, each shift also as a delay where no track may move earlier.

    Parameters
    ----------
    offsets : OffsetsFile
    speed_of_sound_m_s : float
    through_air : collection of str
        The tracks that a mic made: their shifts are also given in centimetres.

    Examples
    --------
    >>> entry = TrackOffset(track="=2+2", delay_s=0.001, shift_s=-0.001, shift_samples=-48, polarity_flip=True,
    ...     reliable=True, applied=True, original="a.wav", channel=1, sha256="0" * 64)
    >>> still = entry.model_copy(update={"track": "b", "shift_s": 0.0, "shift_samples": 0.0, "polarity_flip": False})
    >>> sheet = OffsetsFile(reference="b", sample_rate=48000, tracks=(entry, still))
    >>> for row in csv_text(sheet, speed_of_sound_m_s=343.2, through_air={"=2+2"}).splitlines()[1:]:
    ...     print(row)
    '=2+2,a.wav,1,,48000,-48.000,-1.0000,0.000,0.0000,flip,yes,,-34.3,0
    b,a.wav,1,,48000,0.000,0.0000,48.000,1.0000,same,yes,,,0
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(_COLUMNS)
    earliest = min([0.0, *(one.shift_samples for one in offsets.tracks)])
    for one in offsets.tracks:
        later = one.shift_samples - earliest
        centimetres = one.shift_s * speed_of_sound_m_s * 100.0
        writer.writerow(
            [
                _cell(one.track),
                _cell(one.original),
                one.channel,
                _cell(one.file or ""),
                offsets.sample_rate,
                f"{one.shift_samples:.3f}",
                f"{one.shift_s * 1e3:.4f}",
                f"{later:.3f}",
                f"{later / offsets.sample_rate * 1e3:.4f}",
                "flip" if one.polarity_flip else "same",
                "yes" if one.reliable else "no",
                _cell(_note(one)),
                f"{centimetres:.1f}" if one.applied and one.track in through_air else "",
                offsets.pad_samples or 0,
            ]
        )
    return out.getvalue()


def _note(one: TrackOffset) -> str:
    words = [] if one.applied else ["not moved"]
    words += [one.reason] if one.reason else []
    words += [f"converted from {one.resampled_from_hz} Hz"] if one.resampled_from_hz else []
    words += [f"its time stamp is {one.start_s:+.6f} s from the reference's"] if one.start_s else []
    words += [f"all-pass {section.hz:.0f} Hz Q {section.q:.2f}" for section in one.all_pass]
    words += [f"the written file loses the first {one.cut_samples} samples"] if one.cut_is_heard else []
    return "; ".join(words)


def _cell(text: str) -> str:
    """A cell that no spreadsheet takes for a formula."""
    plain = "".join(char if char.isprintable() else " " for char in text)
    return f"'{plain}" if plain.lstrip().startswith(_FORMULA) or text.startswith(_FORMULA) else plain


@dataclass(frozen=True, slots=True)
class Kept:
    """How a set was written: where, in whole samples or not, how much lower, padded by how much, its suffix, its clock.

    ``pad_samples`` is None where the files begin with the reference.
    """

    folder: Path
    whole_samples: bool = False
    headroom_db: float = 0.0
    pad_samples: int | None = None
    suffix: str = SUFFIX
    laid: Laid = field(default_factory=lambda: Laid(()))


def sheet_of(
    offsets: Offsets,
    actions: Sequence[MovedTrack],
    written: Sequence[Written],
    cuts: Sequence[Cut],
    gain: SumGain,
    kept: Kept,
    *,
    phases: Mapping[str, PhaseMatch],
) -> OffsetsFile:
    """What was done, as it is kept."""
    hashes = {path: file_hash(path) for path in {original_of(one.track)[0].path for one in actions}}
    entries = [
        _entry(one, offsets.shift(one.track.name), done, cut, kept, hashes)
        for one, done, cut in zip(actions, written, cuts, strict=True)
    ]
    return OffsetsFile(
        reference=offsets.reference,
        sample_rate=offsets.sample_rate,
        whole_samples=kept.whole_samples,
        headroom_db=kept.headroom_db,
        pad_s=None if kept.pad_samples is None else kept.pad_samples / offsets.sample_rate,
        pad_samples=kept.pad_samples,
        suffix=kept.suffix,
        timestamps=kept.laid.timestamps,
        tracks=tuple(entries),
        sum_gain_db=SumGainDb(before=gain.before_db, after=gain.after_db),
        bands=tuple(
            {"centre_hz": band.centre_hz, "before_db": band.before_db, "after_db": band.after_db} for band in gain.bands
        ),
        remains=tuple(_remain(one) for one in offsets.remains),
        phases=tuple(_phase(name, one) for name, one in phases.items()),
        compromise=offsets.compromise,
    )


def _entry(
    action: MovedTrack, shift: Shift, written: Written, cut: Cut, kept: Kept, hashes: Mapping[Path, str]
) -> TrackOffset:
    info, channel = original_of(action.track)
    rate = action.track.sample_rate
    return TrackOffset(
        track=action.track.name,
        file=written.path.name,
        delay_s=shift.delay_s,
        uncertainty_s=shift.uncertainty_s,
        shift_s=action.shift_samples / rate,
        shift_samples=action.shift_samples,
        written_samples=action.shift_samples,
        polarity_flip=action.polarity < 0,
        reliable=shift.reliable,
        applied=shift.applied,
        reason=shift.reason,
        drift_ppm=shift.drift_ppm,
        drift_corrected=action.drift_ppm != 0.0,
        all_pass=tuple(AllPass(hz=frequency, q=q) for frequency, q in action.sections),
        cut_s=cut.samples / rate,
        cut_samples=cut.samples,
        cut_dbfs=cut.level_dbfs,
        noise_floor_dbfs=cut.floor_dbfs,
        cut_is_heard=cut.is_heard,
        start_s=kept.laid.starts_s.get(action.track.name, 0.0),
        resampled_from_hz=None if info.sample_rate == rate else info.sample_rate,
        original=_relative(info.path, kept.folder),
        channel=channel,
        sha256=hashes[info.path],
    )


def _relative(path: Path, folder: Path) -> str:
    try:
        # Through links: `..` leads out of the folder behind a link, not out of the link.
        return os.path.relpath(os.path.realpath(path), os.path.realpath(folder))
    except ValueError:  # another drive
        return str(path.resolve())


def _remain(one: Remain) -> dict[str, str | float | int | None]:
    return {
        "source": one.source,
        "track": one.track,
        "against": one.against,
        "remain_s": one.remain_s,
        "uncertainty_s": one.uncertainty_s,
        "polarity": one.polarity,
        "first_notch_hz": one.first_notch_hz,
        "is_bleed": one.is_bleed,
    }


def _phase(track: str, one: PhaseMatch) -> dict[str, str | float | int | None]:
    return {
        "track": track,
        "against": one.against,
        "sections": len(one.sections),
        "polarity": one.polarity,
        "shift_s": one.shift_s,
        "before_db": one.before_db,
        "after_db": one.after_db,
        "low_hz": one.band_hz[0],
        "high_hz": one.band_hz[1],
    }


def open_sheet(path: Path) -> tuple[OffsetsFile, Laid]:
    """An offsets file and the originals it speaks of, none of them changed since, on the clock it was made on.

    Raises
    ------
    TakeError
        If the file has faults, or an original is missing or changed: all faults together.
    """
    sheet = read_offsets(path)
    tracks: list[Track] = []
    faults: list[str] = []
    hashes: dict[Path, str] = {}
    for one in sheet.tracks:
        try:
            tracks.append(_opened(path, one, sheet.sample_rate, hashes))
        except TakeError as error:
            faults += [f"{path}, track '{one.track}': {fault}" for fault in error.faults]
    if faults:
        raise TakeError(faults)
    reference = next(track for track in tracks if track.name == sheet.reference)
    if reference.sample_rate != sheet.sample_rate:
        raise TakeError(f"{path}: the reference cannot be converted, it gives the rate: measure again")
    ignore = sheet.timestamps != "placed"
    return sheet, laid_on_one_clock(tracks, reference, ignore_timestamps=ignore, resample=True)


def _opened(sheet_path: Path, one: TrackOffset, sample_rate: int, hashes: dict[Path, str]) -> Track:
    original = sheet_path.parent / one.original
    track = open_track(original, name=one.track, channel=one.channel)
    wanted = one.resampled_from_hz or sample_rate
    if track.sample_rate != wanted:
        raise TakeError(f"{original} is at {track.sample_rate} Hz, the offsets are for {wanted} Hz: measure it again")
    if original not in hashes:
        hashes[original] = file_hash(original)
    if hashes[original] != one.sha256:
        raise TakeError(f"{original} changed since the offsets were measured: measure it again with 'micalign align'")
    return track


def moved_by_sheet(sheet: OffsetsFile, tracks: Sequence[Track]) -> tuple[Offsets, tuple[MovedTrack, ...]]:
    """What an offsets file asks for, edits and all; only what says ``applied`` is applied."""
    shifts, actions = [], []
    for one, track in zip(sheet.tracks, tracks, strict=True):
        applied = one.applied
        shifts.append(
            Shift(
                one.track,
                one.delay_s,
                one.uncertainty_s,
                one.shift_s if applied else 0.0,
                polarity_flip=applied and one.polarity_flip,
                reliable=one.reliable,
                applied=applied,
                reason=one.reason,
                drift_ppm=one.drift_ppm,
            )
        )
        actions.append(
            MovedTrack(
                track,
                one.shift_samples if applied else 0.0,
                -1 if applied and one.polarity_flip else 1,
                (one.drift_ppm or 0.0) if applied and one.drift_corrected else 0.0,
                tuple((section.hz, section.q) for section in one.all_pass) if applied else (),
            )
        )
    offsets = Offsets(sheet.reference, sheet.sample_rate, tuple(shifts), compromise="as the offsets file says")
    return offsets, tuple(actions)
