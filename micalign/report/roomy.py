"""How does a table give way on a narrow terminal? Closer columns, then folded names, then rows that stack.

No word and no number is broken and nothing is left out: where the longest words and the figures of a row do not fit
side by side, each row is told in lines, its first cell above and the others below with their headings.
Loaded only where a table is made, since rich costs 100 ms.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.padding import Padding
from rich.style import StyleType
from rich.table import Table
from rich.text import Text

__all__ = ["Beside", "RoomyTable"]

_NARROW = 70
"""Words beside a label of up to twenty characters have room from this width on."""


class RoomyTable(Table):
    """A table that draws its columns closer, folds names between words, and at last stacks its rows."""

    def add_row(self, *cells: RenderableType | None, style: StyleType | None = None, end_section: bool = False) -> None:
        """A row; its style colours the last cell alone, which says in a word what the colour means."""
        last = cells[-1:] if style is None else [Text(str(cells[-1]), style=style)]
        super().add_row(*cells[:-1], *last, end_section=end_section)

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Title, rows and caption, the first and the last in the whole width of the terminal."""
        title, caption = self.title, self.caption
        if title:
            yield Text(str(title), style="bold")
        self.title = self.caption = None
        try:
            yield from self._body(console, options)
        finally:
            self.title, self.caption = title, caption
        if caption:
            yield Text(str(caption), style="")

    def _body(self, console: Console, options: ConsoleOptions) -> RenderResult:
        natural = [max(map(cell_len, _lines(texts)), default=0) for texts in self._texts()]
        least = [
            width if column.no_wrap else max((cell_len(word) for text in texts for word in text.split()), default=0)
            for column, width, texts in zip(self.columns, natural, self._texts(), strict=True)
        ]
        gaps = len(natural) - 1
        if sum(least) + 2 * gaps > options.max_width and self.row_count:
            yield from self._stacked()
            return
        self.collapse_padding = sum(natural) + 3 * gaps > options.max_width
        for column, width in zip(self.columns, _shared(natural, least, options.max_width - 2 * gaps), strict=True):
            column.width = width if self.collapse_padding else None
        yield from super().__rich_console__(console, options)

    def _texts(self) -> list[list[str]]:
        return [[str(column.header), *map(str, column.cells)] for column in self.columns]

    def _stacked(self) -> Iterator[RenderableType]:
        """A row in lines; what a blank first cell leaves out is what the row before said."""
        headings = [_in_line(str(column.header)) for column in self.columns]
        above = ""
        for first, *rest in zip(*(column.cells for column in self.columns), strict=True):
            above = str(first) or above
            yield Text(_told(headings[0], above))
            for heading, cell in zip(headings[1:], rest, strict=True):
                if str(cell).strip():
                    words = Text(_in_line(str(cell), ", "), style=cell.style if isinstance(cell, Text) else "")
                    yield Padding(Text.assemble(_told(heading, ""), words), (0, 0, 0, 2))


class Beside:
    """Short labels and, beside them, sentences; on a narrow terminal the sentences stand below, set in."""

    def __init__(self, rows: Iterable[tuple[Sequence[Text], Text]], *, gap: int = 2, blank: int = 0) -> None:
        self._rows = [(list(labels), said) for labels, said in rows]
        self._gap, self._blank = gap, blank

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """A grid, or labels above."""
        widest = sum(max((label.cell_len for label in column), default=0) + self._gap for column in self._columns())
        if options.max_width < _NARROW and widest > options.max_width // 4:
            for labels, said in self._rows:
                yield Text("  ").join(label for label in labels if label.plain)
                yield Padding(said, (0, 0, self._blank, 2))
            return
        grid = Table.grid(padding=(0, self._gap, self._blank, 0))
        for labels, said in self._rows:
            grid.add_row(*labels, said)
        yield Group(grid)

    def _columns(self) -> list[tuple[Text, ...]]:
        return list(zip(*(labels for labels, _ in self._rows), strict=True))


def _lines(texts: Iterable[str]) -> Iterator[str]:
    for text in texts:
        yield from text.split("\n")


def _told(heading: str, cell: str) -> str:
    return f"{heading}: {cell}" if heading else cell


def _in_line(text: str, between: str = " ") -> str:
    return between.join(part.strip() for part in text.split("\n"))


def _shared(natural: Sequence[int], least: Sequence[int], room: int) -> list[int]:
    """Each column its longest word; of what is left the narrow columns take what they lack before the wide ones."""
    widths, left = list(least), room - sum(least)
    for place in sorted(range(len(widths)), key=natural.__getitem__):
        more = min(natural[place] - least[place], max(left, 0))
        widths[place] += more
        left -= more
    return widths
