"""What surrounds the sources and mics: the air, the room's walls, panels that reflect, spaces to keep out of.

Frozen values in metres, degrees Celsius, percent and kilopascals; no arithmetic beyond their own checks.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias

__all__ = ["SURFACES", "Absorption", "Air", "Coordinates", "Keepout", "Panel", "Point", "Room", "Surface"]

Point: TypeAlias = tuple[float, float, float]
Coordinates: TypeAlias = tuple[float | None, float | None, float | None]
Surface: TypeAlias = Literal["floor", "ceiling", "front", "back", "left", "right"]

SURFACES: Final[tuple[Surface, ...]] = ("left", "right", "front", "back", "floor", "ceiling")
"""The six surfaces in the order x = 0, x = size, y = 0, y = size, z = 0, z = size."""


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
    """A box of a room: width (x), depth (y), height (z) in metres."""

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
