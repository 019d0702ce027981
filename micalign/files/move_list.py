"""offsets.csv: what alignment did, for people, to be followed by hand in any editor.

The sign stands in words in the heading. Each shift is also told as a delay where no track may move earlier. Cells that
a spreadsheet could take for a formula are quoted.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Collection
from typing import Final

from micalign.files.offsets import OffsetsFile, TrackOffset

__all__ = ["csv_text"]

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
        The tracks that a mic made: their shifts are also told in centimetres.

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
