"""DIs and what a mic hears of their cabinet: bass and guitar, clean and driven, close, far and re-amped.

Players are synthesised (`bench.delay.sounds`), cabinets are measured (`bench.alignment.cabinets`), and amplifier and
room are made here. Delays are positive: the mic is later.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
from bench.alignment.cabinets import HALVES, response
from bench.delay.sounds import RATE, bass_line, guitar
from scipy.signal import butter, fftconvolve, sosfilt

SECONDS = 10.0
INSTRUMENTS = ("bass", "guitar")
DRIVES = ("clean", "driven")
PLACES = ("close", "far", "re-amped", "re-amped late")
LATENCY_S = {"close": (0.0, 0.001), "far": (0.002, 0.006), "re-amped": (0.003, 0.04), "re-amped late": (0.06, 0.4)}


@dataclass(frozen=True)
class Case:
    """One DI and its mic; ``arrival_s``: when the response begins in the mic."""

    label: str
    di: np.ndarray
    mic: np.ndarray
    arrival_s: float
    place: str
    di_first: bool


def cases(half: str, *, seed: int = 0) -> Iterator[Case]:
    """Every cabinet of a half with every instrument, drive and place: 80 for development, 64 held out."""
    for number, instrument, drive, place in product(HALVES[half], INSTRUMENTS, DRIVES, PLACES):
        yield case(number, instrument, drive, place, seed=seed)


def case(number: int, instrument: str, drive: str, place: str, *, seed: int = 0) -> Case:
    """One of them."""
    kinds = INSTRUMENTS.index(instrument), DRIVES.index(drive), PLACES.index(place)
    rng = np.random.default_rng([seed, number, *kinds, 18])
    dry = bass_line(rng, SECONDS) if instrument == "bass" else guitar(rng, SECONDS)
    cabinet, lead_s = response(number, RATE)
    sound = fftconvolve(amplified(rng, dry, drive), cabinet)
    if place == "far":
        sound = fftconvolve(sound, _room(rng))
    late_s = rng.uniform(*LATENCY_S[place])
    mic = rng.choice([-1, 1]) * delayed(sound, late_s, len(dry))
    mic = 0.5 * mic / np.abs(mic).max() + rng.normal(size=len(dry)) * 10 ** (rng.uniform(-75, -60) / 20)
    di = 0.4 * dry + rng.normal(size=len(dry)) * 10 ** (-80 / 20)
    label = f"cabinet {number} {instrument} {drive} {place}"
    return Case(label, di, mic, late_s + lead_s, place, bool(rng.random() < 0.7))


def amplified(rng: np.random.Generator, dry: np.ndarray, drive: str) -> np.ndarray:
    if drive == "clean":
        return dry
    pushed = np.tanh(rng.uniform(3, 15) * dry + rng.uniform(0, 0.2))
    return sosfilt(butter(1, rng.uniform(20, 40), "highpass", fs=RATE, output="sos"), pushed)


def _room(rng: np.random.Generator) -> np.ndarray:
    """Direct sound, a floor, two walls and a tail."""
    out = np.zeros(int(0.35 * RATE))
    out[0] = 1.0
    for late_s, level_db in ((rng.uniform(0.001, 0.004), -6), (rng.uniform(0.004, 0.01), -9), (0.013, -12)):
        out[int(late_s * RATE)] += 10 ** ((level_db + rng.uniform(-2, 2)) / 20)
    time = np.arange(len(out)) / RATE
    tail = rng.normal(size=len(out)) * np.exp(-time / 0.06) * (time > 0.012)
    return out + tail * np.sqrt(0.06 / np.sum(tail**2))


def delayed(sound: np.ndarray, late_s: float, frames: int) -> np.ndarray:
    size = 1 << int(np.ceil(np.log2(len(sound) + late_s * RATE + 64)))
    hz = np.fft.rfftfreq(size, 1 / RATE)
    return np.fft.irfft(np.fft.rfft(sound, size) * np.exp(-2j * np.pi * hz * late_s), size)[:frames]
