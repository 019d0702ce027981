"""What a recording looks like: waveforms against the working window, how alike two tracks are, one hit, the sum.

One strip a track shows the waveform, the window shaded on both sides of zero, and the first places where it is clipped.
Delays are positive when the event comes later in the track. Arrays are samples of one rate, full scale +-1.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from micalign.alignment.gain import SumGain
from micalign.arrays import Floats, Ints
from micalign.figures.style import (
    COLOURS,
    DASHES,
    LARGE,
    NORMAL,
    SMALL,
    dress,
    frequency_axis,
    headline,
    legend,
    stacked,
    words,
)
from micalign.take.track_levels import TrackLevels, WorkingWindow
from micalign.take.tracks import Track
from micalign.tdoa.measure import Delay
from micalign.tdoa.spectra import frame_spectra, irfft, raised_cosine, smooth_bins
from micalign.units import db_from_power, show_ms_within, show_percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

__all__ = [
    "CorrelatedPair",
    "correlation_figure",
    "gain_figure",
    "hit_figure",
    "levels_figure",
    "spectrum_figure",
    "sums_figure",
]

_LIKENESS_HZ: Final = (40.0, 8000.0)
"""Hertz: the band in which two mics in a room are alike; above, centimetres turn the phase (judgement, no source)."""

_WHITENED: Final = 0.4
"""Weight, an exponent: 0 is the plain correlation, 0.5 counts all frequencies alike, noise as well (set by eye)."""

_RIVAL: Final = 0.7
"""Share of the highest peak: lower ones are seldom mistaken for it, and the rings would hide the curve (by eye)."""

_OWN_PEAK_S: Final = 2e-4
"""Seconds: half the width of the main peak of what is heard below 8 kHz, with its side lobes."""

_MOST_STRIPS: Final = 32  # more make a figure of more than 20 inches
_VERDICT_COLUMNS: Final = 17  # letters beside a strip, in lines of which two and the peak fit its height
_LANE: Final = 1.08  # half a strip's height, full scale 1: one scale for all tracks
_STRIP_IN: Final = 0.62  # height of a track's strip, inches
_VERDICT_COLOURS: Final = {
    "good": "ink",
    "quiet": "soft",
    "hot": "amber",
    "clipped": "brick",
    "silent": "brick",
    "broken": "brick",
}


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
    shown = sorted(take, key=lambda levels: levels.gravity)[:_MOST_STRIPS]
    figure, panels = stacked(
        max(len(shown), 1), panel_in=_STRIP_IN - 0.06, gap_in=0.06, top_in=0.42, margins_in=(1.45, 1.4)
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
    axes.set_ylim(-_LANE, _LANE)
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
    _mark_clips(axes, levels)
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
    verdict = textwrap.fill(levels.verdict_words, _VERDICT_COLUMNS)
    if levels.peak:
        verdict += f"\n{show_percent(100.0 * levels.peak)}"
    axes.text(
        1.01,
        0.5,
        verdict,
        transform=axes.transAxes,
        fontsize=SMALL,
        color=COLOURS["brick" if levels.has_problem else _VERDICT_COLOURS[levels.verdict]],
        ha="left",
        va="center",
    )


def _draw_wave(axes: Axes, levels: TrackLevels) -> None:
    outline = levels.outline
    times = np.repeat(np.arange(len(outline.lows) + 1) * outline.bin_s, 2)[1:-1]
    axes.fill_between(
        np.minimum(times, levels.duration_s),
        np.maximum(np.repeat(outline.lows, 2), -_LANE),  # what lies beyond full scale ends at the lane's edge
        np.minimum(np.repeat(outline.highs, 2), _LANE),
        color=COLOURS["blue"],
        linewidth=0.3,
    )


def _mark_clips(axes: Axes, levels: TrackLevels) -> None:
    places = list(levels.clipping.marks_s)
    if places:
        tip = [1.12] * len(places)
        axes.plot(
            places, tip, linestyle="none", marker="v", markersize=4.5, color=COLOURS["brick"], clip_on=False, zorder=4
        )


def _time_axis(axes: Axes) -> None:
    axes.spines["bottom"].set_visible(True)
    axes.tick_params(axis="x", length=3.5, labelbottom=True)
    axes.set_xlabel("time (s)", fontsize=NORMAL, color=COLOURS["ink"])


_FRAME_S: Final = 0.25  # of each frame (by eye)
_FRAMES: Final = 24  # the loudest frames (by eye)
_MOST_TRACKS: Final = 8  # panels, or waveforms, of one figure
_MARGIN_S: Final = 0.004  # shown beyond the largest delay
_FLOOR_DB: Final = -50.0  # of the spectrum, below its highest
_MOST_RIVALS: Final = 8  # ringed
_MOST_SUMS: Final = 4  # panels
_LEAST_GAIN_DB: Final = -20.0  # a band that cancels further ends at the frame


@dataclass(frozen=True, eq=False)
class CorrelatedPair:
    """Two tracks, what was measured between them, and what to call them; the loud moments of the first are compared."""

    title: str
    reference: Track
    track: Track
    delay: Delay


def correlation_figure(pairs: Sequence[CorrelatedPair]) -> Figure:
    """How two tracks resemble each other over delay: the chosen delay, and the curve's own other peaks as open rings.

    Parameters
    ----------
    pairs : sequence of CorrelatedPair
        The first eight are drawn.

    Examples
    --------
    >>> noise = np.random.default_rng(1).standard_normal(48000)
    >>> first, late = Track.from_array("a", noise, 48000), Track.from_array("b", np.roll(noise, 48), 48000)
    >>> figure = correlation_figure([CorrelatedPair("b", first, late, Delay(0.001, 1e-6, 1, 1.0, 1.0, True, None))])
    >>> x, y = figure.axes[0].lines[1].get_data()
    >>> round(float(x[np.argmax(y)]), 2)
    1.0
    """
    shown = pairs[:_MOST_TRACKS]
    figure, panels = stacked(len(shown), panel_in=1.15, gap_in=0.42, top_in=1.0)
    widest = _MARGIN_S + max(abs(pair.delay.delay_s) for pair in shown)
    for axes, pair in zip(panels, shown, strict=True):
        lag_s, value = _correlation(pair.reference, pair.track, widest)
        _draw_correlation(axes, lag_s, value, pair)
        axes.set_xlim(-1e3 * widest, 1e3 * widest)
        axes.tick_params(labelbottom=axes is panels[-1])
    panels[-1].set_xlabel("delay (ms): positive is later in the second track", fontsize=NORMAL, color=COLOURS["ink"])
    headline(figure, "correlation of two tracks over delay")
    curve, chosen, rings = (panels[0].lines[index] for index in (1, 2, 3))
    figure.legend(
        handles=[curve, chosen, rings],
        labels=["correlation", "the delay measured", f"other peaks, {100 * _RIVAL:.0f} % as high or more"],
        loc="upper right",
        ncols=3,
        frameon=False,
        fontsize=SMALL,
        labelcolor=COLOURS["ink"],
        bbox_to_anchor=(0.98, 1 - 0.3 / float(figure.get_figheight())),
    )
    return figure


def _correlation(reference: Track, track: Track, widest_s: float) -> tuple[Floats, Floats]:
    """The correlation of the loudest stretches, every frequency counting alike as far as it is heard."""
    length = round(_FRAME_S * reference.sample_rate)
    window = raised_cosine(length, length // 8, length // 8)
    margin = round(widest_s * reference.sample_rate) + 32
    spectra = frame_spectra(reference, track, _loud_starts(reference, length), window, margin=margin)
    cross = spectra.cross.astype(np.complex128).sum(axis=0)
    size = [smooth_bins(power.sum(axis=0), 41) for power in (spectra.first, spectra.second)]
    whitened = cross / (size[0] * size[1] + 1e-9 * float(np.max(size[0]) * np.max(size[1]))) ** _WHITENED
    frequency = spectra.frequencies_hz
    whitened *= (frequency > _LIKENESS_HZ[0]) & (frequency < _LIKENESS_HZ[1])
    value = irfft(whitened, 2 * spectra.size)
    step_s = 0.5 / reference.sample_rate
    count = int(widest_s / step_s)
    lags = np.arange(-count, count + 1)
    curve = value[lags]
    lag_s = np.asarray(lags * step_s + spectra.centre_s, dtype=np.float64)
    return lag_s, curve / max(float(np.max(np.abs(curve))), 1e-30)


def _loud_starts(track: Track, length: int) -> Ints:
    """Where the loudest frames of a track begin, in order."""
    powers = [float(np.mean(block**2)) for block in track.blocks(length)]
    loudest = np.sort(np.argsort(powers)[::-1][:_FRAMES])
    starts: Ints = loudest * length
    return starts


def _draw_correlation(axes: Axes, lag_s: Floats, value: Floats, pair: CorrelatedPair) -> None:
    delay = pair.delay
    dress(axes, y="correlation", grid="x")
    axes.axhline(0.0, color=COLOURS["soft"], linewidth=0.6)
    axes.plot(1e3 * lag_s, value, color=COLOURS["blue"], linewidth=1.2)
    axes.set_ylim(-1.25, 1.25)
    axes.axvline(1e3 * delay.delay_s, color=COLOURS["amber"], linewidth=1.6, linestyle=DASHES[1])
    others = _other_peaks(lag_s, value, delay.delay_s)
    axes.plot(
        1e3 * lag_s[others], value[others], "o", markerfacecolor="none", markeredgecolor=COLOURS["plum"], markersize=7
    )
    said = show_ms_within(delay.delay_s, delay.uncertainty_s, sign=True)
    inverted = ", inverted" if delay.polarity < 0 else ""
    said += inverted if delay.is_polarity_clear else ", polarity in doubt"
    said += "" if delay.reliable else "; not reliable"
    axes.text(
        0.0,
        1.04,
        f"{words(pair.title, longest=52)}: {said}",
        transform=axes.transAxes,
        fontsize=NORMAL,
        color=COLOURS["ink"],
    )


def _other_peaks(lag_s: Floats, value: Floats, chosen_s: float) -> Ints:
    """Peaks of either sign that come near the highest and lie away from the chosen delay, highest first."""
    size = np.abs(value)
    tops = 1 + np.flatnonzero((size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:]))
    high = tops[(size[tops] >= _RIVAL * size.max()) & (np.abs(lag_s[tops] - chosen_s) > _OWN_PEAK_S)]
    found: Ints = high[np.argsort(-size[high])][:_MOST_RIVALS]
    return found


def hit_figure(
    before: Mapping[str, Floats], after: Mapping[str, Floats], *, sample_rate: int, start_s: float, of: str = ""
) -> Figure:
    """One hit in each track, as recorded and as aligned; each track is drawn to its own height.

    Parameters
    ----------
    before, after : mapping of name to samples
        The same stretch of each; the first eight tracks are drawn.
    sample_rate : int
    start_s : float
        Where on the take's clock it begins.
    of : str
        What was hit.

    Examples
    --------
    >>> wave = np.sin(np.arange(480) / 5.0)
    >>> len(hit_figure({"snare": wave}, {"snare": wave}, sample_rate=48000, start_s=1.0).axes)
    1
    """
    names = list(before)[:_MOST_TRACKS]
    figure, panels = stacked(len(names), panel_in=0.85, gap_in=0.36, top_in=0.85)
    time_ms = 1e3 * np.arange(len(before[names[0]])) / sample_rate
    for axes, name in zip(panels, names, strict=True):
        dress(axes, grid="x")
        height = max(float(np.max(np.abs(before[name]))), float(np.max(np.abs(after[name]))), 1e-9)
        axes.plot(
            time_ms, before[name] / height, color=COLOURS["amber"], linestyle=DASHES[1], linewidth=1.2, label="before"
        )
        axes.plot(time_ms, after[name] / height, color=COLOURS["blue"], linewidth=1.4, label="after")
        axes.set_xlim(0, time_ms[-1])
        axes.set_ylim(-1.1, 1.1)
        axes.set_yticks([])
        axes.tick_params(labelbottom=axes is panels[-1])
        axes.text(0.0, 1.05, words(name), transform=axes.transAxes, fontsize=SMALL, color=COLOURS["ink"])
    panels[-1].set_xlabel(f"time after {start_s:.3f} s (ms)", fontsize=NORMAL, color=COLOURS["ink"])
    headline(figure, f"one hit{f' of {words(of)}' if of else ''} in every track, each to its own height")
    figure.legend(
        handles=panels[0].lines[:2],
        loc="upper right",
        ncols=2,
        frameon=False,
        fontsize=SMALL,
        labelcolor=COLOURS["ink"],
    )
    return figure


def spectrum_figure(before: Floats, after: Floats, *, sample_rate: int) -> Figure:
    """The spectrum of the sum before and after, smoothed to a sixth of an octave; 0 dB is the strongest of both.

    Parameters
    ----------
    before, after : ndarray of float64, shape (frames,)
    sample_rate : int
        Hertz.

    Examples
    --------
    >>> noise = np.random.default_rng(1).standard_normal(48000)
    >>> [line.get_label() for line in spectrum_figure(noise, noise, sample_rate=48000).axes[0].lines]
    ['before', 'after']
    """
    figure, panels = stacked(1, panel_in=2.5)
    axes = dress(panels[0], y="level (dB)", title="the sum of all tracks, smoothed to a sixth of an octave")
    frequency_axis(axes, upper_hz=min(20000.0, 0.45 * sample_rate))
    centres = np.geomspace(20.0, min(20000.0, 0.45 * sample_rate), 240)
    levels = [_smoothed_db(samples, sample_rate, centres) for samples in (before, after)]
    top = max(float(level.max()) for level in levels)
    for level, label, colour, dash in zip(levels, ("before", "after"), ("amber", "blue"), DASHES[1::-1], strict=True):
        axes.plot(centres, level - top, color=COLOURS[colour], linestyle=dash, linewidth=1.6, label=label)
    axes.set_ylim(_FLOOR_DB, 4)
    legend(axes, where="lower left", columns=2)
    return figure


def _smoothed_db(samples: Floats, sample_rate: int, centres_hz: Floats) -> Floats:
    power = np.abs(np.fft.rfft(samples * np.hanning(len(samples)))) ** 2
    edges = np.exp2(1.0 / 12.0)
    total = np.concatenate([[0.0], np.cumsum(power)])
    place = centres_hz * len(samples) / sample_rate
    low = np.floor(place / edges).astype(np.intp)
    high = np.minimum(np.maximum(np.ceil(place * edges).astype(np.intp), low + 1), len(power))
    level: Floats = db_from_power((total[high] - total[low]) / (high - low) + 1e-30)
    return level


def gain_figure(gain: SumGain) -> Figure:
    """What the sum gains or loses in each third of an octave against tracks that have nothing to do with each other."""
    figure, panels = stacked(1, panel_in=2.3)
    axes = dress(panels[0], y="coherent gain (dB)", title="energy of the sum against the sum of the energies")
    frequency_axis(axes, lower_hz=25.0)
    for which, label, colour, dash, marker in (
        ("before_db", "before", "amber", DASHES[1], "o"),
        ("after_db", "after", "blue", "solid", "s"),
    ):
        known = [(band.centre_hz, getattr(band, which)) for band in gain.bands if getattr(band, which) is not None]
        if known:
            centres, values = np.array(known).T
            shown = np.maximum(values, _LEAST_GAIN_DB)
            axes.plot(centres, shown, color=COLOURS[colour], linestyle=dash, marker=marker, markersize=4, label=label)
    axes.axhline(0.0, color=COLOURS["soft"], linewidth=0.8)
    legend(axes, where="best", columns=2)
    return figure


def sums_figure(pairs: Sequence[tuple[str, Mapping[str, Sequence[float]]]], centres_hz: Sequence[float]) -> Figure:
    """How a DI and its mic add up by third octave, the ways to lay them over one another.

    Parameters
    ----------
    pairs : sequence of (title, mapping of way to decibels)
        Each way one value for each of ``centres_hz``, nan where a band holds nothing; the first four are drawn.
    centres_hz : sequence of float

    Examples
    --------
    >>> ways = {"as recorded": [-3.0, 1.0], "best delay and polarity": [2.0, 2.5], "with all-pass": [2.8, 2.7]}
    >>> len(sums_figure([("di and cab", ways)], [100.0, 125.9]).axes[0].lines)
    4
    """
    shown = pairs[:_MOST_SUMS]
    figure, panels = stacked(len(shown), panel_in=1.9, gap_in=0.5, top_in=0.95)
    looks = (("amber", DASHES[1], "o"), ("blue", "solid", "s"), ("plum", DASHES[2], "^"))
    every = np.array([value for _, ways in shown for way in ways.values() for value in way])
    lowest = float(np.nanmin(every, initial=0.0))
    handles: dict[str, Line2D] = {}
    for axes, (title, ways) in zip(panels, shown, strict=True):
        dress(axes, y="coherent gain (dB)")
        frequency_axis(axes, lower_hz=35.0, upper_hz=4500.0)
        axes.axhline(0.0, color=COLOURS["soft"], linewidth=0.8)
        for (name, values), (colour, dash, marker) in zip(ways.items(), looks, strict=False):
            clipped = np.maximum(np.asarray(values, dtype=np.float64), _LEAST_GAIN_DB)
            (handles[name],) = axes.plot(
                centres_hz, clipped, color=COLOURS[colour], linestyle=dash, marker=marker, markersize=4, linewidth=1.5
            )
        axes.set_ylim(max(lowest, _LEAST_GAIN_DB) - 0.8, 3.6)
        if axes is not panels[-1]:
            axes.set_xlabel("")
        axes.text(0.0, 1.04, words(title, longest=60), transform=axes.transAxes, fontsize=NORMAL, color=COLOURS["ink"])
    headline(figure, "DI and mic added at equal loudness: +3 dB is wholly in step, below 0 dB they cancel")
    figure.legend(
        handles=list(handles.values()),
        labels=list(handles),
        loc="upper left",
        ncols=3,
        frameon=False,
        fontsize=SMALL,
        labelcolor=COLOURS["ink"],
        bbox_to_anchor=(0.0, 1 - 0.36 / float(figure.get_figheight())),
    )
    return figure
