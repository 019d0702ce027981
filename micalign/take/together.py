"""Do the tracks of a take belong together: one rate, one length, one start, and no signal twice?

By their time stamps tracks start together or not. Two mics never hear the same; what is left when the best copy of one
is taken from the other is then well above a hundredth. A copy (as it is, at another level, inverted, or shifted by a
few samples) leaves rounding alone. Tracks whose loudness runs alike are compared at their loudest moments, read once
more for that; everything else was kept from the first reading.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal, TypeAlias

import numpy as np

from micalign.arrays import Floats, Ints, cross_spectrum
from micalign.errors import some
from micalign.take import tuned
from micalign.take.tracks import Track
from micalign.units import db_from_amplitude, many, show_ms

__all__ = [
    "Double",
    "Remark",
    "Severity",
    "TrackFacts",
    "clock",
    "double_remark",
    "find_doubles",
    "remarks_together",
]

Severity: TypeAlias = Literal["note", "problem"]


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing worth saying.

    Parameters
    ----------
    rule : str
        Its short name: ``clipped``, ``hum``, ``double`` ...
    severity : str
        ``problem`` or ``note``.
    message, advice : str
        What was found, and what to do.
    caution : str
        What keeps people safe while doing it.
    """

    rule: str
    severity: Severity
    message: str
    advice: str = ""
    caution: str = ""


def clock(seconds: float) -> str:
    """A place in a track in minutes and seconds.

    >>> clock(0.25), clock(83.456), clock(3675.0)
    ('0:00.250', '1:23.456', '61:15.000')
    """
    thousandths = round(seconds * 1000)
    return f"{thousandths // 60000}:{thousandths // 1000 % 60:02d}.{thousandths % 1000:03d}"


@dataclass(frozen=True, slots=True)
class TrackFacts:
    """A track's name, rate (Hz) and length, and its start in seconds since midnight where its file says so.

    ``unread_s`` is what its file holds beside the samples that are read, in further chunks.
    """

    name: str
    sample_rate: int
    duration_s: float
    start_s: float | None = None
    unread_s: float = 0.0


def remarks_together(sheets: Sequence[TrackFacts]) -> tuple[Remark, ...]:
    """What is to be said of the take as a whole.

    >>> pair = TrackFacts("kick", 48000, 10.0), TrackFacts("snare", 44100, 10.0)
    >>> [(remark.rule, remark.severity) for remark in remarks_together(pair)]
    [('rates', 'problem')]
    """
    if len(sheets) < 2:
        return tuple(_unread(sheets))
    return (*_unread(sheets), *_rates(sheets), *_starts(sheets), *_lengths(sheets))


def _unread(sheets: Sequence[TrackFacts]) -> Iterator[Remark]:
    more = [f"'{sheet.name}' ({sheet.unread_s:.3f} s)" for sheet in sheets if sheet.unread_s]
    if more:
        said = (
            f"some samples are not read, since they lie in a further chunk of the file: {some(more, tuned.NAMES_SHOWN)}"
        )
        yield Remark("unread", "problem", said, "export the file anew from the recorder, so that all lies in one chunk")


def _rates(sheets: Sequence[TrackFacts]) -> Iterator[Remark]:
    rates = [sheet.sample_rate for sheet in sheets]
    usual = max(sorted(set(rates)), key=rates.count)
    odd = [f"'{sheet.name}' ({sheet.sample_rate} Hz)" for sheet in sheets if sheet.sample_rate != usual]
    if odd:
        count, all_ = rates.count(usual), len(sheets)
        said = f"the sample rates differ: {count} of {all_} tracks {'is' if count == 1 else 'are'} at {usual} Hz"
        said += f", but not {some(odd, tuned.NAMES_SHOWN)}"
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
        said = "by their time stamps not all tracks start together: later than the first are "
        said += some(late, tuned.NAMES_SHOWN)
        yield Remark("starts", "note", said, "place the files by their time stamps, not by their beginnings")


def _lengths(sheets: Sequence[TrackFacts]) -> Iterator[Remark]:
    longest = max(sheet.duration_s for sheet in sheets)
    short = [
        f"'{sheet.name}' ({clock(sheet.duration_s)})"
        for sheet in sheets
        if longest - sheet.duration_s > tuned.LENGTHS_DIFFER_S
    ]
    if short:
        said = f"the lengths differ: the longest lasts {clock(longest)}, shorter are {some(short, tuned.NAMES_SHOWN)}"
        yield Remark("lengths", "note", said, "was a track started late, stopped early, or cut short while copying?")


@dataclass(frozen=True, slots=True)
class Double:
    """Track ``second`` (its place in the list) repeats track ``first``.

    Parameters
    ----------
    gain_db : float
        How much louder the second is.
    polarity : int
        +1, or -1 where it is inverted.
    lag_samples : int
        How much later the second is.
    same_file : bool
        Whether both are channels of one file.
    """

    first: int
    second: int
    gain_db: float
    polarity: int
    lag_samples: int
    same_file: bool = False


def find_doubles(tracks: Sequence[Track], loudness: Sequence[Floats]) -> tuple[Double, ...]:
    """The tracks that repeat an earlier one, each with the first it repeats.

    Parameters
    ----------
    tracks : sequence of Track
    loudness : sequence of array, shape (tenths,)
        The power of each tenth of a second; an empty array keeps a track out (a silent one).

    Examples
    --------
    >>> hits = np.random.default_rng(1).normal(size=48000)
    >>> pair = [Track.from_array("a", hits, 48000), Track.from_array("b", -0.5 * hits, 48000)]
    >>> powers = [np.array([np.mean(t.read(i * 4800, 4800) ** 2) for i in range(10)]) for t in pair]
    >>> [(found.first, found.second, round(found.gain_db, 1), found.polarity) for found in find_doubles(pair, powers)]
    [(0, 1, -6.0, -1)]
    """
    found: dict[int, Double] = {}
    for first, second in combinations(range(len(tracks)), 2):
        if second in found or first in found or tracks[first].sample_rate != tracks[second].sample_rate:
            continue
        moments = _moments(loudness[first], loudness[second])
        if len(moments):
            frames = moments * (tracks[first].sample_rate // 100 * 10)
            double = _compared(tracks[first], tracks[second], frames)
            if double is not None:
                found[second] = Double(first, second, *double)
    return tuple(found[second] for second in sorted(found))


def _moments(first: Floats, second: Floats) -> Ints:
    """The loudest tenths of two tracks whose loudness runs alike, spread over the take; none where it does not."""
    count = min(len(first), len(second))
    if count == 0:
        return np.zeros(0, dtype=np.intp)
    both = np.sqrt(first[:count] * second[:count])
    norm = float(np.sqrt(first[:count].sum() * second[:count].sum()))
    if norm <= 0.0 or float(both.sum()) < tuned.ALIKE_LOUDNESS * norm:
        return np.zeros(0, dtype=np.intp)
    parts = np.array_split(both, min(tuned.MOMENTS, count))
    starts = np.concatenate(([0], np.cumsum([len(part) for part in parts])[:-1]))
    return np.array([start + int(part.argmax()) for start, part in zip(starts, parts, strict=True)], dtype=np.intp)


def _compared(first: Track, second: Track, moments: Ints) -> tuple[float, int, int] | None:
    """Gain, polarity and lag of a copy, the same at every moment; None where it is none."""
    stretches = list(_stretches(first, second, moments))
    if not stretches:
        return None
    loudest = max(stretches, key=lambda pair: float(pair[0] @ pair[0]))
    lag = _lag(*loudest)
    products = np.zeros(3)
    for one, other in stretches:
        early, late = (one[: len(one) - lag], other[lag:]) if lag >= 0 else (one[-lag:], other[:lag])
        products += (early @ early, late @ late, early @ late)
    power, other_power, shared = products.tolist()
    if power <= 0.0 or other_power <= 0.0 or 1.0 - shared**2 / (power * other_power) > tuned.LEFT_OVER:
        return None
    return db_from_amplitude(shared / power), 1 if shared > 0 else -1, lag


def _stretches(first: Track, second: Track, moments: Ints) -> Iterator[tuple[Floats, Floats]]:
    for moment in moments.tolist():
        start = max(moment - tuned.COMPARED_FRAMES // 4, 0)
        frames = min(tuned.COMPARED_FRAMES, first.frames - start, second.frames - start)
        if frames > 4 * tuned.MOST_LAG:
            one, other = first.read(start, frames), second.read(start, frames)
            yield one - one.mean(), other - other.mean()


def _lag(one: Floats, other: Floats) -> int:
    """How many samples ``other`` is later than ``one``: the largest correlation within a few samples."""
    size = len(one) + tuned.MOST_LAG
    spectrum = cross_spectrum(np.fft.rfft(one, size), np.fft.rfft(other, size))
    correlation = np.abs(np.fft.irfft(spectrum, size))
    near = np.concatenate((correlation[-tuned.MOST_LAG :], correlation[: tuned.MOST_LAG + 1]))
    return int(near.argmax()) - tuned.MOST_LAG


def double_remark(double: Double, other: str) -> Remark:
    """What is to be said of a track that repeats the one called ``other``."""
    ways = []
    if abs(double.gain_db) >= tuned.GAIN_SHOWN_DB:
        ways.append(f"{abs(double.gain_db):.1f} dB {'louder' if double.gain_db > 0 else 'quieter'}")
    if double.polarity < 0:
        ways.append("inverted")
    if double.lag_samples:
        count = abs(double.lag_samples)
        ways.append(f"{many(count, 'sample')} {'later' if double.lag_samples > 0 else 'earlier'}")
    how = f" ({', '.join(ways)})" if ways else ""
    said = f"the same signal as '{other}'{how}"
    if double.same_file:
        look = "a mono sound in a file of several channels: keep one of them, or look for the mic that is missing"
    else:
        look = "one of the two is patched or named wrongly: record the missing mic, or leave this track out"
    return Remark("double", "problem", said, look)
