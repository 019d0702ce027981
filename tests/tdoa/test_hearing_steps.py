"""The steps of hearing a take: means by hand, strokes and first rises on small envelopes, signatures that agree."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.take.tracks import Track
from micalign.tdoa import hearing


@pytest.mark.parametrize(("begin", "end"), [(0, 12), (-80, -4), (-3, 5), (0, 1)])
def test_means_about_each_step_are_those_of_what_is_there(rng, begin, end):
    """Steps that the file does not hold do not count; where it holds none, the mean is zero."""
    values = rng.uniform(size=60)
    by_hand = []
    for step in range(60):
        inside = [values[i] for i in range(step + begin, step + end) if 0 <= i < 60]
        by_hand.append(np.mean(inside) if inside else 0.0)
    total = np.concatenate([[0.0], np.cumsum(values)])
    assert hearing._means(total, begin, end) == pytest.approx(by_hand, abs=1e-12)


def steps(*strokes: tuple[int, float], count: int = 1200, floor: float = 1.0, length: int = 12) -> np.ndarray:
    """One envelope: a floor, and strokes that hold a level for 3 ms."""
    power = np.full(count, floor)
    for at, level in strokes:
        power[at : at + length] = level
    return power


def test_a_stroke_is_nine_decibels_above_what_stood_before():
    """The mean of 3 ms reaches 8 times that of the 19 ms up to 1 ms before; the floor is 40 dB below the loudest."""
    found = hearing._strokes(steps((400, 8.5), (800, 1e4))[None])
    # Twelve steps of 8.5 are a mean of 8.5, eleven and one of the floor 7.9. One of 10,000 is enough by itself.
    assert found.tolist() == [400, 789]
    assert hearing._strokes(steps((400, 7.9), (800, 1e4))[None]).tolist() == [789]


def test_a_stroke_is_at_most_35_db_below_the_tracks_loudest():
    for level_db, count in ((-34.9, 2), (-35.1, 1)):
        row = steps((300, 10 ** (level_db / 10)), (700, 1.0), floor=1e-6)
        assert len(hearing._strokes(row[None])) == count


def test_strokes_are_30_ms_apart_in_whatever_track():
    """120 steps of a quarter millisecond; each of these is told 11 steps before it is all there."""
    first, near, after = (steps((at, 1e4)) for at in (300, 419, 420))
    assert hearing._strokes(np.stack([first, near])).tolist() == [289, 409]
    assert hearing._strokes(np.stack([first, after])).tolist() == [289, 409]
    assert hearing._strokes(np.stack([first, steps((390, 1e4))])).tolist() == [289]


@pytest.mark.parametrize(("count", "kept"), [(400, 400), (401, 201), (800, 400), (801, 267)])
def test_of_more_than_400_strokes_each_second_is_taken(count, kept):
    row = steps(*((200 * (number + 1), 1e4) for number in range(count)), count=200 * (count + 2))
    found = hearing._strokes(row[None])
    assert len(found) == kept
    assert (np.diff(found) == 200 * -(-count // 400)).all()


def test_the_first_rise_is_the_arrival_and_a_faint_one_is_none():
    """What stood before is the mean of the 15 ms up to 2 ms before the stroke."""
    power = np.stack([steps((405, 100.0)), steps((460, 9.0)), steps((460, 7.0)), steps((520, 100.0))])
    # The last rises 30 ms after the stroke: too late to be its sound. The third is less than 9 dB above the floor.
    assert hearing._arrivals(power, 400).tolist() == pytest.approx([405, 460, np.nan, np.nan], nan_ok=True)
    assert hearing._arrivals(power, 401)[3] == 520  # 119 steps later
    early = np.stack([steps((393, 100.0)), steps((391, 100.0))])
    # Two milliseconds before the stroke are looked at; what began earlier has risen already.
    assert hearing._arrivals(early, 400).tolist() == [393, 392]


def test_the_foot_of_a_rise_is_half_the_leap_or_18_db_below_the_peak():
    rising = steps((440, 1e4))
    rising[410:440] = 3.9  # below four times the floor
    rising[420:440] = 4.1
    assert hearing._arrivals(rising[None], 400).tolist() == [440]  # 18 dB below the peak is 158
    rising[430] = 159.0
    assert hearing._arrivals(rising[None], 400).tolist() == [430]
    low = steps((440, 100.0))
    low[420:440] = [*np.full(10, 3.9), *np.full(10, 4.1)]
    assert hearing._arrivals(low[None], 400).tolist() == [430]


def test_in_a_file_that_begins_with_the_stroke_nothing_stood_before():
    power = np.stack([steps((3, 1.0), floor=0.0), np.zeros(1200)])
    assert hearing._arrivals(power, 3).tolist() == pytest.approx([3, np.nan], nan_ok=True)


def test_power_is_that_of_the_differences_and_what_fills_no_step_is_left_out(rng):
    samples = rng.normal(size=12 * 40 + 5)
    power = hearing._power(Track.from_array("a", samples, 48000), 12, 41)
    differences = np.diff(samples, prepend=samples[0])
    assert power[:40] == pytest.approx([np.mean(differences[i : i + 12] ** 2) for i in range(0, 480, 12)])
    assert power[40] == 0.0


NAN = np.nan


def test_signatures_agree_whatever_track_they_are_counted_from():
    ms = 1e-3
    place = np.array([0.0, 2.0, 5.0, 1.0, 3.0]) * ms
    rows = np.stack(
        [
            place,
            place - 2.0 * ms,  # counted from the second track
            place + np.array([0.0, 0.0, 0.0, 0.0, 9.0]) * ms,  # one in five strays
            place + np.array([0.0, 0.0, 0.0, 9.0, 9.0]) * ms,  # two in five do
            np.array([0.0, 2.0 * ms, NAN, NAN, NAN]),  # two tracks heard it
            np.array([0.0, NAN, NAN, NAN, NAN]),  # one did
            np.array([NAN] * 5),
        ]
    )
    agree = hearing._agreement(rows)
    assert agree[0].tolist() == [True, True, True, False, True, False, False]
    assert (agree == agree.T).all()
    assert agree[2, 3]
    assert not agree[5, 5]


def test_a_place_is_a_seventh_of_a_millisecond_wide():
    place = np.zeros(5)
    for off_s, same in ((0.00014, True), (0.00016, False)):
        other = np.array([0.0, 0.0, 0.0, off_s, off_s])
        assert hearing._agreement(np.stack([place, other]))[0, 1] == same


def test_the_largest_group_comes_first_and_takes_its_own(rng):
    places = np.array([[0.0, 1.0, 4.0], [0.0, 3.0, -2.0], [0.0, -5.0, 7.0]]) * 1e-3
    which = np.array([1, 0, 1, 2, 1, 0])
    events = hearing._Events(np.zeros(6, int), np.zeros((6, 3)), places[which])
    assert [group.tolist() for group in hearing._grouped(events)] == [[0, 2, 4], [1, 5], [3]]


def test_the_window_holds_the_direct_sound_at_full_weight():
    window = hearing._window(48000)
    assert len(window) == 48 + 72 + 216
    assert window[48:120].tolist() == [1.0] * 72
    assert window[:48] == pytest.approx(0.5 - 0.5 * np.cos(np.pi * (np.arange(48) + 0.5) / 48))
    assert window[120:] == pytest.approx(0.5 + 0.5 * np.cos(np.pi * (np.arange(216) + 0.5) / 216))
