"""Several files into one folder: all of them refused together where one stands in the way, each whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from micalign.errors import OutputError
from micalign.files.whole import make_folder, write_bytes

__all__ = ["write_folder"]


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
        Replace files that exist.

    Raises
    ------
    OutputError
        If files exist and ``force`` is off (none is written then), or one cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> [path.name for path in write_folder(tempfile.mkdtemp(), {"a.txt": b"a", "sounds/b.txt": b"b"})]
    ['a.txt', 'b.txt']
    """
    target = Path(folder)
    taken = [] if force else [target / name for name in files if os.path.lexists(target / name)]
    if taken:
        more = f" (and {len(taken) - 1} more)" if len(taken) > 1 else ""
        raise OutputError(f"{taken[0]}{more} exists: choose another place with --out, or replace it with --force")
    make_folder(target)
    for name in sorted({str(Path(name).parent) for name in files} - {"."}):
        make_folder(target / name)
    for name, data in files.items():
        write_bytes(target / name, data, force=force)
    return tuple(target / name for name in files)
