"""Where a stroke begins and what counts as one, and how close a mic is: worked out on envelopes of round numbers."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.delay.onsets import Envelope, _apart, _leaps, _now_and_before, closeness_db, envelope, hits, sparsity_db
from micalign.take.model import Track

STEP = 8


def steps(*strokes: tuple[int, float], count: int = 1000, floor: float = 1.0, length: int = 25) -> Envelope:
    power = np.full(count, floor, np.float32)
    for at, level in strokes:
        power[at : at + length] = level
    return Envelope(power, STEP)


@pytest.mark.parametrize(("level", "struck"), [(4.1, True), (3.9, False)])
def test_a_stroke_is_six_decibels_above_the_thirty_milliseconds_before_it(level, struck):
    assert hits(steps((500, level))).tolist() == ([500 * STEP] if struck else [])


@pytest.mark.parametrize(("level", "count"), [(0.11, 3), (0.09, 2)])
def test_a_stroke_ten_decibels_below_the_loudest_is_the_bleeds(level, count):
    """Of fewer than twenty strokes the loudest tenth is one."""
    assert len(hits(steps((200, 1.0), (500, 0.8), (800, level), floor=1e-4))) == count


def test_the_loudest_tenth_is_a_mean():
    """Of twenty strokes two: one at 1, one at 0.5; a tenth of their mean is 0.075."""
    strokes = [(200 * number, 0.2) for number in range(3, 20)]
    for level, count in ((0.076, 20), (0.074, 19)):
        loud = steps((200, 1.0), (400, 0.5), *strokes, (4000, level), count=4200, floor=1e-5)
        assert len(hits(loud)) == count


def test_of_strokes_within_eighty_milliseconds_the_stronger_counts():
    assert hits(steps((300, 0.5), (379, 1.0), floor=1e-4)).tolist() == [379 * STEP]
    assert hits(steps((300, 1.0), (379, 0.5), floor=1e-4)).tolist() == [300 * STEP]
    assert hits(steps((300, 0.5), (381, 1.0), floor=1e-4)).tolist() == [300 * STEP, 381 * STEP]
    starts, level = np.array([0, 79, 80, 160, 241]), np.array([3.0, 1.0, 2.0, 5.0, 1.0])
    # 160 first, which takes nothing but 80 or later; 0 takes 79; 80 is 80 before 160.
    assert _apart(starts, level).tolist() == [0, 3, 4]


def test_a_sound_that_the_file_begins_in_is_no_stroke():
    assert hits(steps((8, 1.0), floor=1e-4)).tolist() == []
    assert hits(steps((9, 1.0), floor=1e-4)).tolist() == [9 * STEP]
    assert len(hits(steps((30, 1.0), floor=1e-4, count=60))) == 1
    assert len(hits(steps((30, 1.0), floor=1e-4, count=59))) == 0  # twice what must have been before


def test_a_stroke_begins_where_it_reaches_a_tenth_of_its_peak():
    power = np.full(400, 1e-4, np.float32)
    power[200:225] = [0.09, 0.09, 0.11, *np.ones(22)]
    assert hits(Envelope(power, STEP)).tolist() == [202 * STEP]


def test_leaps_more_than_twenty_steps_apart_are_two():
    """Five steps at 200 are a leap from 196 to 202 (three of five against two of thirty); the next begins 4 early."""
    for second, count in ((226, 1), (227, 2)):
        power = steps((200, 1.0), (second, 30.0), floor=1e-4, length=5).power
        assert len(_leaps(power, 4.0)) == count
    assert len(_leaps(np.zeros(200, np.float32), 4.0)) == 0


@pytest.mark.parametrize("span", [(0, 90), (40, 70), (20, 95)])
def test_what_is_now_and_what_was_before_are_means_by_hand(rng, span):
    power = rng.uniform(size=100).astype(np.float32)
    now, before = _now_and_before(power, *span)
    for index, step in enumerate(range(*span)):
        assert now[index] == pytest.approx(power[step : step + 5].mean(), rel=1e-5)
        # Where the file begins, what it begins with stands for what was before.
        was = power[max(step - 30, 0) : step] if step else power[:20]
        assert before[index] == pytest.approx(was.mean(), rel=1e-5)


@pytest.mark.parametrize(("loud", "told_db"), [(100.0, 20.0), (1e5, 30.0)])
def test_sparsity_is_loud_over_ordinary_up_to_thirty_decibels(loud, told_db):
    """Ten milliseconds each; the loudest fiftieth at one level."""
    power = np.ones(1000, np.float32)
    power[100:120] = loud
    # The 99th percentile of 100 means of which two are loud lies between 1 and 2 places from the top: loud.
    assert sparsity_db(Envelope(power, STEP)) == pytest.approx(told_db, abs=0.01)


def test_the_sparsity_of_one_loud_moment_and_of_none():
    power = np.zeros(2000, np.float32)
    power[500:510] = 1.0
    assert sparsity_db(Envelope(power, STEP)) == pytest.approx(30.0)
    assert sparsity_db(Envelope(np.zeros(100, np.float32), STEP)) == 0.0
    assert sparsity_db(Envelope(np.ones(9, np.float32), STEP)) == 0.0


def test_the_gap_is_own_strokes_over_as_many_of_the_loudest_other_moments():
    """Three strokes at 100; between them four moments at 4 and 8, the others at 1; ring is left out."""
    power = steps((500, 100.0), (1500, 100.0), (2500, 100.0), count=4000).power.copy()
    for at, level in ((1000, 8.0), (1025, 8.0), (2000, 4.0), (2025, 4.0)):
        power[at : at + 25] = level
    power[650 - 25 : 650] = 50.0  # the last of what rings, 150 ms from the stroke on
    score, gap = closeness_db(Envelope(power, STEP), np.array([500, 1500, 2500]) * STEP)
    assert gap == pytest.approx(10 * np.log10(100.0 / 6.0), abs=1e-5)  # four at least: the median of 8, 8, 4, 4
    assert score == pytest.approx(sparsity_db(Envelope(power, STEP)) + 2 * gap)
    power[675:700] = 50.0  # and this is between the strokes: 50, 8, 8, 4
    assert closeness_db(Envelope(power, STEP), np.array([500, 1500, 2500]) * STEP)[1] == pytest.approx(
        10 * np.log10(100.0 / 8.0), abs=1e-5
    )


def test_a_gap_is_thirty_decibels_at_most_and_needs_something_between():
    struck = np.array([500]) * STEP
    assert closeness_db(steps((500, 1.0), floor=0.0), struck)[1] == pytest.approx(30.0)
    short = steps((50, 1.0), count=299, floor=0.0)
    assert closeness_db(short, np.array([50]) * STEP)[1] == pytest.approx(30.0)
    # From 200 to 275 there are three moments of 25 ms, and one before the stroke; in 274 steps one fewer.
    assert closeness_db(steps((50, 1.0), count=274, floor=0.0), np.array([50]) * STEP)[1] == 0.0
    assert closeness_db(short, np.zeros(0, np.intp)) == (sparsity_db(short), 0.0)


def test_energies_are_about_the_mean_of_their_block_and_rounding_is_no_sound(rng):
    samples = rng.normal(size=4005) + 0.7
    told = envelope(Track.from_array("a", samples, 8000))
    assert told.step == 8
    assert len(told.power) == 500
    about = (samples - samples[: len(samples)].mean())[:4000].reshape(-1, 8)
    assert told.power == pytest.approx((about**2).mean(axis=1), rel=1e-4)
    assert not envelope(Track.from_array("a", np.full(4000, 0.7), 8000)).power.any()
    faint = 0.25 + 1e-5 * np.tile([1.0, -1.0], 2000)  # 88 dB below an offset is sound still
    assert envelope(Track.from_array("a", faint, 8000)).power == pytest.approx(np.full(500, 1e-10), rel=0.01)
