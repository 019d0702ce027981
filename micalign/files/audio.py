"""Which tracks do the names mean that a user or a scene gives, and which of them can be opened?

A name is ``file.wav`` or ``file.wav:2`` (channels count from 1); what a folder stands for is the matter of
`micalign.files.songs`. A name that is itself a file wins over the reading as file and channel, so a colon in a file's
name does no harm.

`open_track` gives one channel, `open_tracks` what a command line names, `open_take` what a scene names; samples are
float64 with full scale +-1. An `Inventory` is for a check of a take, which has to hear of everything at once: there a
bad file does not hide the good ones, and rates may differ.
"""

from __future__ import annotations

import os
import re
import shlex
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path, PureWindowsPath
from typing import TYPE_CHECKING, Final, Literal

from micalign.alignment.shift import rate_of_original
from micalign.errors import SceneError, TakeError
from micalign.files.decode import AudioFile, AudioInfo, ChannelSamples
from micalign.files.headers import crashed_frames
from micalign.files.metadata import time_reference_of
from micalign.take.tracks import Take, Track, as_recorded

if TYPE_CHECKING:
    from micalign.scene.scene import Scene

__all__ = [
    "Absent",
    "Inventory",
    "Present",
    "Spec",
    "audio_info",
    "each_of_take",
    "each_track",
    "find_in",
    "inventory_of_scene",
    "inventory_of_tracks",
    "open_take",
    "open_track",
    "open_tracks",
    "original_of",
    "parse_spec",
    "real_path",
    "refuse_changed",
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
    specs : str or path, or iterable of them
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
    # One name alone is a text, whose letters are no files.
    listed: Iterable[str | os.PathLike[str]] = [specs] if isinstance(specs, str | os.PathLike) else specs
    for wanted in map(parse_spec, listed):
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
    >>> from micalign.scene.scene import Scene
    >>> scene = Scene(sources=(Source("oud", (2.0, 2.0, 0.7)),), mics=(Mic("room", (2.0, 3.0, 0.7)),))
    >>> open_take(scene, "barn.toml")
    Traceback (most recent call last):
    micalign.errors.SceneError: barn.toml names no recording: add [take] with a folder and [take.tracks]
    """
    return Take(each_of_take(scene, scene_path))


def each_of_take(scene: Scene, scene_path: str | os.PathLike[str]) -> tuple[Track, ...]:
    """The same, of any rates."""
    files: dict[Path, AudioFile] = {}
    tracks: list[Track] = []
    faults: list[str] = []
    for name, wanted in _recorded(scene, scene_path):
        try:
            tracks.append(_channel(_shared(files, wanted.path), wanted, name))
        except TakeError as error:
            faults += [f"track '{name}': {fault}" for fault in error.faults]
    if faults:
        raise TakeError(faults)
    _refuse_shared(tracks)
    return tuple(tracks)


def original_of(track: Track) -> tuple[AudioInfo, int]:
    """The file a track comes from and its channel in it, from 1."""
    samples = _samples_of(track)
    if samples is None:
        raise TakeError(f"track '{track.name}' does not come from a file")
    return samples.file.info, samples.channel + 1


def refuse_changed(tracks: Iterable[Track]) -> None:
    """`TakeError` where the file of a track was replaced or written to since it was opened: all of them together."""
    files = {id(one.file): one.file for track in tracks if (one := _samples_of(track)) is not None}
    faults: list[str] = []
    for file in files.values():
        try:
            file.refuse_changed()
        except TakeError as error:
            faults += error.faults
    if faults:
        raise TakeError(faults)


_CHANNEL: Final = re.compile(r"(?s)(.+):([0-9]{1,9})")


@dataclass(frozen=True, slots=True)
class Spec:
    """A file and, where the user said so, one of its channels (from 1)."""

    path: Path
    channel: int | None = None

    @property
    def label(self) -> str:
        """What to call it in a sentence: the path and the channel."""
        return str(self.path) if self.channel is None else f"{self.path}:{self.channel}"

    @property
    def short(self) -> str:
        """What to call its track: the file's name and the channel."""
        return self.path.name if self.channel is None else f"{self.path.name}:{self.channel}"


def parse_spec(spec: str | os.PathLike[str], channel: int | None = None) -> Spec:
    """The file and channel that ``spec`` names; an explicit ``channel`` wins.

    >>> spec = parse_spec("bass.wav:2")
    >>> spec.path.name, spec.channel, parse_spec("bass.wav").channel
    ('bass.wav', 2, None)
    """
    text = os.fspath(spec)
    match = _CHANNEL.fullmatch(text)
    if channel is not None or match is None or _exists(text):
        return Spec(Path(text), channel)
    return Spec(Path(match[1]), int(match[2]))


def find_in(folder: Path, name: str) -> Path:
    """``name`` in ``folder``; backslashes part folders where no file has them in its name.

    >>> find_in(Path("takes"), "first\\\\kick.wav").as_posix()
    'takes/first/kick.wav'
    """
    plain = folder / name
    if "\\" not in name or _exists(plain):
        return plain
    return folder / PureWindowsPath(name).as_posix()


def real_path(path: Path) -> Path:
    """The one path of a file that several name, by links too; a name that no file can have as it is: opening says so.

    >>> real_path(Path("takes/../kick.wav")) == real_path(Path("kick.wav"))
    True
    """
    try:
        return Path(os.path.realpath(path))
    except ValueError:
        return path


def _exists(path: str | Path) -> bool:
    try:
        return os.path.lexists(path)
    except ValueError:
        return False


def _samples_of(track: Track) -> ChannelSamples | None:
    """The channel of a file that a track was made of, placed or resampled; None where it comes from no file."""
    samples = rate_of_original(as_recorded(track)[0])[0].samples
    return samples if isinstance(samples, ChannelSamples) else None


def _recorded(scene: Scene, scene_path: str | os.PathLike[str]) -> list[tuple[str, Spec]]:
    """Each track that a scene names, and its file; `SceneError` where it names none, `TakeError` where no file is."""
    if scene.take is not None and not scene.take.tracks and scene.track_names:
        raise SceneError(
            f"{scene_path} says in [take] where the files lie and not which is whose: add [take.tracks] with a line "
            f'for each, such as "{scene.track_names[0]}" = "FILE.wav"'
        )
    if scene.take is None or not scene.take.tracks:
        raise SceneError(f"{scene_path} names no recording: add [take] with a folder and [take.tracks]")
    folder = find_in(Path(scene_path).parent, scene.take.folder)
    named = [(one.name, Spec(find_in(folder, one.file), one.channel)) for one in scene.take.tracks]
    if not any(os.path.lexists(spec.path) for _, spec in named):
        made = shlex.join(["micalign", "simulate", str(scene_path)])
        raise TakeError(
            f"{folder}: none of the take's {len(named)} files is there, such as {scene.take.tracks[0].file}: record "
            f"them, correct [take] in the scene, or make a take to try: {made}"
        )
    return named


def _shared(files: dict[Path, AudioFile], path: Path) -> AudioFile:
    """One decoder for all tracks of a file, whatever path names it."""
    key = real_path(path)
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
    return _answered(_recorded(scene, scene_path), single=True)


def _answered(named: list[tuple[str, Spec]], *, single: bool = False) -> Inventory:
    present: list[Present] = []
    absent: list[Absent] = []
    files: dict[Path, AudioFile] = {}
    for name, one in named:
        try:
            found = _present(name, one, _shared(files, one.path), single=single)
            # A file and one of its channels are no two tracks; a scene's mics are, and should not share one.
            heard = {(one.path, one.channel) for one in present} if not single else set()
            present += [one for one in found if (one.path, one.channel) not in heard]
        except TakeError as error:
            absent += [_absent(name, one.path, fault) for fault in error.faults]
    if not present and all(one.kind != "crashed" for one in absent):
        raise TakeError(list(dict.fromkeys(one.message for one in absent)))
    return Inventory(tuple(present), tuple(absent))


def _present(name: str, one: Spec, file: AudioFile, *, single: bool) -> list[Present]:
    """The channels that a name stands for; all channels of a file share one decoder."""
    wanted = (one,) if single else _channels_of(file, one)
    several = not single and (len(wanted) > 1 or one.channel is not None)
    stamp = time_reference_of(one.path)
    # A recorder without a clock says 0.
    start_s = stamp / file.info.sample_rate if stamp else None
    return [
        Present(
            name,
            spec.channel or 1,
            one.path,
            _channel(file, spec, f"{name}:{spec.channel}" if several else name),
            start_s,
        )
        for spec in wanted
    ]


def _absent(name: str, path: Path, fault: str) -> Absent:
    try:
        held = crashed_frames(path)
    except TakeError:
        held = None
    if held is not None:
        return Absent(name, fault, "crashed", held)
    return Absent(name, fault, "unreadable" if os.path.lexists(path) else "missing")
