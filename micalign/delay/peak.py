"""Where exactly is the peak of a correlation, and what else looks like one?

The correlation of a sampled pair is a finite sum of cosines, so it has a value at every lag and not only at whole
samples: the maximum of that sum is found by Newton's rule from the nearest point of a fine grid. A parabola through
three samples is off by up to 0.12 sample on a wide-band peak; this is not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from micalign.arrays import Complexes, Floats, Ints

__all__ = ["Peak", "refine", "strongest_peaks"]


@dataclass(frozen=True)
class Peak:
    """A local extreme of a correlation: ``lag_s`` as in `micalign.delay.correlation`, ``height`` with its sign."""

    lag_s: float
    height: float

    @property
    def polarity(self) -> int:
        """+1 or -1: the sign of the height."""
        return 1 if self.height >= 0 else -1


def refine(spectrum: Complexes, frequencies_hz: Floats, lag_s: float, *, within_s: float) -> Peak:
    """The extreme of the sum of cosines nearest to ``lag_s``, and no further than ``within_s`` from it.

    >>> f = np.arange(1.0, 200.0)
    >>> peak = refine(np.exp(-2j * np.pi * f * 0.00123), f, 0.0012, within_s=0.001)
    >>> round(peak.lag_s, 9), round(peak.height, 6)
    (0.00123, 1.0)
    """
    omega = 2.0 * np.pi * frequencies_hz
    total = float(np.abs(spectrum).sum()) or 1.0
    at = lag_s
    for _ in range(30):
        turned = spectrum * np.exp(1j * omega * at)
        value, slope, bend = turned.real.sum(), -(omega * turned.imag).sum(), -(omega**2 * turned.real).sum()
        if bend * value >= 0:
            break
        step = -slope / bend
        at = float(np.clip(at + step, lag_s - within_s, lag_s + within_s))
        if abs(step) < 1e-12:
            break
    height = float((spectrum * np.exp(1j * omega * at)).real.sum())
    return Peak(at, height / total)


def strongest_peaks(
    correlation: Floats, step_s: float, max_lag_s: float, *, apart_s: float, count: int = 6
) -> list[Peak]:
    """The highest local extremes of either sign within ``max_lag_s``, at least ``apart_s`` from each other.

    ``correlation`` holds lag 0 first and the negative lags last, ``step_s`` apart.
    """
    half = min(int(max_lag_s / step_s), len(correlation) // 2 - 1)
    lags: Ints = np.arange(-half, half + 1)
    values = correlation[lags]
    size = np.abs(values)
    inside = np.flatnonzero((size[1:-1] >= size[:-2]) & (size[1:-1] >= size[2:])) + 1
    order = inside[np.argsort(size[inside])[::-1]]
    found: list[Peak] = []
    for index in order:
        lag_s = float(lags[index] * step_s)
        if all(abs(lag_s - peak.lag_s) >= apart_s for peak in found):
            found.append(Peak(lag_s, float(values[index])))
            if len(found) == count:
                break
    return found
