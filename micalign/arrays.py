"""The array types that signatures speak of."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

__all__ = ["Bools", "Complexes", "Floats", "Ints", "Real"]

Floats: TypeAlias = npt.NDArray[np.float64]
Complexes: TypeAlias = npt.NDArray[np.complex128]
Ints: TypeAlias = npt.NDArray[np.intp]
Bools: TypeAlias = npt.NDArray[np.bool_]
Real: TypeAlias = npt.NDArray[np.floating[Any]]
