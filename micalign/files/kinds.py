"""What kind of file stands where one is to be written? ``--force`` replaces only the kind that the command writes.

Pages, figures and sounds carry a mark of ours where their formats have a place for the name of the writing program; a
scene is known by being one. A recording is none of these and is never replaced.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from micalign.errors import OutputError, SceneError

__all__ = ["FIGURE", "KEPT", "PAGE", "SCENE", "SOUND", "TOLD", "FileKind", "exactly"]

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


def exactly(data: bytes, words: str) -> FileKind:
    """The kind of a file that holds just these bytes, as it was once written."""
    return FileKind(words, lambda path: path.stat().st_size == len(data) and path.read_bytes() == data)
