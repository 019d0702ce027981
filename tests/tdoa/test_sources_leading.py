"""When a source leads: strokes by their levels, held sounds by their half-seconds, each by hand."""

from __future__ import annotations

import numpy as np
import pytest
from heard_levels import heard_of, struck

from micalign.tdoa.sources import amplitudes_at, half_seconds, is_struck, leading_strokes

CLOSE = {"kick": "k", "snare": "s"}


def leading(kick: np.ndarray, snare: np.ndarray) -> list[float]:
    found = leading_strokes({"k": heard_of(kick), "s": heard_of(snare)}, CLOSE)
    return sorted(found.get("kick", np.zeros(0)).tolist())


def db(level: float) -> float:
    return 10 ** (level / 10)


def test_a_stroke_leads_by_nine_decibels_where_there_are_enough_and_by_four_where_not():
    kick = struck(6000, dict.fromkeys(range(500, 5500, 500), 1.0))
    rival = {5600: 1.0, 5800: 1.0, **dict.fromkeys(range(500, 3000, 500), db(-10.5))}
    rival |= dict.fromkeys(range(3000, 5500, 500), db(-5))
    assert leading(kick, struck(6000, rival)) == pytest.approx(np.arange(0.5, 3.0, 0.5), abs=0.002)
    few = struck(6000, {500: 1.0, 1000: 1.0})
    rival = {5000: 1.0, 5500: 1.0, 500: db(-5), 1000: db(-3)}
    assert leading(few, struck(6000, rival)) == pytest.approx([0.5], abs=0.002)


def test_the_clearest_come_first_and_sixty_four_are_kept():
    kick = struck(30_000, {350 * i: db(-i / 20) for i in range(1, 81)})
    found = leading_strokes({"k": heard_of(kick), "s": heard_of(struck(30_000, {29_000: 1.0}))}, CLOSE)["kick"]
    assert found == pytest.approx([0.35 * i for i in range(1, 65)], abs=0.002)


def test_one_pop_does_not_set_a_tracks_level():
    """The second loudest does: the others stand 30 dB below the pop and lead all the same."""
    kick = struck(3000, {500: 1000.0, 1000: 1.0, 1500: 1.0, 2000: 1.0, 2500: 1.0})
    assert len(leading(kick, struck(3000, {2800: 1.0}))) == 5


@pytest.mark.parametrize(("ahead", "leads"), [(-4, False), (0, False), (12, False), (-300, True), (100, True)])
def test_a_rival_about_the_stroke_counts(ahead, leads):
    found = leading(struck(3000, {1500: 1.0}), struck(3000, {1500 + ahead: 1.0, 2500: 1.0}))
    assert (found != []) == leads


def test_a_silent_track_leads_nowhere():
    assert leading(np.zeros(2000), struck(2000, {1500: 1.0})) == []


@pytest.mark.parametrize(("quiet_db", "expected"), [(-15.5, True), (-14.5, False)])
def test_struck_is_fifteen_decibels_between_loud_and_usual(quiet_db, expected):
    energy = np.full(4000, db(quiet_db))
    energy[2000:2400] = 1.0
    assert is_struck(heard_of(energy)) == expected
    assert not is_struck(heard_of(np.zeros(1000)))
    assert not is_struck(heard_of(np.ones(5)))


@pytest.mark.parametrize(("bright", "expected"), [(1.0, True), (0.02, False)])
def test_a_cymbal_that_never_falls_silent_is_struck_all_the_same(bright, expected):
    """Strokes 9 dB over their own ring: of a cymbal; the same of a dark sound are a bass line's notes."""
    energy = struck(6000, dict.fromkeys(range(300, 5900, 400), 1.0), floor=0.1, decay=60.0)
    assert is_struck(heard_of(energy, bright * energy)) == expected


def test_a_held_sound_leads_where_it_is_six_decibels_louder_for_itself():
    alto = np.repeat([1.0, db(-5), 0.003], 1000)
    tenor = np.repeat([db(-7), db(-7), 1.0], 1000)
    heard = {"a": heard_of(alto, name="a", start_s=3.0), "t": heard_of(tenor, name="t")}
    # By 7 dB; by 2 dB; 25 dB below its own.
    assert half_seconds(heard, {"alto": "a", "tenor": "t"}, "alto") == pytest.approx([3.0, 3.5])
    alone = half_seconds(heard, {"alto": "a"}, "alto")
    assert alone == pytest.approx([3.0, 3.5, 4.0, 4.5])
    assert np.array_equal(half_seconds(heard, {"alto": "a", "alto again": "a"}, "alto"), alone)
    for nothing in (np.zeros(0), np.zeros(2000), np.ones(499)):
        assert len(half_seconds({"a": heard_of(nothing, name="a")}, {"alto": "a"}, "alto")) == 0


@pytest.mark.parametrize(("steps", "leads"), [(280, True), (270, False)])
def test_half_seconds_are_taken_where_a_source_leads_for_three_fifths_of_them(steps, leads):
    """500 steps to a half-second, 300 are enough: 24 more than sound, as levels are of 50 steps."""
    energy = np.full(2000, 1e-3)
    energy[500 : 500 + steps] = 1.0
    found = half_seconds({"a": heard_of(energy, name="a")}, {"alto": "a"}, "alto")
    assert found == pytest.approx([0.5] if leads else [])


def test_of_many_half_seconds_the_sixty_four_loudest_are_taken_the_loudest_first():
    level = np.random.default_rng(4).permutation(70) + 10.0
    found = half_seconds({"a": heard_of(np.repeat(level, 500), name="a")}, {"alto": "a"}, "alto")
    assert found == pytest.approx(0.5 * np.argsort(-level)[:64])


def test_an_amplitude_is_over_so_long_after_each_time_and_the_middle_of_all():
    energy = np.zeros(1000)
    for at, level in ((100, 4.0), (500, 9.0), (980, 16.0)):
        energy[at : at + 20] = level
    heard = {"a": heard_of(energy)}
    assert amplitudes_at(heard, ["a"], np.array([0.1, 0.5, 0.98]), 0.02) == {"a": pytest.approx(3.0)}
    # Five milliseconds early a quarter of what is looked at is silent.
    assert amplitudes_at(heard, ["a"], np.array([0.095]), 0.02) == {"a": pytest.approx(np.sqrt(4.0 * 15 / 20))}
    assert amplitudes_at(heard, ["a"], np.array([0.1]), 0.5) == {"a": pytest.approx(np.sqrt((4.0 + 9.0) * 20 / 500))}
