"""What is said of a pair of tracks: a delay in seconds, positive when the event comes later in the track."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Delay", "Rival"]


@dataclass(frozen=True)
class Rival:
    """Another delay that the tracks also suggest; ``strength`` is its peak against the chosen one."""

    delay_s: float
    strength: float
    polarity: int


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
        0 to 1: how far the strongest peak of the other polarity falls short of the chosen one.
    confidence : float
        0 to 1.
    reliable : bool
        Whether to act on it.
    reason : str or None
        Why not.
    rivals : tuple of Rival
        Other plausible delays.
    drift_ppm : float or None
        How fast the delay grows, in microseconds per second; None where it was not looked for.
    """

    delay_s: float
    uncertainty_s: float
    polarity: int
    polarity_margin: float
    confidence: float
    reliable: bool
    reason: str | None
    rivals: tuple[Rival, ...] = ()
    drift_ppm: float | None = None
