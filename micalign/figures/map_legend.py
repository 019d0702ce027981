"""What the marks of the map of equal distance mean, below it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from micalign.figures.style import COLOURS, DASHES, SMALL, words
from micalign.scene.model import Mic, Scene

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.figure import Figure

__all__ = ["LINE_COLOURS", "SHADES", "write_map_legend"]

LINE_COLOURS: Final = ("plum", "brick", "blue")
"""Of the lines of equal distance, a source each."""

SHADES: Final = ((0.0, 0.1, 0.75), (0.1, 0.2, 0.5), (0.2, 0.4, 0.3), (0.4, 0.8, 0.14))
"""From and to, ms, and how dark."""

_COLUMNS: Final = 2
_LONGEST: Final = 22


def write_map_legend(
    figure: Figure, scene: Scene, mics: tuple[Mic, Mic], sources: Sequence[str], rings: int | None
) -> None:
    """Name every mark that is drawn; ``mics`` are the fixed and the moving one, ``rings`` None where none is sought."""
    fixed, moving = mics
    handles = [*_lines(sources), *_shades(len(sources)), *_things(scene, fixed, moving)]
    if rings:
        handles.append(_mark("o", "ring: here it may stand equal to all", markerfacecolor="none", markersize=9))
    elif rings is not None:
        handles.append(_mark("", "nowhere here may it stand equal to all"))
    figure.legend(
        handles=handles,
        loc="lower left",
        ncols=_COLUMNS,
        frameon=False,
        fontsize=SMALL,
        labelcolor=COLOURS["ink"],
        bbox_to_anchor=(0.01, 0.0),
        columnspacing=1.2,
    )


def _lines(sources: Sequence[str]) -> list[Artist]:
    dashes: Sequence[Any] = DASHES
    lines: list[Artist] = [
        Line2D([], [], color=COLOURS[colour], linestyle=dash, linewidth=2.2, label=f"equally far from {_named(source)}")
        for source, colour, dash in zip(sources, LINE_COLOURS, dashes, strict=False)
    ]
    thin = f"steps of 0.1 ms for {_named(sources[0])}"
    return [*lines, Line2D([], [], color=COLOURS[LINE_COLOURS[0]], linewidth=0.7, label=thin)]


def _shades(count: int) -> list[Artist]:
    of = "the worst of them" if count > 1 else "the difference"
    return [Patch(facecolor=COLOURS["sea"], alpha=alpha, label=f"{of} within {high:g} ms") for _, high, alpha in SHADES]


def _things(scene: Scene, fixed: Mic, moving: Mic) -> list[Artist]:
    things: list[Artist] = [
        _mark("o", "source", color=COLOURS["amber"]),
        _mark("s", f"{_named(fixed.name)}, stays", color=COLOURS["blue"]),
        _mark("s", f"{_named(moving.name)}, as it stands", markerfacecolor=COLOURS["paper"], color=COLOURS["blue"]),
    ]
    if moving.may_move:
        dashed = Line2D([], [], color=COLOURS["blue"], linewidth=0.9, linestyle=(0, (2, 2)))
        dashed.set_label(f"{_named(moving.name)} may move in")
        things.append(dashed)
    if scene.keepouts:
        keepout = Patch(facecolor="none", edgecolor=COLOURS["soft"], hatch="////", linewidth=0.8)
        keepout.set_label("keep out, at this height")
        things.append(keepout)
    return things


def _named(name: str) -> str:
    return words(name, longest=_LONGEST)


def _mark(marker: str, label: str, **looks: Any) -> Line2D:
    given: dict[str, Any] = {"color": COLOURS["ink"], "markersize": 6, "linestyle": "none"} | looks
    return Line2D([], [], marker=marker or "None", label=label, **given)
