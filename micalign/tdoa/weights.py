"""The weights of the two logits of `micalign.tdoa.posterior`, written by tests/bench/delay/fit_weights.py."""

from __future__ import annotations

from typing import Final

__all__ = ["EVENT_WEIGHTS", "LOG_ODDS", "ONSET_WEIGHTS", "SIGMA_SCALE"]

EVENT_WEIGHTS: Final[dict[str, float]] = {
    "novelty1 share": 0.721,
    "novelty1 height": 0.812,
    "stack1 share": 1.18,
    "novelty2 height": -0.361,
    "stack2 share": 1.42,
    "stack2 height": -0.75,
    "novelty4 share": -1.92,
    "novelty4 height": 0.608,
    "novelty5 height": 0.324,
    "correlation share": 2.94,
    "novelties share": 0.738,
    "earlier novelties": -1.02,
    "stretches share": -3.17,
    "stretches height": 2.78,
    "stretches alike": -19,
    "novelty votes": 1.88,
    "other side's novelties": 1.65,
    "other side's stacks": -1.47,
    "too early": -2.49,
    "far": -1.35,
    "gap": 1.32,
    "own strokes": -3.62,
    "bright middle": -0.707,
    "bright high": 0.86,
    "close mic": -2.46,
    "path share": -3.42,
    "path height": 1.44,
    "path earlier": -6.05,
    "path rival": -1.03,
    "one path": 3.46,
}

ONSET_WEIGHTS: Final[dict[str, float]] = {
    "near likelihood": 0.257,
    "likelihood": 0.172,
    "ed": -2.17,
    "md": 0.779,
    "sw quality": 1.06,
    "ew quality": 1.39,
    "mw quality": 1.6,
    "ed quality": -1.65,
    "stretches": -4.5,
    "stretches alike": -3.2,
    "stretches height": 2.92,
    "correlation": -1.98,
    "correlation share": -3.51,
    "correlation height": 6.15,
    "bright ew": -0.842,
    "bright sd": 0.555,
}

LOG_ODDS: Final = ((0.157, 1.17), (0.956, 1.34))

SIGMA_SCALE: Final = 1.13
