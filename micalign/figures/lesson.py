"""The figures of the lesson: each shows one idea, its numbers worked out by the arithmetic of `acoustics.comb`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from micalign.acoustics.comb import notch_depth_db, peak_height_db
from micalign.figures.comb import Copy, draw_comb
from micalign.figures.style import COLOURS, DASHES, NORMAL, SERIES, SMALL, dress, legend, stacked

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["LEVEL_ROWS_DB", "delays_figure", "depth_figure", "lesson_figures", "polarity_figure", "waves_figure"]

LEVEL_ROWS_DB: Final = (0.0, 1.0, 3.0, 6.0, 9.5, 12.0, 20.0)
"""The level differences of the lesson's table, dB."""

_DEEPEST_DB: Final = -30.0


def lesson_figures(own: Copy | None = None) -> dict[str, Figure]:
    """All figures of the lesson by name; the student's own comb first among them where one is given.

    >>> sorted(lesson_figures())
    ['delays', 'depth', 'polarity', 'waves']
    """
    figures = {
        "waves": waves_figure(),
        "delays": delays_figure(),
        "depth": depth_figure(),
        "polarity": polarity_figure(),
    }
    return figures if own is None else {"own": _own_figure(own)} | figures


def _own_figure(own: Copy) -> Figure:
    figure, panels = stacked(1, panel_in=2.4)
    draw_comb(panels[0], [own])
    return figure


def waves_figure() -> Figure:
    """A tone and its copy 1 ms later: at 500 Hz half a period late, at 1 kHz a whole one."""
    figure, panels = stacked(2, panel_in=1.35, gap_in=0.75, top_in=0.75)
    time_ms = np.linspace(0.0, 4.0, 600)
    for axes, hertz, words in zip(
        panels,
        (500, 1000),
        ("500 Hz: 1 ms is half a period, the two cancel", "1 kHz: 1 ms is a whole period, the two add"),
        strict=True,
    ):
        first = np.sin(2 * np.pi * hertz * time_ms / 1e3)
        copy = np.sin(2 * np.pi * hertz * (time_ms - 1.0) / 1e3)
        dress(axes, y="amplitude", title=words, grid="x")
        rows = (("first", first), ("copy, 1 ms later", copy), ("sum", first + copy))
        for (label, wave), colour, dash in zip(rows, SERIES, DASHES, strict=False):
            axes.plot(time_ms, wave, color=COLOURS[colour], linestyle=dash, linewidth=1.6, label=label)
        axes.set_xlim(0, 4)
        axes.set_ylim(-2.3, 2.3)
    panels[-1].set_xlabel("time (ms)", fontsize=NORMAL, color=COLOURS["ink"])
    handles = [panels[0].lines[index] for index in range(3)]
    figure.legend(handles=handles, loc="upper right", ncols=3, frameon=False, fontsize=SMALL, labelcolor=COLOURS["ink"])
    return figure


def delays_figure() -> Figure:
    """The combs of 0.5, 1 and 5 ms: the longer the delay, the lower and the closer the teeth."""
    figure, panels = stacked(3, panel_in=1.35, gap_in=0.5)
    for axes, delay_ms in zip(panels, (0.5, 1.0, 5.0), strict=True):
        draw_comb(axes, [Copy(delay_ms / 1e3, label=f"{delay_ms:g} ms")])
        axes.set_xlabel("frequency (Hz)" if axes is panels[-1] else "")
        axes.set_ylabel("sum (dB)")
    return figure


def depth_figure() -> Figure:
    """How deep the notches and how high the peaks are, over the level difference of the two."""
    figure, panels = stacked(1, panel_in=2.5)
    axes = dress(panels[0], x="the copy is weaker by (dB)", y="level of the sum (dB)")
    level = np.linspace(0.0, 24.0, 481)
    height, depth = peak_height_db(level), np.maximum(notch_depth_db(level), _DEEPEST_DB - 10)
    axes.plot(level, height, color=COLOURS["blue"], linewidth=1.7, label="peaks")
    axes.plot(level, depth, color=COLOURS["amber"], linestyle=DASHES[1], linewidth=1.7, label="notches")
    rows = np.array(LEVEL_ROWS_DB[1:])
    axes.plot(rows, notch_depth_db(rows), "o", color=COLOURS["amber"], markersize=5, label="rows of the table")
    axes.plot(rows, peak_height_db(rows), "o", color=COLOURS["blue"], markersize=5)
    axes.axhline(0.0, color=COLOURS["soft"], linewidth=0.8)
    axes.set_xlim(0, 24)
    axes.set_xticks(range(0, 25, 3))
    axes.set_ylim(_DEEPEST_DB, 9)
    _mark_third(axes)
    legend(axes, where="lower right")
    return figure


def _mark_third(axes: Axes) -> None:
    """Three times the distance: 9.54 dB."""
    third = 20 * np.log10(3.0)
    axes.axvline(third, color=COLOURS["soft"], linewidth=0.8, linestyle=(0, (2, 2)))
    axes.annotate(
        "three times\nthe distance",
        xy=(third, _DEEPEST_DB + 6),
        xytext=(5, 0),
        textcoords="offset points",
        fontsize=SMALL,
        color=COLOURS["ink"],
        va="center",
    )


def polarity_figure() -> Figure:
    """One delay, both polarities: notches and peaks change places, and the bass goes."""
    figure, panels = stacked(1, panel_in=2.4)
    copies = [Copy(0.001, label="same polarity, 1 ms"), Copy(0.001, polarity=-1, label="flipped, 1 ms")]
    draw_comb(panels[0], copies, upper_hz=5000.0)
    return figure
