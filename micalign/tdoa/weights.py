"""The weights of `micalign.tdoa.posterior`, written by tests/bench/delay/fit_weights.py."""

from __future__ import annotations

from typing import Final

__all__ = ["EVENT_WEIGHTS", "LOG_ODDS", "LOG_SIGMA", "ONSET_WEIGHTS"]

EVENT_WEIGHTS: Final[dict[str, float]] = {
    "novelty1 height": 1.27,
    "stack1 share": 1.84,
    "stack1 height": -0.431,
    "novelty2 height": -0.283,
    "stack2 share": 1.29,
    "stack2 height": -0.607,
    "novelty3 share": -0.449,
    "novelty4 share": -1.67,
    "novelty4 height": 0.58,
    "novelty5 height": 0.713,
    "correlation share": 3.1,
    "novelties share": 1.74,
    "novelties height": -0.376,
    "earlier novelties": -0.992,
    "stretches share": -2.62,
    "stretches height": 2.46,
    "stretches alike": -18.5,
    "other side's novelties": 1.72,
    "other side's stacks": -1.27,
    "too early": -2.57,
    "far": -1.27,
    "gap": 1.3,
    "own strokes": -3.44,
    "bright low": -0.217,
    "bright middle": -0.586,
    "bright high": 0.961,
    "close mic": -3.12,
    "path earlier": -6.48,
    "path rival": -2.9,
    "one path": 4.96,
}

ONSET_WEIGHTS: Final[dict[str, float]] = {
    "near likelihood": 0.28,
    "likelihood": 0.15,
    "ed": -2.33,
    "md": 0.8,
    "sw quality": 1.06,
    "ew quality": 1.35,
    "mw quality": 1.69,
    "ed quality": -1.44,
    "stretches": -4.45,
    "stretches alike": -3.09,
    "stretches height": 2.87,
    "correlation": -1.94,
    "correlation share": -3.56,
    "correlation height": 6.14,
    "bright ew": -0.85,
    "bright sd": 0.551,
}

LOG_ODDS: Final[dict[str, tuple[float, float]]] = {
    "event": (1.62, 2.18),
    "onset": (3.19, 2.85),
    "one path": (1.34, 1.66),
}

LOG_SIGMA: Final = (-9.06, 0.991, -0.873)
"""Of the log of seconds, by `micalign.tdoa.posterior.exactness`."""
