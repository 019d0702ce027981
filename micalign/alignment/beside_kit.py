"""Which tracks of a session are no mics of its kit, and which of them are one performance?

A bass or a guitar, by wire or through its amplifier, and a voice hold their notes, as no drum does. What such a track
hears of the kit is bleed, and what falls on a drum's stroke is the player's time, not the drum's: no shift follows from
either. So it stays against the kit as it was recorded; but a DI and the mic on its cabinet are laid onto each other,
as they are without a kit. All of this is read off the sound; a name may help.

Two mics may stand at a source each, and hear each other's too. Then there are two delays of opposite sign: what is
louder in the first mic comes later in the second, and the other way round. In the windows in which the first is the
louder against its usual share, its own source rules; in those in which the second is, the other. Each third is
correlated for itself. Two mics at one source, or a DI and its cab, have one delay in both: there the balance says
nothing of where the sound comes from.

Delays are seconds, positive later in the second track. Spectra are partly whitened, so that a few harmonics do not rule
(C. H. Knapp and G. C. Carter, IEEE Trans. Acoust. Speech Signal Process. 24(4), 320-327, 1976).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Final

import numpy as np

from micalign.acoustics.tuned import BLEED_DB
from micalign.alignment.di_and_mics import PairSum, one_path_sum
from micalign.alignment.one_performance import bright_db, may_be_one_path, steadiness
from micalign.alignment.over_kit import heard_kit, mates_of, reference_for
from micalign.alignment.tuned import BESIDE_COHERENCE, DARK_DB, LEAST_STEADY, PLAINLY_STEADY
from micalign.arrays import Complexes, Floats, Ints, cross_spectrum
from micalign.take.tracks import DRUM_WORDS, LINE_WORDS, OVER_WORDS, ROOM_WORDS, Track, is_called
from micalign.tdoa.measure import measure_pair
from micalign.tdoa.strokes import Listened

__all__ = ["beside_kit", "grouped", "hears_both", "holds_notes", "one_performances", "two_sources_of"]


def holds_notes(track: Track) -> bool:
    """Whether a track holds notes and little treble, as of a string or a voice: none of a drum, nor of what is over it.

    One that is called as such (`LINE_WORDS`) may have treble, as a voice has. What is called as a mic of a kit is one:
    a low tom that is struck a few times, by itself, rings as evenly as a string.
    """
    if is_called(track.name, OVER_WORDS | ROOM_WORDS | DRUM_WORDS):
        return False
    steady = steadiness(track)
    if is_called(track.name, LINE_WORDS):
        return steady >= LEAST_STEADY
    return steady >= PLAINLY_STEADY and bright_db(track) <= DARK_DB


def beside_kit(heard: Sequence[Listened], sums: Sequence[PairSum]) -> set[str]:
    """The tracks that are no mics of the kit, by their sound: what holds notes, and what is one performance with it.

    Two overheads in a dull and loud room may sound so: what would be taken to stand over the kit is none of them.
    """
    found = {one.name for one in heard if not one.envelope.silent and holds_notes(one)}
    found |= {name for one in sums for name in (one.reference, one.track)}
    if not found:
        return found
    onto = reference_for(heard, heard[0].name)
    if onto in found:
        mates = {name for name, _ in mates_of(onto, heard_kit(heard))}
        found -= {onto, *mates} if mates or onto != heard[0].name else set()
    return found


def one_performances(heard: Sequence[Listened], *, max_delay_s: float) -> list[PairSum]:
    """Each two tracks that are a DI and what came of it, among those that may hold notes.

    In a live room one mic may hear another's player; that is less alike than what a cabinet makes of a DI.
    """
    may = [
        one
        for one in heard
        if not one.envelope.silent
        and not is_called(one.name, OVER_WORDS | ROOM_WORDS)
        and steadiness(one) >= LEAST_STEADY
    ]
    pairs = [
        (one, other)
        for one, other in combinations(may, 2)
        if may_be_one_path(one, other) and two_sources_of(one, other) is None
    ]
    found = (
        one_path_sum(one, other, measure_pair(one, other, max_delay_s=max_delay_s), max_delay_s=max_delay_s)
        for one, other in pairs
    )
    return [one for one in found if one is not None and one.coherence >= BESIDE_COHERENCE]


def two_sources_of(one: Track, other: Track) -> tuple[float, float] | None:
    """The two delays of mics at a source each, as `_two_sources_s`, where both hold notes; None of a kit's."""
    tracks = one, other
    if any(is_called(track.name, OVER_WORDS | ROOM_WORDS) or steadiness(track) < LEAST_STEADY for track in tracks):
        return None
    return _two_sources_s(one, other)


def grouped(sums: Sequence[PairSum]) -> list[list[str]]:
    """The names of each performance, the one that the others are laid onto first: a mic, not its DI.

    The mic that is most like its DI leads.
    """
    groups: list[set[str]] = []
    for one in sums:
        joined = {one.reference, one.track}.union(*(g for g in groups if g & {one.reference, one.track}))
        groups = [g for g in groups if not g & joined] + [joined]
    dis = {one.di for one in sums}

    def order(name: str) -> tuple[bool, float, str]:
        return name in dis, -max(one.coherence for one in sums if name in (one.reference, one.track)), name

    return [sorted(group, key=order) for group in groups]


_WINDOW_S: Final = 0.19  # seconds, about a note (chosen, no source)
_REACH_S: Final = 8e-3  # seconds, 2.7 m of air: farther off a mic hardly hears another's source (chosen, no source)
_STEP_S: Final = 2e-5  # seconds, a sixth of a period at 8 kHz (chosen, no source)
_BAND_HZ: Final = (100.0, 8000.0)  # hertz, voices and strings (chosen, no source)
_MOST: Final = 256  # windows, evenly spread
_WHITENING: Final = 0.8  # exponent, 0 to 1 (chosen, no source)
_FEWEST: Final = 12  # windows in a third: fewer are one note's (chosen, no source)
_LEAST_S: Final = 0.15e-3  # seconds, 5 cm: nearer to nothing is no side (chosen, no source)
_UNEVEN: Final = 0.8
"""Natural logarithm of the power ratio, its spread: without it 6 of 108 pairs at one source are told as two, with it
none; 11 of 16 duos in rooms are told. How high a third's correlation is, and how far it outdoes the other's there, lost
3 of the first 5 and told no pair at one source (``tests/bench/alignment/duos.py``, seeds 60 to 75)."""


def _two_sources_s(first: Track, second: Track) -> tuple[float, float] | None:
    """How much later the first's source comes in the second, and how much earlier the second's; None of one source.

    Parameters
    ----------
    first, second : Track
        Two tracks of one rate.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> turns = np.repeat(np.arange(16) % 2, 24000)
    >>> one, other = (rng.standard_normal(384000) * (turns == k) for k in (0, 1))
    >>> near = Track.from_array("near", one + 0.3 * np.roll(other, 60), 48000)
    >>> far = Track.from_array("far", other + 0.3 * np.roll(one, 96), 48000)
    >>> [round(1e3 * late_s, 2) for late_s in _two_sources_s(near, far)]
    [2.0, -1.26]
    >>> _two_sources_s(near, Track.from_array("late", np.roll(near.read(), 96), 48000)) is None
    True
    """
    windows = _windows(first, second)
    parted = None if windows is None else _parted(windows[0])
    if windows is None or parted is None:
        return None
    (one, other), hz = windows
    lags = np.arange(-_REACH_S, _REACH_S, _STEP_S)
    turned = np.exp(2j * np.pi * np.outer(hz, lags))
    own, theirs = (np.abs((_even(one[rows], other[rows]) @ turned).real) for rows in parted)
    late_s, early_s = (float(lags[np.argmax(height)]) for height in (own, theirs))
    return (late_s, early_s) if late_s >= _LEAST_S and early_s <= -_LEAST_S else None


def _even(one: Complexes, other: Complexes) -> Complexes:
    """The partly whitened cross-spectrum of some windows, in which each counts alike."""
    cross = cross_spectrum(one, other)
    size = np.abs(cross)
    cross = cross * np.maximum(size, 1e-5 * size.max(axis=1, keepdims=True)) ** -_WHITENING
    mean: Complexes = (cross / np.maximum(np.abs(cross).sum(axis=1, keepdims=True), 1e-30)).mean(axis=0)
    return mean


def hears_both(first: Track, second: Track, track: Track) -> bool:
    """Whether what is at the second of two mics at a source each is more than faint bleed in a further track.

    So it is where that is less than the 3:1 rule asks softer while the second's source rules than while the first's.
    """
    windows = _windows(first, second, track)
    parted = None if windows is None else _parted(windows[0])
    if windows is None or parted is None:
        return False
    own, theirs = (float(np.median(_powers(windows[0][2][rows]))) for rows in parted)
    return bool(theirs > own * 10.0 ** (-BLEED_DB / 10.0))


def _parted(spectra: Sequence[Complexes]) -> tuple[Ints, Ints] | None:
    """The windows in which the first of two tracks is louder than usual against the second, and in which that is.

    None where the balance hardly changes, or too seldom.
    """
    powers = [_powers(one) for one in spectra[:2]]
    heard = np.flatnonzero(np.all([power > 1e-3 * np.quantile(power, 0.95) for power in powers], axis=0))
    ratio = np.log(powers[0][heard] / powers[1][heard])
    third = len(ratio) // 3
    if third < _FEWEST or np.std(ratio) < _UNEVEN:
        return None
    order = heard[np.argsort(ratio)]
    return order[-third:], order[:third]


def _powers(spectra: Complexes) -> Floats:
    powers: Floats = (np.abs(spectra) ** 2).sum(axis=1)
    return powers


def _windows(first: Track, *others: Track) -> tuple[list[Complexes], Floats] | None:
    """Spectra of each, as complex (windows, bins), and the frequencies of the bins; None where they are too short."""
    rate = first.sample_rate
    size = 1 << round(np.log2(_WINDOW_S * rate))
    late = [round((first.start_s - one.start_s) * rate) for one in (first, *others)]
    begins = max(-by for by in late)
    ends = min(one.frames - by for one, by in zip((first, *others), late, strict=True))
    starts = np.arange(max(0, begins), ends - size, size // 2)
    if not len(starts):
        return None
    starts = starts[np.linspace(0, len(starts) - 1, min(len(starts), _MOST)).astype(np.intp)]
    hz = np.fft.rfftfreq(2 * size, 1.0 / rate)
    inside, window = (hz >= _BAND_HZ[0]) & (hz <= _BAND_HZ[1]), np.hanning(size)
    spectra = [
        np.array([np.fft.rfft(window * track.read(int(at) + by, size), 2 * size)[inside] for at in starts])
        for track, by in zip((first, *others), late, strict=True)
    ]
    return spectra, hz[inside].astype(np.float64)
