from __future__ import annotations

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.text import Text

from micalign.figures.style import Tag, new_figure, place_tags

RADIUS_M = 0.07


def _axes() -> Axes:
    figure = new_figure(4.0, 4.0)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, 2.0)
    axes.set_ylim(0.0, 2.0)
    return axes


def _crossings(axes: Axes, circle: np.ndarray) -> int:
    """Points of the circle under a written word, by the renderer's own boxes."""
    axes.get_figure(root=True).canvas.draw()  # type: ignore[union-attr]
    renderer = axes.get_figure(root=True).canvas.get_renderer()  # type: ignore[union-attr]
    dots = axes.transData.transform(circle)
    boxes = [Text.get_window_extent(text, renderer) for text in axes.texts]  # not the leader as well
    return sum(box.contains(*dot) for box in boxes for dot in dots)


@pytest.mark.parametrize("text", ["A", "12", "snare"])
def test_a_name_keeps_off_the_outline_round_its_point(text: str) -> None:
    """Told of a circle of 10 points round the point, the word is written clear of it; untold, it lies on it."""
    turn = np.linspace(0.0, 2 * np.pi, 400)
    circle = 1.0 + RADIUS_M * np.column_stack([np.cos(turn), np.sin(turn)])
    told, untold = _axes(), _axes()
    place_tags(told, [Tag((1.0, 1.0), text, "ink")], taken=[(1.0, 1.0)], outlines=[circle])
    place_tags(untold, [Tag((1.0, 1.0), text, "ink")], taken=[(1.0, 1.0)])
    assert _crossings(untold, circle) > 0
    assert _crossings(told, circle) == 0
