"""How is a user's own text made safe for a terminal? No name may steer it with control or direction characters."""

from __future__ import annotations

import unicodedata

__all__ = ["clean"]


def clean(text: str) -> str:
    """The text with control and direction characters made visible, so that a name cannot steer the terminal.

    >>> clean("kick\\x1b[31m")
    'kick\\\\x1b[31m'
    """
    return "".join(
        char if char == "\n" or unicodedata.category(char) not in {"Cc", "Cf", "Cs", "Zl", "Zp"} else _escaped(char)
        for char in text
    )


def _escaped(char: str) -> str:
    return char.encode("unicode_escape").decode("ascii")
