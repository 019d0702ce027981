"""Which figures show a scene? Each by a short name that serves as its file's name, drawn when it is asked for."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING, Final

from micalign.acoustics.prediction import Prediction
from micalign.figures.comb_curves import pair_combs_figure, pairs_that_matter
from micalign.figures.equal_distance import equal_distance_figure
from micalign.figures.stage_plan import plan_figure
from micalign.figures.timeline import timeline_figure
from micalign.scene.model import Pair, Scene

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["KINDS", "scene_figures", "slug"]

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
