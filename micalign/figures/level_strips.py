"""What does a take look like, and where do its peaks lie against the working window?

One strip a track: the waveform, the window shaded on both sides of zero, and the first places where it is clipped.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from micalign.figures.style import COLOURS, LARGE, NORMAL, SMALL, dress, stacked, words
from micalign.take.track_levels import TrackLevels, WorkingWindow
from micalign.units import show_percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["levels_figure"]

_MOST_TRACKS: Final = 32
_STRIP_IN: Final = 0.62
_VERDICT_COLOURS: Final = {"good": "ink", "quiet": "soft", "hot": "amber", "clipped": "brick", "silent": "brick"}


def levels_figure(take: Sequence[TrackLevels], window: WorkingWindow | None = None) -> Figure:
    """The tracks of a take, one above the other on one time axis.

    Parameters
    ----------
    take : sequence of TrackLevels
        At most 32 are drawn.
    window : WorkingWindow, optional
        What is shaded; 25 to 75 % of full scale if left out.

    Examples
    --------
    >>> from micalign.take.levels import measure_levels
    >>> from micalign.take.tracks import Track
    >>> len(levels_figure(measure_levels([Track.from_array("a", np.ones(100) / 2, 1000)])).axes)
    1
    """
    window = window or WorkingWindow()
    shown = take[:_MOST_TRACKS]
    figure, panels = stacked(
        max(len(shown), 1), panel_in=_STRIP_IN - 0.06, gap_in=0.06, top_in=0.42, margins_in=(1.45, 1.15)
    )
    longest_s = max((levels.duration_s for levels in shown), default=1.0)
    for axes, levels in zip(panels, shown, strict=False):
        _draw_strip(axes, levels, window, longest_s)
    _time_axis(panels[-1])
    more = f", {len(take) - len(shown)} more tracks are left out" if len(take) > len(shown) else ""
    ends = f"{window.lower_percent:g} to {window.upper_percent:g} % of full scale"
    marks = "; ▾ clipped" if any(levels.clipping.marks_s for levels in shown) else ""
    title = f"loudest peaks should end in the shade ({ends}){marks}{more}"
    figure.suptitle(
        title, fontsize=LARGE, color=COLOURS["ink"], x=0.02, y=1 - 0.12 / figure.get_figheight(), va="top", ha="left"
    )
    return figure


def _draw_strip(axes: Axes, levels: TrackLevels, window: WorkingWindow, longest_s: float) -> None:
    dress(axes, grid="")
    tall = max(1.0, levels.peak)
    axes.set_ylim(-1.08 * tall, 1.08 * tall)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.spines["bottom"].set_visible(False)
    axes.set_xlim(0.0, longest_s)
    axes.tick_params(axis="x", which="both", length=0, labelbottom=False)
    lower, upper = window.lower_percent / 100.0, window.upper_percent / 100.0
    for side in (1.0, -1.0):
        axes.axhspan(side * lower, side * upper, color=COLOURS["sea"], alpha=0.28, linewidth=0)
        axes.axhline(side, color=COLOURS["line"], linewidth=0.8)
    _draw_wave(axes, levels)
    _mark_clips(axes, levels, tall)
    axes.text(
        -0.01,
        0.5,
        words(levels.name, longest=18),
        transform=axes.transAxes,
        fontsize=SMALL,
        color=COLOURS["ink"],
        ha="right",
        va="center",
    )
    verdict = f"{levels.verdict}, {show_percent(100.0 * levels.peak)}" if levels.peak else levels.verdict
    axes.text(
        1.01,
        0.5,
        verdict,
        transform=axes.transAxes,
        fontsize=SMALL,
        color=COLOURS[_VERDICT_COLOURS[levels.verdict]],
        ha="left",
        va="center",
    )


def _draw_wave(axes: Axes, levels: TrackLevels) -> None:
    outline = levels.outline
    times = np.repeat(np.arange(len(outline.lows) + 1) * outline.bin_s, 2)[1:-1]
    axes.fill_between(
        np.minimum(times, levels.duration_s),
        np.repeat(outline.lows, 2),
        np.repeat(outline.highs, 2),
        color=COLOURS["blue"],
        linewidth=0.3,
    )


def _mark_clips(axes: Axes, levels: TrackLevels, tall: float) -> None:
    places = list(levels.clipping.marks_s)
    if places:
        tip = [1.12 * tall] * len(places)
        axes.plot(
            places, tip, linestyle="none", marker="v", markersize=4.5, color=COLOURS["brick"], clip_on=False, zorder=4
        )


def _time_axis(axes: Axes) -> None:
    axes.spines["bottom"].set_visible(True)
    axes.tick_params(axis="x", length=3.5, labelbottom=True)
    axes.set_xlabel("time (s)", fontsize=NORMAL, color=COLOURS["ink"])
