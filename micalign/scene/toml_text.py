"""The text of a TOML file, where its reader says too little: on which line a key stands, and how a bad line is mended.

The reader of the standard library gives no lines of keys, so `line_finder` looks for them: table headers are counted,
keys are looked for below their header. Where a file is written in an unusual way (tables inline in one array, say) the
line of the header, or none, is given rather than a wrong one.

TOML in short, for `mended_line`: text stands in quotes, a list in brackets, and a table that may come again in two
brackets each side.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from typing import Final

from micalign.scene.crosscheck import Place

__all__ = ["line_finder", "mended_line"]

_HEADER: Final = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY_LINE: Final = re.compile(r"""\s*("(?:[^"\\]|\\.)*"|'[^']*'|[A-Za-z0-9_-]+)\s*[=.]""")
_NUMBER: Final = r"[+-]?\d+(?:\.\d+)?"
_KEY: Final = r"\s*(\"[^\"]+\"|[\w-]+)"
_REMARK: Final = r"\s*(#.*)?"


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
            key = _KEY_LINE.match(line)
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


def _without_quotes(line: str) -> str:
    """``name = snare drum``."""
    found = re.fullmatch(rf"{_KEY}\s*=\s*([^\W\d][^\"'#\[\]{{}}=]{{0,60}}?){_REMARK}", line)
    return f'text stands in quotes: {found[1]} = "{found[2]}"' if found else ""


def _without_equals(line: str) -> str:
    """``name "snare"``, ``at [1, 2, 3]``, ``name: "snare"``."""
    found = re.fullmatch(rf"{_KEY}\s*[:\s]\s*([\"'\[{{\d+-][^=]*?){_REMARK}", line)
    return f"an equals sign stands between key and value: {found[1]} = {found[2]}" if found else ""


def _without_brackets(line: str) -> str:
    """``at = 1, 2, 3``, with or without an end of the bracket, or in round ones."""
    number = rf"(?:{_NUMBER}|\"[^\"]*\"|\?)"
    found = re.fullmatch(
        rf"{_KEY}\s*=\s*[\[(]?\s*({number}(?:\s*[,;]?\s+|\s*[,;]\s*){number}.*?)\s*[\])]?{_REMARK}", line
    )
    if not found or ("[" in line and "]" in line):
        return ""
    parts = re.findall(number, found[2])
    listed = ", ".join('"?"' if part == "?" else part for part in parts)
    return f"a list stands in brackets, with commas: {found[1]} = [{listed}]"


def _with_a_decimal_comma(line: str) -> str:
    """``distance = 1,62``: a number, not a list."""
    found = re.fullmatch(rf"{_KEY}\s*=\s*(\d+),(\d+){_REMARK}", line)
    return f"a decimal point, not a comma: {found[1]} = {found[2]}.{found[3]}" if found else ""


def _with_one_quote(line: str) -> str:
    """``name = "snare``."""
    found = re.fullmatch(rf"{_KEY}\s*=\s*\"([^\"#]*?){_REMARK}", line)
    return f'the quotes are closed: {found[1]} = "{found[2]}"' if found else ""


def _with_a_unit(line: str) -> str:
    """``distance = 41 in``: a length with its unit is text."""
    found = re.fullmatch(rf"{_KEY}\s*=\s*({_NUMBER}\s*[A-Za-z]+(?:\s+[\d./ ]+[A-Za-z]+)?){_REMARK}", line)
    return f'a length with its unit stands in quotes: {found[1]} = "{found[2]}"' if found else ""


def _of_a_table(line: str) -> str:
    """``[[mic]``, ``[source]`` for the second time."""
    found = re.fullmatch(rf"\s*\[+\s*(source|mic|di|pair|tape|keepout|panel)s?\s*\]*{_REMARK}", line)
    if not found or line.strip().startswith(f"[[{found[1]}]]"):
        return ""
    return f"each one begins a table of its own, in two brackets: [[{found[1]}]]"


def _twice(line: str) -> str:
    """A key that stands in its table already."""
    found = re.fullmatch(rf"{_KEY}\s*=.*", line)
    return f"{found[1]} is given twice in one table: is a [[source]] or [[mic]] missing above it?" if found else ""


_SLIPS: Final[tuple[Callable[[str], str], ...]] = (
    _of_a_table,
    _with_a_unit,
    _with_a_decimal_comma,
    _without_brackets,
    _without_equals,
    _without_quotes,
    _with_one_quote,
)


def mended_line(text: str, fault: str) -> str:
    """How to mend the line that a TOML reader's complaint is about; nothing where no usual slip is seen.

    A slip at a line's end is often reported at the next one, so the line above is looked at too.

    >>> mended_line("name = snare", "Invalid value (at line 1, column 8)")
    ': text stands in quotes: name = "snare"'
    >>> mended_line("at = 1,2,3", "Expected newline (at line 1, column 7)")
    ': a list stands in brackets, with commas: at = [1, 2, 3]'
    """
    found = re.search(r"at line (\d+)", fault)
    lines = text.splitlines()
    number = int(found[1]) if found else len(lines)
    if "overwrite" in fault:
        return _after_colon(_twice(lines[number - 1])) if number <= len(lines) else ""
    for place in (number, number - 1):
        line = lines[place - 1] if 1 <= place <= len(lines) else ""
        hint = next((said for slip in _SLIPS if (said := slip(line))), "") if line.strip() else ""
        if hint:
            return _after_colon(hint)
    return ""


def _after_colon(hint: str) -> str:
    return f": {hint}" if hint else ""
