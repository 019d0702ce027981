"""What stands in the room: frozen values, which know nothing of each other, and what surrounds them.

Positions are metres: x to the right, y away from the front wall, z up from the floor; the origin is a floor corner
of the room. Angles are degrees, levels decibels, times seconds. A position of which a coordinate is not known yet
(``None``) waits for the tape survey; everything else asks for ``position`` and gets three numbers or a `SceneError`.

The air, the walls, panels that reflect, spaces to keep out of; sources, mics, DIs, pairs, tapes; where the recording
lies, and what `place` keeps to. What is wrong between them is the matter of the scene that they make
(`micalign.scene.scene`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias

from micalign.errors import SceneError, unknown
from micalign.scene.quantities import AlonePlan
from micalign.scene.tuned import KINDS, REJECTION_DB

__all__ = [
    "DIRECTIONAL",
    "PATTERNS",
    "SURFACES",
    "UNKNOWN",
    "Absorption",
    "Air",
    "Box",
    "Coordinates",
    "Di",
    "Keepout",
    "Mic",
    "Pair",
    "Panel",
    "PlacePlan",
    "PlaceWeights",
    "Point",
    "Room",
    "Source",
    "Surface",
    "TakePlan",
    "Tape",
    "TrackPlan",
    "kind_of",
]

Point: TypeAlias = tuple[float, float, float]
Coordinates: TypeAlias = tuple[float | None, float | None, float | None]
Surface: TypeAlias = Literal["floor", "ceiling", "front", "back", "left", "right"]

SURFACES: Final[tuple[Surface, ...]] = ("left", "right", "front", "back", "floor", "ceiling")
"""The six surfaces in the order x = 0, x = size, y = 0, y = size, z = 0, z = size."""

UNKNOWN: Final[Coordinates] = (None, None, None)

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


@dataclass(frozen=True, slots=True)
class Box:
    """A range for each axis: where a mic may go.

    Attributes
    ----------
    x, y, z : (float, float)
        From and to, metres; the same twice where it may not move along that axis.

    Examples
    --------
    >>> Box((1.0, 2.0), (2.0, 2.0), (1.5, 1.9)).high
    (2.0, 2.0, 1.9)
    """

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


@dataclass(frozen=True, slots=True)
class Air:
    """The air in the room; ``plus_minus`` values are one standard deviation of what the user read."""

    temperature_c: float = 20.0
    humidity_percent: float = 50.0
    pressure_kpa: float = 101.325
    temperature_plus_minus_c: float = 1.0
    humidity_plus_minus_percent: float = 10.0


@dataclass(frozen=True, slots=True)
class Absorption:
    """Share of the energy that each surface takes from a reflection, 0 to 1."""

    floor: float = 0.1
    ceiling: float = 0.1
    front: float = 0.1
    back: float = 0.1
    left: float = 0.1
    right: float = 0.1

    def of(self, surface: Surface) -> float:
        """The absorption of one surface."""
        value: float = getattr(self, surface)
        return value


@dataclass(frozen=True, slots=True)
class Room:
    """A box of a room.

    Attributes
    ----------
    size : (x, y, z)
        Width, depth, height, metres.
    absorption : Absorption
        Share of the energy that each surface takes, 0 to 1.

    Examples
    --------
    >>> Room((6.2, 4.7, 2.5)).contains((6.3, 1.0, 1.0))
    False
    """

    size: Point
    absorption: Absorption = field(default_factory=Absorption)

    def contains(self, point: Coordinates) -> bool:
        """Whether the known coordinates of a point lie in the room, walls included."""
        return all(value is None or -1e-9 <= value <= size + 1e-9 for value, size in zip(point, self.size, strict=True))


@dataclass(frozen=True, slots=True)
class Keepout:
    """A space no mic may enter, centred on ``at``.

    A sphere (``radius_m``), an upright cylinder (``radius_m`` and ``height_m``) or a box (``size_m``).
    """

    name: str
    at: Point
    radius_m: float | None = None
    height_m: float | None = None
    size_m: Point | None = None

    @property
    def shape(self) -> Literal["sphere", "cylinder", "box"]:
        """Which of the three it is."""
        if self.size_m is not None:
            return "box"
        return "sphere" if self.height_m is None else "cylinder"


@dataclass(frozen=True, slots=True)
class Panel:
    """A flat rectangle that reflects: a table top, a window, a riser.

    ``normal`` points out of its face (any length); ``size`` is its width (level, across the normal) and its height
    (the other way; for a panel that lies flat: x, then y); ``turn_degrees`` turns it about its normal.
    """

    name: str
    centre: Point
    normal: Point
    size: tuple[float, float]
    absorption: float = 0.1
    turn_degrees: float = 0.0


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
