"""What is said of a pair of tracks: a delay in seconds, positive when the event comes later in the track."""

from __future__ import annotations

from dataclasses import dataclass, replace

__all__ = ["Candidate", "Delay", "doubted"]


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
        The likeliest delays, the likeliest first.
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


def doubted(delay: Delay, reason: str) -> Delay:
    """The same delay, not to be acted on."""
    return replace(delay, reliable=False, confidence=min(delay.confidence, 0.4), reason=delay.reason or reason)
