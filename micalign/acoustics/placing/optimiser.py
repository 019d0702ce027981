"""The one door to `scipy.optimize`: sequential least squares quadratic programming (D. Kraft, 1988), with our signs.

A constraint is a function that must not be negative. Slopes are central differences, all of one point in a single
call of a function that takes many points at once.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np

from micalign.arrays import Floats

__all__ = ["least", "slopes"]

_STEP_M: Final = 1e-6


def slopes(values_of: Callable[[Floats], Floats], variables: Floats) -> Floats:
    """Central differences of ``values_of``, (N, V) to (N, K), at one point: shape (K, V).

    >>> slopes(lambda x: x**2, np.array([1.0, 3.0])).round(6)
    array([[2., 0.],
           [0., 6.]])
    """
    count = len(variables)
    shifts = np.concatenate([np.eye(count), -np.eye(count)]) * _STEP_M
    values = values_of(variables + shifts)
    slope: Floats = (values[:count] - values[count:]).T / (2 * _STEP_M)
    return slope


def least(
    cost: tuple[Callable[[Floats], float], Callable[[Floats], Floats]],
    allowed: tuple[Callable[[Floats], Floats], Callable[[Floats], Floats]],
    first: Floats,
    *,
    low: Floats,
    high: Floats,
    steps: int,
    gain: float,
) -> Floats:
    """The point of least cost near the first one, where ``allowed`` is not negative; each with its slope.

    >>> least(
    ...     (lambda x: float(x @ x), lambda x: 2 * x),
    ...     (lambda x: x[:1] - 1, lambda x: np.array([[1.0, 0.0]])),
    ...     np.array([3.0, 2.0]), low=np.full(2, -9.0), high=np.full(2, 9.0), steps=50, gain=1e-9,
    ... ).round(4) + 0.0
    array([1., 0.])
    """
    from scipy.optimize import minimize  # noqa: PLC0415 - costs half a second that other commands must not pay

    constraint: Any = {"type": "ineq", "fun": allowed[0], "jac": allowed[1]}
    options: Any = {"maxiter": steps, "ftol": gain}
    bounds: Any = list(zip(low, high, strict=True))
    with np.errstate(all="ignore"):
        found = minimize(
            cost[0],
            first,
            jac=cost[1],
            bounds=bounds,
            constraints=[constraint] if len(allowed[0](first)) else [],
            method="SLSQP",
            options=options,
        )
    reached: Floats = np.where(np.isfinite(found.x), found.x, first)
    return np.clip(reached, low, high)
