"""How late is a struck source in every pair of tracks, measured on its own moments alone?

Each track is cut once narrowly (about the moment the sound reaches it) and once widely (by the range of the search on
both sides), and each cut is transformed once; every pair is then one product. Cross-spectra are summed over the
moments and flattened by the smooth spectra of both tracks (C. H. Knapp and G. C. Carter, IEEE Trans. ASSP 24(4),
320-327, 1976). Where a scene says when the sound should come, a weaker peak near that time beats a stronger one
elsewhere: the direct sound beside a reflection. Delay is positive when the event comes later in the track.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Complexes, Floats, cross_spectrum, fast_length
from micalign.take.tracks import Track
from micalign.tdoa.correlation import band_mean, correlate_spectrum, raised_cosine
from micalign.tdoa.peak import Correlogram, Peak, refine, strongest_peaks
from micalign.tdoa.result import Candidate, Delay
from micalign.tdoa.told import Expected

__all__ = ["Gate", "as_planned", "gated_delay", "off_plan"]

_LEAD_S: Final = 0.003
_LENGTH_S: Final = 0.023
_LOW_HZ: Final = 40.0
_POWER: Final = 0.4  # of each track's smooth power: 0.5 would flatten wholly and trust the noise
_FINER: Final = 4
_GROUPS: Final = 8
_NEAR_S: Final = 0.8e-3  # within this of the scene, or within six of its standard deviations, is as it says
_NEAR_Z: Final = 6.0
_SUGGESTED: Final = 0.35
_STRAY: Final = 1.5
_LEAST_RATIO: Final = 1.2
_LEAST_CONTRAST: Final = 3.5
_AGREE_S: Final = 0.2e-3
_LEAST_AGREEMENT: Final = 0.6
_LEAST_MARGIN: Final = 0.15
_FEW: Final = 3  # moments; of fewer than these more is asked
_BESIDE_S, _BESIDE_Z, _CLEAR = 0.3e-3, 2.0, 0.5  # that far beside the plan a delay needs a clear peak
_FAINT_DB: Final = -20.0
"""Below this a peak that is not where the scene has the direct sound is a reflection sooner than a mic that moved."""
_DROWNED_DB: Final = -40.0
"""Below this, as in the null of a figure-8, the room is what a mic hears of a source (common practice, no source)."""


class Gate:
    """The moments of one source in gathered tracks, each cut and transformed once.

    Parameters
    ----------
    tracks : mapping of str to Track
        Of one rate.
    times_s : shape (K,)
        The moments, as the source's own track hears them.
    max_delay_s : float
        How far to search, either way.
    high_hz : float
        Above this nothing counts: the bleed of cymbals lives there.
    """

    def __init__(self, tracks: Mapping[str, Track], times_s: Floats, *, max_delay_s: float, high_hz: float) -> None:
        self._tracks, self._times_s = tracks, times_s
        self.max_delay_s, self.high_hz = max_delay_s, high_hz
        self.rate = next(iter(tracks.values())).sample_rate
        self._length = round(_LENGTH_S * self.rate)
        self._margin = round(max_delay_s * self.rate)
        self._edge = max(self._margin // 8, self._length // 32, 16)
        self.size = fast_length(self._length + 2 * (self._margin + self._edge))
        self.frequency_hz: Floats = np.fft.rfftfreq(self.size, 1.0 / self.rate).astype(np.float64)
        self._cuts: dict[tuple[str, int], Complexes] = {}

    def cross(self, reference: str, track: str, *, later_s: float, centre_s: float) -> tuple[Complexes, Floats, float]:
        """Cross-spectra of every moment, shape (K, B), the flattening weight, and the delay already taken out.

        ``later_s`` is how much later than the moments the sound reaches the reference, ``centre_s`` the middle of the
        search.
        """
        begin = round((later_s - _LEAD_S) * self.rate)
        offset = round(centre_s * self.rate)
        narrow = raised_cosine(self._length, round(0.002 * self.rate), round(0.010 * self.rate))
        wide = raised_cosine(self._length + 2 * (self._margin + self._edge), self._edge, self._edge)
        first = self._cut(reference, begin, narrow)
        second = self._cut(track, begin + offset - self._margin - self._edge, wide)
        product = cross_spectrum(first, second)
        product *= np.exp(2j * np.pi * np.arange(product.shape[1]) * ((self._margin + self._edge) / self.size))
        powers = band_mean((np.abs(first) ** 2).mean(axis=0)) * band_mean((np.abs(second) ** 2).mean(axis=0))
        weight = (powers + powers.max() * 1e-12 + 1e-300) ** -_POWER
        weight *= (self.frequency_hz > _LOW_HZ) & (self.frequency_hz < self.high_hz)
        return product, weight, offset / self.rate

    def _cut(self, name: str, begin: int, window: Floats) -> Complexes:
        key = (name, begin * 2 + (len(window) > self._length))
        if key not in self._cuts:
            track = self._tracks[name]
            starts = [round(time * self.rate) + begin for time in self._times_s]
            frames = np.array([track.read(start, len(window)) for start in starts])
            frames -= frames.mean(axis=1, keepdims=True)
            self._cuts[key] = np.fft.rfft(frames * window, self.size, axis=1)
        return self._cuts[key]


@dataclass(frozen=True)
class _Chosen:
    peak: Peak
    rivals: Sequence[Peak]
    as_expected: bool


def gated_delay(gate: Gate, reference: str, track: str, prior: Expected | None, *, later_s: float = 0.0) -> Delay:
    """The delay of a track against a reference on the gate's moments.

    Parameters
    ----------
    gate : Gate
    reference, track : str
    prior : Expected, optional
        What the scene says of the delay.
    later_s : float
        How much later than the moments the sound reaches the reference.
    """
    product, weight, centre_s = gate.cross(
        reference, track, later_s=later_s, centre_s=0.0 if prior is None else prior.arrival_s
    )
    total = product.sum(axis=0) * weight
    if not np.abs(total).any():
        return Delay(0.0, gate.max_delay_s, 1, 0.0, 0.0, False, "one of the two tracks is silent there")
    step_s = 1.0 / (_FINER * gate.rate)
    whole = Correlogram.within(correlate_spectrum(total, gate.size, finer=_FINER), step_s, gate.max_delay_s)
    near = None if prior is None else _near(whole, prior.arrival_s - centre_s, prior)
    chosen = _choose(whole, near)
    best = refine(total, gate.frequency_hz, chosen.peak.lag_s, within_s=_AGREE_S)
    searched = near if near is not None and chosen.as_expected else whole
    own, agreement = _groups(gate, product, weight, best, searched)
    ratio = abs(chosen.peak.height) / max(max((abs(p.height) for p in chosen.rivals), default=0.0), 1e-300)
    contrast = abs(chosen.peak.height) / max(float(np.median(np.abs(whole.values))) / 0.6745, 1e-300)
    margin = _margin(searched, chosen.peak)
    reason = _reason(chosen, ratio, contrast, agreement)
    if reason is None and margin < (_LEAST_MARGIN if len(product) >= _FEW else 2 * _LEAST_MARGIN):
        reason = "its polarity is not clear"
    confidence = float(np.clip((ratio - 1.0) / 0.6, 0, 1) * agreement * np.clip((contrast - 2.5) / 4, 0, 1))
    reliable = reason is None
    if prior is not None and reliable:
        off_s = best.lag_s + centre_s - prior.arrival_s
        reason, reliable = _against_plan(prior, off_s, confidence) if chosen.as_expected else off_plan(prior)
    return Delay(
        best.lag_s + centre_s,
        _uncertainty_s(own, gate.rate),
        best.polarity,
        margin,
        confidence,
        reliable,
        reason,
        _candidates(chosen, centre_s, confidence),
    )


def _candidates(chosen: _Chosen, centre_s: float, confidence: float) -> tuple[Candidate, ...]:
    """The chosen peak and its rivals, which share what is left of certainty by their heights."""
    rivals = chosen.rivals[:3]
    heights = np.array([abs(one.height) for one in rivals])
    shares = (1.0 - confidence) * heights / max(float(heights.sum()), 1e-300)
    told = [Candidate(chosen.peak.lag_s + centre_s, chosen.peak.polarity, confidence)]
    told += [
        Candidate(one.lag_s + centre_s, one.polarity, float(share)) for one, share in zip(rivals, shares, strict=True)
    ]
    return tuple(told)


def as_planned(prior: Expected) -> tuple[str | None, bool]:
    """What to say of a delay that is where the scene expects it, and whether to act on it."""
    if prior.level_db < _DROWNED_DB:
        return f"the scene has it {-prior.level_db:.0f} dB down there: what is heard is the room", False
    return None, True


def _against_plan(prior: Expected, off_s: float, confidence: float) -> tuple[str | None, bool]:
    """As `as_planned`, of a delay ``off_s`` beside what the scene expects: the further, the clearer it must be."""
    if confidence < _CLEAR and abs(off_s) > max(_BESIDE_S, _BESIDE_Z * prior.sigma_s):
        return f"the scene says {prior.arrival_s * 1e3:+.2f} ms, and it is not clear enough to say otherwise", False
    return as_planned(prior)


def off_plan(prior: Expected) -> tuple[str, bool]:
    """What to say of a delay that is not where the scene expects it, and whether to act on it all the same."""
    said = f"the scene says {prior.arrival_s * 1e3:+.2f} ms"
    if prior.level_db < _FAINT_DB:
        return f"{said}, {-prior.level_db:.0f} dB down: what is heard may be a reflection", False
    return f"{said}: was something moved?", True


def _near(whole: Correlogram, middle_s: float, prior: Expected) -> Correlogram:
    reach_s = max(_NEAR_S, _NEAR_Z * prior.sigma_s)
    inside = np.abs(whole.lags_s - middle_s) <= reach_s
    return Correlogram(whole.lags_s[inside], whole.values[inside])


def _choose(whole: Correlogram, near: Correlogram | None) -> _Chosen:
    """The peak to believe: the strongest, or one near what the scene says if it is strong enough."""
    peaks = strongest_peaks(whole) or [Peak(0.0, 1e-300)]
    if near is None or len(near.lags_s) < 8:
        return _Chosen(peaks[0], peaks[1:], as_expected=True)
    close = strongest_peaks(near)
    if close and abs(close[0].height) >= _SUGGESTED * abs(peaks[0].height):
        return _Chosen(close[0], close[1:], as_expected=True)
    return _Chosen(peaks[0], peaks[1:], as_expected=False)


def _groups(gate: Gate, product: Complexes, weight: Floats, best: Peak, searched: Correlogram) -> tuple[Floats, float]:
    """The peak's place in each group of moments, and the share of groups that find it by themselves."""
    parts = np.array_split(product, min(_GROUPS, len(product)))
    own, found = [], 0
    numbers = np.rint(searched.lags_s * gate.rate * _FINER).astype(np.intp)
    for part in parts:
        spectrum = part.sum(axis=0) * weight
        own.append(refine(spectrum, gate.frequency_hz, best.lag_s, within_s=_AGREE_S).lag_s)
        values = correlate_spectrum(spectrum, gate.size, finer=_FINER)[numbers]
        highest = searched.lags_s[int(np.argmax(values * best.polarity))]
        found += abs(highest - best.lag_s) <= _AGREE_S
    return np.array(own), found / len(parts)


def _margin(searched: Correlogram, peak: Peak) -> float:
    """How far the highest peak of the other polarity falls short of the chosen one, 0 to 1."""
    against = float((-np.sign(peak.height) * searched.values).max(initial=0.0))
    return float(np.clip(1.0 - against / max(abs(peak.height), 1e-300), 0.0, 1.0))


def _reason(chosen: _Chosen, ratio: float, contrast: float, agreement: float) -> str | None:
    if contrast < _LEAST_CONTRAST:
        return "no delay stands out of the noise"
    if agreement < _LEAST_AGREEMENT:
        return "its moments suggest different delays"
    if ratio < (_LEAST_RATIO if chosen.as_expected else _STRAY):
        return "another delay fits nearly as well"
    return None


def _uncertainty_s(own: Floats, rate: int) -> float:
    """Scatter of the groups, and a twentieth of a sample for what all of them share."""
    scatter = float(np.std(own, ddof=1)) / np.sqrt(len(own)) if len(own) > 1 else 1.0 / rate
    return float(np.hypot(scatter, 0.05 / rate))
