"""The tracks that one command works on: a reference and others, or the take that a scene names."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from micalign.errors import SceneError, TakeError
from micalign.files.audio import open_take, open_tracks
from micalign.files.scenes import read_scene
from micalign.scene.model import Scene
from micalign.take.model import Take, Track

__all__ = ["open_loopback", "open_pairings", "open_recorded", "open_scene"]


def open_pairings(specs: Sequence[str | os.PathLike[str]]) -> tuple[Track, tuple[Track, ...]]:
    """The reference, and the tracks to hold against it; a file may be held against itself.

    Raises
    ------
    TakeError
        If a file cannot be read, the rates differ, or there is nothing to hold against the reference.
    """
    first, rest = str(specs[0]), [str(spec) for spec in specs[1:]]
    again = first in rest
    opened = open_tracks([first, *(spec for spec in rest if spec != first)]).tracks
    others = list(opened[1:])
    if again:
        others.insert(rest.index(first), opened[0])
    if not others:
        raise TakeError(f"{first} is the reference, and there is no track to hold against it: name one more file")
    return opened[0], tuple(others)


def open_recorded(
    specs: Sequence[str | os.PathLike[str]], loopback: str | os.PathLike[str]
) -> tuple[Track, tuple[Track, ...], Track]:
    """What was played, the tracks it concerns (the loopback itself where none is named), and the loopback."""
    played, recorded = open_loopback(specs[0], loopback)
    if len(specs) == 1:
        return played, (recorded,), recorded
    return *open_pairings(specs), recorded


def open_loopback(played: str | os.PathLike[str], loopback: str | os.PathLike[str]) -> tuple[Track, Track]:
    """What was played, and the recording of it that came back; `TakeError` unless each is one channel."""
    first, others = open_pairings([played, loopback])
    if len(others) != 1:
        raise TakeError(
            f"{played} and the loopback {loopback} hold {len(others) + 1} channels, one each is needed: name the "
            "channel, as in 'file.wav:1'"
        )
    return first, others[0]


def open_scene(scene_path: str | os.PathLike[str]) -> tuple[Scene, Take]:
    """A scene with its positions, as far as tapes fix them, and the recording it names."""
    scene = read_scene(Path(scene_path))
    return _placed(scene), open_take(scene, scene_path)


def _placed(scene: Scene) -> Scene:
    if scene.is_placed:
        return scene
    from micalign.acoustics.survey import surveyed  # noqa: PLC0415 - only tapes need scipy's least squares

    try:
        return surveyed(scene)
    except SceneError:
        # Positions only narrow a measurement: what is missing is not needed here.
        return scene
