"""Which all-pass sections turn a DI's phase towards its cabinet mic, where a delay alone does not?

After delay and polarity a DI and a cab mic still differ by a phase that turns with frequency. `match_phase` fits one to
three second-order all-pass sections, to be applied to the DI, over the band where the pair is coherent: it raises the
coherent sum and changes no level. Half of the windows fit, the other half proves; a section that does not pay on the
other half is left out.

Section: the all-pass of R. Bristow-Johnson, *Cookbook formulae for audio EQ biquad filter coefficients*: frequency in
hertz, Q > 0, so that its poles lie inside the unit circle for every frequency below half the rate; its phase falls
from 0 through -180 degrees at its frequency to -360 degrees.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.alignment.gain import WINDOW_FRAMES, Moved, bins_hz, spectra
from micalign.arrays import Bools, Complexes, Floats
from micalign.errors import TakeError

__all__ = [
    "MOST_SECTIONS",
    "PhaseMatch",
    "Section",
    "all_pass_blocks",
    "all_pass_response",
    "match_phase",
    "ring_samples",
    "section_coefficients",
]

MOST_SECTIONS: Final = 3
_LEAST_COHERENCE: Final = 0.3
_CHANCE: Final = 1e-4
_LEAST_BINS: Final = 12
_MOST_BINS: Final = 300
_LEAST_GAIN_DB: Final = 0.1  # a section must pay this much on the windows that did not fit it
_LOWEST_HZ, _HIGHEST_HZ = 30.0, 6000.0
_Q_RANGE: Final = (0.2, 4.0)

Section = tuple[float, float]


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


def match_phase(mic: Moved, di: Moved, *, most_sections: int = MOST_SECTIONS) -> PhaseMatch | None:
    """All-pass sections for the DI that make it add up best with the mic; None where nothing is coherent or gained.

    Parameters
    ----------
    mic, di : Moved
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


def _cross_spectra(mic: Moved, di: Moved) -> tuple[_Cross, _Cross]:
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
