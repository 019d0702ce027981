"""The weights of the two logits of `micalign.tdoa.posterior`, written by tests/bench/delay/fit_weights.py."""

from __future__ import annotations

from typing import Final

__all__ = ["EVENT_WEIGHTS", "LOG_ODDS", "ONSET_WEIGHTS", "SIGMA_SCALE"]

EVENT_WEIGHTS: Final[dict[str, float]] = {
    "novelty0 height": -0.258,
    "novelty1 share": 0.411,
    "novelty1 height": 0.944,
    "stack1 share": 1.16,
    "novelty2 height": -0.422,
    "stack2 share": 1.36,
    "stack2 height": -0.729,
    "novelty3 share": -0.681,
    "novelty4 share": -2.15,
    "novelty4 height": 0.72,
    "novelty5 height": 0.45,
    "correlation share": 3,
    "novelties share": 1.46,
    "earlier novelties": -0.965,
    "stretches share": -2.67,
    "stretches height": 2.56,
    "stretches alike": -20.2,
    "novelty votes": 1.93,
    "other side's novelties": 1.69,
    "other side's stacks": -1.46,
    "too early": -2.42,
    "far": -1.33,
    "gap": 1.31,
    "own strokes": -3.48,
    "bright middle": -0.707,
    "bright high": 0.845,
    "close mic": -2.63,
    "path earlier": -6.46,
    "path rival": -2.91,
    "one path": 4.96,
}

ONSET_WEIGHTS: Final[dict[str, float]] = {
    "near likelihood": 0.265,
    "likelihood": 0.174,
    "ed": -2.15,
    "md": 0.778,
    "sw quality": 1.06,
    "ew quality": 1.4,
    "mw quality": 1.6,
    "ed quality": -1.69,
    "stretches": -4.53,
    "stretches alike": -3.07,
    "stretches height": 2.91,
    "correlation": -1.96,
    "correlation share": -3.54,
    "correlation height": 6.15,
    "bright ew": -0.849,
    "bright sd": 0.553,
}

LOG_ODDS: Final = ((0.155, 1.17), (1.26, 1.7))

SIGMA_SCALE: Final = 1.09
