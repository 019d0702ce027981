"""How does a table give way on a narrow terminal? Closer columns, then folded names, then rows that stack.

No word and no number is broken and nothing is left out: where sentences in the last column have no room beside the
figures they stand below their rows; where the longest words and the figures do not fit side by side either, each row is
printed in lines, its first cell above and the others below with their headings, as many to a line as fit.
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
"""Count of characters: words beside a label of up to twenty characters have room from this width on."""
_GAP, _SET_IN = 3, 4  # blanks between columns, and before what is set in
_FEW_WORDS, _MOST_LINES = 24, 2
"""Count of characters, and of lines: in a narrower column a sentence of more lines is hard to read (judgement)."""


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
        room = options.max_width - 2 * gaps
        if sum(least) > room and self.row_count:
            yield from self._stacked(options.max_width)
            return
        if self._is_cramped(_shared(natural, least, room)[-1]):
            yield from self._with_words_below(_shared(natural[:-1], least[:-1], room + 2))
            return
        self.collapse_padding = sum(natural) + 3 * gaps > options.max_width
        for column, width in zip(self.columns, _shared(natural, least, room), strict=True):
            column.width = width if self.collapse_padding else None
        yield from super().__rich_console__(console, options)

    def _texts(self) -> list[list[str]]:
        return [[str(column.header), *map(str, column.cells)] for column in self.columns]

    def _is_cramped(self, width: int) -> bool:
        """Whether the last column holds a sentence that its width breaks into many lines."""
        last = self.columns[-1]
        longest = max((cell_len(str(cell)) for cell in last.cells), default=0)
        return len(self.columns) > 2 and not last.no_wrap and width < _FEW_WORDS and longest > _MOST_LINES * width

    def _with_words_below(self, widths: Sequence[int]) -> Iterator[RenderableType]:
        """Each row, and below it what stands in the last column, in the whole width."""
        *columns, last = self.columns

        def row(cells: Sequence[RenderableType]) -> Table:
            grid = Table.grid(padding=(0, 2, 0, 0))
            for column, width in zip(columns, widths, strict=True):
                grid.add_column(justify=column.justify, width=width, no_wrap=column.no_wrap, overflow="fold")
            grid.add_row(*cells)
            return grid

        yield row([Text(str(column.header), style="table.header") for column in columns])
        yield Text("\u2500" * (sum(widths) + 2 * (len(widths) - 1)))
        for *cells, words in zip(*(column.cells for column in self.columns), strict=True):
            yield row(cells)
            if str(words).strip():
                yield _below(_headed(str(last.header), ""), words)

    def _stacked(self, width: int) -> Iterator[RenderableType]:
        """A row in lines; a blank first cell belongs to the one above it."""
        headings = [_in_line(str(column.header)) for column in self.columns]
        for first, *rest in zip(*(column.cells for column in self.columns), strict=True):
            if str(first):
                yield Text(_headed(headings[0], str(first)))
            rest_of_rows = [
                Text.assemble(_headed(heading, ""), _styled(cell))
                for heading, cell in zip(headings[1:], rest, strict=True)
                if str(cell).strip()
            ]
            for place, line in enumerate(_side_by_side(rest_of_rows, width - _SET_IN)):
                yield Padding(line, (0, 0, 0, _SET_IN if place else _SET_IN // 2))


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


def _below(heading: str, cell: RenderableType) -> RenderableType:
    return Padding(Text.assemble(heading, _styled(cell)), (0, 0, 0, 2))


def _styled(cell: RenderableType) -> Text:
    """A cell in one line, in its own style."""
    return Text(_in_line(str(cell), ", "), style=cell.style if isinstance(cell, Text) else "")


def _side_by_side(parts: Iterable[Text], width: int) -> Iterator[Text]:
    """As many to a line as fit; one that is wider than a line has its own, and wraps."""
    line = Text()
    for part in parts:
        if line and line.cell_len + _GAP + part.cell_len > width:
            yield line
            line = Text()
        line = Text.assemble(line, " " * _GAP if line else "", part)
    if line:
        yield line


def _headed(heading: str, cell: str) -> str:
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
