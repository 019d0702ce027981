"""SHA-256 of a file: whether it is still the one that was measured, or written."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

from micalign.files.specs import refuse_special, spoken_read

__all__ = ["file_hash"]

_CHUNK: Final = 1 << 20


def file_hash(path: Path) -> str:
    """SHA-256 of a file's bytes, in hex."""
    found = hashlib.sha256()
    refuse_special(path)
    with spoken_read(path), path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            found.update(chunk)
    return found.hexdigest()
