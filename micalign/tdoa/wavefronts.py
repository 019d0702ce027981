"""When exactly does a stroke begin whose time is roughly known?

By Page's test on the energy around that time: the sum of what each sample's energy exceeds a threshold falls while
there is only noise and rises from the first wavefront on; its lowest point before the clear rise is where the sound
begins. Unlike a threshold's crossing it does not wait for the wave to grow, and unlike a correlation's peak it does not
ask how the wave goes on. Frames of a track are cut here too, shape (S, N); times are samples of the track.

Sources: E. S. Page, "Continuous inspection schemes", Biometrika 41(1/2), 100-115, 1954; M. Basseville and I. V.
Nikiforov, "Detection of Abrupt Changes", Prentice Hall 1993, section 2.2 (estimate of the change time).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Floats, Ints
from micalign.take.tracks import Track
from micalign.tdoa.spectra import filtered
from micalign.tdoa.tuned import CLEAR_RISE, LEAST_RISE, MOST_RISE

__all__ = ["Picks", "begins_at", "cut", "first_wavefronts", "high_passed_frames", "onset", "picks_near"]

_SETTLE: Final = 300  # samples in which the high-pass forgets where the frame was cut
_NOISE_S: Final = 0.008  # seconds of background before a stroke
_EARLY_S: Final = 0.0012  # seconds before a rough delay that its first wavefront may lie, and...
_LATE_S: Final = 0.004  # ...after it
_REACH: Final = 260  # samples, 6 ms: the beginning lies no further before the clear rise
_LOUD_NOISE: Final = 0.9  # the quantile of a background's energy that counts as its level


@dataclass(frozen=True)
class Picks:
    """Picks of a source's strokes in another track, seconds after each stroke, told in several ways.

    ``told``: name -> (delay in seconds, quality 0 to 1 or so). Names: ``s`` of the weighted average of the strokes,
    ``e`` of their summed energies, ``m`` the middle one of each stroke's own; ``w`` of the samples, ``d`` of their
    differences.
    """

    told: dict[str, tuple[float, float]]


def cut(track: Track, starts: Ints, length: int) -> Floats:
    """FrameSet of a track, shape (S, length), silent beyond its ends."""
    return np.array([track.read(int(start), length) for start in starts]).reshape(len(starts), length)


def onset(energy: Floats, begin: int, *, over: float = 3.0, background: float | None = None) -> tuple[int, float]:
    """The sample at which energy begins to run above its background, and the peak's energy over the background.

    Parameters
    ----------
    energy : float, shape (N,)
        Not negative; what lies before ``begin`` is background.
    begin : int
        Where to look from.
    over : float
        How far above the background the threshold lies.
    background : float, optional
        The background's 90 % quantile, where it is known.

    Examples
    --------
    >>> quiet, sound = np.full(200, 1e-6), np.linspace(0.1, 1.0, 100)
    >>> onset(np.concatenate([quiet, sound]), 100)[0]
    200
    """
    background = float(np.quantile(energy[:begin], _LOUD_NOISE)) if background is None else background
    later = energy[begin:]
    peak = float(later.max(initial=0.0))
    threshold = max(LEAST_RISE * peak, min(over * background, MOST_RISE * peak))
    clear = int(np.argmax(later > min(CLEAR_RISE * threshold, 0.8 * peak)))
    total = np.concatenate([[0.0], np.cumsum(later[: clear + 1] - threshold)])
    return begin + int(np.argmin(total[: clear + 1])), peak / (background + 1e-20)


def begins_at(energy: Floats, noise: int, *, least: float) -> int:
    """The sample at which energy begins to run above what its first ``noise`` samples hold.

    Parameters
    ----------
    energy : float, shape (N,)
        Not negative.
    noise : int
        So many samples are background; the beginning is looked for after them.
    least : float
        The threshold is no less than this share of the peak.
    """
    background = float(np.quantile(energy[:noise], 0.95))
    peak = float(energy[noise:].max(initial=0.0))
    threshold = min(max(least * peak, 4.0 * background), 0.3 * peak)
    clear = noise + int(np.argmax(energy[noise:] > min(CLEAR_RISE * threshold, 0.8 * peak)))
    low = max(clear - _REACH, 0)
    total = np.concatenate([[0.0], np.cumsum(energy[low:clear] - threshold)])
    return low + int(np.argmin(total))


def high_passed_frames(track: Track, starts: Ints, length: int) -> Floats:
    """Frames of a track without its rumble, shape (S, length), silent beyond its ends."""
    if not len(starts):
        return np.zeros((0, length))
    return _high_passed(cut(track, starts - _SETTLE, _SETTLE + length), track.sample_rate)[:, _SETTLE:]


def first_wavefronts(track: Track, samples: Ints) -> Ints:
    """The sample of the first wavefront of each stroke whose rough sample is given, 6 ms either way."""
    rate = track.sample_rate
    reach = round(0.006 * rate)
    frames = _high_passed(cut(track, samples - reach - _SETTLE, _SETTLE + 5 * reach), rate)
    begins = []
    energies = frames[:, _SETTLE:] ** 2
    noises = np.quantile(energies[:, : int(0.7 * reach)], _LOUD_NOISE, axis=1)
    for energy, background in zip(energies, noises.tolist(), strict=True):
        peak = float(energy[reach // 2 :].max())
        threshold = max(LEAST_RISE * peak, min(3.0 * background, MOST_RISE * peak))
        clear = int(np.argmax(energy > min(CLEAR_RISE * threshold, 0.8 * peak)))
        low = max(clear - round(0.004 * rate), 0)
        total = np.concatenate([[0.0], np.cumsum(energy[low : clear + 1] - threshold)])
        begins.append(low + int(np.argmin(total[: clear - low + 1])) - reach)
    return samples + np.array(begins, dtype=np.intp)


def picks_near(far: Track, times: Ints, weight: Floats, delay_s: float) -> Picks:
    """When the strokes at ``times`` (samples of the far track's own count) arrive, near ``delay_s`` after them."""
    rate = far.sample_rate
    noise, early, late = (round(seconds * rate) for seconds in (_NOISE_S, _EARLY_S, _LATE_S))
    shift = round(delay_s * rate)
    starts = times + shift - noise - early - _SETTLE
    frames = _high_passed(cut(far, starts, _SETTLE + noise + early + late), rate)[:, _SETTLE:]
    told: dict[str, tuple[float, float]] = {}

    def tell(name: str, sample: float, quality: float) -> None:
        told[name] = ((sample - noise - early + shift) / rate, quality)

    for kind, samples in (("w", frames), ("d", np.diff(frames, axis=1, prepend=frames[:, :1]))):
        energy = samples**2
        quiet = energy[:, :noise].mean(axis=1) + 1e-16
        average = (np.sqrt(weight) / quiet) @ samples
        at, clear = onset(average**2, noise)
        tell("s" + kind, at, np.log10(clear + 1) / 4)
        summed = weight @ np.minimum(energy / quiet[:, None], 1e4)
        at, clear = onset(np.convolve(summed, np.ones(5) / 5, "same"), noise, over=1.5)
        tell("e" + kind, at, np.log10(clear + 1) / 4)
        noises = np.quantile(energy[:, :noise], _LOUD_NOISE, axis=1)
        each = [onset(one, noise, background=loud) for one, loud in zip(energy, noises.tolist(), strict=True)]
        own = np.array([one[0] for one in each], dtype=float)
        clears = np.array([one[1] for one in each])
        say = weight * (clears > 10) * np.sqrt(np.minimum(clears / 1e3, 1)) + 1e-9
        middle = _weighted_median(own, say)
        tell("m" + kind, middle, float(np.exp(-np.median(np.abs(own - middle)) / (0.00045 * rate))))
    return Picks(told)


def _weighted_median(values: Floats, weight: Floats) -> float:
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])


def _high_passed(frames: Floats, rate: int) -> Floats:
    return filtered(frames, rate, (min(60.0, 0.2 * rate), np.inf), order=1)[0]
