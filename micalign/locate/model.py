"""What a location found: each mic's place with its uncertainty, each hit's part in it, and what would fix the rest."""

from __future__ import annotations

from dataclasses import dataclass

from micalign.scene.model import Point

__all__ = ["LocatedMic", "Location", "UsedHits"]


@dataclass(frozen=True, slots=True)
class LocatedMic:
    """A mic's place in metres, one standard deviation along each axis, and how far that is from the plan.

    ``mirror_m`` is another place that the hits allow as well as this one. ``reason`` says why a place that is not
    ``reliable`` is not to be acted on.
    """

    mic: str
    at_m: Point
    sigma_m: Point
    planned_m: Point | None
    move_m: float | None
    reliable: bool
    reason: str | None = None
    mirror_m: Point | None = None

    @property
    def uncertainty_m(self) -> float:
        """One standard deviation of the place, all axes together."""
        return float(sum(value**2 for value in self.sigma_m) ** 0.5)


@dataclass(frozen=True, slots=True)
class UsedHits:
    """The hits on one source: how many, in how many tracks they were heard well, and what the places leave over.

    ``residual_s`` is the root mean square of measured minus explained; ``strays`` counts tracks left out since they
    fit no place (a reflection taken for the direct sound).
    """

    source: str
    hits: int
    tracks: int
    strays: int
    residual_s: float


@dataclass(frozen=True)
class Location:
    """Every mic's place, the hits they rest on, and points at which further hits would help, the best first."""

    mics: tuple[LocatedMic, ...]
    hits: tuple[UsedHits, ...]
    further_m: tuple[Point, ...]

    @property
    def is_reliable(self) -> bool:
        """Whether every mic's place is."""
        return all(mic.reliable for mic in self.mics)
