"""Simulated DIs and what comes back of them: bass lines through a cabinet, re-amped guitars; the truth is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import signal

RATE = 48000


@dataclass(frozen=True)
class DiTake:
    di: np.ndarray
    mic: np.ndarray
    delay_s: float  # what was inserted; the cabinet's own phase comes on top
    polarity: int


def bass_line(rng: np.random.Generator, seconds: float) -> np.ndarray:
    """Plucked notes from 41 to 100 Hz with harmonics that die the faster the higher they are."""
    out, t = np.zeros(int(seconds * RATE)), 0.1
    while t < seconds - 0.6:
        f0 = 41.2 * 2 ** (rng.integers(0, 16) / 12)
        time = np.arange(int(rng.uniform(0.25, 0.6) * RATE)) / RATE
        note = sum(
            np.sin(2 * np.pi * k * f0 * np.sqrt(1 + 2e-5 * k**2) * time + rng.uniform(0, 6))
            / k**1.2
            * np.exp(-time * (2 + 1.5 * k))
            for k in range(1, 13)
        )
        note *= np.minimum(time / 0.003, 1) * np.minimum((time[-1] - time) / 0.01, 1) * rng.uniform(0.5, 1)
        start = int(t * RATE)
        out[start : start + len(note)] += note[: len(out) - start]
        t += rng.choice([0.25, 0.375, 0.5]) * rng.uniform(0.97, 1.03)
    return out / np.abs(out).max()


def delayed(x: np.ndarray, delay_s: float) -> np.ndarray:
    size = 1 << (len(x) + int(abs(delay_s) * RATE) + 64).bit_length()
    f = np.fft.rfftfreq(size, 1 / RATE)
    return np.fft.irfft(np.fft.rfft(x, size) * np.exp(-2j * np.pi * f * delay_s), size)[: len(x)]


def bass_take(seed: int, *, seconds: float = 12.0, latency_s: tuple[float, float] = (0.0, 0.040)) -> DiTake:
    rng = np.random.default_rng(seed)
    di = bass_line(rng, seconds)
    driven = np.tanh(di * rng.uniform(1, 6))
    cab = signal.butter(2, [rng.uniform(45, 80), rng.uniform(2500, 5000)], "bandpass", fs=RATE, output="sos")
    delay_s = rng.uniform(*latency_s)
    polarity = int(rng.choice([-1, 1]))
    mic = polarity * delayed(signal.sosfilt(cab, driven), delay_s)
    mic = mic / np.abs(mic).max() * 0.5 + rng.standard_normal(len(mic)) * 0.5e-3
    return DiTake(0.5 * di + rng.standard_normal(len(di)) * 1e-4, mic, delay_s, polarity)


def reamp_take(seed: int, *, seconds: float = 14.0, distorted: bool) -> DiTake:
    """A strummed guitar sent out and recorded back 5 to 1500 ms late."""
    rng = np.random.default_rng(seed)
    out, t = np.zeros(int(seconds * RATE)), 0.2
    while t < seconds - 1.0:
        time = np.arange(int(0.5 * RATE)) / RATE
        for string in range(int(rng.integers(2, 6))):
            f0 = 82.4 * 2 ** (rng.integers(0, 30) / 12)
            note = sum(
                np.sin(2 * np.pi * k * f0 * time + rng.uniform(0, 6)) / k * np.exp(-time * (3 + k))
                for k in range(1, 16)
            )
            start = int((t + 0.004 * string) * RATE)
            out[start : start + len(note)] += (note * np.minimum(time / 0.001, 1))[: len(out) - start]
        t += rng.choice([0.2, 0.3, 0.4, 0.6]) * rng.uniform(0.95, 1.05)
    out += 0.02 * rng.standard_normal(len(out)) * np.abs(out)
    out /= np.abs(out).max()
    delay_s = rng.uniform(0.005, 1.5)
    polarity = int(rng.choice([-1, 1]))
    back = out
    if distorted:
        back = np.tanh(back * rng.uniform(4, 12))
        back = signal.sosfilt(signal.butter(2, [80, 5000], "bandpass", fs=RATE, output="sos"), back)
    back = polarity * delayed(back, delay_s)
    return DiTake(0.5 * out, 0.5 * back / np.abs(back).max() + rng.standard_normal(len(out)) * 1e-3, delay_s, polarity)


def best_sum(
    di: np.ndarray, mic: np.ndarray, *, low_hz: float, high_hz: float, reach_s: float = 0.06
) -> tuple[float, int, float]:
    """The single delay and polarity that sum best in a band, by exhaustive search, and their coherent gain in dB."""
    size = 1 << (2 * len(di)).bit_length()
    f = np.fft.rfftfreq(size, 1 / RATE)
    x, y = np.fft.rfft(di, size), np.fft.rfft(mic, size)
    inside = (f >= low_hz) & (f <= high_hz)
    r = np.fft.irfft(np.conj(x) * y * inside, size * 2) * 2
    lags = np.arange(-int(reach_s * RATE * 2), int(reach_s * RATE * 2) + 1)
    best = lags[np.argmax(np.abs(r[lags]))]
    parts = np.sum((np.abs(x) ** 2 + np.abs(y) ** 2) * inside) / size * 2
    return best / RATE / 2, int(np.sign(r[best])), float(10 * np.log10(1 + 2 * abs(r[best]) / parts))
