"""What stands where a file is to be written, and may it give way? ``--force`` replaces only what micalign wrote.

Pages, figures and sounds carry a mark of ours where their formats have a place for the name of the writing program; a
scene is known by being one. Of a set, the file that describes it (``truth.json``, ``offsets.json``) holds the SHA-256
of the others: only what it lists, if it is unchanged, may be replaced. Every other file may be a recording, or
somebody's work on one, and never is.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from micalign.errors import OutputError, SceneError, TakeError
from micalign.files.specs import refuse_special, spoken_read

__all__ = [
    "FIGURE",
    "KEPT",
    "PAGE",
    "SCENE",
    "SOUND",
    "TOLD",
    "FileKind",
    "exactly",
    "file_hash",
    "in_the_way",
    "listed",
    "refuse_in_the_way",
    "remove_figures",
    "stale_figures",
    "still_ours",
]

_CHUNK: Final = 1 << 20


def file_hash(path: Path) -> str:
    """SHA-256 of a file's bytes, in hex."""
    found = hashlib.sha256()
    refuse_special(path)
    with spoken_read(path), path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            found.update(chunk)
    return found.hexdigest()


_HEAD_BYTES: Final = 1 << 16
_PDF_TAIL_BYTES: Final = 1 << 12
_LARGEST_SCENE_BYTES: Final = 1_000_000


@dataclass(frozen=True, slots=True)
class FileKind:
    """A kind of file that a command writes: its words, and whether a file of these first bytes is one."""

    words: str
    _is_one: Callable[[Path], bool]

    def has(self, path: Path) -> bool:
        """Whether the file at ``path`` (or nothing, or a link, which is replaced and not followed) may give way."""
        mode = os.lstat(path).st_mode if os.path.lexists(path) else 0
        if not stat.S_ISREG(mode):
            return stat.S_ISLNK(mode) or mode == 0
        return path.stat().st_size == 0 or self._is_one(path)

    def refuse_other(self, path: Path) -> None:
        """`OutputError` where another kind of file stands there."""
        if not self.has(path):
            raise OutputError(
                f"{path} exists and is not {self.words}: it is not replaced, not even with --force; choose another name"
            )


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(_HEAD_BYTES)


def _is_page(path: Path) -> bool:
    return b'<meta name="generator" content="micalign ' in _head(path)


def _is_figure(path: Path) -> bool:
    head = _head(path)
    if head.startswith(b"\x89PNG"):
        return b"Software\0micalign" in head
    if head.startswith(b"%PDF-"):
        return b"micalign" in head or b"micalign" in _tail(path)
    return b"<svg" in head and b"<dc:title>micalign</dc:title>" in head


def _tail(path: Path) -> bytes:
    with path.open("rb") as file:
        file.seek(max(path.stat().st_size - _PDF_TAIL_BYTES, 0))
        return file.read()


def _is_sound(path: Path) -> bool:
    head = _head(path)
    return head.startswith(b"RIFF") and b"ISFT\x09\0\0\0micalign\0" in head


def _is_scene(path: Path) -> bool:
    from micalign.scene.document import parse_scene  # noqa: PLC0415 - only a file that stands in the way is read

    try:
        if path.stat().st_size <= _LARGEST_SCENE_BYTES:
            parse_scene(path.read_bytes().decode("utf-8-sig"), str(path))
            return True
    except (SceneError, UnicodeDecodeError):
        pass
    return False


def _is_told(path: Path) -> bool:
    return _head(path).startswith(b"$ micalign ")


def _is_kept(path: Path) -> bool:
    return _head(path).startswith(b'{\n "kept_by": "micalign, of several songs"')


KEPT: Final = FileKind("what micalign keeps of several songs", _is_kept)
PAGE: Final = FileKind("a page that micalign wrote", _is_page)
FIGURE: Final = FileKind("a figure that micalign drew", _is_figure)
SOUND: Final = FileKind("a sound that micalign made", _is_sound)
SCENE: Final = FileKind("a scene file without faults", _is_scene)
TOLD: Final = FileKind("what a command of micalign printed", _is_told)


def stale_figures(folder: Path, names: Collection[str], kinds: Iterable[str]) -> tuple[Path, ...]:
    """Figures of micalign's making, of these kinds and formats, that an earlier drawing left and this one will not."""
    suffixes = {Path(name).suffix for name in names}
    begin = tuple(kinds)
    return tuple(
        path
        for path in (sorted(folder.iterdir()) if folder.is_dir() else ())
        if path.name not in names
        and path.suffix in suffixes
        and path.stem.startswith(begin)
        and path.is_file()
        and not path.is_symlink()
        and path.stat().st_size
        and FIGURE.has(path)
    )


def remove_figures(paths: Iterable[Path]) -> tuple[Path, ...]:
    """Remove files; those that cannot be stay."""
    removed = []
    for path in paths:
        with suppress(OSError):
            path.unlink()
            removed.append(path)
    return tuple(removed)


def exactly(data: bytes, words: str) -> FileKind:
    """The kind of a file that holds just these bytes, as it was once written."""
    return FileKind(words, lambda path: path.stat().st_size == len(data) and path.read_bytes() == data)


_LARGEST_HEAD: Final = 1 << 28  # bytes; an hour of every source's moments is a hundredth of it
_PLACE: Final = "choose another place with --out"


def listed(head: Path) -> dict[str, str] | None:
    """The files that a set's head lists, and their hashes; None where there is none, or it is none of ours."""
    try:
        refuse_special(head)
        with head.open("rb") as file:
            found = json.loads(file.read(_LARGEST_HEAD))
        return {str(one["file"]): str(one["sha256"]) for one in found["files"]}
    except (OSError, TakeError, ValueError, KeyError, TypeError, RecursionError):
        return None


def still_ours(folder: Path, head: str, but: Collection[str]) -> list[dict[str, str]]:
    """What an older set's head lists, is as it was written, and is not among the names that are written anew.

    The new head goes on listing it: else nobody could replace it ever after.
    """
    older = listed(folder / head) or {}
    return [
        {"file": name, "sha256": digest}
        for name, digest in older.items()
        if name not in but and ".." not in Path(name).parts and _is_unchanged(folder / name, digest)
    ]


def in_the_way(folder: Path, names: Iterable[str], head: str, *, force: bool) -> Iterator[str]:
    """A sentence for each file that may not be replaced; ``force`` gives leave for what micalign wrote.

    Whoever meets a recording is not sent to ``--force``.
    """
    own = listed(folder / head)
    foreign, taken = [], []
    for name in names:
        path = folder / name
        if not os.path.lexists(path):
            continue
        if path.is_dir() and not path.is_symlink():
            foreign.append(f"{path} is a folder, a file is to be written there: {_PLACE}")
        elif name == head:
            taken += [name] if own is not None else []
            foreign += [] if own is not None else [f"{path} is not what micalign wrote and is not replaced: {_PLACE}"]
        elif _is_unchanged(path, (own or {}).get(name)):
            taken.append(name)
        else:
            why = f"no {head} beside it" if own is None else f"its SHA-256 is not in {head}"
            foreign.append(f"{path} may be a recording ({why}) and is not replaced: {_PLACE}")
    yield from foreign
    if not foreign and not force:
        yield from (f"{folder / name} exists: {_PLACE}, or replace it with --force" for name in taken)


def refuse_in_the_way(folder: Path, names: Iterable[str], head: str, *, force: bool) -> None:
    """`OutputError` with all of those sentences."""
    faults = list(in_the_way(folder, names, head, force=force))
    if faults:
        raise OutputError(faults)


def _is_unchanged(path: Path, digest: str | None) -> bool:
    """Whether a file is still the one that was written; a link never is."""
    try:
        return digest is not None and not path.is_symlink() and file_hash(path) == digest
    except TakeError:
        return False
