"""How does a result look in a terminal and in a notebook? A title, a few rows, and how many more there are.

A class that takes part says only what stands in its `Listing`; text, HTML and plain values follow from it.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from itertools import islice
from typing import Any, Final

__all__ = ["Listing", "Shown"]

_MOST_ROWS: Final = 12  # a screen holds some twenty lines; the rest is counted, and stands in the result's own fields


@dataclass(frozen=True, slots=True)
class Listing:
    """A short table: its first ``words`` columns are words, the others figures; ``count`` is that of all rows."""

    title: str
    headings: Sequence[str]
    rows: Iterable[Sequence[str]]
    count: int
    words: int = 1

    def shown_rows(self) -> tuple[list[list[str]], str]:
        """The rows that are shown, and a word on those that are not."""
        shown = [[str(cell) for cell in row] for row in islice(self.rows, _MOST_ROWS)]
        left = self.count - len(shown)
        return shown, f"... and {left} more" if left > 0 else ""


class Shown(ABC):
    """A result that prints as a short table, and gives its figures as plain values."""

    __slots__ = ()

    @abstractmethod
    def _listing(self) -> Listing:
        """What stands in the table."""

    def __repr__(self) -> str:
        listing = self._listing()
        rows, more = listing.shown_rows()
        lines = [_harmless(listing.title)]
        if rows:
            cells = [[_harmless(cell) for cell in row] for row in (listing.headings, *rows)]
            widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
            lines += [_line(row, widths, listing.words) for row in cells]
        return "\n".join([*lines, *([more] if more else [])])

    def _repr_html_(self) -> str:
        from html import escape  # noqa: PLC0415 - only a notebook asks

        def row(cells: Iterable[str], kind: str) -> str:
            return f"<tr>{''.join(f'<{kind}>{escape(_harmless(cell))}</{kind}>' for cell in cells)}</tr>"

        listing = self._listing()
        rows, more = listing.shown_rows()
        body = "".join(row(cells, "td") for cells in rows)
        head = f"<thead>{row(listing.headings, 'th')}</thead><tbody>{body}</tbody>" if rows else ""
        table = f"<table><caption>{escape(_harmless(listing.title))}</caption>{head}</table>"
        return f"{table}<p>{more}</p>" if more else table

    def to_dict(self) -> dict[str, Any]:
        """Its fields as plain values (lists for arrays, None for what is not finite), ready for JSON."""
        return {one.name: _plain(getattr(self, one.name)) for one in fields(self)}  # type: ignore[arg-type]


def _line(cells: Sequence[str], widths: Sequence[int], words: int) -> str:
    sides = [cell.ljust if place < words else cell.rjust for place, cell in enumerate(cells)]
    return "   ".join(side(width) for side, width in zip(sides, widths, strict=True)).rstrip()


def _harmless(text: str) -> str:
    """A user's own text without what would steer a terminal."""
    return "".join(letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in text)


def _plain(value: Any) -> Any:
    if isinstance(value, Shown):
        return value.to_dict()
    if is_dataclass(value) and not isinstance(value, type):
        held = {one.name: getattr(value, one.name) for one in fields(value)}
        return {name: _plain(one) for name, one in held.items() if not callable(one)}
    if hasattr(value, "tolist"):  # an array, or one of its numbers
        return _plain(value.tolist())
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(one) for one in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
