"""The tables of the scene file, each a pydantic model whose fields are the file's keys, and what each becomes.

The JSON Schema is made from them. What a key may hold by itself is a type of `micalign.scene.fields`; what is wrong
between keys that are right by themselves is a table's ``fault``. The models build themselves when the first table of
their kind is read, so that a scene without panels does not pay for panels.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from micalign.scene import fields, model
from micalign.scene.tuned import LEAST_SIDE_M, REJECTION_DB

__all__ = [
    "AirEntry",
    "DiEntry",
    "Entry",
    "KeepoutEntry",
    "MicEntry",
    "PairEntry",
    "PanelEntry",
    "PlaceEntry",
    "RoomEntry",
    "SceneEntry",
    "SourceEntry",
    "TakeEntry",
    "TapeEntry",
]


class Entry(BaseModel):
    """One table of the file; an unknown key is a fault."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        fault = self.fault()
        if fault:
            raise ValueError(fault)
        return self

    def fault(self) -> str:
        """What is wrong between the keys, each right by itself; nothing where all is well."""
        return ""


class SourceEntry(Entry):
    """Something that sounds."""

    name: fields.Name
    at: fields.At = model.UNKNOWN
    plus_minus: fields.PlusMinus = Field(0.01, description="One standard deviation of each coordinate; default 1 cm.")
    range_hz: fields.NumberRange | None = None
    sound: fields.Name | None = Field(None, description="What 'simulate' plays for it, such as kick, snare or voice.")
    level_db: fields.Level | None = Field(
        None, description="Its sound pressure level at 1 m; or, given for every source, levels against each other."
    )
    kind: fields.KindName | None = Field(
        None, description="What it is, where its name does not say: it is as loud as its kind unless level_db says."
    )
    size: fields.PositiveLength | None = Field(
        None, description="How wide it is: a mic nearer than that hears no point source."
    )

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

    x: fields.LengthRange | None = None
    y: fields.LengthRange | None = None
    z: fields.LengthRange | None = None


class MicEntry(Entry):
    """A microphone."""

    name: fields.Name
    at: fields.At = model.UNKNOWN
    plus_minus: fields.PlusMinus = Field(0.01, description="One standard deviation of each coordinate; default 1 cm.")
    aim: fields.Aim | None = None
    pattern: fields.PatternName = "omni"
    on: fields.Names = ()
    rejection_db: Annotated[float, fields.number(0.0, 60.0, "0 to 60 dB")] = Field(
        REJECTION_DB, description="How far the null of its pattern really lies below its axis; default 20 dB."
    )
    gain_db: fields.Gain = 0.0
    polarity: fields.Polarity = 1
    move: MoveEntry | None = None
    reach: fields.PositiveLength | None = Field(None, description="How far it may move from where it stands.")
    distance: fields.LengthRange | None = Field(None, description="Wanted distance to what it is on, [from, to].")

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

    name: fields.Name
    of: fields.Name
    latency_ms: Annotated[float, fields.number(-10_000.0, 10_000.0, "-10 000 to 10 000 ms")] = 0.0
    gain_db: fields.Gain = 0.0
    polarity: fields.Polarity = 1

    def made(self) -> model.Di:
        """The value."""
        return model.Di(self.name, self.of, self.latency_ms / 1e3, self.gain_db, self.polarity)


class PairEntry(Entry):
    """Two mics that belong together."""

    name: fields.Name
    mics: fields.NamePair
    equal_to: fields.Names = ()
    tolerance_ms: Annotated[float, fields.number(0.001, 1000.0, "0.001 to 1000 ms")] = 0.05
    centre_on: fields.Name | None = None
    angle_degrees: fields.NumberRange | None = None
    spread: fields.LengthRange | None = None

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

    between: fields.NamePair
    distance: fields.PositiveLength
    plus_minus: fields.PlusMinus = Field(0.01, description="One standard deviation; default 1 cm.")

    def made(self) -> model.Tape:
        """The value."""
        return model.Tape(self.between, self.distance, self.plus_minus)


class AirEntry(Entry):
    """The air; ``plus_minus`` is one standard deviation of the reading."""

    temperature_c: fields.Celsius = 20.0
    humidity_percent: Annotated[float, fields.number(0.0, 100.0, "relative humidity is 0 to 100 percent")] = 50.0
    pressure_kpa: Annotated[float, fields.number(40.0, 120.0, "40 to 120 kPa (1013 hPa is 101.3 kPa)")] = 101.325
    temperature_plus_minus_c: Annotated[float, fields.number(0.0, 50.0, "0 to 50 degrees")] = 1.0
    humidity_plus_minus_percent: Annotated[float, fields.number(0.0, 100.0, "0 to 100 percent")] = 10.0

    def made(self) -> model.Air:
        """The value."""
        return model.Air(**self.model_dump())


class AbsorptionEntry(Entry):
    """Absorption of each surface."""

    floor: fields.Share = 0.1
    ceiling: fields.Share = 0.1
    front: fields.Share = 0.1
    back: fields.Share = 0.1
    left: fields.Share = 0.1
    right: fields.Share = 0.1


class RoomEntry(Entry):
    """A box of a room."""

    size: fields.Size
    absorption: Annotated[
        AbsorptionEntry, BeforeValidator(fields.shares, json_schema_input_type=AbsorptionEntry | float)
    ] = AbsorptionEntry.model_construct()

    def fault(self) -> str:
        """A side that no room has."""
        return "'size' has a side of less than 10 cm: is the unit right?" if min(self.size) < LEAST_SIDE_M else ""

    def made(self) -> model.Room:
        """The value."""
        return model.Room(self.size, model.Absorption(**self.absorption.model_dump()))


class KeepoutEntry(Entry):
    """A space no mic may enter: sphere (radius), upright cylinder (radius, height) or box (size)."""

    name: fields.Name
    at: fields.Position
    radius: fields.PositiveLength | None = None
    height: fields.PositiveLength | None = None
    size: fields.Size | None = None

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

    name: fields.Name
    centre: fields.Position
    normal: fields.Direction
    size: fields.FaceSize
    absorption: fields.Share = 0.1
    turn_degrees: Annotated[float, fields.number(-360.0, 360.0, "-360 to 360 degrees")] = 0.0

    def fault(self) -> str:
        """A face that looks nowhere."""
        return "" if any(self.normal) else "'normal' is [0, 0, 0]: give the direction its face looks, such as [0, 0, 1]"

    def made(self) -> model.Panel:
        """The value."""
        return model.Panel(self.name, self.centre, self.normal, self.size, self.absorption, self.turn_degrees)


class WeightsEntry(Entry):
    """How much each term of the cost counts; 1 is the default."""

    equal: fields.Weight = 1.0
    distance: fields.Weight = 1.0
    spacing: fields.Weight = 1.0
    reflections: fields.Weight = 1.0
    stereo: fields.Weight = 1.0
    move: fields.Weight = 1.0


class PlaceEntry(Entry):
    """What 'place' keeps to."""

    wall_margin: fields.Length = Field(0.2, description="Least distance of a moved mic to a wall; default 20 cm.")
    weights: WeightsEntry = WeightsEntry.model_construct()

    def made(self) -> model.PlacePlan:
        """The value."""
        return model.PlacePlan(self.wall_margin, model.PlaceWeights(**self.weights.model_dump()))


class TrackEntry(Entry):
    """A channel of a file."""

    file: fields.Name
    channel: fields.Channel | None = None


_TrackOrFile = Annotated[TrackEntry, BeforeValidator(fields.file_and_channel, json_schema_input_type=TrackEntry | str)]


class TakeEntry(Entry):
    """The recording: its folder, relative to the scene file, and the file of each mic and DI."""

    folder: fields.Name = "."
    tracks: dict[str, _TrackOrFile] = {}
    alone: dict[str, fields.Alone] = Field({}, description="Where a source sounds alone, as in a line check.")

    def made(self) -> model.TakePlan:
        """The value."""
        return model.TakePlan(
            self.folder,
            tuple(model.TrackPlan(name, track.file, track.channel) for name, track in self.tracks.items()),
            tuple(replace(plan, source=name) for name, plan in self.alone.items()),
        )


class SceneEntry(Entry):
    """A scene file: sources, mics and the room around them."""

    title: str = ""
    length_unit: Literal["m", "cm", "mm", "ft", "in"] = "m"
    air: AirEntry = AirEntry.model_construct()
    room: RoomEntry | None = None
    place: PlaceEntry | None = None
    take: TakeEntry | None = None
    source: list[SourceEntry] = []
    mic: list[MicEntry] = []
    di: list[DiEntry] = []
    pair: list[PairEntry] = []
    tape: list[TapeEntry] = []
    keepout: list[KeepoutEntry] = []
    panel: list[PanelEntry] = []
