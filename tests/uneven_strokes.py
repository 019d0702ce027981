"""Strokes as a recorder hears them: at uneven times, each of another strength, over a little hiss."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["uneven_strokes"]


def uneven_strokes(rng: np.random.Generator, seconds: float, rate: int) -> npt.NDArray[np.float64]:
    """Bursts of noise, 0.2 s each with a decay of 44 ms, every 0.2 to 0.6 s until half a second before the end."""
    out = 1e-3 * rng.standard_normal(int(seconds * rate))
    length, decay = rate // 5, 0.04375 * rate
    time = 0.2
    while time < seconds - 0.5:
        at = int(time * rate)
        shape = np.exp(-np.arange(length) / decay)
        out[at : at + length] += rng.uniform(0.4, 1.0) * rng.standard_normal(length) * shape
        time += rng.uniform(0.2, 0.6)
    return out
