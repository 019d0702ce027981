"""In which stretches of a recording does one source sound alone?

A drum that is struck again and again, with nothing between, is heard by all mics at levels whose differences stay the
same; of two drums struck together they change from stroke to stroke, as two hands are never equally strong. So a
stretch is a run of strokes of one fingerprint (`micalign.tdoa.fingerprints`). What is not struck (a held note) is not
found. Times in seconds on the take's clock.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.take.tracks import Track
from micalign.tdoa.fingerprints import Fingerprints, apart_db, fingerprints

__all__ = ["StruckStretch", "found_stretches"]

_FEWEST: Final = 4  # strokes in a row
_LEAST_S: Final = 1.2
_LONGEST_GAP_S: Final = 3.0
_ALIKE_DB: Final = 1.5  # a drum's strokes stay within 2 dB on a real kit, development half; two drums seldom do
_LEAD_S: Final = 0.05
_RING_S: Final = 0.5


@dataclass(frozen=True, slots=True)
class StruckStretch:
    """From ``begin_s`` to ``end_s`` one source sounds alone, struck ``hits`` times; its level in each track, dBFS."""

    begin_s: float
    end_s: float
    hits: int
    level_db: Mapping[str, float]

    @property
    def loudest(self) -> str:
        """The track that hears it loudest."""
        return max(self.level_db, key=lambda track: self.level_db[track])


def found_stretches(tracks: Sequence[Track]) -> tuple[StruckStretch, ...]:
    """The stretches in which one source sounds alone, in order of time.

    Parameters
    ----------
    tracks : sequence of Track
        Of one rate, on one clock; of fewer than two, or of one that is very short, nothing can be told.

    Examples
    --------
    >>> rng = np.random.default_rng(5)
    >>> near = 1e-5 * rng.normal(size=240000)
    >>> for at in range(20000, 220000, 30000):
    ...     near[at : at + 4000] += rng.normal(size=4000) * np.exp(-np.arange(4000) / 800)
    >>> tracks = [Track.from_array("near", near, 48000), Track.from_array("far", 0.1 * np.roll(near, 96), 48000)]
    >>> [(round(one.begin_s, 1), one.loudest, one.hits) for one in found_stretches(tracks)]
    [(0.4, 'near', 7)]
    """
    if len(tracks) < 2 or min(track.duration_s for track in tracks) < _LEAST_S:
        return ()
    strokes = fingerprints(tracks)
    return tuple(_told(strokes, first, stop) for first, stop in _runs(strokes))


def _runs(strokes: Fingerprints) -> Iterator[tuple[int, int]]:
    """First stroke of a run, and the one after its last; the longest that begins at each stroke that is free."""
    first, times = 0, strokes.times_s
    while first < len(times):
        stop = _grown(strokes, first)
        if stop - first >= _FEWEST and times[stop - 1] - times[first] >= _LEAST_S:
            yield first, stop
            first = stop
        else:
            first += 1


def _grown(strokes: Fingerprints, first: int) -> int:
    stop = first + 1
    while stop < len(strokes.times_s):
        middle = np.median(strokes.level_db[first:stop], axis=0)
        if strokes.times_s[stop] - strokes.times_s[stop - 1] > _LONGEST_GAP_S:
            break
        if apart_db(strokes, stop, middle) > _ALIKE_DB or not _share(strokes, first, stop):
            break
        stop += 1
    return stop


def _share(strokes: Fingerprints, first: int, stop: int) -> bool:
    """Whether most tracks that hear one of two strokes hear the other: the levels of few tracks say little."""
    one, other = strokes.heard[first], strokes.heard[stop]
    return bool((one & other).sum() > 0.5 * min(one.sum(), other.sum()))


def _told(strokes: Fingerprints, first: int, stop: int) -> StruckStretch:
    times = strokes.times_s
    end_s = float(times[stop - 1]) + _RING_S
    if stop < len(times):
        end_s = min(end_s, float(times[stop]) - _LEAD_S)
    begin_s = max(float(times[first]) - _LEAD_S, 0.0)
    level_db = np.median(strokes.level_db[first:stop], axis=0).tolist()
    end_s = max(end_s, float(times[stop - 1]) + 0.03)
    return StruckStretch(begin_s, end_s, stop - first, dict(zip(strokes.tracks, level_db, strict=True)))
