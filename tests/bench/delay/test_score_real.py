"""The real bench's own arithmetic: lags, what counts as right, and the level gained in a sum."""

from __future__ import annotations

from importlib import import_module

import numpy as np
import pytest
from bench.delay import realtakes
from bench.delay.estimators import BASELINES, Answer
from bench.delay.left_out import RULES, without_rule
from bench.delay.score_real import row
from bench.delay.sum_gain import gains

RATE = 44100
LATE = {"Snare_top": 0, "OHL": 110, "OHR": 110}


@pytest.fixture
def take(rng):
    """Six bursts of a snare that both overheads hear 110 samples later."""
    dry = np.zeros(4 * RATE)
    times = 0.3 + 0.6 * np.arange(6)
    for at in times:
        start = int(at * RATE)
        dry[start : start + 6000] += rng.normal(size=6000) * np.exp(-np.arange(6000) / 900)
    mics = {name: np.roll(dry, samples) for name, samples in LATE.items()}
    window = realtakes.Window("snare", 0.00245, 0.00255, 1, True)
    pair = realtakes.Pair("Snare_top", "OHL", "snare", (window,))
    return realtakes.Take(
        "made", "rock", 0, "held-out", RATE, mics, (pair,), tuple(("snare", float(at)) for at in times)
    )


@pytest.mark.parametrize("name", list(BASELINES))
def test_a_baseline_tells_later_as_positive(take, name):
    """Both textbook answers: 110 samples later in the second mic, and the polarity when one is turned over."""
    tracks = [("Snare_top", take.mics["Snare_top"]), ("OHL", -take.mics["OHL"])]
    answer = BASELINES[name](tracks, RATE, ("Snare_top", "OHL"))
    assert answer.delay_s * RATE == pytest.approx(110, abs=0.01)
    assert answer.polarity == -1


@pytest.mark.parametrize(
    ("delay_ms", "sigma_ms", "polarity", "right"),
    [
        (2.5, 0.01, 1, True),
        (2.5, 0.01, -1, False),  # the other polarity
        (2.64, 0.01, 1, True),  # 0.09 ms outside
        (2.70, 0.01, 1, False),
        (2.70, 0.10, 1, True),  # within two of its own sigma
        (2.90, 1.00, 1, False),  # no sigma excuses more than 0.3 ms
    ],
)
def test_what_counts_as_right(take, delay_ms, sigma_ms, polarity, right):
    """Right is within the larger of 0.1 ms and two sigma of the window, 0.3 ms at most, and of its polarity."""
    answer = Answer(delay_ms / 1e3, sigma_ms / 1e3, polarity, 0.9, True)
    assert row("engine", take, "snare", "snare", take.pairs[0], answer, 0.0).right is right


@pytest.mark.parametrize("rule", list(RULES))
def test_a_rule_is_left_out_and_comes_back(rule):
    """Each names a number or a function that is there; afterwards it is as before."""
    (module, name, instead) = RULES[rule][0]
    home = import_module(f"micalign.alignment.{module}")
    before = getattr(home, name)
    with without_rule(rule):
        assert getattr(home, name) is instead
        assert before != instead
    assert getattr(home, name) is before


def test_the_true_shift_gains_all_there_is_and_a_wrong_one_loses(take):
    """The inserted shift reaches the best of all shifts; half a period off at 150 Hz loses level, no shift keeps it."""
    (true,) = gains(take, {"Snare_top": (110 / RATE, 1)})
    assert true.best_ms == pytest.approx(1e3 * 110 / RATE, abs=0.011)
    assert true.chosen_db == pytest.approx(true.best_db, abs=0.02)
    assert min(true.chosen_db) > 1.0
    (turned,) = gains(take, {"Snare_top": (110 / RATE, -1)})
    assert max(turned.chosen_db) < -6.0
    (still,) = gains(take, {})
    assert still.chosen_db == pytest.approx((0.0, 0.0))
    assert still.shift_ms is None
