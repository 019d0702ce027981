"""The stretches of a take that matter, laid end to end: so that measuring them costs the same however long the take is.

The same stretches are cut from every track, so delays between tracks stay what they were. Times in seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from micalign.arrays import Floats
from micalign.take.tracks import Track

__all__ = ["Gathered", "gather"]


@dataclass(frozen=True)
class Gathered:
    """Tracks of stretches laid end to end, and where in them the asked-for times lie."""

    tracks: dict[str, Track]
    times_s: Floats

    def track(self, name: str) -> Track:
        """One of them by name."""
        return self.tracks[name]


def gather(tracks: Sequence[Track], times_s: Sequence[float] | Floats, *, before_s: float, after_s: float) -> Gathered:
    """Cut ``before_s`` and ``after_s`` about each time out of every track.

    Parameters
    ----------
    tracks : sequence of Track
        Of one rate.
    times_s : shape (T,)
        On the take's clock.
    before_s, after_s : float
        How much of each side to keep; silence where a track does not reach.

    Examples
    --------
    >>> ramp = Track.from_array("ramp", np.arange(100.0), 10)
    >>> found = gather([ramp], [2.0, 7.0], before_s=0.1, after_s=0.2)
    >>> found.track("ramp").read().tolist(), found.times_s.tolist()
    ([19.0, 20.0, 21.0, 69.0, 70.0, 71.0], [0.1, 0.4])
    """
    rate = tracks[0].sample_rate
    before, after = round(before_s * rate), round(after_s * rate)
    starts = [round(time * rate) - before for time in times_s]
    cut = {
        track.name: Track.from_array(
            track.name, np.concatenate([np.zeros(0), *(track.read(start, before + after) for start in starts)]), rate
        )
        for track in tracks
    }
    # A time between two samples keeps its fraction: the window may begin there, the samples do not move.
    places = [index * (before + after) + before for index in range(len(starts))]
    return Gathered(cut, np.array(places, dtype=np.float64) / rate)
