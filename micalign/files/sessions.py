"""The tracks that one command works on, on one clock: a reference and others, or the take that a scene names.

Tracks that began at other times by their stamps are placed by them (`micalign.files.stamps`); a folder stands for all
its audio files (`micalign.files.listing`).
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from micalign.alignment.session import default_reference
from micalign.errors import SceneError, TakeError, nearest
from micalign.files.audio import each_of_take, each_track
from micalign.files.listing import expanded
from micalign.files.scenes import read_scene
from micalign.files.stamps import Laid, laid_on_one_clock
from micalign.scene.model import Scene
from micalign.take.model import Take, Track

__all__ = ["Clock", "Pairings", "SceneTake", "open_loopback", "open_pairings", "open_recorded", "open_scene"]


@dataclass(frozen=True, slots=True)
class Clock:
    """How tracks come to one clock: whether stamps are passed over, and other rates brought to the reference's."""

    ignore_timestamps: bool = False
    resample: bool = False


@dataclass(frozen=True)
class Pairings:
    """A reference and the tracks to hold against it, on its clock; ``loopback`` is what came back, where one is."""

    reference: Track
    others: tuple[Track, ...]
    laid: Laid
    loopback: Track | None = None


@dataclass(frozen=True)
class SceneTake:
    """A scene with its positions, as far as tapes fix them, and its recording on the reference's clock."""

    scene: Scene
    take: Take
    reference: str
    laid: Laid


def open_pairings(specs: Sequence[str | os.PathLike[str]], clock: Clock | None = None) -> Pairings:
    """The reference, and the tracks to hold against it; a file may be held against itself.

    Raises
    ------
    TakeError
        If a file cannot be read, the rates differ, or there is nothing to hold against the reference.
    """
    listed, notes = expanded(specs)
    first, rest = listed[0], list(listed[1:])
    again = first in rest
    opened = each_track([first, *(spec for spec in rest if spec != first)])
    laid = _laid(opened, opened[0], clock)
    reference, *others = Take(laid.tracks).tracks
    if again:
        others.insert(rest.index(first), reference)
    if not others:
        raise TakeError(f"{first} is the reference, and there is no track to hold against it: name one more file")
    return Pairings(reference, tuple(others), replace(laid, notes=(*notes, *laid.notes)))


def _laid(tracks: Sequence[Track], reference: Track, clock: Clock | None) -> Laid:
    asked = clock or Clock()
    return laid_on_one_clock(tracks, reference, ignore_timestamps=asked.ignore_timestamps, resample=asked.resample)


def open_recorded(
    specs: Sequence[str | os.PathLike[str]], loopback: str | os.PathLike[str], clock: Clock | None = None
) -> Pairings:
    """What was played, the tracks it concerns (the loopback itself where none is named), and the loopback."""
    recorded = open_loopback(specs[0], loopback, clock)
    if len(expanded(specs)[0]) == 1:
        return recorded
    return replace(open_pairings(specs, clock), loopback=recorded.loopback)


def open_loopback(
    played: str | os.PathLike[str], loopback: str | os.PathLike[str], clock: Clock | None = None
) -> Pairings:
    """What was played, and the recording of it that came back; `TakeError` unless each is one channel."""
    first = expanded([played])[0][0]
    found = open_pairings([first, loopback], clock)
    if len(found.others) != 1:
        raise TakeError(
            f"{first} and the loopback {loopback} hold {len(found.others) + 1} channels, one each is needed: name the "
            "channel, as in 'file.wav:1'"
        )
    return replace(found, loopback=found.others[0])


def open_scene(
    scene_path: str | os.PathLike[str], *, reference: str | None = None, clock: Clock | None = None
) -> SceneTake:
    """A scene with its positions and its recording, laid on the clock of the reference.

    Raises
    ------
    SceneError, TakeError
        If scene or tracks cannot be used, or the take has no such reference.
    """
    scene = read_scene(Path(scene_path))
    tracks = each_of_take(scene, scene_path)
    name = reference or default_reference(scene, [track.name for track in tracks])
    first = next((track for track in tracks if track.name == name), None)
    if first is None:
        names = [track.name for track in tracks]
        known = ", ".join(f"'{one}'" for one in names)
        raise TakeError(f"the take has no track '{name}'{nearest(name, names) or f': it has {known}'}")
    laid = _laid(tracks, first, clock)
    return SceneTake(_placed(scene), Take(laid.tracks), name, laid)


def _placed(scene: Scene) -> Scene:
    if scene.is_placed:
        return scene
    from micalign.acoustics.survey import surveyed  # noqa: PLC0415 - only tapes need scipy's least squares

    try:
        return surveyed(scene)
    except SceneError:
        # Positions only narrow a measurement: what is missing is not needed here.
        return scene
