"""Where do a kit's close mics belong, where no scene tells the tracks apart? Tried on their own strokes.

Without a scene a reference over a kit hears every drum at another delay: the mics over the kit stay where they are, so
that their image stays, and each close mic is laid where its own strokes add up best with them.

A drum's first wavefront tells where its mic stands, but a drum radiates differently into the near and the far field:
laid by the arrival, the lows of a snare may cancel. So every shift near the arrival (within 10 ms of where it was
recorded, where the arrival is not known) and both polarities are tried on the strokes that are the close mic's own, in
60 to 250 and 250 to 2000 Hz, the mic brought to the others' level in each band, where a sum gains and loses most. What
is chosen on every second stroke must gain on the others as well.

Source: the sum of two signals, J. Eargle, "The Microphone Book", 2nd ed., Focal Press 2004 (comb filtering of two
mics); that a choice is judged on what it has not seen: M. Stone, "Cross-validatory choice and assessment of statistical
predictions", Journal of the Royal Statistical Society B 36(2), 111-147, 1974.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from micalign.arrays import Bools, Complexes, Floats, Ints, cross_spectrum, fast_length
from micalign.take.tracks import Track
from micalign.tdoa.delays import Delay, TrackDelay
from micalign.tdoa.spectra import rfft
from micalign.tdoa.strokes import Listened, cut, listen

__all__ = ["BANDS_HZ", "BEYOND_S", "REACH_S", "StrokeSum", "best_on_strokes", "laid_on_strokes", "level_spread_db"]

BANDS_HZ: Final = ((60.0, 250.0), (250.0, 2000.0))
REACH_S: Final = 10e-3  # 3.4 m of air: farther from its drum no overhead stands
BEYOND_S: Final = 1e-3
"""How far from its arrival a close mic may be laid: 92 and 98 % of what is possible in the two bands is gained so on 35
mics of the real kit's development half, 96 and 100 % without a bound, up to 4 ms beyond the arrival."""
_STEP_S: Final = 2e-5
_AROUND_S: Final = (5e-3, 0.15)
_LEAST_DB: Final = -0.3  # no band may end lower than so much under as recorded
_WORTH_DB: Final = 0.5
_FEWEST: Final = 3
_HEARD_S: Final = (2e-3, 30e-3)


@dataclass(frozen=True)
class StrokeSum:
    """How a close mic adds up: ``shift_s`` (positive moves it later) and ``polarity`` that sum best on its strokes.

    ``gains_db``: against as recorded in each of `BANDS_HZ`; ``uncertainty_s``: one sigma, by groups of strokes.
    """

    shift_s: float
    polarity: int
    gains_db: tuple[float, ...]
    uncertainty_s: float
    strokes: int

    @property
    def worth_it(self) -> bool:
        """Whether the sum gains anything to speak of."""
        return sum(self.gains_db) >= _WORTH_DB and min(self.gains_db) >= _LEAST_DB


def level_spread_db(first: Listened, second: Listened) -> float:
    """How far strokes differ in level between two tracks, from the lowest tenth to the highest, in dB.

    A close mic hears its own drum 15 dB and more louder, against an overhead, than the others; two mics over a whole
    kit hear all of it within some 10 dB. Infinite where fewer than six strokes are heard by both.
    """
    rate = first.track.sample_rate
    later = round((second.track.start_s - first.track.start_s) * rate)
    loud = [one.strokes.samples[one.strokes.level_db > -20.0] for one in (first, second)]
    samples = np.union1d(loud[0], loud[1] + later)
    levels = [_heard_db(first, samples), _heard_db(second, samples - later)]
    both = np.isfinite(levels[0]) & np.isfinite(levels[1])
    if both.sum() < 6:
        return float("inf")
    low, high = np.quantile((levels[0] - levels[1])[both], (0.1, 0.9))
    return float(high - low)


def _heard_db(heard: Listened, samples: npt.NDArray[Any]) -> Floats:
    step = heard.envelope.step
    before, after = (round(seconds * heard.track.sample_rate / step) for seconds in _HEARD_S)
    steps = (samples // step)[:, None] + np.arange(-before, after)
    inside = (steps >= 0) & (steps < len(heard.envelope.power))
    power = np.where(inside, heard.envelope.power[np.where(inside, steps, 0)], 0.0).sum(axis=1, dtype=float)
    return np.asarray(10 * np.log10(np.where(power > 0, power, np.nan)))


def best_on_strokes(close: Listened, rest: Sequence[Track], *, arrival_s: float | None = None) -> StrokeSum | None:
    """The shift and polarity of a close mic that add up best with the rest on its own strokes.

    Where it is known how much later the rest hears its drum (``arrival_s``), no shift is more than `BEYOND_S` off that.

    None where it has fewer than three strokes of its own or what half of them choose does not gain on the others.
    """
    own = np.flatnonzero(close.strokes.weight > 0)
    if len(own) < _FEWEST:
        return None
    rate = close.track.sample_rate
    times = close.first_wavefronts
    bands = _crosses(close.track, rest, times, rate)
    halves = [np.arange(len(times)) % 2 == k for k in (0, 1)]
    shifts = np.asarray(np.arange(-round(REACH_S / _STEP_S), round(REACH_S / _STEP_S) + 1) * _STEP_S, dtype=np.float64)
    if arrival_s is not None:
        shifts = shifts[np.abs(shifts - arrival_s) <= BEYOND_S]
    whole = np.array([_gains_db(band, np.ones(len(times), bool), shifts) for band in bands])
    sign, index = _best(whole)
    for half, other in (halves, halves[::-1]):
        parts = np.array([_gains_db(band, half, shifts) for band in bands])
        chosen = _best(parts)
        unseen = [_gains_db(band, other, shifts[chosen[1] : chosen[1] + 1])[chosen[0], 0] for band in bands]
        if sum(unseen) < 0:
            return None
    groups = min(8, len(times))
    near = np.abs(shifts - shifts[index]) <= 1e-3
    alone = []
    for group in range(groups):
        kept = np.arange(len(times)) % groups == group
        total = np.array([_gains_db(band, kept, shifts[near])[sign] for band in bands]).sum(axis=0)
        alone.append(float(shifts[near][int(np.argmax(total))]))
    sigma_s = float(np.hypot(np.std(alone, ddof=1) / np.sqrt(groups) if groups > 1 else 1e-4, _STEP_S))
    gains = tuple(float(one) for one in whole[:, sign, index])
    return StrokeSum(float(shifts[index]), 1 if sign == 0 else -1, gains, sigma_s, len(times))


def _best(gains_db: Floats) -> tuple[int, int]:
    """The indices of polarity and shift of the highest total in which no band ends below as recorded."""
    allowed = gains_db.min(axis=0) >= _LEAST_DB
    total = np.where(allowed, gains_db.sum(axis=0), -np.inf)
    sign, index = np.unravel_index(int(np.argmax(total)), total.shape)
    return int(sign), int(index)


@dataclass(frozen=True)
class _Band:
    """Of one band: frequencies, and of each stroke the cross-spectrum of rest and close mic and the two powers."""

    hz: Floats
    cross: Complexes
    close: Floats
    rest: Floats


def _crosses(close: Track, rest: Sequence[Track], times: Ints, rate: int) -> list[_Band]:
    before, after = (round(seconds * rate) for seconds in _AROUND_S)
    size = fast_length(before + after + 4 * round(REACH_S * rate))
    starts = times - before
    mic = rfft(cut(close, starts, before + after), size)
    total = np.zeros_like(mic)
    for track in rest:
        clocks = round((close.start_s - track.start_s) * rate)
        total += rfft(cut(track, starts + clocks, before + after), size)
    hz = np.arange(mic.shape[1]) * rate / size
    found = []
    for low, high in BANDS_HZ:
        band = (hz >= low) & (hz < high)
        a, b = mic[:, band], total[:, band]
        powers = [np.asarray((np.abs(one) ** 2).sum(axis=1), dtype=float) for one in (a, b)]
        found.append(_Band(hz[band], cross_spectrum(b, a), powers[0], powers[1]))
    return found


def _gains_db(band: _Band, strokes: Bools, shifts: Floats) -> Floats:
    """The sum over as recorded, the mic at the rest's level, in dB: of both polarities and each shift, (2, shifts)."""
    close, rest = float(band.close[strokes].sum()), float(band.rest[strokes].sum())
    if not close > 0 < rest:
        return np.zeros((2, len(shifts)))
    cross = np.sqrt(rest / close) * band.cross[strokes].sum(axis=0)
    swing = 2 * np.real(np.exp(-2j * np.pi * shifts[:, None] * band.hz) @ cross)
    recorded = 2 * rest + 2 * float(np.real(cross.sum()))
    sums = np.maximum(np.array([2 * rest + swing, 2 * rest - swing]), 1e-9 * rest)
    return np.asarray(10 * np.log10(sums / max(recorded, 1e-9 * rest)))


_OVER_DB: Final = 8.0  # two overheads of a real kit: 0.9 to 7.3 dB, its close mics 15 to 56 in the middle
_CLOSE_DB: Final = 12.0
_SAME_S: Final = 0.03
_KNOWN: Final = 0.6
_LOUD_DB: Final = -15.0
_FEWEST_MICS: Final = 2
_LIKELY: Final = 0.3


def laid_on_strokes(reference: Track, tracks: Sequence[Track], rows: Sequence[TrackDelay]) -> tuple[TrackDelay, ...]:
    """The rows with what the tracks of a kit are to be moved by in place of their arrivals.

    Rows are left as they are where the reference does not stand over a kit: two close mics at least, or one and another
    mic over the same kit, must be among the tracks. Then every track that is not over the kit is tried.
    """
    heard = listen(reference)
    # What surely comes later than any overhead hears its kit is no track of this kit.
    apart = {row.track for row in rows if row.delay.reliable and abs(row.delay.delay_s) > REACH_S}
    others = {track.name: listen(track) for track in tracks if track.name not in apart}
    spread = {name: level_spread_db(heard, one) for name, one in others.items()}
    over = [name for name, decibels in spread.items() if decibels <= _OVER_DB]
    close = [name for name, one in others.items() if _CLOSE_DB < spread[name] < float("inf") and _closer(one, heard)]
    if not close or len(close) + len(over) < _FEWEST_MICS:
        return tuple(rows)
    rest = [reference, *(others[name].track for name in over)]
    words = f"the pair stays as it is: it hears the same kit as '{reference.name}'"
    laid = []
    for row in rows:
        if row.track in over:
            laid.append(TrackDelay(row.track, _still(row.delay, words)))
        elif row.track in others:
            laid.append(TrackDelay(row.track, _laid(row.delay, others[row.track], rest)))
        else:
            laid.append(row)
    return tuple(laid)


def _closer(one: Listened, reference: Listened) -> bool:
    """Whether a track's loud strokes leave out many of the reference's: a drum's own mic knows only its drum's."""
    rate = one.track.sample_rate
    own, wanted = (heard.strokes.samples[heard.strokes.level_db > _LOUD_DB] for heard in (one, reference))
    wanted = wanted + round((reference.track.start_s - one.track.start_s) * rate)
    if not len(own) or not len(wanted):
        return False
    after = np.clip(np.searchsorted(own, wanted), 0, len(own) - 1)
    gaps = np.minimum(np.abs(own[after] - wanted), np.abs(own[np.maximum(after - 1, 0)] - wanted))
    return float(np.mean(gaps < _SAME_S * rate)) < _KNOWN


def _still(delay: Delay, words: str) -> Delay:
    return replace(delay, delay_s=0.0, polarity=1, confidence=1.0, reliable=True, reason=words, candidates=())


def _laid(delay: Delay, one: Listened, rest: Sequence[Track]) -> Delay:
    if not one.strokes.gap_db:
        return replace(delay, reliable=False, reason="none of its strokes stands out as its own: left as recorded")
    # A doubtful arrival still says where the drum's sound comes, where it is no mere guess.
    likely = delay.confidence >= _LIKELY and abs(delay.delay_s) <= REACH_S
    found = best_on_strokes(one, rest, arrival_s=-delay.delay_s if likely else None)
    if found is None:
        return replace(delay, reliable=False, reason="what half of its strokes choose does not hold on the others")
    if not found.worth_it:
        return _still(delay, "adds up best where it was recorded")
    lows, mids = found.gains_db
    return replace(
        delay,
        delay_s=-found.shift_s,
        uncertainty_s=found.uncertainty_s,
        polarity=found.polarity,
        polarity_margin=1.0,
        confidence=max(delay.confidence, 0.9),
        reliable=True,
        reason=f"best sum on {found.strokes} strokes: {lows:+.1f} dB at 60-250 Hz, {mids:+.1f} dB at 250-2000 Hz",
        candidates=(),
    )
