"""Files that belong together appear in their folder as one: all of them, or none.

They are written into a hidden folder in the target (``.micalign-set-PID-RANDOM``), each whole and flushed, and moved to
their names at the end. A failure or a signal (Ctrl-C, TERM, HUP) on the way leaves the older set as it was. The moves
themselves are many and no system makes them one: for their moment (milliseconds) signals wait, the older set's head
(the file that describes the rest) is out of the way, and by a journal a later run knows how to finish what a power cut
or a KILL interrupted there. The folder is locked, so that two runs cannot mix.

The head (``truth.json``, ``offsets.json``) holds the SHA-256 of the others: only what it lists, if it is unchanged, may
be replaced. What is written is called so that it is kept apart on every system and a set can be copied to any: disks
may ignore case and take an accent in one character or two for the same; Windows keeps some names for devices and drops
blanks and dots at the end.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import stat
import time
import unicodedata
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from micalign.errors import OutputError, TakeError
from micalign.files import tuned
from micalign.files.headers import refuse_special, spoken_read
from micalign.files.whole import (
    FIGURE,
    NO_LINKS,
    PAGE,
    SOUND,
    FileKind,
    flush_folder,
    held,
    lock,
    make_folder,
    refuse_full,
    refuse_taken,
    spoken,
    whole_file,
)

__all__ = [
    "FileSet",
    "fault_of",
    "file_hash",
    "finish_killed",
    "free_name",
    "in_the_way",
    "listed",
    "one_name",
    "refuse_in_the_way",
    "whole_set",
    "write_folder",
]


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
        The names of its files, each with the identity of the file that it replaces.
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

        It is what `micalign.files.whole` asks for of the file called ``head``.
        """
        own = [
            {"file": Path(name).as_posix(), "sha256": file_hash(self.stage / _NEW / name)}
            for name in sorted(self.older)
        ]
        return own + _still_ours(self.folder, head, [head, *(one["file"] for one in own)])


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
            stage = target / f"{_MARK}{os.getpid()}-{os.urandom(4).hex()}"
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
    _refuse_files(target, files, force=force)
    refuse_full(target, sum(map(len, files.values())))
    with whole_set(target, refuse=lambda: _refuse_files(target, files, force=force)) as made:
        for name, data in files.items():
            made.write_bytes(target / name, data)
    return tuple(target / name for name in files)


def _refuse_files(folder: Path, names: Iterable[str], *, force: bool) -> None:
    """`OutputError` where one of these names stands there and may not give way."""
    there = [folder / name for name in names if os.path.lexists(folder / name)]
    for path in there:
        if path.suffix.lower() in _KINDS:
            _KINDS[path.suffix.lower()].refuse_other(path)
    if there and not force:
        more = f" (and {len(there) - 1} more)" if len(there) > 1 else ""
        raise OutputError(f"{there[0]}{more} exists: choose another place with --out, or replace it with --force")


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


def file_hash(path: Path) -> str:
    """SHA-256 of a file's bytes, in hex."""
    refuse_special(path)
    with spoken_read(path), path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


_PLACE: Final = "choose another place with --out"


def listed(head: Path) -> dict[str, str] | None:
    """The files that a set's head lists, and their hashes; None where there is none, or it is none of ours."""
    try:
        refuse_special(head)
        with head.open("rb") as file:
            found = json.loads(file.read(tuned.LARGEST_HEAD_BYTES))
        return {str(one["file"]): str(one["sha256"]) for one in found["files"]}
    except (OSError, TakeError, ValueError, KeyError, TypeError, RecursionError):
        return None


def _still_ours(folder: Path, head: str, but: Collection[str]) -> list[dict[str, str]]:
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


_MARK: Final = ".micalign-set-"
_NEW, _OLD, _JOURNAL = "new", "old", "journal.json"


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
        until = time.monotonic() + tuned.PATIENCE_S
        while not (had := lock(handle, wait=False)) and time.monotonic() < until and _knows_locks(folder):
            time.sleep(tuned.PAUSE_S)
        if not had and _knows_locks(folder):
            raise OutputError(f"{folder} is still being written by another run of micalign: wait until it is done")
        yield
    finally:
        os.close(handle)


def _knows_locks(folder: Path) -> bool:
    """Whether a refused lock means another run, not a disk without locks: a folder of our own can be locked or not."""
    probe = folder / f"{_MARK}{os.getpid()}-{os.urandom(4).hex()}"
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
    """What differs where another file was put in its place; none where there is none."""
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
