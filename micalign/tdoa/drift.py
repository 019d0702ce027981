"""How fast do two clocks run apart, what is the delay in the middle, and does it jump where a buffer was dropped?

Each frame's correlation is a ridge that moves with time when the clocks differ; the correlations are summed along
straight lines of every slope up to 300 parts per million, and the line with the highest sum is then sharpened by
Newton's rule on the phases themselves, offset and slope together. For that the drift is taken out within the frames as
well: a note that begins early in its frame is heard early on the line, and 200 ppm over 2 ms are 0.4 us in every frame
alike, which no scatter of frames would tell. A line that is laid through a jump is not reliable.

Source: J. W. Betz, "Comparison of the deskewed short-time correlator and the maximum likelihood correlator", IEEE
Transactions on Acoustics, Speech, and Signal Processing 32(2), 285-294, 1984, and "Effects of uncompensated relative
time companding on a broad-band cross correlator", ibid. 33(3), 505-510, 1985.

Two lines of one slope, one before a moment and one after it, are laid through the correlations of the frames, for
every moment and for slopes about the whole line's. It is a jump where each frame's own side fits it better than the
other side's delay does, and the two lines together fit better than any one line: each judged by the scatter of the
frames themselves (Student's t), so that neither loud frames nor narrow bands need a rule of their own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from micalign.arrays import Complexes, Floats
from micalign.take.tracks import Track
from micalign.tdoa.delays import Delay, doubted
from micalign.tdoa.exact import coherence_weights, groups_s, line_sigma_s, phase_error_s
from micalign.tdoa.spectra import APART_S, Spectra, band_mean, frame_spectra, irfft, rival_of
from micalign.tdoa.strokes import FrameSet, Listened, matched_window, stretches
from micalign.tdoa.tuned import AGREEING, CONTRAST, JUMP_SURE, RIVAL

__all__ = ["MOST_PPM", "drift_line", "jumps"]

_SLOPE_STEP_S: Final = 4e-5  # seconds along the take: half of a step of the coarse correlation
_SLOPES: Final = 24  # tried on either side: 1 ms along the take
_EDGE: Final = 0.07  # share of the frames, and...
_FEWEST: Final = 6  # ...frames, that each side of a jump has at least
MOST_PPM: Final = 300.0  # parts per million: two crystals of 100 each, and some margin
_FRAME_S: Final = 0.12  # seconds of a frame: some periods of a low note, short to a drift
_MOST: Final = 320  # frames of the fine line
_COARSER: Final = 4  # the coarse correlation has a quarter of the samples
_MOST_COARSE: Final = 120  # frames of the coarse line
_UNTOLD_S: Final = 1e-4  # seconds: where the frames tell no sigma
_LEAST_S: Final = 1e-11  # to which Newton's rule goes


@dataclass(frozen=True)
class _Split:
    """The best two lines: the first frame after the jump, and how well both delays fit each frame, shape (K,)."""

    height: float
    first: int
    early: Floats
    late: Floats
    contrast: float


def jumps(rows: Floats, rate: float, times_s: Floats, *, reach_s: float, slope: float, polarity: int) -> bool:
    """Whether two lines explain the frames where one does not.

    Parameters
    ----------
    rows : float, shape (K, lags)
        Circular correlations of K frames, lag 0 first.
    rate : float
        Lags a second.
    times_s : float, shape (K,)
        The frames' times from the middle of the take, in seconds.
    reach_s : float
        The largest delay to be looked for, in seconds.
    slope, polarity : float, int
        Of the whole's best line.

    Examples
    --------
    >>> rows = np.zeros((40, 400))
    >>> rows[:20, 10] = rows[20:, 30] = 1.0
    >>> jumps(rows, 12000.0, np.arange(-20.0, 20.0), reach_s=0.01, slope=0.0, polarity=1)
    True
    >>> rows[20:] = rows[0]
    >>> jumps(rows, 12000.0, np.arange(-20.0, 20.0), reach_s=0.01, slope=0.0, polarity=1)
    False
    """
    if len(rows) < 3 * _FEWEST:
        return False
    even = polarity * rows / np.maximum(np.sqrt((rows**2).sum(axis=1, keepdims=True)), 1e-300)
    half, span_s = int(reach_s * rate), max(float(np.ptp(times_s)), 1.0)
    best, whole, highest = None, np.zeros(len(rows)), -np.inf
    for steeper in np.arange(-_SLOPES, _SLOPES + 1) * (_SLOPE_STEP_S / span_s):
        along = _read_along(even, (slope + steeper) * times_s * rate, half)
        total = along.sum(axis=0)
        if total.max() > highest:
            highest, whole = float(total.max()), along[:, int(total.argmax())]
        split = _split(along, round(APART_S * rate), rate)
        if best is None or split.height > best.height:
            best = split
    return best is not None and best.height > highest and _is_jump(best, whole)


def _read_along(rows: Floats, shifts: Floats, half: int) -> Floats:
    """Each correlation read along the line, shape (K, 2 half + 1)."""
    lags = np.arange(-half, half + 1) + np.rint(shifts).astype(np.intp)[:, None]
    read: Floats = np.take_along_axis(rows, lags % rows.shape[1], axis=1)
    return read


def _split(along: Floats, apart: int, rate: float) -> _Split:
    """The moment and the two delays, ``apart`` lags from one another at least, of the highest sum."""
    edge = max(int(np.ceil(_EDGE * len(along))), _FEWEST)
    sums = np.cumsum(along, axis=0)
    before = sums[edge - 1 : len(along) - edge]
    after = sums[-1] - before
    pairs = np.concatenate([_two(before, after, apart), _two(after, before, apart)[:, [0, 2, 1]]])
    place = int(pairs[:, 0].argmax())
    early, late, index = int(pairs[place, 1]), int(pairs[place, 2]), place % len(before)
    sides = ((before[index], early), (after[index], late))
    contrast = min(_contrast(side, top, rate) for side, top in sides)
    return _Split(float(pairs[place, 0]), index + edge, along[:, early], along[:, late], contrast)


def _two(first: Floats, second: Floats, apart: int) -> Floats:
    """For each moment the sum of two heights and their lags: the first's highest, the second's highest elsewhere."""
    moments = np.arange(len(first))
    one = first.argmax(axis=1)
    near = np.abs(np.arange(first.shape[1]) - one[:, None]) < apart
    other = np.where(near, -np.inf, second).argmax(axis=1)
    return np.stack([first[moments, one] + second[moments, other], one, other], axis=1)


def _contrast(total: Floats, top: int, rate: float) -> float:
    """How far a side's peak stands over what is a millisecond and more away."""
    away = total[np.abs(np.arange(len(total)) - top) > 0.001 * rate]
    return float(total[top] / max(float(np.sqrt(np.mean(away**2))) if len(away) else 0.0, 1e-300))


def _is_jump(split: _Split, whole: Floats) -> bool:
    """Whether most frames of both sides prefer their own delay, and one side surely to the whole's line."""
    before, after = slice(None, split.first), slice(split.first, None)
    own = (split.early[before] - split.late[before], split.late[after] - split.early[after])
    gained = (split.early[before] - whole[before], split.late[after] - whole[after])
    most = min(float(np.mean(more > 0)) for more in own) >= AGREEING
    sure = min(_student(more) for more in own) >= JUMP_SURE and max(_student(more) for more in gained) >= JUMP_SURE
    return most and sure and split.contrast >= CONTRAST


def _student(values: Floats) -> float:
    """The mean in units of its own standard error."""
    error = float(np.std(values, ddof=1) / np.sqrt(len(values)))
    return float(np.mean(values)) / max(error, 1e-12)


def drift_line(reference: Listened, track: Listened, *, centre_s: float, reach_s: float) -> Delay | None:
    """The straight line of delay over time that fits best, the middle being that of the common time."""
    begin_s = max(reference.start_s, track.start_s)
    middle_s = (begin_s + min(reference.start_s + reference.duration_s, track.start_s + track.duration_s)) / 2
    rate = reference.sample_rate
    gate = stretches(reference.envelope, reference.frames, rate, length_s=_FRAME_S, most=_MOST_COARSE)
    if len(gate) < 8:
        return None
    wander_s = min(MOST_PPM * 1e-6 * reference.duration_s / 2, 0.1)
    margin = round((reach_s + wander_s) * rate)
    spectra = frame_spectra(reference, track, gate.starts, gate.window, margin=margin, centre_s=centre_s)
    coarse = _ridge(spectra, middle_s, reach_s)
    line = _sharpened(reference, track, middle_s, coarse)
    # A jump is why the delay seems uneven or another fits as well; only where nothing stands out there is none.
    if coarse.contrast < CONTRAST or not _jumps(spectra, middle_s, reach_s, coarse):
        return line
    return doubted(replace(line, reason=None), "the delay jumps within the take")


def _jumps(spectra: Spectra, middle_s: float, reach_s: float, ridge: _Ridge) -> bool:
    rows, rate = _rows(spectra)
    times_s = spectra.times_s - middle_s
    return jumps(rows, rate, times_s, reach_s=reach_s, slope=ridge.slope, polarity=ridge.polarity)


@dataclass(frozen=True)
class _Ridge:
    delay_s: float
    slope: float
    polarity: int
    rival: float
    contrast: float


def _rows(spectra: Spectra) -> tuple[Floats, float]:
    """The whitened correlations of the frames, shape (K, lags), lag 0 first, and how many lags a second."""
    # A quarter of the rate holds the band that is asked, 6 kHz at 48 kHz, and costs a quarter; a low rate is kept.
    size = spectra.size // max(1, min(_COARSER, round(spectra.sample_rate / 12_000)))
    rate = spectra.sample_rate * size / spectra.size
    hz = spectra.frequencies_hz[: size // 2 + 1]
    white = band_mean(spectra.first.mean(axis=0)) * band_mean(spectra.second.mean(axis=0))
    weight = ((hz > 40) & (hz < 6000)) * (white + white.max() * 1e-10 + 1e-60)[: len(hz)] ** -0.4
    return irfft(spectra.cross[:, : len(hz)] * weight, size), rate


def _ridge(spectra: Spectra, middle_s: float, reach_s: float) -> _Ridge:
    """The slope and offset of the highest sum of correlations along a line."""
    rows, rate = _rows(spectra)
    times = spectra.times_s - middle_s
    half = int(reach_s * rate)
    step = 2 * _SLOPE_STEP_S / max(float(np.ptp(times)), 1.0)
    count = int(np.ceil(MOST_PPM * 1e-6 / step))
    slopes = np.arange(-count, count + 1) * step
    sums = [_read_along(rows, slope * times * rate, half).sum(axis=0) for slope in slopes]
    index = int(np.argmax([np.abs(total).max() for total in sums]))
    total = sums[index]
    top = int(np.argmax(np.abs(total)))
    rival = rival_of(np.abs(total), top, 0.001 * rate)
    delay_s, polarity = (top - half) / rate + float(spectra.centre_s[0]), 1 if total[top] > 0 else -1
    return _Ridge(delay_s, float(slopes[index]), polarity, rival, _contrast(polarity * total, top, rate))


def _sharpened(reference: Listened, track: Listened, middle_s: float, ridge: _Ridge) -> Delay:
    rate = reference.sample_rate
    gate = stretches(reference.envelope, reference.frames, rate, length_s=0.085, most=_MOST, matched=True)
    times = (gate.starts + len(gate.window) / 2) / rate + reference.start_s - middle_s
    delay_s, slope = ridge.delay_s, ridge.slope
    sigma_s, groups = _UNTOLD_S, np.zeros(0)
    # The low frequencies first: what the ridge leaves of the slope may turn the high ones by more than half a period.
    for highest_hz in (2000.0, 8000.0, np.inf):
        spectra, turned = _deskewed(reference, track, gate, delay_s + slope * times, slope)
        hz = spectra.frequencies_hz
        weight, _ = coherence_weights(spectra, turned.sum(axis=0), 0.0)
        weight = weight * (hz < highest_hz)
        more, steeper = _newton(turned * weight, hz, times, ridge.polarity)
        delay_s, slope = delay_s + more, slope + steeper
        turned = turned * np.exp(2j * np.pi * np.outer(more + steeper * times, hz)) * (weight * ridge.polarity)
        groups = groups_s(turned, np.ones(len(hz)), hz, 0.0)
        sigma_s = _one_sigma_s(turned, hz, times)
    agreement = float(np.mean(np.abs(groups - np.median(groups)) < 1e-4))
    if not np.isfinite(sigma_s):
        sigma_s, agreement = _UNTOLD_S, 0.0
    reason = _reason(ridge, agreement)
    confidence = float(np.clip((1.05 - ridge.rival) / 0.4, 0, 1) * agreement)
    return Delay(
        delay_s,
        sigma_s,
        ridge.polarity,
        max(1 - ridge.rival, 0.0),
        confidence,
        reason is None,
        reason,
        drift_ppm=slope * 1e6,
    )


def _deskewed(first: Track, second: Track, gate: FrameSet, delays_s: Floats, slope: float) -> tuple[Spectra, Complexes]:
    """The frames along a line, and their cross-spectra with the line taken out of them."""
    clocks, rate = first.start_s - second.start_s, first.sample_rate
    samples = (delays_s + clocks) * rate
    # What the reading at whole samples leaves of the line, on the second track's clock.
    left = samples - np.rint(samples)
    window = matched_window(len(gate.window), left[:, None], slope)
    spectra = frame_spectra(
        first, second, gate.starts, gate.window, margin=0, centre_s=delays_s, second_window=window, slope=slope
    )
    return spectra, spectra.cross * np.exp(2j * np.pi * np.outer(left / (rate * (1.0 + slope)), spectra.frequencies_hz))


def _one_sigma_s(turned: Complexes, hz: Floats, times: Floats) -> float:
    """One standard deviation of the line in the middle: by its frames or by its frequencies, whichever err more."""
    omega = 2 * np.pi * hz
    by_frames_s = line_sigma_s(-(turned.imag @ omega), turned.real @ omega**2, times)
    return max(by_frames_s, phase_error_s(turned.sum(axis=0), hz, 0.0), _LEAST_S)


def _newton(turned: Complexes, hz: Floats, times: Floats, polarity: int) -> tuple[float, float]:
    """The small offset and slope that bring the phases of all frames nearest to zero."""
    omega = 2 * np.pi * hz
    delay_s, slope = 0.0, 0.0
    for _ in range(12):
        now = turned * np.exp(1j * np.outer(delay_s + slope * times, omega))
        pull = -(now.imag @ omega) * polarity
        stiff = (now.real @ omega**2) * polarity
        matrix = np.array([[stiff.sum(), (stiff * times).sum()], [(stiff * times).sum(), (stiff * times**2).sum()]])
        force = np.array([pull.sum(), (pull * times).sum()])
        if np.linalg.det(matrix) <= 0 or matrix[0, 0] <= 0:
            break
        step = np.linalg.solve(matrix, force)
        delay_s, slope = delay_s + float(step[0]), slope + float(step[1])
        if abs(step[0]) < 1e-11 and abs(step[1]) < 1e-12:
            break
    return (delay_s, slope) if abs(delay_s) < 5e-4 else (0.0, 0.0)


def _reason(ridge: _Ridge, agreement: float) -> str | None:
    if ridge.contrast < CONTRAST:
        return "no delay stands out of the noise"
    if ridge.rival > RIVAL:
        return "another delay fits nearly as well"
    if agreement < AGREEING:
        return "the delay does not change evenly along the tracks"
    return None
