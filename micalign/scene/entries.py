"""The keys of the scene file: one model for each table, and what it becomes.

The field names are the file's keys; the JSON Schema is made from these models. Everything a key may hold is checked
in `micalign.scene.fields`.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator

from micalign.scene import model
from micalign.scene.entries_plans import PlaceEntry, TakeEntry
from micalign.scene.entries_surround import AirEntry, KeepoutEntry, PanelEntry, RoomEntry
from micalign.scene.entry import Entry, Gain
from micalign.scene.fields import (
    Aim,
    AtField,
    LengthRange,
    Name,
    NameOrNames,
    NamePair,
    NumberRange,
    Pattern,
    PlusMinus,
    Polarity,
    PositiveLength,
    number,
)
from micalign.scene.lengths import LENGTH_UNITS

__all__ = ["DiEntry", "MicEntry", "PairEntry", "SceneDocument", "SourceEntry", "TapeEntry"]


def _length_unit(value: object) -> str:
    if value not in LENGTH_UNITS:
        raise ValueError(f"{value!r} is no length unit: write one of {', '.join(LENGTH_UNITS)}")
    return str(value)


_Unit = Annotated[str, BeforeValidator(_length_unit), WithJsonSchema({"enum": list(LENGTH_UNITS)})]


class SourceEntry(Entry):
    """Something that sounds."""

    name: Name
    at: AtField = model.UNKNOWN
    plus_minus: PlusMinus = Field(default=0.01, description="One standard deviation of each coordinate; default 1 cm.")
    range_hz: NumberRange | None = None
    sound: Name | None = Field(default=None, description="What 'simulate' plays for it, such as kick, snare or voice.")

    def made(self) -> model.Source:
        """The value."""
        return model.Source(self.name, self.at, self.plus_minus, self.range_hz, self.sound)


class MoveEntry(Entry):
    """Where a mic may go; an axis left out stays as it is."""

    x: LengthRange | None = None
    y: LengthRange | None = None
    z: LengthRange | None = None


class MicEntry(Entry):
    """A microphone."""

    name: Name
    at: AtField = model.UNKNOWN
    plus_minus: PlusMinus = Field(default=0.01, description="One standard deviation of each coordinate; default 1 cm.")
    aim: Aim | None = None
    pattern: Pattern = "omni"
    on: NameOrNames = ()
    gain_db: Gain = 0.0
    polarity: Polarity = 1
    move: MoveEntry | None = None
    reach: PositiveLength | None = Field(default=None, description="How far it may move from where it stands.")
    distance: LengthRange | None = Field(default=None, description="Wanted distance to what it is on, [from, to].")

    @model_validator(mode="after")
    def _one_way_to_move(self) -> MicEntry:
        if self.move is not None and self.reach is not None:
            raise ValueError("it has both 'move' and 'reach': keep one")
        for axis, known in zip("xyz", self.at, strict=True):
            if self.move is not None and getattr(self.move, axis) is None and known is None:
                raise ValueError(f"'move' needs a range for {axis}, since 'at' does not fix it")
        return self

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

    name: Name
    of: Name
    latency_ms: Annotated[float, number(-10_000.0, 10_000.0, "-10 000 to 10 000 ms")] = 0.0
    gain_db: Gain = 0.0
    polarity: Polarity = 1

    def made(self) -> model.Di:
        """The value."""
        return model.Di(self.name, self.of, self.latency_ms / 1e3, self.gain_db, self.polarity)


class PairEntry(Entry):
    """Two mics that belong together."""

    name: Name
    mics: NamePair
    equal_to: NameOrNames = ()
    tolerance_ms: Annotated[float, number(0.001, 1000.0, "0.001 to 1000 ms")] = 0.05
    centre_on: Name | None = None
    angle_degrees: NumberRange | None = None
    spread: LengthRange | None = None

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

    between: NamePair
    distance: PositiveLength
    plus_minus: PlusMinus = Field(default=0.01, description="One standard deviation; default 1 cm.")

    def made(self) -> model.Tape:
        """The value."""
        return model.Tape(self.between, self.distance, self.plus_minus)


class SceneDocument(Entry):
    """A scene file: sources, mics and the room around them."""

    # Only the schema needs this one whole; a scene is read table by table.
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    title: str = ""
    length_unit: _Unit = "m"
    air: AirEntry = AirEntry()
    room: RoomEntry | None = None
    source: tuple[SourceEntry, ...] = ()
    mic: tuple[MicEntry, ...] = ()
    di: tuple[DiEntry, ...] = ()
    pair: tuple[PairEntry, ...] = ()
    tape: tuple[TapeEntry, ...] = ()
    keepout: tuple[KeepoutEntry, ...] = ()
    panel: tuple[PanelEntry, ...] = ()
    place: PlaceEntry | None = None
    take: TakeEntry | None = None
