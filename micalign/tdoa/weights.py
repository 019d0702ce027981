"""The weights of `micalign.tdoa.posterior`, written by tests/bench/delay/fit_weights.py."""

from __future__ import annotations

from typing import Final

__all__ = ["EVENT_WEIGHTS", "LOG_ODDS", "LOG_SIGMA", "ONSET_WEIGHTS", "RIGHT"]

EVENT_WEIGHTS: Final[dict[str, float]] = {
    "novelty0 share": -0.831,
    "stack1 share": 1.91,
    "stack2 share": 1.86,
    "novelty4 share": -1.19,
    "correlation share": 3.73,
    "stack0 height": 0.449,
    "novelty1 height": 1.48,
    "stack1 height": -0.639,
    "stack2 height": -0.954,
    "novelty4 height": 0.399,
    "novelty5 height": 0.596,
    "earlier novelties": -1.35,
    "other side's novelties": 1.37,
    "other side's stacks": -1.24,
    "too early": -2.49,
    "far": -1.35,
    "gap": 2.03,
    "own strokes": -3.1,
    "bright middle": -0.711,
    "bright high": 1,
    "close mic": -2.91,
    "path earlier": -6.72,
    "path rival": -3.42,
    "one path": 5.9,
}

ONSET_WEIGHTS: Final[dict[str, float]] = {
    "sw": 1.1,
    "sd": -1.29,
    "md": 0.917,
    "sd quality": 1.09,
    "mw quality": 2.11,
    "correlation": -4.64,
    "correlation share": -1.18,
    "correlation height": 6.61,
    "bright sw": -0.61,
    "bright mw": -0.688,
    "bright sd": 1.07,
    "bright md": 0.714,
}

LOG_ODDS: Final[dict[str, tuple[float, float]]] = {
    "related": (-3.3, 0.6),
    "one path": (1.05, 0.885),
}

RIGHT: Final[dict[str, float]] = {
    "one": 1.39,
    "event": 0.858,
    "narrowness": 1.37,
    "rival": 0.206,
    "halves height": 0.447,
    "halves agree": 0.519,
}
"""Of the log odds of a right answer, by `micalign.tdoa.posterior.sureness`."""

LOG_SIGMA: Final = (-8.97, 0.745, -0.796)
"""Of the log of seconds, by `micalign.tdoa.posterior.exactness`."""
