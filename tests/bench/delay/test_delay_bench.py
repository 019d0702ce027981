"""The delay benchmark as a test: a small share of the odd seeds, held to the bars of honesty.

The whole table is printed by ``PYTHONPATH=tests python -m bench.delay.score --half odd --baselines``.
"""

from __future__ import annotations

import numpy as np
import pytest
from bench.delay.score import NEAR_S, error_s, rows, table


@pytest.mark.bench
@pytest.mark.timeout(1800)
def test_the_engine_is_right_and_honest_on_seeds_it_was_not_tuned_on(capsys):
    kept = rows(["kit", "overhead", "guitar", "bass", "latency", "drift", "hopeless"], "odd", 0.3, verbose=False)
    with capsys.disabled():
        table(kept)
    for family, items in kept.items():
        if family == "hopeless":
            assert sum(found.reliable for _, found, _ in items) <= 1
            continue
        wrong = [
            case.label
            for case, found, _ in items
            if found.reliable and (error_s(case, found.delay_s) > 5e-4 or found.polarity != case.polarity)
        ]
        # One of the few pairs here is more than the bar's 2 % for kits; none is allowed elsewhere.
        assert len(wrong) <= (1 if family in ("kick", "snare", "tom") else 0), wrong
        near = np.mean([error_s(case, found.delay_s) <= NEAR_S for case, found, _ in items])
        assert near >= 0.85, family
