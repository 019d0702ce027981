"""Which of the tracks that a user or a scene names can be opened, and what is wrong with the rest?

Unlike `micalign.files.audio.open_tracks`, a bad file does not hide the good ones, and rates may differ: a check of a
take has to hear of everything at once.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from micalign.errors import TakeError
from micalign.files.audio import audio_info, open_track, open_tracks, recording_of, refuse_unrecorded
from micalign.files.cut_short import crashed_frames
from micalign.files.metadata import time_reference_of
from micalign.files.specs import Spec, find_in, parse_spec
from micalign.scene.model import Scene
from micalign.take.tracks import Track

__all__ = ["Absent", "Inventory", "Present", "inventory_of_scene", "inventory_of_tracks"]


@dataclass(frozen=True, slots=True)
class Present:
    """A track that can be read.

    Parameters
    ----------
    name : str
        What the user calls it: a mic, a DI, or the file's name without the channel.
    channel : int
        Of its file, from 1.
    path : Path
    track : Track
        Called ``name``, with the channel where its file has several.
    start_s : float or None
        When its file begins, in seconds since midnight, where its broadcast extension says so.
    """

    name: str
    channel: int
    path: Path
    track: Track
    start_s: float | None


@dataclass(frozen=True, slots=True)
class Absent:
    """A track that cannot be read, and why.

    Parameters
    ----------
    name, message : str
    kind : str
        ``missing`` (no such file), ``crashed`` (its header was never finished) or ``unreadable``.
    held_frames : int or None
        How many frames of audio lie in a crashed file.
    """

    name: str
    message: str
    kind: Literal["missing", "crashed", "unreadable"]
    held_frames: int | None = None


@dataclass(frozen=True, slots=True)
class Inventory:
    """Who is there and who is not, each in the order they were named."""

    present: tuple[Present, ...]
    absent: tuple[Absent, ...]


def inventory_of_tracks(specs: Iterable[str | os.PathLike[str]]) -> Inventory:
    """The tracks that a command line names; a file of several channels gives them all.

    Raises
    ------
    TakeError
        If not one of them can be read, and none was left by a recorder that stopped: the faults of all together.
    """
    wanted = list(dict.fromkeys(parse_spec(spec) for spec in specs))
    shorts = [one.path.name for one in wanted]
    paths = {one.path for one in wanted}
    alone = {short: sum(path.name == short for path in paths) == 1 for short in shorts}
    named = [(one.path.name if alone[one.path.name] else str(one.path), one) for one in wanted]
    return _answered(named)


def inventory_of_scene(scene: Scene, scene_path: str | os.PathLike[str]) -> Inventory:
    """The tracks that a scene names, called by their mic or DI.

    Raises
    ------
    SceneError
        If the scene names no tracks.
    TakeError
        As `inventory_of_tracks`; or if not one of its files is there.
    """
    plan = recording_of(scene, scene_path)
    folder = find_in(Path(scene_path).parent, plan.folder)
    refuse_unrecorded(plan, folder, scene_path)
    return _answered([(one.name, Spec(find_in(folder, one.file), one.channel)) for one in plan.tracks], single=True)


def _answered(named: list[tuple[str, Spec]], *, single: bool = False) -> Inventory:
    present: list[Present] = []
    absent: list[Absent] = []
    opened: dict[tuple[Path, int], Track] = {}
    for name, one in named:
        try:
            present += _opened(name, one, opened, single=single)
        except TakeError as error:
            absent += [_absent(name, one.path, fault) for fault in error.faults]
    if not present and all(one.kind != "crashed" for one in absent):
        raise TakeError(list(dict.fromkeys(one.message for one in absent)))
    return Inventory(tuple(present), tuple(absent))


def _opened(name: str, one: Spec, opened: dict[tuple[Path, int], Track], *, single: bool) -> list[Present]:
    """The channels that a name stands for; all channels of a file share one decoder."""
    info = audio_info(one.path)
    if single or one.channel is not None or info.channels == 1:
        # For its refusals: a channel that is not there, or not said, or a file without samples.
        open_track(one.path, channel=one.channel)
        channels = [one.channel or 1]
    else:
        channels = list(range(1, info.channels + 1))
    if (one.path, 1) not in opened:
        every = [Spec(one.path, channel).label for channel in range(1, info.channels + 1)]
        for channel, track in enumerate(open_tracks(every).tracks, start=1):
            opened[one.path, channel] = track
    start_s = _start_s(one.path)
    several = len(channels) > 1 or one.channel is not None
    return [
        Present(
            name,
            channel,
            one.path,
            replace(opened[one.path, channel], name=f"{name}:{channel}" if several and not single else name),
            start_s,
        )
        for channel in channels
    ]


def _absent(name: str, path: Path, fault: str) -> Absent:
    try:
        held = crashed_frames(path)
    except TakeError:
        held = None
    if held is not None:
        return Absent(name, fault, "crashed", held)
    return Absent(name, fault, "unreadable" if os.path.lexists(path) else "missing")


def _start_s(path: Path) -> float | None:
    """Seconds since midnight; none where no broadcast extension says so. Recorders without a clock say 0: none too."""
    count = time_reference_of(path)
    return count / audio_info(path).sample_rate if count else None
