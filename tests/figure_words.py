"""Reads figures as a viewer would: which words lie where on paper."""

from __future__ import annotations

from itertools import combinations
from typing import Any

from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox


def shown_words(figure: Figure) -> list[tuple[str, Bbox]]:
    """Every visible text of a figure and the box it covers, pixels."""
    figure.draw_without_rendering()
    renderer: Any = figure.canvas.get_renderer()  # type: ignore[attr-defined]
    found = []
    for text in figure.findobj(Text):
        assert isinstance(text, Text)
        if text.get_visible() and text.get_text().strip() and _is_drawn(text, figure):
            # The words alone: the box of a note would hold its leader line too.
            found.append((text.get_text(), Text.get_window_extent(text, renderer)))
    return found


def _is_drawn(text: Text, figure: Figure) -> bool:
    """Tick labels are kept by their axes also where they lie outside the limits; those are not drawn."""
    for axes in [one for parent in figure.axes for one in (parent, *parent.child_axes)]:
        if not axes.axison and text in {axes.xaxis.label, axes.yaxis.label}:
            return False
        for axis, low, high in ((axes.xaxis, *sorted(axes.get_xlim())), (axes.yaxis, *sorted(axes.get_ylim()))):
            for tick in (*axis.get_major_ticks(), *axis.get_minor_ticks()):
                if text in {tick.label1, tick.label2}:
                    inside = low - 1e-9 <= tick.get_loc() <= high + 1e-9
                    return axes.axison and inside and tick.label1.get_visible() and text is tick.label1
    return True


def cut_off(figure: Figure) -> list[str]:
    """Words that reach beyond the paper."""
    paper = figure.bbox
    return [
        word
        for word, box in shown_words(figure)
        if box.x0 < paper.x0 - 1 or box.y0 < paper.y0 - 1 or box.x1 > paper.x1 + 1 or box.y1 > paper.y1 + 1
    ]


def overlaps(figure: Figure, *, pixels: float = 2.0) -> list[tuple[str, str]]:
    """Pairs of words that cover each other by more than ``pixels`` both ways."""
    found = []
    for (one, a), (other, b) in combinations(shown_words(figure), 2):
        across = min(a.x1, b.x1) - max(a.x0, b.x0)
        up = min(a.y1, b.y1) - max(a.y0, b.y0)
        if across > pixels and up > pixels:
            found.append((one, other))
    return found
