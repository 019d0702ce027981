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
from micalign.tdoa.spectra import edges_within, filtered

__all__ = [
    "WAVE_S",
    "first_wavefronts",
    "high_passed_frames",
    "in_wave_band",
    "later_by_picks",
    "onsets",
    "picks",
]

WAVE_S: Final = (0.0002, 0.002)  # seconds before and after a first wavefront: its first half periods
_WAVE_HZ: Final = (200.0, 5000.0)  # below, the two mics' own phase; above, half a period is a tenth of a ms
_RUMBLE_HZ: Final = 60.0  # below
_SETTLE: Final = 300  # samples in which the high-pass forgets where the frame was cut
_NOISE_S: Final = 0.008  # seconds of background before a stroke
_EARLY_S: Final = 0.0012  # seconds before a rough delay that its first wavefront may lie, and...
_LATE_S: Final = 0.004  # ...after it
_LOW_HZ: Final = (200.0, 1200.0)  # hertz: a drum's first period, without what cymbals sound like
_SHARES: Final = (0.06, 0.12, 0.25)  # of a peak's amplitude
_FEWEST: Final = 10  # samples that have a variance
_LOUD_NOISE: Final = 0.9  # the quantile of a background's energy that counts as its level


def _changes_at(energy: Floats, threshold: Floats, begin: int, reach: int) -> Ints:
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
    >>> _changes_at(np.concatenate([quiet, sound])[None], np.array([1e-3]), 100, 250)
    array([200])
    """
    later = energy[:, begin:]
    clearly = np.minimum(tuned.CLEAR_RISE * threshold, 0.8 * later.max(axis=1, initial=0.0))
    clear = begin + np.argmax(later > clearly[:, None], axis=1)
    at = clear[:, None] + np.arange(-reach, 1)
    # What lies before the first sample falls by nothing, as that one does.
    over = np.where(at < 0, 0.0, np.take_along_axis(energy, np.maximum(at, 0), axis=1) - threshold[:, None])
    lowest = np.argmin(np.cumsum(over, axis=1) - over, axis=1)
    return np.asarray(np.maximum(clear - reach + lowest, 0), dtype=np.intp)


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
    at = first + _changes_at(energy[:, first:], threshold, earlier, energy.shape[1])
    return at, peak / (background + 1e-20)


def _threshold(peak: Floats, background: Floats, over: float, least: float) -> Floats:
    return np.maximum(least * peak, np.minimum(over * background, tuned.MOST_RISE * peak))


def high_passed_frames(track: Track, starts: Ints, length: int) -> Floats:
    """Frames of a track without its rumble, shape (S, length), silent beyond its ends; of a second at most.

    A Butterworth high-pass of the first order: each sample's rise is added to what is left of those before it. Divided
    by what will be left of them, all rises are added at once; a transform takes twice as long.
    """
    rate, samples = track.sample_rate, _SETTLE + length
    edge = np.tan(np.pi * min(_RUMBLE_HZ, 0.2 * rate) / rate)
    left = ((1.0 - edge) / (1.0 + edge)) ** np.arange(samples)
    risen = np.diff(track.frames_at(starts - _SETTLE, samples), axis=1, prepend=0.0)
    risen *= 1.0 / left
    np.cumsum(risen, axis=1, out=risen)
    return np.asarray(risen[:, _SETTLE:] * (left[_SETTLE:] / (1.0 + edge)))


def first_wavefronts(track: Track, samples: Ints) -> Ints:
    """The sample of the first wavefront of each stroke whose rough sample is given, 6 ms either way."""
    rate = track.sample_rate
    reach = round(0.006 * rate)
    energy = high_passed_frames(track, samples - reach, 5 * reach) ** 2
    background = np.quantile(energy[:, : int(0.7 * reach)], _LOUD_NOISE, axis=1)
    threshold = _threshold(energy[:, reach // 2 :].max(axis=1), background, 3.0, tuned.LEAST_RISE)
    return samples + _changes_at(energy, threshold, 0, round(0.004 * rate)) - reach


def picks(track: Track, times: Ints, weight: Floats) -> dict[str, Ints]:
    """When simple pickers hear the first wavefronts of strokes roughly at ``times`` (samples of the track).

    By band, the *whole*, the *steep* (differences of samples) and the *low*, how many samples after ``times`` each
    picker hears each stroke and, last, the average of all by ``weight`` over their noise: shape (pickers, S + 1). No
    one of them is always right, but where a wave begins they agree, and where it swells or something else sounds they
    do not.

    Pickers: the first sample above some shares of the peak, Akaike's criterion (`_likeliest_change`), Page's test.
    Told by weights that have not seen a quarter of the styles and seeds (``fit_weights.py ablate``, six seeds), 950 of
    1,257 answers to takes of a real kit are right with them and 560 reliable, 884 and 474 without; with four picks by
    Page's test alone, as before, it was 900 and 448.
    """
    rate = track.sample_rate
    noise, early, late = (round(seconds * rate) for seconds in (_NOISE_S, _EARLY_S, _LATE_S))
    frames = high_passed_frames(track, times - noise - early, noise + early + late)
    low = filtered(frames, rate, *edges_within([_LOW_HZ], rate), order=1)[0]
    found = {}
    for band, samples in (("whole", frames), ("steep", np.diff(frames, axis=1, prepend=frames[:, :1])), ("low", low)):
        average = (np.sqrt(weight) / (np.mean(samples[:, :noise] ** 2, axis=1) + 1e-16)) @ samples
        rows = np.vstack([samples, average])
        # A low threshold on all of it tells of other sounds as well.
        over = [_above(rows, noise, share) for share in _SHARES] if band != "whole" else []
        found[band] = np.array([*over, _likeliest_change(rows, noise), onsets(rows**2, noise)[0]]) - noise - early
    return found


def later_by_picks(near: dict[str, Ints], far: dict[str, Ints], weight: Floats) -> dict[str, Floats]:
    """How many samples later each picker of `picks` hears the strokes in the far track: shape (2 pickers,) by band.

    Of each the middle of the single strokes, by ``weight``, and that of the average.

    >>> near, far = {"low": np.array([[0, 1, 0, 0]])}, {"low": np.array([[100, 101, 170, 102]])}
    >>> later_by_picks(near, far, np.ones(3))["low"].tolist()
    [100.0, 102.0]
    """
    later = {band: (far[band] - near[band]).astype(float) for band in near}
    return {
        band: np.array([told for one in rows for told in (_weighted_median(one[:-1], weight + 1e-9), one[-1])])
        for band, rows in later.items()
    }


def _above(samples: Floats, begin: int, share: float) -> Ints:
    """The first sample of each row from ``begin`` on above a share of its peak there."""
    size = np.abs(samples[:, begin:])
    return np.asarray(begin + np.argmax(size > share * size.max(axis=1, keepdims=True), axis=1), dtype=np.intp)


def _likeliest_change(samples: Floats, begin: int) -> Ints:
    """The sample before each row's peak, from ``begin`` on, at which it is likeliest that noise turns into sound.

    Where two stretches of white noise of the variances before and after are likeliest (N. Maeda, "A method for reading
    and checking phase times in autoprocessing system of seismic wave data", Zisin 38, 365-379, 1985, after Akaike's
    information criterion).

    >>> quiet, loud = 1e-3 * (-1.0) ** np.arange(200), (-1.0) ** np.arange(100)
    >>> _likeliest_change(np.concatenate([quiet, loud, [2.0]])[None], 150)
    array([200])
    """
    at = np.arange(samples.shape[1])
    peak = begin + np.argmax(np.abs(samples[:, begin:]), axis=1)
    sums, squares = (np.pad(np.cumsum(power, axis=1), ((0, 0), (1, 0))) for power in (samples, samples**2))

    def spread(count: Ints, total: Floats, energy: Floats) -> Floats:
        count = np.maximum(count, 1)
        return np.asarray(count * np.log(np.maximum(energy / count - (total / count) ** 2, 0.0) + 1e-18))

    rows = np.arange(len(samples))
    ends, energies = sums[rows, peak + 1, None], squares[rows, peak + 1, None]
    before, after = np.broadcast_to(at, samples.shape), peak[:, None] + 1 - at
    chance = spread(before, sums[:, :-1], squares[:, :-1]) + spread(
        after, ends - sums[:, :-1], energies - squares[:, :-1]
    )
    return np.asarray(
        np.argmin(np.where((before >= _FEWEST) & (after > _FEWEST), chance, np.inf), axis=1), dtype=np.intp
    )


def _weighted_median(values: Floats, weight: Floats) -> float:
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])


def in_wave_band(frames: Floats, rate: int) -> Floats:
    """Frames, shape (K, N) or (N,), without what a mic's own phase or half a period makes doubtful."""
    low, high = _WAVE_HZ
    return filtered(frames, rate, (low, min(high, 0.4 * rate)), order=1)[0]
