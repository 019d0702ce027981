"""Roughly where is a delay of up to seconds?

Long frames of everything, correlated; the answer is good to a few milliseconds and is measured again from there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.tdoa.evidence import stretch_curve
from micalign.tdoa.strokes import Listened

__all__ = ["RoughDelay", "coarse_delay"]

_FRAME_S: Final = 1.0
_MOST: Final = 16
_APART_S: Final = 0.0004
_CLEAR: Final = (0.8, 0.5)  # of the highest peak for the next one at most, of the groups that agree at least


@dataclass(frozen=True)
class RoughDelay:
    """A rough delay in seconds; ``clear``: no other is nearly as good."""

    delay_s: float
    clear: bool


def coarse_delay(reference: Listened, track: Listened, *, centre_s: float, reach_s: float) -> RoughDelay | None:
    """The best delay within ``reach_s`` of ``centre_s``, to a few milliseconds; None where nothing overlaps."""
    rate = reference.track.sample_rate
    middle, half = round(centre_s * rate), round(reach_s * rate)
    lags = np.arange(middle - half, middle + half + 1)
    whole = stretch_curve(reference, track, lags, length_s=_FRAME_S, most=_MOST)
    if whole is None:
        return None
    size = np.abs(whole.values)
    top = int(np.argmax(size))
    apart = np.abs(np.arange(len(size)) - top) > _APART_S * rate
    rival = float(size[apart].max(initial=0.0)) / max(float(size[top]), 1e-30)
    return RoughDelay(float(lags[top]) / rate, rival < _CLEAR[0] and whole.agreement > _CLEAR[1])
