"""The tables of a scene file about what is meant to happen: what `place` keeps to, and where the recording lies."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic_core.core_schema import ValidationInfo

from micalign.scene import model
from micalign.scene.entry import Entry, key, kind, mapping, optional, table
from micalign.scene.fields import LENGTH, NAME, number

__all__ = ["PlaceEntry", "TakeEntry", "TrackEntry", "WeightsEntry"]


def _channel(value: object, _: ValidationInfo) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 1024:
        raise ValueError(f"{value!r} is no channel: count from 1")
    return value


_CHANNEL = kind(_channel, {"type": "integer", "minimum": 1, "maximum": 1024})
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


class TrackEntry(Entry):
    """A channel of a file."""

    file = key(NAME)
    channel = optional(_CHANNEL)


def _track(value: object) -> object:
    if isinstance(value, str):
        return {"file": value}
    if isinstance(value, Mapping):
        return value
    raise ValueError('write a file name, or { file = "band.wav", channel = 2 }')


class TakeEntry(Entry):
    """The recording: its folder, relative to the scene file, and the file of each mic and DI."""

    folder = key(NAME, ".")
    tracks = key(mapping(table(TrackEntry, before=_track, also="str")), {})

    def made(self) -> model.TakePlan:
        """The value."""
        return model.TakePlan(
            self.folder,
            tuple(model.TrackPlan(name, track.file, track.channel) for name, track in self.tracks.items()),
        )
