"""Do the tracks of a take belong together: one sample rate, one length, one start by their time stamps?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from micalign.take.remarks import Remark, clock
from micalign.units import show_ms

__all__ = ["TrackFacts", "remarks_together"]

_LENGTHS_DIFFER_S: Final = 0.5  # recorders that stop one track after the other differ by less


@dataclass(frozen=True, slots=True)
class TrackFacts:
    """A track's name, rate (Hz) and length, and its start in seconds since midnight where its file says so."""

    name: str
    sample_rate: int
    duration_s: float
    start_s: float | None = None


def remarks_together(sheets: Sequence[TrackFacts]) -> tuple[Remark, ...]:
    """What is to be said of the take as a whole.

    >>> pair = TrackFacts("kick", 48000, 10.0), TrackFacts("snare", 44100, 10.0)
    >>> [(remark.rule, remark.severity) for remark in remarks_together(pair)]
    [('rates', 'problem')]
    """
    if len(sheets) < 2:
        return ()
    return (*_rates(sheets), *_starts(sheets), *_lengths(sheets))


def _rates(sheets: Sequence[TrackFacts]) -> Iterator[Remark]:
    rates = [sheet.sample_rate for sheet in sheets]
    usual = max(sorted(set(rates)), key=rates.count)
    odd = [f"'{sheet.name}' ({sheet.sample_rate} Hz)" for sheet in sheets if sheet.sample_rate != usual]
    if odd:
        count, all_ = rates.count(usual), len(sheets)
        said = f"the sample rates differ: {count} of {all_} tracks {'is' if count == 1 else 'are'} at {usual} Hz"
        said += f", but not {_some(odd)}"
        yield Remark("rates", "problem", said, "convert the odd ones to the others' rate before anything else")


def _starts(sheets: Sequence[TrackFacts]) -> Iterator[Remark]:
    known = [(sheet.start_s, sheet) for sheet in sheets if sheet.start_s is not None]
    if len(known) < 2:
        return
    first = min(start for start, _ in known)
    late = [
        f"'{sheet.name}' ({show_ms(start - first)})"
        for start, sheet in known
        if start - first > 0.5 / sheet.sample_rate
    ]
    if late:
        said = f"by their time stamps not all tracks start together: later than the first are {_some(late)}"
        yield Remark("starts", "note", said, "place the files by their time stamps, not by their beginnings")


def _lengths(sheets: Sequence[TrackFacts]) -> Iterator[Remark]:
    longest = max(sheet.duration_s for sheet in sheets)
    short = [
        f"'{sheet.name}' ({clock(sheet.duration_s)})"
        for sheet in sheets
        if longest - sheet.duration_s > _LENGTHS_DIFFER_S
    ]
    if short:
        said = f"the lengths differ: the longest lasts {clock(longest)}, shorter are {_some(short)}"
        yield Remark("lengths", "note", said, "was a track started late, stopped early, or cut short while copying?")


def _some(names: Sequence[str]) -> str:
    rest = len(names) - 5
    return ", ".join(names[:5]) + (f" and {rest} more" if rest > 0 else "")
