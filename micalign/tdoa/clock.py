"""How fast do two clocks run apart, when was a second recorder started, and does it jump where a buffer was dropped?

Where the starts may lie far apart the loudness of a few stretches of the reference is found again in the track's
loudness, anywhere within the range; the places that lie on one line of at most `_MOST_PPM` give start and rate to a
hundredth of a second. Then short pieces along the whole take are measured as a pair each, and a straight line through
those that lie near the line of the middle slope gives start and rate (P. K. Sen, "Estimates of the regression
coefficient based on Kendall's tau", J. American Statistical Association 63, 1379-1389, 1968). With that rate taken out
of each piece they are measured again: what is loud early in its piece would else pull the line. Where two lines of one
slope, before a moment and after it, hold clearly more of the pieces than one, the delay jumps and nothing is told.

Delay is positive when the event comes later in the track, and grows by ``drift_ppm`` microseconds each second.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from micalign.arrays import Bools, Floats, cross_spectrum, fast_length
from micalign.take.tracks import Track
from micalign.tdoa import tuned
from micalign.tdoa.delays import Delay, unknown
from micalign.tdoa.spectra import APART_S, band_mean, irfft, raised_cosine, refine, rival_of, sum_ahead
from micalign.tdoa.strokes import Energies, listen

__all__ = ["measure_clock", "measure_drift"]

_MOST_PPM: Final = 300.0  # parts per million: two crystals of 100 each, and some margin
_FRAME_S: Final = 0.01  # seconds of loudness: coarse, a hundredth of a second
_STRETCH_S: Final = 20.0  # seconds of loudness that is found again: some bars
_STRETCHES: Final = 12  # that are looked for along the take
_CANDIDATES: Final = 4  # places kept for each stretch
_PIECES: Final = 48  # measured finely along the take
_PIECE_S: Final = 1.5  # seconds of one such piece: some strokes
_SEARCH_S: Final = 0.04  # seconds about where the loudness has it, four of its frames
_LEAST_PIECES: Final = 4  # on which a line can be robust
_MORE: Final = 2.5  # pieces that two lines hold and one does not: of mere strays one always lies on its line
_FLOOR_S: Final = 2e-7  # seconds of scatter: less is rounding
_FINER: Final = 8  # straight lines between eightfold points are 50 dB true up to 6 kHz


@dataclass(frozen=True, slots=True)
class _Line:
    """Delay at an instant of the reference and how much it grows each second; one standard deviation of both."""

    delay_s: float
    slope: float
    time_s: float = 0.0
    sigma_s: float = 0.0
    slope_sigma: float = 0.0

    def at(self, time_s: float) -> float:
        return self.delay_s + self.slope * (time_s - self.time_s)

    def sigma_at(self, time_s: float) -> float:
        return float(np.hypot(self.sigma_s, self.slope_sigma * (time_s - self.time_s)))


def measure_clock(reference: Track, track: Track, *, max_delay_s: float = 60.0, drift: bool = True) -> Delay:
    """Start and clock of a track against a reference that was recorded elsewhere.

    Parameters
    ----------
    reference, track : Track
        Of one nominal rate.
    max_delay_s : float
        Largest difference of the starts, either way.
    drift : bool
        Look for a difference of the clocks; otherwise they are taken to run alike.

    Returns
    -------
    Delay
        At the reference's first sample; ``drift_ppm`` is positive where the delay grows.
    """
    coarse = _coarse(reference, track, max_delay_s)
    if coarse is None:
        return unknown("nowhere within the range does the track sound like the reference", uncertainty_s=_FRAME_S)
    return _along(reference, track, coarse, _SEARCH_S, 0.0, drift=drift)


def measure_drift(reference: Track, track: Track, *, centre_s: float, reach_s: float) -> Delay:
    """The delay in the middle of two tracks' common time, within ``reach_s`` of ``centre_s``, and how fast it grows."""
    later_s = track.start_s - reference.start_s
    begin_s, end_s = max(0.0, later_s), min(reference.duration_s, track.duration_s + later_s)
    middle_s = (begin_s + end_s) / 2
    wander_s = _MOST_PPM * 1e-6 * max(end_s - begin_s, 0.0) / 2
    line = _Line(centre_s - later_s, 0.0, middle_s)
    found = _along(reference, track, line, reach_s + wander_s, middle_s, drift=True)
    return replace(found, delay_s=found.delay_s + later_s)


def _along(reference: Track, track: Track, line: _Line, search_s: float, time_s: float, *, drift: bool) -> Delay:
    """The delay at one instant by the pieces that lie within ``search_s`` of a rough line."""
    pieces = _pieces(reference, track, line, search_s)
    good = _clear(pieces)
    jumps = _jumps(good, drift=drift)
    if drift and not jumps and len(good) >= _LEAST_PIECES:
        # A second look with the clock's difference taken out of each piece, so that it blurs nothing.
        pieces = _pieces(reference, track, _straight(good, drift=True)[0], _SEARCH_S, unhurried=True)
        good = _clear(pieces)
    if len(good) < _LEAST_PIECES:
        return unknown("too few stretches of the two are alike", line.at(time_s), _FRAME_S)
    line, kept = _straight(good, drift=drift)
    if jumps or _jumps(good, drift=drift):
        return unknown("the delay jumps within the take", line.at(time_s), _FRAME_S)
    if kept < max(_LEAST_PIECES, 0.5 * len(good)):
        return unknown("the stretches do not agree on one start and one clock", line.at(time_s), _FRAME_S)
    if line.sigma_at(time_s) > tuned.SAME_PLACE_S:
        hint = "" if drift else ": do the clocks differ? look for it with --drift"
        return unknown(f"the delay changes along the take{hint}", line.at(time_s), _FRAME_S)
    signs = [delay.polarity for _, delay in good]
    polarity = 1 if sum(signs) >= 0 else -1
    share = abs(sum(signs)) / len(signs)
    margin = share * float(np.median([delay.polarity_margin for _, delay in good]))
    found = line.slope * 1e6 if drift else None
    confidence = kept / len(pieces)
    reliable = confidence >= tuned.RELIABLE
    reason = None if reliable else "the stretches do not agree well on one start and one clock"
    return Delay(line.at(time_s), line.sigma_at(time_s), polarity, margin, confidence, reliable, reason, (), found)


def _coarse(reference: Track, track: Track, max_delay_s: float) -> _Line | None:
    """A line through the places where stretches of the reference are found again, by loudness alone."""
    first, second = _novelty(reference), _novelty(track)
    length = min(round(_STRETCH_S / _FRAME_S), len(first), len(second))
    if length < 50:
        return None
    places: list[tuple[float, float, float]] = []  # time, delay, likeness
    for start in np.unique(np.linspace(0, len(first) - length, _STRETCHES).astype(int)):
        places += _found_again(first[start : start + length], second, int(start), max_delay_s)
    return _most_agreed(places) if places else None


def _novelty(track: Track) -> Floats:
    """How much the level leaps from one hundredth of a second to the next, leaps up only."""
    heard = listen(track)
    steps = _FRAME_S * track.sample_rate / heard.envelope.step
    edges = np.rint(np.arange(int(track.duration_s / _FRAME_S) + 1) * steps).astype(np.intp)
    energy = Energies(heard.rises, heard.envelope.step).mean(edges[:-1], edges[1:])
    if not len(energy):
        return energy
    level = np.log10(energy + 1e-4 * float(energy.mean()) + 1e-20)
    leaps: Floats = np.maximum(np.diff(level, prepend=level[:1]), 0.0)
    return leaps


def _found_again(stretch: Floats, whole: Floats, start: int, max_delay_s: float) -> list[tuple[float, float, float]]:
    """Where a stretch of leaps is found in the other track: the best few places."""
    template = stretch - stretch.mean()
    low = max(0, start - round(max_delay_s / _FRAME_S))
    high = min(len(whole), start + len(stretch) + round(max_delay_s / _FRAME_S))
    searched = whole[low:high]
    if len(searched) < len(template) or not template.any():
        return []
    size = 1 << (len(searched) + len(template)).bit_length()
    product = cross_spectrum(np.fft.rfft(template, size), np.fft.rfft(searched, size))
    likeness = np.fft.irfft(product, size)[: len(searched) - len(template) + 1]
    count = len(template)
    spread = sum_ahead(searched**2, count) - sum_ahead(searched, count) ** 2 / count
    likeness = likeness / np.sqrt(np.maximum(spread, 1e-12) * float((template**2).sum()))
    found = []
    for _ in range(_CANDIDATES):
        best = int(np.argmax(likeness))
        delay_s = (low + best - start) * _FRAME_S
        found.append(((start + count / 2) * _FRAME_S, delay_s, float(likeness[best])))
        likeness[max(best - 10, 0) : best + 11] = -1.0
    return found


def _most_agreed(places: Sequence[tuple[float, float, float]]) -> _Line | None:
    """The line on which the places with the most likeness lie."""
    time, delay, likeness = (np.array(column) for column in zip(*places, strict=True))
    best, most = None, 0.0
    for index in np.argsort(-likeness)[:_STRETCHES]:
        allowed = 2.5 * _FRAME_S + _MOST_PPM * 1e-6 * np.abs(time - time[index])
        near = np.abs(delay - delay[index]) <= allowed
        agreed = float(np.maximum(likeness[near], 0.0).sum())
        if agreed > most:
            best, most = near, agreed
    if best is None:
        return None
    slope = 0.0
    if np.ptp(time[best]) >= 3 * _STRETCH_S:
        slope = float(np.polyfit(time[best], delay[best], 1, w=np.maximum(likeness[best], 1e-3))[0])
        slope = float(np.clip(slope, -_MOST_PPM * 1e-6, _MOST_PPM * 1e-6))
    return _Line(float(np.median(delay[best] - slope * time[best])), slope)


def _pieces(
    reference: Track, track: Track, coarse: _Line, search_s: float, *, unhurried: bool = False
) -> list[tuple[float, Delay]]:
    """Delays of short stretches along the take, each with the time of its middle."""
    rate = reference.sample_rate
    length, margin = round(_PIECE_S * rate), round(2 * search_s * rate)
    low = max(0.0, -coarse.at(0.0))
    high = min(reference.duration_s, track.duration_s - coarse.at(0.0))
    if high - low < _PIECE_S:
        return []
    count = min(_PIECES, max(1, int(2 * (high - low) / _PIECE_S) - 1))
    found = []
    for begin_s in np.linspace(low, high - _PIECE_S, count):
        start = round(float(begin_s) * rate)
        middle_s = (start + length / 2) / rate
        offset = round(coarse.at(middle_s) * rate)
        samples = track.read(start + offset - margin, length + 2 * margin)
        samples = _stretched(samples, coarse.slope) if unhurried else samples
        delay = _piece(reference.read(start, length), samples, margin, rate)
        found.append((middle_s, replace(delay, delay_s=delay.delay_s + offset / rate)))
    return found


def _clear(pieces: Sequence[tuple[float, Delay]]) -> list[tuple[float, Delay]]:
    return [(time, delay) for time, delay in pieces if delay.reliable]


def _piece(first: Floats, second: Floats, margin: int, rate: int) -> Delay:
    """The delay between a short stretch and a longer one that begins ``margin`` samples earlier."""
    size = fast_length(len(second))
    x = np.fft.rfft(first * np.hanning(len(first)), size)
    y = np.fft.rfft(second * raised_cosine(len(second), margin // 2, margin // 2), size)
    turn = np.exp(2j * np.pi * np.arange(len(x)) * (margin / size))
    frequency_hz = np.fft.rfftfreq(size, 1.0 / rate).astype(np.float64)
    power = band_mean(np.abs(x) ** 2) * band_mean(np.abs(y) ** 2)
    weight = (power + power.max() * 1e-10 + 1e-300) ** -0.4 * ((frequency_hz > 50.0) & (frequency_hz < 10000.0))
    cross = cross_spectrum(x, y) * turn * weight
    lags = np.arange(-margin, margin + 1)  # half samples
    values = irfft(cross, 2 * size)[lags]
    height, top = np.abs(values), int(np.abs(values).argmax())
    if not height[top] > 0.0:
        return unknown("silence")
    best_s = refine(cross, frequency_hz, 0.5 * lags[top] / rate, within_s=0.2e-3)
    polarity, rival = 1 if values[top] >= 0 else -1, rival_of(height, top, 2 * APART_S * rate)
    sure = rival < tuned.RIVAL  # what stands out little is a piece all the same: the line tells whether it agrees
    return Delay(best_s, 1.0 / rate, polarity, 1.0 - rival, 1.0 - rival, sure, None if sure else "unclear")


def _stretched(samples: Floats, slope: float) -> Floats:
    """The samples read at a pace of ``1 + slope``, about their middle."""
    count = len(samples)
    spectrum = np.fft.rfft(samples)
    fine = np.fft.irfft(spectrum, count * _FINER) * _FINER
    middle = (count - 1) / 2
    at = (middle + (np.arange(count) - middle) * (1.0 + slope)) * _FINER
    stretched: Floats = np.interp(at, np.arange(len(fine)), fine)
    return stretched


def _straight(pieces: Sequence[tuple[float, Delay]], *, drift: bool) -> tuple[_Line, int]:
    """A straight line through the pieces that lie near the line of the middle slope, and how many they are."""
    time, delay = _columns(pieces)
    residual = delay - (_slope(time, delay, time < np.inf) if drift else 0.0) * time
    residual -= np.median(residual)
    scale = max(1.4826 * float(np.median(np.abs(residual))), _FLOOR_S)
    kept = np.abs(residual) <= max(tuned.SAME_PLACE_S, 4 * scale)
    time, delay, middle = time[kept], delay[kept], float(time[kept].mean())
    slope, centre = np.polyfit(time - middle, delay, 1) if drift else (0.0, delay.mean())
    spread = max(float(np.sqrt(np.mean((delay - centre - slope * (time - middle)) ** 2))), _FLOOR_S)
    slope_sigma = spread / max(float(np.sqrt(((time - middle) ** 2).sum())), 1e-9) if drift else 0.0
    return _Line(float(centre), float(slope), middle, spread / float(np.sqrt(len(time))), slope_sigma), len(time)


def _columns(pieces: Sequence[tuple[float, Delay]]) -> tuple[Floats, Floats]:
    return np.array([time for time, _ in pieces]), np.array([delay.delay_s for _, delay in pieces])


def _slope(time: Floats, delay: Floats, early: Bools) -> float:
    """The median of the slopes between pieces far apart (Theil and Sen), both early or both not."""
    i, j = np.triu_indices(len(time), k=max(1, len(time) // 4))
    i, j = i[early[i] == early[j]], j[early[i] == early[j]]
    return float(np.median((delay[j] - delay[i]) / (time[j] - time[i]))) if len(i) else 0.0


def _jumps(pieces: Sequence[tuple[float, Delay]], *, drift: bool) -> bool:
    """Whether two lines of one slope, before a moment and after it, hold three pieces more than one line does."""
    time, delay = _columns(pieces)

    def strays(first: int) -> tuple[float, float]:
        """How many pieces, each in part where it is near, lie off the lines; by how much these lie apart."""
        early = np.arange(len(time)) < first
        left = delay - (_slope(time, delay, early) if drift else 0.0) * time
        middles = [float(np.median(left[side])) if side.any() else 0.0 for side in (early, ~early)]
        off = np.abs(left - np.where(early, *middles)) / tuned.SAME_PLACE_S
        return float(np.minimum(off, 1.0).sum()), abs(middles[1] - middles[0])

    whole = strays(0)[0]
    parted = [strays(first) for first in range(3, len(time) - 2)]
    return any(apart_s >= APART_S and whole - left >= _MORE for left, apart_s in parted)
