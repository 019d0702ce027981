"""Which tracks does a folder on the command line stand for? All audio files in it, by name; the rest is named.

Files of folders within it are not looked for, and neither are hidden files.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from micalign.errors import TakeError
from micalign.files.specs import parse_spec, spoken_read

__all__ = ["AUDIO_SUFFIXES", "audio_in", "expanded"]

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
