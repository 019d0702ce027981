"""The steps of hearing a take: first rises on small envelopes, signatures that agree."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.compare import groups
from micalign.take.tracks import Track

NAN = np.nan


RATE = 48000


def arrival_ms(rng, begins_ms: float, level: float = 1.0, struck_ms: float = 100.0, hiss: float = 1e-2) -> float:
    """When a track that holds one burst is told to hear a stroke that began somewhere at a rough time."""
    sound = hiss * rng.normal(size=RATE // 2)
    at = round(begins_ms * RATE / 1e3)
    sound[at : at + 1200] += level * rng.normal(size=1200)
    found = groups._arrivals(Track.from_array("a", sound, RATE), np.array([struck_ms / 1e3]))
    return float(found[0]) * 1e3


@pytest.mark.parametrize(
    ("begins_ms", "level", "expected"),
    [
        (101.0, 1.0, 101.0),
        (115.0, 0.1, 115.0),
        (115.0, 0.003, NAN),  # lost in the hiss
        (131.0, 1.0, NAN),  # too late to be its sound
        (98.5, 1.0, 98.5),  # two milliseconds before the stroke are looked at
    ],
)
def test_the_first_wavefront_is_the_arrival_and_a_faint_one_is_none(rng, begins_ms, level, expected):
    assert arrival_ms(rng, begins_ms, level) == pytest.approx(expected, abs=0.1, nan_ok=True)


def test_in_a_file_that_begins_with_the_stroke_nothing_stood_before(rng):
    assert arrival_ms(rng, 0.5, struck_ms=0.5, hiss=0.0) == pytest.approx(0.5, abs=0.05)
    assert np.isnan(arrival_ms(rng, 10.0, level=0.0, hiss=0.0))


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
    agree = groups._agreement(rows)
    assert agree[0].tolist() == [True, True, True, False, True, False, False]
    assert (agree == agree.T).all()
    assert agree[2, 3]
    assert not agree[5, 5]


def test_a_place_is_a_seventh_of_a_millisecond_wide():
    place = np.zeros(5)
    for off_s, same in ((0.00014, True), (0.00016, False)):
        other = np.array([0.0, 0.0, 0.0, off_s, off_s])
        assert groups._agreement(np.stack([place, other]))[0, 1] == same


def test_the_largest_group_comes_first_and_takes_its_own(rng):
    places = np.array([[0.0, 1.0, 4.0], [0.0, 3.0, -2.0], [0.0, -5.0, 7.0]]) * 1e-3
    which = np.array([1, 0, 1, 2, 1, 0])
    assert [group.tolist() for group in groups._grouped(places[which])] == [[0, 2, 4], [1, 5], [3]]
