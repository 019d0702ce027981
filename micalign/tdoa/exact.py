"""From an event to the answer: the delay as exactly as the tracks allow, its polarity, its one sigma, its confidence.

Signs as everywhere: positive when the event comes later in the second track. Delays in seconds, frequencies in hertz.

*One sound over one path.* Both tracks are cut by the same window, the second at the delay already known, and each
frequency is weighted by what its coherence says of its phase (the Hannan-Thomson weights): the estimate that reaches
the Cramer-Rao bound on stationary signals in noise. Where one track is the other through a filter (a DI and its
cabinet), that filter's phase makes the best delay a matter of frequency; then the delay at which the two add up best is
reported, the maximum of the plain correlation beside the one found.

*Its error.* At the right delay of a single path every frequency of the cross-spectrum is in phase. What is left over,
noise and above all the reflections of a room, which no number of takes averages away, pushes the peak as its phases
happen to fall. Frequencies near one another err together, those in different cells do not: the spread of the cells'
pushes is the standard error of the delay. It counts what the scatter of stretches cannot see, for all stretches share
one room. Ten cells to the width of the band: an early reflection's pushes undo each other over 1 kHz and more, but too
few cells know too little of their spread.

Sources: E. J. Hannan and P. J. Thomson, "Estimating group delay", Biometrika 60(2), 241-253, 1973; G. C. Carter,
"Coherence and time delay estimation", Proceedings of the IEEE 75(2), 236-255, 1987 (the bound from the coherence);
H. White, "A heteroskedasticity-consistent covariance matrix estimator", Econometrica 48(4), 817-838, 1980; for cells
whose members err together K.-Y. Liang and S. L. Zeger, "Longitudinal data analysis using generalized linear models",
Biometrika 73(1), 13-22, 1986.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from micalign.arrays import Complexes, Floats
from micalign.take.tracks import Track
from micalign.tdoa import tuned
from micalign.tdoa.delays import Delay, known
from micalign.tdoa.hypotheses import FEATURES, ONE_PATH
from micalign.tdoa.posterior import EVENT_S, Event, Look, Side, begins, confidence_of, path_confidence, sigma_s
from micalign.tdoa.spectra import Spectra, filtered, frame_spectra, refine, rfft, smooth_bins
from micalign.tdoa.strokes import FrameSet, Listened, stretches
from micalign.tdoa.wavefronts import cut

__all__ = ["WAVE_S", "along_one_path", "cramer_rao_s", "in_wave_band", "phase_error_s", "sharpen", "struck"]

_CELLS: Final = 10  # to the width of the band, see above
_CELL_HZ: Final = (100.0, 400.0)  # hertz: the narrowest and the widest cell
_BEYOND: Final = 1.5  # sigma: eight groups of one delay scatter by so much through chance
_FEWEST: Final = 3  # groups or cells that tell a scatter
_GROUPS: Final = 8  # of frames, each of which says a delay of its own
_SMOOTH_BINS: Final = 25  # of a smooth coherence: wider than a note, narrower than the band
_POWERS: Final = (0.4, 0.0)
"""Of the whitening taken back step by step, so that the climb keeps to its hill."""

_NEAR_SUM_S: Final = 0.0003  # seconds between lobes: a step further has left the hill
_HARMONICS_HZ: Final = 150.0  # hertz: above a bass's fundamental
_LEAST_MOVE_S: Final = 3e-6  # seconds: less than 1 mm of way is no other answer


def phase_error_s(spectrum: Complexes, frequencies_hz: Floats, lag_s: float) -> float:
    """One standard deviation of the lag at which a weighted cross-spectrum peaks.

    Parameters
    ----------
    spectrum : complex, shape (B,)
        The cross-spectrum, weighted as it was where its peak was looked for.
    frequencies_hz : float, shape (B,)
        Evenly spaced and rising.
    lag_s : float
        Where it peaks.

    Returns
    -------
    float
        Seconds; infinity where there is no peak.

    Examples
    --------
    >>> f = np.arange(100.0, 8000.0, 10.0)
    >>> direct = np.exp(-2j * np.pi * f * 0.003)
    >>> phase_error_s(direct, f, 0.003) < 1e-12
    True
    >>> wall = 0.1 * np.exp(-2j * np.pi * f * 0.005)
    >>> 5e-8 < phase_error_s(direct + wall, f, 0.003) < 1e-6
    True
    """
    omega = 2.0 * np.pi * frequencies_hz
    turned = spectrum * np.exp(1j * omega * lag_s)
    height, bend = abs(float(turned.real.sum())), abs(float((omega**2 * turned.real).sum()))
    if not bend > 0 < height:
        return float("inf")
    cell_hz = np.clip(np.sqrt(bend / height) / (2.0 * np.pi * _CELLS), *_CELL_HZ)
    pushes = np.bincount((frequencies_hz / cell_hz).astype(np.intp), omega * turned.imag)
    return float(np.sqrt((pushes**2).sum()) / bend)


def _one_sigma_s(error_s: float, groups_s: Floats) -> float:
    """The standard deviation of a delay: its phases' own, or what groups of frames scatter beyond that.

    Eight groups of one delay scatter by a quarter more or less than they should; those of a player who moves, or of
    two clocks, by far more.

    Parameters
    ----------
    error_s : float
        `phase_error_s`.
    groups_s : float, shape (G,)
        The delay by each group of frames alone; fewer than three tell nothing.

    Examples
    --------
    >>> _one_sigma_s(1e-6, np.array([1e-6, -1e-6, 2e-6, 0.0]))
    1e-06
    >>> round(_one_sigma_s(1e-6, np.array([9e-6, -9e-6, 9e-6, -9e-6])) * 1e6, 1)
    5.1
    """
    if len(groups_s) < _FEWEST:
        return error_s
    scatter_s = float(np.std(groups_s, ddof=1) / np.sqrt(len(groups_s)))
    return float(np.sqrt(error_s**2 + max(scatter_s**2 - (_BEYOND * error_s) ** 2, 0.0)))


@dataclass(frozen=True)
class Sharp:
    """A sharpened delay: ``bound_s`` from the coherence, ``error_s`` its standard deviation."""

    delay_s: float
    bound_s: float
    error_s: float


def sharpen(
    first: Listened, second: Track, gate: FrameSet, delay_s: float, *, within_s: float, one_path: bool = False
) -> Sharp:
    """The delay near ``delay_s``, from frames of ``gate`` (its window is used on both tracks).

    ``one_path``: nothing but a filter lies between the tracks, so that the best sum may be looked for.
    """
    spectra = frame_spectra(first, second, gate.starts, gate.window, margin=0, centre_s=delay_s, kept=first.kept)
    hz = spectra.frequencies_hz
    cross = spectra.cross.sum(axis=0).astype(complex)
    lag_s = delay_s - spectra.centre_s
    for _ in range(2):
        coherence, size = _coherence(spectra, cross, lag_s)
        weight = coherence / (1.0 - coherence) / size
        lag_s = refine(cross * weight, hz, lag_s, within_s=within_s)
    bound_s = cramer_rao_s(hz, coherence, len(spectra.cross) * spectra.size / 2 / spectra.sample_rate)
    error_s = _one_sigma_s(phase_error_s(cross * weight, hz, lag_s), _groups_s(spectra.cross, weight, hz, lag_s))
    if one_path:
        moved_s = _best_sum(spectra, cross, lag_s) - lag_s
        if abs(moved_s) > max(4.0 * bound_s, _LEAST_MOVE_S):
            lag_s, error_s = lag_s + moved_s, float(np.hypot(error_s, tuned.TASTE * moved_s))
    return Sharp(lag_s + spectra.centre_s, bound_s, error_s)


def _coherence(spectra: Spectra, cross: Complexes, lag_s: float) -> tuple[Floats, Floats]:
    """The squared coherence of each frequency and the size of the smooth cross-spectrum, both shape (B,).

    Smoothed over neighbouring frequencies, the delay taken out before, without what chance alone would give.
    """
    hz, count = spectra.frequencies_hz, len(spectra.cross)
    turned = cross * np.exp(2j * np.pi * hz * lag_s)
    turned, first, second = (
        smooth_bins(values, _SMOOTH_BINS) for values in (turned, spectra.first.sum(axis=0), spectra.second.sum(axis=0))
    )
    powers = first * second
    # Nothing 70 dB below the loudest band counts: what a window leaks of a band is coherent and says nothing.
    floor = powers.max(initial=0.0) * 1e-14 + 1e-60
    coherence = np.abs(turned) ** 2 / (powers + floor)
    chance = 1.0 / (max(count, 1) * _SMOOTH_BINS * 0.5)
    coherence = np.clip((coherence - chance) / (1.0 - min(chance, 0.9)), 0.0, 1.0 - 1e-7)
    coherence[hz < 20.0] = 0.0
    return coherence, np.maximum(np.abs(turned), np.sqrt(floor))


def cramer_rao_s(hz: Floats, coherence: Floats, seconds: float) -> float:
    """The least standard deviation of a delay, from the magnitude-squared coherence at evenly spaced frequencies.

    Knapp and Carter 1976: var = 1 / (2 T integral of (2 pi f)^2 C / (1 - C) df), f > 0.

    >>> f = np.arange(200.0, 4000.0)
    >>> round(cramer_rao_s(f, np.full(len(f), (10 / 11) ** 2), 0.1) * 1e6, 2)
    1.12
    """
    spacing = float(hz[1] - hz[0])
    information = 2.0 * seconds * spacing * float(((2 * np.pi * hz) ** 2 * coherence / (1.0 - coherence)).sum())
    return float((information + 1e-30) ** -0.5)


def _groups_s(cross: npt.NDArray[Any], weight: Floats, hz: Floats, lag_s: float) -> Floats:
    """What groups of frames, of cross-spectra of shape (K, B), say when taken alone, seconds."""
    parts = np.array_split(np.arange(len(cross)), min(_GROUPS, len(cross)))
    return np.array([refine(cross[part].sum(axis=0) * weight, hz, lag_s, within_s=0.0005) for part in parts])


def _best_sum(spectra: Spectra, cross: Complexes, lag_s: float) -> float:
    """The maximum of the plain correlation uphill from ``lag_s``.

    Where that lies far away (a bass below its cabinet's own resonance: the fundamental alone is worth more than all
    harmonics), the harmonics' best sum counts half: what a filter does to the low notes turns it the one way, what it
    does to the high ones turns the delay of all coherent frequencies the other.
    """
    hz = spectra.frequencies_hz
    level = np.sqrt(smooth_bins(spectra.first.sum(axis=0), 9) * smooth_bins(spectra.second.sum(axis=0), 9))
    level += level.max(initial=0.0) * 1e-4 + 1e-37
    climb = [lag_s]
    for power in _POWERS:
        climb.append(refine(cross * (hz > 20.0) * level**-power, hz, climb[-1], within_s=0.0004))
    if max(abs(lag - lag_s) for lag in climb) < _NEAR_SUM_S:
        return climb[-1]
    harmonics_s = refine(cross * (hz > _HARMONICS_HZ), hz, lag_s, within_s=_NEAR_SUM_S)
    return 0.5 * (lag_s + harmonics_s)


WAVE_S: Final = (0.0002, 0.002)  # seconds before and after a first wavefront: its first half periods
_WAVE_HZ: Final = (200.0, 5000.0)  # below, the two mics' own phase; above, half a period is a tenth of a ms
_ECHO_S: Final = (0.0004, 0.003)  # later than a loudspeaker's first ringing, earlier than a low note's period
_HALF: Final = 32  # samples about a peak that hold its shape
_FEWEST_HELD: Final = 4  # frames: fewer are no spectrum to weigh
_PICK_S: Final = 0.05e-3  # seconds about a first wavefront within which a peak is its own; chosen before scenes of a
# real kit were looked at: with 0.07 ms, a sigma of a pick, 279 of 349 of their delays are right for 290 (held-out half,
# seeds 572 and 573, `bench.delay.score_scene`), and as many of 202 of the development half


def along_one_path(seen: Look, event: Event) -> Delay:
    """The delay of one sound that came over one path: sharpened to the phases of all its frequencies."""
    first, second = seen.first, seen.second
    rate = first.sample_rate
    delays = seen.found.lags / rate
    paths = np.flatnonzero((seen.found.kinds == ONE_PATH) & (np.abs(delays - event.delay_s) <= 1.3 * EVENT_S))
    # Of the lobes of one path the highest: the others are its filter's ringing.
    chosen = int(paths[np.argmax(seen.found.rows[paths, FEATURES.index("path alike")])])
    delay_s = float(delays[chosen])
    gate = stretches(first, length_s=0.085, most=300, matched=True)
    gate = _held_by_both(gate, first, second, delay_s)
    values = seen.whole if seen.whole is not None else np.zeros(len(seen.lags))
    top = int(seen.found.lags[chosen] - seen.lags[0])
    height = float(values[top])
    filtered = _is_a_filters(values, top, rate)
    sharp = sharpen(first, second, gate, delay_s, within_s=0.0003, one_path=filtered)
    other = float(np.max(-np.sign(height) * values, initial=0.0))
    margin = float(np.clip(1 - other / (abs(height) + 1e-20), 0, 1))
    confidence = path_confidence(event, abs(height))
    reason = None
    if margin < tuned.LEAST_MARGIN:
        confidence, reason = min(confidence, 0.5), "another delay fits as well with the other polarity"
    uncertainty_s = max(sharp.error_s, sharp.bound_s, 2e-10)
    return known(sharp.delay_s, uncertainty_s, height, margin, confidence, reason)


def _held_by_both(gate: FrameSet, first: Track, second: Track, delay_s: float) -> FrameSet:
    """The frames that both tracks hold whole, where these are four or more.

    One that is cut short in one of them is not alike: an exact copy would be half a nanosecond off, and moved by a
    fraction of a sample where whole ones keep every sample as it is.
    """
    later = round((delay_s + first.start_s - second.start_s) * first.sample_rate)
    low, high = max(0, 1 - later), min(first.frames, second.frames - later - 1)
    held = gate.starts[(gate.starts >= low) & (gate.starts + len(gate.window) <= high)]
    return FrameSet(held, gate.window) if len(held) >= _FEWEST_HELD else gate


def _is_a_filters(values: Floats, top: int, rate: int) -> bool:
    """Whether nothing but a filter lies between the tracks, so that the delay is that of the best sum.

    A wall keeps the polarity of what it sends back, a filter's ringing alternates.
    """
    near, far = (round(seconds * rate) for seconds in _ECHO_S)
    beside = np.concatenate([values[max(top - far, 0) : max(top - near, 0)], values[top + near : top + far]])
    sent_back = float((beside * np.sign(values[top])).max(initial=0.0))
    return sent_back < tuned.WALL * abs(float(values[top]))


def struck(seen: Look, side: Side, event: Event) -> Delay:
    """The delay of a struck source's first wavefront, by the strokes of one side."""
    onset = begins(seen, side, event)
    later_s = _between_samples(side, side.sign * onset.delay_s)
    likeness = _first_waves(side, side.sign * onset.delay_s)
    confidence = confidence_of(event, onset, follows=seen.follows, scene=seen.expected is not None)
    return known(side.sign * later_s, sigma_s(onset), likeness, min(abs(likeness), 1.0), confidence)


def _between_samples(side: Side, later_s: float) -> float:
    """The peak of the strokes' correlation where one lies at the first wavefront: it is told between the samples.

    Further off it is no arrival but the near field's, or the room's.
    """
    rate, correlation, lags = side.near.sample_rate, side.curves.correlation, side.lags
    near = np.flatnonzero(np.abs(lags / rate - later_s) <= _PICK_S)
    if not len(near):
        return later_s
    size = np.abs(correlation)
    top = int(near[np.argmax(size[near])])
    if not _HALF <= top < len(lags) - _HALF or size[top] < max(size[top - 1], size[top + 1]):
        return later_s
    part = correlation[top - _HALF : top + _HALF] * np.hanning(2 * _HALF)
    hz = np.fft.rfftfreq(2 * _HALF, 1.0 / rate).astype(np.float64)
    return float(lags[top] - _HALF) / rate + refine(rfft(part), hz, _HALF / rate, within_s=1.0 / rate)


def _first_waves(side: Side, later_s: float) -> float:
    """How like the first waves of the strokes are in both tracks, -1 to 1: their sign is the polarity."""
    near, far, curves = side.near, side.far, side.curves
    rate = near.sample_rate
    before, after = round(0.01 * rate), round(WAVE_S[1] * rate)
    lead = round(WAVE_S[0] * rate)
    clocks = round((near.start_s - far.start_s) * rate)
    starts = (near, curves.times - before), (far, curves.times + clocks + round(later_s * rate) - before)
    x, y = (in_wave_band(cut(track, at, before + after), rate) for track, at in starts)
    noise = y[:, : before - lead].std(axis=1) + 1e-9
    x, y = x[:, before - lead :], y[:, before - lead :]
    weight = curves.weight / noise / (x.std(axis=1) + 1e-12)
    a, b = weight @ x, weight @ y
    return float(a @ b / (np.linalg.norm(a) * np.linalg.norm(b) + 1e-30))


def in_wave_band(frames: Floats, rate: int) -> Floats:
    """Frames, shape (K, N) or (N,), without what a mic's own phase or half a period makes doubtful."""
    low, high = _WAVE_HZ
    return filtered(frames, rate, (low, min(high, 0.4 * rate)), order=1)[0]
