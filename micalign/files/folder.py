"""Several files into one folder: they appear together, or none does; what stands in the way is told all at once."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Final

from micalign.errors import OutputError
from micalign.files.kinds import FIGURE, PAGE, SOUND, FileKind
from micalign.files.sets import refuse_full, whole_set

__all__ = ["refuse_files", "remove_figures", "stale_figures", "write_folder"]

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
