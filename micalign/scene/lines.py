"""On which line of a scene file a key stands.

The TOML reader of the standard library tells no lines, so this looks for them: table headers are counted, keys are
looked for below their header. Where a file is written in an unusual way (tables inline in one array, say) the line of
the header, or none, is told rather than a wrong one.
"""

from __future__ import annotations

import re
from collections import Counter
from typing import Final

from micalign.scene.crosscheck import Place

__all__ = ["line_finder"]

_HEADER: Final = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY: Final = re.compile(r"""\s*("(?:[^"\\]|\\.)*"|'[^']*'|[A-Za-z0-9_-]+)\s*[=.]""")


class _Lines:
    """The line of each table and key, by place."""

    def __init__(self, text: str) -> None:
        self._lines: dict[Place, int] = {}
        counts: Counter[str] = Counter()
        table: Place = ()
        for number, line in enumerate(text.splitlines(), start=1):
            header = _HEADER.match(line)
            if header:
                table = self._table(header[1] == "[[", header[2], counts)
                self._lines.setdefault(table, number)
                continue
            key = _KEY.match(line)
            if key:
                self._lines.setdefault((*table, key[1].strip("\"'")), number)

    @staticmethod
    def _table(is_array: bool, name: str, counts: Counter[str]) -> Place:
        words = tuple(word.strip().strip("\"'") for word in name.split("."))
        if not is_array:
            # [mic.move] belongs to the last [[mic]]
            return (words[0], counts[words[0]] - 1, *words[1:]) if words[0] in counts else words
        counts[words[0]] += 1
        return (words[0], counts[words[0]] - 1, *words[1:])

    def __call__(self, place: Place) -> int | None:
        for length in range(len(place), 0, -1):
            if place[:length] in self._lines:
                return self._lines[place[:length]]
        return None


def line_finder(text: str) -> _Lines:
    """A function from a place (keys and indices, counted from 0) to a line (counted from 1), or None.

    >>> find = line_finder('title = "barn"\\n[[mic]]\\nname = "room"\\n[[mic]]\\nname = "kick"\\naimm = 1\\n')
    >>> find(("mic", 1, "aimm")), find(("mic", 0, "at")), find(("room", "size"))
    (6, 2, None)
    """
    return _Lines(text)
