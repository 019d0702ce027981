"""Which stretches of a track are worth comparing?

*Stretches* are long overlapping frames over everything that sounds, where different notes tell a delay from a period:
first samples and a window.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from micalign.arrays import Floats, Ints
from micalign.take.tracks import Track
from micalign.tdoa.strokes import Energies

__all__ = ["FrameSet", "common_samples", "matched_window", "moments_to_samples", "stretches"]


@dataclass(frozen=True)
class FrameSet:
    """FrameSet of one window: ``starts``, shape (K,), samples; ``window``, shape (L,)."""

    starts: Ints
    window: Floats

    def __len__(self) -> int:
        return len(self.starts)


def stretches(
    env: Energies,
    frames: int,
    rate: int,
    *,
    length_s: float,
    most: int,
    matched: bool = False,
    within: tuple[int, int] | None = None,
) -> FrameSet:
    """Overlapping frames: all of a short track, the loudest of each equal part of a long one.

    Hann windows that overlap by half add up to one, so that a short track's every sample counts the same. Where both
    tracks are windowed (``matched``) the window rises to the power 1.5, not 2: its square is nearly as even, and what
    leaks beside a band still falls fast. ``within``: the samples to stay inside of, where they hold four frames.
    """
    length = min(round(length_s * rate), frames)
    window = matched_window(length, 0.0) if matched else matched_window(length, 0.0) ** (4 / 3)
    starts = np.arange(-(length // 2), frames, max(length // 2, 1))
    if within is not None and within[1] - within[0] >= 4 * length:
        low, high = within[0], within[1] - length
        starts = np.rint(np.linspace(low, high, -(-2 * (high - low) // length) + 1)).astype(np.intp)
    if len(starts) > most:
        starts = _loudest_of_each(env, starts, length, most)
    return FrameSet(_sounding(env, starts, length), window)


def matched_window(length: int, later: float | Floats, slope: float = 0.0) -> Floats:
    """Half a sine to the power 1.5, shape (length,), ``later`` by a fraction of a sample and ``1 + slope`` as long.

    Many fractions, shape (K, 1), give as many windows, shape (K, length).
    """
    from_middle = (np.arange(length) + 0.5 - 0.5 * length - later) / (1.0 + slope)
    inside = np.clip(from_middle / max(length, 1) + 0.5, 0.0, 1.0)
    window: Floats = np.sin(np.pi * inside) ** 1.5
    return window


def _levels(env: Energies, starts: Ints, length: int) -> Floats:
    total = np.concatenate([[0.0], np.cumsum(env.power)])
    low = np.clip(starts // env.step, 0, len(env.power))
    high = np.clip((starts + length) // env.step, 0, len(env.power))
    levels: Floats = total[high] - total[low]
    return levels


def _loudest_of_each(env: Energies, starts: Ints, length: int, most: int) -> Ints:
    levels = _levels(env, starts, length)
    bounds = np.linspace(0, len(starts), most + 1).astype(np.intp)
    return np.array([starts[a + np.argmax(levels[a:b])] for a, b in pairwise(bounds) if b > a])


def _sounding(env: Energies, starts: Ints, length: int) -> Ints:
    """Without the frames more than 30 dB below the loudest: most of what they hold is noise."""
    levels = _levels(env, starts, length)
    kept = starts[levels > levels.max(initial=0.0) * 1e-3]
    return kept if len(kept) else starts


def moments_to_samples(moments_s: Floats, start_s: float, rate: int) -> Ints:
    """Times on the take's clock to samples of a track, in order."""
    return np.sort(np.rint((moments_s - start_s) * rate).astype(np.intp))


def common_samples(near: Track, far: Track, delay_s: float) -> tuple[int, int]:
    """The samples of the near track that the far one holds as well: a frame cut short in one of them is not alike."""
    later = round((delay_s + near.start_s - far.start_s) * near.sample_rate)
    return max(0, 1 - later), min(near.frames, far.frames - later - 1)
