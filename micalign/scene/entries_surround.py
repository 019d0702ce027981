"""The tables of a scene file about what surrounds the mics: air, room, keepouts, panels."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Final

from pydantic import BeforeValidator, model_validator

from micalign.scene import model
from micalign.scene.entry import Entry, Share
from micalign.scene.fields import Direction, FaceSize, Name, PointField, PositiveLength, Size, number

__all__ = ["AbsorptionEntry", "AirEntry", "KeepoutEntry", "PanelEntry", "RoomEntry"]


_LEAST_SIDE_M: Final = 0.1


class AirEntry(Entry):
    """The air; ``plus_minus`` is one standard deviation of the reading."""

    temperature_c: Annotated[float, number(-20.0, 50.0, "-20 to 50 degrees Celsius (was it read in Fahrenheit?)")] = (
        20.0
    )
    humidity_percent: Annotated[float, number(0.0, 100.0, "relative humidity is 0 to 100 percent")] = 50.0
    pressure_kpa: Annotated[float, number(40.0, 120.0, "40 to 120 kPa (1013 hPa is 101.3 kPa)")] = 101.325
    temperature_plus_minus_c: Annotated[float, number(0.0, 50.0, "0 to 50 degrees")] = 1.0
    humidity_plus_minus_percent: Annotated[float, number(0.0, 100.0, "0 to 100 percent")] = 10.0

    def made(self) -> model.Air:
        """The value."""
        return model.Air(**self.model_dump())


class AbsorptionEntry(Entry):
    """Absorption of each surface."""

    floor: Share = 0.1
    ceiling: Share = 0.1
    front: Share = 0.1
    back: Share = 0.1
    left: Share = 0.1
    right: Share = 0.1


def _absorption(value: object) -> object:
    if isinstance(value, int | float) and not isinstance(value, bool):
        return dict.fromkeys(model.SURFACES, value)
    if isinstance(value, Mapping | AbsorptionEntry):
        return value
    raise ValueError("write one share from 0 to 1, or { floor = 0.3, ceiling = 0.1, ... }")


class RoomEntry(Entry):
    """A box of a room."""

    size: Size
    absorption: Annotated[
        AbsorptionEntry, BeforeValidator(_absorption, json_schema_input_type=AbsorptionEntry | float)
    ] = AbsorptionEntry()

    @model_validator(mode="after")
    def _holds_something(self) -> RoomEntry:
        if min(self.size) < _LEAST_SIDE_M:
            raise ValueError("'size' has a side of less than 10 cm: is the unit right?")
        return self

    def made(self) -> model.Room:
        """The value."""
        return model.Room(self.size, model.Absorption(**self.absorption.model_dump()))


class KeepoutEntry(Entry):
    """A space no mic may enter: sphere (radius), upright cylinder (radius, height) or box (size)."""

    name: Name
    at: PointField
    radius: PositiveLength | None = None
    height: PositiveLength | None = None
    size: Size | None = None

    @model_validator(mode="after")
    def _one_shape(self) -> KeepoutEntry:
        if (self.radius is None) == (self.size is None):
            raise ValueError("give 'radius' (a sphere), 'radius' and 'height' (a cylinder), or 'size' (a box)")
        if self.size is not None and self.height is not None:
            raise ValueError("'height' goes with 'radius'; a box has its height in 'size'")
        return self

    def made(self) -> model.Keepout:
        """The value."""
        return model.Keepout(self.name, self.at, self.radius, self.height, self.size)


class PanelEntry(Entry):
    """A flat rectangle that reflects."""

    name: Name
    centre: PointField
    normal: Direction
    size: FaceSize
    absorption: Share = 0.1
    turn_degrees: Annotated[float, number(-360.0, 360.0, "-360 to 360 degrees")] = 0.0

    @model_validator(mode="after")
    def _has_a_face(self) -> PanelEntry:
        if not any(self.normal):
            raise ValueError("'normal' is [0, 0, 0]: give the direction its face looks, such as [0, 0, 1]")
        return self

    def made(self) -> model.Panel:
        """The value."""
        return model.Panel(self.name, self.centre, self.normal, self.size, self.absorption, self.turn_degrees)
