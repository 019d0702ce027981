"""The array types that signatures speak of, and lengths that transform quickly."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

__all__ = ["Bools", "Complexes", "Floats", "Ints", "Real", "fast_length"]

Floats: TypeAlias = npt.NDArray[np.float64]
Complexes: TypeAlias = npt.NDArray[np.complex128]
Ints: TypeAlias = npt.NDArray[np.intp]
Bools: TypeAlias = npt.NDArray[np.bool_]
Real: TypeAlias = npt.NDArray[np.floating[Any]]


@lru_cache(maxsize=64)
def fast_length(least: int) -> int:
    """The smallest length of at least ``least`` that transforms quickly: no prime factor above five.

    >>> fast_length(13), fast_length(1025), fast_length(1)
    (15, 1080, 1)
    """
    best = 1 << max(least - 1, 0).bit_length()
    fives = 1
    while fives < best:
        threes = fives
        while threes < best:
            twos = threes << max(-(-least // threes) - 1, 0).bit_length()
            best = min(best, twos)
            threes *= 3
        fives *= 5
    return best
