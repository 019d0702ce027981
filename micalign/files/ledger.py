"""Which files of a folder did micalign write there, and are they still as it wrote them?

The file that describes a set (``truth.json``, ``offsets.json``) holds the SHA-256 of the others. Only what it lists, if
it is unchanged, may be replaced; every other file may be a recording, or somebody's work on one.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final

from micalign.errors import OutputError, TakeError
from micalign.files.hashes import file_hash
from micalign.files.specs import refuse_special

__all__ = ["in_the_way", "listed", "refuse_in_the_way"]

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
