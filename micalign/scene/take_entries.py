"""The keys of [take]: where the recording lies, the file of each mic and DI, and where one source sounds alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from pydantic_core.core_schema import ValidationInfo

from micalign.scene import model
from micalign.scene.fields import NAME, Entry, key, kind, mapping, optional, table
from micalign.scene.stretches import AlonePlan, alone_plan

__all__ = ["TakeEntry", "TrackEntry"]


def _channel(value: object, _: ValidationInfo) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 1024:
        raise ValueError(f"{value!r} is no channel: count from 1")
    return value


_CHANNEL = kind(_channel, {"type": "integer", "minimum": 1, "maximum": 1024})


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


def _alone(value: object, _: ValidationInfo) -> AlonePlan:
    written: list[object] = value if isinstance(value, list) else [value]
    texts = [text for text in written if isinstance(text, str)]
    if len(texts) < len(written):
        raise ValueError('write times in quotes, as in ["0:05-0:14"], or the folder of a recording of its own')
    return alone_plan("", texts)


_ALONE = kind(
    _alone,
    {
        "anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}],
        "description": 'Stretches of the take: "0:05-0:14", "5.2-14", "240000-672000 samples"; or a folder.',
    },
)


class TakeEntry(Entry):
    """The recording: its folder, relative to the scene file, and the file of each mic and DI."""

    folder = key(NAME, ".")
    tracks = key(mapping(table(TrackEntry, before=_track, also="str")), {})
    alone = key(mapping(_ALONE), {}, told="Where a source sounds alone, as in a line check.")

    def made(self) -> model.TakePlan:
        """The value."""
        return model.TakePlan(
            self.folder,
            tuple(model.TrackPlan(name, track.file, track.channel) for name, track in self.tracks.items()),
            tuple(replace(plan, source=name) for name, plan in self.alone.items()),
        )
