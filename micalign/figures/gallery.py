"""Which figures show a scene, and when does each of its sources arrive, straight and by way of the walls?

Each figure has a short name that serves as its file's name, and is drawn when it is asked for. In a timeline time runs
from the moment the source sounds. Heights are levels against the loudest arrival at the same mic (the direct sound,
unless the mic looks away from the source).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING, Final

from micalign.acoustics.arrivals import Arrivals, arrivals
from micalign.acoustics.prediction import Prediction
from micalign.acoustics.room import Reflection, bounces, reflections
from micalign.figures.comb_curves import LOWEST_DB, pair_combs_figure, pairs_that_matter
from micalign.figures.equal_distance import equal_distance_figure
from micalign.figures.stage_plan import plan_figure
from micalign.figures.style import COLOURS, NORMAL, SMALL, Tag, dress, headline, legend, place_tags, stacked, words
from micalign.scene.model import Pair, Scene
from micalign.units import show_ms_known

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "KINDS",
    "scene_figures",
    "slug",
    "timeline_figure",
]

_HEADROOM_DB: Final = 11.0  # above the direct sound, for names and the legend
_MOST_MICS: Final = 8  # panels
_TALL_DB: Final = 2.0  # a stem that rises less above the floor of its panel is not seen: a name would hang in the air
_NAMED: Final = 3  # how many reflections of a mic carry their surface's name


def timeline_figure(scene: Scene, source: str) -> Figure:
    """The arrivals of one source, a row for each mic, the nearest first.

    Parameters
    ----------
    scene : Scene
        With every position filled in.
    source : str

    Raises
    ------
    SceneError
        If the scene has no such source or no mic.

    Examples
    --------
    >>> from micalign.scene.model import Mic, Source
    >>> from micalign.scene.surroundings import Room
    >>> scene = Scene(room=Room((5, 4, 3)), sources=(Source("kick", (1, 1, 1)),), mics=(Mic("out", (2, 2, 1)),))
    >>> len(timeline_figure(scene, "kick").axes)
    1
    """
    scene.source(source)
    found = arrivals(scene)
    row = found.sources.index(source)
    order = sorted(range(len(found.mics)), key=lambda mic: found.arrival_s[row, mic])[:_MOST_MICS]
    struck = [one for one in reflections(found, bounces(scene, found)) if one.source == source]
    figure, panels = stacked(len(order), panel_in=0.95, gap_in=0.34, top_in=0.8)
    last_ms = _last_ms(found, row, order, struck)
    for axes, mic in zip(panels, order, strict=True):
        reflected = [one for one in struck if one.mic == found.mics[mic]]
        _draw_mic(axes, found, (row, mic), reflected)
        axes.set_xlim(0, last_ms)
        axes.tick_params(labelbottom=axes is panels[-1])
        _write_tags(axes, found, (row, mic), reflected)
    panels[-1].set_xlabel("time after the source sounds (ms)", fontsize=NORMAL, color=COLOURS["ink"])
    headline(figure, _title(source, found, order))
    if struck:
        legend(panels[0], where="upper right", columns=2)
    return figure


def _title(source: str, found: Arrivals, order: Sequence[int]) -> str:
    left_out = len(found.mics) - len(order)
    rest = f" (the nearest {len(order)} mics; {left_out} more are left out)" if left_out else ""
    return f"arrivals of {words(source)}{rest}"


def _last_ms(found: Arrivals, row: int, order: Sequence[int], struck: Sequence[Reflection]) -> float:
    """Room for every arrival that shows above the floor of the figure."""
    direct = {found.mics[mic]: float(found.arrival_s[row, mic]) for mic in order}
    top = {mic: _top_db([one for one in struck if one.mic == mic]) for mic in direct}
    shown = [
        direct[one.mic] + one.delay_s for one in struck if one.mic in direct and one.level_db - top[one.mic] > LOWEST_DB
    ]
    return 1.08e3 * max([*direct.values(), *shown])


def _draw_mic(axes: Axes, found: Arrivals, cell: tuple[int, int], struck: Sequence[Reflection]) -> None:
    dress(axes, grid="x")
    direct_ms, top_db = 1e3 * float(found.arrival_s[cell]), _top_db(struck)
    axes.set_ylim(LOWEST_DB, _HEADROOM_DB)
    axes.set_yticks([-20, 0], ["−20", "0"])
    axes.set_ylabel("level (dB)", fontsize=SMALL, color=COLOURS["ink"])
    axes.text(0.0, 1.03, words(found.mics[cell[1]]), transform=axes.transAxes, fontsize=NORMAL, color=COLOURS["ink"])
    times = [direct_ms + 1e3 * one.delay_s for one in struck]
    axes.vlines(
        times,
        LOWEST_DB,
        [max(one.level_db - top_db, LOWEST_DB) for one in struck],
        color=COLOURS["amber"],
        linewidth=1.6,
        label="reflection",
    )
    axes.vlines([direct_ms], LOWEST_DB, [max(-top_db, LOWEST_DB)], color=COLOURS["blue"], linewidth=3.2, label="direct")


def _top_db(struck: Sequence[Reflection]) -> float:
    """The level of the loudest arrival against the direct sound."""
    return max([0.0, *(one.level_db for one in struck)])


def _write_tags(axes: Axes, found: Arrivals, cell: tuple[int, int], struck: Sequence[Reflection]) -> None:
    direct_ms, top_db = 1e3 * float(found.arrival_s[cell]), _top_db(struck)
    loud = sorted((one for one in struck if one.level_db - top_db > LOWEST_DB), key=lambda one: -one.level_db)
    direct = (direct_ms, max(-top_db, LOWEST_DB))
    tips = [(direct_ms + 1e3 * one.delay_s, one.level_db - top_db) for one in loud]
    tags = [Tag(direct, show_ms_known(direct_ms / 1e3, float(found.uncertainty_s[cell])), "blue", rank=-1)]
    tags += [
        Tag(tip, words(one.surface, longest=18), "umber")
        for tip, one in zip(tips, loud[:_NAMED], strict=False)
        if tip[1] > LOWEST_DB + _TALL_DB
    ]
    # A stem is as tall as its level: all of it is taken, not its tip alone.
    taken = [
        (time, LOWEST_DB + part * (level - LOWEST_DB))
        for time, level in (direct, *tips)
        for part in (1, 0.75, 0.5, 0.25, 0)
    ]
    place_tags(axes, tags, taken=taken)


KINDS: Final = ("plan", "arrivals", "combs", "map")

_MOST_TIMELINES: Final = 3  # of the sources that most mics are on
_MOST_MAPS: Final = 3  # of the first pairs


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
