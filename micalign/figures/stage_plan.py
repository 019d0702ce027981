"""Where everything stands: plan, seen from the front wall and from the left wall, to one scale.

Sources carry letters, mics numbers (their place in the channel list), in the plan with their names where there is room;
the key below the views gives names and heights. A mic's lobe is its pickup pattern cut by the plane of the view. Old
places, where a scene from before a move is given, are hollow and joined to the new ones.

The sheet is laid out first, in inches, so that all views are to one scale and nothing is cut off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from micalign.figures.style import COLOURS, NORMAL, SMALL, dress, new_figure, words
from micalign.figures.views import VIEWS, Drawing, Extent, View, draw_things, extent_of, key_of
from micalign.scene.model import Point
from micalign.scene.scene import Scene
from micalign.units import METRES, show_length

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Sheet", "floor_figure", "plan_figure"]

# All in inches but where a unit is given.
_WIDTH: Final = 8.4  # within the margins of A4 and of Letter, turned
_TALLEST_VIEWS: Final = 7.2  # with the key below they fit a page
_LEFT: Final = 0.78  # axis label and numbers
_RIGHT: Final = 0.25  # half of a last number
_GAP_ACROSS: Final = 0.55  # the second view's numbers
_GAP_UP: Final = 0.85  # a title and an axis label between the rows
_TOP: Final = 0.75  # headline and a view's title
_BOTTOM: Final = 0.62  # axis label and numbers
_NARROWEST_SECOND: Final = 2.2  # room for the symbols and for what is said of the room
_LOWEST_SYMBOLS: Final = 2.4  # six symbols, the bar above them and the small room
_ENTRY_IN: Final = 0.20  # height of a line of the key, inches
_COLUMNS: Final = 3  # of the key
_COLUMN_IN: Final = 2.8  # of the key, for a name of the longest kind and its height
_FEW: Final = 4  # entries stand in one row
_FLOOR_LEFT: Final = 0.7  # axis label and numbers
_FLOOR_FOOT: Final = 0.75  # axis label and legend
_INSET: Final = (0.16, 0.2)  # the small room on the sheet, shares of the plan
_LONG_LABEL_IN: Final = 2.0  # a lower plan has no room for its long label, which the sheet says in words


@dataclass(frozen=True, slots=True)
class Sheet:
    """A figure's size, the scale and the rectangles of its parts."""

    extent: Extent
    inches_per_metre: float
    width_in: float
    height_in: float
    key_in: float
    left_in: float = _LEFT

    def place(self, name: str) -> tuple[float, float, float, float]:
        """Left, bottom, width and height of a part, as shares of the figure."""
        dx, dy, dz = (length * self.inches_per_metre for length in self.extent.size)
        lower, upper = self.key_in + _BOTTOM, self.key_in + _BOTTOM + dz + _GAP_UP
        second, row = _LEFT + dx + _GAP_ACROSS, max(dy, _LOWEST_SYMBOLS)
        left, bottom, width, height = {
            "plan": (_LEFT, upper + row - dy, dx, dy),
            "seen from the front wall": (_LEFT, lower, dx, dz),
            "seen from the left wall": (second, lower, dy, dz),
            "key plan": (second, upper, max(dy, _NARROWEST_SECOND), row),
            "key": (_LEFT - 0.3, 0.05, self.width_in - _LEFT - _RIGHT + 0.3, self.key_in),
        }[name]
        return (left / self.width_in, bottom / self.height_in, width / self.width_in, height / self.height_in)

    def inches_of(self, name: str) -> tuple[float, float]:
        """Width and height of a part, inches."""
        _, _, width, height = self.place(name)
        return width * self.width_in, height * self.height_in


def _sheet_for(extent: Extent, *, key_in: float, narrowest_in: float = _WIDTH) -> Sheet:
    """The largest scale at which the views fit, and the sheet's height with a key of ``key_in`` inches.

    A tall scene leaves the sheet's width empty: it is cut down to ``narrowest_in``, which the key needs.
    """
    dx, dy, dz = extent.size
    across = _WIDTH - _LEFT - _RIGHT - _GAP_ACROSS
    # A row of players is wide and not deep: the symbols beside its plan need their room all the same.
    scale = min(across / (dx + dy), (across - _NARROWEST_SECOND) / dx, (_TALLEST_VIEWS - _GAP_UP) / (dy + dz))
    height = _TOP + max(dy * scale, _LOWEST_SYMBOLS) + dz * scale + _GAP_UP + _BOTTOM + key_in
    width = max(_LEFT + (dx + max(dy, _NARROWEST_SECOND / scale)) * scale + _GAP_ACROSS + _RIGHT, narrowest_in)
    return Sheet(extent, scale, min(width, _WIDTH), height, key_in)


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
    ['plan', 'seen from the front wall', 'seen from the left wall']
    """
    if paths_of is not None:
        scene.source(paths_of)
    entries = _entries(scene)
    columns = _COLUMNS if len(entries) > _FEW else _COLUMNS - 1
    key_in = _ENTRY_IN * (-(-len(entries) // columns)) + 0.1
    sheet = _sheet_for(extent_of(scene, before=before), key_in=key_in, narrowest_in=_COLUMN_IN * columns)
    figure = new_figure(sheet.width_in, sheet.height_in)
    unit = "m" if scene.length_unit == "mm" else scene.length_unit
    drawing = Drawing(scene, before, paths_of, unit, sheet.inches_per_metre)
    for view in VIEWS:
        _draw_view(figure.add_axes(sheet.place(view.name)), drawing, sheet, view)
    _draw_key_plan(figure.add_axes(sheet.place("key plan")), drawing, sheet)
    _write_key(figure.add_axes(sheet.place("key")), entries, columns)
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


def floor_figure(scene: Scene, *, height_in: float = 3.6) -> Figure:
    """The plan alone, for the sheet on the wall: names beside the things where there is room, else their tags.

    Parameters
    ----------
    scene : Scene
        With every position filled in.
    height_in : float
        Of the drawing with its labels; it is 7.2 inches wide.

    Examples
    --------
    >>> from micalign.scene.model import Mic, Source
    >>> scene = Scene(sources=(Source("snare", (2.0, 2.0, 0.7)),), mics=(Mic("room", (4.0, 3.0, 1.5)),))
    >>> [text.get_text() for text in floor_figure(scene).axes[0].texts]
    ['A snare', '1 room']
    """
    width_in = 7.2
    extent = extent_of(scene)
    across, up = width_in - _FLOOR_LEFT - 0.1, height_in - _FLOOR_FOOT - 0.1
    scale = min(across / extent.size[0], up / extent.size[1])
    extent = _widened(extent, scene, across / scale)
    figure = new_figure(width_in, height_in)
    size = extent.size[0] * scale, extent.size[1] * scale
    left = _FLOOR_LEFT + (across - size[0]) / 2
    axes = figure.add_axes((left / width_in, _FLOOR_FOOT / height_in, size[0] / width_in, size[1] / height_in))
    unit = "m" if scene.length_unit == "mm" else scene.length_unit
    drawing = Drawing(scene, None, None, unit, scale)
    _frame(axes, drawing, extent, VIEWS[0])
    axes.set_title("", loc="left")
    if size[1] < _LONG_LABEL_IN:
        axes.set_ylabel(f"y ({unit})")
    draw_things(axes, drawing, VIEWS[0])
    if scene.room is not None and not np.allclose(scene.room.size[:2], extent.size[:2]):
        _draw_walls(axes.inset_axes((*_emptiest_corner(scene, extent), *_INSET)), scene.room.size, extent)
    figure.legend(
        handles=_symbols(drawing), loc="lower center", ncols=5, frameon=False, fontsize=SMALL - 1,
        labelcolor=COLOURS["ink"], borderpad=0.1, columnspacing=1.2,
    )  # fmt: skip
    return figure


def _emptiest_corner(scene: Scene, extent: Extent) -> tuple[float, float]:
    """Where in the axes the small room lies farthest from everything that stands."""
    size = np.array(extent.size[:2])
    spots = np.array([(np.array(thing.position[:2]) - extent.low[:2]) / size for thing in scene.placed()])
    across, up = 0.99 - _INSET[0], 0.99 - _INSET[1]
    corners = [(across, up), (0.01, up), (across, 0.01), (0.01, 0.01)]
    middle = np.array(_INSET) / 2
    return max(corners, key=lambda corner: float(np.linalg.norm(spots - (np.array(corner) + middle), axis=1).min()))


def _draw_walls(inset: Axes, size: Point, extent: Extent) -> None:
    """The room small, its walls heavy, with the part that is drawn."""
    inset.set_aspect("equal")
    inset.set_axis_off()
    width, depth = size[:2]
    inset.fill([0, width, width, 0], [0, 0, depth, depth], facecolor="none", edgecolor=COLOURS["ink"], linewidth=1.4)
    (x0, y0), (x1, y1) = extent.low[:2], extent.high[:2]
    inset.fill([x0, x1, x1, x0], [y0, y0, y1, y1], facecolor=COLOURS["line"], edgecolor=COLOURS["soft"], linewidth=0.8)


def _widened(extent: Extent, scene: Scene, width_m: float) -> Extent:
    """As wide as the paper allows, so that names have room; never beyond the room's walls."""
    more = (width_m - extent.size[0]) / 2
    low, high = extent.low[0] - more, extent.high[0] + more
    if scene.room is not None:
        low, high = max(low, 0.0), min(high, scene.room.size[0])
    return Extent((low, *extent.low[1:]), (high, *extent.high[1:]))


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


def _draw_view(axes: Axes, drawing: Drawing, sheet: Sheet, view: View) -> None:
    _frame(axes, drawing, sheet.extent, view)
    draw_things(axes, drawing, view)


def _frame(axes: Axes, drawing: Drawing, extent: Extent, view: View) -> None:
    names = ("x, from the left wall", "y, from the front wall", "z, from the floor")
    unit = drawing.unit
    x, y = f"{names[view.across]} ({unit})", f"{names[view.up]} ({unit})"
    # The lower views share their heights: the second needs no label of its own.
    dress(axes, x=x, y="" if view.mirrored else y, title=view.name, grid="both")
    low, high = drawing.scaled((extent.low[view.across], extent.high[view.across]))
    axes.set_xlim(*((high, low) if view.mirrored else (low, high)))
    axes.set_ylim(*drawing.scaled((extent.low[view.up], extent.high[view.up])))
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(_steps(drawing))


def _steps(drawing: Drawing) -> Any:
    from matplotlib.ticker import MultipleLocator  # noqa: PLC0415 - beside its use

    inches_apart = 0.55
    wanted = inches_apart / drawing.inches_per_metre / METRES[drawing.unit]
    ladder = (6, 12, 24, 48, 96) if drawing.unit == "in" else (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500)
    return MultipleLocator(next((step for step in ladder if step >= wanted), ladder[-1]))


def _draw_key_plan(axes: Axes, drawing: Drawing, sheet: Sheet) -> None:
    """The whole room small, with the part that is drawn; nothing where all of it is drawn or there is no room."""
    axes.set_axis_off()
    axes.legend(handles=_symbols(drawing), loc="lower left", frameon=False, fontsize=SMALL, labelcolor=COLOURS["ink"])
    _draw_scale_bar(axes, drawing, sheet)
    room = drawing.scene.room
    extent = sheet.extent
    if room is None or np.allclose(room.size, extent.size):
        return
    inset = axes.inset_axes((0.0, 0.6, 1.0, 0.36))
    _draw_walls(inset, room.size, extent)
    size = " x ".join(show_length(value, drawing.unit) for value in room.size)
    inset.set_title(f"the room: {size}", fontsize=SMALL, color=COLOURS["soft"], pad=4)


def _draw_scale_bar(axes: Axes, drawing: Drawing, sheet: Sheet) -> None:
    """A bar of a round length above the symbols."""
    length, text = {"ft": (0.3048, "1 ft"), "in": (0.3048, "12 in"), "cm": (0.5, "50 cm")}.get(
        drawing.unit, (0.5, "0.5 m")
    )
    across = length * drawing.inches_per_metre / sheet.inches_of("key plan")[0]
    height = 1.32 / sheet.inches_of("key plan")[1]
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    axes.plot([0.02, 0.02 + across], [height, height], "|-", color=COLOURS["ink"], markersize=8, linewidth=1.4)
    axes.text(0.04 + across, height, text, fontsize=SMALL, va="center", color=COLOURS["ink"])


def _symbols(drawing: Drawing) -> list[Artist]:
    """What each mark of a plan means."""
    from matplotlib.lines import Line2D  # noqa: PLC0415 - beside its use
    from matplotlib.patches import Patch  # noqa: PLC0415 - beside its use

    blank: dict[str, Any] = {"linestyle": "none", "markersize": 6}
    handles: list[Artist] = [
        Line2D([], [], marker="o", color=COLOURS["amber"], label="source", **blank),
        Line2D([], [], marker="s", color=COLOURS["blue"], label="mic and its pickup", **blank),
    ]
    if any(mic.may_move for mic in drawing.scene.mics):
        handles.append(Line2D([], [], color=COLOURS["blue"], linewidth=0.8, linestyle=(0, (2, 2)), label="may move in"))
    if drawing.before is not None:
        hollow: dict[str, Any] = {"markerfacecolor": COLOURS["paper"], "color": COLOURS["ink"]}
        handles.append(Line2D([], [], marker="s", label="old place", **hollow, **blank))
    if drawing.scene.keepouts:
        keepout = Patch(facecolor="none", edgecolor=COLOURS["soft"], hatch="////", linewidth=0.8, alpha=0.55)
        keepout.set_label("keep out")
        handles.append(keepout)
    if drawing.scene.panels:
        handles.append(Line2D([], [], color=COLOURS["plum"], linewidth=1.6, label="panel"))
    if drawing.paths_of is not None:
        label = f"paths of {words(drawing.paths_of, longest=18)}, true lengths"
        handles.append(Line2D([], [], color=COLOURS["plum"], linewidth=1.1, linestyle=(0, (5, 2)), label=label))
    return handles


def _write_key(axes: Axes, entries: list[tuple[str, str, str]], columns: int) -> None:
    axes.set_axis_off()
    axes.set_xlim(0, columns)
    rows = -(-len(entries) // columns)
    axes.set_ylim(rows + 0.01, 0)
    for index, (colour, tag, text) in enumerate(entries):
        column, row = divmod(index, rows)
        axes.text(
            column + 0.07, row + 0.5, tag, fontsize=SMALL, weight="bold", ha="right", va="center", color=COLOURS[colour]
        )
        axes.text(column + 0.11, row + 0.5, text, fontsize=SMALL, va="center", color=COLOURS["ink"])
