"""Two mics at a source each hear each other's: no one shift serves both, and neither is moved."""

from __future__ import annotations

import numpy as np
import pytest
from di_takes import RATE, bass_line, bass_take, delayed

from micalign.alignment import beside_kit
from micalign.alignment.network import Constraints
from micalign.alignment.pairings import measured
from micalign.alignment.session import planned
from micalign.take.tracks import Track

SECONDS = 14.0


def duo(seed: int, late_s: tuple[float, float], gain: float) -> list[Track]:
    """Two players; each mic hears the other's so much later and softer."""
    one, other = (bass_line(np.random.default_rng([seed, k]), SECONDS) for k in (0, 1))
    hiss = 1e-4 * np.random.default_rng(seed).standard_normal((2, len(one)))
    mics = one + gain * delayed(other, late_s[1]), other + gain * delayed(one, late_s[0])
    return [Track.from_array(name, 0.4 * mic + noise, RATE) for name, mic, noise in zip("ab", mics, hiss, strict=True)]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_two_mics_at_a_source_each_are_told_so_and_left(seed):
    first, second = duo(seed, (1.8e-3, 1.2e-3), 0.25)
    found = measured(first, [second], on_strokes=True, over_kit=True)
    delay = found.tracks[0].delay
    assert not delay.reliable
    assert "comes 1.8" in delay.reason
    assert "its own 1.2" in delay.reason
    assert found.sums == ()
    shift = planned(found, Constraints("a")).shift("b")
    assert (shift.shift_s, shift.polarity_flip, shift.applied) == (0.0, False, False)


@pytest.mark.parametrize("seed", range(4))
def test_a_di_and_its_cab_are_one_source(seed):
    take = bass_take(seed, latency_s=(0.0005, 0.006))
    di, mic = Track.from_array("di", take.di, RATE), Track.from_array("mic", take.mic, RATE)
    delay = measured(di, [mic], on_strokes=True).tracks[0].delay
    assert delay.reliable
    assert "source each" not in (delay.reason or "")


@pytest.mark.parametrize(
    ("late", "soft", "is_two"), [(60, 0.1, True), (3, 0.1, False), (60, 0.8, False)], ids=["two", "beside", "even"]
)
def test_what_comes_from_both_sides_is_two_where_it_is_clearly_so_and_the_balance_changes(rng, late, soft, is_two):
    """By turns later and earlier in the second mic, louder and softer: 3 samples are no second place."""
    sound = bass_line(rng, SECONDS)
    turn = np.arange(len(sound)) // RATE % 2 == 0
    heard = np.where(turn, np.roll(sound, -late), soft * np.roll(sound, late))
    mics = [Track.from_array(name, x, RATE) for name, x in (("a", sound), ("b", heard))]
    assert (beside_kit._two_sources_s(*mics) is not None) is is_two
