"""Probabilities of hypotheses, of events and of being right."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from micalign.take.tracks import Track
from micalign.tdoa import tuned
from micalign.tdoa.hypotheses import FEATURES, FIRST, ONE_PATH, SECOND, Hypotheses
from micalign.tdoa.posterior import (
    ONSET_FEATURES,
    Event,
    Onset,
    _picks_later,
    bands_agree,
    confidence_of,
    events,
    halves_agree,
    look,
    onset_within,
    path_confidence,
    probabilities,
    sigma_s,
)
from micalign.tdoa.strokes import listen
from micalign.tdoa.tuned import LOG_ODDS, SO_ALIKE


def test_slopes_of_what_speaks_for_an_answer_rise():
    assert all(slope > 0 for _, *slopes in LOG_ODDS.values() for slope in slopes)


def test_probabilities_are_a_softmax_in_which_nothing_in_common_has_the_score_zero():
    rows = np.array([[1.0], [2.0]])
    power = np.exp([1.0, 2.0])
    assert probabilities(rows, {"a": 1.0}, ("a",), nothing=False) == pytest.approx(power / power.sum())
    assert probabilities(rows, {"a": 1.0}, ("a",), nothing=True) == pytest.approx(power / (power.sum() + 1))


@given(st.floats(-800, 800))
def test_scores_of_any_size_give_probabilities(score):
    found = probabilities(np.array([[score], [0.0]]), {"a": 1.0}, ("a",), nothing=True)
    assert np.isfinite(found).all()
    assert 0 <= found.sum() <= 1


def test_hypotheses_within_an_event_add_up(monkeypatch):
    monkeypatch.setattr(tuned, "EVENT_WEIGHTS", {FEATURES[0]: 1.0})
    rows = np.zeros((4, len(FEATURES)))
    rows[:, 0] = np.log([3.0, 2.0, 2.0, 2.0])
    # Three of 2 within 0.2 ms outweigh one of 3 that stands 5 ms apart.
    found = Hypotheses(np.array([240, 0, 5, 10]), np.full(4, FIRST), rows)
    told = events(found, 48000)
    assert abs(told[0].delay_s - 5 / 48000) < 2e-4
    assert told[0].probability == pytest.approx(6 / 10)
    assert (told[1].delay_s, told[1].probability) == (pytest.approx(0.005), pytest.approx(3 / 10))
    assert [one.nothing for one in told] == pytest.approx([1 / 10, 1 / 10])
    assert [one.if_shared for one in told] == pytest.approx([6 / 9, 3 / 9])
    assert [one.nothing for one in events(found, 48000, related=True)] == pytest.approx([0.0, 0.0])
    assert Event(0.002, 0.9, FIRST, 0.2).if_shared == 1.0  # no rounding makes it surer than sure


def test_tracks_that_are_one_sound_over_one_path_are_told_by_paths_alone(monkeypatch):
    """What the strokes say of the same sound 0.6 ms off, and twice as surely, takes nothing from its path's chance."""
    monkeypatch.setattr(tuned, "EVENT_WEIGHTS", {FEATURES[0]: 1.0})
    rows = np.zeros((3, len(FEATURES)))
    rows[:, 0] = np.log([2.0, 3.0, 1.0])
    told = {}
    for alike in (SO_ALIKE - 0.01, SO_ALIKE + 0.01):
        rows[1, FEATURES.index("path alike")] = alike
        found = Hypotheses(np.array([29, 0, 480]), np.array([FIRST, ONE_PATH, ONE_PATH]), rows)
        told[alike > SO_ALIKE] = events(found, 48000)[0]
    assert told[False].probability == pytest.approx(3 / 7)
    assert (told[True].kind, told[True].probability) == (ONE_PATH, pytest.approx(3 / 4))


def test_an_onset_is_where_most_of_the_places_crowd(monkeypatch):
    monkeypatch.setattr(tuned, "ONSET_WEIGHTS", {ONSET_FEATURES[0]: 1.0})
    places = np.array([2.30e-3, 2.33e-3, 2.36e-3, 2.70e-3])
    rows = np.zeros((4, len(ONSET_FEATURES)))
    rows[3, 0] = np.log(1.5)
    found = onset_within(places, rows)
    assert found.delay_s == pytest.approx(2.33e-3, abs=1e-5)
    assert found.spread_s == pytest.approx(np.sqrt((2 * 0.03e-3**2 + 1.5 * 0.37e-3**2) / 4.5))
    assert found.share == pytest.approx(3 / 4.5)
    assert found.near_s == pytest.approx(np.sqrt(2 / 3) * 0.03e-3)


@pytest.mark.parametrize("sign", [1, -1])
def test_what_lies_on_either_side_of_a_delay_speaks_for_it(monkeypatch, sign):
    """Two places 0.2 ms apart: between them both count by 0.9, at one of them it alone."""
    monkeypatch.setattr(tuned, "ONSET_WEIGHTS", {ONSET_FEATURES[0]: 1.0})
    rows = np.zeros((2, len(ONSET_FEATURES)))
    found = onset_within(sign * np.array([2.3e-3, 2.5e-3]), rows)
    assert found.delay_s == pytest.approx(sign * 2.4e-3, abs=1e-5)
    apart = onset_within(sign * np.array([2.3e-3, 2.7e-3]), np.vstack([rows[0], rows[1] + 0.1]))
    assert apart.delay_s == pytest.approx(sign * 2.7e-3, abs=1e-5)  # too far: the likelier one


@given(st.floats(0, 1), st.floats(0, 1))
def test_confidence_rises_with_the_event(one, other):
    events, onset = [Event(0.002, chance, FIRST) for chance in sorted([one, other])], Onset(0.002, 1e-4, 5e-5, 0.5, 0.8)
    for low, high in ([confidence_of(event, onset) for event in events], [path_confidence(e, 0.4) for e in events]):
        assert 0 < low <= high < 1


@pytest.mark.parametrize(
    ("chance", "nothing", "spread_s", "halves", "expected"),
    [
        (0.6, 0.0, 1e-4, 0.0, 0.6 / 2),
        (0.3, 0.5, 1e-4, 0.0, 0.6 / 2),
        (0.3, 0.5, 5e-5, 0.0, 0.6 * 2 / 3),
        (0.3, 0.5, 5e-5, 1.0, 0.6 * 4 / 5),
        (0.5, 0.0, 0.0, 0.0, 0.5 * 5 / 6),
    ],
)
def test_a_sharp_beginning_makes_no_doubtful_event_right(monkeypatch, chance, nothing, spread_s, halves, expected):
    """Lines of slope one: odds of the event if anything is shared; of its beginning 0.1 ms over its spread."""
    monkeypatch.setitem(LOG_ODDS, "event", (0.0, 1.0, 0.0))
    monkeypatch.setitem(LOG_ODDS, "beginning", (0.0, 1.0, np.log(2.0)))
    onset = Onset(0.002, spread_s, spread_s, 0.5, 0.8, halves)
    assert confidence_of(Event(0.002, chance, FIRST, nothing), onset) == pytest.approx(expected)


@pytest.mark.parametrize(("kind", "sign"), [(FIRST, 1), (SECOND, -1)])
def test_an_event_that_its_close_mic_hears_after_the_other_is_less_sure(kind, sign):
    """By more than 5 cm of way; a delay is positive where the second track is later."""
    onset = Onset(0.0, 5e-5, 5e-5, 1.0, 0.8)
    sure = [confidence_of(Event(sign * late_s, 0.9, kind), onset) for late_s in (-0.16e-3, -0.14e-3, 0.0, 0.16e-3)]
    assert sure[0] < sure[1] == sure[2] == sure[3]


def test_what_a_scene_weighed_is_as_sure_as_its_event_and_the_share_of_its_beginning(monkeypatch):
    """A line of slope one through nothing; how sharply it begins is no matter there."""
    monkeypatch.setattr(tuned, "SCENE_LOG_ODDS", (0.0, 1.0))
    for spread_s in (2e-5, 2e-4):
        onset = Onset(0.002, spread_s, spread_s, 0.5, 0.8)
        assert confidence_of(Event(0.002, 0.5, FIRST), onset, scene=True) == pytest.approx(0.4)


@given(st.floats(0, 1), st.floats(0, 1))
def test_one_path_is_surer_the_more_alike_the_tracks_are(one, other):
    low, high = (path_confidence(Event(0.002, 0.9, ONE_PATH), alike) for alike in sorted([one, other]))
    assert 0 < low <= high < 1


@given(st.floats(0, 1e-3), st.floats(0, 1e-3))
def test_an_onset_that_is_told_several_ways_is_less_sure_and_less_exact(one, other):
    low, high = sorted([one, other])
    event = Event(0.002, 0.9, FIRST)
    near, far = (Onset(0.002, spread, spread, 0.5, 0.8) for spread in (low, high))
    assert confidence_of(event, near) >= confidence_of(event, far)
    assert sigma_s(near) <= sigma_s(far)
    assert sigma_s(Onset(0.002, high, high, 1.5, 0.8)) <= sigma_s(far)


def test_nothing_is_reliable_where_one_track_does_not_follow_the_other():
    """Four standard deviations are what the highest of some thousand values is by chance."""
    event, onset = Event(0.002, 0.999, FIRST), Onset(0.002, 2e-5, 2e-5, 2.0, 1.0, 1.0)
    assert confidence_of(event, onset, follows=4.0) < 0.7
    assert confidence_of(event, onset, follows=12.0) > 0.9
    assert confidence_of(event, onset) >= confidence_of(event, onset, follows=12.0)


def test_an_onset_that_either_half_of_the_strokes_tells_is_surer():
    event = Event(0.002, 0.9, FIRST)
    sure = [confidence_of(event, Onset(0.002, 5e-5, 5e-5, 1.0, 0.8, halves)) for halves in (0.0, 0.5, 1.0)]
    assert sure == sorted(set(sure))


def test_halves_are_asked_for_a_place_in_the_sense_of_the_close_mic():
    lags = np.arange(-480, 481)
    half_novelty = np.zeros((2, 961))
    half_novelty[0, 480 + 96] = half_novelty[1, 480 + 130] = half_novelty[1, 480 - 96] = 1.0
    half_novelty[1, 480 + 130] = 2.0
    agree = halves_agree(half_novelty, np.array([0.002, 130 / 48000, -0.002]), 0.0022, lags, 48000)
    assert agree == pytest.approx([0.5, 0.5, 0.0])


def test_bands_agree_where_their_peaks_meet_and_have_one_sign():
    """At 2 ms five bands have their peaks; at 2.2 ms one of them is as high, and at 1.8 ms all, of either sign."""
    rate, lags = 48000, np.arange(-480, 481)
    by_band = np.zeros((5, 961))
    by_band[:, 480 + 96] = 10.0
    by_band[3, 480 + 106] = 10.0
    by_band[:, 480 + 86] = 10.0 * np.array([1, -1, 1, -1, 1])
    lows, agreement = bands_agree(by_band, np.array([0.002, 106 / rate, 86 / rate]), 0.002, lags, rate)
    assert lows == pytest.approx([1.0, 0.0, 1.0])
    assert agreement == pytest.approx(np.log(11.0) * np.array([1.0, 0.2, 0.2]))


@pytest.mark.parametrize("cut", [0, 4800])
def test_picks_are_told_on_the_takes_clock(rng, cut):
    """A far track of which the first tenth of a second is missing hears the strokes no earlier."""
    near, far = 1e-5 * rng.normal(size=(2, 48000))
    for at in (9000, 17000, 25000, 33000, 41000):
        ring = np.exp(-np.arange(3000) / 500) * rng.normal(size=3000)
        near[at : at + 3000] += ring
        far[at + 144 : at + 3144] += 0.1 * ring
    pair = Track.from_array("near", near, 48000), Track.from_array("far", far[cut:], 48000, start_s=cut / 48000)
    side = look(*(listen(track) for track in pair), reach_s=0.02, close=FIRST).side(FIRST)
    for later in _picks_later(side, 140).values():
        assert np.median(later) == pytest.approx(144, abs=1)  # single pickers of noise come some samples late
