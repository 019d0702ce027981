"""What a sum gains, by arithmetic of its own: whole-take spectra, exhaustive search, no code shared with the package.

Coherent gain: energy of the sum against the sum of the energies, both tracks brought to equal loudness (K-weighting of
Recommendation ITU-R BS.1770-4, annex 1, tables 1 and 2: coefficients for 48 kHz; ungated).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.signal import freqz

LOWS_HZ = (60.0, 250.0)
BROAD_HZ = (60.0, 2500.0)
_SHELF = ([1.53512485958697, -2.69169618940638, 1.19839281085285], [1.0, -1.69065929318241, 0.73248077421585])
_HIGHPASS = ([1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621])


@dataclass(frozen=True)
class Choice:
    """What is done to the mic: so much earlier, flipped or not; and sections (hertz, Q) to the DI."""

    delay_s: float = 0.0
    polarity: int = 1
    sections: tuple[tuple[float, float], ...] = ()


class Pair:
    """The spectra of a DI and its mic at equal loudness."""

    def __init__(self, di: np.ndarray, mic: np.ndarray, rate: int) -> None:
        self.rate = rate
        self.size = 1 << int(np.ceil(np.log2(len(di) + rate)))
        self.hz = np.fft.rfftfreq(self.size, 1 / rate)
        weight = np.abs(freqz(*_SHELF, self.hz, fs=rate)[1] * freqz(*_HIGHPASS, self.hz, fs=rate)[1]) ** 2
        spectra = [np.fft.rfft(sound, self.size) for sound in (di, mic)]
        self.di, self.mic = (one / np.sqrt(np.sum(np.abs(one) ** 2 * weight)) for one in spectra)

    def gain_db(self, choice: Choice, band_hz: tuple[float, float]) -> float:
        """Of the sum in a band."""
        inside = (self.hz >= band_hz[0]) & (self.hz < band_hz[1])
        hz, di, mic = self.hz[inside], self.di[inside], self.mic[inside]
        turned = di * all_pass(choice.sections, hz, self.rate)
        moved = choice.polarity * mic * np.exp(2j * np.pi * hz * choice.delay_s)
        parts = np.sum(np.abs(turned) ** 2) + np.sum(np.abs(moved) ** 2)
        return float(10 * np.log10(np.sum(np.abs(turned + moved) ** 2) / parts))

    def best(self, band_hz: tuple[float, float], *, around_s: float = 0.0, reach_s: float = 0.5) -> Choice:
        """The delay and polarity of the largest sum in a band, by trying all of them (four a sample)."""
        inside = (self.hz >= band_hz[0]) & (self.hz < band_hz[1])
        fine = np.fft.irfft(np.conj(self.di) * self.mic * inside, 4 * self.size)
        lags = np.arange(int((around_s - reach_s) * self.rate * 4), int((around_s + reach_s) * self.rate * 4) + 1)
        best = int(lags[np.argmax(np.abs(fine[lags]))])
        return Choice(best / self.rate / 4, int(np.sign(fine[best])))

    def best_sections(self, start: Choice, band_hz: tuple[float, float]) -> Choice:
        """Two sections beside the best delay, fitted at the 400 strongest bins without a bound on their group delay."""
        inside = np.flatnonzero((self.hz >= band_hz[0]) & (self.hz < band_hz[1]))
        cross = np.conj(self.di[inside]) * self.mic[inside]
        strong = np.sort(np.argsort(np.abs(cross))[-400:])
        cross, hz = cross[strong], self.hz[inside][strong]
        best, least = start, np.inf
        for first, second, more_ms in ((70, 300, 0.0), (120, 600, 0.3), (90, 1500, -0.3)):
            numbers = [start.delay_s * 1e3 + more_ms, np.log(first), np.log(0.7), np.log(second), np.log(0.7)]
            found = minimize(self._misfit, numbers, args=(cross, hz), method="Nelder-Mead", options={"maxiter": 400})
            if found.fun < least:
                least, value = found.fun, found.x
                sections = (tuple(np.exp(value[1:3]).tolist()), tuple(np.exp(value[3:]).tolist()))
                tries = [Choice(float(value[0]) / 1e3, sign, sections) for sign in (1, -1)]
                best = max(tries, key=lambda one: self.gain_db(one, band_hz))
        return best

    def _misfit(self, value, cross, hz) -> float:
        frequency, q = np.exp(value[1::2]), np.exp(value[2::2])
        if np.any(frequency > 0.4 * self.rate) or np.any(q > 50):
            return 0.0
        turned = np.conj(all_pass(list(zip(frequency, q, strict=True)), hz, self.rate))
        return -abs(float(np.sum((cross * turned * np.exp(2j * np.pi * hz * value[0] / 1e3)).real)))


def all_pass(sections, hz: np.ndarray, rate: int) -> np.ndarray:
    """Second-order all-pass sections in the cookbook's form, evaluated by scipy."""
    out = np.ones(len(hz), dtype=complex)
    for frequency, q in sections:
        turn = 2 * np.pi * frequency / rate
        alpha, cos = np.sin(turn) / (2 * q), np.cos(turn)
        out *= freqz([1 - alpha, -2 * cos, 1 + alpha], [1 + alpha, -2 * cos, 1 - alpha], hz, fs=rate)[1]
    return out
