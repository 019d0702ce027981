"""The pictures of the lesson: figures, each of one idea, and sketches of the rules.

The figures' numbers are worked out by the arithmetic of `acoustics.comb`. The sketches (the spacing rule in both
readings, equal distance, a DI and its cab, a wall as a mirror) are schematic, to no scale but each true in itself:
lengths along the page keep their proportions.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from micalign.acoustics.comb import notch_depth_db, peak_height_db
from micalign.figures.late_copies import Copy, draw_comb, name_shades
from micalign.figures.style import COLOURS, DASHES, NORMAL, SERIES, SMALL, dress, legend, new_figure, stacked
from micalign.units import show_length

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "LEVEL_ROWS_DB",
    "lesson_figures",
    "sketches",
]

LEVEL_ROWS_DB: Final = (0.0, 1.0, 3.0, 6.0, 9.5, 12.0, 20.0)
"""Decibels: the level differences of the lesson's table."""

_DEEPEST_DB: Final = -30.0  # the lower edge of the figure of depths


def lesson_figures(own: Copy | None = None) -> dict[str, Figure]:
    """All figures of the lesson by name; the student's own comb first among them where one is given.

    >>> sorted(lesson_figures())
    ['delays', 'depth', 'polarity', 'waves']
    """
    figures = {
        "waves": _waves_figure(),
        "delays": _delays_figure(),
        "depth": _depth_figure(),
        "polarity": _polarity_figure(),
    }
    return figures if own is None else {"own": _own_figure(own)} | figures


def _own_figure(own: Copy) -> Figure:
    figure, panels = stacked(1, panel_in=2.4)
    draw_comb(panels[0], [own])
    return figure


def _waves_figure() -> Figure:
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


def _delays_figure() -> Figure:
    """The combs of 0.5, 1 and 5 ms: the longer the delay, the lower and the closer the notches."""
    figure, panels = stacked(3, panel_in=1.35, gap_in=0.5)
    for axes, delay_ms in zip(panels, (0.5, 1.0, 5.0), strict=True):
        draw_comb(axes, [Copy(delay_ms / 1e3, label=f"{delay_ms:g} ms")], shades_named=False)
        axes.set_xlabel("frequency (Hz)" if axes is panels[-1] else "")
        axes.set_ylabel("sum (dB)")
    name_shades(figure, panels)
    return figure


def _depth_figure() -> Figure:
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


def _polarity_figure() -> Figure:
    """One delay, both polarities: notches and peaks change places, and the bass goes."""
    figure, panels = stacked(1, panel_in=2.4)
    copies = [Copy(0.001, label="same polarity, 1 ms"), Copy(0.001, polarity=-1, label="flipped, 1 ms")]
    draw_comb(panels[0], copies, upper_hz=5000.0)
    return figure


def sketches(unit: str = "cm") -> dict[str, Figure]:
    """All sketches by name; their lengths in a unit of the reader's.

    >>> sorted(sketches())
    ['direct', 'equal', 'mirror', 'spacing']
    """
    return {"spacing": _spacing(), "equal": _equal(), "direct": _direct(unit), "mirror": _mirror()}


def _sheet(
    width_in: float, height_in: float, across: tuple[float, float], up: tuple[float, float]
) -> tuple[Figure, Axes]:
    figure = new_figure(width_in, height_in)
    axes = figure.add_axes((0.01, 0.01, 0.98, 0.98))
    axes.set_axis_off()
    axes.set_xlim(*across)
    axes.set_ylim(*up)
    axes.set_aspect("equal")
    return figure, axes


def _source(axes: Axes, x: float, y: float, name: str, *, below: bool = False) -> None:
    axes.plot(x, y, "o", color=COLOURS["amber"], markersize=9, zorder=4)
    _say(axes, x, y + (-0.22 if below else 0.22), name, colour="umber")


def _mic(axes: Axes, x: float, y: float, name: str, *, below: bool = False) -> None:
    axes.plot(x, y, "s", color=COLOURS["blue"], markersize=8, zorder=4)
    _say(axes, x, y + (-0.22 if below else 0.22), name, colour="blue")


def _say(axes: Axes, x: float, y: float, text: str, *, colour: str = "ink", size: float = SMALL) -> None:
    axes.text(x, y, text, fontsize=size, color=COLOURS[colour], ha="center", va="center", zorder=5)


def _path(
    axes: Axes, a: tuple[float, float], b: tuple[float, float], text: str, *, second: bool = False, lift: float = 0.13
) -> None:
    colour, dash = ("plum", (0, (5, 2))) if second else ("blue", "solid")
    axes.plot([a[0], b[0]], [a[1], b[1]], color=COLOURS[colour], linestyle=dash, linewidth=1.5, zorder=3)
    _say(axes, (a[0] + b[0]) / 2, (a[1] + b[1]) / 2 + lift, text, colour=colour)


def _spacing() -> Figure:
    figure, axes = _sheet(7.6, 3.0, (-1.0, 5.6), (-1.05, 1.55))
    _say(axes, 0.6, 1.4, "mic to mic at least 3", size=NORMAL)
    _source(axes, 0.0, 1.0, "")
    _source(axes, 1.5, 1.0, "")
    _mic(axes, 0.0, 0.5, "", below=True)
    _mic(axes, 1.5, 0.5, "", below=True)
    _path(axes, (0.0, 1.0), (0.0, 0.5), "", lift=0)
    _say(axes, -0.13, 0.75, "1", colour="blue")
    _path(axes, (0.0, 0.5), (1.5, 0.5), "3", second=True, lift=-0.16)
    _path(axes, (0.0, 1.0), (1.5, 0.5), "")
    _say(axes, 4.1, 1.4, "way to the other mic at least 3", size=NORMAL)
    _source(axes, 3.4, 1.0, "")
    _mic(axes, 3.4, 0.5, "", below=True)
    away = float(np.sqrt(1.5**2 - 0.5**2))
    _mic(axes, 3.4 + away, 0.5, "", below=True)
    _source(axes, 3.4 + away, 1.0, "")
    _path(axes, (3.4, 1.0), (3.4, 0.5), "", lift=0)
    _say(axes, 3.27, 0.75, "1", colour="blue")
    _path(axes, (3.4, 1.0), (3.4 + away, 0.5), "3", second=True, lift=0.16)
    for x, way, ripple in (
        (0.75, "the other voice comes √10 = 3.16 times as far", "10.0 dB down: dips to −3.3 dB, peaks to +2.4 dB"),
        (3.4 + away / 2, "the other voice comes 3 times as far", "9.5 dB down: dips to −3.5 dB, peaks to +2.5 dB"),
    ):
        _say(axes, x, 0.02, way)
        _say(axes, x, -0.22, ripple)
    _say(axes, 2.2, -0.75, "round: a source, square: its mic; both voices equally loud", colour="soft")
    return figure


def _equal() -> Figure:
    figure, axes = _sheet(7.6, 3.1, (-2.6, 2.6), (-0.55, 1.6))
    angle = np.linspace(0.06 * np.pi, 0.94 * np.pi, 200)
    axes.plot(1.3 * np.cos(angle), 1.3 * np.sin(angle), color=COLOURS["soft"], linewidth=1.0, linestyle=(0, (2, 2)))
    for turn, name in ((np.radians(135), "left"), (np.radians(60), "right")):
        spot = 1.3 * np.cos(turn), 1.3 * np.sin(turn)
        _mic(axes, *spot, name)
        axes.plot([0, spot[0]], [0, spot[1]], color=COLOURS["blue"], linewidth=1.5)
    _say(axes, -0.85, 0.36, "one string", colour="blue")
    _say(axes, 0.86, 0.5, "the same string", colour="blue")
    _source(axes, 0.0, 0.0, "snare", below=True)
    _say(axes, 1.95, 0.95, "anywhere on the arc:\nboth at the same moment", colour="soft")
    return figure


def _direct(unit: str) -> Figure:
    figure, axes = _sheet(7.6, 2.3, (-0.6, 6.0), (-0.95, 1.05))
    for x, text in ((0.0, "bass"), (2.0, "amp and cab")):
        axes.text(
            x, 0.0, text, fontsize=NORMAL, color=COLOURS["ink"], ha="center", va="center",
            bbox={"facecolor": COLOURS["wash"], "edgecolor": COLOURS["soft"], "boxstyle": "square,pad=0.5"},
        )  # fmt: skip
    axes.plot([0.3, 1.36], [0.0, 0.0], color=COLOURS["ink"], linewidth=1.5)
    _path(axes, (2.62, 0.0), (3.9, 0.0), f"{show_length(0.344, unit)} of air: 1 ms", lift=0.16)
    _mic(axes, 3.9, 0.0, "mic", below=True)
    axes.plot([0.7, 0.7, 5.0], [0.0, 0.75, 0.75], color=COLOURS["amber"], linewidth=1.5, linestyle=(0, (5, 1.6)))
    _say(axes, 2.4, 0.9, "DI: by wire, at once", colour="umber")
    axes.plot([3.95, 5.0, 5.0], [0.0, 0.0, 0.75], color=COLOURS["blue"], linewidth=1.5)
    _say(axes, 5.0, -0.2, "sum: a comb of 1 ms", colour="ink")
    _say(axes, 2.6, -0.75, "lay the DI 1 ms later, or the mic 1 ms earlier: then they add", colour="soft")
    return figure


def _mirror() -> Figure:
    figure, axes = _sheet(7.6, 3.4, (-0.7, 5.5), (-1.5, 1.5))
    axes.fill([-0.5, 3.2, 3.2, -0.5], [0, 0, -0.08, -0.08], color=COLOURS["soft"])
    _say(axes, 2.95, -0.22, "floor", colour="soft")
    source, mic, image = (0.3, 1.0), (2.4, 0.8), (0.3, -1.0)
    bounce = (0.3 + 2.1 * 1.0 / 1.8, 0.0)
    _path(axes, source, mic, "direct", lift=0.14)
    axes.plot(
        [source[0], bounce[0], mic[0]],
        [source[1], 0.0, mic[1]],
        color=COLOURS["amber"],
        linewidth=1.5,
        linestyle=(0, (5, 1.6)),
    )
    axes.plot([image[0], bounce[0]], [image[1], 0.0], color=COLOURS["soft"], linewidth=1.0, linestyle=(0, (2, 2)))
    _source(axes, *source, "source")
    axes.plot(*image, "o", markerfacecolor=COLOURS["paper"], markeredgecolor=COLOURS["amber"], markersize=9)
    _say(axes, image[0], image[1] - 0.22, "its mirror image", colour="umber")
    _mic(axes, *mic, "mic")
    _say(
        axes,
        4.35,
        0.35,
        "the mic hears two sources:\nthe true one, and one behind the floor,\nlater by the longer way",
        colour="ink",
    )
    return figure
