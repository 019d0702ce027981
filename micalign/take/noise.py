"""How loud is what remains in the quiet parts of a track, and of what kind is it: hum, rumble, hiss, the room?

Powers are mean squares against full scale 1, without the offset. The floor is read from tenths of a second: where the
quietest ones lie, and the median of the whole seconds that stay near it (low noise is uneven from tenth to tenth).
Digital silence is left out, and the tenths beside it, which are muted in part: what was muted has no floor. Where a
gate or an editor muted every pause, or sounds ring into each other, what is left is the end of sounds, and no more than
a bound. Kinds: rumble lies below 200 Hz (a fridge, a furnace, a fan, the street), hiss above 2 kHz (a preamp turned far
up), each at least twice as strong as what lies between them; all else is the sound of the room.

What they hold is read from the quietest seconds, which are kept. A second is as loud as the loudest of its tenths, so
that one with a hit in it is not quiet; seconds with digital silence in them are left out. The spectra are of a Hann
window over one second, so a bin is one hertz; a full-scale sine holds 0.5.

Hum is lines at whole multiples of 50 or 60 Hz (within 1 %, as EN 50160 allows the mains; quoted from memory) that
stand above what is around them in every quiet second, at one level. A bass note is not: the nearest ones, G1 (49.0 Hz)
and A#1 (58.3 Hz), B1 (61.7 Hz), lie 2 to 3 % off, and a note comes and goes. A drum or cymbal that rings near the mains
in every quiet second is not either: hum is never louder than the floor, and a few lines alone must lie where the mains
usually are. Levels are root mean square.

Under sound that never pauses it is what stays. Music never stays: what is left between its strokes decays, swells or is
struck anew. The hiss of a preamp does stay: it is one and the same in every band at once, and nothing is ever quieter.
So the tenths of a second in which no band above 2 kHz lies off its quiet level by more than noise of that bandwidth
does by chance are counted; many of them, spread as chance spreads them, are noise; some must follow each other, where
what decays to the same level before every stroke does not stay there. Noise of a bandwidth B over a
time T has 2 B T degrees of freedom, a Hann window leaves half of them (its equivalent noise bandwidth, 1.5 bins, and
the overlap of its lines), so a power is read within sqrt(2 / (B T)) of itself. Held tones are as steady, or
steadier than chance: they are told by that, and by their lines, for the geometric mean of a noise's bins is 0.56 of the
arithmetic one, that of lines far less.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from micalign.arrays import Bools, Floats
from micalign.take import tuned
from micalign.units import db_from_power

__all__ = [
    "Floor",
    "Hum",
    "HumLine",
    "NoiseKind",
    "NoiseParts",
    "QuietMeter",
    "QuietSeconds",
    "SteadyMeter",
    "SteadyNoise",
    "find_hum",
    "loud_power",
    "noise_floor",
    "noise_parts",
    "with_steady",
]


_DB: Final = 10.0 / math.log(10.0)  # decibels of a small share of a power


@dataclass(frozen=True, slots=True)
class SteadyNoise:
    """Noise that stays while sounds go on.

    Parameters
    ----------
    power : float
        All of it.
    hiss : float
        What lies above 2 kHz.
    middle : float
        What lies from 200 Hz to 2 kHz, or a bound where sound is never gone from there.
    """

    power: float
    hiss: float
    middle: float


class SteadyMeter:
    """Keeps the powers of a few bands of every tenth of a second."""

    def __init__(self, sample_rate: int, frames: int) -> None:
        self._frames = frames
        hertz = np.arange(frames // 2 + 1) * sample_rate / frames
        edges = [edge for edge in tuned.STEADY_EDGES_HZ if edge <= tuned.STEADY_HIGHEST * sample_rate]
        self._places = np.searchsorted(hertz, [tuned.RUMBLE_HZ, *edges])
        self._window = np.sin(np.pi * (np.arange(frames) + 0.5) / frames) ** 2
        widths = np.diff(edges)
        self._within_db = tuned.STEADY_SIGMAS * _DB * np.sqrt(2.0 / (widths * frames / sample_rate))
        self._bands: list[np.ndarray[tuple[int, int], np.dtype[np.float32]]] = []

    def feed(self, tenths: Floats) -> None:
        """Take whole tenths of a second, shape (tenths, samples)."""
        if len(self._within_db) < tuned.STEADY_LEAST_BANDS:
            return
        spectrum = np.fft.rfft(tenths * self._window, axis=1)
        power = (2.0 / (0.375 * self._frames**2)) * (spectrum.real**2 + spectrum.imag**2)
        bands = np.add.reduceat(power, self._places, axis=1)
        lined = power[:, self._places[1] : self._places[3]]
        with np.errstate(divide="ignore", invalid="ignore"):
            flat = np.exp(np.log(lined).mean(axis=1)) / lined.mean(axis=1)
        self._bands.append(np.column_stack((bands, np.nan_to_num(flat))).astype(np.float32))

    def finish(self) -> SteadyNoise | None:
        """The noise, or None."""
        if not self._bands:
            return None
        all_bands = np.concatenate(self._bands).astype(np.float64)
        places = np.flatnonzero((all_bands[:, 1:-2] > tuned.SILENT_POWER).all(axis=1))
        heard = all_bands[places]
        if len(heard) < tuned.STEADY_LEAST_TENTHS:
            return None
        level = np.log(heard[:, 1:-2]) * _DB
        alike, floor = self._alike(level)
        spread = float(np.std((level[alike] - floor).mean(axis=1))) if alike.any() else 0.0
        enough = max(tuned.STEADY_LEAST_TENTHS, tuned.STEADY_SHARE_OF_ALL * len(heard))
        together = int((np.diff(places[alike]) == 1).sum())
        is_noise = alike.sum() >= enough and together >= tuned.STEADY_PAIRS and spread >= tuned.STEADY_SPREAD_DB
        if not is_noise or float(np.median(heard[alike, -1])) < tuned.STEADY_FLATNESS:
            return None
        # Above the last band a converter may cut: it counts, but need not be steady.
        hiss = float(np.exp(floor / _DB).sum() + np.median(heard[alike, -2]))
        middle = float(np.quantile(heard[alike, 0], tuned.QUIETEST_SHARE))
        return SteadyNoise(hiss + middle, hiss, middle)

    def _alike(self, level: Floats) -> tuple[Bools, Floats]:
        """Which tenths lie at the quiet level in every band, and that level."""
        floor: Floats = np.quantile(level, tuned.STEADY_QUANTILE, axis=0)
        alike = self._within(level, floor)
        for _ in range(tuned.STEADY_ROUNDS):
            if alike.any():
                floor = np.median(level[alike], axis=0)
                alike = self._within(level, floor)
        return alike, floor

    def _within(self, level: Floats, floor: Floats) -> Bools:
        within: Bools = np.logical_and.reduce(np.abs(level - floor) <= self._within_db, axis=1)
        return within


_LOW_BINS: Final = 1000
"""Bins of the low spectrum: 0 to 999 Hz."""


@dataclass(frozen=True, eq=False)
class QuietSeconds:
    """The spectra of the quietest seconds, the quietest first.

    Parameters
    ----------
    low : array, shape (seconds, bins)
        Power by bin of one hertz, from 0 to 999 Hz (or to half the sample rate).
    loudest_tenth : array, shape (seconds,)
        Power of the loudest tenth of each.
    bands : array, shape (seconds, 3)
        Power from 10 to 200 Hz, from 200 Hz to 2 kHz, and above.
    """

    low: Floats
    loudest_tenth: Floats
    bands: Floats


class QuietMeter:
    """Keeps the quietest seconds of a track, as many as fit a fixed memory."""

    def __init__(self, sample_rate: int) -> None:
        self._most = min(max(tuned.KEPT_FRAMES // sample_rate, tuned.LEAST_QUIET_S), tuned.MOST_QUIET_S)
        self._kept: list[tuple[float, int, np.ndarray[tuple[int], np.dtype[np.float32]]]] = []
        self._count = 0

    def feed(self, second: Floats, tenths: Floats) -> None:
        """Take a second of samples with the powers of its tenths."""
        self._count += 1
        loudest = float(tenths.max())
        if tenths.min() <= 0.0 or (len(self._kept) == self._most and loudest >= -self._kept[0][0]):
            return
        entry = (-loudest, self._count, second.astype(np.float32))
        if len(self._kept) < self._most:
            heapq.heappush(self._kept, entry)
        else:
            heapq.heapreplace(self._kept, entry)

    def finish(self) -> QuietSeconds | None:
        """The spectra; None where no whole second was fit."""
        if not self._kept:
            return None
        chosen = sorted(self._kept, reverse=True)
        frames = len(chosen[0][2])
        window = np.sin(np.pi * (np.arange(frames) + 0.5) / frames) ** 2
        powers = [_power_spectrum(second.astype(np.float64), window) for _, _, second in chosen]
        return QuietSeconds(
            low=np.array([power[:_LOW_BINS] for power in powers]),
            loudest_tenth=np.array([-loudness for loudness, _, _ in chosen]),
            bands=np.array([_bands(power) for power in powers]),
        )


def _power_spectrum(second: Floats, window: Floats) -> Floats:
    spectrum = np.fft.rfft(window * (second - second.mean()))
    # The squares of a Hann window add up to 3/8 of its length.
    return (2.0 / (0.375 * len(second) ** 2)) * (spectrum.real**2 + spectrum.imag**2)


def _bands(power: Floats) -> tuple[float, float, float]:
    return (
        float(power[tuned.LOWEST_HZ : tuned.RUMBLE_HZ].sum()),
        float(power[tuned.RUMBLE_HZ : tuned.HISS_HZ].sum()),
        float(power[tuned.HISS_HZ :].sum()),
    )


_MAINS_HZ: Final = (50, 60)
"""Hertz: the mains of all countries."""

_WITHIN: Final = 0.01  # of a harmonic: EN 50160, quoted from memory
_LINE_BINS: Final = 2  # a Hann line lies in five bins
NoiseKind: TypeAlias = Literal["hum", "rumble", "hiss", "room"]
_SECOND: Final = 10  # tenths


@dataclass(frozen=True, slots=True)
class HumLine:
    """One harmonic: its frequency in hertz and its level in decibels of full scale, root mean square."""

    hz: float
    dbfs: float


@dataclass(frozen=True, slots=True)
class Hum:
    """Mains hum: the mains it is of (50 or 60), all lines together (power), and each."""

    mains_hz: int
    power: float
    lines: tuple[HumLine, ...]

    @property
    def dbfs(self) -> float:
        """The level of all lines together, root mean square, decibels of full scale."""
        return db_from_power(self.power)


@dataclass(frozen=True, slots=True)
class _Found:
    harmonic: int
    hz: float
    power: float


@dataclass(frozen=True, eq=False)
class _Seconds:
    """Spectra of the quietest seconds, which of them are quiet indeed, the median of those, and the most of a line."""

    low: Floats
    near: Bools
    median: Floats
    most: float


def find_hum(quiet: QuietSeconds | None, floor: Floor | None) -> Hum | None:
    """The hum in the quiet seconds, or None; no line of it is louder than the floor, which holds all that stays."""
    if quiet is None or floor is None or len(quiet.low) < 2:
        return None
    near = quiet.loudest_tenth <= tuned.QUIET_RATIO * quiet.loudest_tenth.min()
    seconds = _Seconds(quiet.low, near, np.median(quiet.low[near], axis=0), tuned.HUM_IN_FLOOR * floor.power)
    found = [
        (sum(line.power for line in lines), mains, lines) for mains in _MAINS_HZ if (lines := _lines(seconds, mains))
    ]
    if not found:
        return None
    power, mains, lines = max(found)
    return Hum(mains, power, tuple(HumLine(line.hz, db_from_power(line.power)) for line in lines))


def _lines(seconds: _Seconds, mains: int) -> tuple[_Found, ...]:
    """The lines of one mains frequency; none where they do not make a hum together."""
    last = min(tuned.MOST_HARMONICS, (len(seconds.median) - tuned.AROUND_BINS[1] - 2) // mains)
    found = [line for harmonic in range(1, last + 1) if (line := _line(seconds, mains, harmonic))]
    agreeing = _agreeing(found)
    loudest = max((line.power for line in agreeing), default=0.0)
    agreeing = [line for line in agreeing if line.power >= tuned.LEAST_LINE * loudest]
    lowest = any(line.harmonic <= tuned.LOW_HARMONIC for line in agreeing)
    several = len(agreeing) >= tuned.LEAST_LINES
    if lowest and several:
        return tuple(agreeing)
    is_usual = all(abs(line.hz / (mains * line.harmonic) - 1.0) <= tuned.USUAL_MAINS for line in agreeing)
    return tuple(agreeing) if is_usual and (lowest or several) else ()


def _agreeing(found: Sequence[_Found]) -> list[_Found]:
    """The lines that are harmonics of one fundamental with the strongest."""
    if not found:
        return []
    strongest = max(found, key=lambda line: line.power)
    base = strongest.hz / strongest.harmonic
    # A frequency read to 0.1 Hz: at the fundamental that is a wider share than higher up.
    return [
        line
        for line in found
        if abs(line.hz / line.harmonic - base) <= tuned.HARMONICS_AGREE * base + tuned.LINE_READ_HZ / line.harmonic
    ]


def _line(seconds: _Seconds, mains: int, harmonic: int) -> _Found | None:
    """A line near a harmonic that stands out in the quiet seconds, is steady in them, and never goes away."""
    centre = mains * harmonic
    reach = max(round(centre * _WITHIN), 1)
    low, near, median = seconds.low, seconds.near, seconds.median
    peak = centre - reach + int(np.argmax(median[centre - reach : centre + reach + 1]))
    hz = _frequency(median, peak)
    around = _around(median, peak)
    needed = tuned.PROMINENCE if near.sum() >= tuned.FEW_SECONDS else tuned.FEW_PROMINENCE
    if abs(hz / centre - 1.0) > _WITHIN or median[peak] < needed * around:
        return None
    powers = low[:, peak - _LINE_BINS : peak + _LINE_BINS + 1].sum(axis=1) - (2 * _LINE_BINS + 1) * around
    power = float(np.median(powers[near]))
    steady = (powers < power * tuned.STEADY_RATIO) & (powers > power / tuned.STEADY_RATIO)
    stays = (powers > tuned.STAYS_RATIO * power).mean() >= tuned.STEADY_SHARE
    is_hum = 0.0 < power <= seconds.most and stays and steady[near].mean() >= tuned.STEADY_SHARE
    return _Found(harmonic, hz, power) if is_hum else None


def _around(median: Floats, peak: int) -> float:
    """The usual power of a bin near a line."""
    near, far = tuned.AROUND_BINS
    below, above = (
        median[max(peak - far, tuned.AROUND_LOWEST_HZ) : peak - near + 1],
        median[peak + near : peak + far + 1],
    )
    return float(np.median(np.concatenate((below, above))))


def _frequency(power: Floats, peak: int) -> float:
    """The frequency of a line from the two largest bins of a Hann window: offset (2 r - 1) / (r + 1) bins."""
    side = 1 if power[peak + 1] >= power[peak - 1] else -1
    if power[peak + side] > power[peak]:
        # The line lies outside of the searched bins.
        peak, side = peak + side, -side
    ratio = float(np.sqrt(power[peak + side] / power[peak])) if power[peak] > 0 else 0.0
    return peak + side * (2.0 * ratio - 1.0) / (ratio + 1.0)


@dataclass(frozen=True, slots=True)
class Floor:
    """The noise floor (power), and whether the track was never quiet, so that the true floor may be lower."""

    power: float
    is_bound: bool


@dataclass(frozen=True, slots=True)
class NoiseParts:
    """The kinds that stand out, with their powers; empty where no quiet second shows the floor."""

    kind: NoiseKind | None
    rumble: float
    hiss: float


def loud_power(tenths: Floats) -> float:
    """The mean power of the loudest tenth of the tenths of a second.

    >>> loud_power(np.array([1.0] + [0.0] * 9))
    1.0
    """
    if not len(tenths):
        return 0.0
    count = max(math.ceil(tuned.LOUDEST_SHARE * len(tenths)), 1)
    return float(np.partition(tenths, len(tenths) - count)[-count:].mean())


def noise_floor(tenths: Floats) -> Floor | None:
    """The floor of a track from the powers of its tenths of a second; None where it is digital silence.

    >>> round(noise_floor(np.array([1e-8, 1.1e-8, 0.9e-8, 0.1, 0.2, 0.0])).power, 12)
    1e-08
    """
    muted: Bools = tenths <= tuned.SILENT_POWER
    if muted.all():
        return None
    whole = _unmuted(muted)
    heard = np.sort(tenths[whole if whole.any() else ~muted])
    lowest = heard[min(max(math.ceil(tuned.QUIETEST_SHARE * len(heard)), 2), len(heard)) - 1]
    power = float(heard[heard <= tuned.FLOOR_RATIO * lowest].mean())
    pauses = _pauses(tenths, tuned.PAUSE_RATIO * power, whole)
    power = float(np.median(tenths[pauses])) if pauses.any() else power
    has_paused = bool(pauses.any())
    is_gated = _is_muted_between(muted) and not has_paused
    # Noise is as loud in every pause. Where a tenth was far quieter, the others hold the end of sounds, as a room's;
    # where a whole pause is loud, a drum or cymbal that rings: low noise too is far quieter for a tenth, not for three.
    quietest = _quietest(tenths, whole) if has_paused else float(heard[0])
    is_tail = power > tuned.PAUSE_RATIO * quietest
    return Floor(power, is_gated or is_tail or loud_power(tenths) < tuned.BOUND_RATIO * power)


def _quietest(tenths: Floats, whole: Bools) -> float:
    """The least mean power of three tenths in a row."""
    runs = np.lib.stride_tricks.sliding_window_view(np.where(whole, tenths, np.inf), 3)
    return float(runs.mean(axis=1).min())


def _is_muted_between(muted: Bools) -> bool:
    """Whether digital silence lies between sounds; before the first and behind the last it says nothing of a gate."""
    heard = np.flatnonzero(~muted)
    return bool(muted[heard[0] : heard[-1]].any())


def _unmuted(muted: Bools) -> Bools:
    """Which tenths are no digital silence and stand beside none."""
    beside = muted.copy()
    beside[1:] |= muted[:-1]
    beside[:-1] |= muted[1:]
    unmuted: Bools = ~beside
    return unmuted


def _pauses(tenths: Floats, highest: float, whole: Bools) -> Bools:
    """Which tenths lie in a whole second whose tenths all stay below ``highest`` and are not muted, not in part."""
    inside = np.zeros(len(tenths), dtype=np.bool_)
    if len(tenths) >= _SECOND:
        calm = (tenths < highest) & whole
        begins: Bools = np.logical_and.reduce(np.lib.stride_tricks.sliding_window_view(calm, _SECOND), axis=1)
        for offset in range(_SECOND):
            inside[offset : offset + len(begins)] |= begins
    return inside


def with_steady(floor: Floor | None, steady: SteadyNoise | None, hum: Hum | None) -> Floor | None:
    """The floor: of a track that never pauses the steady noise in it with the hum, where there is such."""
    if floor is None or steady is None or not floor.is_bound:
        return floor
    return Floor(min(floor.power, steady.power + (hum.power if hum else 0.0)), is_bound=False)


def noise_parts(
    floor: Floor | None, quiet: QuietSeconds | None, hum: Hum | None, steady: SteadyNoise | None = None
) -> NoiseParts:
    """What the floor is made of; ``steady`` where no quiet second shows it."""
    near = None if floor is None or quiet is None else quiet.loudest_tenth <= tuned.NEAR_FLOOR * floor.power
    if steady is not None and (near is None or floor is None or floor.is_bound or not near.any()):
        hiss = steady.hiss if steady.hiss >= tuned.STANDS_OUT * steady.middle else 0.0
        is_hum = hum is not None and hum.power > steady.power
        return NoiseParts("hum" if is_hum else "hiss" if hiss else "room", 0.0, hiss)
    if near is None or quiet is None or not near.any():
        return NoiseParts("hum" if hum else None, 0.0, 0.0)
    low, middle, high = quiet.bands[near].mean(axis=0).tolist()
    low, middle = _without_hum(low, middle, hum)
    rumble = low if low >= tuned.STANDS_OUT * middle else 0.0
    hiss = high if high >= tuned.STANDS_OUT * middle else 0.0
    kinds: dict[NoiseKind, float] = {"hum": hum.power if hum else 0.0, "rumble": rumble, "hiss": hiss}
    strongest = max(kinds, key=lambda kind: kinds[kind])
    return NoiseParts(strongest if kinds[strongest] > middle else "room", rumble, hiss)


def _without_hum(low: float, middle: float, hum: Hum | None) -> tuple[float, float]:
    if hum is None:
        return low, middle
    below = sum(10.0 ** (line.dbfs / 10.0) for line in hum.lines if line.hz < tuned.RUMBLE_HZ)
    # What is left of a line that was taken away is a few per cent of it: no noise of its own.
    return max(low - tuned.HUM_LEFT * below, 0.0), max(middle - tuned.HUM_LEFT * (hum.power - below), 0.0)
