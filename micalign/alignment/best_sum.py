"""Where do a DI and its mic add up best: at which delay and polarity, and with which all-pass sections?

The criterion is the energy of the sum at equal loudness, loudness-weighted, within a reach of the arrival: 4 ms, and
for a bass 0.4 periods of its lowest notes, so that no choice is ever a period off. On the development half of
``tests/bench/alignment`` basses lose 1 dB with 4 ms, since their cabinets hold the lows back by 7 ms; guitars, and
basses beyond 7.5 ms, gain nothing more. A veto goes before it: no group of bands (`GROUPS_HZ`) that carries at least 5
% of the loudness may end more than 0.5 dB below what it was as recorded, unless every choice costs one; then the least
costly is taken and the loss is reported.

A loudspeaker turns low notes further than high ones. One or two second-order sections turn the DI the same way; they
are fitted on every second block of the take and proved on the others, and a section that does not pay there is left
out. Two bounds hold: the group delay of all sections together is at most `MOST_GROUP_DELAY_S`, and no group of bands
that counts ends more than 0.5 dB below the plain best sum where the fit can help it.

Gains are coherent gains in decibels (energy of the sum against the sum of the energies) with both tracks brought to
equal loudness. Constants were fitted on the development half of ``tests/bench/alignment`` and are reported on the
other.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.alignment.gain import BlendTrack, PhaseMatch, Section, all_pass_response
from micalign.alignment.one_performance import Frames, framed
from micalign.alignment.tuned import (
    ALLOWED_DB,
    COUNTING_SHARE,
    FIRM,
    GROUPS_HZ,
    HZ_RANGE,
    LEAST_GAIN_DB,
    LEAST_SUM_DB,
    LOBE_S,
    LOWEST_SHARE,
    MARGIN_DB,
    MOST_BINS,
    MOST_GROUP_DELAY_S,
    MOST_SECTIONS,
    PERIODS,
    Q_RANGE,
    SECTIONS_REACH_MS,
)
from micalign.arrays import Bools, Complexes, Floats, Ints, cross_spectrum

__all__ = [
    "BestSum",
    "best_sum",
    "fitted",
    "gains_db",
    "group_delay_s",
    "loud_groups",
    "match_phase",
    "turned_gains_db",
]

_LEAST_REACH_S, _MOST_REACH_S = 4e-3, 7.5e-3  # seconds; see above
_STEP_S: Final = 20e-6  # a tenth of a period of the highest frequency; a parabola does the rest
_DRAWS: Final = 64  # resampled takes: a share of them is known to 6 %


@dataclass(frozen=True)
class BestSum:
    """The chosen delay (one sigma beside it) and polarity; ``losses``: groups that it costs, with decibels below 0.

    ``confidence``: in what share of resampled takes the choice falls into the same lobe and polarity, 0 to 1.
    """

    delay_s: float
    uncertainty_s: float
    polarity: int
    confidence: float
    losses: tuple[tuple[tuple[float, float], float], ...] = ()


def best_sum(frames: Frames, arrival_s: float, recorded_db: Floats | None, *, seed: int = 1) -> BestSum:
    """The delay and polarity to act on.

    Parameters
    ----------
    frames : Frames
        Read near the arrival.
    arrival_s : float
        The middle of the search.
    recorded_db : array, shape (G,), optional
        Coherent gain of each group as recorded, for the veto; nan where the group holds nothing.
    """
    reach = _reach_s(frames.hz, frames.cross.sum(axis=0))
    lags = arrival_s - frames.delay_s + np.arange(-reach, reach + _STEP_S / 2, _STEP_S)
    groups = _correlations(frames, lags)
    parts = _parts(frames)
    losses = _losses(groups[:-1].sum(axis=1), parts.sum(axis=1), recorded_db)
    whole = groups.sum(axis=(0, 1))
    best, vetoed = _chosen(whole, losses)
    polarity, place = (1, best) if best < len(lags) else (-1, best - len(lags))
    lag_s = _summit(polarity * whole, lags, place, free=not vetoed)
    gains = tuple(
        (group, -float(loss)) for group, loss in zip(GROUPS_HZ, losses[:, best], strict=True) if loss > ALLOWED_DB
    )
    sigma_s, share = _spread(_chosen_again(frames, groups, parts, recorded_db, seed), best, lags)
    return BestSum(lag_s + frames.delay_s, sigma_s, polarity, share, gains)


def _reach_s(hz: Floats, cross: Complexes) -> float:
    """How far from the arrival a sum is looked for."""
    shared = np.cumsum(np.abs(cross))
    if shared[-1] <= 0:
        return _LEAST_REACH_S
    lowest_hz = float(hz[int(np.searchsorted(shared, LOWEST_SHARE * shared[-1]))])
    return min(max(PERIODS / lowest_hz, _LEAST_REACH_S), _MOST_REACH_S)


def _correlations(frames: Frames, lags: Floats) -> Floats:
    """The balanced correlation of each group in each block (G, K, T); the last group is what lies outside of all."""
    scale = frames.balance[0] * frames.balance[1]
    masks = _masks(frames)
    masks.append(~np.any(masks, axis=0))
    turn = np.exp(2j * np.pi * frames.hz[:, None] * lags[None, :])
    return np.array([scale * (frames.cross[:, inside] @ turn[inside]).real for inside in masks])


def _chosen(whole: Floats, losses: Floats) -> tuple[int, bool]:
    """The highest choice (of 2 T, the second half flipped) that costs no group, and whether a higher one was vetoed."""
    heights = np.concatenate([whole, -whole])
    worst = losses.max(axis=0)
    allowed = worst <= ALLOWED_DB
    if not allowed.any():
        return _least_costly(heights, losses), True
    best = int(np.argmax(np.where(allowed, heights, -np.inf)))
    return best, best != int(np.argmax(heights))


def _chosen_again(frames: Frames, groups: Floats, parts: Floats, recorded_db: Floats | None, seed: int) -> Ints:
    """What would be chosen in takes of the same blocks, drawn with replacement, each within its own reach."""
    count, lags = groups.shape[1:]
    draws = np.random.default_rng(seed).multinomial(count, np.full(count, 1.0 / count), size=_DRAWS)
    out = []
    for draw in draws:
        outside = (lags - 1) / 2 - _reach_s(frames.hz, draw @ frames.cross) / _STEP_S
        kept = slice(max(round(outside), 0), lags - max(round(outside), 0))
        sums = np.einsum("k,gkt->gt", draw, groups[:, :, kept])
        best, _ = _chosen(sums.sum(axis=0), _losses(sums[:-1], parts @ draw, recorded_db))
        flipped, place = divmod(best, sums.shape[1])
        out.append(flipped * lags + place + kept.start)
    return np.array(out, dtype=np.intp)


def _spread(again: Ints, best: int, lags: Floats) -> tuple[float, float]:
    """One standard deviation of the choices within the chosen lobe, and the share of them that lie there."""
    count = len(lags)
    misses = lags[again % count] - lags[best % count]
    same = (again // count == best // count) & (np.abs(misses) <= LOBE_S)
    sigma_s = float(np.sqrt(np.mean(misses[same] ** 2))) if same.any() else LOBE_S
    return float(np.hypot(sigma_s, _STEP_S / np.sqrt(12.0))), float(np.mean(same))


def _masks(frames: Frames) -> list[Bools]:
    return [frames.within(*group) for group in GROUPS_HZ]


def _parts(frames: Frames) -> Floats:
    """The balanced power of both tracks in each group and block, shape (G, K)."""
    one, other = frames.balance
    both = one**2 * frames.first + other**2 * frames.second
    return np.array([both[:, inside].sum(axis=1) for inside in _masks(frames)])


def loud_groups(frames: Frames) -> Bools:
    """Which groups carry at least 5 % of the loudness."""
    loud: Bools = _parts(frames).sum(axis=1) >= COUNTING_SHARE * 2.0
    return loud


def _losses(groups: Floats, parts: Floats, recorded_db: Floats | None) -> Floats:
    """How far every choice (G, 2 T) falls below what was recorded, in the groups that count; else minus infinity."""
    both = np.concatenate([groups, -groups], axis=1)
    if recorded_db is None:
        return np.full(both.shape, -np.inf)
    after_db = 10.0 * np.log10(np.maximum(1.0 + 2.0 * both / np.maximum(parts, 1e-30)[:, None], 1e-12))
    counts = (parts >= COUNTING_SHARE * 2.0) & np.isfinite(recorded_db)
    return np.where(counts[:, None], np.nan_to_num(recorded_db)[:, None] - after_db, -np.inf)


def _least_costly(heights: Floats, losses: Floats) -> int:
    gain_db = 10.0 * np.log10(np.maximum(1.0 + heights, 1e-12))
    return int(np.argmax(gain_db - losses.max(axis=0)))


def _summit(height: Floats, lags: Floats, place: int, *, free: bool) -> float:
    """Between the steps, by a parabola, where the place is a summit and no veto's edge."""
    if 0 < place < len(lags) - 1 and (free or height[place] >= max(height[place - 1], height[place + 1])):
        left, middle, right = height[place - 1 : place + 2]
        bend = left - 2.0 * middle + right
        if bend < 0:
            return float(lags[place] + 0.5 * (left - right) / bend * (lags[1] - lags[0]))
    return float(lags[place])


def gains_db(frames: Frames, bands_hz: tuple[tuple[float, float], ...], delay_s: float, polarity: int) -> Floats:
    """Coherent gain of each band, the second track earlier by ``delay_s`` and flipped or not; nan for silence."""
    cross = frames.cross.sum(axis=0) * np.exp(2j * np.pi * frames.hz * (delay_s - frames.delay_s))
    return _band_gains_db(frames, polarity * cross.real, bands_hz)


def _band_gains_db(frames: Frames, met: Floats, bands_hz: tuple[tuple[float, float], ...]) -> Floats:
    """Coherent gain of each band from what the two tracks have in step in each bin."""
    one, other = frames.balance
    both = one**2 * frames.first.sum(axis=0) + other**2 * frames.second.sum(axis=0)
    out = np.full(len(bands_hz), np.nan)
    for index, band in enumerate(bands_hz):
        inside = frames.within(*band)
        parts = float(both[inside].sum())
        if parts > 0:
            share = 2.0 * one * other * float(met[inside].sum()) / parts
            out[index] = 10.0 * np.log10(max(1.0 + share, 1e-12))
    return out


@dataclass(frozen=True)
class _Half:
    """Half of the blocks at their strongest bins: balanced cross-spectrum, power, and which bin is in which group."""

    hz: Floats
    cross: Complexes
    parts: Floats
    groups: Floats
    plain_db: Floats
    counts: Bools
    sample_rate: int
    delay_s: float

    def met(self, sections: Sequence[Section], delay_s: float) -> Floats:
        """What of each bin is in step, the DI through the sections and the mic earlier by ``delay_s``."""
        response = all_pass_response(sections, self.hz, sample_rate=self.sample_rate)
        lag_s = delay_s - self.delay_s
        met: Floats = (cross_spectrum(response, self.cross) * np.exp(2j * np.pi * self.hz * lag_s)).real
        return met

    def gain_db(self, sections: Sequence[Section], delay_s: float, polarity: int) -> float:
        """Of the whole, loudness-weighted."""
        share = 2.0 * polarity * float(self.met(sections, delay_s).sum()) / max(float(self.parts.sum()), 1e-30)
        return float(10.0 * np.log10(max(1.0 + share, 1e-12)))


def fitted(
    frames: Frames, plain: BestSum, arrival_s: float, *, against: str = "", most_sections: int = MOST_SECTIONS
) -> PhaseMatch | None:
    """Sections for the DI, which is the first of the two; None where none was found to pay.

    Parameters
    ----------
    frames : Frames
        The DI first, the mic second, read near the arrival.
    plain : BestSum
        What delay and polarity alone give, the mic against the DI.
    arrival_s : float
    against : str
        The mic's name.
    """
    if len(frames.cross) < 4:
        return None
    fitting, proving = (_half(frames, plain, start) for start in (0, 1))
    before = proving.gain_db((), plain.delay_s, plain.polarity)
    best: tuple[float, tuple[Section, ...], float, int] = (before + 0.0, (), plain.delay_s, plain.polarity)
    for count in range(1, most_sections + 1):
        sections, delay_s, polarity = _fit(fitting, arrival_s, count)
        proof = proving.gain_db(sections, delay_s, polarity)
        if proof > best[0] + LEAST_GAIN_DB:
            best = (proof, sections, delay_s, polarity)
    after, sections, delay_s, polarity = best
    if not sections or after < LEAST_SUM_DB:
        return None
    return PhaseMatch(
        sections,
        delay_s - plain.delay_s,
        polarity * plain.polarity,
        before,
        after,
        (GROUPS_HZ[0][0], GROUPS_HZ[-1][1]),
        against,
        group_delay_s(sections),
    )


def match_phase(
    mic: BlendTrack, di: BlendTrack, *, arrival_s: float | None = None, most_sections: int = MOST_SECTIONS
) -> PhaseMatch | None:
    """Sections for the DI that make it add up better with the mic than the two do as they lie; None where none pays.

    Parameters
    ----------
    mic, di : BlendTrack
        Both as delay and polarity leave them.
    arrival_s : float, optional
        How much later the mic hears the same event, where that is not the delay at which they lie.
    most_sections : int
        1 or 2.
    """
    rate = di.track.sample_rate
    lies_s = (di.shift_samples - mic.shift_samples) / rate
    plain = BestSum(lies_s, 0.0, mic.polarity * di.polarity, 1.0)
    centre_s = lies_s if arrival_s is None else arrival_s
    return fitted(
        framed(di.track, mic.track, centre_s), plain, centre_s, against=mic.track.name, most_sections=most_sections
    )


def turned_gains_db(
    frames: Frames, plain: BestSum, match: PhaseMatch, bands_hz: tuple[tuple[float, float], ...]
) -> Floats:
    """Coherent gain of each band with the sections on the first track."""
    response = all_pass_response(match.sections, frames.hz, sample_rate=frames.sample_rate)
    lag_s = plain.delay_s + match.shift_s - frames.delay_s
    cross = cross_spectrum(response, frames.cross.sum(axis=0)) * np.exp(2j * np.pi * frames.hz * lag_s)
    return _band_gains_db(frames, plain.polarity * match.polarity * cross.real, bands_hz)


def group_delay_s(sections: Sequence[Section]) -> float:
    """The longest group delay of the sections together, in seconds.

    For one section of frequency f and Q it is about 2 Q / (pi f).

    >>> round(group_delay_s([(100.0, 2.0)]) * 1e3, 1)
    12.9
    """
    hz = np.geomspace(20.0, 5000.0, 240)
    return _longest_s(hz, sections)


def _longest_s(hz: Floats, sections: Sequence[Section]) -> float:
    together = np.zeros(len(hz))
    for section in sections:
        together += _section_delay_s(hz, *section)
    return float(together.max())


def _section_delay_s(hz: Floats, frequency_hz: float, q: float) -> Floats:
    x = hz / frequency_hz
    delay_s: Floats = (1.0 + x**2) / ((1.0 - x**2) ** 2 + (x / q) ** 2) / (np.pi * q * frequency_hz)
    return delay_s


def _half(frames: Frames, plain: BestSum, start: int) -> _Half:
    one, other = frames.balance
    cross = one * other * frames.cross[start::2].sum(axis=0)
    parts = one**2 * frames.first[start::2].sum(axis=0) + other**2 * frames.second[start::2].sum(axis=0)
    strongest = np.sort(np.argsort(np.abs(cross))[-MOST_BINS:])
    hz = frames.hz[strongest]
    groups = np.array([(hz >= low) & (hz < high) for low, high in GROUPS_HZ]).astype(np.float64)
    return _Half(
        hz,
        cross[strongest],
        parts[strongest],
        groups,
        gains_db(frames, GROUPS_HZ, plain.delay_s, plain.polarity),
        loud_groups(frames),
        frames.sample_rate,
        frames.delay_s,
    )


def _fit(half: _Half, arrival_s: float, count: int) -> tuple[tuple[Section, ...], float, int]:
    from scipy.optimize import minimize  # noqa: PLC0415 - only pairs of one path pay for it

    low, high = np.log(HZ_RANGE[0]), np.log(min(HZ_RANGE[1], 0.4 * half.sample_rate))
    bounds = [(-SECTIONS_REACH_MS, SECTIONS_REACH_MS), *[(low, high), tuple(np.log(Q_RANGE))] * count]
    hz = np.geomspace(30.0, 1500.0, 80)
    parts = np.maximum(half.groups @ half.parts, 1e-30)

    def cost(numbers: Floats, polarity: int) -> float:
        sections = _sections(numbers[1:])
        met = polarity * half.met(sections, arrival_s + numbers[0] / 1e3)
        whole_db = 10.0 * np.log10(max(1.0 + 2.0 * float(met.sum()) / float(half.parts.sum()), 1e-6))
        groups_db = 10.0 * np.log10(np.maximum(1.0 + 2.0 * (half.groups @ met) / parts, 1e-6))
        short = np.where(half.counts, np.nan_to_num(half.plain_db) - groups_db - MARGIN_DB, 0.0)
        late_ms = 1e3 * (_longest_s(hz, sections) - MOST_GROUP_DELAY_S)
        lost = float((np.maximum(short, 0.0) ** 2).sum())
        return float(-whole_db + FIRM * lost + max(late_ms + 0.5, 0.0) ** 2)

    best, least, chosen = np.zeros(1 + 2 * count), np.inf, 1
    for polarity in (1, -1):
        for start in _starting_points(count):
            found = minimize(cost, start, args=(polarity,), method="L-BFGS-B", bounds=bounds, options={"maxiter": 40})
            if found.fun < least and group_delay_s(_sections(found.x[1:])) <= MOST_GROUP_DELAY_S:
                best, least, chosen = found.x, float(found.fun), polarity
    if not np.isfinite(least):
        return (), arrival_s, 1
    return _sections(best[1:]), arrival_s + float(best[0]) / 1e3, chosen


def _sections(numbers: Floats) -> tuple[Section, ...]:
    pairs = zip(numbers[::2], numbers[1::2], strict=True)
    return tuple((float(np.exp(frequency)), float(np.exp(q))) for frequency, q in pairs)


def _starting_points(count: int) -> Iterator[list[float]]:
    """One low and one high, as loudspeakers turn; a little early and a little late."""
    places: tuple[tuple[float, ...], ...] = ((90.0,), (250.0,)) if count == 1 else ((75.0, 350.0), (110.0, 900.0))
    for place in places:
        for late_ms in (0.0, 1.0):
            numbers = [late_ms]
            for frequency in place:
                numbers += [float(np.log(frequency)), float(np.log(0.6))]
            yield numbers
