"""Tracks out of audio files, and audio files out of tracks: rate, subtype and metadata kept, originals untouched.

Reading: `open_track` for one channel, `open_tracks` for what a command line names, `open_take` for what a scene
names. Channels count from 1, samples are float64 with full scale +-1. Writing: `write_audio`, whole or not at all.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

from micalign.alignment.resample import rate_of_original
from micalign.errors import SceneError, TakeError
from micalign.files.cut_short import crashed_frames
from micalign.files.decode import AudioFile, AudioInfo, ChannelSamples
from micalign.files.encode import Written, write_audio
from micalign.files.metadata import Moved
from micalign.files.specs import Spec, find_in, parse_spec
from micalign.scene.model import Scene, TakePlan, TrackPlan
from micalign.take.tracks import Take, Track, as_recorded

__all__ = [
    "AudioInfo",
    "Moved",
    "Written",
    "audio_info",
    "crashed_frames",
    "each_of_take",
    "each_track",
    "open_take",
    "open_track",
    "open_tracks",
    "recording_of",
    "refuse_changed",
    "refuse_unrecorded",
    "write_audio",
]


def audio_info(path: str | os.PathLike[str]) -> AudioInfo:
    """What the header of an audio file says; `TakeError` where it cannot be read."""
    return AudioFile(Path(path)).info


def open_track(spec: str | os.PathLike[str], *, name: str | None = None, channel: int | None = None) -> Track:
    """One channel of an audio file as a track.

    Parameters
    ----------
    spec : str or path
        A file, or a file and a channel: ``bass.wav:2``.
    name : str, optional
        What to call the track; the file's name (with the channel, where one is said) if left out.
    channel : int, optional
        The channel, from 1; needed where the file has several and ``spec`` names none.

    Raises
    ------
    TakeError
        If the file cannot be read, has no samples, or the channel is missing or not in it.

    Examples
    --------
    >>> open_track("no.wav")
    Traceback (most recent call last):
    micalign.errors.TakeError: no.wav cannot be read: there is no such file: is the name spelled right, and the folder?
    """
    wanted = parse_spec(spec, channel)
    return _channel(_opened(wanted.path), wanted, name or wanted.short)


def open_tracks(specs: Iterable[str | os.PathLike[str]]) -> Take:
    """The tracks that a command line names, of one rate.

    Parameters
    ----------
    specs : iterable of str or path
        Files, or files and channels, ``band.wav:2``. A file of several channels named without a channel gives all of
        them, called ``band.wav:1``, ``band.wav:2``, and so on.

    Raises
    ------
    TakeError
        If a file cannot be read, the rates differ, or a track is named twice; the faults of all files together.

    Examples
    --------
    >>> import tempfile
    >>> import numpy as np
    >>> from micalign.files.encode import write_audio
    >>> path = Path(tempfile.mkdtemp()) / "band.wav"
    >>> written = write_audio(path, [np.zeros((480, 2))], sample_rate=48000, channels=2)
    >>> [track.name for track in open_tracks([path]).tracks]
    ['band.wav:1', 'band.wav:2']
    """
    return Take(each_track(specs))


def each_track(specs: Iterable[str | os.PathLike[str]]) -> tuple[Track, ...]:
    """The tracks that a command line names, of any rates.

    A file of several channels named without a channel gives all of them, called ``file.wav:1``, ``file.wav:2``, and
    so on. Tracks are called by their file's name; where two files of different folders share it, by their path.

    Raises
    ------
    TakeError
        If a file cannot be read; the faults of all files together.
    """
    files: dict[Path, AudioFile] = {}
    found: list[tuple[AudioFile, Spec]] = []
    faults: list[str] = []
    for wanted in map(parse_spec, specs):
        try:
            file = _shared(files, wanted.path)
            for one in _channels_of(file, wanted):
                _index(file, one)
                found.append((file, one))
        except TakeError as error:
            faults += error.faults
    if faults:
        raise TakeError(list(dict.fromkeys(faults)))
    shorts = Counter(one.short for _, one in found)
    names = [one.short if shorts[one.short] == 1 else one.label for _, one in found]
    return tuple(_channel(file, one, name) for (file, one), name in zip(found, names, strict=True))


def refuse_changed(tracks: Iterable[Track]) -> None:
    """`TakeError` where the file of a track was replaced or written to since it was opened: all of them together."""
    files = {id(file): file for track in tracks if (file := _file_of(track)) is not None}
    faults: list[str] = []
    for file in files.values():
        try:
            file.refuse_changed()
        except TakeError as error:
            faults += error.faults
    if faults:
        raise TakeError(faults)


def _file_of(track: Track) -> AudioFile | None:
    samples = rate_of_original(as_recorded(track)[0])[0].samples
    return samples.file if isinstance(samples, ChannelSamples) else None


def recording_of(scene: Scene, scene_path: str | os.PathLike[str]) -> TakePlan:
    """The recording that a scene names; `SceneError` where it names none."""
    if scene.take is not None and not scene.take.tracks and scene.track_names:
        raise SceneError(
            f"{scene_path} says in [take] where the files lie and not which is whose: add [take.tracks] with a line "
            f'for each, such as "{scene.track_names[0]}" = "FILE.wav"'
        )
    if scene.take is None or not scene.take.tracks:
        raise SceneError(f"{scene_path} names no recording: add [take] with a folder and [take.tracks]")
    return scene.take


def open_take(scene: Scene, scene_path: str | os.PathLike[str]) -> Take:
    """The recording that a scene names; tracks are called by their mic or DI.

    Parameters
    ----------
    scene : Scene
        A scene with a ``[take]``.
    scene_path : path
        The scene file; the take's folder is relative to its folder.

    Raises
    ------
    SceneError
        If the scene names no tracks, or one channel of one file for two of them.
    TakeError
        If a file cannot be read or the rates differ; the faults of all files together.

    Examples
    --------
    >>> from micalign.scene.model import Mic, Source
    >>> scene = Scene(sources=(Source("oud", (2.0, 2.0, 0.7)),), mics=(Mic("room", (2.0, 3.0, 0.7)),))
    >>> open_take(scene, "barn.toml")
    Traceback (most recent call last):
    micalign.errors.SceneError: barn.toml names no recording: add [take] with a folder and [take.tracks]
    """
    return Take(each_of_take(scene, scene_path))


def each_of_take(scene: Scene, scene_path: str | os.PathLike[str]) -> tuple[Track, ...]:
    """The same, of any rates."""
    plan = recording_of(scene, scene_path)
    folder = find_in(Path(scene_path).parent, plan.folder)
    refuse_unrecorded(plan, folder, scene_path)
    files: dict[Path, AudioFile] = {}
    tracks: list[Track] = []
    faults: list[str] = []
    for wanted in plan.tracks:
        try:
            tracks.append(_planned(files, folder, wanted))
        except TakeError as error:
            faults += [f"track '{wanted.name}': {fault}" for fault in error.faults]
    if faults:
        raise TakeError(faults)
    _refuse_shared(tracks)
    return tuple(tracks)


def refuse_unrecorded(plan: TakePlan, folder: Path, scene_path: str | os.PathLike[str]) -> None:
    """`TakeError` where not one file of a take is there: nothing was recorded yet, or its folder is another."""
    if not any(os.path.lexists(find_in(folder, wanted.file)) for wanted in plan.tracks):
        raise TakeError(
            f"{folder}: none of the take's {len(plan.tracks)} files is there, such as {plan.tracks[0].file}: record "
            f"them, correct [take] in the scene, or make a take to try with 'micalign simulate {scene_path}'"
        )


def _planned(files: dict[Path, AudioFile], folder: Path, plan: TrackPlan) -> Track:
    spec = Spec(find_in(folder, plan.file), plan.channel)
    return _channel(_shared(files, spec.path), spec, plan.name)


def _shared(files: dict[Path, AudioFile], path: Path) -> AudioFile:
    """One decoder for all tracks of a file, whatever path names it."""
    try:
        key = Path(os.path.realpath(path))
    except ValueError:  # a name that no file can have; opening it says so
        key = path
    if key not in files:
        files[key] = _opened(path)
    return files[key]


def _opened(path: Path) -> AudioFile:
    file = AudioFile(path)
    if file.info.frames == 0:
        raise TakeError(f"{path} holds no samples: copy it anew, or leave it out")
    return file


def _channels_of(file: AudioFile, wanted: Spec) -> Sequence[Spec]:
    if wanted.channel is not None or file.info.channels == 1:
        return (wanted,)
    return [Spec(wanted.path, channel) for channel in range(1, file.info.channels + 1)]


def _channel(file: AudioFile, wanted: Spec, name: str) -> Track:
    return Track(name, file.info.sample_rate, file.info.frames, ChannelSamples(file, _index(file, wanted)))


def _index(file: AudioFile, wanted: Spec) -> int:
    """The channel wanted, from 0; `TakeError` where it is not said or not there."""
    count = file.info.channels
    if wanted.channel is None and count > 1:
        raise TakeError(
            f"{wanted.path} has {count} channels: say which, '{wanted.path.name}:1' to '{wanted.path.name}:{count}'"
        )
    channel = 1 if wanted.channel is None else wanted.channel
    if not 1 <= channel <= count:
        has = "only one channel" if count == 1 else f"{count} channels, counted from 1"
        raise TakeError(f"{wanted.path} has no channel {channel}: it has {has}")
    return channel - 1


def _refuse_shared(tracks: Sequence[Track]) -> None:
    seen: dict[tuple[int, int], str] = {}
    for track in tracks:
        samples = track.samples
        if isinstance(samples, ChannelSamples):
            key = (id(samples.file), samples.channel)
            if key in seen:
                raise SceneError(
                    f"[take.tracks] gives '{seen[key]}' and '{track.name}' the same channel of one file "
                    f"({samples.file.info.path}:{samples.channel + 1}): give each its own"
                )
            seen[key] = track.name
