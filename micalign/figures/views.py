"""How a room is laid on paper: three views to one scale, what of each thing is seen in them, and how it is drawn.

The plan looks down (x to the right, y up the page: the front wall is at its foot); below it what one sees with the back
to the front wall (x to the right, z), and beside that what one sees with the back to the left wall, where the front
wall is on the right (y to the left, z). Lengths are metres until the axes are drawn; the drawing's unit
is the user's.
"""

from __future__ import annotations

import math
from collections.abc import Container
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from micalign.acoustics.arrivals import Pattern
from micalign.arrays import Floats
from micalign.figures.style import COLOURS, Tag, place_tags, words
from micalign.scene.model import Keepout, Mic, Panel, Point
from micalign.scene.scene import Scene
from micalign.units import METRES, show_length

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "VIEWS",
    "Drawing",
    "Extent",
    "View",
    "draw_things",
    "extent_of",
    "keepout_outline",
    "key_of",
    "lobe_outline",
    "move_outline",
    "panel_outline",
    "room_box",
]

_MARGIN_M: Final = 0.45  # round the outermost things
_SMALLEST_M: Final = 1.2  # that a view shows, however near things stand to each other
_NEARLY_ALL_M: Final = 1.0  # where a crop would save less than this, the whole room is shown
_LOBE_IN: Final = 0.30  # radius of a lobe on paper, inches
_FULL_LOBES: Final = 8  # so many mics get lobes of full size
_LETTERS: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, slots=True)
class View:
    """Two axes of the three: ``across`` the page and ``up`` it (0 is x, 1 is y, 2 is z).

    A ``mirrored`` view has the larger values of ``across`` on the left, as a person sees them.
    """

    name: str
    across: int
    up: int
    mirrored: bool = False

    def flat(self, point: Point) -> tuple[float, float]:
        """A point as this view sees it."""
        return point[self.across], point[self.up]


# A view by the axes that run across and up the page.
VIEWS: Final = (
    View("plan", 0, 1),
    View("seen from the front wall", 0, 2),
    View("seen from the left wall", 1, 2, mirrored=True),
)


@dataclass(frozen=True, slots=True)
class Extent:
    """The box of the room that is drawn, metres."""

    low: Point
    high: Point

    @property
    def size(self) -> Point:
        """Its width, depth and height."""
        x, y, z = (high - low for low, high in zip(self.low, self.high, strict=True))
        return (x, y, z)


def extent_of(scene: Scene, *, before: Scene | None = None, names: Container[str] | None = None) -> Extent:
    """The part of the room worth drawing: what stands in it (or ``names`` alone), some air round it, the floor always.

    >>> from micalign.scene.model import Mic, Source
    >>> extent_of(Scene(sources=(Source("snare", (2.0, 2.0, 0.7)),), mics=(Mic("room", (4.0, 3.0, 1.5)),))).low
    (1.55, 1.55, 0.0)
    """
    points = np.array(_points(scene, names) + (_points(before, names) if before else []))
    low, high = points.min(axis=0) - _MARGIN_M, points.max(axis=0) + _MARGIN_M
    short = np.maximum(_SMALLEST_M - (high - low), 0.0) / 2
    low, high = low - short, high + short
    low[2] = min(0.0, points[:, 2].min())
    if scene.room is not None:
        size = np.array(scene.room.size)
        low, high = np.maximum(low, 0.0), np.minimum(high, size)
        whole = size - (high - low) < _NEARLY_ALL_M
        low, high = np.where(whole, 0.0, low), np.where(whole, size, high)
    return Extent(_point(low), _point(high))


def _point(values: Floats) -> Point:
    x, y, z = (float(round(value, 6)) + 0.0 for value in values)
    return (x, y, z)


def _points(scene: Scene, names: Container[str] | None) -> list[Point]:
    chosen = [thing for thing in scene.placed() if names is None or thing.name in names]
    boxes = [thing.move for thing in chosen if isinstance(thing, Mic) and thing.move is not None]
    points = [thing.position for thing in chosen] + [corner for box in boxes for corner in (box.low, box.high)]
    if names is None:
        points += [keepout.at for keepout in scene.keepouts]
        points += [_point(corner) for panel in scene.panels for corner in panel_outline(panel)]
    return points


def room_box(scene: Scene, view: View) -> Floats | None:
    """The room's outline in a view, shape (5, 2), closed; None where the scene has no room."""
    if scene.room is None:
        return None
    width, height = scene.room.size[view.across], scene.room.size[view.up]
    return np.array([(0, 0), (width, 0), (width, height), (0, height), (0, 0)], dtype=np.float64)


def panel_outline(panel: Panel) -> Floats:
    """The four corners of a panel, metres, shape (4, 3)."""
    normal = np.array(panel.normal) / np.linalg.norm(panel.normal)
    flat = abs(normal[2]) > 1 - 1e-9
    along = np.array([1.0, 0.0, 0.0]) if flat else np.cross([0.0, 0.0, 1.0], normal)
    along /= np.linalg.norm(along)
    other = np.array([0.0, 1.0, 0.0]) if flat else np.cross(normal, along)
    turn = math.radians(panel.turn_degrees)
    across = math.cos(turn) * along + math.sin(turn) * other
    upward = math.cos(turn) * other - math.sin(turn) * along
    half_width, half_height = panel.size[0] / 2, panel.size[1] / 2
    signs = ((-1, -1), (1, -1), (1, 1), (-1, 1))
    corners = [np.array(panel.centre) + a * half_width * across + b * half_height * upward for a, b in signs]
    return np.array(corners)


def keepout_outline(keepout: Keepout, view: View) -> Floats:
    """The outline of a keep-out in a view, shape (N, 2)."""
    centre = np.array(view.flat(keepout.at))
    radius = keepout.radius_m or 0.0
    if keepout.shape == "sphere" or (keepout.shape == "cylinder" and view.name == "plan"):
        angle = np.linspace(0.0, 2 * np.pi, 73)
        circle: Floats = centre + radius * np.column_stack([np.cos(angle), np.sin(angle)])
        return circle
    size = keepout.size_m or (2 * radius, 2 * radius, keepout.height_m or 0.0)
    half = np.array([size[view.across], size[view.up]]) / 2
    box: Floats = centre + half * np.array([(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)])
    return box


def move_outline(mic: Mic, view: View) -> Floats:
    """Where a mic may go in a view: its box or the ball of its reach, shape (N, 2); empty where it stays.

    >>> move_outline(Mic("fixed", (1.0, 1.0, 1.0)), VIEWS[0]).shape
    (0, 2)
    """
    if mic.move is not None:
        low, high = view.flat(mic.move.low), view.flat(mic.move.high)
        return np.array([low, (high[0], low[1]), high, (low[0], high[1]), low], dtype=np.float64)
    if mic.reach_m is None:
        return np.empty((0, 2))
    angle = np.linspace(0.0, 2 * np.pi, 73)
    ball: Floats = np.array(view.flat(mic.position)) + mic.reach_m * np.column_stack([np.cos(angle), np.sin(angle)])
    return ball


def lobe_outline(scene: Scene, mic: Mic, view: View, *, radius: float) -> Floats:
    """The pickup pattern where the view's plane cuts it: how well the mic hears each direction, shape (N, 2).

    The distance of the outline from the mic is the pattern's gain times ``radius``.
    """
    centre = np.array(view.flat(mic.position))
    angle = np.linspace(0.0, 2 * np.pi, 181)
    direction = np.column_stack([np.cos(angle), np.sin(angle)])
    point = scene.aim_point(mic)
    if point is None:
        circle: Floats = centre + radius * direction
        return circle
    aim = np.array(point) - np.array(mic.position)
    aim = aim / max(float(np.linalg.norm(aim)), 1e-12)
    gain = np.abs(Pattern.named(mic.pattern).gain(direction @ aim[[view.across, view.up]]))
    outline: Floats = centre + radius * gain[:, None] * direction
    return outline


@dataclass(frozen=True, slots=True)
class Drawing:
    """What each view needs to know."""

    scene: Scene
    before: Scene | None
    paths_of: str | None
    unit: str
    inches_per_metre: float

    def scaled(self, metres: Any) -> Any:
        """Metres in the drawing's unit."""
        return np.asarray(metres) / METRES[self.unit]


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


def draw_things(axes: Axes, drawing: Drawing, view: View) -> None:
    """Draw all of it into axes whose limits are set, and write the tags where they cover nothing."""
    scene = drawing.scene
    _draw_room(axes, drawing, view)
    for keepout in scene.keepouts:
        outline = drawing.scaled(keepout_outline(keepout, view))
        axes.fill(
            *outline.T,
            facecolor="none",
            edgecolor=COLOURS["soft"],
            hatch="////",
            linewidth=0.8,
            alpha=0.55,
            zorder=1.6,  # over a panel: a rug lies under the head that it would hide
        )
    for mic in scene.mics:
        _draw_mic(axes, drawing, view, mic)
    for source in scene.sources:
        axes.plot(*drawing.scaled(view.flat(source.position)), "o", color=COLOURS["amber"], markersize=7, zorder=4)
    if drawing.before is not None:
        _draw_moves(axes, drawing, view, drawing.before)
    tags = [*_path_tags(axes, drawing, view), *_name_tags(drawing, view)]
    outlines = [lobe_outline(scene, mic, view, radius=_lobe_m(drawing)) for mic in scene.mics]
    taken = [view.flat(thing.position) for thing in scene.placed()]
    place_tags(axes, tags, taken=taken, outlines=outlines, unit_m=METRES[drawing.unit])


def _draw_room(axes: Axes, drawing: Drawing, view: View) -> None:
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


def _draw_mic(axes: Axes, drawing: Drawing, view: View, mic: Mic) -> None:
    lobe = lobe_outline(drawing.scene, mic, view, radius=_lobe_m(drawing))
    axes.fill(*drawing.scaled(lobe).T, facecolor=COLOURS["blue"], alpha=0.16, linewidth=0, zorder=2.5)
    axes.plot(*drawing.scaled(lobe).T, color=COLOURS["blue"], linewidth=0.8, zorder=2.6)
    spot = drawing.scaled(view.flat(mic.position))
    axes.plot(*spot, "s", color=COLOURS["blue"], markersize=5.5, zorder=5)
    allowance = drawing.scaled(move_outline(mic, view))
    axes.plot(*allowance.T, color=COLOURS["blue"], linewidth=0.7, linestyle=(0, (2, 2)), zorder=2)


def _lobe_m(drawing: Drawing) -> float:
    """The radius of a lobe, smaller on a crowded stage."""
    crowd = max(len(drawing.scene.mics) / _FULL_LOBES, 1.0)
    return float(_LOBE_IN / drawing.inches_per_metre / np.sqrt(crowd))


def _draw_moves(axes: Axes, drawing: Drawing, view: View, before: Scene) -> None:
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


def _path_tags(axes: Axes, drawing: Drawing, view: View) -> list[Tag]:
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


def _name_tags(drawing: Drawing, view: View) -> list[Tag]:
    """Names beside the things in the plan, where there is room; tags elsewhere, and where lengths are written."""
    tags = key_of(drawing.scene)
    named = view.name == "plan" and drawing.paths_of is None
    names = {name: f"{tag} {words(name, longest=20)}" if named else tag for name, tag in tags.items()}
    sources = [Tag(view.flat(s.position), names[s.name], "umber", short=tags[s.name]) for s in drawing.scene.sources]
    return sources + [Tag(view.flat(m.position), names[m.name], "blue", short=tags[m.name]) for m in drawing.scene.mics]
