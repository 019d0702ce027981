"""Which figures show a scene, and where may a mic stand so that the sources reach it when they reach a fixed mic?

Each figure has a short name that serves as its file's name, and is drawn when it is asked for.

The map of equal distance lies over the floor plan at the height of the mic that moves: the difference of arrival
against the fixed mic, in contours of 0.1 ms, the line of equal distance drawn heavy. With several sources the shade
shows the worst of them: where it is darkest, all arrive together. Below it stands what the marks mean.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from micalign.acoustics.arrivals import speed_of_sound_in
from micalign.acoustics.placement_terms import clearance_m
from micalign.acoustics.prediction import Prediction
from micalign.arrays import Bools, Floats
from micalign.errors import SceneError
from micalign.figures.late_copies import pair_combs_figure, pairs_that_matter, timeline_figure
from micalign.figures.stage_plan import plan_figure
from micalign.figures.style import COLOURS, DASHES, SMALL, Tag, dress, new_figure, place_tags, words
from micalign.figures.views import VIEWS, Extent, extent_of, move_outline, room_box
from micalign.scene.model import Mic, Pair
from micalign.scene.scene import Scene
from micalign.units import METRES, show_length

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["KINDS", "equal_distance_figure", "scene_figures", "slug"]

_CROSSING_MS: Final = 0.05
"""Milliseconds: within this of every source two mics count as equal, the default tolerance of a pair."""

_CROSSING_APART_M: Final = 0.15
"""Metres: two such places nearer than this are one place for a stand; no mic stands nearer to another (judgement)."""

_POINTS: Final = 241  # a side: 2 to 3 cm of a room, finer than its lines are wide
_MAP_IN: Final = 6.0  # its longer side
_LEFT_IN: Final = 0.75  # axis label and numbers
_FOOT_IN: Final = 2.1  # axis label and legend
_NARROWEST_IN: Final = 6.4  # the words below need it
_MOST_CROSSINGS: Final = 4  # ringed

_LINE_COLOURS: Final = ("plum", "brick", "blue")
"""Of the lines of equal distance, a source each."""

_SHADES: Final = ((0.0, 0.1, 0.75), (0.1, 0.2, 0.5), (0.2, 0.4, 0.3), (0.4, 0.8, 0.14))
"""Milliseconds, from and to, and how dark."""
_COLUMNS: Final = 2  # of the legend
_LONGEST: Final = 22  # characters of a name in it

KINDS: Final = ("plan", "arrivals", "combs", "map")
_MOST_TIMELINES: Final = 3  # of the sources that most mics are on
_MOST_MAPS: Final = 3  # of the first pairs


def equal_distance_figure(scene: Scene, mic: str, *, against: str, sources: Sequence[str]) -> Figure:
    """The map of arrival differences as ``mic`` moves over the floor plan at its own height.

    Parameters
    ----------
    scene : Scene
        With every position filled in.
    mic, against : str
        The mic that moves, and the one that stays.
    sources : sequence of str
        One to three names; the first three are drawn.

    Raises
    ------
    SceneError
        If a name is not found, both mics are one, or no source is given.

    Examples
    --------
    >>> from micalign.scene.model import Mic, Source
    >>> mics = (Mic("left", (1, 2, 1.8)), Mic("right", (3, 2, 1.8)))
    >>> scene = Scene(sources=(Source("snare", (2.2, 1.5, 0.7)),), mics=mics)
    >>> figure = equal_distance_figure(scene, "right", against="left", sources=["snare"])
    >>> figure.axes[0].get_xlabel()
    'x, from the left wall (m)'
    """
    if mic == against or not sources:
        raise SceneError("the map of equal distance needs two mics and at least one source")
    moving, fixed = scene.mic(mic), scene.mic(against)
    shown = list(sources)[: len(_LINE_COLOURS)]
    extent = extent_of(scene, names={mic, against, *shown})
    figure, axes = _sheet(extent)
    _frame(axes, scene, moving, fixed)
    unit = METRES[_unit(scene)]
    axes.set_xlim(extent.low[0] / unit, extent.high[0] / unit)
    axes.set_ylim(extent.low[1] / unit, extent.high[1] / unit)
    x = np.linspace(extent.low[0], extent.high[0], _POINTS)
    y = np.linspace(extent.low[1], extent.high[1], _POINTS)
    fields = [_difference_ms(scene, name, fixed, (x, y, moving.position[2])) for name in shown]
    _shade(axes, x / unit, y / unit, np.max(np.abs(fields), axis=0))
    for index, field in enumerate(fields):
        _contours(axes, x / unit, y / unit, field, index)
    rings = _crossings(axes, scene, moving, (x, y), fields) if len(fields) > 1 else None
    is_forbidden = _things(axes, scene, moving, fixed, shown)
    things = _things_of(fixed, moving, is_forbidden=is_forbidden)
    _write_map_legend(figure, [*_lines(shown), *_shades(len(shown)), *things], rings)
    return figure


def _sheet(extent: Extent) -> tuple[Figure, Axes]:
    """Axes to one scale both ways, as large as 6 inches of width and 6 of height allow."""
    width, depth = extent.size[:2]
    scale = min(_MAP_IN / width, _MAP_IN / depth)
    across, up = max(width * scale, 0.1), depth * scale
    figure_in = (max(_LEFT_IN + across + 0.25, _NARROWEST_IN), _FOOT_IN + up + 0.4)
    figure = new_figure(*figure_in)
    spot = (_LEFT_IN / figure_in[0], _FOOT_IN / figure_in[1], across / figure_in[0], up / figure_in[1])
    return figure, figure.add_axes(spot)


def _unit(scene: Scene) -> str:
    return "m" if scene.length_unit == "mm" else scene.length_unit


def _difference_ms(scene: Scene, source: str, fixed: Mic, grid: tuple[Floats, Floats, float]) -> Floats:
    """Arrival at each point of the grid minus that at the fixed mic, milliseconds, shape (Y, X)."""
    at = np.array(scene.source(source).position)
    x, y, z = grid
    here = np.sqrt((x[None, :] - at[0]) ** 2 + (y[:, None] - at[1]) ** 2 + (z - at[2]) ** 2)
    there = float(np.linalg.norm(np.array(fixed.position) - at))
    difference: Floats = (here - there) / speed_of_sound_in(scene.air) * 1e3
    return difference


def _frame(axes: Axes, scene: Scene, moving: Mic, fixed: Mic) -> Axes:
    unit = _unit(scene)
    height = show_length(moving.position[2], scene.length_unit)
    title = f"{words(moving.name, longest=24)}, {height} high, against {words(fixed.name, longest=24)}"
    dress(axes, x=f"x, from the left wall ({unit})", y=f"y, from the front wall ({unit})", title=title, grid="")
    return axes


def _shade(axes: Axes, x: Floats, y: Floats, worst_ms: Floats) -> None:
    for low, high, alpha in _SHADES:
        axes.contourf(x, y, worst_ms, levels=[low, high], colors=[COLOURS["sea"]], alpha=alpha, zorder=1)


def _contours(axes: Axes, x: Floats, y: Floats, field_ms: Floats, index: int) -> None:
    colour, dash = COLOURS[_LINE_COLOURS[index]], DASHES[index]
    axes.contour(x, y, field_ms, levels=[0.0], colors=[colour], linewidths=2.2, linestyles=[dash], zorder=3)
    if index == 0:
        levels = [round(0.1 * step, 1) for step in range(-5, 6) if step]
        thin = axes.contour(
            x, y, field_ms, levels=levels, colors=[colour], linewidths=0.7, linestyles="solid", zorder=2
        )
        axes.clabel(thin, levels=[-0.5, -0.3, -0.1, 0.1, 0.3, 0.5], fmt="%+.1f ms", fontsize=SMALL - 1.0)


def _things(axes: Axes, scene: Scene, moving: Mic, fixed: Mic, sources: Sequence[str]) -> bool:
    """Sources, mics and what stands in the way; whether a keep-out is among them."""
    unit_m, plan = METRES[_unit(scene)], VIEWS[0]
    outline = room_box(scene, plan)
    limits = axes.get_xlim(), axes.get_ylim()
    if outline is not None:
        axes.plot(*(outline / unit_m).T, color=COLOURS["ink"], linewidth=2.2)
        axes.set_xlim(*limits[0])
        axes.set_ylim(*limits[1])
    tags = []
    for index, name in enumerate(sources):
        spot = plan.flat(scene.source(name).position)
        axes.plot(spot[0] / unit_m, spot[1] / unit_m, "o", color=COLOURS["amber"], markersize=7, zorder=4)
        tags.append(Tag(spot, f"{words(name, longest=18)}", _LINE_COLOURS[index]))
    allowance = move_outline(moving, plan) / unit_m
    axes.plot(*allowance.T, color=COLOURS["blue"], linewidth=0.9, linestyle=(0, (2, 2)))
    is_forbidden = _forbidden(axes, scene, moving, unit_m)
    for mic, filled in ((fixed, True), (moving, False)):
        spot = plan.flat(mic.position)
        face = COLOURS["blue"] if filled else COLOURS["paper"]
        axes.plot(
            spot[0] / unit_m, spot[1] / unit_m, "s", markerfacecolor=face, markeredgecolor=COLOURS["blue"], zorder=5
        )
        tags.append(Tag(spot, words(mic.name, longest=18), "blue"))
    place_tags(axes, tags, taken=[tag.at for tag in tags], unit_m=unit_m)
    return is_forbidden


def _forbidden(axes: Axes, scene: Scene, moving: Mic, unit_m: float) -> bool:
    """Keep-outs as they lie over the map at the height of the mic that moves; whether any does."""
    limits = axes.get_xlim(), axes.get_ylim()
    x, y = (np.linspace(*limits[axis], _POINTS) for axis in (0, 1))
    points = np.stack([*np.meshgrid(x * unit_m, y * unit_m), np.full((_POINTS, _POINTS), moving.position[2])], axis=-1)
    inside = [-clearance_m(keepout, points) for keepout in scene.keepouts]
    reaching = [depth for depth in inside if depth.max() > 0]
    for depth in reaching:
        over = axes.contourf(x, y, depth, levels=[0.0, 1e3], colors=[COLOURS["paper"]], hatches=["////"], zorder=3.5)
        over.set_edgecolor(COLOURS["soft"])
    return bool(reaching)


def _crossings(axes: Axes, scene: Scene, moving: Mic, grid: tuple[Floats, Floats], fields: list[Floats]) -> int:
    """Rings where all sources are equally far at once and the mic may stand; how many there are."""
    x, y = grid
    places = np.stack([*np.meshgrid(x, y), np.full((len(y), len(x)), moving.position[2])], axis=-1)
    worst = np.where(_usable(scene, moving, places), np.max(np.abs(fields), axis=0), np.inf)
    unit_m, rings = METRES[_unit(scene)], 0
    for _ in range(_MOST_CROSSINGS):
        row, column = np.unravel_index(int(np.argmin(worst)), worst.shape)
        if worst[row, column] > _CROSSING_MS:
            break
        axes.plot(
            x[column] / unit_m, y[row] / unit_m, "o", markersize=11, markerfacecolor="none",
            markeredgecolor=COLOURS["ink"], markeredgewidth=1.4, zorder=6,
        )  # fmt: skip
        worst[np.linalg.norm(places - places[row, column], axis=-1) < _CROSSING_APART_M] = np.inf
        rings += 1
    return rings


def _usable(scene: Scene, moving: Mic, places: Floats) -> Bools:
    """Where the mic may stand, off the other mics."""
    good = np.ones(places.shape[:-1], dtype=bool)
    for keepout in scene.keepouts:
        good &= clearance_m(keepout, places) > 0
    if moving.move is not None:
        good &= ((places >= np.array(moving.move.low)) & (places <= np.array(moving.move.high))).all(axis=-1)
    if moving.reach_m is not None:
        good &= np.linalg.norm(places - np.array(moving.position), axis=-1) <= moving.reach_m
    for other in scene.mics:
        if other is not moving:
            good &= np.linalg.norm(places - np.array(other.position), axis=-1) > _CROSSING_APART_M
    return good


def _write_map_legend(figure: Figure, handles: list[Artist], rings: int | None) -> None:
    """Name every mark that is drawn; ``rings`` is None where none is sought."""
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
        for source, colour, dash in zip(sources, _LINE_COLOURS, dashes, strict=False)
    ]
    thin = f"steps of 0.1 ms for {_named(sources[0])}"
    return [*lines, Line2D([], [], color=COLOURS[_LINE_COLOURS[0]], linewidth=0.7, label=thin)]


def _shades(count: int) -> list[Artist]:
    of = "the worst of them" if count > 1 else "the difference"
    return [
        Patch(facecolor=COLOURS["sea"], alpha=alpha, label=f"{of} within {high:g} ms") for _, high, alpha in _SHADES
    ]


def _things_of(fixed: Mic, moving: Mic, *, is_forbidden: bool) -> list[Artist]:
    things: list[Artist] = [
        _mark("o", "source", color=COLOURS["amber"]),
        _mark("s", f"{_named(fixed.name)}, stays", color=COLOURS["blue"]),
        _mark("s", f"{_named(moving.name)}, as it stands", markerfacecolor=COLOURS["paper"], color=COLOURS["blue"]),
    ]
    if moving.may_move:
        dashed = Line2D([], [], color=COLOURS["blue"], linewidth=0.9, linestyle=(0, (2, 2)))
        dashed.set_label(f"{_named(moving.name)} may move in")
        things.append(dashed)
    if is_forbidden:
        keepout = Patch(facecolor="none", edgecolor=COLOURS["soft"], hatch="////", linewidth=0.8)
        keepout.set_label("keep out, at this height")
        things.append(keepout)
    return things


def _named(name: str) -> str:
    return words(name, longest=_LONGEST)


def _mark(marker: str, label: str, **looks: Any) -> Line2D:
    given: dict[str, Any] = {"color": COLOURS["ink"], "markersize": 6, "linestyle": "none"} | looks
    return Line2D([], [], marker=marker or "None", label=label, **given)


def scene_figures(
    scene: Scene,
    prediction: Prediction,
    *,
    kinds: Sequence[str] = KINDS,
    before: Scene | None = None,
    paths_of: str | None = None,
) -> Iterator[tuple[str, Figure]]:
    """Name and figure, one after the other.

    Arrivals are drawn of ``paths_of``, or of the sources that most mics are there for (three at the most); a map for
    each pair that is to be equally far from something.

    Examples
    --------
    >>> from micalign.acoustics.prediction import predict
    >>> from micalign.scene.model import Mic, Source
    >>> scene = Scene(sources=(Source("Hi-Hat!", (2.0, 2.0, 0.7)),), mics=(Mic("room", (4.0, 3.0, 1.5)),))
    >>> [name for name, _ in scene_figures(scene, predict(scene))]
    ['plan', 'arrivals-hi-hat']
    """
    draw: dict[str, list[tuple[str, Callable[[], Figure]]]] = {
        "plan": [("plan", partial(plan_figure, scene, before=before, paths_of=paths_of))],
        "arrivals": [
            (f"arrivals-{slug(name)}", partial(timeline_figure, scene, name)) for name in _heard_most(scene, paths_of)
        ],
        "combs": _comb_figures(scene, prediction),
        "map": [(f"map-{slug(pair.name)}", partial(_map, scene, pair)) for pair in scene.pairs if pair.equal_to],
    }
    draw["map"] = draw["map"][:_MOST_MAPS]
    used: set[str] = set()
    for kind in KINDS:
        for name, make in draw[kind] if kind in kinds else []:
            yield _free(name, used), make()


def _heard_most(scene: Scene, chosen: str | None) -> list[str]:
    if chosen is not None:
        return [scene.source(chosen).name]
    if not scene.mics:
        return []
    names = [source.name for source in scene.sources]
    wanted = {name: sum(name in mic.on for mic in scene.mics) for name in names}
    return sorted(names, key=lambda name: -wanted[name])[:_MOST_TIMELINES]


def _comb_figures(scene: Scene, prediction: Prediction) -> list[tuple[str, Callable[[], Figure]]]:
    if not pairs_that_matter(scene, prediction) and not prediction.di_differences:
        return []
    return [("combs", partial(pair_combs_figure, scene, prediction))]  # type: ignore[list-item]


def _map(scene: Scene, pair: Pair) -> Figure:
    """The mic that may move against the other one; the second where both or neither may."""
    first, second = pair.mics
    if scene.mic(first).may_move and not scene.mic(second).may_move:
        first, second = second, first
    return equal_distance_figure(scene, second, against=first, sources=pair.equal_to)


def slug(name: str) -> str:
    """A name as a part of a file's name.

    >>> slug("Hi-Hat!")
    'hi-hat'
    """
    return re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")[:40] or "unnamed"


def _free(name: str, used: set[str]) -> str:
    free, number = name, 1
    while free in used:
        number += 1
        free = f"{name}-{number}"
    used.add(free)
    return free
