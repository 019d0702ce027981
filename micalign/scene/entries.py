"""The keys of the scene file: one model for each table, and what it becomes.

The field names are the file's keys; the JSON Schema is made from these models. Everything a key may hold is checked
in `micalign.scene.fields`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator

from micalign.scene import model
from micalign.scene.fields import (
    Aim,
    AtField,
    Direction,
    FaceSize,
    Length,
    LengthRange,
    Name,
    NameOrNames,
    NamePair,
    NumberRange,
    Pattern,
    PointField,
    Polarity,
    Positive,
    PositiveLength,
    Size,
    number,
)
from micalign.scene.lengths import LENGTH_UNITS

__all__ = ["Entry", "SceneDocument"]


class Entry(BaseModel):
    """One table of the file; an unknown key is a fault."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def _channel(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 1024:
        raise ValueError(f"{value!r} is no channel: count from 1")
    return value


def _length_unit(value: object) -> str:
    if value not in LENGTH_UNITS:
        raise ValueError(f"{value!r} is no length unit: write one of {', '.join(LENGTH_UNITS)}")
    return str(value)


_Gain = Annotated[float, number(-200.0, 100.0, "a level in dB lies between -200 and 100")]
_Share = Annotated[float, number(0.0, 1.0, "an absorption is a share of the energy, 0 to 1 (30 % is 0.30)")]
_Channel = Annotated[int, BeforeValidator(_channel), WithJsonSchema({"type": "integer", "minimum": 1, "maximum": 1024})]
_Weight = Annotated[float, number(0.0, 1000.0, "a weight lies between 0 and 1000")]
_Unit = Annotated[str, BeforeValidator(_length_unit), WithJsonSchema({"enum": list(LENGTH_UNITS)})]


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

    floor: _Share = 0.1
    ceiling: _Share = 0.1
    front: _Share = 0.1
    back: _Share = 0.1
    left: _Share = 0.1
    right: _Share = 0.1


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

    def made(self) -> model.Room:
        """The value."""
        return model.Room(self.size, model.Absorption(**self.absorption.model_dump()))


class SourceEntry(Entry):
    """Something that sounds."""

    name: Name
    at: AtField = model.UNKNOWN
    plus_minus: PositiveLength = Field(
        default=0.01, description="One standard deviation of each coordinate; default 1 cm."
    )
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
    plus_minus: PositiveLength = Field(
        default=0.01, description="One standard deviation of each coordinate; default 1 cm."
    )
    aim: Aim | None = None
    pattern: Pattern = "omni"
    on: NameOrNames = ()
    gain_db: _Gain = 0.0
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
    gain_db: _Gain = 0.0
    polarity: Polarity = 1

    def made(self) -> model.Di:
        """The value."""
        return model.Di(self.name, self.of, self.latency_ms / 1e3, self.gain_db, self.polarity)


class PairEntry(Entry):
    """Two mics that belong together."""

    name: Name
    mics: NamePair
    equal_to: NameOrNames = ()
    tolerance_ms: Positive = 0.05
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
    plus_minus: PositiveLength = Field(default=0.01, description="One standard deviation; default 1 cm.")

    def made(self) -> model.Tape:
        """The value."""
        return model.Tape(self.between, self.distance, self.plus_minus)


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
    absorption: _Share = 0.1
    turn_degrees: Annotated[float, number(-360.0, 360.0, "-360 to 360 degrees")] = 0.0

    @model_validator(mode="after")
    def _has_a_face(self) -> PanelEntry:
        if not any(self.normal):
            raise ValueError("'normal' is [0, 0, 0]: give the direction its face looks, such as [0, 0, 1]")
        return self

    def made(self) -> model.Panel:
        """The value."""
        return model.Panel(self.name, self.centre, self.normal, self.size, self.absorption, self.turn_degrees)


class WeightsEntry(Entry):
    """How much each wish counts; 1 is the default."""

    equal: _Weight = 1.0
    distance: _Weight = 1.0
    spacing: _Weight = 1.0
    reflections: _Weight = 1.0
    stereo: _Weight = 1.0
    move: _Weight = 1.0


class PlaceEntry(Entry):
    """What 'place' keeps to."""

    wall_margin: Length = Field(default=0.2, description="Least distance of a moved mic to a wall; default 20 cm.")
    weights: WeightsEntry = WeightsEntry()

    def made(self) -> model.PlaceWishes:
        """The value."""
        return model.PlaceWishes(self.wall_margin, model.PlaceWeights(**self.weights.model_dump()))


class TrackEntry(Entry):
    """A channel of a file."""

    file: Name
    channel: _Channel | None = None


def _track(value: object) -> object:
    if isinstance(value, str):
        return {"file": value}
    if isinstance(value, Mapping | TrackEntry):
        return value
    raise ValueError('write a file name, or { file = "band.wav", channel = 2 }')


_TrackField = Annotated[TrackEntry, BeforeValidator(_track, json_schema_input_type=TrackEntry | str)]


class TakeEntry(Entry):
    """The recording: its folder, relative to the scene file, and the file of each mic and DI."""

    folder: Name = "."
    tracks: dict[str, _TrackField] = Field(default_factory=dict)

    def made(self) -> model.TakePlan:
        """The value."""
        return model.TakePlan(
            self.folder,
            tuple(model.TrackPlan(name, track.file, track.channel) for name, track in self.tracks.items()),
        )


class SceneDocument(Entry):
    """A scene file: sources, mics and the room around them."""

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
