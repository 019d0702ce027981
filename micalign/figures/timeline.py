"""When does a source arrive at each mic, straight and by way of the walls, and how loud is each arrival?

Time runs from the moment the source sounds. Heights are levels against the loudest arrival at the same mic (the
direct sound, unless the mic looks away from the source).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from micalign.acoustics.arrivals import Arrivals, arrivals
from micalign.acoustics.room import Reflection, bounces, reflections
from micalign.figures.comb_curves import LOWEST_DB
from micalign.figures.style import COLOURS, NORMAL, SMALL, Tag, dress, headline, legend, place_tags, stacked, words
from micalign.scene.model import Scene
from micalign.units import show_ms_known

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["timeline_figure"]

_HEADROOM_DB: Final = 11.0  # above the direct sound, for names and the legend
_MOST_MICS: Final = 8  # panels
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
    >>> from micalign.scene.model import Mic, Room, Source
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
    tags += [Tag(tip, words(one.surface, longest=18), "umber") for tip, one in zip(tips, loud[:_NAMED], strict=False)]
    # A stem is as tall as its level: its middle is taken as well as its tip.
    taken = [
        (time, LOWEST_DB + part * (level - LOWEST_DB)) for time, level in (direct, *tips) for part in (1, 0.75, 0.5)
    ]
    place_tags(axes, tags, taken=taken)
