"""Delays: of a pair of tracks, and of a source in every pair of the tracks that take it.

A delay is positive when the event comes later in the track, in seconds; uncertainties are one standard deviation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from micalign.take.tracks import Track
from micalign.tdoa import tuned

__all__ = [
    "Alone",
    "Candidate",
    "Delay",
    "Expected",
    "PairDelay",
    "SourceDelays",
    "TrackDelay",
    "Wanted",
    "as_planned",
    "doubt_of",
    "doubted",
    "is_near",
    "known",
    "off_plan",
    "unknown",
]


@dataclass(frozen=True)
class Candidate:
    """A delay that the tracks suggest, and how probable it is."""

    delay_s: float
    polarity: int
    probability: float


@dataclass(frozen=True)
class Delay:
    """A measured delay of a track against its reference.

    Parameters
    ----------
    delay_s : float
        Seconds; positive when the same event comes LATER in the track.
    uncertainty_s : float
        One standard deviation.
    polarity : int
        +1 as the reference, -1 inverted.
    polarity_margin : float
        0 to 1: how clearly the polarity is known.
    confidence : float
        0 to 1: the probability that the delay is right.
    reliable : bool
        Whether to act on it.
    reason : str or None
        Why not.
    candidates : tuple of Candidate
        The likeliest delays, the answer itself first.
    drift_ppm : float or None
        How fast the delay grows, in microseconds per second; None where it was not looked for.

    Examples
    --------
    >>> doubted(Delay(0.001, 2e-6, 1, 0.9, 0.98, True, None), "the two disagree").reliable
    False
    """

    delay_s: float
    uncertainty_s: float
    polarity: int
    polarity_margin: float
    confidence: float
    reliable: bool
    reason: str | None
    candidates: tuple[Candidate, ...] = ()
    drift_ppm: float | None = None

    @property
    def is_known(self) -> bool:
        """Whether anything was measured, be it doubtful; where not, the number only stands in for one."""
        return self.reliable or self.confidence > 0.0 or bool(self.candidates)

    @property
    def is_polarity_clear(self) -> bool:
        """Whether the other polarity fits clearly worse: nobody should flip a track on less."""
        return self.polarity_margin >= tuned.CLEAR_POLARITY


def known(
    delay_s: float, uncertainty_s: float, likeness: float, margin: float, confidence: float, reason: str | None = None
) -> Delay:
    """What was measured: its polarity is the sign of a likeness, and it is acted on where it is sure enough.

    >>> known(0.001, 2e-6, -0.7, 0.9, 0.98).polarity, known(0.001, 2e-6, 0.7, 0.9, 0.8).reliable
    (-1, False)
    """
    polarity = 1 if likeness >= 0 else -1
    return Delay(delay_s, uncertainty_s, polarity, margin, confidence, confidence >= tuned.RELIABLE, reason)


def unknown(reason: str, delay_s: float = 0.0, uncertainty_s: float = 0.0) -> Delay:
    """Nothing was measured: a number that stands in for a delay, and why."""
    return Delay(delay_s, uncertainty_s, 1, 0.0, 0.0, False, reason)


def doubted(delay: Delay, reason: str) -> Delay:
    """The same delay, not to be acted on."""
    return replace(delay, reliable=False, confidence=min(delay.confidence, 0.4), reason=delay.reason or reason)


def doubt_of(candidates: Sequence[Candidate]) -> str:
    """What else is probable than the likeliest delay.

    >>> doubt_of([Candidate(0.00284, 1, 0.5), Candidate(-0.001, 1, 0.2), Candidate(0.004, 1, 0.05)])
    'several delays are probable: +2.84 ms (50 %), -1.00 ms (20 %)'
    >>> doubt_of([Candidate(-1e-6, 1, 0.5), Candidate(0.004, 1, 0.2)])
    'several delays are probable: +0.00 ms (50 %), +4.00 ms (20 %)'
    """
    told = [
        f"{round(1e3 * one.delay_s, 2) + 0.0:+.2f} ms ({100 * one.probability:.0f} %)"  # no minus before nothing
        for one in candidates
        if one.probability > 0.1
    ]
    return f"several delays are probable: {', '.join(told)}" if len(told) > 1 else "the first arrival is not clear"


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
        """The same pair the other way round, and so what its reason says.

        >>> probable = Candidate(0.00284, 1, 0.19), Candidate(0.00639, 1, 0.11)
        >>> delay = Delay(0.00284, 1e-4, 1, 0.9, 0.2, False, doubt_of(probable), probable)
        >>> PairDelay("kick", "overhead", delay).turned.delay.reason
        'several delays are probable: -2.84 ms (19 %), -6.39 ms (11 %)'
        """
        delay = self.delay
        candidates = tuple(replace(one, delay_s=-one.delay_s + 0.0) for one in delay.candidates)
        reason = doubt_of(candidates) if delay.reason == doubt_of(delay.candidates) else delay.reason
        drift = None if delay.drift_ppm is None else -delay.drift_ppm
        turned = replace(delay, delay_s=-delay.delay_s + 0.0, reason=reason, candidates=candidates, drift_ppm=drift)
        return PairDelay(self.track, self.reference, turned)


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
    """One source on its own: every pair, its amplitude in each track, and how many moments it was measured on.

    ``alone_hits`` of the moments are strokes of stretches in which nothing else sounds. ``strokes_s``: when it is
    struck, as its reference hears it, in seconds on the take's clock; nothing where it sustains.
    """

    source: str
    reference: str
    pairs: tuple[PairDelay, ...]
    amplitudes: Mapping[str, float]
    moments: int
    remark: str | None = None
    loudest_s: float | None = None
    alone_hits: int = 0
    strokes_s: tuple[float, ...] = ()

    @property
    def tracks(self) -> tuple[TrackDelay, ...]:
        """The other tracks against the source's reference."""
        return tuple(TrackDelay(pair.track, pair.delay) for pair in self.pairs if pair.reference == self.reference)

    @property
    def reliable(self) -> tuple[PairDelay, ...]:
        """The pairs to act on."""
        return tuple(pair for pair in self.pairs if pair.delay.reliable)


def is_near(delay: Delay, prior: Expected) -> bool:
    """Whether a delay is where the scene expects it."""
    return abs(delay.delay_s - prior.arrival_s) <= max(tuned.AS_PLANNED[0], tuned.AS_PLANNED[1] * prior.sigma_s)


def as_planned(prior: Expected) -> tuple[str | None, bool]:
    """What to say of a delay that is where the scene expects it, and whether to act on it."""
    if prior.level_db < tuned.DROWNED_DB:
        return f"the scene has it {-prior.level_db:.0f} dB down there: what is heard is the room", False
    return None, True


def off_plan(prior: Expected, track: str) -> tuple[str, bool]:
    """What to say of a track's delay that is not where the scene expects it, and whether to act on it all the same."""
    way = "later" if prior.arrival_s >= 0 else "earlier"
    said = f"the scene has it {abs(prior.arrival_s) * 1e3:.2f} ms {way} in '{track}'"
    if prior.level_db < tuned.FAINT_DB:
        return f"{said}, {-prior.level_db:.0f} dB down: what is heard may be a reflection", False
    return f"{said}: was something moved?", True
