"""The keys of the scene file: one class for each table, and what it becomes.

The attribute names are the file's keys; the JSON Schema is made from these classes. Everything a key may hold is
checked in `micalign.scene.fields`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from micalign.scene import model
from micalign.scene.fields import (
    AIM,
    AT,
    DIRECTION,
    FACE_SIZE,
    GAIN,
    KIND,
    LENGTH,
    LENGTH_RANGE,
    NAME,
    NAME_PAIR,
    NAMES,
    NUMBER_RANGE,
    PATTERN,
    PLUS_MINUS,
    POINT,
    POLARITY,
    POSITIVE_LENGTH,
    SHARE,
    SIZE,
    Entry,
    key,
    number,
    optional,
    table,
)

__all__ = [
    "AirEntry",
    "DiEntry",
    "KeepoutEntry",
    "MicEntry",
    "PairEntry",
    "PanelEntry",
    "PlaceEntry",
    "RoomEntry",
    "SourceEntry",
    "TapeEntry",
]

_LEAST_SIDE_M: Final = 0.1  # metres: what is smaller was given in another unit


class SourceEntry(Entry):
    """Something that sounds."""

    name = key(NAME)
    at = key(AT, model.UNKNOWN)
    plus_minus = key(PLUS_MINUS, 0.01, told="One standard deviation of each coordinate; default 1 cm.")
    range_hz = optional(NUMBER_RANGE)
    sound = optional(NAME, told="What 'simulate' plays for it, such as kick, snare or voice.")
    level_db = optional(
        number(-100.0, 150.0, "a level at 1 m lies between -100 and 150 dB"),
        told="Its sound pressure level at 1 m; or, given for every source, levels against each other.",
    )
    kind = optional(KIND, told="What it is, where its name does not say: tells how loud it is unless level_db does.")
    size = optional(POSITIVE_LENGTH, told="How wide it is: a mic nearer than that hears no point source.")

    def made(self) -> model.Source:
        """The value."""
        return model.Source(
            self.name,
            self.at,
            self.plus_minus,
            range_hz=self.range_hz,
            sound=self.sound,
            level_db=self.level_db,
            kind=self.kind,
            size_m=self.size,
        )


class MoveEntry(Entry):
    """Where a mic may go; an axis left out stays as it is."""

    x = optional(LENGTH_RANGE)
    y = optional(LENGTH_RANGE)
    z = optional(LENGTH_RANGE)


class MicEntry(Entry):
    """A microphone."""

    name = key(NAME)
    at = key(AT, model.UNKNOWN)
    plus_minus = key(PLUS_MINUS, 0.01, told="One standard deviation of each coordinate; default 1 cm.")
    aim = optional(AIM)
    pattern = key(PATTERN, "omni")
    on = key(NAMES, ())
    rejection_db = key(
        number(0.0, 60.0, "0 to 60 dB"),
        model.REJECTION_DB,
        told="How far the null of its pattern really lies below its axis; default 20 dB.",
    )
    gain_db = key(GAIN, 0.0)
    polarity = key(POLARITY, 1)
    move = optional(table(MoveEntry))
    reach = optional(POSITIVE_LENGTH, told="How far it may move from where it stands.")
    distance = optional(LENGTH_RANGE, told="Wanted distance to what it is on, [from, to].")

    def fault(self) -> str:
        """Two ways to move at once, or an axis that nothing fixes."""
        if self.move is not None and self.reach is not None:
            return "it has both 'move' and 'reach': keep one"
        for axis, known in zip("xyz", self.at, strict=True):
            if self.move is not None and getattr(self.move, axis) is None and known is None:
                return f"'move' needs a range for {axis}, since 'at' does not fix it"
        return ""

    def made(self) -> model.Mic:
        """The value."""
        return model.Mic(
            self.name,
            self.at,
            self.plus_minus,
            aim=self.aim,
            pattern=self.pattern,
            on=self.on,
            gain_db=self.gain_db,
            polarity=self.polarity,
            move=self._box(),
            reach_m=self.reach,
            distance_m=self.distance,
            rejection_db=self.rejection_db,
        )

    def _box(self) -> model.Box | None:
        if self.move is None:
            return None
        x, y, z = (
            wanted or (known or 0.0, known or 0.0)
            for wanted, known in zip((self.move.x, self.move.y, self.move.z), self.at, strict=True)
        )
        return model.Box(x, y, z)


class DiEntry(Entry):
    """A direct line from a source."""

    name = key(NAME)
    of = key(NAME)
    latency_ms = key(number(-10_000.0, 10_000.0, "-10 000 to 10 000 ms"), 0.0)
    gain_db = key(GAIN, 0.0)
    polarity = key(POLARITY, 1)

    def made(self) -> model.Di:
        """The value."""
        return model.Di(self.name, self.of, self.latency_ms / 1e3, self.gain_db, self.polarity)


class PairEntry(Entry):
    """Two mics that belong together."""

    name = key(NAME)
    mics = key(NAME_PAIR)
    equal_to = key(NAMES, ())
    tolerance_ms = key(number(0.001, 1000.0, "0.001 to 1000 ms"), 0.05)
    centre_on = optional(NAME)
    angle_degrees = optional(NUMBER_RANGE)
    spread = optional(LENGTH_RANGE)

    def made(self) -> model.Pair:
        """The value."""
        return model.Pair(
            self.name,
            self.mics,
            self.equal_to,
            self.tolerance_ms / 1e3,
            self.centre_on,
            self.angle_degrees,
            self.spread,
        )


class TapeEntry(Entry):
    """A distance measured with a tape."""

    between = key(NAME_PAIR)
    distance = key(POSITIVE_LENGTH)
    plus_minus = key(PLUS_MINUS, 0.01, told="One standard deviation; default 1 cm.")

    def made(self) -> model.Tape:
        """The value."""
        return model.Tape(self.between, self.distance, self.plus_minus)


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


_WEIGHT = number(0.0, 1000.0, "a weight lies between 0 and 1000")


class WeightsEntry(Entry):
    """How much each wish counts; 1 is the default."""

    equal = key(_WEIGHT, 1.0)
    distance = key(_WEIGHT, 1.0)
    spacing = key(_WEIGHT, 1.0)
    reflections = key(_WEIGHT, 1.0)
    stereo = key(_WEIGHT, 1.0)
    move = key(_WEIGHT, 1.0)


class PlaceEntry(Entry):
    """What 'place' keeps to."""

    wall_margin = key(LENGTH, 0.2, told="Least distance of a moved mic to a wall; default 20 cm.")
    weights = key(table(WeightsEntry), WeightsEntry({}))

    def made(self) -> model.PlaceWishes:
        """The value."""
        return model.PlaceWishes(self.wall_margin, model.PlaceWeights(**self.weights.values))
