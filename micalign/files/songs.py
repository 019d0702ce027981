"""Which audio files and songs does one call name by their folders, and which songs are done already?

A folder stands for all audio files in it, by name, without those of folders within it and hidden ones.

A song is a folder of tracks, or the recording of a scene. What is done of each is kept in one file, so that a run that
was stopped goes on where it was: a song is done again once a file of its own changed, what was made of it is gone, or
something else is asked for.
"""

from __future__ import annotations

import json
import os
import shlex
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from micalign import __version__
from micalign.errors import MicalignError, OutputError, TakeError, some
from micalign.files import tuned
from micalign.files.audio import find_in, parse_spec, real_path
from micalign.files.headers import spoken_read
from micalign.files.scenes import read_scene
from micalign.files.sets import listed
from micalign.files.whole import KEPT, make_folder, write_text
from micalign.scene.quantities import AlonePlan

if TYPE_CHECKING:
    from micalign.scene.scene import Scene

__all__ = [
    "Finished",
    "Song",
    "alone_elsewhere",
    "expanded",
    "recorded_in",
    "songs_in",
    "songs_of_scenes",
]


@dataclass(frozen=True, slots=True)
class Song:
    """A folder of tracks, the recording of a scene, or a scene's tracks as another folder holds them."""

    name: str
    folder: Path | None = None
    scene: Path | None = None

    @property
    def place(self) -> Path | None:
        """What to hand to a command that looks at this song alone."""
        return self.scene if self.folder is None else self.folder

    def tracks(self, reference: str | None) -> tuple[str, ...]:
        """What the command line would be given: the reference's file first, where one is named, and the folder."""
        if self.scene is not None or self.folder is None:
            return ()
        first = () if reference is None else (str(self.folder / reference),)
        return (*first, str(self.folder))

    def files(self) -> tuple[Path, ...]:
        """Every file that what is said of it hangs on; of a scene with faults itself alone."""
        if self.scene is None:
            return tuple(_audio_in(self.folder)) if self.folder is not None else ()
        try:
            scene = recorded_in(read_scene(self.scene), self.scene, self.folder)
        except MicalignError:
            return (self.scene,)
        if scene.take is None:
            return (self.scene,)
        folder = find_in(self.scene.parent, scene.take.folder)
        return (self.scene, *dict.fromkeys(find_in(folder, one.file) for one in scene.take.tracks))


_AUDIO_SUFFIXES: Final = frozenset({".wav", ".wave", ".bwf", ".rf64", ".flac", ".aif", ".aiff", ".aifc"})


def expanded(specs: Iterable[str | os.PathLike[str]]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The specs with each folder's audio files in its place, and a sentence for each folder of which files are skipped.

    A file that another spec names stays where that names it.

    Raises
    ------
    TakeError
        If a folder cannot be read or holds no audio file.
    """
    given = [os.fspath(spec) for spec in specs]
    named = {real_path(parse_spec(spec).path) for spec in given if not _is_folder(spec)}
    found: list[str] = []
    notes: list[str] = []
    for spec in given:
        if not _is_folder(spec):
            found.append(spec)
            continue
        audio, skipped = _listed(Path(spec))
        found += [str(path) for path in audio if real_path(path) not in named]
        named |= {real_path(path) for path in audio}
        if skipped:
            notes.append(f"skipped in {spec}, no audio files: {some(skipped, tuned.SKIPPED_SHOWN)}")
    return tuple(found), tuple(notes)


def _audio_in(folder: Path) -> list[Path]:
    """The audio files of a folder, by name; `TakeError` where it cannot be read."""
    return [path for path in _entries(folder) if _is_audio(path)]


def _entries(folder: Path) -> list[Path]:
    with spoken_read(folder):
        return sorted(folder.iterdir(), key=lambda path: (path.name.casefold(), path.name))


def _listed(folder: Path) -> tuple[list[Path], list[str]]:
    """The audio files of a folder, and the names of everything else in it."""
    entries = _entries(folder)
    audio = [path for path in entries if _is_audio(path)]
    if not audio:
        songs = sum(path.is_dir() and bool(_audio_in(path)) for path in entries)
        asked = shlex.join(["--songs", str(folder)])
        mend = f"{songs} folders in it do: are they songs ({asked})?" if songs else "is it the right folder?"
        raise TakeError(f"{folder} holds no audio file (WAV, AIFF or FLAC): {mend}")
    return audio, [f"{path.name} (a folder)" if path.is_dir() else path.name for path in entries if not _is_audio(path)]


def _is_audio(path: Path) -> bool:
    return path.suffix.casefold() in _AUDIO_SUFFIXES and not path.name.startswith(".") and path.is_file()


def _is_folder(spec: str) -> bool:
    try:
        return Path(spec).is_dir()
    except (OSError, ValueError):  # a name that no file can have; opening it says so
        return False


def songs_in(folders: Sequence[Path], scene: Path | None = None) -> tuple[tuple[Song, ...], tuple[str, ...]]:
    """A song for each folder of audio files: a folder that is named, or those in it where it holds none itself.

    Aligned sets are no songs: they are passed over, and named in the sentences that come second.

    Raises
    ------
    TakeError
        If a folder cannot be read, or holds no song.
    """
    found: list[Path] = []
    notes: list[str] = []
    for folder in folders:
        if _audio_in(folder):
            found.append(folder)
            continue
        with spoken_read(folder):
            within = [one for one in folder.iterdir() if one.is_dir() and not one.name.startswith(".")]
        sounding = sorted((one for one in within if _audio_in(one)), key=lambda one: (one.name.casefold(), one.name))
        sets = [one for one in sounding if listed(one / "offsets.json") is not None]
        found += [one for one in sounding if one not in sets]
        notes += [f"passed over: {one} is an aligned set" for one in sets]
        if len(sounding) == len(sets):
            raise TakeError(f"{folder} holds no song: a song is a folder of audio files (WAV, AIFF or FLAC) in it")
    return _named([Song(_name(folder), folder, scene) for folder in found]), tuple(notes)


def songs_of_scenes(scenes: Sequence[Path]) -> tuple[Song, ...]:
    """A song for each scene file: the recording it names."""
    return _named([Song(scene.stem or str(scene), None, scene) for scene in scenes])


def _name(folder: Path) -> str:
    return folder.name if folder.name not in {"", ".."} else Path(os.path.realpath(folder)).name


def _named(songs: list[Song]) -> tuple[Song, ...]:
    """Songs of one name by their folders' names too."""
    if len(songs) > tuned.MOST_SONGS:
        raise TakeError(f"{len(songs)} songs are more than one run takes: give at most {tuned.MOST_SONGS} at a time")
    often = Counter(song.name.casefold() for song in songs)
    named = tuple(song if often[song.name.casefold()] == 1 else replace(song, name=_longer(song)) for song in songs)
    for name, count in Counter(song.name.casefold() for song in named).items():
        if count > 1:
            raise TakeError(f"{count} songs are called '{name}': rename a folder, or give them one after the other")
    return named


def _longer(song: Song) -> str:
    place = Path(os.path.realpath(song.place or "."))
    return f"{place.parent.name}/{song.name}"


def recorded_in(scene: Scene, scene_path: Path, folder: Path | None) -> Scene:
    """The scene with its tracks in ``folder``; what its own recording holds alone, a line check, still counts.

    None: the scene as it is.
    """
    if folder is None or scene.take is None:
        return scene
    alone = tuple(alone_elsewhere(one, scene.take.folder) for one in scene.take.alone)
    there = folder if scene_path.parent == Path() else folder.absolute()
    return replace(scene, take=replace(scene.take, folder=str(there), alone=alone))


def alone_elsewhere(plan: AlonePlan, folder: str) -> AlonePlan:
    """The same plan for another recording: stretches of the scene's own name its folder."""
    return plan if plan.folder is not None else replace(plan, folder=folder)


class Finished:
    """What is done of several songs, in one file that is written anew after each.

    Parameters
    ----------
    path : Path or None
        The file; None keeps nothing.
    asked : mapping
        The command and its options: what was done for others is not taken.
    force : bool
        Begin anew.

    Raises
    ------
    OutputError
        If another file stands there, or it cannot be read.
    """

    def __init__(self, path: Path | None, asked: Mapping[str, Any], *, force: bool = False) -> None:
        self.path = path
        self._asked = {"version": __version__, **asked}
        self._songs: dict[str, Any] = {}
        if path is not None and os.path.lexists(path):
            KEPT.refuse_other(path)
            self._songs = {} if force else _read(path)

    def done(self, song: Song) -> dict[str, Any] | None:
        """What was kept of a song, where that still holds."""
        one = self._songs.get(song.name)
        if not isinstance(one, dict) or one.get("asked") != self._asked or one.get("files") != dict(_states(song)):
            return None
        outcome = one.get("outcome")
        if not isinstance(outcome, dict) or not all(os.path.lexists(made) for made in outcome.get("made", ())):
            return None
        return outcome

    def keep(self, song: Song, outcome: Mapping[str, Any]) -> None:
        """Keep what was done of a song."""
        if self.path is None:
            return
        self._songs[song.name] = {"asked": self._asked, "files": dict(_states(song)), "outcome": dict(outcome)}
        make_folder(self.path.parent)
        text = json.dumps({"kept_by": "micalign, of several songs", "songs": self._songs}, indent=1, allow_nan=False)
        write_text(self.path, text + "\n", force=True, kind=KEPT)


def _read(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            songs = json.loads(file.read(tuned.LARGEST_HEAD_BYTES))["songs"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise OutputError(
            f"{path} cannot be read as what is kept of several songs: begin it anew with --force, or name another file"
        ) from error
    return songs if isinstance(songs, dict) else {}


def _states(song: Song) -> Iterator[tuple[str, Any]]:
    """Each file with its size and the time it was last written."""
    for path in song.files():
        try:
            found = path.stat()
        except (OSError, ValueError):
            yield str(path), None
        else:
            yield str(path), [found.st_size, found.st_mtime_ns]
