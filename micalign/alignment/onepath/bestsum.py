"""At which delay and polarity do two tracks of one performance add up best, near the arrival?

The criterion is the energy of the sum at equal loudness, loudness-weighted, within a reach of the arrival (`reach_s`):
4 ms, and for a bass 0.4 periods of its lowest notes, so that no choice is ever a period off. On the development half of
``tests/bench/alignment`` basses lose 1 dB with 4 ms, since their cabinets hold the lows back by 7 ms; guitars, and
basses beyond 7.5 ms, gain nothing more. A veto
goes before it: no group of bands (`GROUPS_HZ`) that carries at least 5 % of the loudness may end more than 0.5 dB
below what it was as recorded, unless every choice costs one; then the least costly is taken and the loss is told.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.alignment.onepath.frames import Frames
from micalign.arrays import Bools, Floats

__all__ = ["ALLOWED_DB", "GROUPS_HZ", "BestSum", "band_gains_db", "best_sum", "gains_db", "loud_groups", "reach_s"]

_LEAST_REACH_S, _MOST_REACH_S = 4e-3, 7.5e-3
_PERIODS: Final = 0.4
_LOWEST_SHARE: Final = 0.1  # the lowest notes: below this share of what the tracks have in common
GROUPS_HZ: Final = ((40.0, 80.0), (80.0, 160.0), (160.0, 320.0), (320.0, 1250.0), (1250.0, 5000.0))
ALLOWED_DB: Final = 0.5
_SHARE: Final = 0.05
_STEP_S: Final = 20e-6  # a tenth of a period of the highest frequency; a parabola does the rest
_DRAWS: Final = 64
_LOBE_S: Final = 2e-3  # resampled sums are followed within the chosen lobe


@dataclass(frozen=True)
class BestSum:
    """The chosen delay (one sigma beside it) and polarity; ``losses``: groups that it costs, with decibels below 0.

    ``confidence``: in what share of resampled takes it sums within 0.5 dB of the best choice there, 0 to 1.
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
    reach = reach_s(frames)
    lags = arrival_s - frames.delay_s + np.arange(-reach, reach + _STEP_S / 2, _STEP_S)
    whole, groups = _correlations(frames, lags)
    heights = np.concatenate([whole.sum(axis=0), -whole.sum(axis=0)])
    losses = _losses(frames, groups, recorded_db)
    allowed = losses.max(axis=0) <= ALLOWED_DB
    best = int(np.argmax(np.where(allowed, heights, -np.inf))) if allowed.any() else _least_costly(heights, losses)
    polarity, place = (1, best) if best < len(lags) else (-1, best - len(lags))
    lag_s = _summit(polarity * whole.sum(axis=0), lags, place, free=allowed.all())
    told = tuple(
        (group, -float(loss)) for group, loss in zip(GROUPS_HZ, losses[:, best], strict=True) if loss > ALLOWED_DB
    )
    draws = np.random.default_rng(seed).multinomial(len(whole), np.full(len(whole), 1.0 / len(whole)), size=_DRAWS)
    sums = draws @ (polarity * whole)
    return BestSum(
        lag_s + frames.delay_s, _sigma_s(sums, lags, place), polarity, _as_good(sums, place, free=allowed.all()), told
    )


def reach_s(frames: Frames) -> float:
    """How far from the arrival a sum is looked for."""
    shared = np.cumsum(np.abs(frames.cross.sum(axis=0)))
    if shared[-1] <= 0:
        return _LEAST_REACH_S
    lowest_hz = float(frames.hz[int(np.searchsorted(shared, _LOWEST_SHARE * shared[-1]))])
    return min(max(_PERIODS / lowest_hz, _LEAST_REACH_S), _MOST_REACH_S)


def _correlations(frames: Frames, lags: Floats) -> tuple[Floats, Floats]:
    """The balanced correlation of each block (K, T), and of each group over all blocks (G, T)."""
    turn = np.exp(2j * np.pi * frames.hz[:, None] * lags[None, :])
    scale = frames.balance[0] * frames.balance[1]
    whole = scale * (frames.cross @ turn).real
    total = frames.cross.sum(axis=0)
    groups = [scale * (total[inside] @ turn[inside]).real for inside in _masks(frames)]
    return whole, np.array(groups)


def _masks(frames: Frames) -> list[Bools]:
    return [frames.within(*group) for group in GROUPS_HZ]


def _parts(frames: Frames) -> Floats:
    """The balanced power of both tracks in each group, shape (G,)."""
    one, other = frames.balance
    both = one**2 * frames.first.sum(axis=0) + other**2 * frames.second.sum(axis=0)
    return np.array([float(both[inside].sum()) for inside in _masks(frames)])


def loud_groups(frames: Frames) -> Bools:
    """Which groups carry at least 5 % of the loudness."""
    loud: Bools = _parts(frames) >= _SHARE * 2.0
    return loud


def _losses(frames: Frames, groups: Floats, recorded_db: Floats | None) -> Floats:
    """How far every choice (G, 2 T) falls below what was recorded, in the groups that count; else minus infinity."""
    both = np.concatenate([groups, -groups], axis=1)
    if recorded_db is None:
        return np.full(both.shape, -np.inf)
    parts = np.maximum(_parts(frames), 1e-30)
    after_db = 10.0 * np.log10(np.maximum(1.0 + 2.0 * both / parts[:, None], 1e-12))
    counts = loud_groups(frames) & np.isfinite(recorded_db)
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


def _sigma_s(sums: Floats, lags: Floats, place: int) -> float:
    """One standard deviation of the summit over resampled takes (N, T), followed within the chosen lobe."""
    near = np.abs(lags - lags[place]) <= _LOBE_S
    misses = lags[near][np.argmax(sums[:, near], axis=1)] - lags[place]
    return float(np.hypot(np.sqrt(np.mean(misses**2)), _STEP_S / np.sqrt(12.0)))


def _as_good(sums: Floats, place: int, *, free: bool) -> float:
    """The share of resampled takes in which the place sums within `ALLOWED_DB` of the best, or adds where vetoed."""
    here = 10.0 * np.log10(np.maximum(1.0 + sums[:, place], 1e-12))
    best = 10.0 * np.log10(np.maximum(1.0 + np.abs(sums).max(axis=1), 1e-12)) if free else ALLOWED_DB
    return float(np.mean(here >= best - ALLOWED_DB))


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
