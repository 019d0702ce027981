"""What is meant to happen with a scene: where its recording lies, and what `place` keeps to."""

from __future__ import annotations

from dataclasses import dataclass, field

from micalign.scene.stretches import AlonePlan

__all__ = ["PlaceWeights", "PlaceWishes", "TakePlan", "TrackPlan"]


@dataclass(frozen=True, slots=True)
class PlaceWeights:
    """How much each wish of `place` counts against the others (1 is the default weight)."""

    equal: float = 1.0
    distance: float = 1.0
    spacing: float = 1.0
    reflections: float = 1.0
    stereo: float = 1.0
    move: float = 1.0


@dataclass(frozen=True, slots=True)
class PlaceWishes:
    """What `place` keeps to: the distance to walls and the weights of the wishes."""

    wall_margin_m: float = 0.2
    weights: PlaceWeights = field(default_factory=PlaceWeights)


@dataclass(frozen=True, slots=True)
class TrackPlan:
    """Which file, and which channel of it (counted from 1), holds the track of a mic or DI."""

    name: str
    file: str
    channel: int | None = None


@dataclass(frozen=True, slots=True)
class TakePlan:
    """Where the recording of a scene lies, and where in it one source sounds alone.

    ``folder`` is relative to the scene file.
    """

    folder: str = "."
    tracks: tuple[TrackPlan, ...] = ()
    alone: tuple[AlonePlan, ...] = ()
