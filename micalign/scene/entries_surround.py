"""The tables of a scene file about what surrounds the mics: air, room, keepouts, panels."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from micalign.scene import model
from micalign.scene.entry import Entry, key, optional, table
from micalign.scene.fields import DIRECTION, FACE_SIZE, NAME, POINT, POSITIVE_LENGTH, SHARE, SIZE, number

__all__ = ["AbsorptionEntry", "AirEntry", "KeepoutEntry", "PanelEntry", "RoomEntry"]


_LEAST_SIDE_M: Final = 0.1


class AirEntry(Entry):
    """The air; ``plus_minus`` is one standard deviation of the reading."""

    temperature_c = key(number(-20.0, 50.0, "-20 to 50 degrees Celsius (was it read in Fahrenheit?)"), 20.0)
    humidity_percent = key(number(0.0, 100.0, "relative humidity is 0 to 100 percent"), 50.0)
    pressure_kpa = key(number(40.0, 120.0, "40 to 120 kPa (1013 hPa is 101.3 kPa)"), 101.325)
    temperature_plus_minus_c = key(number(0.0, 50.0, "0 to 50 degrees"), 1.0)
    humidity_plus_minus_percent = key(number(0.0, 100.0, "0 to 100 percent"), 10.0)

    def made(self) -> model.Air:
        """The value."""
        return model.Air(**self.values)


class AbsorptionEntry(Entry):
    """Absorption of each surface."""

    floor = key(SHARE, 0.1)
    ceiling = key(SHARE, 0.1)
    front = key(SHARE, 0.1)
    back = key(SHARE, 0.1)
    left = key(SHARE, 0.1)
    right = key(SHARE, 0.1)


def _absorption(value: object) -> object:
    if isinstance(value, int | float) and not isinstance(value, bool):
        return dict.fromkeys(model.SURFACES, value)
    if isinstance(value, Mapping):
        return value
    raise ValueError("write one share from 0 to 1, or { floor = 0.3, ceiling = 0.1, ... }")


class RoomEntry(Entry):
    """A box of a room."""

    size = key(SIZE)
    absorption = key(table(AbsorptionEntry, before=_absorption, also="float"), AbsorptionEntry({}))

    def fault(self) -> str:
        """A side that no room has."""
        return "'size' has a side of less than 10 cm: is the unit right?" if min(self.size) < _LEAST_SIDE_M else ""

    def made(self) -> model.Room:
        """The value."""
        return model.Room(self.size, model.Absorption(**self.absorption.values))


class KeepoutEntry(Entry):
    """A space no mic may enter: sphere (radius), upright cylinder (radius, height) or box (size)."""

    name = key(NAME)
    at = key(POINT)
    radius = optional(POSITIVE_LENGTH)
    height = optional(POSITIVE_LENGTH)
    size = optional(SIZE)

    def fault(self) -> str:
        """No shape, or two of them."""
        if (self.radius is None) == (self.size is None):
            return "give 'radius' (a sphere), 'radius' and 'height' (a cylinder), or 'size' (a box)"
        if self.size is not None and self.height is not None:
            return "'height' goes with 'radius'; a box has its height in 'size'"
        return ""

    def made(self) -> model.Keepout:
        """The value."""
        return model.Keepout(self.name, self.at, self.radius, self.height, self.size)


class PanelEntry(Entry):
    """A flat rectangle that reflects."""

    name = key(NAME)
    centre = key(POINT)
    normal = key(DIRECTION)
    size = key(FACE_SIZE)
    absorption = key(SHARE, 0.1)
    turn_degrees = key(number(-360.0, 360.0, "-360 to 360 degrees"), 0.0)

    def fault(self) -> str:
        """A face that looks nowhere."""
        return "" if any(self.normal) else "'normal' is [0, 0, 0]: give the direction its face looks, such as [0, 0, 1]"

    def made(self) -> model.Panel:
        """The value."""
        return model.Panel(self.name, self.centre, self.normal, self.size, self.absorption, self.turn_degrees)
