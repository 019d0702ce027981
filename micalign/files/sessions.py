"""The tracks that one command works on, on one clock: a reference and others, or the take that a scene names.

Tracks that began at other times by their stamps are placed by them (`micalign.files.stamps`); a folder stands for all
its audio files (`micalign.files.specs`).
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from micalign.alignment.constraints import own_tracks
from micalign.alignment.session import default_reference
from micalign.alignment.solo import FoundAlone, alone_in, found_alone, joined, refuse_silent
from micalign.errors import SceneError, TakeError, nearest
from micalign.files.audio import each_of_take, each_track
from micalign.files.scenes import read_scene
from micalign.files.songs import alone_elsewhere, recorded_in
from micalign.files.specs import expanded
from micalign.files.stamps import Laid, laid_on_one_clock
from micalign.scene.model import Scene, TakePlan
from micalign.scene.quantities import AlonePlan, AloneStretch
from micalign.take.tracks import Take, Track
from micalign.tdoa.delays import Alone

__all__ = [
    "Clock",
    "LineTake",
    "Pairings",
    "SceneTake",
    "open_linecheck",
    "open_loopback",
    "open_pairings",
    "open_recorded",
    "open_scene",
]


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
    """A scene with its positions, as far as tapes fix them, and its recording on the reference's clock.

    ``alone``: where one source sounds alone, in this recording or in one of its own.
    """

    scene: Scene
    take: Take
    reference: str
    laid: Laid
    alone: tuple[Alone, ...] = ()


@dataclass(frozen=True)
class LineTake:
    """The tracks of a line check on one clock, and where each source sounds alone.

    ``own`` names the tracks of each source's own, ``found`` the stretches that were found by themselves, ``unnamed``
    the sources of ``alone`` that nobody named.
    """

    tracks: tuple[Track, ...]
    alone: tuple[Alone, ...]
    scene: Scene | None
    own: Mapping[str, Sequence[str]]
    found: tuple[FoundAlone, ...]
    unnamed: tuple[str, ...]
    notes: tuple[str, ...]


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


def open_linecheck(
    named: Sequence[str],
    *,
    clock: Clock | None = None,
    alone: Sequence[AlonePlan] = (),
    struck: Sequence[AloneStretch] = (),
) -> LineTake:
    """A scene's recording, or the tracks of some files, with the stretches that are given or found.

    What is given for any source is all that counts; only where nothing is, stretches are found.

    Raises
    ------
    SceneError, TakeError
        If scene or tracks cannot be used, a stretch cannot be, or none is given and none is found.
    """
    if len(named) == 1 and (named[0] == "-" or Path(named[0]).suffix.casefold() == ".toml"):
        one = open_scene(named[0], clock=clock, alone=alone)
        own = own_tracks(one.scene, [track.name for track in one.take.tracks])
        return _line_take(one.take, one.alone, one.scene, own, struck, one.laid.notes)
    folders = [plan.source for plan in alone if plan.folder is not None]
    if folders:
        raise TakeError(f"--alone '{folders[0]}': a folder of its own needs a scene, which names the tracks in it")
    pair = open_pairings(named, clock)
    take = Take((pair.reference, *pair.others))
    return _line_take(take, alone_in(take, alone), None, {}, struck, pair.laid.notes)


def _line_take(
    take: Take,
    given: tuple[Alone, ...],
    scene: Scene | None,
    own: Mapping[str, Sequence[str]],
    struck: Sequence[AloneStretch],
    notes: tuple[str, ...],
) -> LineTake:
    if given:
        refuse_silent(given)
        return LineTake(take.tracks, given, scene, own, (), (), notes)
    found = found_alone(take, own, struck=struck)
    if not found:
        raise TakeError(
            "no stretch was found in which one source sounds alone: strike each of them four times or more with pauses "
            'between and nothing else, or say where with --alone "snare=0:05-0:14"'
        )
    alone = joined(take, found)
    return LineTake(take.tracks, alone, scene, own, found, tuple(one.source for one in alone), notes)


def open_scene(
    scene_path: str | os.PathLike[str],
    *,
    reference: str | None = None,
    clock: Clock | None = None,
    alone: Sequence[AlonePlan] = (),
    folder: Path | None = None,
) -> SceneTake:
    """A scene with its positions and its recording, laid on the clock of the reference.

    ``alone`` says of sources where they sound alone, instead of what the scene says of them. ``folder`` holds another
    recording of the same tracks, to be read instead of the scene's own.

    Raises
    ------
    SceneError, TakeError
        If scene or tracks cannot be used, or the take has no such reference.
    """
    own = read_scene(Path(scene_path))
    scene = recorded_in(own, Path(scene_path), folder)
    if folder is not None and own.take is not None:
        alone = [alone_elsewhere(one, own.take.folder) for one in alone]
    tracks = each_of_take(scene, scene_path)
    name = reference or default_reference(scene, [track.name for track in tracks])
    first = next((track for track in tracks if track.name == name), None)
    if first is None:
        names = [track.name for track in tracks]
        known = ", ".join(f"'{one}'" for one in names)
        raise TakeError(f"the take has no track '{name}'{nearest(name, names) or f': it has {known}'}")
    laid = _laid(tracks, first, clock)
    take = Take(laid.tracks)
    return SceneTake(_placed(scene), take, name, laid, _alone(scene, scene_path, take, name, clock, alone))


def _alone(
    scene: Scene,
    scene_path: str | os.PathLike[str],
    take: Take,
    reference: str,
    clock: Clock | None,
    more: Sequence[AlonePlan],
) -> tuple[Alone, ...]:
    """Where sources sound alone: in the take itself, and in recordings that have a folder of their own."""
    known = [source.name for source in scene.sources]
    strange = [plan.source for plan in more if plan.source not in known]
    if strange:
        raise SceneError(
            [f"--alone names '{one}', but no source is called that{nearest(one, known)}" for one in strange]
        )
    plan = scene.take or TakePlan()
    plans = {one.source: one for one in (*plan.alone, *more)}.values()
    found = list(alone_in(take, [one for one in plans if one.folder is None]))
    for one in plans:
        if one.folder is not None:
            there = replace(scene, take=replace(plan, folder=one.folder))
            tracks = each_of_take(there, scene_path)
            first = next((track for track in tracks if track.name == reference), tracks[0])
            found += alone_in(Take(_laid(tracks, first, clock).tracks), [one])
    return tuple(found)


def _placed(scene: Scene) -> Scene:
    if scene.is_placed:
        return scene
    from micalign.acoustics.survey import surveyed  # noqa: PLC0415 - only tapes need scipy's least squares

    try:
        return surveyed(scene)
    except SceneError:
        # Positions only narrow a measurement: what is missing is not needed here.
        return scene
