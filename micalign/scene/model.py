"""What stands in the room: frozen values, and the scene they make with what surrounds them, checked against itself.

Positions are metres: x to the right, y away from the front wall, z up from the floor; the origin is a floor corner
of the room. Angles are degrees, levels decibels, times seconds. A position of which a coordinate is not known yet
(``None``) waits for the tape survey; everything else asks for ``position`` and gets three numbers or a `SceneError`.

Sources, mics, DIs, pairs, tapes; where the recording lies, and what `place` keeps to; the air, the walls and what else
stands there are in `micalign.scene.surroundings`. They know nothing of each other: what is wrong between them is the
scene's matter.

A source whose level the scene does not give is as loud as its kind (`micalign.scene.tuned`), guessed from its name.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final, TypeVar

from micalign.errors import SceneError, nearest, unknown
from micalign.scene.crosscheck import scene_faults
from micalign.scene.quantities import AlonePlan
from micalign.scene.surroundings import UNKNOWN, Air, Box, Coordinates, Keepout, Panel, Point, Room
from micalign.scene.tuned import KINDS, LEAST_PRESSURE_DB, REJECTION_DB
from micalign.units import Listing, Shown, show_length

__all__ = [
    "DIRECTIONAL",
    "PATTERNS",
    "Di",
    "Mic",
    "Pair",
    "PlacePlan",
    "PlaceWeights",
    "Scene",
    "Source",
    "TakePlan",
    "Tape",
    "TrackPlan",
    "kind_of",
]

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

DIRECTIONAL: Final = tuple(name for name, share in PATTERNS.items() if share <= PATTERNS["cardioid"])
"""Patterns that a remedy proposes against what comes from elsewhere: from the cardioid on, the widest first."""


_HINTS: Final = {
    "hi-hat": ("hi-hat", "hihat", "hat", "hh"),
    "kick": ("kick", "bass drum"),
    "snare": ("snare",),
    "tom": ("tom",),
    "cymbal": ("cymbal", "ride", "crash", "splash", "china"),
    "bass cab": ("bass cab", "bass amp"),
    "guitar cab": ("cab", "amp", "electric guitar"),
    "acoustic guitar": ("acoustic guitar", "guitar"),
    "double bass": ("upright bass", "double bass", "bass"),
    "piano": ("piano",),
    "brass": ("trumpet", "trombone", "horn", "tuba", "cornet"),
    "woodwind": ("sax", "saxophone", "flute", "clarinet", "oboe", "bassoon"),
    "voice": ("voice", "vocal", "vox", "singer", "alto", "tenor", "soprano"),
    "strings": ("violin", "viola", "cello", "fiddle"),
}
"""Words of a source's name that give its kind away, the more specific ones first."""


def kind_of(name: str) -> str | None:
    """The kind that a source's name gives away; None where it gives none.

    >>> kind_of("floor tom"), kind_of("bass cab"), kind_of("hat stand 2"), kind_of("the chat"), kind_of("left")
    ('tom', 'bass cab', 'hi-hat', None, None)
    >>> kind_of("alto"), kind_of("alto sax")
    ('voice', 'woodwind')
    """
    said = f" {' '.join(name.casefold().replace('_', ' ').split())} "
    for kind, hints in _HINTS.items():
        if any(f" {hint} " in said for hint in hints):
            return kind
    return None


@dataclass(frozen=True)
class _Placed:
    """Something with a name and a place."""

    name: str
    at: Coordinates = UNKNOWN
    plus_minus_m: float = 0.01

    def __post_init__(self) -> None:
        if len(self.at) != 3:
            raise SceneError(f"'{self.name}' has {len(self.at)} coordinates: give three in metres, (x, y, z)")

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

    def metres_to(self, other: _Placed) -> float:
        """How far it is from another thing; `SceneError` where a position is not known."""
        return math.dist(self.position, other.position)


@dataclass(frozen=True)
class Source(_Placed):
    """Something that sounds.

    Attributes
    ----------
    name : str
    at : (x, y, z)
        Metres; None for a coordinate that tapes will fix.
    plus_minus_m : float
        One standard deviation of each coordinate, metres.
    range_hz : (float, float), optional
        Where its sound matters.
    sound : str, optional
        What `simulate` plays for it; guessed from the name where it is left out.
    level_db : float, optional
        Sound pressure level at 1 m; else that of its kind.
    kind : str, optional
        A key of `KINDS`; guessed from the name likewise.
    size_m : float, optional
        How wide it is: nearer than that it is no point.

    Examples
    --------
    >>> Source("snare", (2.0, 2.0, 0.7), range_hz=(100.0, 9000.0)).position
    (2.0, 2.0, 0.7)
    """

    range_hz: tuple[float, float] | None = None
    sound: str | None = None
    level_db: float | None = None
    kind: str | None = None
    size_m: float | None = None

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.kind is not None and self.kind not in KINDS:
            raise SceneError(f"source '{self.name}': {unknown(self.kind, KINDS, 'kind')}")


@dataclass(frozen=True)
class Mic(_Placed):
    """A microphone: where it stands, where it looks, what it is there to take and how it may move.

    Attributes
    ----------
    name : str
    at : (x, y, z)
        Metres; None for a coordinate that tapes will fix.
    plus_minus_m : float
        One standard deviation of each coordinate, metres.
    aim : str or (x, y, z), optional
        A source's name or a point; needed by directional patterns.
    pattern : str
        A key of `PATTERNS`.
    on : tuple of str
        The sources it is there to take.
    gain_db : float
        Its level in the blend.
    polarity : int
        +1, or -1 where it is inverted.
    move : Box, optional
        Where it may go; or ``reach_m``, how far from where it stands.
    reach_m : float, optional
    distance_m : (float, float), optional
        Wanted distance to what it is on, from and to, metres.
    rejection_db : float
        How far the null of its pattern really lies below its axis.

    Examples
    --------
    >>> Mic("room", (4.0, 3.0, 1.5), reach_m=0.3).may_move
    True
    """

    aim: str | Point | None = None
    pattern: str = "omni"
    on: tuple[str, ...] = ()
    gain_db: float = 0.0
    polarity: int = 1
    move: Box | None = None
    reach_m: float | None = None
    distance_m: tuple[float, float] | None = None
    rejection_db: float = REJECTION_DB

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.pattern not in PATTERNS:
            raise SceneError(f"mic '{self.name}': {unknown(self.pattern, PATTERNS, 'pattern')}")
        if self.polarity not in {1, -1}:
            raise SceneError(f"mic '{self.name}' has the polarity {self.polarity}: it is 1, or -1 where it is inverted")

    @property
    def may_move(self) -> bool:
        """Whether placement may move it."""
        return self.move is not None or self.reach_m is not None


@dataclass(frozen=True, slots=True)
class Di:
    """A direct line from a source before its sound reaches the air.

    Attributes
    ----------
    name, of : str
        Its own name, and that of its source.
    latency_s : float
        By how much its signal is late, seconds.
    gain_db : float
        Its level in the blend.
    polarity : int
        +1, or -1 where it is inverted.

    Examples
    --------
    >>> Di("bass di", of="bass cab", latency_s=0.0015).polarity
    1
    """

    name: str
    of: str
    latency_s: float = 0.0
    gain_db: float = 0.0
    polarity: int = 1


@dataclass(frozen=True, slots=True)
class Pair:
    """Two mics that belong together.

    Attributes
    ----------
    name : str
    mics : (str, str)
    equal_to : tuple of str
        The sources both should be equally far from.
    tolerance_s : float
        By how much their arrivals may differ all the same, seconds.
    centre_on : str, optional
        The source that should sound from the middle.
    angle_degrees : (float, float), optional
        Wanted angle between the two axes, from and to.
    spread_m : (float, float), optional
        Wanted distance between the two, from and to, metres.

    Examples
    --------
    >>> Pair("overheads", ("left", "right"), equal_to=("snare", "kick")).tolerance_s
    5e-05
    """

    name: str
    mics: tuple[str, str]
    equal_to: tuple[str, ...] = ()
    tolerance_s: float = 50e-6
    centre_on: str | None = None
    angle_degrees: tuple[float, float] | None = None
    spread_m: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Tape:
    """A distance measured with a tape between two named things.

    Attributes
    ----------
    between : (str, str)
        Names of sources or mics.
    distance_m, plus_minus_m : float
        What it read, and one standard deviation of it, metres.

    Examples
    --------
    >>> Tape(("snare", "overhead left"), 1.04).plus_minus_m
    0.01
    """

    between: tuple[str, str]
    distance_m: float
    plus_minus_m: float = 0.01


@dataclass(frozen=True, slots=True)
class PlaceWeights:
    """How much each term of the cost of `place` counts against the others (1 is the default weight)."""

    equal: float = 1.0
    distance: float = 1.0
    spacing: float = 1.0
    reflections: float = 1.0
    stereo: float = 1.0
    move: float = 1.0


@dataclass(frozen=True, slots=True)
class PlacePlan:
    """What `place` keeps to: the distance to walls and the weights of the terms of its cost."""

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


_Thing = TypeVar("_Thing", Source, Mic)


@dataclass(frozen=True, repr=False)
class Scene(Shown):
    """Everything a scene file says.

    Attributes
    ----------
    title : str
    length_unit : {"m", "cm", "mm", "ft", "in"}
        What lengths are shown in; the values themselves are metres.
    air : Air
    room : Room, optional
    sources, mics, dis, pairs, tapes, keepouts, panels : tuple
        What stands in the room; names are unique across sources, mics and DIs.
    place : PlacePlan
        What `place` keeps to.
    take : TakePlan, optional
        Where its recording lies.

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
    place: PlacePlan = field(default_factory=PlacePlan)
    take: TakePlan | None = None

    def __post_init__(self) -> None:
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

    def metres_between(self, one: str, other: str) -> float:
        """How far apart two of its sources and mics are; `SceneError` where a position is not known."""
        ends = {thing.name: thing for thing in self.placed() if thing.name in {one, other}}
        return ends[one].metres_to(ends[other])

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
        """How loud each source is at 1 m: as the scene says, else by its kind; None where neither is known.

        Levels too low to be sound pressure levels are against each other: kinds say nothing then.
        """
        given = [source.level_db for source in self.sources if source.level_db is not None]
        relative = bool(given) and max(given) < LEAST_PRESSURE_DB

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
