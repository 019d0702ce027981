"""Files that belong together appear in their folder as one: all of them, or none.

They are written into a hidden folder in the target (``.micalign-set-PID-RANDOM``), each whole and flushed, and moved to
their names at the end. A failure or a signal (Ctrl-C, TERM, HUP) on the way leaves the older set as it was. The moves
themselves are many and no system makes them one: for their moment (milliseconds) signals wait, the older set's head
(the file that describes the rest) is out of the way, and a journal tells a later run how to finish what a power cut or
a KILL interrupted there. The folder is locked, so that two runs cannot mix.
"""

from __future__ import annotations

import json
import os
import secrets
import shutil
import stat
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from micalign.errors import OutputError
from micalign.files.kinds import FIGURE, PAGE, SOUND, FileKind, file_hash, still_ours
from micalign.files.signals import held
from micalign.files.whole import NO_LINKS, flush_folder, lock, make_folder, refuse_taken, spoken, whole_file

__all__ = [
    "FileSet",
    "finish_killed",
    "refuse_files",
    "refuse_full",
    "whole_set",
    "write_folder",
]

_MARK: Final = ".micalign-set-"
_NEW, _OLD, _JOURNAL = "new", "old", "journal.json"
_PATIENCE_S: Final = 60.0  # how long another run's set is waited for; it may be a long take's
_PAUSE_S: Final = 0.1
_ROOM_KEPT_BYTES: Final = 1 << 20  # folders, journal and what the file system adds


@dataclass
class FileSet:
    """A set being written.

    Parameters
    ----------
    folder : Path
        Where it will stand.
    stage : Path
        Where it is written meanwhile.
    older : dict
        The names of its files, each with what tells the file that it replaces.
    """

    folder: Path
    stage: Path
    older: dict[str, list[int] | None] = field(default_factory=dict)

    @contextmanager
    def file(self, path: Path) -> Iterator[Path]:
        """A temporary path to write to for the file that will stand at ``path``, in the set's folder."""
        name = str(path.relative_to(self.folder))
        older = _identity(path)
        waiting = self.stage / _NEW / name
        with spoken(path):
            waiting.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(waiting, shown=path) as partial:
            yield partial
        self.older[name] = older

    def write_bytes(self, path: Path, data: bytes) -> None:
        """The file of these bytes."""
        with self.file(path) as partial:
            partial.write_bytes(data)

    def write_text(self, path: Path, text: str) -> None:
        """The file of this text, in UTF-8; what no UTF-8 can hold is written as an escape."""
        self.write_bytes(path, text.encode("utf-8", "backslashreplace"))

    def manifest(self, head: str) -> list[dict[str, str]]:
        """The files written so far and what is left of an older set, by their names, and their SHA-256.

        It is what `micalign.files.kinds` asks for of the file called ``head``.
        """
        own = [
            {"file": Path(name).as_posix(), "sha256": file_hash(self.stage / _NEW / name)}
            for name in sorted(self.older)
        ]
        return own + still_ours(self.folder, head, [head, *(one["file"] for one in own)])


@contextmanager
def whole_set(
    folder: str | os.PathLike[str], *, refuse: Callable[[], None], head: str | None = None
) -> Iterator[FileSet]:
    """Files that appear in ``folder`` together when the block ends well, and not at all when it does not.

    Parameters
    ----------
    folder : path
        Made where it is missing, and taken away again where the set fails.
    refuse : callable
        Raises where a file stands in the way that may not be replaced; asked when the folder is locked, and again
        before the files are moved.
    head : str, optional
        The name of the file that describes the others: it goes first and comes last, so that a set that a power cut
        mixed has none.

    Raises
    ------
    OutputError
        If another run writes there for longer than a minute, or a file cannot be written; what stood there stays.
    """
    target = Path(folder)
    made = _missing_folders(target)
    make_folder(target)
    try:
        with spoken(target), _locked(target):
            _finish_dead_sets(target)
            refuse()
            stage = target / f"{_MARK}{os.getpid()}-{secrets.token_hex(4)}"
            try:
                (stage / _NEW).mkdir(parents=True)
                files = FileSet(target, stage)
                yield files
                refuse()
                _exchange(files, head)
            finally:
                with held():  # a signal that comes now would leave what it is there to clear
                    shutil.rmtree(stage, ignore_errors=True)
    except BaseException:
        for one in made:
            with suppress(OSError):
                one.rmdir()  # only where it is empty
        raise


def refuse_full(folder: Path, needed_bytes: int) -> None:
    """`OutputError` where so many bytes will not fit on the disk of ``folder``, or of the nearest parent there is."""
    place = folder
    while not place.is_dir() and place != place.parent:
        place = place.parent
    with suppress(OSError):
        free = shutil.disk_usage(place).free
        if needed_bytes + _ROOM_KEPT_BYTES > free:
            raise OutputError(
                f"{folder} cannot be written: {_megabytes(needed_bytes)} are needed, {_megabytes(free)} are free: "
                "free some space or choose another folder"
            )


def _megabytes(count: int) -> str:
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{count / 1e6:.1f} MB"


def _missing_folders(folder: Path) -> list[Path]:
    """The folder and its parents that have to be made, the innermost first."""
    missing = []
    with suppress(OSError, ValueError):
        while not os.path.lexists(folder) and folder != folder.parent:
            missing.append(folder)
            folder = folder.parent
    return missing


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """The folder to ourselves, where the system can lock folders."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # Windows opens no folders
        yield
        return
    try:
        until = time.monotonic() + _PATIENCE_S
        while not (had := lock(handle, wait=False)) and time.monotonic() < until and _knows_locks(folder):
            time.sleep(_PAUSE_S)
        if not had and _knows_locks(folder):
            raise OutputError(f"{folder} is still being written by another run of micalign: wait until it is done")
        yield
    finally:
        os.close(handle)


def _knows_locks(folder: Path) -> bool:
    """Whether a refused lock means another run, not a disk without locks: a folder of our own can be locked or not."""
    probe = folder / f"{_MARK}{os.getpid()}-{secrets.token_hex(4)}"
    with held():
        probe.mkdir()
        handle = os.open(probe, os.O_RDONLY)
        try:
            return lock(handle, wait=False)
        finally:
            os.close(handle)
            probe.rmdir()


def _exchange(files: FileSet, head: str | None) -> None:
    """Move the set to its names, the older one out of the way; back again where that fails."""
    order = sorted(files.older, key=lambda name: name == head)
    for name in {str(Path(name).parent) for name in order} - {"."}:
        make_folder(files.folder / name)
    moves = _Moves(files.folder, files.stage, files.older)
    with held():
        with whole_file(files.stage / _JOURNAL) as partial:
            partial.write_bytes(json.dumps({"order": order, "old": files.older}).encode())
        try:
            moves.put_away(reversed(order))
            moves.move_in(order)
        except BaseException:
            moves.take_back()
            raise
        flush_folder(files.folder)


@dataclass
class _Moves:
    """The moves of one exchange, and the way back."""

    folder: Path
    stage: Path
    old: Mapping[str, list[int] | None]
    done: list[tuple[Path, Path]] = field(default_factory=list)

    def put_away(self, order: Iterable[str]) -> None:
        """The older files, as far as they still are those that were to be replaced."""
        for name in order:
            if self.old[name] is not None and _identity(self.folder / name) == self.old[name]:
                (self.stage / _OLD / name).parent.mkdir(parents=True, exist_ok=True)
                self._move(self.folder / name, self.stage / _OLD / name)

    def move_in(self, order: Iterable[str], *, finishing: bool = False) -> None:
        """The new files; what somebody else has put there meanwhile stops it, or is left where a run is finished."""
        for name in order:
            source, target = self.stage / _NEW / name, self.folder / name
            if os.path.lexists(target) and not _is_one_file(source, target):
                if not finishing and source.exists():
                    refuse_taken(target)
                continue
            if source.exists():
                self._move(source, target)

    def take_back(self) -> None:
        """Everything to where it was."""
        for source, target in reversed(self.done):
            with suppress(OSError):
                target.rename(source)

    def _move(self, source: Path, target: Path) -> None:
        self.done.append((source, target))
        try:
            # A link, unlike a rename, fails where somebody has made the file meanwhile.
            os.link(source, target, follow_symlinks=False)
        except FileExistsError:
            if not _is_one_file(source, target):
                self.done.pop()
                raise
        except OSError as error:
            if error.errno not in NO_LINKS:
                self.done.pop()
                raise
            source.rename(target)
            return
        source.unlink()


def _is_one_file(first: Path, second: Path) -> bool:
    """Whether two names are one file: a run was killed between giving it the new name and taking the old one."""
    try:
        return os.path.samestat(os.lstat(first), os.lstat(second))
    except FileNotFoundError:
        return False


def _identity(path: Path) -> list[int] | None:
    """What tells a file from one that was put in its place; none where there is none."""
    try:
        found = os.lstat(path)
    except FileNotFoundError:
        return None
    return [found.st_ino, found.st_size, found.st_mtime_ns]


def finish_killed(folder: Path) -> None:
    """Bring to its end what a killed run had begun to move in a folder, before anything is judged by what stands there.

    Half a set without its head would be taken for recordings, and refused. Where another run writes there, nothing.
    """
    if not any(folder.glob(f"{_MARK}*")):
        return
    with suppress(OSError):  # Windows opens no folders
        handle = os.open(folder, os.O_RDONLY)
        try:
            if lock(handle, wait=False):
                _finish_dead_sets(folder)
        finally:
            os.close(handle)


def _finish_dead_sets(folder: Path) -> None:
    """Bring to its end what a run that was killed had begun to move; remove what it had only written.

    The folder is locked, so nobody alive is writing a set in it.
    """
    for stage in sorted(folder.glob(f"{_MARK}*")):
        if not stat.S_ISDIR(os.lstat(stage).st_mode) or {one.name for one in stage.iterdir()} - {_NEW, _OLD, _JOURNAL}:
            continue
        with suppress(OSError, OutputError, ValueError, KeyError, TypeError):
            _finish(folder, stage)
        shutil.rmtree(stage, ignore_errors=True)


def _finish(folder: Path, stage: Path) -> None:
    journal = json.loads((stage / _JOURNAL).read_bytes())
    if any(Path(name).is_absolute() or ".." in Path(name).parts for name in journal["order"]):
        raise ValueError("a name leads out of the folder")
    moves = _Moves(folder, stage, journal["old"])
    moves.put_away(reversed(journal["order"]))
    moves.move_in(journal["order"], finishing=True)


_KINDS: Final[dict[str, FileKind]] = {".html": PAGE, ".png": FIGURE, ".svg": FIGURE, ".pdf": FIGURE, ".wav": SOUND}


def write_folder(
    folder: str | os.PathLike[str], files: Mapping[str, bytes], *, force: bool = False
) -> tuple[Path, ...]:
    """Write files by their names in ``folder``, which is made where it is missing.

    Parameters
    ----------
    folder : path
    files : mapping of name to bytes
        A name may hold one folder of its own: ``sounds/noise.wav``.
    force : bool
        Replace pages, figures and sounds that micalign made; nothing else.

    Raises
    ------
    OutputError
        If files exist and ``force`` is off or they are not of micalign's making, or one cannot be written: none is
        written then.

    Examples
    --------
    >>> import tempfile
    >>> [path.name for path in write_folder(tempfile.mkdtemp(), {"a.txt": b"a", "sounds/b.txt": b"b"})]
    ['a.txt', 'b.txt']
    """
    target = Path(folder)
    finish_killed(target)
    refuse_files(target, files, force=force)
    refuse_full(target, sum(map(len, files.values())))
    with whole_set(target, refuse=lambda: refuse_files(target, files, force=force)) as made:
        for name, data in files.items():
            made.write_bytes(target / name, data)
    return tuple(target / name for name in files)


def refuse_files(folder: Path, names: Iterable[str], *, force: bool) -> None:
    """Refuse before long work what `write_folder` would refuse after it."""
    there = [folder / name for name in names if os.path.lexists(folder / name)]
    for path in there:
        if path.suffix.lower() in _KINDS:
            _KINDS[path.suffix.lower()].refuse_other(path)
    if there and not force:
        more = f" (and {len(there) - 1} more)" if len(there) > 1 else ""
        raise OutputError(f"{there[0]}{more} exists: choose another place with --out, or replace it with --force")
