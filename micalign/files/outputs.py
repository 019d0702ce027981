"""What are the files of a set called, on every system, and what must they not replace?

An aligned file is called as its original with a suffix, so that neither is taken for the other. Disks may ignore case
and take an accent in one character or two for the same; Windows keeps some names for devices and drops blanks and dots
at the end. What is written is kept apart on every system, so that a set can be copied to any.
"""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from micalign.alignment.resample import rate_of_original
from micalign.errors import OutputError, TakeError
from micalign.files.audio import AudioInfo
from micalign.files.decode import ChannelSamples
from micalign.files.kinds import refuse_in_the_way
from micalign.files.sets import finish_killed
from micalign.files.whole import LONGEST_NAME_BYTES
from micalign.take.tracks import Track, as_recorded

__all__ = [
    "SUFFIX",
    "Targets",
    "fault_of",
    "free_name",
    "one_name",
    "original_of",
    "output_names",
    "output_paths",
    "refuse_inputs",
    "suffix_fault",
]

_DEVICES: Final = frozenset(
    {"con", "prn", "aux", "nul", "conin$", "conout$"}
    | {f"{port}{number}" for port in ("com", "lpt") for number in "0123456789¹²³"}
)
_REFUSED: Final = frozenset('<>:"/\\|?*')


def one_name(name: str) -> str:
    """One text for all spellings that some disk takes for one name.

    >>> one_name("Flo\\u0308te.WAV ") == one_name("fl\\u00f6te.wav")
    True
    """
    folded = unicodedata.normalize("NFD", unicodedata.normalize("NFD", name).casefold())
    return folded.rstrip(" .")


def fault_of(name: str) -> str | None:
    """Why Windows could not hold a file of this name; None where it could.

    >>> fault_of("aux.wav"), fault_of("aux-2.wav")
    ("Windows keeps the name 'aux' for a device", None)
    """
    stem = name.split(".", maxsplit=1)[0].rstrip(" ")
    if stem.casefold() in _DEVICES:
        return f"Windows keeps the name '{stem}' for a device"
    if name != name.rstrip(" ."):
        return "Windows drops blanks and dots at its end"
    refused = sorted(char for char in set(name) if char in _REFUSED or ord(char) < 32)
    return f"Windows refuses {refused[0]!r} in a name" if refused else None


def free_name(stem: str, ending: str, taken: set[str]) -> str:
    """``stem + ending``, with a number between them where that is taken or kept for a device; it is taken then.

    >>> taken: set[str] = set()
    >>> [free_name(stem, ".wav", taken) for stem in ("kick", "Kick", "aux")]
    ['kick.wav', 'Kick-2.wav', 'aux-2.wav']
    """
    number, name = 1, f"{stem}{ending}"
    while one_name(name) in taken or name.split(".", maxsplit=1)[0].rstrip(" ").casefold() in _DEVICES:
        number += 1
        name = f"{stem}-{number}{ending}"
    taken.add(one_name(name))
    return name


SUFFIX: Final = "-aligned"
_LONGEST_SUFFIX: Final = 64
_NOT_IN_NAMES: Final = frozenset('/\\:*?"<>|')  # a path's own characters, and what some disk refuses


def original_of(track: Track) -> tuple[AudioInfo, int]:
    """The file a track comes from and its channel in it, from 1."""
    samples = rate_of_original(as_recorded(track)[0])[0].samples
    if not isinstance(samples, ChannelSamples):
        raise TakeError(f"track '{track.name}' does not come from a file")
    return samples.file.info, samples.channel + 1


def suffix_fault(suffix: str) -> str | None:
    """What is wrong with a suffix, None where it can be part of every file's name.

    >>> suffix_fault("-aligned"), suffix_fault("")
    (None, "the suffix '' is empty: an aligned file would be called as its original; try '-aligned'")
    """
    if not suffix.strip():
        return f"the suffix '{suffix}' is empty: an aligned file would be called as its original; try '{SUFFIX}'"
    if len(suffix) > _LONGEST_SUFFIX:
        return f"the suffix is {len(suffix)} characters long: at most {_LONGEST_SUFFIX} can be, try '{SUFFIX}'"
    if not suffix.isprintable() or _NOT_IN_NAMES & set(suffix):
        return f"the suffix {suffix!r} cannot be part of every file's name: use letters, digits, '-', '_' and blanks"
    return None


def output_paths(
    tracks: Sequence[Track], folder: Path, *, suffix: str = SUFFIX, taken: Iterable[str] = ()
) -> tuple[Path, ...]:
    """Where each track's aligned file goes: the original's name and the suffix, kept apart where two would be one.

    ``taken`` are names of the set's other files.

    Raises
    ------
    OutputError
        If a name cannot be one, or is that of an original: the originals stay.
    """
    fault = suffix_fault(suffix)
    if fault is not None:
        raise OutputError(fault)
    used = {one_name(name) for name in taken}
    paths = []
    for track in tracks:
        paths.append(folder / _name(track, suffix, used))
    _refuse_too_long(paths)
    refuse_inputs(paths, [original_of(track)[0].path for track in tracks])
    return tuple(paths)


def output_names(tracks: Sequence[Track], suffix: str) -> tuple[str, ...]:
    """The bare names of those files, each of its track."""
    used = {one_name(name) for name in ("offsets.json", "offsets.csv")}
    return tuple(_name(track, suffix, used) for track in tracks)


def _name(track: Track, suffix: str, used: set[str]) -> str:
    info, channel = original_of(track)
    stem = info.path.stem if info.channels == 1 else f"{info.path.stem}-{channel}"
    return free_name(stem, f"{suffix}{info.path.suffix}", used)


def _refuse_too_long(paths: Sequence[Path]) -> None:
    for path in paths:
        if len(os.fsencode(path.name)) > LONGEST_NAME_BYTES:
            raise OutputError(f"{path} cannot be written: the name is too long for a disk, choose a shorter --suffix")


def refuse_inputs(outputs: Iterable[Path], inputs: Iterable[Path]) -> None:
    """`OutputError` where an output is one of the files that are read: by its path, a link, or the file behind it."""
    paths = list(inputs)
    keys = {_key(path) for path in paths}
    files = {found for path in paths if (found := _file(path)) is not None}
    for path in outputs:
        if _key(path) in keys or _file(path) in files:
            raise OutputError(
                f"{path} is an original, which is never replaced: choose another folder with --out, or another --suffix"
            )


def _key(path: Path) -> str:
    return one_name(os.path.realpath(path))


def _file(path: Path) -> tuple[int, int] | None:
    """What a name leads to: two names of one file (hard links, mounts) lead to the same."""
    try:
        found = path.stat()
    except (OSError, ValueError):
        return None
    return found.st_dev, found.st_ino


@dataclass(frozen=True)
class Targets:
    """Every file that will be written."""

    tracks: tuple[Path, ...]
    json: Path
    csv: Path
    previews: Mapping[str, tuple[Path, Path]]

    @classmethod
    def of(cls, tracks: Sequence[Track], folder: Path, heard: Iterable[str], *, suffix: str = SUFFIX) -> Targets:
        """For these tracks, and a preview of each name heard."""
        used: set[str] = set()
        previews = {}
        for name in heard:
            slug = _slug(name, used)
            previews[name] = (folder / f"preview-{slug}-before.wav", folder / f"preview-{slug}-after.wav")
        others = ["offsets.json", "offsets.csv", *(path.name for pair in previews.values() for path in pair)]
        paths = output_paths(tracks, folder, suffix=suffix, taken=others)
        return cls(paths, folder / "offsets.json", folder / "offsets.csv", previews)

    def refuse(self, inputs: Iterable[Path], *, force: bool) -> None:
        """`OutputError` where one may not be written: it is read from, or stands there and is not of an older set.

        An offsets file may be followed into its own folder: it is the head of the set that gives way.
        """
        refuse_inputs(self.all, [path for path in inputs if _key(path) != _key(self.json)])
        finish_killed(self.json.parent)
        refuse_in_the_way(self.json.parent, [path.name for path in self.all], self.json.name, force=force)

    @property
    def all(self) -> list[Path]:
        """All of them."""
        return [*self.tracks, self.json, self.csv, *(path for pair in self.previews.values() for path in pair)]


def _slug(name: str, used: set[str]) -> str:
    stem = re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")[:60] or "source"
    number, slug = 1, stem
    while slug in used:
        number += 1
        slug = f"{stem}-{number}"
    used.add(slug)
    return slug
