"""At which delay and polarity do two tracks of one performance add up best, near the arrival?

The criterion is the energy of the sum at equal loudness, loudness-weighted, within a reach of the arrival:
4 ms, and for a bass 0.4 periods of its lowest notes, so that no choice is ever a period off. On the development half of
``tests/bench/alignment`` basses lose 1 dB with 4 ms, since their cabinets hold the lows back by 7 ms; guitars, and
basses beyond 7.5 ms, gain nothing more. A veto
goes before it: no group of bands (`GROUPS_HZ`) that carries at least 5 % of the loudness may end more than 0.5 dB
below what it was as recorded, unless every choice costs one; then the least costly is taken and the loss is reported.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.alignment.onepath.frames import Frames
from micalign.arrays import Bools, Complexes, Floats, Ints

__all__ = ["ALLOWED_DB", "GROUPS_HZ", "BestSum", "band_gains_db", "best_sum", "gains_db", "loud_groups"]

_LEAST_REACH_S, _MOST_REACH_S = 4e-3, 7.5e-3
_PERIODS: Final = 0.4
_LOWEST_SHARE: Final = 0.1  # the lowest notes: below this share of what the tracks have in common
GROUPS_HZ: Final = ((40.0, 80.0), (80.0, 160.0), (160.0, 320.0), (320.0, 1250.0), (1250.0, 5000.0))
ALLOWED_DB: Final = 0.5
_SHARE: Final = 0.05
_STEP_S: Final = 20e-6  # a tenth of a period of the highest frequency; a parabola does the rest
_DRAWS: Final = 64
_LOBE_S: Final = 2e-3  # what lies farther off is another choice and no error of this one


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
    lowest_hz = float(hz[int(np.searchsorted(shared, _LOWEST_SHARE * shared[-1]))])
    return min(max(_PERIODS / lowest_hz, _LEAST_REACH_S), _MOST_REACH_S)


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
    same = (again // count == best // count) & (np.abs(misses) <= _LOBE_S)
    sigma_s = float(np.sqrt(np.mean(misses[same] ** 2))) if same.any() else _LOBE_S
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
    loud: Bools = _parts(frames).sum(axis=1) >= _SHARE * 2.0
    return loud


def _losses(groups: Floats, parts: Floats, recorded_db: Floats | None) -> Floats:
    """How far every choice (G, 2 T) falls below what was recorded, in the groups that count; else minus infinity."""
    both = np.concatenate([groups, -groups], axis=1)
    if recorded_db is None:
        return np.full(both.shape, -np.inf)
    after_db = 10.0 * np.log10(np.maximum(1.0 + 2.0 * both / np.maximum(parts, 1e-30)[:, None], 1e-12))
    counts = (parts >= _SHARE * 2.0) & np.isfinite(recorded_db)
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
    return band_gains_db(frames, polarity * cross.real, bands_hz)


def band_gains_db(frames: Frames, met: Floats, bands_hz: tuple[tuple[float, float], ...]) -> Floats:
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
