"""Which delays are worth weighing, and what is said for and against each? Hypotheses of a pair of tracks.

A hypothesis is a delay and a kind: the *first* track is the close mic of what it tells, or the *second* is, or one
sound came to both over *one path* (through a filter, a cabinet, an interface). Both close mics are always tried.
Delays are the highest points of curves over the lags between a track's own strokes and another track; what speaks for
each is a row of features, most of them the curves' own heights there, against their highest and against chance.

The curves are of three kinds. *Novelty*: by how much the other track's energy rises, in each band, above everything
shortly before, the mean over all strokes in standard deviations of what it is at any lag; bleed rises at other times
than the strokes say. *Stack*: the same of the ensemble average, the other track averaged over the strokes with weights
inverse to what bleeds into each; it holds where a drum sounds alike each time. *Correlation*: the strokes' generalized
cross-correlation, of all frequencies and band by band, and that of long stretches of everything. A delay of up to
seconds is looked for in long frames first. Lags are in samples, positive when the second is later.

Sources: R. Y. Litovsky et al., "The precedence effect", J. Acoust. Soc. Am. 106(4), 1633-1654, 1999 (what comes first);
G. Turin, "An introduction to matched filters", IRE Transactions on Information Theory 6(3), 311-329, 1960 (averaging
with weights inverse to the noise); C. H. Knapp and G. C. Carter, IEEE Transactions on Acoustics, Speech, and Signal
Processing 24(4), 320-327, 1976 (generalized cross-correlation).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Bools, Complexes, Floats, Ints, Real, cross_spectrum, fast_length
from micalign.tdoa import tuned
from micalign.tdoa.spectra import (
    APART_S,
    BATCH,
    edges_within,
    frame_spectra,
    greatest_before,
    greatest_near,
    in_bands,
    irfft,
    lowest_share,
    raised_cosine,
    response,
    rfft,
    rival_of,
    sum_ahead,
    whitening,
)
from micalign.tdoa.strokes import FEWEST, Listened, stretches

__all__ = [
    "ANSWERS_S",
    "EARLY_S",
    "FEATURES",
    "FIRST",
    "ONE_PATH",
    "SECOND",
    "Curves",
    "Hypotheses",
    "coarse_delay",
    "each_correlated",
    "hypotheses",
    "stretch_curve",
    "stroke_curves",
]

FIRST, SECOND, ONE_PATH = 0, 1, 2  # kinds of a hypothesis, as columns of arrays

EARLY_S: Final = 1.5e-4  # seconds, 5 cm of way: so little earlier another mic may be than what counts as the close one
_SAME_S: Final = 1.2e-4  # seconds: nearer delays are one hypothesis: six samples
_AROUND_S: Final = 1e-4  # seconds about a delay, within which curves of several bands have their peak
_LOBE_S: Final = 0.00025  # seconds to either side of a peak: its own lobe

ANSWERS_S: Final = 0.03  # seconds: the reflections of a room that are as strong as the direct sound come within it
_SUMS: Final = ("novelties", "stacks")  # curves over all bands
_PEAKS: Final = {"one": 2, "sum": 4, "stretches": 2, "one path": 6}

FEATURES: Final = (*tuned.EVENT_WEIGHTS, "path alike")
"""What is said of a hypothesis: what has a weight, and how alike the tracks are on one path."""

_BRIGHT: Final = {"bright middle": ("novelty0", "stack0"), "bright high": ("novelty2", "novelty4")}
_READ: Final = {name.split()[0] for name in FEATURES}.union(*_BRIGHT.values())  # curves, among others

_DEGREES: Final = (2, 4, 6, 3, 5)
"""Half the degrees of freedom of a mean over each band's rise, twice bandwidth times length, never below 1."""

_LEVEL_S: Final = 0.008  # seconds of a stroke that are its level, before the room answers
_HOP: Final = 8  # samples from one lag to the next at which levels are compared
_ORDERS: Final = 8  # in which the strokes are held against one another's to know what chance does
_NEAR_S: Final = 5e-4  # seconds on either side of a lag over which what chance does is even
_STRETCH_S: Final = 0.17  # seconds: long enough for a low note, short enough to tell notes apart
_MOST_STRETCHES: Final = 80  # more make it slower and no surer


@dataclass(frozen=True)
class Hypotheses:
    """``lags``: samples, shape (H,), positive when the second track is later; ``kinds``, (H,); ``rows``, (H, F)."""

    lags: Ints
    kinds: Ints
    rows: Floats

    def but_for(self, kind: int) -> Hypotheses:
        """The same without those of one kind."""
        return self._those(self.kinds != kind)

    def but_near(self, lag: int, within: int) -> Hypotheses:
        """The same without those of about one delay, samples."""
        return self._those(np.abs(self.lags - lag) > within)

    def _those(self, kept: Bools) -> Hypotheses:
        return Hypotheses(self.lags[kept], self.kinds[kept], self.rows[kept])


def hypotheses(
    first: Listened,
    second: Listened,
    lags: Ints,
    curves: tuple[Curves | None, Curves | None],
    whole: Floats | None,
    within: tuple[int, int],
) -> Hypotheses:
    """All hypotheses of a pair.

    Parameters
    ----------
    first, second : Listened
    lags : int, shape (L,)
        Consecutive samples on which the curves lie; the second of ``curves`` lies on ``-lags[::-1]``.
    curves : pair of Curves or None
        With the first and with the second as the close mic.
    whole : float, shape (L,), or None
        On ``lags``.
    within : pair of int
        Only lags from the first to the second of these are hypotheses.
    """
    rate = first.sample_rate
    size = None if whole is None else np.abs(whole)
    one, other = (None if found is None else _named(found) for found in curves)
    told = [(np.zeros(0, np.intp), np.zeros(0, np.intp), np.zeros((0, len(FEATURES))))]
    for kind, sign, near, own, others in ((FIRST, 1, first, one, other), (SECOND, -1, second, other, one)):
        if own is not None:
            index, rows = _close_mic(near, lags[::sign] * sign, own, others, None if size is None else size[::sign])
            told.append((lags[::sign][index], np.full(len(index), kind), rows))
    if size is not None:
        index, rows = _one_path(lags, size, rate)
        told.append((lags[index], np.full(len(index), ONE_PATH), rows))
    every, kinds, rows = (np.concatenate(column) for column in zip(*told, strict=True))
    keep = (every >= within[0]) & (every <= within[1])
    return Hypotheses(every[keep], kinds[keep], rows[keep])


def _named(curves: Curves) -> dict[str, Floats]:
    """What a close mic's strokes say at each lag, by the names of the features, without what lies below chance."""
    kinds = {"novelty": curves.novelty, "stack": curves.stack}
    names = {f"{kind}{band}": curve for kind, bands in kinds.items() for band, curve in enumerate(bands)}
    names |= {"novelties": curves.novelty.sum(axis=0) / 2, "stacks": curves.stack.sum(axis=0)}
    return {"correlation": np.abs(curves.correlation)} | {name: np.maximum(one, 0) for name, one in names.items()}


def _tops(curve: Floats, count: int, rate: int) -> Ints:
    """The highest local maxima, none within an eighth of a millisecond of a higher one."""
    inside = np.flatnonzero((curve[1:-1] >= curve[:-2]) & (curve[1:-1] > curve[2:]) & (curve[1:-1] > 0)) + 1
    return _none_near(inside[np.argsort(-curve[inside], kind="stable")], count, rate)


def _none_near(ranked: Ints, count: int, rate: int) -> Ints:
    """The first of some places, none so near to one before it that both are one hypothesis."""
    found: list[int] = []
    for index in ranked.tolist():
        if len(found) < count and all(abs(index - other) > _SAME_S * rate for other in found):
            found.append(index)
    return np.array(found, dtype=np.intp)


def _highest(curve: Floats, rate: int) -> Floats:
    """The highest value within a tenth of a millisecond of each place."""
    return greatest_near(curve, round(_AROUND_S * rate))


def _share(curve: Floats, heights: Floats) -> Floats:
    """Heights as a share of a curve's highest point."""
    return heights / max(float(curve.max()), 1e-9)


def _close_mic(
    near: Listened, lags: Ints, own: Mapping[str, Floats], others: Mapping[str, Floats] | None, size: Floats | None
) -> tuple[Ints, Floats]:
    """The candidates of one track as the close mic, in its own sense of lags: positive when the other is later."""
    rate, strokes = near.sample_rate, near.strokes
    stretched = None if size is None else _highest(size, rate)
    index = _candidates(own, stretched, rate)
    heights = {name: _highest(curve, rate)[index] for name, curve in own.items() if name in _READ}
    shares = {name: _share(own[name], height) for name, height in heights.items()}
    features: dict[str, Floats | float] = {f"{name} share": share for name, share in shares.items()}
    features |= {f"{name} height": np.log1p(height) for name, height in heights.items()}
    if others is not None:
        turned = {name: others[name][::-1] for name in _SUMS}
        features |= {f"other side's {name}": _share(one, _highest(one, rate)[index]) for name, one in turned.items()}
    if size is not None and stretched is not None:
        features |= {
            "stretches height": np.log(stretched[index] / (np.sqrt(np.mean(size**2)) + 1e-20) + 1e-9),
            "stretches alike": stretched[index],
        }
    features |= {
        "too early": (lags[index] / rate < -EARLY_S).astype(float),
        "gap": min(strokes.gap_db, 30.0) / 15,
        "close mic": 1.0,
    }
    features |= {name: strokes.brightness * (shares[one] + shares[two]) for name, (one, two) in _BRIGHT.items()}
    return index, _rows(features, len(index))


def _candidates(own: Mapping[str, Floats], stretched: Floats | None, rate: int) -> Ints:
    tops = [_tops(curve, _PEAKS["sum" if name in _SUMS else "one"], rate) for name, curve in own.items()]
    if stretched is not None:
        tops.append(_tops(stretched, _PEAKS["stretches"], rate))
    index = np.unique(np.concatenate(tops))
    total = np.sum([_share(own[name], own[name][index]) for name in _SUMS], axis=0)
    return _none_near(index[np.argsort(-total, kind="stable")], len(index), rate)


def _earlier(curve: Floats, index: Ints, rate: int) -> Floats:
    """The highest of what lies before each index, as far as a room answers, against the height there; 2 at most."""
    gap, span = round(_LOBE_S * rate), round(ANSWERS_S * rate)
    before = [float(curve[max(i - span, 0) : max(i - gap, 0)].max(initial=0.0)) for i in index]
    return np.clip(np.array(before) / np.maximum(curve[index], 1e-9), 0, 2)


def _one_path(lags: Ints, size: Floats, rate: int) -> tuple[Ints, Floats]:
    index = _tops(size, _PEAKS["one path"], rate)
    heights = size[index]
    # A detour only adds to the delay of either sign: earlier is nearer to lag 0.
    forward = _earlier(size, index, rate)
    backward = _earlier(size[::-1], len(size) - 1 - index, rate)
    features: dict[str, Floats | float] = {
        "path earlier": np.where(lags[index] >= 0, forward, backward),
        "path alike": heights,
        "path rival": float(heights[1] / heights[0]) if len(heights) > 1 else 0.0,
        "one path": 1.0,
    }
    return index, _rows(features, len(index))


def _rows(features: Mapping[str, Floats | float], count: int) -> Floats:
    return np.stack([np.broadcast_to(features.get(name, 0.0), count) for name in FEATURES], axis=1)


@dataclass(frozen=True)
class Curves:
    """Evidence of one track's own strokes (``times``, samples, and ``weight``, both (S,)) about another track.

    ``novelty`` and ``stack``: shape (bands, lags); ``correlation``: shape (lags,), signed, root mean square 1.
    ``by_band``, (bands, lags): the correlation in each of `AGREEING_HZ`, as that of all.
    ``half_novelty``, (2, lags): of all bands, by every other stroke, the loudest first, and by the rest.
    ``waves_follow`` and ``levels_follow``: how far the other track's waves and levels, at the lag where they do so
    most, follow those of the strokes from each to the next, in standard deviations of what chance would do.
    """

    times: Ints
    weight: Floats
    novelty: Floats
    stack: Floats
    correlation: Floats
    by_band: Floats
    half_novelty: Floats
    waves_follow: float
    levels_follow: float


def stroke_curves(near: Listened, far: Listened, lags: Ints) -> Curves | None:
    """What the near track's own strokes say about the far one; ``lags`` are consecutive samples. None: no strokes."""
    own = np.flatnonzero(near.strokes.weight > 0)
    if not len(own):
        return None
    rate = near.sample_rate
    weight = near.strokes.weight[own]
    times = near.first_wavefronts
    clocks = round((near.start_s - far.start_s) * rate)
    pad = round(tuned.ROOM_S * rate)
    frames = far.frames_at(times + clocks + int(lags[0]) - pad, len(lags) + 2 * pad).astype(np.float32)
    inside = slice(pad, pad + len(lags))
    rank, size = np.argsort(np.argsort(-weight, kind="stable")), np.sqrt((weight**2).sum())
    halves = np.where(rank % 2 == [[0], [1]], weight, 0.0)  # every other stroke, the loudest first, and the rest
    half_novelty, novelty, stack, followed = np.zeros((2, len(lags))), [], [], []
    for (samples, seconds), levels, degrees in zip(in_bands(frames, rate), near.own_levels, _DEGREES, strict=True):
        length = max(round(seconds * rate), 4)
        power = samples**2
        by_half = _novelty(power, length, rate, halves)[:, inside]
        half_novelty += by_half
        novelty.append(by_half.sum(axis=0) / size)
        stack.append(_stack(samples, length, weight, rate, degrees, pad - int(lags[0]))[inside])
        followed.append(_levels_follow(levels, power[:, inside], round(_LEVEL_S * rate)))
    (correlation, *by_band), waves = _strokes_correlated(near, frames, pad, np.sqrt(weight), lags)
    curves = np.array(novelty), np.array(stack), correlation, np.array(by_band), half_novelty
    return Curves(times, weight, *curves, waves, max(followed))


def each_correlated(near: Listened, far: Listened, lags: Ints) -> Floats:
    """The whitened correlation of each of the near track's own strokes with the far one, shape (S, lags)."""
    before, after = (round(seconds * near.sample_rate) for seconds in tuned.STROKE_S)
    clocks = round((near.start_s - far.start_s) * near.sample_rate)
    length = before + after + len(lags) - 1
    y = far.frames_at(near.first_wavefronts + clocks + int(lags[0]) - before, length).astype(np.float32)
    size = fast_length(before + after + length)
    cross = cross_spectrum(*_even_spectra(near, y, size))
    return np.asarray(irfft(cross, size)[:, : len(lags)])


def _risen(power: Real, length: int, rate: int) -> tuple[Real, Real]:
    """Mean power of the ``length`` samples from each on, and the greatest such mean that ends before it."""
    now, before, span = np.empty_like(power), np.empty_like(power), max(round(tuned.EARLIER_S * rate), 1)
    for begin in range(0, len(power), BATCH):
        rows = slice(begin, begin + BATCH)
        sums, means, past = sum_ahead(power[rows], length), now[rows], before[rows]
        np.divide(sums, length, out=means[:, : sums.shape[1]])
        means[:, sums.shape[1] :] = means[:, sums.shape[1] - 1 : sums.shape[1]]
        past[:, :length], past[:, length:] = means[:, :1], greatest_before(means[:, :-length], span)
    return now, before


def _novelty(power: Real, length: int, rate: int, halves: Floats) -> Floats:
    """By how much the energy of either half of the strokes rises at each lag, in standard deviations, shape (2, N)."""
    now, before = _risen(power, length, rate)
    # Where a file begins, 70 dB below what is loud in it, is no event.
    floor = max(lowest_share(before[:, ::8], 0.05), 1e-7 * float(now.max())) + 1e-16
    now += floor
    before += floor
    rise = np.log(np.divide(now, before, out=now), out=now)
    rise -= rise.mean()
    # A product of two precisions would first make doubles of all strokes.
    total = halves.astype(rise.dtype) @ rise
    return np.asarray(total / (float(np.sqrt(np.vdot(rise, rise) / rise.size)) + 1e-9), dtype=np.float64)


def _stack(samples: Real, length: int, weight: Floats, rate: int, degrees: int, zero: int) -> Floats:
    """The rise of the average over strokes, each weighted by its own level over what it had before lag 0."""
    quiet = samples[:, max(zero - round(0.027 * rate), 0) : max(zero - round(0.002 * rate), 1)]
    noise = np.mean(quiet**2, axis=1) + 1e-14 if quiet.size else np.ones(len(samples))
    average = (np.sqrt(weight) / noise) @ samples / np.sqrt((weight / noise).sum())
    (now,), (before,) = _risen(average[None] ** 2, length, rate)
    floor = max(lowest_share(now, 0.1), 1e-7 * float(now.max())) + 1e-30
    curve: Floats = degrees / 2 * np.log((now + floor) / (before + floor))
    return curve


def _levels_follow(levels: Floats, power: Real, length: int) -> float:
    """How far a band's levels at the best lag follow those of the strokes: Fisher's z of their correlation, in sigmas.

    A sigma is that of independent levels, or of the same in the other orders of `_orders` where those stray further: of
    accents that come again with each bar.

    Source: R. A. Fisher, "On the 'probable error' of a coefficient of correlation deduced from a small sample", Metron
    1, 3-32, 1921.
    """
    count = len(levels)
    if count < FEWEST:
        return 0.0
    own = np.log(levels + 1e-14)
    hops = power.shape[1] // _HOP
    parts = power[:, : hops * _HOP].reshape(-1, _HOP) @ np.ones(_HOP, power.dtype)
    total = np.cumsum(parts.reshape(-1, hops), axis=1, dtype=float)
    wide = max(length // _HOP, 1)
    far = np.log((total[:, wide:] - total[:, :-wide]) / length + 1e-14)
    own, far = own - own.mean(), far - far.mean(axis=0)
    every = np.array([np.roll(own, late) for late in _orders(count)])
    alike = every @ far / (np.sqrt((own**2).sum() * (far**2).sum(axis=0)) + 1e-9)
    in_order, *others = np.arctanh(np.clip(alike, -0.9999, 0.9999)) * np.sqrt(count - 3)
    return float(in_order.max(initial=0.0) / max(np.sqrt(np.mean(np.square(others))), 1.0))


def _orders(count: int) -> list[int]:
    """By how many strokes later the other track's are taken to know what chance does; the first by none."""
    return sorted({int(late) for late in np.linspace(0, count - 1, min(count - 1, _ORDERS) + 1)})


def _strokes_correlated(near: Listened, frames: Real, zero: int, say: Floats, lags: Ints) -> tuple[Floats, float]:
    """The strokes' whitened correlations by each one's ``say``, each of root mean square 1, and how far waves follow.

    The first is of all frequencies, the others of each of `AGREEING_HZ`.
    """
    rate = near.sample_rate
    before, after = (round(seconds * rate) for seconds in tuned.STROKE_S)
    y = frames[:, zero - before : zero + after + len(lags) - 1]
    size = fast_length(before + after + y.shape[1])
    a, b = _even_spectra(near, y, size)
    bands = [np.abs(response(size, rate, 2, *edges)) ** 2 for edges in edges_within(tuned.AGREEING_HZ, rate)]
    values = irfft(np.array([np.ones(size // 2 + 1), *bands]) * (say @ cross_spectrum(a, b)), size)[:, : len(lags)]
    even: Floats = values / (np.sqrt(np.mean(values**2, axis=1, keepdims=True)) + 1e-30)
    return even, _waves_follow(a, b, size, len(lags), rate)


def _even_spectra(near: Listened, y: Real, size: int) -> tuple[Complexes, Complexes]:
    """Of the near track's own strokes, and of what the far one has at them."""
    before, after = (round(seconds * near.sample_rate) for seconds in tuned.STROKE_S)
    window = raised_cosine(before + after, before, round(0.01 * near.sample_rate))
    own = near.kept(("spectra", size), lambda: _even(rfft(near.own_frames * window, size)))
    return own, _even(rfft(y, size))


def _even(spectra: Complexes) -> Complexes:
    """Whitened by their mean power, and each of one size; in single precision."""
    single = spectra.astype(np.complex64, copy=False)
    power = single.real**2 + single.imag**2
    white = whitening(power.mean(axis=0, dtype=float)).astype(np.float32)
    single *= white
    single /= np.sqrt(power @ white**2)[:, None] + np.float32(1e-30)
    return np.asarray(single)


def _waves_follow(a: Complexes, b: Complexes, size: int, lags: int, rate: int) -> float:
    """How far the other track's waves at the best lag follow the strokes' from each to the next.

    Both without their means, correlated, in root mean squares of the same where each stroke is held against another's:
    two sounds struck together on one grid are alike in every order, one drum heard twice only in its own.
    """
    if len(a) < FEWEST:
        return 0.0
    a, b = a - a.mean(axis=0), b - b.mean(axis=0)
    count, turned = len(a), np.concatenate([b, b])
    cross = np.array([cross_spectrum(a, turned[late : late + count]).sum(axis=0) for late in _orders(count)])
    own, *others = irfft(cross, size)[:, :lags]
    near = min(round(_NEAR_S * rate), lags // 4)
    by_chance = sum_ahead(np.pad(np.mean(np.square(others), axis=0), near, mode="edge"), 2 * near + 1) / (2 * near + 1)
    best = int(np.argmax(own**2 / (by_chance + 1e-30)))
    # What one stroke alone says is no following: two kits that share a sample meet in one now and then.
    turn = np.exp(2j * np.pi * best / size * np.arange(a.shape[1])).astype(np.complex64)
    each = np.sign(own[best]) * (cross_spectrum(a, b) @ turn).real * (2 / size)
    return float(max(abs(own[best]) - each.max(), 0.0) / np.sqrt(by_chance[best] + 1e-30))


def stretch_curve(
    first: Listened, second: Listened, lags: Ints, *, length_s: float = _STRETCH_S, most: int = _MOST_STRETCHES
) -> Floats | None:
    """The correlation of the loudest stretches of everything, shape (lags,), signed; None where both never sound.

    A share of what it were if all frequencies agreed.
    """
    rate = first.sample_rate
    gate = stretches(first, length_s=length_s, most=most)
    middle = int(lags[len(lags) // 2])
    margin = len(lags) // 2 + 1
    kept = first.kept if margin <= len(gate.window) else None  # spectra of a search over seconds would fill the memory
    spectra = frame_spectra(first, second, gate.starts, gate.window, margin=margin, centre_s=middle / rate, kept=kept)
    hz = spectra.frequencies_hz
    powers = [power.mean(axis=0, dtype=float) for power in (spectra.first, spectra.second)]
    weight = ((hz > 30.0) & (hz < 16000.0)) * whitening(powers[0], lines=True) * whitening(powers[1], lines=True)
    full = float((np.sqrt(powers[0] * powers[1]) * weight).sum())
    if not full > 0:
        return None
    # What was read at whole samples leaves a fraction of the tracks' own starts.
    turn = np.exp(-2j * np.pi * hz * (spectra.centre_s - middle / rate))
    whole = irfft(spectra.cross.sum(axis=0) * weight * turn, spectra.size)
    return np.asarray(whole[lags - middle] * (spectra.size / (2 * len(spectra.cross) * full)))


_FRAME_S: Final = 1.0  # seconds of a search over seconds: longer than a stretch, as windows must overlap
_MOST: Final = 16  # frames of such a search


def coarse_delay(reference: Listened, track: Listened, *, centre_s: float, reach_s: float) -> tuple[float, bool] | None:
    """The best delay within ``reach_s`` of ``centre_s``, to a few milliseconds, and whether no other is nearly as good.

    Seconds; None where nothing overlaps.
    """
    rate = reference.sample_rate
    middle, half = round(centre_s * rate), round(reach_s * rate)
    lags = np.arange(middle - half, middle + half + 1)
    whole = stretch_curve(reference, track, lags, length_s=_FRAME_S, most=_MOST)
    if whole is None:
        return None
    size = np.abs(whole)
    top = int(np.argmax(size))
    return float(lags[top]) / rate, rival_of(size, top, APART_S * rate) < tuned.RIVAL
