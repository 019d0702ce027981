"""Where exactly is the peak of a correlation, and what else looks like one?

The correlation of a sampled pair is a finite sum of cosines, so it has a value at every lag and not only at whole
samples: the maximum of that sum is found by Newton's rule from the nearest point of a fine grid. A parabola through
three samples is off by up to 0.12 sample on a wide-band peak; this is not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Complexes, Floats

__all__ = ["Correlogram", "Peak", "refine", "strongest_peaks"]

APART_S: Final = 0.0004
"""Two peaks nearer than this are lobes of one event."""


@dataclass(frozen=True)
class Peak:
    """A local extreme of a correlation: ``lag_s`` as in `micalign.tdoa.correlation`, ``height`` with its sign."""

    lag_s: float
    height: float

    @property
    def polarity(self) -> int:
        """+1 or -1: the sign of the height."""
        return 1 if self.height >= 0 else -1


@dataclass(frozen=True)
class Correlogram:
    """Values of a correlation at ``lags_s``, evenly spaced and rising, both shape (lags,)."""

    lags_s: Floats
    values: Floats

    @classmethod
    def within(cls, correlation: Floats, step_s: float, max_lag_s: float) -> Correlogram:
        """The lags of either sign up to ``max_lag_s`` of a correlation that holds lag 0 first, negative lags last."""
        half = min(int(max_lag_s / step_s), len(correlation) // 2 - 1)
        numbers = np.arange(-half, half + 1)
        return cls(np.asarray(numbers * step_s, dtype=np.float64), correlation[numbers])

    @property
    def step_s(self) -> float:
        """Seconds from one lag to the next."""
        return float(self.lags_s[1] - self.lags_s[0])


def refine(spectrum: Complexes, frequencies_hz: Floats, lag_s: float, *, within_s: float) -> Peak:
    """The extreme of the sum of cosines nearest to ``lag_s``, and no further than ``within_s`` from it.

    The height is a share of what it would be were every frequency in phase.

    >>> f = np.arange(1.0, 200.0)
    >>> peak = refine(np.exp(-2j * np.pi * f * 0.00123), f, 0.0012, within_s=0.001)
    >>> round(peak.lag_s, 9), round(peak.height, 6)
    (0.00123, 1.0)
    """
    used = np.flatnonzero(spectrum)
    spectrum, omega = spectrum[used], 2.0 * np.pi * frequencies_hz[used]
    total = float(np.abs(spectrum).sum()) or 1.0
    at = lag_s
    for _ in range(40):
        turned = spectrum * np.exp(1j * omega * at)
        value, slope, bend = turned.real.sum(), -(omega * turned.imag).sum(), -(omega**2 * turned.real).sum()
        if bend * value >= 0:
            break
        step = float(np.clip(-slope / bend, -within_s / 4, within_s / 4))
        # Half a sample off a peak of all frequencies Newton's step would lead to a lobe beyond it.
        while abs(step) > 1e-12 and _height(spectrum, omega, at + step) * np.sign(value) < abs(value):
            step /= 2
        at = float(np.clip(at + step, lag_s - within_s, lag_s + within_s))
        if abs(step) < 1e-12:
            break
    height = _height(spectrum, omega, at)
    return Peak(at, height / total)


def _height(spectrum: Complexes, omega: Floats, lag_s: float) -> float:
    return float((spectrum * np.exp(1j * omega * lag_s)).real.sum())


def strongest_peaks(correlogram: Correlogram, *, count: int = 6) -> list[Peak]:
    """The highest local extremes of either sign, the highest first, none a lobe of a higher one."""
    size = np.abs(correlogram.values)
    inside = np.flatnonzero((size[1:-1] >= size[:-2]) & (size[1:-1] >= size[2:]) & (size[1:-1] > 0)) + 1
    found: list[Peak] = []
    for index in inside[np.argsort(size[inside])[::-1]]:
        lag_s = float(correlogram.lags_s[index])
        if all(abs(lag_s - peak.lag_s) >= APART_S for peak in found):
            found.append(Peak(lag_s, float(correlogram.values[index])))
            if len(found) == count:
                break
    return found
