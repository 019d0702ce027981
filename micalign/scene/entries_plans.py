"""The tables of a scene file about what is meant to happen: what `place` keeps to, and where the recording lies."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from pydantic import BeforeValidator, Field, WithJsonSchema

from micalign.scene import model
from micalign.scene.entry import Entry
from micalign.scene.fields import Length, Name, number

__all__ = ["PlaceEntry", "TakeEntry", "TrackEntry", "WeightsEntry"]


def _channel(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 1024:
        raise ValueError(f"{value!r} is no channel: count from 1")
    return value


_Channel = Annotated[int, BeforeValidator(_channel), WithJsonSchema({"type": "integer", "minimum": 1, "maximum": 1024})]
_Weight = Annotated[float, number(0.0, 1000.0, "a weight lies between 0 and 1000")]


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
