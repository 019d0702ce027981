"""What of a scene is drawn in a view: room, panels, keep-outs, mics with their pickup, sources, moves and paths."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from micalign.figures.style import COLOURS, words
from micalign.figures.tags import Tag, place_tags
from micalign.figures.views import View, keepout_outline, lobe_outline, move_outline, panel_outline, room_box
from micalign.scene.model import Mic, Scene
from micalign.units import METRES, show_length

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Drawing", "draw_things", "key_of"]

_LOBE_IN: Final = 0.30  # radius of a lobe on paper, inches
_FULL_LOBES: Final = 8  # so many mics get lobes of full size
_LETTERS: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


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
        axes.fill(*outline.T, facecolor="none", edgecolor=COLOURS["soft"], hatch="////", linewidth=0.8, alpha=0.55)
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
    """Names beside the things in the plan, where there is room; tags elsewhere, and where lengths are told."""
    tags = key_of(drawing.scene)
    named = view.name == "plan" and drawing.paths_of is None
    names = {name: f"{tag} {words(name, longest=20)}" if named else tag for name, tag in tags.items()}
    sources = [Tag(view.flat(s.position), names[s.name], "umber", short=tags[s.name]) for s in drawing.scene.sources]
    return sources + [Tag(view.flat(m.position), names[m.name], "blue", short=tags[m.name]) for m in drawing.scene.mics]
