"""Which strokes a track of a take has for itself, and which others hear first."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from micalign.take.tracks import Track
from micalign.tdoa import measure
from micalign.tdoa.delays import Delay
from micalign.tdoa.hypotheses import FIRST, ONE_PATH, SECOND
from micalign.tdoa.measure import measure_many, measure_pair, of_two_looks
from micalign.tdoa.posterior import look
from micalign.tdoa.strokes import apart, led, listen, unled

RATE = 48000
STEP_S = 0.002  # an onset is told to the millisecond step it begins in


def struck(times_s, others_s=(), *, seed=0, bleed=0.02, start_s=0.0):
    """A track of short bursts, with softer ones of another drum; a seed is a drum's sound."""
    rng = np.random.default_rng([seed, 3])
    sound = rng.normal(size=2400) * np.exp(-np.arange(2400) / 400)
    samples = 1e-4 * rng.normal(size=14 * RATE)
    for times, level in ((times_s, 1.0), (others_s, bleed)):
        for at in times:
            begin = round((at - start_s) * RATE)
            samples[begin : begin + 2400] += level * sound
    return listen(Track.from_array(f"drum {seed}", samples, RATE, start_s=start_s))


def own_s(one):
    return one.strokes.samples[one.strokes.weight > 0] / RATE + one.start_s


HATS, SNARES = np.arange(1.0, 11.0), np.arange(2.0, 11.0, 2.0)


def test_strokes_that_another_track_has_too_are_laid_aside():
    hat, snare = struck(HATS, SNARES + 0.4, seed=1), struck(SNARES + 0.004, HATS + 0.4, seed=2)
    found = apart([hat, snare])
    assert own_s(found[0]) == pytest.approx([1.0, 3.0, 5.0, 7.0, 9.0], abs=STEP_S)
    # Every stroke of the snare is a hat's too: none is left, and it keeps them all.
    assert found[1] is snare


def test_the_tracks_own_starts_count():
    hat, snare = struck(HATS, SNARES + 0.4, seed=1), struck(SNARES, HATS + 0.4, seed=2, start_s=0.7)
    assert own_s(apart([hat, snare])[0]) == pytest.approx([1.0, 3.0, 5.0, 7.0, 9.0], abs=STEP_S)


def test_fewer_than_five_are_not_enough():
    hat, snare = struck(HATS[:8], SNARES + 0.4, seed=1), struck(SNARES, HATS + 0.4, seed=2)
    assert apart([hat, snare]) == [hat, snare]


def test_two_mics_at_one_drum_keep_their_strokes():
    top, bottom = struck(HATS, SNARES + 0.4, seed=1), struck(HATS[:8], SNARES + 0.4, seed=2)
    assert apart([top, bottom]) == [top, bottom]


def test_a_track_without_a_gap_of_levels_is_no_close_mic():
    """What an overhead hears loudest is everybody's."""
    hat, over = struck(HATS, SNARES + 0.4, seed=1), struck(SNARES, HATS + 0.4, seed=2, bleed=0.8)
    assert over.strokes.gap_db == 0
    assert apart([hat, over]) == [hat, over]


def test_silence_and_strokes_beyond_those_that_are_compared_do_no_harm():
    silent = listen(Track.from_array("silent", np.zeros(RATE), RATE))
    many = 1.0 + 0.15 * np.arange(80)
    hat, snare = struck(many, many[::2] + 0.07, seed=1), struck(many[::2], many[1::2] + 0.07, seed=2)
    assert (hat.strokes.weight > 0).sum() < len(many)
    found = apart([hat, silent, snare])
    assert own_s(found[0]) == pytest.approx(many[1::2], abs=STEP_S)
    assert found[1] is silent


def test_the_surer_of_both_ways_is_told():
    """A reliable answer of the pair stays; with a third track in it the others change nothing."""
    tracks = [struck(HATS, SNARES + 0.4, seed=1), struck(SNARES, HATS + 0.4, seed=2)]
    far = Track.from_array("far", np.roll(tracks[0].read(0, tracks[0].frames), 200), RATE)
    alone, among = measure_pair(tracks[0], far), measure_many(tracks[0], [far, tracks[1]])[0]
    assert alone.reliable
    assert among == alone


@pytest.mark.parametrize("sure", [(0.75, 0.85), (0.85, 0.75)])
def test_what_a_pair_leaves_in_doubt_is_looked_at_anew_and_the_surer_is_told(monkeypatch, sure):
    """First by all ten strokes of the hat, then by the five that it has for itself."""
    strokes, found = looks(monkeypatch, *((one, 1e-6 * index) for index, one in enumerate(sure)))
    assert strokes == [10, 5]
    assert found.delay_s == 1e-6 * np.argmax(sure)


def test_who_is_told_in_vain_is_not_asked_again(monkeypatch):
    """Of what is very doubtful a second look made no more certain; what is sure needs none."""
    for sure in (0.3, 0.95):
        assert looks(monkeypatch, (sure, 0.0), (0.99, 0.0))[0] == [10]


def test_two_looks_that_agree_are_surer_than_either_and_two_that_do_not_are_not(monkeypatch):
    agreed = looks(monkeypatch, (0.85, 1e-3), (0.88, 1.1e-3))[1]
    assert agreed.reliable
    assert agreed.reason is None
    assert agreed.confidence > 0.9
    apart_s = looks(monkeypatch, (0.85, 1e-3), (0.95, 4e-3))[1]
    assert (apart_s.reliable, apart_s.reason, apart_s.delay_s) == (False, "in doubt", 4e-3)


def looks(monkeypatch, *answers):
    """How many of the hat's strokes each look is by, and what is told, where these are the looks' answers."""
    hat, snare = struck(HATS, SNARES + 0.4, seed=1), struck(SNARES, HATS + 0.4, seed=2)
    strokes = []

    def told(seen):
        strokes.append(int((seen.first.strokes.weight > 0).sum()))
        sure, delay_s = answers[len(strokes) - 1]
        return Delay(delay_s, 1e-5, 1, 1.0, sure, sure >= 0.9, None if sure >= 0.9 else "in doubt")

    monkeypatch.setattr(measure, "decided", told)
    (found,) = measure_many(hat, [snare], max_delay_s=0.02)
    return strokes, found


def test_a_look_after_another_is_what_it_is_by_itself():
    """What is kept of the first look did not come of the strokes that were laid aside, of either track or of both."""
    whole = [struck(HATS, SNARES + 0.4, seed=1), struck(SNARES + 0.004, HATS + 0.4, seed=2)]
    alone = apart(whole)
    assert (alone[0] is whole[0], alone[1] is whole[1]) == (False, True)
    for order in ((0, 1), (1, 0)):
        first, second = (alone[index] for index in order)
        before = look(*(whole[index] for index in order), reach_s=0.02)
        again, fresh = look(first, second, reach_s=0.02, before=before), look(first, second, reach_s=0.02)
        np.testing.assert_array_equal(again.found.rows, fresh.found.rows)
        assert again.events == fresh.events != before.events


def test_two_looks_that_differ_in_a_clear_polarity_do_not_agree():
    one = Delay(0.0021, 1e-5, 1, 0.9, 0.85, False, "the first arrival is not clear")
    turned = replace(one, polarity=-1)
    assert of_two_looks(one, one).reliable
    assert not of_two_looks(one, turned).reliable
    assert of_two_looks(one, replace(turned, polarity_margin=0.0)).reliable


def a_kit(*, start_s=0.0):
    """A hat and a snare half a second later, each in the other's mic 3 ms after its own; then a mic over both."""
    snares = HATS + 0.5
    hat, snare = struck(HATS, snares + 0.003, seed=1), struck(snares, HATS + 0.003, seed=2, start_s=start_s)
    return [hat, snare, struck(np.sort([HATS + 0.003, snares + 0.003], axis=None), seed=3)]


@pytest.mark.parametrize("start_s", [0.0, 0.7])
def test_what_hangs_over_a_kit_hears_every_stroke_after_the_mic_beside_it(start_s):
    hat, snare, over = a_kit(start_s=start_s)
    told = led([hat, snare, over])
    # Of each close mic the neighbour's strokes are led, and none of its own.
    for one, some, others_s in ((hat, told[0], HATS + 0.503), (snare, told[1], HATS + 0.003)):
        np.testing.assert_array_equal(some, np.abs(one.strokes_s[:, None] - others_s).min(axis=1) < STEP_S)
        assert not some[one.strokes.weight > 0].any()
    assert told[2].all()


def test_what_others_hear_much_earlier_or_at_the_same_time_they_do_not_lead():
    hat = struck(HATS, seed=1)
    for later_s in (0.0, 0.012):
        # Where the second begins, its steps of a millisecond lie beside the first one's.
        for start_s in (0.0, 0.7003, 0.7006):
            assert not np.concatenate(led([hat, struck(HATS + later_s, seed=2, start_s=start_s)])).any()


def test_a_close_mic_keeps_the_strokes_that_no_other_hears_first():
    """Five loud ones of a neighbour are as loud as its own; where four of its own would be left they all stay."""
    for own, kept in ((5, 5), (4, 9)):
        bled_s = HATS[:5] + 0.5
        hat = struck(np.sort([*HATS[:own], *bled_s + 0.003]), seed=1)
        snare, silent = struck(bled_s, seed=2), listen(Track.from_array("silent", np.zeros(RATE), RATE))
        found, shares = unled([hat, snare, silent])
        assert len(own_s(found[0])) == kept
        assert found[1:] == [snare, silent]
        assert shares == pytest.approx([5 / (5 + own), 0.0, 0.0], abs=0.05)
    assert own_s(unled([struck(np.sort([*HATS, *HATS + 0.503]), seed=1), struck(HATS + 0.5)])[0][0]) == (
        pytest.approx(HATS, abs=STEP_S)
    )


def test_what_hangs_over_a_kit_keeps_the_few_strokes_that_nobody_leads():
    """Those of a cymbal without a mic, beside all others."""
    drums_s = np.sort([*HATS, *HATS + 0.25])
    snare, over = struck(drums_s, seed=1), struck(np.sort([*drums_s + 0.003, *HATS[:5] + 0.5]), seed=2)
    found, shares = unled([snare, over])
    assert found == [snare, over]
    assert shares == pytest.approx([0.0, 20 / 25], abs=0.03)


def kinds_weighed(monkeypatch, tracks):
    """The kinds of all hypotheses of each other track of a take against the first, by its name."""
    kinds = {}
    decided = measure.decided

    def told(seen):
        kinds.setdefault(seen.second.name, set()).update(seen.found.kinds.tolist())
        return decided(seen)

    monkeypatch.setattr(measure, "decided", told)
    measure_many(tracks[0], tracks[1:], max_delay_s=0.02)
    monkeypatch.undo()
    return kinds


def test_what_hangs_over_a_kit_is_nobodys_close_mic(monkeypatch):
    """Either of two close mics may be one; and so may all of fewer than five tracks, which do not tell of each drum."""
    hat, snare, over = a_kit()
    more = [struck(HATS + 0.2 * one, seed=3 + one) for one in (1, 2)]
    every = {FIRST, SECOND, ONE_PATH}
    known = kinds_weighed(monkeypatch, [hat, snare, over, *more])
    assert (known["drum 2"], known["drum 3"]) == (every, {FIRST, ONE_PATH})
    assert kinds_weighed(monkeypatch, [over, hat, snare, *more])["drum 2"] == {SECOND, ONE_PATH}
    silent = listen(Track.from_array("silent", np.zeros(14 * RATE), RATE))
    assert kinds_weighed(monkeypatch, [hat, snare, over, more[0], silent])["drum 3"] == every
