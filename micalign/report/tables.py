"""How do tables look on a terminal? One plain style for all: ruled under the heading, no boxes, names first.

Cells are plain text; names of the user's are made harmless here. How a table gives way where it is too wide is told in
`micalign.report.roomy`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from micalign.report.plain import clean

if TYPE_CHECKING:
    from rich.table import Table

__all__ = ["GOOD", "NOTE", "PROBLEM", "SEVERITY_STYLES", "WARNING", "bare_table", "counted", "ruled_table"]

PROBLEM, WARNING, NOTE, GOOD = "bold color(163)", "color(131)", "color(63)", "color(29)"
"""Colours of verdict words, of the fixed part of the 256: 4.5:1 and more against black and against white (WCAG 2.1)."""

SEVERITY_STYLES = {"problem": PROBLEM, "warning": WARNING, "note": NOTE}


def bare_table(title: str, *, caption: str = "") -> Table:
    """An empty table, ruled under its heading; a caption stands below it."""
    from rich import box  # noqa: PLC0415 - only a terminal needs it

    from micalign.report.roomy import RoomyTable  # noqa: PLC0415

    return RoomyTable(
        title=clean(title),
        caption=clean(caption) or None,
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
        table.add_column(clean(heading), overflow="fold")
    for heading in figures:
        table.add_column(clean(heading), justify="right", no_wrap=True)
    for row in rows:
        table.add_row(*(clean(cell) for cell in row))
    return table


def counted(title: str, shown: int, count: int) -> str:
    """A title, and of how many rows a few are shown."""
    return title if shown == count else f"{title} ({shown} of {count}; all with --all)"
