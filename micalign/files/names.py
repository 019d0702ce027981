"""Which file names are one name on some disk, and which are none on some system?

Disks may ignore case and take an accent in one character or two for the same; Windows keeps some names for devices and
drops blanks and dots at the end. What is written is told apart on every system, so that a set can be copied to any.
"""

from __future__ import annotations

import unicodedata
from typing import Final

__all__ = ["fault_of", "free_name", "one_name"]

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
