"""The keys of the scene file: one class for each table, and what it becomes.

The attribute names are the file's keys; the JSON Schema is made from these classes. Everything a key may hold is
checked in `micalign.scene.fields`.
"""

from __future__ import annotations

from micalign.scene import model
from micalign.scene.entry import Entry, key, optional, table
from micalign.scene.fields import (
    AIM,
    AT,
    GAIN,
    KIND,
    LENGTH_RANGE,
    NAME,
    NAME_PAIR,
    NAMES,
    NUMBER_RANGE,
    PATTERN,
    PLUS_MINUS,
    POLARITY,
    POSITIVE_LENGTH,
    number,
)

__all__ = ["DiEntry", "MicEntry", "PairEntry", "SourceEntry", "TapeEntry"]


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
