"""How does a table give way on a narrow terminal? Two characters between columns instead of three, then folded names.

Where even that is too wide the figures fold too: a name or a figure that is not shown at all would be worse.
Loaded only where a table is made, since rich costs 100 ms.
"""

from __future__ import annotations

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, RenderResult
from rich.table import Table

__all__ = ["RoomyTable"]

_NO_LIMIT = 10_000
_SHORTEST_NAME = 4


class RoomyTable(Table):
    """A table that draws its columns closer together before it folds a name."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Draw, with less room between columns where they do not fit."""
        natural = self.__rich_measure__(console, options.update(max_width=_NO_LIMIT)).maximum
        self.collapse_padding = natural > options.max_width
        if self._least_width() > options.max_width:
            for column in self.columns:
                column.no_wrap, column.overflow = False, "fold"
        yield from super().__rich_console__(console, options)

    def _least_width(self) -> int:
        """With figures whole, names folded to a few characters and two characters between columns."""
        widths = [
            max(cell_len(line) for cell in (column.header, *column.cells) for line in str(cell).split("\n"))
            for column in self.columns
        ]
        least = [
            width if column.no_wrap else min(width, _SHORTEST_NAME)
            for column, width in zip(self.columns, widths, strict=True)
        ]
        return sum(least) + 2 * (len(least) - 1)
