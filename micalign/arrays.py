"""The array types that signatures speak of, and what every folder does with arrays: cross-spectrum, quick lengths."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt

__all__ = ["Bools", "Complexes", "Floats", "Ints", "Real", "cross_spectrum", "fast_length", "point_of"]

Floats: TypeAlias = npt.NDArray[np.float64]
Complexes: TypeAlias = npt.NDArray[np.complex128]
Ints: TypeAlias = npt.NDArray[np.intp]
Bools: TypeAlias = npt.NDArray[np.bool_]
Real: TypeAlias = npt.NDArray[np.floating[Any]]
_Spectrum = TypeVar("_Spectrum", bound=np.complexfloating[Any, Any])


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


def cross_spectrum(first: npt.NDArray[_Spectrum], second: npt.NDArray[_Spectrum]) -> npt.NDArray[_Spectrum]:
    """conj(X) * Y of two spectra of one shape: the one place where a cross-spectrum is formed, and its sign chosen.

    Transformed back, it is large at a lag of +d where the second comes d LATER than the first.

    >>> late = np.fft.irfft(cross_spectrum(np.fft.rfft([1.0, 0.0, 0.0, 0.0]), np.fft.rfft([0.0, 1.0, 0.0, 0.0])))
    >>> int(late.argmax())
    1
    """
    product: npt.NDArray[_Spectrum] = np.conj(first)
    product *= second
    return product


def point_of(place: Floats) -> tuple[float, float, float]:
    """Three coordinates, shape (3,), as plain numbers.

    >>> point_of(np.array([2.0, 1.0, 0.5]))
    (2.0, 1.0, 0.5)
    """
    x, y, z = place.tolist()
    return (x, y, z)
