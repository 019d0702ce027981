"""What stands in the room: frozen values that check themselves when made.

Positions are metres: x to the right, y away from the front wall, z up from the floor; the origin is a floor corner
of the room. Angles are degrees, levels decibels, times seconds. A position of which a coordinate is not known yet
(``None``) waits for the tape survey; everything else asks for ``position`` and gets three numbers or a `SceneError`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final, TypeVar

from micalign.errors import SceneError, nearest
from micalign.scene.kinds import KINDS, kind_of
from micalign.scene.plans import PlaceWeights, PlaceWishes, TakePlan, TrackPlan
from micalign.scene.surround import (
    SURFACES,
    Absorption,
    Air,
    Coordinates,
    Keepout,
    Panel,
    Point,
    Room,
    Surface,
)
from micalign.shown import Listing, Shown
from micalign.units import show_length

__all__ = [
    "PATTERNS",
    "REJECTION_DB",
    "SURFACES",
    "Absorption",
    "Air",
    "Box",
    "Coordinates",
    "Di",
    "Keepout",
    "Mic",
    "Pair",
    "Panel",
    "PlaceWeights",
    "PlaceWishes",
    "Point",
    "Room",
    "Scene",
    "Source",
    "Surface",
    "TakePlan",
    "Tape",
    "TrackPlan",
]

UNKNOWN: Final[Coordinates] = (None, None, None)

_LEAST_PRESSURE_DB: Final = 40.0
"""Nothing that is recorded is softer at 1 m: the room itself is as loud (common practice, no source)."""

PATTERNS: Final = {
    "omni": 1.0,
    "subcardioid": 0.75,
    "cardioid": 0.5,
    "supercardioid": 0.37,
    "hypercardioid": 0.25,
    "figure-8": 0.0,
}
"""First-order polar patterns: the omni share a of s(angle) = a + (1 - a) cos(angle).

The supercardioid is the usual rounded figure of the best front to back pickup, (sqrt(3) - 1) / 2 = 0.366; makers'
subcardioids lie between 0.70 and 0.75.
"""

REJECTION_DB: Final = 20.0
"""How far a real mic's null lies below its axis: makers' polar plots show 15 to 25 dB (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Box:
    """A range for each axis, in metres."""

    x: tuple[float, float]
    y: tuple[float, float]
    z: tuple[float, float]

    @property
    def low(self) -> Point:
        """The corner with the smallest coordinates."""
        return (self.x[0], self.y[0], self.z[0])

    @property
    def high(self) -> Point:
        """The corner with the largest coordinates."""
        return (self.x[1], self.y[1], self.z[1])


@dataclass(frozen=True)
class _Placed:
    """Something with a name and a place."""

    name: str
    at: Coordinates = UNKNOWN
    plus_minus_m: float = 0.01

    @property
    def is_placed(self) -> bool:
        """Whether all three coordinates are known."""
        return None not in self.at

    @property
    def position(self) -> Point:
        """The three coordinates; `SceneError` where one is not known."""
        x, y, z = self.at
        if x is None or y is None or z is None:
            raise SceneError(
                f"'{self.name}' has no full position yet: give 'at', or enough [[tape]] distances to fix it"
            )
        return (x, y, z)


@dataclass(frozen=True)
class Source(_Placed):
    """Something that sounds.

    ``range_hz`` is where its sound matters; ``sound`` is what `simulate` plays for it (guessed from the name
    where it is left out). ``level_db`` is its sound pressure level at 1 m, ``kind`` a key of `KINDS` (guessed
    likewise), ``size_m`` how wide it is: nearer than that it is no point.
    """

    range_hz: tuple[float, float] | None = None
    sound: str | None = None
    level_db: float | None = None
    kind: str | None = None
    size_m: float | None = None


@dataclass(frozen=True)
class Mic(_Placed):
    """A microphone: where it stands, where it looks, what it is there to take and how it may move."""

    aim: str | Point | None = None
    pattern: str = "omni"
    on: tuple[str, ...] = ()
    gain_db: float = 0.0
    polarity: int = 1
    move: Box | None = None
    reach_m: float | None = None
    distance_m: tuple[float, float] | None = None
    rejection_db: float = REJECTION_DB

    @property
    def may_move(self) -> bool:
        """Whether placement may move it."""
        return self.move is not None or self.reach_m is not None


_Thing = TypeVar("_Thing", Source, Mic)


@dataclass(frozen=True, slots=True)
class Di:
    """A direct line from a source before its sound reaches the air."""

    name: str
    of: str
    latency_s: float = 0.0
    gain_db: float = 0.0
    polarity: int = 1


@dataclass(frozen=True, slots=True)
class Pair:
    """Two mics that belong together; ``equal_to`` names the sources both should be equally far from."""

    name: str
    mics: tuple[str, str]
    equal_to: tuple[str, ...] = ()
    tolerance_s: float = 50e-6
    centre_on: str | None = None
    angle_degrees: tuple[float, float] | None = None
    spread_m: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Tape:
    """A distance measured with a tape between two named things; ``plus_minus_m`` is one standard deviation."""

    between: tuple[str, str]
    distance_m: float
    plus_minus_m: float = 0.01


@dataclass(frozen=True, repr=False)
class Scene(Shown):
    """Everything a scene file says.

    Raises
    ------
    SceneError
        If names clash or are not found, or a point lies outside the room: all faults together.

    Examples
    --------
    >>> scene = Scene(sources=(Source("snare", (2.0, 2.0, 0.7)),), mics=(Mic("room", (4.0, 3.0, 1.5)),))
    >>> scene.mic("room").position
    (4.0, 3.0, 1.5)
    >>> scene.placed_at({"room": (4.1, 3.0, 1.5)}).mic("room").position
    (4.1, 3.0, 1.5)
    """

    title: str = ""
    length_unit: str = "m"
    air: Air = field(default_factory=Air)
    room: Room | None = None
    sources: tuple[Source, ...] = ()
    mics: tuple[Mic, ...] = ()
    dis: tuple[Di, ...] = ()
    pairs: tuple[Pair, ...] = ()
    tapes: tuple[Tape, ...] = ()
    keepouts: tuple[Keepout, ...] = ()
    panels: tuple[Panel, ...] = ()
    place: PlaceWishes = field(default_factory=PlaceWishes)
    take: TakePlan | None = None

    def __post_init__(self) -> None:
        from micalign.scene.crosscheck import scene_faults  # noqa: PLC0415 - the check reads this module's types

        faults = [fault.sentence for fault in scene_faults(self)]
        if faults:
            raise SceneError(faults)

    def _listing(self) -> Listing:
        things: tuple[Source | Mic | Di, ...] = (*self.sources, *self.mics, *self.dis)
        rows = ((one.name, type(one).__name__.lower(), self._place_of(one)) for one in things)
        return Listing(self.title or "Scene", ("name", "kind", "at"), rows, len(things), words=2)

    def _place_of(self, one: Source | Mic | Di) -> str:
        if isinstance(one, Di):
            return f"of {one.of}"
        return ", ".join("?" if value is None else show_length(value, self.length_unit) for value in one.at)

    @cached_property
    def _by_name(self) -> Mapping[str, Source | Mic | Di]:
        things: tuple[Source | Mic | Di, ...] = (*self.sources, *self.mics, *self.dis)
        return {thing.name: thing for thing in things}

    def source(self, name: str) -> Source:
        """The source of that name; `SceneError` where there is none."""
        found = self._by_name.get(name)
        if not isinstance(found, Source):
            raise SceneError(f"no source is called '{name}'{nearest(name, [one.name for one in self.sources])}")
        return found

    def mic(self, name: str) -> Mic:
        """The mic of that name; `SceneError` where there is none."""
        found = self._by_name.get(name)
        if not isinstance(found, Mic):
            raise SceneError(f"no mic is called '{name}'{nearest(name, [one.name for one in self.mics])}")
        return found

    def placed(self) -> Iterator[Source | Mic]:
        """Sources, then mics."""
        yield from self.sources
        yield from self.mics

    @property
    def track_names(self) -> tuple[str, ...]:
        """The names of all that is recorded: the mics, then the DIs."""
        return (*(mic.name for mic in self.mics), *(di.name for di in self.dis))

    @property
    def is_placed(self) -> bool:
        """Whether every source and mic has its three coordinates."""
        return all(thing.is_placed for thing in self.placed())

    def aim_point(self, mic: Mic) -> Point | None:
        """Where a mic looks, as a point; None where it has no aim."""
        return self.source(mic.aim).position if isinstance(mic.aim, str) else mic.aim

    @cached_property
    def loudness_db(self) -> tuple[float | None, ...]:
        """How loud each source is at 1 m: as the scene says, else by its kind; None where neither tells.

        Levels too low to be sound pressure levels are against each other: kinds say nothing then.
        """
        told = [source.level_db for source in self.sources if source.level_db is not None]
        relative = bool(told) and max(told) < _LEAST_PRESSURE_DB

        def loud(source: Source) -> float | None:
            kind = source.kind or kind_of(source.name)
            if source.level_db is not None or relative or kind is None:
                return source.level_db
            return KINDS[kind]

        return tuple(map(loud, self.sources))

    def placed_at(
        self, positions: Mapping[str, Coordinates], *, plus_minus_m: Mapping[str, float] | None = None
    ) -> Scene:
        """A copy with sources and mics at new positions, and new uncertainties where they are given."""
        sigmas = plus_minus_m or {}

        def moved(thing: _Thing) -> _Thing:
            return replace(
                thing,
                at=positions.get(thing.name, thing.at),
                plus_minus_m=sigmas.get(thing.name, thing.plus_minus_m),
            )

        return replace(self, sources=tuple(map(moved, self.sources)), mics=tuple(map(moved, self.mics)))
