"""When exactly does a stroke begin whose time is roughly known?

By Page's test on the energy around that time: the sum of what each sample's energy exceeds a threshold falls while
there is only noise and rises from the first wavefront on; its lowest point before the clear rise is where the sound
begins. Unlike a threshold's crossing it does not wait for the wave to grow, and unlike a correlation's peak it does not
ask how the wave goes on. Frames of a track are cut here too, shape (S, N); times are samples of the track.

Sources: E. S. Page, "Continuous inspection schemes", Biometrika 41(1/2), 100-115, 1954; M. Basseville and I. V.
Nikiforov, "Detection of Abrupt Changes", Prentice Hall 1993, section 2.2 (estimate of the change time).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from micalign.arrays import Floats, Ints
from micalign.take.tracks import Track
from micalign.tdoa import tuned
from micalign.tdoa.spectra import filtered

__all__ = [
    "changes_at",
    "cut",
    "first_wavefronts",
    "high_passed_frames",
    "onsets",
    "picks_near",
]

_SETTLE: Final = 300  # samples in which the high-pass forgets where the frame was cut
_NOISE_S: Final = 0.008  # seconds of background before a stroke
_EARLY_S: Final = 0.0012  # seconds before a rough delay that its first wavefront may lie, and...
_LATE_S: Final = 0.004  # ...after it
_UNLIKE_S: Final = 0.00045  # seconds by which arrivals at one mic hardly ever stray
_LOUD_NOISE: Final = 0.9  # the quantile of a background's energy that counts as its level


def cut(track: Track, starts: Ints, length: int) -> Floats:
    """Frames of a track, shape (S, length), silent beyond its ends."""
    return np.array([track.read(int(start), length) for start in starts]).reshape(len(starts), length)


def changes_at(energy: Floats, threshold: Floats, begin: int, reach: int) -> Ints:
    """Page's test: the sample of each row at which energy begins to run above a threshold.

    Parameters
    ----------
    energy : float, shape (S, N)
        Not negative.
    threshold : float, shape (S,)
    begin : int
        The clear rise is looked for from this sample on.
    reach : int
        The beginning lies no further than so many samples before the clear rise.

    Examples
    --------
    >>> quiet, sound = np.full(200, 1e-6), np.linspace(0.1, 1.0, 100)
    >>> changes_at(np.concatenate([quiet, sound])[None], np.array([1e-3]), 100, 250)
    array([200])
    """
    later = energy[:, begin:]
    clearly = np.minimum(tuned.CLEAR_RISE * threshold, 0.8 * later.max(axis=1, initial=0.0))
    clear = begin + np.argmax(later > clearly[:, None], axis=1)
    total = np.cumsum(energy - threshold[:, None], axis=1) - (energy - threshold[:, None])
    at = np.arange(energy.shape[1])
    inside = (at <= clear[:, None]) & (at >= clear[:, None] - reach)
    return np.asarray(np.argmin(np.where(inside, total, np.inf), axis=1), dtype=np.intp)


def onsets(
    energy: Floats, begin: int, *, over: float = 3.0, least: float = tuned.LEAST_RISE, earlier: int = 0
) -> tuple[Ints, Floats]:
    """The sample at which each row's energy begins to run above its background, and its peak over the background.

    Parameters
    ----------
    energy : float, shape (S, N)
        Not negative; what lies before ``begin`` is background.
    begin : int
        Before it is the background; the clear rise is looked for from here on.
    over : float
        How far above the background the threshold lies.
    least : float
        The share of the peak that the threshold is at least.
    earlier : int
        So many samples before ``begin`` a sound may have begun, though they count as background as well.

    Examples
    --------
    >>> quiet, sound = np.full(200, 1e-6), np.linspace(0.1, 1.0, 100)
    >>> onsets(np.concatenate([quiet, sound])[None], 100)[0]
    array([200])
    >>> onsets(np.concatenate([quiet, sound])[None], 230, earlier=230)[0]
    array([200])
    """
    background, peak = np.quantile(energy[:, :begin], _LOUD_NOISE, axis=1), energy[:, begin:].max(axis=1, initial=0.0)
    threshold, first = _threshold(peak, background, over, least), begin - earlier
    at = first + changes_at(energy[:, first:], threshold, earlier, energy.shape[1])
    return at, peak / (background + 1e-20)


def _threshold(peak: Floats, background: Floats, over: float, least: float) -> Floats:
    return np.maximum(least * peak, np.minimum(over * background, tuned.MOST_RISE * peak))


def high_passed_frames(track: Track, starts: Ints, length: int) -> Floats:
    """Frames of a track without its rumble, shape (S, length), silent beyond its ends."""
    rate, frames = track.sample_rate, cut(track, starts - _SETTLE, _SETTLE + length)
    return filtered(frames, rate, (min(60.0, 0.2 * rate), np.inf), order=1)[0][:, _SETTLE:]


def first_wavefronts(track: Track, samples: Ints) -> Ints:
    """The sample of the first wavefront of each stroke whose rough sample is given, 6 ms either way."""
    rate = track.sample_rate
    reach = round(0.006 * rate)
    energy = high_passed_frames(track, samples - reach, 5 * reach) ** 2
    background = np.quantile(energy[:, : int(0.7 * reach)], _LOUD_NOISE, axis=1)
    threshold = _threshold(energy[:, reach // 2 :].max(axis=1), background, 3.0, tuned.LEAST_RISE)
    return samples + changes_at(energy, threshold, 0, round(0.004 * rate)) - reach


def picks_near(far: Track, times: Ints, weight: Floats, delay_s: float) -> tuple[dict[str, float], float]:
    """When the strokes at ``times`` (samples of the far track's own count) arrive, near ``delay_s`` after them.

    By name the delay in seconds: ``s`` of the weighted average of the strokes, ``m`` the middle one of each stroke's
    own; ``w`` of the samples, ``d`` of their differences. Then how alike the strokes' own are, 0 to 1.
    """
    rate = far.sample_rate
    noise, early, late = (round(seconds * rate) for seconds in (_NOISE_S, _EARLY_S, _LATE_S))
    begin = round(delay_s * rate) - noise - early
    frames = high_passed_frames(far, times + begin, noise + early + late)
    told, strays = {}, []
    for kind, samples in (("w", frames), ("d", np.diff(frames, axis=1, prepend=frames[:, :1]))):
        energy = samples**2
        average = (np.sqrt(weight) / (energy[:, :noise].mean(axis=1) + 1e-16)) @ samples
        each, clears = onsets(energy, noise)
        say = weight * (clears > 10) * np.sqrt(np.minimum(clears / 1e3, 1)) + 1e-9
        middle = _weighted_median(each.astype(float), say)
        told["s" + kind] = (onsets(average[None] ** 2, noise)[0][0] + begin) / rate
        told["m" + kind] = (middle + begin) / rate
        strays.append(float(np.median(np.abs(each - middle))) / rate)
    return told, float(np.exp(-strays[0] / _UNLIKE_S))


def _weighted_median(values: Floats, weight: Floats) -> float:
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])
