"""A track laid on the clock of another: its samples as they are, its beginning where it lies there.

Where two recorders (or two regions of a session) began at different times, each sample of one has a place on the
other's clock. `placed` shows a track so; what comes before the clock's beginning is then out of sight, not lost:
`as_recorded` gives the whole track back. Counts are samples; positive is later.
"""

from __future__ import annotations

from dataclasses import dataclass

from micalign.arrays import Floats
from micalign.take.model import Track

__all__ = ["as_recorded", "placed"]


@dataclass(frozen=True, slots=True)
class _PlacedSamples:
    """Another track's samples, counted on a clock on which it began at ``begun_samples``."""

    track: Track
    begun_samples: int

    def read(self, start: int, frames: int) -> Floats:
        """Float64 samples ``start`` to ``start + frames`` of that clock."""
        return self.track.read(start - self.begun_samples, frames)


def placed(track: Track, begun_samples: int) -> Track:
    """The track as seen on a clock on which its first sample lies at ``begun_samples``.

    >>> late = placed(Track.from_array("late", [1.0, 2.0], 48000), 3)
    >>> late.frames, late.read(2, 3).tolist()
    (5, [0.0, 1.0, 2.0])
    >>> placed(Track.from_array("early", [1.0, 2.0, 3.0], 48000), -1).read().tolist()
    [2.0, 3.0]
    """
    if begun_samples == 0:
        return track
    frames = max(track.frames + begun_samples, 0)
    return Track(track.name, track.sample_rate, frames, _PlacedSamples(track, begun_samples))


def as_recorded(track: Track) -> tuple[Track, int]:
    """The whole track, and where its first sample lies on the clock it was laid on.

    >>> track = Track.from_array("early", [1.0, 2.0, 3.0], 48000)
    >>> as_recorded(placed(track, -1)) == (track, -1), as_recorded(track) == (track, 0)
    (True, True)
    """
    samples = track.samples
    return (samples.track, samples.begun_samples) if isinstance(samples, _PlacedSamples) else (track, 0)
