"""How is a user's own text made safe for a terminal? No name may steer it with control or direction characters."""

from __future__ import annotations

import unicodedata

__all__ = ["clean", "one_line"]


def clean(text: str) -> str:
    """The text with control and direction characters made visible, so that a name cannot steer the terminal.

    >>> clean("kick\\x1b[31m")
    'kick\\\\x1b[31m'
    """
    return "".join(
        char if char == "\n" or unicodedata.category(char) not in {"Cc", "Cf", "Cs", "Zl", "Zp"} else _escaped(char)
        for char in text
    )


def one_line(text: str) -> str:
    """The same on one line, so that a name cannot look like a message of its own.

    >>> one_line("kick\\nmicalign: all is well")
    'kick\\\\nmicalign: all is well'
    """
    return clean(text).replace("\n", "\\n")


def _escaped(char: str) -> str:
    return char.encode("unicode_escape").decode("ascii")
