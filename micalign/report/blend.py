"""A stretch of every track before and after alignment, for figures of it.

The blend is every track at its gain, as recorded, and again shifted and flipped as the offsets say. Times are seconds
on the take's clock.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from micalign.alignment.offsets import Offsets
from micalign.alignment.shift import Span, shifted_blocks
from micalign.arrays import Floats
from micalign.take.tracks import Track
from micalign.units import amplitude_from_db

__all__ = ["Stretch", "stretch"]


@dataclass(frozen=True, eq=False)
class Stretch:
    """So many seconds of each track, as recorded (``before``) and as aligned (``after``), at the blend's gains."""

    start_s: float
    sample_rate: int
    before: Mapping[str, Floats]
    after: Mapping[str, Floats]

    @property
    def sum_before(self) -> Floats:
        """The blend as recorded."""
        summed: Floats = np.sum(list(self.before.values()), axis=0)
        return summed

    @property
    def sum_after(self) -> Floats:
        """The blend as aligned."""
        summed: Floats = np.sum(list(self.after.values()), axis=0)
        return summed


def stretch(
    tracks: Sequence[Track],
    offsets: Offsets,
    *,
    start_s: float,
    seconds: float,
    gains_db: Mapping[str, float] | None = None,
) -> Stretch:
    """Cut a stretch out of every track, before and after.

    Parameters
    ----------
    tracks : sequence of Track
        Of one rate, each with its shift among ``offsets``.
    offsets : Offsets
    start_s, seconds : float
    gains_db : mapping of name to float, optional
        Of the blend; 0 dB where left out.

    Examples
    --------
    >>> from micalign.alignment.offsets import Shift, followed
    >>> late = Shift("late", 0.002, 0.0, -0.002, polarity_flip=True, reliable=True, applied=True)
    >>> offsets = followed([late], reference="first", sample_rate=1000)
    >>> tracks = [Track.from_array("first", [0, 1, 0, 0, 0], 1000), Track.from_array("late", [0, 0, 0, -1, 0], 1000)]
    >>> stretch(tracks, offsets, start_s=0.0, seconds=0.005).sum_after.tolist()
    [0.0, 2.0, 0.0, 0.0, 0.0]
    """
    rate = offsets.sample_rate
    start, frames = round(start_s * rate), round(seconds * rate)
    gains = gains_db or {}
    before, after = {}, {}
    for track in tracks:
        gain, shift = amplitude_from_db(gains.get(track.name, 0.0)), offsets.shift(track.name)
        before[track.name] = gain * track.read(start, frames)
        blocks = shifted_blocks(
            track,
            shift.shift_s * rate,
            polarity=-1 if shift.polarity_flip else 1,
            gain=gain,
            span=Span(start, start + frames),
        )
        after[track.name] = np.concatenate(list(blocks))
    return Stretch(start_s, rate, before, after)
