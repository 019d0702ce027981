"""Small words beside points, put where they cover neither a point nor each other, and no outline if that can be."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib.font_manager import FontProperties

from micalign.arrays import Floats
from micalign.figures.style import COLOURS, SMALL

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Tag", "place_tags"]

_RINGS_PT: Final = (9.0, 12.0, 15.0, 19.0, 24.0, 30.0, 37.0, 46.0, 58.0, 72.0)
_DIRECTIONS: Final = 24
_LEADER_FROM_PT: Final = 16.0  # further out than this, a thin line joins word and point
_DOT_PT: Final = 4.5  # half the size of a marker
_STEP_PT: Final = 1.5  # outlines are held against words at steps of this
_COVERED_PT2: Final = 1.0  # a long word that covers more than this of another gives way to its short one,
_CROSSED_PT: Final = 90.0  # and one that crosses more of outlines: its own mic's lobe it may,
_NEAR_PT: Final = 38.0  # and one that would lie further out
_CROSSING: Final = 1.0  # a point of line under a word is as bad as so many square points covered


@dataclass(frozen=True, slots=True)
class Tag:
    """A word for a point (metres, as the view sees it); ``reach`` 0 means it may lie on the point itself.

    Words of lower ``rank`` choose their place before the others. Where ``text`` finds no free place, ``short`` is
    written.
    """

    at: tuple[float, float]
    text: str
    colour: str
    reach: float = 1.0
    rank: int = 0
    short: str = ""


def place_tags(
    axes: Axes,
    tags: Sequence[Tag],
    *,
    taken: Iterable[tuple[float, float]],
    outlines: Iterable[Floats] = (),
    unit_m: float = 1.0,
) -> None:
    """Write each tag near its point, in points of paper; the most crowded tags find their place first.

    ``outlines`` (each (N, 2), metres) are better not crossed.
    """
    lines = np.concatenate([np.zeros((0, 2)), *(_strokes(axes, outline, unit_m) for outline in outlines)])
    dots = np.array([_on_paper(axes, spot, unit_m) for spot in taken]).reshape(-1, 2)
    boxes = [np.concatenate([dot - _DOT_PT, dot + _DOT_PT]) for dot in dots]
    corner = axes.transAxes.transform([(0.0, 0.0), (1.0, 1.0)]) * _points_per_pixel(axes)
    for tag in sorted(tags, key=lambda tag: (tag.rank, tag.reach == 0.0, _farness(tag, dots, axes, unit_m))):
        spot = _on_paper(axes, tag.at, unit_m)
        for text in filter(None, (tag.text, tag.short)):
            half, offsets = _half_size_pt(axes, text), _offsets(tag)
            covered = _cost(spot + offsets, half, np.array(boxes).reshape(-1, 4), corner)
            # A word on a line, such as a length, had better stay on its line.
            crossed = tag.reach * _CROSSING * _STEP_PT * _inside(spot + offsets, half, lines)
            distance = np.hypot(*offsets.T)
            best = int(np.argmin(covered + crossed + 0.02 * distance))
            if covered[best] <= _COVERED_PT2 and crossed[best] <= _CROSSED_PT and distance[best] <= _NEAR_PT:
                break
        offset = offsets[best]
        boxes.append(np.concatenate([spot + offset - half, spot + offset + half]))
        _write(axes, replace(tag, text=text), offset, unit_m)


def _points_per_pixel(axes: Axes) -> float:
    return 72.0 / float(axes.get_figure(root=True).dpi)  # type: ignore[union-attr]


def _half_size_pt(axes: Axes, text: str) -> Floats:
    """Half the width and height of a word as it will be written, with a little air."""
    renderer: Any = axes.get_figure(root=True).canvas.get_renderer()  # type: ignore[union-attr]
    font = FontProperties(size=SMALL, weight="bold")
    width, height, _ = renderer.get_text_width_height_descent(text, font, False)
    return np.array([width, max(height, 1.2 * SMALL / _points_per_pixel(axes))]) * _points_per_pixel(axes) / 2 + 1.2


def _on_paper(axes: Axes, spot: tuple[float, float], unit_m: float) -> Floats:
    """A point in points (1/72 inch) of the sheet."""
    placed: Floats = axes.transData.transform((spot[0] / unit_m, spot[1] / unit_m)) * _points_per_pixel(axes)
    return placed


def _farness(tag: Tag, dots: Floats, axes: Axes, unit_m: float) -> float:
    """How far its second-nearest neighbour is (the nearest is its own point)."""
    apart = np.sort(np.linalg.norm(dots - _on_paper(axes, tag.at, unit_m), axis=1))
    return float(apart[1]) if len(apart) > 1 else math.inf


def _offsets(tag: Tag) -> Floats:
    """Where a word may lie from its point, the nearest first, shape (N, 2)."""
    turns = 2 * np.pi * (np.arange(_DIRECTIONS) / _DIRECTIONS + 1 / 8)
    round_it = np.column_stack([np.cos(turns), np.sin(turns)])
    rings: Floats = np.concatenate([ring * round_it for ring in _RINGS_PT])
    return rings if tag.reach else np.vstack([np.zeros((1, 2)), rings])


def _cost(centres: Floats, half: Floats, boxes: Floats, corner: Floats) -> Floats:
    """For each centre: square points covered, and much for leaving the axes, shape (N,)."""
    low, high = centres - half, centres + half
    outside = np.maximum(corner[0] - low, 0).sum(axis=1) + np.maximum(high - corner[1], 0).sum(axis=1)
    shared = np.minimum(high[:, None], boxes[None, :, 2:]) - np.maximum(low[:, None], boxes[None, :, :2])
    covered = np.prod(np.maximum(shared, 0.0), axis=-1).sum(axis=1)
    cost: Floats = covered + 50.0 * outside
    return cost


def _strokes(axes: Axes, outline: Floats, unit_m: float) -> Floats:
    """An outline as points a step apart on the paper, shape (P, 2)."""
    corners = np.array([_on_paper(axes, (float(x), float(y)), unit_m) for x, y in outline])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    steps = np.arange(0.0, along[-1], _STEP_PT)
    return np.column_stack([np.interp(steps, along, corners[:, axis]) for axis in (0, 1)])


def _inside(centres: Floats, half: Floats, points: Floats) -> Floats:
    """How many of the points lie under a word at each centre, shape (N,)."""
    count: Floats = np.all(np.abs(centres[:, None] - points[None]) < half, axis=-1).sum(axis=1).astype(float)
    return count


def _write(axes: Axes, tag: Tag, offset: Floats, unit_m: float) -> None:
    far = math.hypot(*offset) > _LEADER_FROM_PT
    axes.annotate(
        tag.text,
        xy=(tag.at[0] / unit_m, tag.at[1] / unit_m),
        xytext=tuple(offset),
        textcoords="offset points",
        fontsize=SMALL,
        weight="bold",
        color=COLOURS[tag.colour],
        ha="center",
        va="center",
        zorder=6,
        bbox={"facecolor": COLOURS["paper"], "edgecolor": "none", "pad": 0.6, "alpha": 0.75},
        arrowprops={"arrowstyle": "-", "color": COLOURS["soft"], "linewidth": 0.6, "shrinkA": 0, "shrinkB": 3}
        if far
        else None,
    )
