"""What is asked of a source and what is told of it: the tracks that hear it, and its delay in every pair of them.

Delay is positive when the event comes later in the track, in seconds; uncertainties are one standard deviation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from micalign.take.tracks import Track
from micalign.tdoa.result import Delay

__all__ = ["Alone", "Expected", "PairDelay", "SourceDelays", "TrackDelay", "Wanted"]


@dataclass(frozen=True, slots=True)
class TrackDelay:
    """A track and its delay against some reference."""

    track: str
    delay: Delay


@dataclass(frozen=True, slots=True)
class PairDelay:
    """The delay of ``track`` against ``reference``."""

    reference: str
    track: str
    delay: Delay

    @property
    def turned(self) -> PairDelay:
        """The same pair the other way round."""
        delay = self.delay
        candidates = tuple(replace(one, delay_s=-one.delay_s) for one in delay.candidates)
        drift = None if delay.drift_ppm is None else -delay.drift_ppm
        told = replace(delay, delay_s=-delay.delay_s + 0.0, candidates=candidates, drift_ppm=drift)
        return PairDelay(self.track, self.reference, told)


@dataclass(frozen=True, slots=True)
class Expected:
    """When a source should arrive in a track: seconds after it sounds, with one standard deviation.

    ``level_db`` is how loud the scene has it there, against what the track is there to take.
    """

    arrival_s: float
    sigma_s: float
    level_db: float = 0.0


@dataclass(frozen=True)
class Wanted:
    """A source to be measured: the tracks that should hear it, the nearest first, and when each should.

    ``close`` names the track of its own, where it has one.
    """

    source: str
    tracks: tuple[str, ...]
    close: str | None = None
    expected: Mapping[str, Expected] = field(default_factory=dict)


@dataclass(frozen=True)
class Alone:
    """Tracks in which a source sounds alone, and when: stretches in seconds on their clock."""

    source: str
    tracks: tuple[Track, ...]
    spans_s: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class SourceDelays:
    """One source on its own: every pair, its amplitude in each track, and how many moments told so.

    ``alone_hits`` of the moments are strokes of stretches in which nothing else sounds.
    """

    source: str
    reference: str
    pairs: tuple[PairDelay, ...]
    amplitudes: Mapping[str, float]
    moments: int
    remark: str | None = None
    loudest_s: float | None = None
    alone_hits: int = 0

    @property
    def tracks(self) -> tuple[TrackDelay, ...]:
        """The other tracks against the source's reference."""
        return tuple(TrackDelay(pair.track, pair.delay) for pair in self.pairs if pair.reference == self.reference)

    @property
    def reliable(self) -> tuple[PairDelay, ...]:
        """The pairs to act on."""
        return tuple(pair for pair in self.pairs if pair.delay.reliable)
