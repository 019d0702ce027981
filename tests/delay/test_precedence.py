"""When are fronts asked, believed, or taken as the better guess? Both sides of every bar, on evidence made by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from micalign.delay import answer, precedence
from micalign.delay.evidence import Evidence
from micalign.delay.peak import Peak
from micalign.delay.precedence import arrives_as_one, heard_first, seconded, with_fronts
from micalign.delay.sharpen import Sharp
from micalign.delay.verdict import judge

WHOLE_S, FRONT_S = 0.009, 0.005


def evidence(kind, at_s, *, rival=0.1, contrast=50.0, height=0.5, agree=8, rival_s=0.02):
    """One peak of a height, another of a share of it, and eight groups of which some find the first."""
    groups = np.where(np.arange(8) < agree, at_s, 0.04)
    return Evidence(
        kind=kind,
        best=Peak(at_s, height),
        peaks=(Peak(at_s, 1.0), Peak(rival_s, rival)),
        height=1.0,
        noise=1.0 / contrast,
        own_best_s=groups,
        nearby_s=np.full(8, at_s),
        error_s=1e-7,
        frames=60,
        reach_s=0.05,
        centre_s=0.0,
        lobe_s=3e-5,
    )


def whole(**changes):
    """A whole take in doubt, for no delay stands out of its noise; two walls lie behind it."""
    return judge(evidence("stretches", WHOLE_S, **{"contrast": 6.0, "rival": 0.5, "rival_s": 0.013, **changes}))


def strokes(**changes):
    return judge(evidence("strokes", WHOLE_S, **{"rival": 0.9, **changes}))


def begun(at_s=FRONT_S, **changes):
    return judge(evidence("fronts", at_s, **changes))


@pytest.mark.parametrize(
    ("changes", "sure"),
    [
        ({"contrast": 20.1}, True),
        ({"contrast": 19.9}, False),
        ({"rival": 0.19, "agree": 4}, True),
        ({"rival": 0.19, "agree": 3}, False),
        ({"rival": 0.21, "agree": 4}, False),
        ({"rival": 0.29, "agree": 6}, True),
        ({"rival": 0.29, "agree": 5}, False),
        ({"rival": 0.31, "agree": 6}, False),
        ({"rival": 0.44, "agree": 7}, True),
        ({"rival": 0.46}, False),
    ],
)
def test_fronts_are_sure_where_no_other_comes_near_and_most_groups_tell_of_them(changes, sure):
    assert (begun(**changes).reason is None) is sure


@pytest.mark.parametrize(("groups", "sure"), [(3, True), (2, False)])
def test_three_groups_that_sound_are_the_fewest(groups, sure):
    few = replace(evidence("fronts", FRONT_S), own_best_s=np.full(groups, FRONT_S))
    assert (judge(few).reason is None) is sure


def test_one_sigma_of_a_front_is_no_less_than_a_share_of_its_lobe():
    assert judge(evidence("fronts", FRONT_S)).uncertainty_s == pytest.approx(np.hypot(1e-7, 0.015 * 3e-5))


def test_sure_fronts_are_the_answer_of_a_pair_without_a_close_mic():
    found = heard_first(whole(), begun())
    assert (found.evidence.best.lag_s, found.reason) == (FRONT_S, None)


def test_a_filters_path_keeps_the_number_of_the_whole_take():
    cabinet = whole(rival=0.2)
    assert heard_first(cabinet, begun(WHOLE_S + 1.9e-4)).evidence is cabinet.evidence
    assert heard_first(cabinet, begun(WHOLE_S + 1.9e-4)).reason is None
    assert heard_first(cabinet, begun(WHOLE_S + 2.1e-4)).evidence.kind == "fronts"
    assert heard_first(whole(), begun(WHOLE_S + 1.9e-4)).evidence.kind == "fronts"  # a wall is near: no filter
    assert heard_first(cabinet, begun(WHOLE_S, height=-0.5)).evidence.kind == "fronts"  # not the same, but inverted


@pytest.mark.parametrize(
    ("changes", "noisy", "guess"),
    [
        ({"rival": 0.49, "contrast": 25.1, "agree": 1}, False, True),
        ({"rival": 0.51, "contrast": 25.1}, False, False),
        ({"rival": 0.49, "contrast": 24.9, "agree": 1}, False, False),
        ({"rival": 0.9, "contrast": 12.1}, True, True),
        ({"rival": 0.9, "contrast": 11.9}, True, False),
    ],
)
def test_doubtful_fronts_are_the_better_guess_where_they_are_clear_or_the_whole_take_says_nothing(
    changes, noisy, guess
):
    doubtful = whole(contrast=4.4 if noisy else 4.6)
    found = heard_first(doubtful, begun(**changes))
    assert (found.evidence.kind == "fronts") is guess
    assert found.reason == doubtful.reason


def test_a_whole_take_that_was_sure_is_doubted_where_clear_fronts_tell_of_another_delay():
    sure = whole(contrast=30.0)
    assert sure.reason is None
    found = heard_first(sure, begun(rival=0.49, contrast=30.0, agree=5))
    assert found.evidence.kind == "fronts"
    assert "begins first" in (found.reason or "")


@pytest.mark.parametrize(
    ("changes", "believed"),
    [
        ({}, True),
        ({"rival": 0.44, "agree": 6}, True),
        ({"rival": 0.46, "agree": 8}, False),
        ({"agree": 5, "rival": 0.3}, False),
        ({"contrast": 12.1}, True),
        ({"contrast": 11.9}, False),
        ({"at_s": WHOLE_S + 2.1e-4}, False),
        ({"height": -0.5}, False),
    ],
)
def test_fronts_second_doubtful_strokes_of_the_same_delay_and_polarity(changes, believed):
    own = strokes()
    assert own.reason is not None
    found = seconded(own, begun(**{"at_s": WHOLE_S, **changes}))
    assert (found.reason is None) is believed
    assert found.evidence is own.evidence


@pytest.mark.parametrize(
    ("changes", "alone"),
    [
        ({}, True),
        ({"contrast": 99.0}, False),
        ({"rival": 0.21}, False),
        ({"height": 0.89}, False),
        ({"agree": 6}, False),
    ],
)
@pytest.mark.parametrize("own", [strokes(), strokes(rival=0.1), whole()], ids=["doubtful", "sure", "whole"])
def test_where_one_sound_is_all_that_begins_there_is_no_bleed_and_fronts_are_believed(changes, alone, own):
    found = seconded(own, begun(**{"contrast": 101.0, "rival": 0.19, "height": 0.91, "agree": 7, **changes}))
    assert (found.evidence.kind == "fronts" and found.reason is None) is alone


@pytest.mark.parametrize(
    ("own", "close", "guess"),
    [
        (strokes(contrast=4.4), True, True),
        (strokes(contrast=4.6), True, False),
        (strokes(contrast=20.0, agree=1), True, False),
        (strokes(contrast=20.0, agree=1), False, True),
        (strokes(contrast=20.0, agree=2), False, False),
        (whole(contrast=4.4), True, False),
    ],
)
def test_fronts_are_the_better_guess_where_strokes_say_nothing(own, close, guess):
    found = seconded(own, begun(rival=0.48, contrast=30.0), close=close)
    assert (found.evidence.kind == "fronts") is guess
    assert found.reason == own.reason


@pytest.mark.parametrize(
    ("known", "changes", "doubted"),
    [
        (0.61, {}, True),
        (0.59, {}, False),
        (0.61, {"agree": 6}, False),
        (0.61, {"rival": 0.71}, False),
        (0.61, {"contrast": 24.0}, False),
        (0.61, {"at_s": FRONT_S + 2.1e-4}, False),
    ],
)
def test_sure_strokes_are_doubted_where_all_fronts_tell_of_an_earlier_path_they_know(known, changes, doubted):
    own = strokes(rival=known, rival_s=FRONT_S)
    assert own.reason is None
    found = seconded(own, begun(**{"at_s": FRONT_S, "rival": 0.6, **changes}))
    assert (found.reason is not None) is doubted
    assert (found.evidence.kind == "fronts") is doubted


def test_a_later_path_that_strokes_know_is_a_detour_and_no_doubt():
    own = strokes(rival=0.7, rival_s=0.015)
    assert seconded(own, begun(at_s=0.015, rival=0.6)).reason is None


@pytest.mark.parametrize(
    ("verdict", "gap_db", "asked"),
    [
        (whole(), 0.0, True),
        (whole(contrast=30.0, rival=0.41), 0.0, True),
        (whole(contrast=30.0, rival=0.39), 0.0, False),
        (strokes(rival=0.56), 9.0, True),
        (strokes(), 9.0, True),
        (strokes(rival=0.54), 9.0, False),
    ],
)
def test_who_is_sure_and_has_no_rival_is_not_asked(monkeypatch, verdict, gap_db, asked):
    calls = []
    monkeypatch.setattr(precedence, "_begun", lambda *_, **kept: calls.append(kept))
    near = SimpleNamespace(gap_db=gap_db)
    assert with_fronts(verdict, near, near) is verdict
    assert calls == ([{"reach_s": 0.05, "centre_s": 0.0}] if asked else [])


@pytest.mark.parametrize(("at_s", "believed"), [(0.9e-4, False), (-0.9e-4, False), (1.1e-4, True)])
def test_what_begins_in_both_at_once_ends_no_doubt(monkeypatch, at_s, believed):
    monkeypatch.setattr(precedence, "_begun", lambda *_, **__: begun(at_s))
    near = SimpleNamespace(gap_db=0.0)
    assert (with_fronts(whole(), near, near).reason is None) is believed


@pytest.mark.parametrize(("gap_db", "kind"), [(4.1, "strokes"), (3.9, "fronts")])
def test_lost_strokes_of_a_close_mic_are_kept_and_of_others_not(monkeypatch, gap_db, kind):
    monkeypatch.setattr(precedence, "_begun", lambda *_, **__: begun(rival=0.48, contrast=30.0))
    near = SimpleNamespace(gap_db=gap_db)
    assert with_fronts(strokes(contrast=20.0, agree=1), near, near).evidence.kind == kind


@pytest.mark.parametrize(
    ("off_s", "height", "error_s", "one"),
    [
        (0.9e-5, 0.96, 5.9e-7, True),
        (1.1e-5, 0.96, 5.9e-7, False),
        (0.0, -0.96, 5.9e-7, True),
        (0.0, 0.94, 5.9e-7, False),
        (0.0, 0.96, 6.1e-7, False),
    ],
)
def test_what_arrives_as_one_is_alike_in_place_and_sharp(monkeypatch, off_s, height, error_s, one):
    found = judge(replace(evidence("fronts", FRONT_S + off_s, height=height), error_s=error_s))
    monkeypatch.setattr(precedence, "_begun", lambda *_, **__: found)
    assert arrives_as_one(None, None, FRONT_S) is one


@pytest.mark.parametrize("one", [True, False])
def test_a_best_sum_is_taken_back_where_what_begins_arrives_as_one(monkeypatch, one):
    summed = Sharp(0.00502, 1e-9, 1e-8, 0.9, 2e-5, True)
    whole_take = judge(evidence("stretches", 0.005, contrast=30.0))
    monkeypatch.setattr(answer, "sharpen", lambda *_, **__: summed)
    monkeypatch.setattr(answer, "stretches", lambda *_, **__: None)
    monkeypatch.setattr(answer, "common_samples", lambda *_: (0, 1))
    monkeypatch.setattr(answer, "arrives_as_one", lambda _near, _far, delay_s: one and delay_s == pytest.approx(0.005))
    near = SimpleNamespace(envelope=None, track=SimpleNamespace(frames=1, sample_rate=48000))
    found = answer.answer(whole_take, near, near, -1)
    assert found.delay_s == pytest.approx(-0.005 if one else -0.00502)
    assert found.uncertainty_s == pytest.approx(1e-8 if one else 0.4 * 2e-5, rel=1e-3)


@pytest.mark.parametrize(("inverted", "clear"), [(-0.66, True), (-0.67, False), (0.8, True)])
def test_strokes_as_good_inverted_are_not_reliable(inverted, clear):
    reason = judge(evidence("strokes", WHOLE_S, rival=inverted)).reason
    assert reason == (None if clear else "its polarity is not clear")
