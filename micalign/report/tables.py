"""How do text and tables look on a terminal? One plain style: ruled under the heading, no boxes, names first.

Cells are plain text. A name of the user's is made harmless: none may steer a terminal with control or direction
characters. How a table gives way where it is too wide is the matter of `micalign.report.narrow_tables`.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.table import Table


__all__ = [
    "GOOD",
    "NOTE",
    "PROBLEM",
    "SEVERITY_STYLES",
    "WARNING",
    "bare_table",
    "clean",
    "clean_lines",
    "counted",
    "escaped",
    "finite",
    "once",
    "ruled_table",
    "sentence",
    "shortened",
]

PROBLEM, WARNING, NOTE, GOOD = "bold color(163)", "color(131)", "color(63)", "color(29)"
"""Colours of verdict words, of the fixed part of the 256: 4.5:1 and more against black and against white (WCAG 2.1)."""
SEVERITY_STYLES = {"problem": PROBLEM, "warning": WARNING, "note": NOTE}


def clean(text: str) -> str:
    """The text on one line, control and direction characters made visible.

    So a name can neither steer the terminal nor look like a row or a message of its own.

    >>> clean("kick\\x1b[31m"), clean("kick\\nmicalign: all is well")
    ('kick\\\\x1b[31m', 'kick\\\\nmicalign: all is well')
    """
    return "".join(
        char
        if unicodedata.category(char) not in {"Cc", "Cf", "Cs", "Zl", "Zp"}
        else char.encode("unicode_escape").decode("ascii")
        for char in text
    )


def clean_lines(text: str) -> str:
    """The same of what is meant to have several lines; names in it are cleaned before.

    >>> clean_lines("peak\\ndBFS\\x1b")
    'peak\\ndBFS\\\\x1b'
    """
    return "\n".join(map(clean, text.split("\n")))


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


def sentence(text: str) -> str:
    """The text with a capital, and a full stop where it ends without one.

    >>> sentence("turn up 6 dB"), sentence("is it muted?")
    ('Turn up 6 dB.', 'Is it muted?')
    """
    return text and text[:1].upper() + text[1:] + ("" if text.endswith(("?", ".")) else ".")


def shortened(text: str, most: int = 2000) -> str:
    """The beginning and the end of a text that is longer than any sentence.

    >>> shortened("a" * 3000, 20)
    'aaaaaaa ... aaaaaaaa'
    """
    if len(text) <= most:
        return text
    half = (most - 5) // 2
    return f"{text[:half]} ... {text[len(text) - (most - 5 - half) :]}"


def once(said: Sequence[tuple[str, str]], *, most: int = 60) -> list[str]:
    """What is said of each name, the same sentence of more than ``most`` characters at the first of them alone.

    >>> once([("kick", "the mic was moved"), ("snare", "the mic was moved"), ("tom", "")], most=10)
    ['the mic was moved', "the same as 'kick'", '']
    """
    first: dict[str, str] = {}
    return [
        words if len(words) <= most or first.setdefault(words, name) == name else f"the same as '{first[words]}'"
        for name, words in said
    ]


def bare_table(title: str, *, caption: str = "") -> Table:
    """An empty table, ruled under its heading; a caption stands below it."""
    from rich import box  # noqa: PLC0415 - only a terminal needs it

    from micalign.report.narrow_tables import RoomyTable  # noqa: PLC0415

    return RoomyTable(
        title=clean(title),
        caption=clean_lines(caption) or None,
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        show_edge=False,
    )


def ruled_table(
    title: str, names: Sequence[str], figures: Sequence[str], rows: Iterable[Sequence[str]], *, caption: str = ""
) -> Table:
    """A table whose first columns hold names and the rest figures.

    Parameters
    ----------
    title, caption : str
        Above and below the table.
    names, figures : sequence of str
        Headings; figures stand to the right.
    rows : iterable of sequences of str
        One cell for each heading.
    """
    table = bare_table(title, caption=caption)
    for heading in names:
        table.add_column(clean_lines(heading), overflow="fold")
    for heading in figures:
        table.add_column(clean_lines(heading), justify="right", no_wrap=True)
    for row in rows:
        named, told = row[: len(names)], row[len(names) :]
        table.add_row(*map(clean, named), *map(clean_lines, told))
    return table


def counted(title: str, shown: int, count: int) -> str:
    """A title, and of how many rows a few are shown."""
    return title if shown == count else f"{title} ({shown} of {count}; all with --all)"


def finite(value: float | None) -> float | None:
    """A figure for a document: None where there is none, or no number.

    >>> finite(float("-inf")), finite(-3.0)
    (None, -3.0)
    """
    return value if value is not None and math.isfinite(value) else None
