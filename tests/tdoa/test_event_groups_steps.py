"""The steps of hearing a take: first rises on small envelopes, signatures that agree."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.take.tracks import Track
from micalign.tdoa import event_groups

NAN = np.nan


RATE, STEP = 48000, 12


def steps(*strokes: tuple[int, float], count: int = 1200, floor: float = 1.0, length: int = 12) -> np.ndarray:
    """A floor of power, and strokes that hold a level for 3 ms, a quarter millisecond a step."""
    power = np.full(count, floor)
    for at, level in strokes:
        power[at : at + length] = level
    return power


def arrival(power: np.ndarray, struck: int) -> float:
    """The step of the first rise in a track whose neighbouring samples differ by these powers."""
    size = np.sqrt(np.repeat(power, STEP)) / 2
    track = Track.from_array("a", size * (-1.0) ** np.arange(len(size)), RATE)
    return float(event_groups._arrivals(track, np.array([struck * STEP / RATE]))[0]) / STEP


@pytest.mark.parametrize(
    ("power", "struck", "expected"),
    [
        (steps((405, 100.0)), 400, 405),
        (steps((460, 9.0)), 400, 460),
        (steps((460, 7.0)), 400, NAN),  # less than 9 dB above the floor
        (steps((520, 100.0)), 400, NAN),  # 30 ms after the stroke: too late to be its sound
        (steps((519, 100.0)), 400, 519),
        (steps((393, 100.0)), 400, 393),  # two milliseconds before the stroke are looked at
        (np.zeros(1200), 400, NAN),
    ],
)
def test_the_first_rise_is_the_arrival_and_a_faint_one_is_none(power, struck, expected):
    """What stood before is the mean of the 15 ms up to 2 ms before the stroke."""
    assert arrival(power, struck) == pytest.approx(expected, nan_ok=True)


def test_the_foot_of_a_rise_is_half_the_leap_or_18_db_below_the_peak():
    rising = steps((440, 1e4))
    rising[420:440] = 4.2  # above four times the floor; 18 dB below the peak is 158
    assert arrival(rising, 400) == 440
    rising[430:440] = 165.0
    assert arrival(rising, 400) in (430, 431)  # its first difference is half the level that stood before
    low = steps((440, 100.0))
    low[420:440] = [*np.full(10, 3.7), *np.full(10, 4.4)]
    assert arrival(low, 400) == 430


def test_in_a_file_that_begins_with_the_stroke_nothing_stood_before():
    assert arrival(steps((3, 1.0), floor=0.0), 3) == 3


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
    agree = event_groups._agreement(rows)
    assert agree[0].tolist() == [True, True, True, False, True, False, False]
    assert (agree == agree.T).all()
    assert agree[2, 3]
    assert not agree[5, 5]


def test_a_place_is_a_seventh_of_a_millisecond_wide():
    place = np.zeros(5)
    for off_s, same in ((0.00014, True), (0.00016, False)):
        other = np.array([0.0, 0.0, 0.0, off_s, off_s])
        assert event_groups._agreement(np.stack([place, other]))[0, 1] == same


def test_the_largest_group_comes_first_and_takes_its_own(rng):
    places = np.array([[0.0, 1.0, 4.0], [0.0, 3.0, -2.0], [0.0, -5.0, 7.0]]) * 1e-3
    which = np.array([1, 0, 1, 2, 1, 0])
    events = event_groups._Events(np.zeros(6, int), np.zeros((6, 3)), places[which])
    assert [group.tolist() for group in event_groups._grouped(events)] == [[0, 2, 4], [1, 5], [3]]
