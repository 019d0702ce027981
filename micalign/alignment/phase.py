"""Which all-pass sections turn a DI's phase towards its cabinet mic, where a delay alone does not?

After delay and polarity a DI and a cab mic still differ by a phase that turns with frequency. `match_phase` fits one to
three second-order all-pass sections, to be applied to the DI, over the band where the pair is coherent: it raises the
coherent sum and changes no level. Half of the windows fit, the other half proves; a section that does not pay on the
other half is left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.alignment.all_pass import Section, all_pass_response
from micalign.alignment.gain import WINDOW_FRAMES, BlendTrack, bins_hz, spectra
from micalign.arrays import Bools, Complexes, Floats

__all__ = ["MOST_SECTIONS", "PhaseMatch", "match_phase"]

MOST_SECTIONS: Final = 3
_LEAST_COHERENCE: Final = 0.3
_CHANCE: Final = 1e-4
_LEAST_BINS: Final = 12
_MOST_BINS: Final = 300
_LEAST_GAIN_DB: Final = 0.1  # a section must pay this much on the windows that did not fit it
_LOWEST_HZ, _HIGHEST_HZ = 30.0, 6000.0
_Q_RANGE: Final = (0.2, 4.0)


@dataclass(frozen=True, slots=True)
class PhaseMatch:
    """All-pass sections as (hertz, Q), the extra shift and polarity they go with, and the proof on unseen windows.

    ``polarity`` is -1 where the sections turn the DI over in the band, so that the flip that delay alone asked for is
    taken back (or made). ``before_db`` and ``after_db`` are the coherent gain of DI plus mic, brought to equal level
    in every band, over the coherent part of the spectrum. ``against`` names the mic.
    """

    sections: tuple[Section, ...]
    shift_s: float
    polarity: int
    before_db: float
    after_db: float
    band_hz: tuple[float, float]
    against: str = ""


def match_phase(mic: BlendTrack, di: BlendTrack, *, most_sections: int = MOST_SECTIONS) -> PhaseMatch | None:
    """All-pass sections for the DI that make it add up best with the mic; None where nothing is coherent or gained.

    Parameters
    ----------
    mic, di : BlendTrack
        Both as delay and polarity leave them.
    most_sections : int
        1 to 3.
    """
    rate = mic.track.sample_rate
    fitting, proving = _cross_spectra(mic, di)
    frequency_hz = bins_hz(rate)
    used = _coherent(fitting, frequency_hz)
    if used.sum() < _LEAST_BINS:
        return None
    target = _Target(frequency_hz[used], fitting.weighted()[used], proving.weighted()[used], rate)
    best = target.tried(())
    before = best.proof_db
    for count in range(1, most_sections + 1):
        found = target.tried(_fitted(target, count))
        if found.proof_db > best.proof_db + _LEAST_GAIN_DB:
            best = found
    if not best.sections:
        return None
    band = float(target.frequency_hz[0]), float(target.frequency_hz[-1])
    return PhaseMatch(best.sections, best.shift_s, best.polarity, before, best.proof_db, band, mic.track.name)


@dataclass
class _Cross:
    """Sums of spectra over windows: mic times conjugate DI, and both powers."""

    cross: Complexes
    mic: Floats
    di: Floats
    windows: int = 0

    @classmethod
    def empty(cls) -> _Cross:
        bins = WINDOW_FRAMES // 2 + 1
        return cls(np.zeros(bins, dtype=np.complex128), np.zeros(bins), np.zeros(bins))

    def add(self, mic: Complexes, di: Complexes) -> None:
        self.windows += 1
        self.cross += mic * np.conj(di)
        self.mic += np.abs(mic) ** 2
        self.di += np.abs(di) ** 2

    def coherence(self) -> Floats:
        return np.abs(self.cross) ** 2 / np.maximum(self.mic * self.di, 1e-30)

    def weighted(self) -> Complexes:
        """Cross-spectrum with the weight of its coherent energy; its phase is what the DI must be turned by."""
        return self.cross / max(float(np.sqrt(self.mic.sum() * self.di.sum())), 1e-30)


def _cross_spectra(mic: BlendTrack, di: BlendTrack) -> tuple[_Cross, _Cross]:
    halves = _Cross.empty(), _Cross.empty()
    for index, (one, other) in enumerate(spectra(mic, di)):
        # Two in a row overlap by half, so the halves change every second window.
        halves[(index // 2) % 2].add(one, other)
    return halves


def _coherent(half: _Cross, frequency_hz: Floats) -> Bools:
    inside = (frequency_hz >= _LOWEST_HZ) & (frequency_hz <= _HIGHEST_HZ)
    # Strangers reach a coherence of 1 - chance^(1/(n - 1)) with n independent windows; overlapping ones count half.
    by_chance = 1.0 - _CHANCE ** (1.0 / max(0.5 * half.windows - 1.0, 1.0))
    used: Bools = inside & (half.coherence() > max(_LEAST_COHERENCE, by_chance))
    return _thinned(used)


def _thinned(used: Bools) -> Bools:
    """At most `_MOST_BINS` of the bins, evenly spread: a smooth phase needs no more."""
    numbers = np.flatnonzero(used)
    kept = np.zeros_like(used)
    kept[numbers[:: max(1, -(-len(numbers) // _MOST_BINS))]] = True
    return kept


@dataclass(frozen=True)
class _Trial:
    sections: tuple[Section, ...]
    shift_s: float
    polarity: int
    proof_db: float


@dataclass(frozen=True)
class _Target:
    """What a phase curve is held against: the cross-spectrum of the fitting and of the proving windows."""

    frequency_hz: Floats
    fitting: Complexes
    proving: Complexes
    sample_rate: int

    def turned(self, sections: Sequence[Section], shift_s: float) -> Complexes:
        """The response that the DI gets, conjugated as it meets the cross-spectrum."""
        response = all_pass_response(sections, self.frequency_hz, sample_rate=self.sample_rate)
        turned: Complexes = np.conj(response) * np.exp(2j * np.pi * self.frequency_hz * shift_s)
        return turned

    def agreement(self, spectrum: Complexes, sections: Sequence[Section], shift_s: float) -> float:
        """Coherent share, -1 to 1: 1 where every bin adds up in phase."""
        total = float(np.abs(spectrum).sum())
        return float((spectrum * self.turned(sections, shift_s)).real.sum()) / max(total, 1e-30)

    def tried(self, answer: Sequence[float]) -> _Trial:
        """The trial of fitted numbers: a shift, then log-frequency and log-Q of each section."""
        shift_s = answer[0] if len(answer) else 0.0
        sections = _sections(answer[1:])
        sign = 1 if not sections or self.agreement(self.fitting, sections, shift_s) >= 0 else -1
        share = sign * self.agreement(self.proving, sections, shift_s)
        return _Trial(sections, shift_s, sign, float(10.0 * np.log10(max(1.0 + share, 1e-6))))


def _sections(numbers: Sequence[float]) -> tuple[Section, ...]:
    pairs = zip(numbers[::2], numbers[1::2], strict=True)
    return tuple((float(np.exp(frequency)), float(np.exp(q))) for frequency, q in pairs)


def _fitted(target: _Target, count: int) -> list[float]:
    """Shift, log-frequencies and log-Qs that bring the fitting windows together best, of either polarity."""
    from scipy.optimize import minimize  # noqa: PLC0415 - only a matched phase pays for it

    low, high = (
        np.log(target.frequency_hz[0] * 0.5),
        np.log(min(target.frequency_hz[-1] * 2.0, 0.45 * target.sample_rate)),
    )
    bounds = [(-2e-3, 2e-3)] + [(low, high), (np.log(_Q_RANGE[0]), np.log(_Q_RANGE[1]))] * count

    def misfit(numbers: Floats) -> float:
        return -abs(target.agreement(target.fitting, _sections(numbers[1:].tolist()), float(numbers[0])))

    best, least = [0.0] * (1 + 2 * count), np.inf
    for start in _starting_points(low, high, count):
        found = minimize(misfit, start, method="L-BFGS-B", bounds=bounds)
        if found.fun < least:
            best, least = found.x.tolist(), float(found.fun)
    return best


def _starting_points(low: float, high: float, count: int) -> Iterator[list[float]]:
    """Sections spread over the band, from either end, with and without a little delay."""
    middle = np.linspace(low, high, count + 2)[1:-1]
    for slide in (-0.25, 0.1):
        for shift_s in (-3e-4, 0.0, 3e-4):
            numbers = [shift_s]
            for frequency in middle:
                numbers += [float(frequency + slide * (high - low)), float(np.log(0.7))]
            yield numbers
