"""How does a table give way on a narrow terminal? Two characters between columns instead of three, then folded names.

Loaded only where a table is made, since rich costs 100 ms.
"""

from __future__ import annotations

from rich.console import Console, ConsoleOptions, RenderResult
from rich.table import Table

__all__ = ["RoomyTable"]

_NO_LIMIT = 10_000


class RoomyTable(Table):
    """A table that draws its columns closer together before it folds a name."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Draw, with less room between columns where they do not fit."""
        natural = self.__rich_measure__(console, options.update(max_width=_NO_LIMIT)).maximum
        self.collapse_padding = natural > options.max_width
        yield from super().__rich_console__(console, options)
