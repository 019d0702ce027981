"""Which files and channels does a user mean by ``file.wav:2`` or by a folder, and can they be opened at all?

Channels count from 1. A name that is itself a file wins over the reading as file and channel, so a colon in a file's
name does no harm. A folder stands for all audio files in it, by name, without those of folders within it and hidden
ones. Only regular files are opened: a pipe or a device could keep a program waiting for ever.
"""

from __future__ import annotations

import errno
import os
import re
import stat
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path, PureWindowsPath
from typing import Final

from micalign.errors import TakeError, nearest

__all__ = [
    "AUDIO_SUFFIXES",
    "Spec",
    "audio_in",
    "expanded",
    "find_in",
    "identity",
    "parse_spec",
    "refuse_special",
    "refuse_unreadable",
    "spoken_read",
]

_MOST_NAMES: Final = 10_000  # of a folder, looked through for the one that was meant
_CHANNEL: Final = re.compile(r"(?s)(.+):([0-9]{1,9})")

_REASONS: Final = {
    errno.ENOENT: "there is no such file: is the name spelled right, and the folder?",
    errno.ENOTDIR: "a part of its path is a file, not a folder: is the path right?",
    errno.EACCES: "you may not read it: change its permissions",
    errno.EPERM: "you may not read it: change its permissions",
    errno.ENAMETOOLONG: "the name is longer than any file's can be",
    errno.ELOOP: "it is a link that leads back to itself",
    errno.EIO: "the disk reports a fault while reading it: copy it to another disk first",
    errno.EMFILE: "too many files are open at once: give fewer tracks",
}


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


def refuse_unreadable(path: Path) -> int:
    """The size of a file in bytes; `TakeError` unless it is a regular file with something in it."""
    _refuse_no_text(path)
    size = refuse_special(path)
    if size == 0:
        raise TakeError(f"{path} is empty (0 bytes): was the copy or the recording interrupted?")
    return size


def refuse_special(path: Path, *, wanted: str = "an audio file") -> int:
    """The size of a file in bytes; `TakeError` for a folder, and for a pipe or device, which might never end."""
    with spoken_read(path):
        found = path.stat()
        if stat.S_ISDIR(found.st_mode):
            raise TakeError(f"{path} is a folder: name {wanted} in it")
        if not stat.S_ISREG(found.st_mode):
            raise TakeError(f"{path} is a device or a pipe: micalign reads files only, save it to one first")
        return found.st_size


def _refuse_no_text(path: Path) -> None:
    """Names go into tables, JSON, CSV and pages; bytes that are no text could go into none of them."""
    shown = str(path).encode("utf-8", "backslashreplace").decode()
    if shown != str(path):
        raise TakeError(f"{shown}: the name is no valid text (UTF-8): rename the file first")


def identity(path: Path) -> tuple[int, ...] | None:
    """What changes when a file is replaced or written to (the system's own note of it cannot be set); None: gone."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns


def _near(path: Path) -> str:
    """The file of nearly that name in the same folder."""
    try:
        names = [one.name for one in islice(path.parent.iterdir(), _MOST_NAMES)]
    except OSError:
        return ""
    return nearest(path.name, names)


@contextmanager
def spoken_read(path: Path) -> Iterator[None]:
    """Turn the system's refusals to read into sentences."""
    try:
        yield
    except OSError as error:
        reason = _REASONS.get(error.errno or 0, error.strerror or str(error))
        near = _near(path) if error.errno == errno.ENOENT else ""
        raise TakeError(f"{path} cannot be read: {reason}{near}") from error
    except ValueError as error:
        if "null" not in str(error):
            raise
        raise TakeError(f"{str(path)!r} cannot be read: a file's name holds no zero byte") from error


def _exists(path: str | Path) -> bool:
    try:
        return os.path.lexists(path)
    except ValueError:
        return False


AUDIO_SUFFIXES: Final = frozenset({".wav", ".wave", ".bwf", ".rf64", ".flac", ".aif", ".aiff", ".aifc"})
_MOST_NAMED: Final = 8


def expanded(specs: Iterable[str | os.PathLike[str]]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The specs with each folder's audio files in its place, and a sentence for each folder of which files are skipped.

    A file that another spec names stays where that names it.

    Raises
    ------
    TakeError
        If a folder cannot be read or holds no audio file.
    """
    given = [os.fspath(spec) for spec in specs]
    named = {_key(parse_spec(spec).path) for spec in given if not _is_folder(spec)}
    found: list[str] = []
    notes: list[str] = []
    for spec in given:
        if not _is_folder(spec):
            found.append(spec)
            continue
        audio, skipped = _listed(Path(spec))
        found += [str(path) for path in audio if _key(path) not in named]
        named |= {_key(path) for path in audio}
        if skipped:
            rest = len(skipped) - _MOST_NAMED
            more = f" and {rest} more" if rest > 0 else ""
            notes.append(f"skipped in {spec}, no audio files: {', '.join(skipped[:_MOST_NAMED])}{more}")
    return tuple(found), tuple(notes)


def audio_in(folder: Path) -> list[Path]:
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
        songs = sum(path.is_dir() and bool(audio_in(path)) for path in entries)
        mend = f"{songs} folders in it do: are they songs (--songs {folder})?" if songs else "is it the right folder?"
        raise TakeError(f"{folder} holds no audio file (WAV, AIFF or FLAC): {mend}")
    return audio, [f"{path.name} (a folder)" if path.is_dir() else path.name for path in entries if not _is_audio(path)]


def _is_audio(path: Path) -> bool:
    return path.suffix.casefold() in AUDIO_SUFFIXES and not path.name.startswith(".") and path.is_file()


def _is_folder(spec: str) -> bool:
    try:
        return Path(spec).is_dir()
    except (OSError, ValueError):  # a name that no file can have; opening it says so
        return False


def _key(path: Path) -> str:
    try:
        return os.path.realpath(path)
    except ValueError:
        return str(path)
