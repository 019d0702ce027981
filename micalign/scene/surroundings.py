"""What surrounds sources and mics: the air, the walls, panels that reflect, spaces to keep out of; points in it.

Positions are metres: x to the right, y away from the front wall, z up from the floor; the origin is a floor corner
of the room. A coordinate that is not known yet is ``None``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias

__all__ = [
    "SURFACES",
    "UNKNOWN",
    "Absorption",
    "Air",
    "Box",
    "Coordinates",
    "Keepout",
    "Panel",
    "Point",
    "Room",
    "Surface",
]

Point: TypeAlias = tuple[float, float, float]
Coordinates: TypeAlias = tuple[float | None, float | None, float | None]
Surface: TypeAlias = Literal["floor", "ceiling", "front", "back", "left", "right"]

SURFACES: Final[tuple[Surface, ...]] = ("left", "right", "front", "back", "floor", "ceiling")
"""The six surfaces in the order x = 0, x = size, y = 0, y = size, z = 0, z = size."""

UNKNOWN: Final[Coordinates] = (None, None, None)


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
