"""The weights of `micalign.tdoa.posterior`, written by tests/bench/delay/fit_weights.py."""

from __future__ import annotations

from typing import Final

__all__ = ["EVENT_WEIGHTS", "LOG_ODDS", "LOG_SIGMA", "ONSET_WEIGHTS", "RIGHT"]

EVENT_WEIGHTS: Final[dict[str, float]] = {
    "novelty0 height": 1.29,
    "stack0 share": 1.83,
    "stack0 height": -0.389,
    "stack1 share": 1.34,
    "stack1 height": -0.695,
    "novelty2 share": -0.508,
    "novelty3 share": -1.68,
    "novelty3 height": 0.62,
    "novelty4 height": 0.732,
    "correlation share": 3.15,
    "novelties share": 1.56,
    "novelties height": -0.591,
    "earlier novelties": -1.14,
    "stretches share": -2.68,
    "stretches height": 2.4,
    "stretches alike": -18,
    "other side's novelties": 1.63,
    "other side's stacks": -1.37,
    "too early": -2.67,
    "far": -1.19,
    "strokes": 0.196,
    "gap": 1.59,
    "own strokes": -3.63,
    "bright middle": -0.562,
    "bright high": 0.998,
    "close mic": -3.4,
    "path earlier": -6.56,
    "path rival": -2.82,
    "one path": 4.96,
}

ONSET_WEIGHTS: Final[dict[str, float]] = {
    "near likelihood": 0.0949,
    "sw": 0.984,
    "ed": -1.29,
    "md": 0.932,
    "ew quality": 1.03,
    "mw quality": 2.12,
    "stretches": -2.37,
    "stretches alike": 0.874,
    "stretches height": 0.825,
    "correlation": -4.38,
    "stack0": -0.926,
    "correlation share": -1.77,
    "correlation height": 7.04,
    "bright mw": -0.834,
    "bright sd": 0.639,
    "bright md": 0.814,
}

LOG_ODDS: Final[dict[str, tuple[float, float]]] = {
    "related": (-3.26, 0.611),
    "one path": (1.12, 0.974),
}

RIGHT: Final[dict[str, float]] = {
    "one": 1.62,
    "event": 0.656,
    "narrowness": 1.55,
    "rival": 0.133,
    "halves height": 0.356,
    "halves agree": 0.553,
}
"""Of the log odds of a right answer, by `micalign.tdoa.posterior.sureness`."""

LOG_SIGMA: Final = (-8.94, 0.773, -0.944)
"""Of the log of seconds, by `micalign.tdoa.posterior.exactness`."""
