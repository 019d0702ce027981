"""How is a user's own text made safe for a terminal? No name may steer it with control or direction characters."""

from __future__ import annotations

import unicodedata

__all__ = ["clean", "escaped", "one_line", "shortened"]


def clean(text: str) -> str:
    """The text with control and direction characters made visible, so that a name cannot steer the terminal.

    >>> clean("kick\\x1b[31m")
    'kick\\\\x1b[31m'
    """
    return "".join(
        char if char == "\n" or unicodedata.category(char) not in {"Cc", "Cf", "Cs", "Zl", "Zp"} else _escaped(char)
        for char in text
    )


def escaped(text: str) -> str:
    """The text of a TOML file whose strings hold no such character as it is; it still says the same.

    >>> escaped('name = "\u202egnp"') == 'name = "' + chr(92) + 'u202Egnp"'
    True
    """
    return "".join(
        char
        if char in "\n\t" or unicodedata.category(char) not in {"Cc", "Cf", "Zl", "Zp"}
        else f"\\U{ord(char):08X}"
        if ord(char) > 0xFFFF
        else f"\\u{ord(char):04X}"
        for char in text
    )


def one_line(text: str) -> str:
    """The same on one line, so that a name cannot look like a message of its own.

    >>> one_line("kick\\nmicalign: all is well")
    'kick\\\\nmicalign: all is well'
    """
    return clean(text).replace("\n", "\\n")


def shortened(text: str, most: int = 2000) -> str:
    """The beginning and the end of a text that is longer than any sentence.

    >>> shortened("a" * 3000, 20)
    'aaaaaaa ... aaaaaaaa'
    """
    if len(text) <= most:
        return text
    half = (most - 5) // 2
    return f"{text[:half]} ... {text[len(text) - (most - 5 - half) :]}"


def _escaped(char: str) -> str:
    return char.encode("unicode_escape").decode("ascii")
