"""What adding a late copy does to the sound: comb curves over frequency, with their uncertainty as a band.

Levels are of the sum against the louder of the two alone. The frequency axis gives every octave the same width.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from micalign.acoustics.comb import first_notch_range_hz, notch_depth_db, notches_hz, peak_height_db, response_db
from micalign.arrays import Bools, Floats
from micalign.figures.style import (
    COLOURS,
    DASHES,
    SERIES,
    SMALL,
    dress,
    frequency_axis,
    headline,
    legend,
    stacked,
    words,
)
from micalign.units import show_hz, show_hz_range, show_ms

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Copy", "Recorded", "comb_figure", "draw_comb", "recorded_combs_figure"]

_LOWEST_DB: Final = -30.0
_HIGHEST_DB: Final = 11.0
_TEETH_DRAWN: Final = 24


@dataclass(frozen=True, slots=True)
class Copy:
    """A copy of a sound: how late, how much weaker, of which polarity, and how surely (one standard deviation)."""

    delay_s: float
    level_difference_db: float = 0.0
    polarity: int = 1
    uncertainty_s: float = 0.0
    label: str = ""


def comb_figure(before: Copy, after: Copy | None = None, *, title: str = "", upper_hz: float = 20000.0) -> Figure:
    """The comb of a copy and, where given, what is left of it afterwards.

    Parameters
    ----------
    before, after : Copy
        Drawn solid and dashed; without labels they are called by their delays.

    Examples
    --------
    >>> figure = comb_figure(Copy(0.001), Copy(0.0, label="aligned"))
    >>> [line.get_label() for line in figure.axes[0].lines[:2]]
    ['1.000 ms late', 'aligned']
    """
    figure, panels = stacked(1, panel_in=2.5)
    copies = [before] if after is None else [before, after]
    draw_comb(panels[0], copies, title=title, upper_hz=upper_hz)
    return figure


@dataclass(frozen=True, eq=False)
class Recorded:
    """What a recording's sum does: level (dB, against the louder track alone) over frequency (Hz), each shape (N,)."""

    frequency_hz: Floats
    level_db: Floats


def recorded_combs_figure(rows: Sequence[tuple[str, Copy, Recorded]], *, title: str = "") -> Figure:
    """Recorded sums beside what arithmetic promises: a panel for each row of name, promise and recording.

    Examples
    --------
    >>> flat = Recorded(np.array([20.0, 20000.0]), np.array([6.0, 6.0]))
    >>> figure = recorded_combs_figure([("aligned", Copy(0.0, label="promised"), flat)])
    >>> [text.get_text() for text in figure.axes[0].get_legend().get_texts()]
    ['promised', 'recorded']
    """
    figure, panels = stacked(len(rows), panel_in=2.1, gap_in=0.75, top_in=0.85)
    for axes, (name, copy, recorded) in zip(panels, rows, strict=True):
        draw_comb(axes, [copy], title=name)
        level = np.clip(recorded.level_db, _LOWEST_DB - 10.0, None)
        axes.plot(
            recorded.frequency_hz, level, color=COLOURS["amber"], linestyle=DASHES[1], linewidth=1.3, label="recorded"
        )
        legend(axes, where="lower left", columns=3)
        axes.set_xlabel("frequency (Hz)" if axes is panels[-1] else "")
    headline(figure, title)
    return figure


def draw_comb(
    axes: Axes, copies: Sequence[Copy], *, title: str = "", upper_hz: float = 20000.0, shades_named: bool = True
) -> None:
    """Draw the combs of a few copies; the first one's lowest notch is named, shades too unless told not to be."""
    dress(axes, y="level of the sum (dB)", title=words(title, longest=80))
    frequency_axis(axes, upper_hz=upper_hz)
    axes.set_ylim(_LOWEST_DB, _HIGHEST_DB)
    for index, copy in enumerate(copies):
        _draw_copy(axes, copy, index, upper_hz)
    axes.axhline(0.0, color=COLOURS["soft"], linewidth=0.8)
    if copies:
        _name_first_notch(axes, copies[0])
    legend(axes, where="lower left", columns=3, handles=None if shades_named else axes.lines[: len(copies)])


def _draw_copy(axes: Axes, copy: Copy, index: int, upper_hz: float) -> None:
    colour, dash = COLOURS[SERIES[index % len(SERIES)]], DASHES[index % len(DASHES)]
    frequency = _frequencies(copy, min(upper_hz, _dense_from_hz(copy.delay_s)))
    if copy.uncertainty_s > 0:
        low, high = _band(frequency, copy)
        axes.fill_between(
            frequency, low, high, color=colour, alpha=0.2, linewidth=0, zorder=1.5, label="one standard deviation"
        )
    label = words(copy.label, longest=56) or f"{show_ms(abs(copy.delay_s))} late"
    level = _response(frequency, copy, copy.delay_s)
    axes.plot(frequency, level, color=colour, linestyle=dash, linewidth=1.7, label=label, zorder=3)
    if frequency[-1] < upper_hz:
        low_db = max(notch_depth_db(copy.level_difference_db), _LOWEST_DB)
        high_db = peak_height_db(copy.level_difference_db)
        axes.fill_between(
            [frequency[-1], upper_hz], low_db, high_db, color=colour, alpha=0.35, linewidth=0, zorder=2,
            label="teeth too dense to draw",
        )  # fmt: skip


def _dense_from_hz(delay_s: float) -> float:
    """Above this the teeth stand too close to be told apart on paper and are drawn as one shade."""
    return (_TEETH_DRAWN + 0.5) / max(abs(delay_s), 1e-9)


def _frequencies(copy: Copy, upper_hz: float) -> Floats:
    """Fine enough for every tooth, and on every notch itself, so that none is missed between two points."""
    even = np.geomspace(20.0, max(upper_hz, 21.0), 1200)
    notches = notches_hz(copy.delay_s, polarity=copy.polarity, upper_hz=upper_hz)
    return np.unique(np.concatenate([even, notches[notches >= 20.0]]))


def _response(frequency: Floats, copy: Copy, delay_s: float) -> Floats:
    level = response_db(frequency, abs(delay_s), level_difference_db=copy.level_difference_db, polarity=copy.polarity)
    return np.maximum(level, _LOWEST_DB - 10.0)


def _band(frequency: Floats, copy: Copy) -> tuple[Floats, Floats]:
    """The lowest and highest level for delays within one standard deviation.

    At the ends of the range, unless a notch or a peak lies between them.
    """
    delay, sigma, level_db = abs(copy.delay_s), copy.uncertainty_s, copy.level_difference_db
    ends = np.array([_response(frequency, copy, delay - sigma), _response(frequency, copy, delay + sigma)])
    turns = frequency * (delay - sigma), frequency * (delay + sigma)
    notch, peak = (0.5, 0.0) if copy.polarity > 0 else (0.0, 0.5)
    low = np.where(_holds(turns, notch), max(notch_depth_db(level_db), _LOWEST_DB - 10.0), ends.min(axis=0))
    high = np.where(_holds(turns, peak), peak_height_db(level_db), ends.max(axis=0))
    return low, high


def _holds(turns: tuple[Floats, Floats], part: float) -> Bools:
    """Whether a whole number plus ``part`` lies between the two."""
    held: Bools = np.floor(turns[1] - part) > np.floor(turns[0] - part)
    return held


def _name_first_notch(axes: Axes, copy: Copy) -> None:
    notches = notches_hz(copy.delay_s, polarity=copy.polarity)
    heard = notches[notches >= 20.0]
    if not len(heard):
        return
    first = float(heard[0])
    right = first < 6000
    axes.annotate(
        f"first notch {_first_notch_words(copy, first)}",
        xy=(first, _HIGHEST_DB - 2.0),
        xytext=(4 if right else -4, 0),
        textcoords="offset points",
        fontsize=SMALL,
        color=COLOURS["ink"],
        ha="left" if right else "right",
        va="center",
    )
    axes.axvline(first, color=COLOURS["soft"], linewidth=0.8, linestyle=(0, (2, 2)))


def _first_notch_words(copy: Copy, first_hz: float) -> str:
    if copy.uncertainty_s > 0 and copy.polarity > 0:
        return show_hz_range(*first_notch_range_hz(copy.delay_s, copy.uncertainty_s))
    return show_hz(first_hz)
