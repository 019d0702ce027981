"""Are two tracks one performance with one path between them, and which of them is the DI?

Two tracks: a DI and its amplifier, a DI and the mic on its cabinet. ``first`` and ``second`` are of one rate; a delay
is positive when the second is later, in seconds on the take's clock; polarity is +1 or -1, that of the second.

A kit's close mic and overhead must never pass: they share strokes, but every drum takes another path. What tells a
string through a loudspeaker is physical. It is one sound (coherent over the whole take, less so where the amplifier
distorts); the notes last (a stroke's energy is gone in a tenth of a second); a loudspeaker for guitar or bass gives
back next to nothing above 6 kHz, where cymbals, wires and beaters have much; and the notes change, which hum does not.

Two mics on one dark instrument in a room pass all of that. Between them lies air, which has no colour, and a room,
whose response changes from one frequency to the next; between a DI and a mic lies a loudspeaker, which has a shape over
octaves, and a mic near it hears little of the room. Neither shape nor smoothness: two mics.

What is asked is read off spectra. Everything that is asked of a pair (coherence, gain by band, the best delay, its
uncertainty) is read off sums of short windows at a known delay, gathered into blocks for resampling, their power
weighted as loudness is (ITU-R BS.1770-4).

The rough place is the highest peak of the long windows' cross-spectrum, partly whitened (raised to the power that a
string's few strong harmonics neither rule nor drown in hiss): the phase transform of C. H. Knapp and G. C. Carter, IEEE
Trans. Acoust. Speech Signal Process. 24(4), 320-327, 1976, with an exponent below one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final
from weakref import WeakKeyDictionary

import numpy as np

from micalign.alignment.gain import third_octaves
from micalign.alignment.tuned import (
    APART_S,
    BRIGHT_HZ,
    DARK_DB,
    EARLIER_S,
    FAR_DB,
    FEW_WINDOWS,
    FEWEST_BANDS,
    HISS_DB,
    LEAST_COHERENCE,
    LEAST_HELD,
    LEAST_SHAPE_DB,
    LEAST_STEADY,
    LOUD_SHARE,
    MOST_ALIKE,
    MOST_ROUGH,
    PLAINLY_S,
    ROUGH_BAND_HZ,
    STEADY_STEP_S,
    STEADY_STEPS,
    WHITENING,
    WIDER_DB,
    WINDOW_S,
)
from micalign.arrays import Bools, Complexes, Floats, cross_spectrum, fast_length
from micalign.take.loudness import k_weighting
from micalign.take.tracks import Track

__all__ = [
    "HIGHEST_HZ",
    "LOWEST_HZ",
    "Coarse",
    "Frames",
    "Recognised",
    "bright_db",
    "coarse_delay",
    "crossed",
    "framed",
    "may_be_one_path",
    "recognise",
    "ruled_out",
    "steadiness",
]

_MOST: Final = 10  # long windows at the most, the loudest and most unlike ones (chosen, no source)


@dataclass(frozen=True)
class Coarse:
    """A rough delay; ``rival``: the highest peak elsewhere against this one, 0 to 1."""

    delay_s: float
    polarity: int
    rival: float


def coarse_delay(first: Track, second: Track, *, reach_s: float, centre_s: float = 0.0) -> Coarse:
    """The delay within ``reach_s`` of ``centre_s`` at which the whitened tracks are most alike.

    Examples
    --------
    >>> noise = np.random.default_rng(1).standard_normal(48000)
    >>> late = np.concatenate([np.zeros(9600), -noise])
    >>> found = coarse_delay(Track.from_array("di", noise, 48000), Track.from_array("mic", late, 48000), reach_s=0.5)
    >>> round(found.delay_s, 4), found.polarity
    (0.2, -1)
    """
    rate = first.sample_rate
    seconds = max(0.5, 2.0 * reach_s)
    size, reach = round(seconds * rate), math.ceil(reach_s * rate)
    clocks = round((first.start_s - second.start_s + centre_s) * rate)
    length = fast_length(size + 2 * reach)
    cross, powers = np.zeros(length // 2 + 1, dtype=np.complex128), np.zeros((2, length // 2 + 1))
    window = np.hanning(size)
    for start in _wide_starts(first, size):
        one = np.fft.rfft(window * first.read(start, size), length)
        other = np.fft.rfft(second.read(start + clocks - reach, size + 2 * reach), length)
        cross += cross_spectrum(one, other)
        powers += np.abs(one) ** 2, np.abs(other) ** 2
    hz = np.fft.rfftfreq(length, 1.0 / rate)
    level = np.sqrt(powers[0] * powers[1])
    inside = (hz >= ROUGH_BAND_HZ[0]) & (hz <= ROUGH_BAND_HZ[1])
    weight = inside * np.maximum(level, level.max(initial=0.0) * 1e-8 + 1e-30) ** -WHITENING
    likeness = np.fft.irfft(cross * weight, length)[: 2 * reach + 1]
    best = int(np.argmax(np.abs(likeness)))
    shared_s = clocks / rate - (first.start_s - second.start_s)
    return Coarse(
        (best - reach) / rate + shared_s, 1 if likeness[best] >= 0 else -1, _rival(np.abs(likeness), best, rate)
    )


def _rival(height: Floats, best: int, rate: int) -> float:
    apart = round(APART_S * rate)
    elsewhere = np.concatenate([height[: max(best - apart, 0)], height[best + apart :]])
    return float(elsewhere.max(initial=0.0) / max(float(height[best]), 1e-30))


def _wide_starts(first: Track, size: int) -> list[int]:
    """Half a window apart, or the loudest of them where that would be too many."""
    hop = max(size // 2, 1)
    starts = list(range(0, max(first.frames - hop, 1), hop))
    if len(starts) <= _MOST:
        return starts
    spread = [starts[index] for index in np.linspace(0, len(starts) - 1, 4 * _MOST).astype(int)]
    # A short taste of each is enough to tell playing from rests.
    tastes = [float(np.mean(first.read(start + hop // 2, min(hop, 4096)) ** 2)) for start in spread]
    return [spread[index] for index in sorted(np.argsort(tastes)[-_MOST:])]


LOWEST_HZ, HIGHEST_HZ = 30.0, 5000.0
"""What a loudspeaker for guitar or bass gives back, and where two tracks of it can add up at all."""
MOST_FRAMES: Final = 128  # windows of a take, evenly spread: a long one costs no more than a short one
_MOST_BLOCKS: Final = 32  # of two windows at least: neighbours share half of their samples


@dataclass(frozen=True, eq=False)
class Frames:
    """Sums over blocks of windows, loudness-weighted; bins within `LOWEST_HZ` to `HIGHEST_HZ`.

    ``cross`` (K, B) is conjugate first times second, read ``delay_s`` later; ``first`` and ``second`` (K, B) are
    powers; ``loud`` holds each track's whole weighted power, all frequencies.
    """

    delay_s: float
    sample_rate: int
    hz: Floats
    cross: Complexes
    first: Floats
    second: Floats
    loud: tuple[float, float]

    @property
    def balance(self) -> tuple[float, float]:
        """Amplitudes that bring both tracks to one loudness; 0 for a silent one."""
        one, other = (1.0 / math.sqrt(power) if power > 0 else 0.0 for power in self.loud)
        return one, other

    @property
    def turned(self) -> Frames:
        """The same pair the other way round."""
        return Frames(
            -self.delay_s, self.sample_rate, self.hz, np.conj(self.cross), self.second, self.first, self.loud[::-1]
        )

    def within(self, low_hz: float, high_hz: float) -> Bools:
        """The bins of a band."""
        inside: Bools = (self.hz >= low_hz) & (self.hz < high_hz)
        return inside


def framed(first: Track, second: Track, delay_s: float) -> Frames:
    """The sums of two tracks, the second read so much later."""
    rate = first.sample_rate
    one, other, delay_s = _spectra_at(first, second, delay_s)
    hz = _window_hz(rate)
    weight = np.abs(k_weighting(hz, rate)) ** 2
    inside = (hz >= LOWEST_HZ) & (hz < min(HIGHEST_HZ, 0.45 * rate))
    loud = [float((np.abs(spectra) ** 2 @ weight).sum()) for spectra in (one, other)]
    one, other, weight = one[:, inside], other[:, inside], weight[inside]
    blocks = np.linspace(0, len(one), min(_MOST_BLOCKS, max(len(one) // 2, 1)) + 1).astype(np.intp)[:-1]
    gather = [
        np.add.reduceat(each * weight, blocks, axis=0)
        for each in (cross_spectrum(one, other), np.abs(one) ** 2, np.abs(other) ** 2)
    ]
    return Frames(delay_s, rate, hz[inside], gather[0], gather[1].real, gather[2].real, (loud[0], loud[1]))


def _spectra_at(first: Track, second: Track, delay_s: float) -> tuple[Complexes, Complexes, float]:
    """Windowed spectra (F, B) of both tracks, the second later by whole samples, and the delay that this is."""
    at_s = _whole_s(first, second, delay_s)
    bins = _window_frames(first.sample_rate) // 2 + 1
    pairs = np.fromiter(_windows(first, second, at_s), np.dtype((np.complex128, (2, bins))))
    both = np.asarray(pairs, np.complex128)
    return both[:, 0], both[:, 1], at_s


def _windows(first: Track, second: Track, at_s: float) -> Iterator[tuple[Complexes, Complexes]]:
    """The spectra (B,) of both tracks in one window after the other."""
    size = _window_frames(first.sample_rate)
    late = round((at_s + first.start_s - second.start_s) * first.sample_rate)
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size)
    low, high = max(0, -late), min(first.frames, second.frames - late)
    for start in _starts(low, high, size):
        yield np.fft.rfft(window * first.read(start, size)), np.fft.rfft(window * second.read(start + late, size))


def _whole_s(first: Track, second: Track, delay_s: float) -> float:
    """The nearest delay by which the second is later by whole samples."""
    apart_s = first.start_s - second.start_s
    return round((delay_s + apart_s) * first.sample_rate) / first.sample_rate - apart_s


def power_of(track: Track, count: int) -> tuple[Floats, Floats]:
    """The power (B,) of so many windows spread over a track, and its frequencies in hertz."""
    size = _window_frames(track.sample_rate)
    starts = np.linspace(0, max(track.frames - size, 0), count).astype(np.intp)
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size)
    power = sum(np.abs(np.fft.rfft(window * track.read(int(start), size))) ** 2 for start in starts)
    return np.asarray(power), _window_hz(track.sample_rate)


def _window_frames(rate: int) -> int:
    return 1 << max(math.floor(math.log2(WINDOW_S * rate)) + 1, 4)


def _window_hz(rate: int) -> Floats:
    """The frequencies (B,) of a window's spectrum."""
    return np.fft.rfftfreq(_window_frames(rate), 1.0 / rate).astype(np.float64)


def _starts(low: int, high: int, size: int) -> list[int]:
    """Half a window apart over what both tracks hold, spread evenly where that would be too many."""
    hop = size // 2
    count = max(math.ceil((high - low) / hop), 1)
    if count <= MOST_FRAMES:
        return [low + hop * (index - 1) for index in range(count + 1)]
    return [int(start) for start in np.linspace(low, high - size, MOST_FRAMES)]


_MIDDLES_HZ: Final = third_octaves(60.0, 4000.0)
_EDGE: Final = 10.0**0.05  # half a third octave, by IEC 61260-1


@dataclass(frozen=True)
class Recognised:
    """What the tracks show of it; ``direct`` is 0 or 1: which of the two is the DI, or None where nothing shows it.

    ``coherence`` is of the energy, 0 to 1; ``steady`` 0 (strokes) to 1 (held notes; 1 too where it was not asked);
    ``bright_db`` what the later track has above 6 kHz (the brighter one where neither is later); ``alike`` how little
    the notes change, 1: not; ``shape_db`` the spread over octaves of what lies between the two, ``rough`` how much
    that changes between neighbouring bins (0: not at all, 1: as chance).
    """

    coherence: float
    steady: float
    bright_db: float
    alike: float
    direct: int | None
    shape_db: float
    rough: float

    @property
    def is_one_sound(self) -> bool:
        """Whether both hold one sound that changes: no strangers, no hum."""
        return self.coherence >= LEAST_COHERENCE and self.alike <= MOST_ALIKE

    @property
    def one_path(self) -> bool:
        """Whether to take the two for a DI and what came of it."""
        return (
            self.is_one_sound
            and self.steady >= LEAST_STEADY
            and self.bright_db <= DARK_DB
            and (self.shape_db >= LEAST_SHAPE_DB or self.rough <= MOST_ROUGH)
        )


def recognise(first: Track, second: Track, delay_s: float) -> Recognised:
    """What two tracks are to each other, the second read ``delay_s`` later."""
    at_s = _whole_s(first, second, delay_s)
    hz = _window_hz(first.sample_rate)
    inside = (hz >= LOWEST_HZ) & (hz <= HIGHEST_HZ)
    cross, powers, sizes = np.zeros(len(hz), np.complex128), np.zeros((2, len(hz))), []
    # All windows at once would fill the memory, and that takes time too.
    for one, other in _windows(first, second, at_s):
        cross += cross_spectrum(one, other)
        powers[0] += np.abs(one) ** 2
        powers[1] += np.abs(other) ** 2
        sizes.append(np.abs(one[inside]))
    _CROSS.setdefault(first, WeakKeyDictionary())[second] = at_s, cross
    bright = [_above_db(power, hz) for power in powers]
    energy = np.sqrt(powers[0] * powers[1])[inside]
    loud = inside * np.abs(k_weighting(hz, first.sample_rate)) ** 2
    coherence = np.abs(cross[inside]) ** 2 / np.maximum(energy**2, 1e-60)
    seen = Recognised(
        float((coherence * energy).sum() / max(float(energy.sum()), 1e-30)),
        1.0,
        bright[1] if delay_s > EARLIER_S else bright[0] if delay_s < -EARLIER_S else max(bright),
        _alike(np.array(sizes)),
        _direct(delay_s, bright),
        _shape_db([loud * power for power in powers], hz),
        _rough(loud * cross, loud * powers[0]),
    )
    # More of the track is read only where nothing else has refused.
    return replace(seen, steady=steadiness(_earlier(first, second, delay_s))) if seen.one_path else seen


def crossed(first: Track, second: Track, delay_s: float) -> tuple[Floats, Complexes, float]:
    """Frequencies (B,), the cross-spectrum at each over all windows, loudness-weighted, and where the second is read.

    What was recognised at the same delay is not read again.
    """
    at_s = _whole_s(first, second, delay_s)
    known_s, cross = _CROSS.setdefault(first, WeakKeyDictionary()).get(second, (math.nan, np.zeros(0)))
    if known_s != at_s:
        cross = np.asarray(sum(cross_spectrum(*both) for both in _windows(first, second, at_s)))
    hz = _window_hz(first.sample_rate)
    return hz, cross * np.abs(k_weighting(hz, first.sample_rate)) ** 2, at_s


def may_be_one_path(first: Track, second: Track) -> bool:
    """Whether nothing in either track alone speaks against it: no treble of a kit, and notes that last."""
    return not _plainly_bright(first, second) and all(steadiness(track) >= LEAST_STEADY for track in (first, second))


def ruled_out(first: Track, second: Track, delay_s: float | None) -> bool:
    """Whether either track alone says no: too much treble in the later one, or notes that do not last in the earlier.

    Where the delay is not known, either may be the earlier.
    """
    if delay_s is None:
        return all(ruled_out(first, second, later_s) for later_s in (math.inf, -math.inf))
    return _plainly_bright(first, second, delay_s) or steadiness(_earlier(first, second, delay_s)) < LEAST_STEADY


def _earlier(first: Track, second: Track, delay_s: float) -> Track:
    return first if delay_s >= 0 else second


def _plainly_bright(first: Track, second: Track, delay_s: float | None = None) -> bool:
    """Whether a few windows already have far more treble than any cabinet gives back: a kit, not a pair of one path.

    Where the delay is not known, both tracks must have it.
    """
    bright = [bright_db(track) for track in _later(first, second, delay_s)]
    return (min if delay_s is None else max)(bright) > DARK_DB + FAR_DB


def _later(first: Track, second: Track, delay_s: float | None) -> tuple[Track, ...]:
    """The later of two tracks, or both where that cannot be said."""
    if delay_s is None or abs(delay_s) <= EARLIER_S:
        return first, second
    return (second,) if delay_s > 0 else (first,)


def _shape_db(powers: Sequence[Floats], hz: Floats) -> float:
    """The spread of the second track's level against the first's, by third octave, smoothed over an octave."""
    shares = [power / max(float(power.sum()), 1e-30) for power in powers]
    bands = [(hz >= middle / _EDGE) & (hz < middle * _EDGE) for middle in _MIDDLES_HZ]
    held = [(float(shares[0][band].sum()), float(shares[1][band].sum())) for band in bands]
    between = [10.0 * math.log10(second / first) for first, second in held if min(first, second) > LEAST_HELD]
    if len(between) < FEWEST_BANDS:
        return 0.0
    return float(np.std(np.convolve(between, np.ones(3) / 3.0, "valid")))


def _rough(cross: Complexes, first: Floats) -> float:
    """How far the response between the two differs from one bin to the next, against its size."""
    response = cross / np.maximum(first, 1e-30)
    weight = np.minimum(first[1:], first[:-1])
    steps = float((weight * np.abs(np.diff(response)) ** 2).sum())
    sizes = float((weight * (np.abs(response[1:]) ** 2 + np.abs(response[:-1]) ** 2)).sum())
    return steps / sizes if sizes > 0 else 1.0


def _above_db(power: Floats, hz: Floats) -> float:
    if hz[-1] < 1.5 * BRIGHT_HZ:
        return 0.0  # a rate too low to tell: nothing is dark by it
    total = float(power[hz >= LOWEST_HZ].sum())
    return float(10.0 * np.log10(max(float(power[hz >= BRIGHT_HZ].sum()), 1e-30) / max(total, 1e-30)))


# A reference is asked beside every track.
_BRIGHT: Final[WeakKeyDictionary[Track, float]] = WeakKeyDictionary()
_STEADY: Final[WeakKeyDictionary[Track, float]] = WeakKeyDictionary()
_CROSS: Final[WeakKeyDictionary[Track, WeakKeyDictionary[Track, tuple[float, Complexes]]]] = WeakKeyDictionary()


def bright_db(track: Track) -> float:
    """What a track has above 6 kHz against all of it, by a few windows, in dB."""
    if track not in _BRIGHT:
        _BRIGHT[track] = _above_db(*power_of(track, FEW_WINDOWS))
    return _BRIGHT[track]


def steadiness(track: Track) -> float:
    """How evenly a third of a second holds its energy: geometric against arithmetic mean, weighted by energy."""
    if track not in _STEADY:
        _STEADY[track] = _steadiness(track)
    return _STEADY[track]


def _steadiness(track: Track) -> float:
    step = round(STEADY_STEP_S * track.sample_rate)
    room = track.frames - STEADY_STEPS * step
    if room < 0:
        return 0.0
    starts = np.linspace(0, room, min(room // (STEADY_STEPS * step) + 1, MOST_FRAMES)).astype(np.intp)
    read = (track.read(int(start), STEADY_STEPS * step).reshape(STEADY_STEPS, step) for start in starts)
    spans = np.array([np.einsum("st,st->s", steps, steps) for steps in read]) + 1e-12
    means = spans.mean(axis=1)
    flat = np.exp(np.log(spans).mean(axis=1)) / means
    return float((flat * means).sum() / means.sum())


def _alike(size: Floats) -> float:
    """The mean cosine between the loud frames' spectra."""
    energy = (size**2).sum(axis=1)
    loud = size[energy > LOUD_SHARE * energy.max(initial=0.0)]
    if len(loud) < 2:
        return 1.0
    unit = loud / np.sqrt((loud**2).sum(axis=1))[:, None]
    count = len(unit)
    return float((np.sum(unit @ unit.T) - count) / (count * (count - 1)))


def _direct(delay_s: float, bright_db: list[float]) -> int | None:
    """Plainly earlier; or a little earlier with no less treble; or with more treble where neither is earlier.

    Treble alone tells little: an amplifier's distortion has more of it than a dull bass.
    """
    early = 0 if delay_s > EARLIER_S else 1 if delay_s < -EARLIER_S else None
    wider = bright_db[0] - bright_db[1]
    heard = max(bright_db) > HISS_DB
    wide = None if not heard or abs(wider) <= WIDER_DB else 0 if wider > 0 else 1
    if early is None or wide is None:
        return wide if early is None else early
    return early if early == wide or abs(delay_s) >= PLAINLY_S else None
