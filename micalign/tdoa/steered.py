"""Which source made a stroke, where no mic is its own? The one from whose place the tracks add up best.

Every pair of tracks is correlated on the stroke with its spectrum flattened; a source is credited with the correlation
near the delay that the scene expects of it, summed over the pairs (steered response power: J. H. DiBiase, *A
High-Accuracy, Low-Latency Technique for Talker Localization in Reverberant Environments*, Brown University 2000).
Polarity does not matter. The scene only tells sources apart here; delays are measured afterwards.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Final

import numpy as np

from micalign.arrays import Floats, Ints, cross_spectrum, fast_length
from micalign.take.tracks import Track
from micalign.tdoa.correlation import flat_spectra
from micalign.tdoa.strokes import Listened
from micalign.tdoa.transforms import irfft
from micalign.tdoa.wavefronts import cut

__all__ = ["strokes_by_place", "strokes_of_no_mic"]

_BAND_HZ: Final = (300.0, 12000.0)
_GATE_S: Final = 0.025
_LEAD_S: Final = 0.004
_TOLERANCE_S: Final = 0.2e-3
_FINER: Final = 2
_CLEAR: Final = 1.15  # the best source must be credited with so much more than the next
_MOST_STROKES: Final = 160
_MOST: Final = 48
_QUIET_DB: Final = -20.0
_APART_S: Final = 0.04


def strokes_of_no_mic(listening: Sequence[Listened], taken_s: Floats) -> Floats:
    """Times of the strongest strokes in the listening tracks that lie apart from those already given to a source."""
    found: list[tuple[float, float]] = []
    for one in listening:
        strokes = one.strokes
        if not len(strokes.samples):
            continue
        steps = strokes.samples // one.envelope.step
        # The difference of neighbours: cymbals stand out in it, rumble does not.
        bright = one.rises[np.clip(steps[:, None] + np.arange(10), 0, len(one.rises) - 1)].mean(axis=1, dtype=float)
        level = bright / max(float(np.sort(bright)[-2:].mean()), 1e-20)
        kept = level > 10 ** (_QUIET_DB / 10)
        times_s = strokes.samples[kept] / one.track.sample_rate + one.track.start_s
        found += zip(level[kept].tolist(), times_s.tolist(), strict=True)
    times: list[float] = []
    for _, time in sorted(found, reverse=True):
        if all(abs(time - other) > _APART_S for other in (*times, *taken_s)):
            times.append(time)
    return np.array(sorted(times[:_MOST_STROKES]))


def strokes_by_place(
    tracks: Sequence[Track], times_s: Floats, arrivals_s: Mapping[str, Mapping[str, float]]
) -> dict[str, Floats]:
    """The strokes of each source, the clearest first.

    Parameters
    ----------
    tracks : sequence of Track
        All that may hear the strokes.
    times_s : shape (H,)
        The strokes.
    arrivals_s : mapping of source to mapping of track to seconds
        When each source should arrive in each track after it sounds.

    Returns
    -------
    dict
        Only sources that some stroke is clearly of.
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
    found: dict[str, Floats] = {}
    for index, source in enumerate(sources):
        own: Ints = np.flatnonzero((best == index) & (clear >= _CLEAR))
        if len(own):
            found[source] = times_s[own[np.argsort(-clear[own], kind="stable")][:_MOST]]
    return found


def _credits(tracks: Sequence[Track], times_s: Floats, arrivals_s: Mapping[str, Mapping[str, float]]) -> Floats:
    """Credit of every source for every stroke, shape (H, S)."""
    farthest = max(max(one.values()) for one in arrivals_s.values())
    rate = tracks[0].sample_rate
    before, after = round((_LEAD_S + farthest) * rate), round((_GATE_S + farthest) * rate)
    window = np.hanning(before + after)
    size = fast_length(2 * (before + after))
    flat = {}
    for track in tracks:
        starts = np.rint((times_s - track.start_s) * rate).astype(np.intp) - before
        flat[track.name] = flat_spectra(cut(track, starts, before + after) * window, size, rate, _BAND_HZ)
    credit = np.zeros((len(times_s), len(arrivals_s)))
    for a, b in combinations(flat, 2):
        correlation = np.abs(irfft(cross_spectrum(flat[a], flat[b]), size * _FINER))
        for column, arrivals in enumerate(arrivals_s.values()):
            if a in arrivals and b in arrivals:
                credit[:, column] += _near(correlation, arrivals[b] - arrivals[a], rate * _FINER)
    return credit


def _near(correlation: Floats, delay_s: float, rate: int) -> Floats:
    lags = np.arange(round((delay_s - _TOLERANCE_S) * rate), round((delay_s + _TOLERANCE_S) * rate) + 1)
    best: Floats = correlation[:, lags % correlation.shape[1]].max(axis=1)
    return best
