"""Samples to integers: exact where they are integers already, with triangular dither where they are not.

Triangular dither (two uniform draws of one step's width) makes the rounding error's mean and power independent of
the signal: Lipshitz, Wannamaker and Vanderkooy, JAES 40(5) 355-375, 1992. Its draws are seeded, so a file written
twice is the same twice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from micalign.arrays import Floats

__all__ = ["Integers", "to_integers"]


@dataclass(frozen=True, slots=True)
class Integers:
    """Samples as integers of ``bits`` bits, and how many were held at a rail to fit."""

    values: npt.NDArray[np.int32]
    clipped: int


def to_integers(samples: Floats, bits: int, *, dither: np.random.Generator | None = None) -> Integers:
    """Round samples (full scale +-1, any shape) to integers of ``bits`` bits.

    Parameters
    ----------
    samples : ndarray of float64
        Full scale +-1.
    bits : int
        8 to 32.
    dither : numpy.random.Generator, optional
        Where the dither is drawn from; none without it, and values that are integers already then stay exact.

    Returns
    -------
    Integers
        Values in the shape of ``samples``; a sample beyond the rails is held there and counted.

    Examples
    --------
    >>> to_integers(np.array([0.5, -1.0, 1.0]), 16)
    Integers(values=array([ 16384, -32768,  32767], dtype=int32), clipped=1)
    """
    full = float(1 << (bits - 1))
    scaled = samples * full
    if dither is not None:
        scaled += dither.random(samples.shape, dtype=np.float32)
        scaled -= dither.random(samples.shape, dtype=np.float32)
    np.rint(scaled, out=scaled)
    clipped = 0
    if scaled.max(initial=0.0) > full - 1 or scaled.min(initial=0.0) < -full:
        clipped = int(np.count_nonzero((scaled > full - 1) | (scaled < -full)))
        np.clip(scaled, -full, full - 1, out=scaled)
    return Integers(scaled.astype(np.int32), clipped)
