"""Which source made a hit, where no mic is its own? The one from whose place the tracks add up best.

Every pair of tracks is correlated on the hit with its spectrum flattened; a source is credited with the correlation
near the delay that the scene expects of it, summed over the pairs (steered response power: J. H. DiBiase, *A
High-Accuracy, Low-Latency Technique for Talker Localization in Reverberant Environments*, Brown University 2000).
Polarity does not matter. The scene only tells sources apart here; delays are measured afterwards.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Final

import numpy as np

from micalign.arrays import Complexes, Floats, Ints, cross_spectrum
from micalign.take.tracks import Track
from micalign.tdoa.gather import gather
from micalign.tdoa.moments import Envelope, onsets

__all__ = ["hits_of_no_mic", "moments_by_place"]

_LOW_HZ, _HIGH_HZ = 300.0, 12000.0
_GATE_S: Final = 0.025
_LEAD_S: Final = 0.004
_TOLERANCE_S: Final = 0.2e-3
_FINER: Final = 2
_CLEAR: Final = 1.15  # the best source must be credited with so much more than the next
_MOST_HITS: Final = 160
_MOST: Final = 48
_QUIET_DB: Final = -20.0


def hits_of_no_mic(
    envelopes: Mapping[str, Envelope], listening: Sequence[str], taken_s: Sequence[float] | Floats
) -> Floats:
    """Times of the strongest onsets in the listening tracks that lie apart from those already given to a source."""
    found: list[tuple[float, float]] = []
    for name in listening:
        one = envelopes[name]
        hops = onsets(one.sharp)
        loud = float(np.sort(one.sharp[hops])[-2:].mean()) if len(hops) else 0.0
        kept = hops[10.0 * np.log10(np.maximum(one.sharp[hops], 1e-20) / max(loud, 1e-20)) > _QUIET_DB]
        found += zip((one.sharp[kept] / max(loud, 1e-20)).tolist(), one.times_s[kept].tolist(), strict=True)
    times: list[float] = []
    for _, time in sorted(found, reverse=True):
        if all(abs(time - other) > 0.04 for other in (*times, *taken_s)):
            times.append(time)
    return np.array(sorted(times[:_MOST_HITS]))


def moments_by_place(
    tracks: Sequence[Track], times_s: Floats, arrivals_s: Mapping[str, Mapping[str, float]]
) -> dict[str, tuple[float, ...]]:
    """The hits of each source, the clearest first.

    Parameters
    ----------
    tracks : sequence of Track
        All that may hear the hits.
    times_s : shape (H,)
        The hits.
    arrivals_s : mapping of source to mapping of track to seconds
        When each source should arrive in each track after it sounds.

    Returns
    -------
    dict
        Only sources that some hit is clearly of.
    """
    if not len(times_s):
        return {}
    credit = _credits(tracks, times_s, arrivals_s)
    sources = list(arrivals_s)
    order = np.argsort(credit, axis=1)
    best = order[:, -1]
    rows = np.arange(len(times_s))
    second = credit[rows, order[:, -2]] if len(sources) > 1 else np.zeros(len(times_s))
    clear = credit[rows, best] / np.maximum(second, 1e-12)
    found: dict[str, tuple[float, ...]] = {}
    for index, source in enumerate(sources):
        own: Ints = np.flatnonzero((best == index) & (clear >= _CLEAR))
        if len(own):
            found[source] = tuple(times_s[own[np.argsort(-clear[own])][:_MOST]].tolist())
    return found


def _credits(tracks: Sequence[Track], times_s: Floats, arrivals_s: Mapping[str, Mapping[str, float]]) -> Floats:
    """Credit of every source for every hit, shape (H, S)."""
    farthest = max(max(one.values()) for one in arrivals_s.values())
    rate = tracks[0].sample_rate
    cut = gather(tracks, times_s, before_s=_LEAD_S + farthest, after_s=_GATE_S + farthest)
    length = cut.track(tracks[0].name).frames // len(times_s)
    window = np.hanning(length)
    size = 1 << (2 * length - 1).bit_length()
    flat = {t.name: _flat(cut.track(t.name).read().reshape(-1, length) * window, size, rate) for t in tracks}
    credit = np.zeros((len(times_s), len(arrivals_s)))
    for a, b in combinations(flat, 2):
        correlation = np.abs(np.fft.irfft(cross_spectrum(flat[a], flat[b]), size * _FINER, axis=1))
        for column, arrivals in enumerate(arrivals_s.values()):
            if a in arrivals and b in arrivals:
                credit[:, column] += _near(correlation, arrivals[b] - arrivals[a], rate * _FINER)
    return credit


def _flat(frames: Floats, size: int, rate: int) -> Complexes:
    spectrum = np.fft.rfft(frames, size, axis=1)
    frequency_hz = np.fft.rfftfreq(size, 1.0 / rate)
    level = np.abs(spectrum) + 1e-3 * np.abs(spectrum).max(axis=1, keepdims=True) + 1e-12
    kept = (frequency_hz >= _LOW_HZ) & (frequency_hz <= _HIGH_HZ)
    flat: Complexes = spectrum / level * kept
    return flat


def _near(correlation: Floats, delay_s: float, rate: int) -> Floats:
    lags = np.arange(round((delay_s - _TOLERANCE_S) * rate), round((delay_s + _TOLERANCE_S) * rate) + 1)
    best: Floats = correlation[:, lags % correlation.shape[1]].max(axis=1)
    return best
