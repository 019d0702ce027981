"""Which tracks hold the same signal twice: as it is, at another level, inverted, or shifted by a few samples?

Two mics never hear the same; what is left when the best copy of one is taken from the other is then well above a
hundredth. A copy leaves rounding alone. Tracks whose loudness runs alike are compared at their loudest moments, read
once more for that; everything else was kept from the first reading.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from micalign.arrays import Floats, Ints, cross_spectrum
from micalign.take import tuned
from micalign.take.tracks import Track
from micalign.units import db_from_amplitude

__all__ = ["Double", "find_doubles"]


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
