"""How loud is steady broadband noise under sound that never pauses?

Music never stays: what is left between its strokes decays, swells or is struck anew. The hiss of a preamp does stay: it
is one and the same in every band at once, and nothing is ever quieter. So the tenths of a second in which no band above
2 kHz lies off its quiet level by more than noise of that bandwidth does by chance are counted; many of them, spread by
no more than chance from each other, are noise; some must follow each other, where what decays to the same level before
every stroke does not stay there. Noise of a bandwidth B over a time T has 2 B T degrees of freedom, a
Hann window leaves half of them (its equivalent noise bandwidth, 1.5 bins, and the overlap of its lines), so a power is
read within sqrt(2 / (B T)) of itself. Held tones are as steady: they are told by their lines, for the geometric mean of
a noise's bins is 0.56 of the arithmetic one, that of lines far less.

Powers are mean squares against full scale 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Bools, Floats
from micalign.take import tuned

__all__ = [
    "SteadyMeter",
    "SteadyNoise",
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
        heard = all_bands[(all_bands[:, 1:-2] > tuned.SILENT_POWER).all(axis=1)]
        if len(heard) < tuned.STEADY_LEAST_TENTHS:
            return None
        level = np.log(heard[:, 1:-2]) * _DB
        alike, floor = self._alike(level)
        spread = float(np.std((level[alike] - floor).mean(axis=1))) if alike.any() else math.inf
        enough = max(tuned.STEADY_LEAST_TENTHS, tuned.STEADY_SHARE_OF_ALL * len(heard))
        together = int((alike[1:] & alike[:-1]).sum())
        is_noise = alike.sum() >= enough and together >= tuned.STEADY_PAIRS and spread <= tuned.STEADY_SPREAD_DB
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
