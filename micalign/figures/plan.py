"""Where everything stands: plan, view from the front and view from the left, to one scale.

Sources carry letters, mics numbers (their place in the channel list); the key below the views gives names and
heights. A mic's lobe is its pickup pattern cut by the plane of the view. Old places, where a scene from before a move
is given, are hollow and joined to the new ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from micalign.figures.layout import Sheet, sheet_for
from micalign.figures.style import COLOURS, NORMAL, SMALL, dress, new_figure, words
from micalign.figures.tags import Tag, place_tags
from micalign.figures.views import (
    VIEWS,
    View,
    extent_of,
    keepout_outline,
    lobe_outline,
    panel_outline,
    room_box,
)
from micalign.scene.model import Mic, Scene
from micalign.units import METRES, show_length

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["key_of", "plan_figure"]

_LOBE_IN: Final = 0.30  # radius of a lobe on paper, inches
_LETTERS: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_ENTRY_IN: Final = 0.20  # height of a line of the key, inches
_COLUMNS: Final = 3


@dataclass(frozen=True, slots=True)
class _Drawing:
    """What each view needs to know."""

    scene: Scene
    before: Scene | None
    paths_of: str | None
    unit: str
    sheet: Sheet

    def scaled(self, metres: Any) -> Any:
        """Metres in the drawing's unit."""
        return np.asarray(metres) / METRES[self.unit]


def plan_figure(scene: Scene, *, before: Scene | None = None, paths_of: str | None = None) -> Figure:
    """Plan, front and left view of a scene whose positions are all known.

    Parameters
    ----------
    scene : Scene
        With every position filled in (`acoustics.survey.surveyed`).
    before : Scene, optional
        The same things at their old places: drawn hollow, joined to the new ones.
    paths_of : str, optional
        A source whose direct paths to all mics are drawn, with their lengths.

    Returns
    -------
    Figure
        Drawn in the scene's ``length_unit``.

    Raises
    ------
    SceneError
        If ``paths_of`` names no source, or a position is not known.

    Examples
    --------
    >>> from micalign.scene.model import Mic, Source
    >>> scene = Scene(sources=(Source("snare", (2.0, 2.0, 0.7)),), mics=(Mic("room", (4.0, 3.0, 1.5)),))
    >>> [axes.get_title(loc="left") for axes in plan_figure(scene, paths_of="snare").axes[:3]]
    ['plan', 'from the front', 'from the left']
    """
    if paths_of is not None:
        scene.source(paths_of)
    entries = _entries(scene)
    sheet = sheet_for(extent_of(scene, before=before), key_in=_ENTRY_IN * (-(-len(entries) // _COLUMNS)) + 0.1)
    figure = new_figure(sheet.width_in, sheet.height_in, constrained=False)
    unit = "m" if scene.length_unit == "mm" else scene.length_unit
    drawing = _Drawing(scene, before, paths_of, unit, sheet)
    for view in VIEWS:
        _draw_view(figure.add_axes(sheet.place(view.name)), drawing, view)
    _draw_key_plan(figure.add_axes(sheet.place("key plan")), drawing)
    _write_key(figure.add_axes(sheet.place("key")), entries)
    if scene.title:
        figure.text(
            sheet.left_in / sheet.width_in,
            1 - 0.28 / sheet.height_in,
            words(scene.title, longest=90),
            fontsize=NORMAL + 1,
            color=COLOURS["ink"],
            va="center",
        )
    return figure


def key_of(scene: Scene) -> dict[str, str]:
    """The tag of each thing: A, B, ... for sources; 1, 2, ... for mics, as in the channel list.

    >>> from micalign.scene.model import Mic, Source
    >>> key_of(Scene(sources=(Source("snare", (2.0, 2.0, 0.7)),), mics=(Mic("room", (4.0, 3.0, 1.5)),)))
    {'snare': 'A', 'room': '1'}
    """
    tags = {source.name: _letter(index) for index, source in enumerate(scene.sources)}
    return tags | {mic.name: str(index) for index, mic in enumerate(scene.mics, start=1)}


def _letter(index: int) -> str:
    turn, place = divmod(index, len(_LETTERS))
    return _LETTERS[place] * (turn + 1)


def _entries(scene: Scene) -> list[tuple[str, str, str]]:
    """Colour, tag and words of each line of the key."""
    tags = key_of(scene)
    unit = scene.length_unit
    direct = {di.of: di.name for di in scene.dis}
    rows = []
    for source in scene.sources:
        also = f" (+ {direct[source.name]})" if source.name in direct else ""
        height = show_length(source.position[2], unit)
        rows.append(("umber", tags[source.name], f"{words(source.name + also, longest=26)}, {height} high"))
    for mic in scene.mics:
        height = show_length(mic.position[2], unit)
        rows.append(("blue", tags[mic.name], f"{words(mic.name, longest=26)}, {height} high"))
    return rows


def _draw_view(axes: Axes, drawing: _Drawing, view: View) -> None:
    _frame(axes, drawing, view)
    scene = drawing.scene
    _draw_room(axes, drawing, view)
    for keepout in scene.keepouts:
        outline = drawing.scaled(keepout_outline(keepout, view))
        axes.fill(*outline.T, facecolor="none", edgecolor=COLOURS["soft"], hatch="////", linewidth=0.8, alpha=0.55)
    for mic in scene.mics:
        _draw_mic(axes, drawing, view, mic)
    for source in scene.sources:
        axes.plot(*drawing.scaled(view.flat(source.position)), "o", color=COLOURS["amber"], markersize=7, zorder=4)
    if drawing.before is not None:
        _draw_moves(axes, drawing, view, drawing.before)
    tags = [*_path_tags(axes, drawing, view), *_name_tags(drawing, view)]
    place_tags(axes, tags, taken=[view.flat(thing.position) for thing in scene.placed()], unit_m=METRES[drawing.unit])


def _frame(axes: Axes, drawing: _Drawing, view: View) -> None:
    names = ("x, from the left wall", "y, from the front wall", "z, from the floor")
    extent, unit = drawing.sheet.extent, drawing.unit
    x, y = f"{names[view.across]} ({unit})", f"{names[view.up]} ({unit})"
    # The lower views share their heights: the second needs no label of its own.
    dress(axes, x=x, y="" if view.name == "from the left" else y, title=view.name, grid="both")
    axes.set_xlim(*drawing.scaled((extent.low[view.across], extent.high[view.across])))
    axes.set_ylim(*drawing.scaled((extent.low[view.up], extent.high[view.up])))
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(_steps(drawing))


def _steps(drawing: _Drawing) -> Any:
    from matplotlib.ticker import MultipleLocator  # noqa: PLC0415 - beside its use

    inches_apart = 0.55
    wanted = inches_apart / drawing.sheet.inches_per_metre / METRES[drawing.unit]
    ladder = (6, 12, 24, 48, 96) if drawing.unit == "in" else (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500)
    return MultipleLocator(next((step for step in ladder if step >= wanted), ladder[-1]))


def _draw_room(axes: Axes, drawing: _Drawing, view: View) -> None:
    outline = room_box(drawing.scene, view)
    if outline is not None:
        axes.plot(*drawing.scaled(outline).T, color=COLOURS["ink"], linewidth=2.2, zorder=2)
    for panel in drawing.scene.panels:
        corners = panel_outline(panel)[:, [view.across, view.up]]
        axes.fill(
            *drawing.scaled(corners).T,
            facecolor=COLOURS["wash"],
            edgecolor=COLOURS["plum"],
            linewidth=1.6,
            zorder=1.5,
        )


def _draw_mic(axes: Axes, drawing: _Drawing, view: View, mic: Mic) -> None:
    lobe = lobe_outline(drawing.scene, mic, view, radius=_LOBE_IN / drawing.sheet.inches_per_metre)
    axes.fill(*drawing.scaled(lobe).T, facecolor=COLOURS["blue"], alpha=0.16, linewidth=0, zorder=2.5)
    axes.plot(*drawing.scaled(lobe).T, color=COLOURS["blue"], linewidth=0.8, zorder=2.6)
    spot = drawing.scaled(view.flat(mic.position))
    axes.plot(*spot, "s", color=COLOURS["blue"], markersize=5.5, zorder=5)
    if mic.move is not None:
        low, high = drawing.scaled(view.flat(mic.move.low)), drawing.scaled(view.flat(mic.move.high))
        axes.plot(
            [low[0], high[0], high[0], low[0], low[0]],
            [low[1], low[1], high[1], high[1], low[1]],
            color=COLOURS["blue"],
            linewidth=0.7,
            linestyle=(0, (2, 2)),
            zorder=2,
        )


def _draw_moves(axes: Axes, drawing: _Drawing, view: View, before: Scene) -> None:
    new = {mic.name: mic.position for mic in drawing.scene.mics}
    for mic in before.mics:
        if mic.name not in new or np.allclose(mic.position, new[mic.name], atol=5e-4):
            continue
        old, now = drawing.scaled(view.flat(mic.position)), drawing.scaled(view.flat(new[mic.name]))
        axes.annotate(
            "",
            xy=now,
            xytext=old,
            arrowprops={"arrowstyle": "-|>", "color": COLOURS["ink"], "linewidth": 1.0, "shrinkB": 4},
            zorder=4,
        )
        axes.plot(*old, "s", markerfacecolor=COLOURS["paper"], markeredgecolor=COLOURS["ink"], markersize=5.5, zorder=4)


def _path_tags(axes: Axes, drawing: _Drawing, view: View) -> list[Tag]:
    """Draw the direct paths of the chosen source; their lengths go to the plan alone."""
    if drawing.paths_of is None:
        return []
    start = drawing.scene.source(drawing.paths_of).position
    tags = []
    for mic in drawing.scene.mics:
        ends = drawing.scaled([view.flat(start), view.flat(mic.position)])
        axes.plot(*ends.T, color=COLOURS["plum"], linewidth=1.1, linestyle=(0, (5, 2)), zorder=3)
        length = show_length(float(np.linalg.norm(np.subtract(start, mic.position))), drawing.scene.length_unit)
        middle = tuple(np.mean([view.flat(start), view.flat(mic.position)], axis=0))
        tags.append(Tag(middle, length, "plum", reach=0.0))
    return tags if view.name == "plan" else []


def _name_tags(drawing: _Drawing, view: View) -> list[Tag]:
    tags = key_of(drawing.scene)
    sources = [Tag(view.flat(s.position), tags[s.name], "umber") for s in drawing.scene.sources]
    return sources + [Tag(view.flat(m.position), tags[m.name], "blue") for m in drawing.scene.mics]


def _draw_key_plan(axes: Axes, drawing: _Drawing) -> None:
    """The whole room small, with the part that is drawn; nothing where all of it is drawn or there is no room."""
    axes.set_axis_off()
    _write_symbols(axes, drawing)
    _draw_scale_bar(axes, drawing)
    room = drawing.scene.room
    extent = drawing.sheet.extent
    if room is None or np.allclose(room.size, extent.size):
        return
    inset = axes.inset_axes((0.0, 0.6, 1.0, 0.36))
    inset.set_aspect("equal")
    inset.set_axis_off()
    width, depth = room.size[:2]
    inset.fill([0, width, width, 0], [0, 0, depth, depth], facecolor="none", edgecolor=COLOURS["ink"], linewidth=1.4)
    (x0, y0), (x1, y1) = extent.low[:2], extent.high[:2]
    inset.fill([x0, x1, x1, x0], [y0, y0, y1, y1], facecolor=COLOURS["line"], edgecolor=COLOURS["soft"], linewidth=0.8)
    size = " x ".join(show_length(value, drawing.unit) for value in room.size)
    inset.set_title(f"the room: {size}", fontsize=SMALL, color=COLOURS["soft"], pad=4)


def _draw_scale_bar(axes: Axes, drawing: _Drawing) -> None:
    """A bar of a round length above the symbols."""
    length, text = {"ft": (0.3048, "1 ft"), "in": (0.3048, "12 in"), "cm": (0.5, "50 cm")}.get(
        drawing.unit, (0.5, "0.5 m")
    )
    across = length * drawing.sheet.inches_per_metre / drawing.sheet.inches_of("key plan")[0]
    height = 1.32 / drawing.sheet.inches_of("key plan")[1]
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    axes.plot([0.02, 0.02 + across], [height, height], "|-", color=COLOURS["ink"], markersize=8, linewidth=1.4)
    axes.text(0.04 + across, height, text, fontsize=SMALL, va="center", color=COLOURS["ink"])


def _write_symbols(axes: Axes, drawing: _Drawing) -> None:
    from matplotlib.lines import Line2D  # noqa: PLC0415 - beside its use

    blank: dict[str, Any] = {"linestyle": "none", "markersize": 6}
    handles = [
        Line2D([], [], marker="o", color=COLOURS["amber"], label="source", **blank),
        Line2D([], [], marker="s", color=COLOURS["blue"], label="mic and its pickup", **blank),
    ]
    if any(mic.move is not None for mic in drawing.scene.mics):
        handles.append(Line2D([], [], color=COLOURS["blue"], linewidth=0.8, linestyle=(0, (2, 2)), label="may move in"))
    if drawing.before is not None:
        hollow: dict[str, Any] = {"markerfacecolor": COLOURS["paper"], "color": COLOURS["ink"]}
        handles.append(Line2D([], [], marker="s", label="old place", **hollow, **blank))
    if drawing.scene.keepouts:
        handles.append(Line2D([], [], color=COLOURS["soft"], linewidth=4, alpha=0.4, label="keep out"))
    if drawing.scene.panels:
        handles.append(Line2D([], [], color=COLOURS["plum"], linewidth=1.6, label="panel"))
    if drawing.paths_of is not None:
        label = f"paths of {words(drawing.paths_of, longest=18)}"
        handles.append(Line2D([], [], color=COLOURS["plum"], linewidth=1.1, linestyle=(0, (5, 2)), label=label))
    axes.legend(handles=handles, loc="lower left", frameon=False, fontsize=SMALL, labelcolor=COLOURS["ink"])


def _write_key(axes: Axes, entries: list[tuple[str, str, str]]) -> None:
    axes.set_axis_off()
    axes.set_xlim(0, _COLUMNS)
    rows = -(-len(entries) // _COLUMNS)
    axes.set_ylim(rows + 0.01, 0)
    for index, (colour, tag, text) in enumerate(entries):
        column, row = divmod(index, rows)
        axes.text(
            column + 0.07, row + 0.5, tag, fontsize=SMALL, weight="bold", ha="right", va="center", color=COLOURS[colour]
        )
        axes.text(column + 0.11, row + 0.5, text, fontsize=SMALL, va="center", color=COLOURS["ink"])
