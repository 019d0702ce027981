"""What do late copies of a sound do: when does each arrive, straight or by way of the walls, and what does adding it?

Arrivals of a source in time: from the moment it sounds, a row for each mic. Heights are levels against the loudest
arrival at the same mic (the direct sound, unless the mic looks away from the source).

Comb curves over frequency, with their uncertainty as a band: levels are of the sum against the louder of the two alone.
The frequency axis gives every octave the same width. Of a scene those combs are drawn that colour its blend. A pair
matters for a source where at least one of its mics is there for that source and the weaker copy lies within 12 dB of
the stronger. A DI and a mic on its source come first: how loud each is in the blend no scene says, so their comb is
drawn for equal levels, the deepest it can be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from micalign.acoustics.arrivals import Arrivals, arrivals
from micalign.acoustics.comb import (
    DiDifference,
    Difference,
    first_notch_range_hz,
    notch_depth_db,
    notches_hz,
    peak_height_db,
    response_db,
)
from micalign.acoustics.prediction import Prediction
from micalign.acoustics.room import Reflection, bounces, reflections
from micalign.arrays import Bools, Floats
from micalign.figures.style import (
    COLOURS,
    DASHES,
    NORMAL,
    SERIES,
    SMALL,
    Tag,
    dress,
    frequency_axis,
    headline,
    legend,
    place_tags,
    stacked,
    words,
)
from micalign.scene.scene import Scene
from micalign.units import show_hz, show_hz_range, show_ms, show_ms_known, show_ms_within

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "Copy",
    "Recorded",
    "comb_figure",
    "draw_comb",
    "name_shades",
    "pair_combs_figure",
    "pairs_that_matter",
    "recorded_combs_figure",
    "timeline_figure",
]

_WITHIN_DB: Final = 12.0
"""Decibels: a copy weaker than this takes 2.5 dB from the sum at most and is not drawn (judgement, no source)."""

_NO_COMB_S: Final = 20e-6
"""Seconds: a copy no later than this has its first notch at 25 kHz or above, which nobody hears."""

_LOWEST_HZ: Final = 20.0  # where the frequency axis begins
_RIGHT_OF_HZ: Final = 6000  # above, the words of a first notch stand to the left of it
_LOWEST_DB: Final = -30.0  # deeper notches end at the frame: no ear follows them
_HIGHEST_DB: Final = 11.0  # two equal copies rise to 6 dB; above it the legend
_NOTCHES_DRAWN: Final = 24  # more stand closer than a line is wide

_HEADROOM_DB: Final = 11.0  # of arrivals in time: above the direct sound, for names and the legend
_MOST_MICS: Final = 8  # panels of arrivals, a mic each
_TALL_DB: Final = 2.0  # a stem that rises less above the floor of its panel is not seen: a name would hang in the air
_NAMED: Final = 3  # how many reflections of a mic carry their surface's name


@dataclass(frozen=True, slots=True)
class Copy:
    """A copy of a sound, added to it.

    Attributes
    ----------
    delay_s : float
        How late, seconds.
    level_difference_db : float
        How much weaker.
    polarity : int
        +1, or -1 where it is inverted.
    uncertainty_s : float
        One standard deviation of the delay, seconds.
    label : str
        What the curve is called; its delay where it is left out.

    Examples
    --------
    >>> Copy(0.001, level_difference_db=6.0).polarity
    1
    """

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
    title : str
    upper_hz : float
        Where the frequency axis ends.

    Returns
    -------
    Figure
        Level of the sum against the louder one alone, dB, over frequency (`micalign.acoustics.comb.response_db`).

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
    """Recorded sums beside predicted ones: a panel for each row of name, prediction and recording.

    Examples
    --------
    >>> flat = Recorded(np.array([20.0, 20000.0]), np.array([6.0, 6.0]))
    >>> figure = recorded_combs_figure([("aligned", Copy(0.0, label="predicted"), flat)])
    >>> [text.get_text() for text in figure.axes[0].get_legend().get_texts()]
    ['predicted', 'recorded']
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
    """Draw the combs of a few copies; the first one's lowest notch is named, shades unless ``shades_named`` is off."""
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
            label="notches too dense to draw",
        )  # fmt: skip


def _dense_from_hz(delay_s: float) -> float:
    """Above this the notches lie too close to be seen apart on paper and are drawn as one shade."""
    return (_NOTCHES_DRAWN + 0.5) / max(abs(delay_s), 1e-9)


def _frequencies(copy: Copy, upper_hz: float) -> Floats:
    """Fine enough for every notch, and on each itself, so that none is missed between two points."""
    even = np.geomspace(20.0, max(upper_hz, 21.0), 1200)
    notches = notches_hz(copy.delay_s, polarity=copy.polarity, upper_hz=upper_hz)
    return np.unique(np.concatenate([even, notches[notches >= _LOWEST_HZ]]))


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
    audible = notches[notches >= _LOWEST_HZ]
    if not len(audible):
        return
    first = float(audible[0])
    right = first < _RIGHT_OF_HZ
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


def pairs_that_matter(scene: Scene, prediction: Prediction, *, most: int = 6) -> tuple[Difference, ...]:
    """The rows whose combs colour the blend, those that both mics are there for first, then the deepest.

    >>> from micalign.acoustics.prediction import predict
    >>> from micalign.scene.model import Mic, Source
    >>> mics = tuple(Mic(name, (x, 2.0, 1.8), on=("snare",)) for name, x in (("left", 1.0), ("right", 3.0)))
    >>> scene = Scene(sources=(Source("snare", (2.2, 1.5, 0.7)),), mics=mics)
    >>> [row.mics for row in pairs_that_matter(scene, predict(scene))]
    [('left', 'right')]
    """
    on = {mic.name: mic.on for mic in scene.mics}

    def wanted(row: Difference) -> int:
        return sum(row.source in on[name] for name in row.mics)

    rows = [row for row in prediction.differences if wanted(row) and _combs(row)]
    return tuple(sorted(rows, key=lambda row: (-wanted(row), abs(row.level_difference_db)))[:most])


def _combs(row: Difference) -> bool:
    return abs(row.level_difference_db) <= _WITHIN_DB and abs(row.difference_s) > _NO_COMB_S


@dataclass(frozen=True, slots=True)
class _TitledComb:
    title: str
    copy: Copy


def pair_combs_figure(scene: Scene, prediction: Prediction, *, most: int = 4) -> Figure | None:
    """A comb curve for each pair that matters, with its uncertainty; None where no pair makes one.

    Where there are more than ``most`` the title says how many.

    Examples
    --------
    >>> from micalign.acoustics.prediction import predict
    >>> from micalign.scene.model import Mic, Source
    >>> mics = tuple(Mic(name, (x, 2.0, 1.8), on=("snare",)) for name, x in (("left", 1.0), ("right", 3.0)))
    >>> scene = Scene(sources=(Source("snare", (2.2, 1.5, 0.7)),), mics=mics)
    >>> len(pair_combs_figure(scene, predict(scene)).axes)
    1
    """
    rows = _rows(scene, prediction)
    shown = rows[:most]
    if not shown:
        return None
    figure, panels = stacked(len(shown), panel_in=1.75, gap_in=0.75, top_in=0.85)
    for axes, row in zip(panels, shown, strict=True):
        draw_comb(axes, [row.copy], title=row.title, shades_named=False)
        axes.set_xlabel("frequency (Hz)" if axes is panels[-1] else "")
    count = f"{len(shown)} of {len(rows)} combs" if len(rows) > len(shown) else "combs"
    headline(figure, f"{count} in the blend")
    name_shades(figure, panels)
    return figure


def name_shades(figure: Figure, panels: Sequence[Axes]) -> None:
    """In the figure's head, once for all panels: they have the same."""
    shades = {str(one.get_label()): one for axes in panels for one in axes.collections}
    figure.legend(
        handles=list(shades.values()), loc="upper right", ncols=2, frameon=False, fontsize=SMALL,
        labelcolor=COLOURS["ink"],
    )  # fmt: skip


def _rows(scene: Scene, prediction: Prediction) -> list[_TitledComb]:
    """All that matter, those with a DI first."""
    direct = [
        _TitledComb(f"{one.source}: {one.di} with {one.mic}", _di_copy(one))
        for one in prediction.di_differences
        if abs(one.difference_s) > _NO_COMB_S or one.polarity < 0
    ]
    pairs = pairs_that_matter(scene, prediction, most=len(prediction.differences))
    return direct + [_TitledComb(f"{row.source}: {row.mics[0]} with {row.mics[1]}", _copy(row)) for row in pairs]


def _di_copy(row: DiDifference) -> Copy:
    late = f"{show_ms_within(abs(row.difference_s), row.uncertainty_s)}, as if equally loud"
    return Copy(row.difference_s, 0.0, row.polarity, row.uncertainty_s, late + _inverted(row.polarity))


def _inverted(polarity: int) -> str:
    return ", inverted" if polarity < 0 else ""


def _copy(row: Difference) -> Copy:
    known = show_ms_within(abs(row.difference_s), row.uncertainty_s)
    late = f"{known}, {abs(row.level_difference_db):.1f} dB apart{_inverted(row.polarity)}"
    return Copy(row.difference_s, row.level_difference_db, row.polarity, row.uncertainty_s, late)


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
    >>> from micalign.scene.model import Room
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
        direct[one.mic] + one.delay_s
        for one in struck
        if one.mic in direct and one.level_db - top[one.mic] > _LOWEST_DB
    ]
    return 1.08e3 * max([*direct.values(), *shown])


def _draw_mic(axes: Axes, found: Arrivals, cell: tuple[int, int], struck: Sequence[Reflection]) -> None:
    dress(axes, grid="x")
    direct_ms, top_db = 1e3 * float(found.arrival_s[cell]), _top_db(struck)
    axes.set_ylim(_LOWEST_DB, _HEADROOM_DB)
    axes.set_yticks([-20, 0], ["−20", "0"])
    axes.set_ylabel("level (dB)", fontsize=SMALL, color=COLOURS["ink"])
    axes.text(0.0, 1.03, words(found.mics[cell[1]]), transform=axes.transAxes, fontsize=NORMAL, color=COLOURS["ink"])
    times = [direct_ms + 1e3 * one.delay_s for one in struck]
    axes.vlines(
        times,
        _LOWEST_DB,
        [max(one.level_db - top_db, _LOWEST_DB) for one in struck],
        color=COLOURS["amber"],
        linewidth=1.6,
        label="reflection",
    )
    axes.vlines(
        [direct_ms], _LOWEST_DB, [max(-top_db, _LOWEST_DB)], color=COLOURS["blue"], linewidth=3.2, label="direct"
    )


def _top_db(struck: Sequence[Reflection]) -> float:
    """The level of the loudest arrival against the direct sound."""
    return max([0.0, *(one.level_db for one in struck)])


def _write_tags(axes: Axes, found: Arrivals, cell: tuple[int, int], struck: Sequence[Reflection]) -> None:
    direct_ms, top_db = 1e3 * float(found.arrival_s[cell]), _top_db(struck)
    loud = sorted((one for one in struck if one.level_db - top_db > _LOWEST_DB), key=lambda one: -one.level_db)
    direct = (direct_ms, max(-top_db, _LOWEST_DB))
    tips = [(direct_ms + 1e3 * one.delay_s, one.level_db - top_db) for one in loud]
    tags = [Tag(direct, show_ms_known(direct_ms / 1e3, float(found.uncertainty_s[cell])), "blue", rank=-1)]
    tags += [
        Tag(tip, words(one.surface, longest=18), "umber")
        for tip, one in zip(tips, loud[:_NAMED], strict=False)
        if tip[1] > _LOWEST_DB + _TALL_DB
    ]
    # A stem is as tall as its level: all of it is taken, not its tip alone.
    taken = [
        (time, _LOWEST_DB + part * (level - _LOWEST_DB))
        for time, level in (direct, *tips)
        for part in (1, 0.75, 0.5, 0.25, 0)
    ]
    place_tags(axes, tags, taken=taken)
