"""What does a sum of tracks gain or lose, band by band, as recorded and aligned, and how does it sound?

The coherent gain is the energy of the sum against the sum of the energies: 0 dB where tracks have nothing to do with
each other, 10 log10 N where N equal tracks meet, minus infinity where two cancel. Bands are third octaves about 1000 Hz
(IEC 61260-1: exact midbands 1000 * 10^(k/10), edges a twentieth of a decade away). Levels are decibels; shifts are
samples, positive later.

What a sum gains and loses is read of the whole take, as anybody would of the files: by long windows that are faded into
each other at one power. `spectra`, which phases are fitted on, come of at most `MOST_FRAMES` windows spread evenly over
it. A shift is applied exactly: whole samples by reading elsewhere, the rest as a phase ramp.

All-pass sections count as alignment does them. A section is (hertz, Q): the all-pass of R. Bristow-Johnson, *Cookbook
formulae for audio EQ biquad filter coefficients*, with Q > 0, so that its poles lie inside the unit circle for every
frequency below half the rate; its phase falls from 0 through -180 degrees at its frequency to -360 degrees. It changes
no level. Those that turn a DI's phase towards its mic (`PhaseMatch`) are fitted in `micalign.alignment.best_sum`.

To be heard, two short sums about one moment. Both are brought to the same loudness (ITU-R BS.1770-4 K-weighting, the
mean square of the whole stretch), since the louder one always sounds better; then both to a peak of -1 dBFS at the
most.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Final

import numpy as np

from micalign.alignment.shift import Span, shifted_blocks
from micalign.alignment.tuned import LEAST_HELD, LOST_DB, LOST_THIRDS_HZ, LOW_HZ
from micalign.arrays import Bools, Complexes, Floats
from micalign.errors import TakeError
from micalign.take.loudness import k_weighted
from micalign.take.tracks import Track
from micalign.units import db_from_power

__all__ = [
    "MOST_FRAMES",
    "BandGain",
    "BlendTrack",
    "LostBand",
    "PhaseMatch",
    "Section",
    "SumGain",
    "all_pass_blocks",
    "all_pass_response",
    "bins_hz",
    "lost_bands",
    "loudest_moment",
    "preview",
    "previews",
    "ring_samples",
    "section_coefficients",
    "spectra",
    "sum_gain",
    "third_octaves",
]


@dataclass(frozen=True, slots=True)
class PhaseMatch:
    """All-pass sections as (hertz, Q), the extra shift and polarity they go with, and the proof on unseen windows.

    ``polarity`` is -1 where the sections turn the DI over in the band, so that the flip that delay alone asked for is
    taken back (or made). ``before_db`` and ``after_db`` are the loudness-weighted coherent gain of DI plus mic at equal
    loudness. ``against`` names the mic; ``group_delay_s`` is the longest that the sections hold any note back.
    """

    sections: tuple[Section, ...]
    shift_s: float
    polarity: int
    before_db: float
    after_db: float
    band_hz: tuple[float, float]
    against: str = ""
    group_delay_s: float = 0.0


Section = tuple[float, float]


def section_coefficients(frequency_hz: float, q: float, *, sample_rate: int) -> Floats:
    """One second-order section, shape (6,): b0 b1 b2 1 a1 a2, as scipy.signal.sosfilt takes it.

    Raises
    ------
    TakeError
        If the frequency is not between 0 and half the rate, or Q is not positive.

    Examples
    --------
    >>> b0, b1, b2, _, a1, a2 = section_coefficients(200.0, 0.7, sample_rate=48000)
    >>> (b0, b1, b2) == (a2, a1, 1.0), bool(np.all(np.abs(np.roots([1, a1, a2])) < 1))
    (True, True)
    """
    if not 0.0 < frequency_hz < sample_rate / 2 or not 0.0 < q < 1e3:
        raise TakeError(
            f"an all-pass at {frequency_hz:g} Hz with Q {q:g} cannot be made at {sample_rate} Hz: "
            "give a frequency below half the rate and a Q above 0"
        )
    turn = 2.0 * np.pi * frequency_hz / sample_rate
    alpha = np.sin(turn) / (2.0 * q)
    a1, a2 = -2.0 * np.cos(turn) / (1.0 + alpha), (1.0 - alpha) / (1.0 + alpha)
    return np.array([a2, a1, 1.0, 1.0, a1, a2])


def all_pass_response(sections: Iterable[Section], frequency_hz: Floats, *, sample_rate: int) -> Complexes:
    """The sections' response, of magnitude 1, shape as ``frequency_hz``."""
    z = np.exp(-2j * np.pi * frequency_hz / sample_rate)
    response = np.ones(len(frequency_hz), dtype=np.complex128)
    for frequency, q in sections:
        a2, a1 = section_coefficients(frequency, q, sample_rate=sample_rate)[:2]
        response *= (a2 + a1 * z + z**2) / (1.0 + a1 * z + a2 * z**2)
    return response


def all_pass_blocks(blocks: Iterable[Floats], sections: Sequence[Section], *, sample_rate: int) -> Iterator[Floats]:
    """The blocks through the sections, their state carried from block to block."""
    from scipy.signal import sosfilt  # noqa: PLC0415 - 700 ms that only a matched phase pays

    sos = np.array([section_coefficients(*section, sample_rate=sample_rate) for section in sections])
    state = np.zeros((len(sos), 2))
    for block in blocks:
        out, state = sosfilt(sos, block, zi=state)
        yield out


def ring_samples(sections: Iterable[Section], *, sample_rate: int) -> int:
    """How long the sections ring on until they are 120 dB down, in samples; 0 without any.

    >>> ring_samples([], sample_rate=48000), ring_samples([(100.0, 0.5)], sample_rate=48000)
    (0, 1056)
    """
    made = [section_coefficients(*section, sample_rate=sample_rate) for section in sections]
    radii = [float(np.abs(np.roots([1.0, one[4], one[5]])).max()) for one in made]
    return sum(math.ceil(math.log(1e-6) / math.log(radius)) for radius in radii)


MOST_FRAMES: Final = 128  # windows of a take, evenly spread: a long one costs no more than a short one
WINDOW_FRAMES: Final = 16384  # samples, a third of a second at 48 kHz: 3 Hz to tell lows apart
_LONG_FRAMES: Final = 131072
"""Samples, 2.7 s at 48 kHz: where a third octave of the real kit loses 9 dB that is told to 0.05 dB, with
`WINDOW_FRAMES` to 0.5 dB (development half), in half the time that windows of those take."""
_FADE_FRAMES: Final = 8192  # samples by which long windows overlap
_SILENT: Final = 1e-20  # a power that no sound has


@dataclass(frozen=True, slots=True)
class BlendTrack:
    """A track and what alignment does with it: shift, polarity, gain, and all-pass sections as (hertz, Q).

    ``before`` is the track as it was, where more than that was done to it.
    """

    track: Track
    shift_samples: float = 0.0
    polarity: int = 1
    gain_db: float = 0.0
    sections: tuple[tuple[float, float], ...] = ()
    before: Track | None = None


@dataclass(frozen=True, slots=True)
class BandGain:
    """Coherent gain in one third octave; None where the band holds no sound.

    ``parts_db``: the powers of all tracks as recorded in it, in decibels against those of all frequencies.
    """

    centre_hz: float
    before_db: float | None
    after_db: float | None
    parts_db: float | None = None


@dataclass(frozen=True)
class SumGain:
    """Coherent gain of the whole, of the lows (`LOW_HZ`) and by third octave; None for silence.

    ``costs_db``: of each track that is moved, by how much louder each band of the sum were with it as recorded.
    """

    before_db: float | None
    after_db: float | None
    bands: tuple[BandGain, ...]
    low_before_db: float | None = None
    low_after_db: float | None = None
    costs_db: Mapping[str, tuple[float, ...]] = field(default_factory=dict)


def third_octaves(low_hz: float, high_hz: float) -> tuple[float, ...]:
    """Exact midband frequencies from ``low_hz`` to ``high_hz``.

    >>> [round(centre, 1) for centre in third_octaves(700.0, 1300.0)]
    [794.3, 1000.0, 1258.9]
    """
    first, last = math.ceil(10 * math.log10(low_hz / 1000) - 1e-9), math.floor(10 * math.log10(high_hz / 1000) + 1e-9)
    return tuple(1000.0 * 10.0 ** (k / 10.0) for k in range(first, last + 1))


def sum_gain(moved: Sequence[BlendTrack]) -> SumGain:
    """Coherent gain of the sum of tracks, before and after.

    Parameters
    ----------
    moved : sequence of BlendTrack
        Tracks of one rate with what is done to each; gains count before and after.

    Returns
    -------
    SumGain

    Examples
    --------
    >>> noise = np.random.default_rng(1).standard_normal(48000) * 0.1
    >>> one, late = Track.from_array("a", noise, 48000), Track.from_array("b", np.roll(-noise, 7), 48000)
    >>> gain = sum_gain([BlendTrack(one), BlendTrack(late, -7.0, -1)])
    >>> round(gain.after_db, 1)
    3.0
    """
    rate = moved[0].track.sample_rate
    window = _long_window()
    frequency_hz: Floats = np.fft.rfftfreq(_LONG_FRAMES, 1.0 / rate).astype(np.float64)
    ramps = [_response(one, frequency_hz) for one in moved]
    sums = np.zeros((2, 2, len(frequency_hz)))  # (before, after) x (sum, parts)
    back: dict[str, Floats] = {}  # the sum with one track as recorded
    for start in range(-_FADE_FRAMES, max(one.track.frames for one in moved), _LONG_FRAMES - _FADE_FRAMES):
        totals, undone = np.zeros((2, len(frequency_hz)), dtype=np.complex128), {}
        for one, ramp in zip(moved, ramps, strict=True):
            gain = 10.0 ** (one.gain_db / 20.0)
            before = gain * _spectrum(one.before or one.track, start, window)
            after = _moved_spectrum(one, ramp, gain, None if one.before else before, start, window)
            for row, part in enumerate((before, after)):
                totals[row] += part
                sums[row, 1] += _powers(part)
            if after is not before:
                undone[one.track.name] = before - after
        for row, total in enumerate(totals):
            sums[row, 0] += _powers(total)
        for name, change in undone.items():
            back[name] = back.get(name, 0.0) + _powers(totals[1] + change)
    everything = frequency_hz >= 20.0
    all_parts = float(sums[0, 1, everything].sum())
    bands = []
    costs_db: dict[str, list[float]] = {name: [] for name in back}
    for centre in third_octaves(31.0, min(16000.0, 0.4 * rate)):
        inside = _inside(frequency_hz, centre)
        left = max(float(sums[1, 0, inside].sum()), _SILENT)
        for name, power in back.items():
            costs_db[name].append(db_from_power(max(float(power[inside].sum()), _SILENT) / left))
        before_db, after_db = (_gain_db(sums[row], inside) for row in (0, 1))
        parts_db = None if before_db is None else db_from_power(float(sums[0, 1, inside].sum()) / all_parts)
        bands.append(BandGain(centre, before_db, after_db, parts_db))
    low = (frequency_hz >= LOW_HZ[0]) & (frequency_hz <= LOW_HZ[1])
    whole, lows = ([_gain_db(row, inside) for row in sums] for inside in (everything, low))
    costs = {name: tuple(values) for name, values in costs_db.items()}
    return SumGain(whole[0], whole[1], tuple(bands), lows[0], lows[1], costs)


@dataclass(frozen=True)
class LostBand:
    """A third octave in which the sum loses by alignment, in decibels, and the track whose move costs most of that.

    ``track`` is empty where no single move does: put back alone, each of two that moved together costs nothing.
    """

    low_hz: float
    high_hz: float
    lost_db: float
    track: str
    costs_db: float


def lost_bands(gain: SumGain) -> tuple[LostBand, ...]:
    """The third octaves of more than hiss in which the sum of tracks loses more than `LOST_DB`, the worst first.

    >>> noise = np.random.default_rng(1).standard_normal(48000) * 0.1
    >>> moved = [BlendTrack(Track.from_array("a", noise, 48000)), BlendTrack(Track.from_array("b", noise, 48000), 48.0)]
    >>> worst, *_ = lost_bands(sum_gain(moved))
    >>> worst.track, round(worst.low_hz), round(worst.high_hz), worst.lost_db > 6, worst.costs_db > 6
    ('b', 447, 562, True, True)
    """
    edge, found = 10.0**0.05, []
    for index, band in enumerate(gain.bands):
        is_watched = LOST_THIRDS_HZ[0] <= band.centre_hz <= LOST_THIRDS_HZ[1]
        if not is_watched or band.parts_db is None or band.before_db is None or band.after_db is None:
            continue
        lost_db = band.before_db - band.after_db
        if lost_db > LOST_DB and band.parts_db >= db_from_power(LEAST_HELD):
            costs_db, track = max(((costs[index], name) for name, costs in gain.costs_db.items()), default=(0.0, ""))
            by = (track, costs_db) if costs_db >= lost_db / 2 else ("", 0.0)
            found.append(LostBand(band.centre_hz / edge, band.centre_hz * edge, lost_db, *by))
    return tuple(sorted(found, key=lambda one: one.lost_db, reverse=True))


def spectra(reference: BlendTrack, track: BlendTrack) -> Iterator[tuple[Complexes, Complexes]]:
    """Windowed spectra of two tracks as alignment leaves them, window by window."""
    frequency_hz = bins_hz(reference.track.sample_rate)
    ramps = _response(reference, frequency_hz), _response(track, frequency_hz)
    for start in _starts([reference.track, track.track]):
        yield (
            _moved_spectrum(reference, ramps[0], 1.0, None, start, _window()),
            _moved_spectrum(track, ramps[1], 1.0, None, start, _window()),
        )


def bins_hz(sample_rate: int) -> Floats:
    """The frequencies of the windowed spectra."""
    return np.fft.rfftfreq(WINDOW_FRAMES, 1.0 / sample_rate).astype(np.float64)


def _starts(tracks: Sequence[Track]) -> list[int]:
    """Window starts, half a window apart where the take is short, spread evenly where it is long."""
    length = max(track.frames for track in tracks)
    hop = WINDOW_FRAMES // 2
    count = max(1, math.ceil(length / hop))
    if count <= MOST_FRAMES:
        return [hop * (index - 1) for index in range(count + 1)]
    return [int(start) for start in np.linspace(0, length - WINDOW_FRAMES, MOST_FRAMES)]


@cache
def _window() -> Floats:
    return np.sin(np.pi * (np.arange(WINDOW_FRAMES) + 0.5) / WINDOW_FRAMES)


@cache
def _long_window() -> Floats:
    """Faded so that the powers of two that follow each other add up to one."""
    ramp = np.sin(0.5 * np.pi * (np.arange(_FADE_FRAMES) + 0.5) / _FADE_FRAMES)
    return np.concatenate([ramp, np.ones(_LONG_FRAMES - 2 * _FADE_FRAMES), ramp[::-1]])


def _spectrum(track: Track, start: int, window: Floats) -> Complexes:
    spectrum: Complexes = np.fft.rfft(window * track.read(start, len(window)))
    return spectrum


def _powers(spectrum: Complexes) -> Floats:
    """A quarter of the time that the square of `numpy.abs` takes, which goes by a root."""
    powers: Floats = spectrum.real**2 + spectrum.imag**2
    return powers


def _moved_spectrum(
    one: BlendTrack, ramp: Complexes | None, gain: float, unmoved: Complexes | None, start: int, window: Floats
) -> Complexes:
    whole = math.floor(one.shift_samples)
    if unmoved is not None and whole == 0:
        return unmoved if ramp is None else unmoved * ramp
    spectrum = gain * _spectrum(one.track, start - whole, window)
    return spectrum if ramp is None else spectrum * ramp


def _response(one: BlendTrack, frequency_hz: Floats) -> Complexes | None:
    """What the spectrum is multiplied by beyond the whole-sample shift; None for nothing."""
    fraction = one.shift_samples - math.floor(one.shift_samples)
    if fraction == 0.0 and one.polarity == 1 and not one.sections:
        return None
    rate = one.track.sample_rate
    ramp: Complexes = one.polarity * np.exp(-2j * np.pi * frequency_hz * fraction / rate)
    if one.sections:
        ramp = ramp * all_pass_response(one.sections, frequency_hz, sample_rate=rate)
    return ramp


def _inside(frequency_hz: Floats, centre_hz: float) -> Bools:
    edge = 10.0**0.05
    inside: Bools = (frequency_hz >= centre_hz / edge) & (frequency_hz < centre_hz * edge)
    return inside


def _gain_db(sums: Floats, inside: Bools) -> float | None:
    total, parts = float(sums[0, inside].sum()), float(sums[1, inside].sum())
    if parts <= _SILENT:
        return None
    # Full cancellation is a finite, very low number, so that documents can hold it.
    return max(db_from_power(total / parts), -120.0) if total > 0 else -120.0


_PEAK: Final = 10.0 ** (-1.0 / 20.0)  # -1 dBFS (common practice, no source)
_FADE_S: Final = 0.01  # seconds: an excerpt begins and ends without a click
_RING_S: Final = 0.25  # let an all-pass settle before the stretch begins


def loudest_moment(track: Track, *, window_s: float = 0.05) -> float:
    """The middle of a track's loudest twentieth of a second, in seconds.

    >>> samples = np.zeros(48000)
    >>> samples[24000:24100] = 0.5
    >>> abs(loudest_moment(Track.from_array("click", samples, 48000)) - 0.5) < 0.05
    True
    """
    frame = max(1, round(window_s * track.sample_rate))
    best, loudest, start = 0, -1.0, 0
    for block in track.blocks(frame * 64):
        for index in range(0, len(block), frame):
            part = block[index : index + frame]
            energy = float(part @ part)
            if energy > loudest:
                best, loudest = start + index, energy
        start += len(block)
    return (best + frame / 2) / track.sample_rate


def preview(moved: Sequence[BlendTrack], *, middle_s: float, seconds: float) -> tuple[Floats, Floats]:
    """The sums before and after about a moment, shape (frames,) each, of one loudness.

    Parameters
    ----------
    moved : sequence of BlendTrack
        Tracks of one rate and what is done to each.
    middle_s, seconds : float
        Where and how long.
    """
    recorded = [BlendTrack(one.before or one.track, gain_db=one.gain_db) for one in moved]
    before, after = previews([recorded, moved], middle_s=middle_s, seconds=seconds)
    return before, after


def previews(ways: Sequence[Sequence[BlendTrack]], *, middle_s: float, seconds: float) -> list[Floats]:
    """One sum for each way to add tracks up, all as loud as the first, shape (frames,) each."""
    rate = ways[0][0].track.sample_rate
    frames = round(seconds * rate)
    start = round((middle_s - seconds / 2) * rate)
    fade = _fade(frames, round(_FADE_S * rate))
    sums: list[Floats] = []
    for way in ways:
        total = np.zeros(frames)
        for one in way:
            total += 10.0 ** (one.gain_db / 20.0) * _moved(one, start, frames)
        sums.append(total * fade)
    loud = [_loudness(sound, rate) for sound in sums]
    if min(loud) > 0:
        sums = [sound * (loud[0] / own) for sound, own in zip(sums, loud, strict=True)]
    peak = max(float(np.abs(sound).max(initial=0.0)) for sound in sums)
    scale = min(_PEAK / peak, 1e4) if peak > 0 else 1.0
    return [sound * scale for sound in sums]


def _moved(one: BlendTrack, start: int, frames: int) -> Floats:
    rate = one.track.sample_rate
    lead = round(_RING_S * rate) if one.sections else 0
    blocks = shifted_blocks(
        one.track, one.shift_samples, polarity=one.polarity, span=Span(start - lead, start + frames)
    )
    if one.sections:
        blocks = all_pass_blocks(blocks, one.sections, sample_rate=rate)
    return np.concatenate(list(blocks))[lead:]


def _fade(frames: int, edge: int) -> Floats:
    fade = np.ones(frames)
    edge = min(edge, frames // 2)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(edge) + 0.5) / max(edge, 1))
    fade[:edge] *= ramp
    fade[frames - edge :] *= ramp[::-1]
    return fade


def _loudness(sound: Floats, rate: int) -> float:
    """Root mean square after K-weighting."""
    return float(np.sqrt(np.mean(k_weighted(sound, rate) ** 2)))
