"""A file appears under its final name whole or not at all, and replaces nothing without leave.

The bytes go to a hidden temporary file beside the target (``.NAME.micalign-partial-PID-RANDOM``), are flushed to the
disk, and only then take the final name; the folder is flushed too. Whoever writes holds a lock on the temporary, so
that a later run knows what a dead one left behind (no lock) from what a living one is writing, and clears it.

``--force`` replaces only what micalign wrote: pages, figures and sounds carry a mark of ours where their formats have a
place for the name of the writing program; a scene is known by being one. Every other file may be a recording, or
somebody's work on one, and never gives way.

The command line turns TERM and HUP, like Ctrl-C, into an exception, so that what was begun is cleared. Where that
exception would leave half of it, while files are moved to their names, signals wait (`held`).
"""

from __future__ import annotations

import errno
import os
import re
import shutil
import signal
import stat
import sys
import threading
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Final

from micalign.errors import OutputError, SceneError
from micalign.files import tuned

__all__ = [
    "ENDING",
    "FIGURE",
    "KEPT",
    "LONGEST_NAME_BYTES",
    "NO_LINKS",
    "PAGE",
    "PRINTED",
    "SCENE",
    "SOUND",
    "FileKind",
    "exactly",
    "flush_folder",
    "held",
    "lock",
    "make_folder",
    "refuse_full",
    "refuse_no_folder",
    "refuse_taken",
    "remove_figures",
    "spoken",
    "stale_figures",
    "whole_file",
    "write_bytes",
    "write_text",
]


@contextmanager
def whole_file(
    path: str | os.PathLike[str], *, force: bool = False, kind: FileKind | None = None, shown: Path | None = None
) -> Iterator[Path]:
    """A temporary path to write to; it takes the final name when the block ends well and vanishes when it does not.

    Parameters
    ----------
    path : path
        The final name. A link is replaced by the file, what it points to stays as it is.
    force : bool
        Replace a file that exists.
    kind : FileKind, optional
        Of what is written: ``force`` replaces a file of this kind and no other.
    shown : Path, optional
        What to call it in a refusal, where it will be moved on.

    Yields
    ------
    Path
        An empty file beside the target; fill it, and leave it there.

    Raises
    ------
    OutputError
        If the target exists and ``force`` is off, is a folder or of another kind, or cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> with whole_file(folder / "sum.txt") as partial:
    ...     _ = partial.write_text("whole")
    >>> [found.name for found in folder.iterdir()]
    ['sum.txt']
    """
    target = Path(path)
    with spoken(shown or target):
        _refuse_taken(target, force=force, kind=kind)
        _sweep(target.parent)
        claim = _Claim(target)
        try:
            claim.make()
            yield claim.path
            claim.flush()
            _publish(claim.path, target, force=force, kind=kind)
        finally:
            with held():  # a signal that comes now would leave what it is there to clear
                claim.give_up()
        flush_folder(target.parent)


def write_bytes(
    path: str | os.PathLike[str], data: bytes, *, force: bool = False, kind: FileKind | None = None
) -> None:
    """Write a file of these bytes, whole or not at all."""
    with whole_file(path, force=force, kind=kind) as partial:
        partial.write_bytes(data)


def write_text(path: str | os.PathLike[str], text: str, *, force: bool = False, kind: FileKind | None = None) -> None:
    """Write a UTF-8 file, line ends as they are; what no UTF-8 can hold is written as an escape."""
    write_bytes(path, text.encode("utf-8", "backslashreplace"), force=force, kind=kind)


def make_folder(path: str | os.PathLike[str]) -> Path:
    """The folder, made with its parents where it is missing; `OutputError` where a file stands in its way."""
    folder = Path(path)
    with spoken(folder):
        refuse_no_folder(folder)
        if not folder.is_dir():
            folder.mkdir(parents=True, exist_ok=True)
            flush_folder(folder.parent)
    return folder


def refuse_no_folder(path: Path) -> None:
    """`OutputError` where a file stands in a folder's place: for who has long to work before it is made."""
    if os.path.lexists(path) and not path.is_dir():
        raise OutputError(f"{path} is a file, a folder is needed there: choose another name")


def refuse_full(folder: Path, needed_bytes: int) -> None:
    """`OutputError` where so many bytes will not fit on the disk of ``folder``, or of the nearest parent there is."""
    place = folder
    while not place.is_dir() and place != place.parent:
        place = place.parent
    with suppress(OSError):
        free = shutil.disk_usage(place).free
        if needed_bytes + tuned.ROOM_KEPT_BYTES > free:
            raise OutputError(
                f"{folder} cannot be written: {_megabytes(needed_bytes)} are needed, {_megabytes(free)} are free: "
                "free some space or choose another folder"
            )


def _megabytes(count: int) -> str:
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{count / 1e6:.1f} MB"


def refuse_taken(path: str | os.PathLike[str], *, force: bool = False, kind: FileKind | None = None) -> None:
    """Refuse before long work what `whole_file` would refuse after it: a name that is taken, or is none."""
    target = Path(path)
    with spoken(target):
        _refuse_taken(target, force=force, kind=kind)
        if not target.parent.is_dir():
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(target.parent))


def _refuse_taken(target: Path, *, force: bool, kind: FileKind | None = None) -> None:
    if not target.name:
        raise OutputError(f"'{target}' names no file: give a file name")
    try:
        mode = os.lstat(target).st_mode
    except FileNotFoundError:
        return
    if stat.S_ISDIR(mode):
        raise OutputError(f"{target} is a folder, a file is to be written there: choose another name")
    if not stat.S_ISREG(mode) and not stat.S_ISLNK(mode):
        raise OutputError(f"{target} is a device or a pipe: choose another name")
    # Asked first: whoever meets a recording must not be sent to --force.
    if kind is not None:
        kind.refuse_other(target)
    if not force:
        raise _taken(target)


def _taken(target: Path) -> OutputError:
    return OutputError(f"{target} exists: choose another name, or replace it with --force")


class _Claim:
    """A temporary file beside a target, locked while it is written; its name is known before it exists."""

    def __init__(self, target: Path) -> None:
        self._target = target
        self._handle: int | None = None
        self.path = target.with_name(_partial_name(target.name))

    def make(self) -> None:
        """Make it, under another name where this one is taken."""
        while True:
            with suppress(FileExistsError):
                flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
                self._handle = os.open(self.path, flags, 0o666)
                lock(self._handle, wait=True)
                # Another run may have taken it for a leftover in the moment before the lock: then begin anew.
                if _is_still(self.path, self._handle):
                    return
                os.close(self._handle)
                self._handle = None
            self.path = self._target.with_name(_partial_name(self._target.name))

    def flush(self) -> None:
        """To the disk; a disk that filled up meanwhile says so here at the latest."""
        if self._handle is not None:
            os.fsync(self._handle)

    def give_up(self) -> None:
        """Remove what is left of it."""
        with suppress(FileNotFoundError):
            self.path.unlink()
        if self._handle is not None:
            os.close(self._handle)


ENDING: Final = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)
)
"""The signals by which a user or the system asks a program to end, as far as this system has them."""


@contextmanager
def held() -> Iterator[None]:
    """Signals that end a run are answered after the block; in a thread, where none arrive, nothing changes."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []

    def wait(number: int, _frame: FrameType | None) -> None:
        came.append(number)

    before = {number: signal.signal(number, wait) for number in ENDING if signal.getsignal(number) is not None}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        for number in came[:1]:
            signal.raise_signal(number)


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
        return file.read(tuned.HEAD_BYTES)


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
        file.seek(max(path.stat().st_size - tuned.PDF_TAIL_BYTES, 0))
        return file.read()


def _is_sound(path: Path) -> bool:
    head = _head(path)
    return head.startswith(b"RIFF") and b"ISFT\x09\0\0\0micalign\0" in head


def _is_scene(path: Path) -> bool:
    from micalign.scene.document import parse_scene  # noqa: PLC0415 - only a file that stands in the way is read

    try:
        if path.stat().st_size <= tuned.LARGEST_SCENE_BYTES:
            parse_scene(path.read_bytes().decode("utf-8-sig"), str(path))
            return True
    except (SceneError, UnicodeDecodeError):
        pass
    return False


def _is_printed(path: Path) -> bool:
    return _head(path).startswith(b"$ micalign ")


def _is_kept(path: Path) -> bool:
    return _head(path).startswith(b'{\n "kept_by": "micalign, of several songs"')


KEPT: Final = FileKind("what micalign keeps of several songs", _is_kept)
PAGE: Final = FileKind("a page that micalign wrote", _is_page)
FIGURE: Final = FileKind("a figure that micalign drew", _is_figure)
SOUND: Final = FileKind("a sound that micalign made", _is_sound)
SCENE: Final = FileKind("a scene file without faults", _is_scene)
PRINTED: Final = FileKind("what a command of micalign printed", _is_printed)


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


_MARK: Final = ".micalign-partial-"
_PARTIAL: Final = re.compile(r"\..*" + re.escape(_MARK) + r"\d+-[0-9a-f]{8}", re.DOTALL)
LONGEST_NAME_BYTES: Final = 255  # bytes; the limit of every common file system
_REASONS: Final = {
    errno.ENOSPC: "the disk is full: free some space or choose another folder",
    errno.EDQUOT: "your share of the disk is full: free some space or choose another folder",
    errno.EFBIG: "the file would be larger than the system allows: choose another disk or a shorter take",
    errno.EROFS: "the disk is read-only: choose another folder",
    errno.EACCES: "you may not write there: choose another folder or change its permissions",
    errno.EPERM: "you may not write there: choose another folder or change its permissions",
    errno.ENOENT: "its folder does not exist: make it first",
    errno.ENOTDIR: "a part of its folder's path is a file: choose another folder",
    errno.EISDIR: "a folder stands there: choose another name",
    errno.ENAMETOOLONG: "the name is too long for this disk: choose a shorter one",
    errno.ELOOP: "its folder is a link that leads back to itself: choose another folder",
    errno.EIO: "the disk reports a fault: choose another one",
}
NO_LINKS: Final = frozenset({errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EACCES, errno.EINVAL})
"""What a file system answers when it knows no hard links (memory cards, some network drives)."""


def _partial_name(name: str) -> str:
    tail = f"{_MARK}{os.getpid()}-{os.urandom(4).hex()}"
    room = LONGEST_NAME_BYTES - len(tail) - 1
    return "." + os.fsencode(name)[:room].decode("utf-8", "ignore") + tail


def lock(handle: int, *, wait: bool) -> bool:
    """Lock an open file or folder against other runs.

    True where the lock was had; and where the file system knows no locks and ``wait`` is on.
    """
    if sys.platform == "win32":
        return True
    import fcntl  # noqa: PLC0415 - there is none on Windows

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError:
        return wait
    return True


def _is_still(partial: Path, handle: int) -> bool:
    try:
        return os.path.samestat(partial.stat(), os.fstat(handle))
    except FileNotFoundError:
        return False


def _publish(partial: Path, target: Path, *, force: bool, kind: FileKind | None) -> None:
    if force:
        _refuse_taken(target, force=True, kind=kind)
        partial.replace(target)
        return
    try:
        # A link, unlike a rename, fails where somebody has made the file meanwhile.
        os.link(partial, target)
    except FileExistsError:
        raise _taken(target) from None
    except OSError as error:
        if error.errno not in NO_LINKS:
            raise
        _refuse_taken(target, force=False)
        partial.rename(target)


def flush_folder(folder: Path) -> None:
    """Make the names in it survive a power cut, where the system can flush folders."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _sweep(folder: Path) -> None:
    """Remove what a dead run left in the folder; never what a living one is writing, never anything else."""
    with suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            if _MARK in entry.name and _PARTIAL.fullmatch(entry.name) and entry.is_file(follow_symlinks=False):
                _remove_dead(Path(entry.path))


def _remove_dead(partial: Path) -> None:
    with suppress(OSError):
        handle = os.open(partial, os.O_RDWR | getattr(os, "O_NOFOLLOW", 0))
        try:
            is_dead = lock(handle, wait=False)
            if is_dead and sys.platform != "win32":
                partial.unlink()
        finally:
            os.close(handle)
        if sys.platform == "win32":
            partial.unlink()  # refused by the system while somebody writes it


@contextmanager
def spoken(target: Path) -> Iterator[None]:
    """Turn the system's refusals into sentences."""
    try:
        yield
    except OSError as error:
        reason = _REASONS.get(error.errno or 0, error.strerror or str(error))
        raise OutputError(f"{target} cannot be written: {reason}") from error
    except UnicodeEncodeError as error:
        raise OutputError(f"{str(target)!r} cannot be written: no file's name can hold such characters") from error
    except ValueError as error:
        if "null" not in str(error):
            raise
        raise OutputError(f"{str(target)!r} cannot be written: a name may hold no zero byte") from error
