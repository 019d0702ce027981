"""How much later does a track hear the same event than a reference, and how sure is that?

Delay is positive when the event comes LATER in the track, in seconds on the take's clock. Polarity is +1 as the
reference, -1 inverted. For a DI and its cabinet, whose filter bends the phase, the delay is the one at which the two
add up best, which is a tenth of a millisecond or so more than the pure delay inserted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from micalign.arrays import Complexes, Floats, Ints
from micalign.delay.correlation import Spectra, correlate_spectrum, frame_spectra, raised_cosine, smooth_bins
from micalign.delay.onsets import Envelope, envelope, hits, sparsity_db
from micalign.delay.peak import refine, strongest_peaks
from micalign.errors import TakeError
from micalign.take.model import Track

__all__ = ["Delay", "Rival", "measure_many", "measure_pair"]


@dataclass(frozen=True)
class Rival:
    """Another delay that the tracks also suggest; ``strength`` is its peak against the chosen one."""

    delay_s: float
    strength: float
    polarity: int


@dataclass(frozen=True)
class Delay:
    """A measured delay of a track against its reference."""

    delay_s: float
    uncertainty_s: float
    polarity: int
    polarity_margin: float
    confidence: float
    reliable: bool
    reason: str | None
    rivals: tuple[Rival, ...] = ()
    drift_ppm: float | None = None


def measure_pair(
    reference: Track,
    track: Track,
    *,
    max_delay_s: float = 0.05,
    prior_s: float | None = None,
    prior_sigma_s: float | None = None,
    close: Literal["reference", "track"] | None = None,
    drift: bool = False,
    moments_s: Sequence[float] | Floats | None = None,
) -> Delay:
    """The delay of one track against a reference."""
    return measure_many(
        reference,
        [track],
        max_delay_s=max_delay_s,
        prior_s=prior_s,
        prior_sigma_s=prior_sigma_s,
        close=close,
        drift=drift,
        moments_s=moments_s,
    )[0]


def measure_many(
    reference: Track,
    tracks: Sequence[Track],
    *,
    max_delay_s: float = 0.05,
    prior_s: float | None = None,
    prior_sigma_s: float | None = None,
    close: Literal["reference", "track"] | None = None,
    drift: bool = False,
    moments_s: Sequence[float] | Floats | None = None,
) -> tuple[Delay, ...]:
    """The delays of several tracks against one reference."""
    env = envelope(reference)
    return tuple(_measure(reference, env, track, max_delay_s, prior_s or 0.0, moments_s) for track in tracks)


def _measure(
    reference: Track,
    env: Envelope,
    track: Track,
    max_delay_s: float,
    prior_s: float,
    moments_s: Sequence[float] | Floats | None,
) -> Delay:
    if track.sample_rate != reference.sample_rate:
        raise TakeError(
            f"'{track.name}' is at {track.sample_rate} Hz but '{reference.name}' at {reference.sample_rate} Hz: "
            "convert one of them to the other's rate first"
        )
    other = envelope(track)
    if not (env.power.size and env.power.max() > 0 and other.power.size and other.power.max() > 0):
        return Delay(0.0, max_delay_s, 1, 0.0, 0.0, False, "one of the two tracks is silent")
    rate = reference.sample_rate
    swap = sparsity_db(other) > sparsity_db(env) and moments_s is None
    near, far = (track, reference) if swap else (reference, track)
    starts, window = _frames(other if swap else env, near, moments_s)
    centre = round((-prior_s if swap else prior_s) * rate)
    spectra = frame_spectra(near, far, starts, window, margin=int(max_delay_s * rate), centre=centre)
    return _judge(spectra, max_delay_s, -1 if swap else 1)


def _frames(env: Envelope, near: Track, moments_s: Sequence[float] | Floats | None) -> tuple[Ints, Floats]:
    rate = near.sample_rate
    if moments_s is not None:
        struck = (np.asarray(moments_s, dtype=float) * rate).astype(np.intp)
    else:
        struck = hits(env)
    if moments_s is not None or (sparsity_db(env) > 15 and len(struck)):
        window = raised_cosine(round(0.023 * rate), round(0.002 * rate), round(0.010 * rate))
        return struck[:: max(len(struck) // 200, 1)] - round(0.003 * rate), window
    length = round(0.1 * rate)
    count = max(min(400, 2 * near.frames // length), 1)
    starts = np.unique(np.linspace(0, max(near.frames - length, 0), count).astype(np.intp))
    return starts, np.sin(np.pi * (np.arange(length) + 0.5) / length)


def _judge(spectra: Spectra, max_delay_s: float, sign: int) -> Delay:
    frequencies = spectra.frequencies_hz
    weight = _whitening(spectra)
    cross: Complexes = spectra.cross.sum(axis=0) * weight
    correlation = correlate_spectrum(cross, spectra.size)
    step_s = 1.0 / (4 * spectra.sample_rate)
    peaks = strongest_peaks(correlation, step_s, max_delay_s, apart_s=0.0004)
    if not peaks:
        return Delay(0.0, max_delay_s, 1, 0.0, 0.0, False, "nothing in the tracks is alike")
    best = refine(cross, frequencies, peaks[0].lag_s, within_s=0.0002)
    next_height = abs(peaks[1].height) if len(peaks) > 1 else 0.0
    ratio = abs(peaks[0].height) / max(next_height, 1e-30)
    groups = _group_lags(spectra, weight, best.lag_s)
    scatter = float(np.std(groups) / np.sqrt(len(groups))) if len(groups) > 1 else 1e-4
    reliable = ratio > 1.3 and float(np.std(groups)) < 0.0003
    rivals = tuple(
        Rival(sign * (peak.lag_s + spectra.centre_s), abs(peak.height / peaks[0].height), peak.polarity)
        for peak in peaks[1:4]
    )
    return Delay(
        sign * (best.lag_s + spectra.centre_s),
        max(scatter, 1e-7),
        best.polarity,
        max(1 - 1 / ratio, 0.0),
        float(np.clip(1 - 1 / ratio, 0, 1)),
        reliable,
        None if reliable else "another delay fits nearly as well",
        rivals,
    )


def _whitening(spectra: Spectra) -> Floats:
    frequencies = spectra.frequencies_hz
    both = [
        smooth_bins(power.mean(axis=0), lambda bins: np.maximum(bins * 0.2, 8))
        for power in (spectra.first, spectra.second)
    ]
    product = both[0] * both[1]
    weight: Floats = (product + product.max() * 1e-12) ** -0.4
    weight *= (frequencies > 40) & (frequencies < 6000)
    return weight


def _group_lags(spectra: Spectra, weight: Floats, lag_s: float) -> Floats:
    count = min(8, len(spectra.cross))
    lags = [
        refine(part.sum(axis=0) * weight, spectra.frequencies_hz, lag_s, within_s=0.0005).lag_s
        for part in np.array_split(spectra.cross, count)
    ]
    return np.array(lags)
