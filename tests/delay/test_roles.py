"""Which of two mics is the close one when the strokes contradict the first guess: it never hears its own drum last."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from micalign.delay import measure, roles
from micalign.delay.evidence import Evidence
from micalign.delay.listening import listen
from micalign.delay.measure import measure_pair
from micalign.delay.peak import Peak
from micalign.take.model import Track

RATE = 16000
SECONDS = 8.0


def pair(rng, early_ms: float) -> tuple[Track, Track]:
    """A drum each second that is loudest in one mic and yet reaches the other ``early_ms`` before it.

    The other mic's own drum, three times a second, comes 2 ms later to the first, 20 dB down. A third, 11 dB down in
    the other mic and nowhere else, makes that the less close of the two by its sound alone.
    """
    count, early = int(SECONDS * RATE), round(early_ms * RATE / 1000)
    first, other = 1e-4 * rng.normal(size=(2, count))
    for hit in np.arange(0.5, SECONDS - 0.5, 0.25):
        drum = rng.normal(size=1600) * np.exp(-np.arange(1600) / 300)
        at = round(hit * RATE)
        if hit % 1.0 == 0.5:
            first[at : at + 1600] += drum
            other[at - early :][:1600] += 0.2 * drum
        else:
            other[at : at + 1600] += drum
            first[at + 32 :][:1600] += 0.1 * drum
        between = round((hit + 0.125) * RATE)
        other[between : between + 1600] += 0.28 * rng.normal(size=1600) * np.exp(-np.arange(1600) / 300)
    return Track.from_array("first", first, RATE), Track.from_array("other", other, RATE)


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize(("early_ms", "delay_samples"), [(0.25, -4), (0.375, -32)])
def test_strokes_that_put_the_other_mic_earlier_turn_the_roles(rng, early_ms, delay_samples, turned):
    """A quarter of a millisecond is a drum's width; more, and the other mic's own drum is asked."""
    first, other = pair(rng, early_ms)
    found = measure_pair(other, first) if turned else measure_pair(first, other)
    assert found.delay_s * RATE == pytest.approx(-delay_samples if turned else delay_samples, abs=0.1)


def test_who_is_told_to_be_close_stays_so(rng):
    first, other = pair(rng, 0.375)
    for close, delay_samples in (("reference", -6), ("track", -32)):
        assert measure_pair(first, other, close=close).delay_s * RATE == pytest.approx(delay_samples, abs=0.1)
    moments_s = np.arange(0.5, SECONDS - 0.5, 1.0)
    assert measure_pair(first, other, moments_s=moments_s).delay_s * RATE == pytest.approx(-6, abs=0.1)


SOUND = listen(Track.from_array("a", np.random.default_rng(0).normal(size=800), 8000))


def strokes(lag_s: float) -> Evidence:
    peak = Peak(lag_s, 1.0)
    return Evidence("strokes", peak, (peak,), 1.0, 0.05, np.full(8, lag_s), np.full(8, lag_s), 1e-6, 8, 0.05, 0.0, 3e-5)


@pytest.mark.parametrize(
    ("guess_s", "turned_s", "taken"),
    [
        (-0.00029, 0.002, "guess"),
        (-0.00031, 0.002, "turned"),
        (-0.00031, -0.00029, "turned"),
        (-0.00031, -0.00031, "guess"),  # neither is close: the first guess stays
        (-0.00031, None, "guess"),  # the other has no strokes
        (None, 0.002, "guess"),
        (0.002, 0.005, "guess"),
    ],
)
def test_the_roles_are_turned_where_the_other_guess_is_the_better(monkeypatch, guess_s, turned_s, taken):
    """What is asked of the two guesses alone: who has strokes, and whom they put first."""
    first, other = replace(SOUND), replace(SOUND)

    def sound_out(near, far, sign, _struck, **_search):
        return roles.Side(near, far, sign, None if turned_s is None else strokes(turned_s))

    monkeypatch.setattr(roles, "sound_out", sound_out)
    guess = roles.Side(first, other, 1, None if guess_s is None else strokes(guess_s))
    found = roles.surer(guess, reach_s=0.05, centre_s=0.0)
    assert found.near is (first if taken == "guess" else other)
    assert found.sign == (1 if taken == "guess" else -1)


@pytest.mark.parametrize(
    ("guess", "own", "turned", "taken"),
    [
        # Contrast of the guess's strokes, of those it hears loudest, of the other's that it hears loudest.
        (20.0, 40.0, 40.0, 20.0),  # in no doubt
        (3.0, 20.0, 40.0, 20.0),  # sure at once
        (3.0, 5.0, 40.0, 40.0),
        (3.0, 4.6, 4.0, 4.6),
        (3.0, 4.4, 4.0, 3.0),  # none of them speaks
        (4.0, 5.1, 4.0, 4.0),  # hardly sharper
        (4.0, 5.3, 4.0, 5.3),
    ],
)
def test_where_levels_differ_the_sharpest_of_the_guesses_is_taken(monkeypatch, guess, own, turned, taken):
    first, other = replace(SOUND), replace(SOUND)

    def side(near, far, sign, contrast):
        blurred = np.linspace(-0.01, 0.01, 8) if contrast < 10.0 else np.full(8, 0.002)
        return roles.Side(near, far, sign, replace(strokes(0.002), noise=1.0 / contrast, own_best_s=blurred))

    monkeypatch.setattr(roles, "levels_apart", lambda *_, **__: True)
    monkeypatch.setattr(roles, "own_strokes", lambda near, _far, **_: near.struck)
    monkeypatch.setattr(
        roles, "sound_out", lambda near, far, sign, _s, **_: side(near, far, sign, own if near is first else turned)
    )
    found = roles.surer(side(first, other, 1, guess), reach_s=0.05, centre_s=0.0)
    assert found.heard.height / found.heard.noise == pytest.approx(taken)


def ringing_kit(rng, others: float) -> tuple[Track, Track]:
    """A drum that rings on for half a second in its close mic, and another that is sharper and louder in the far one.

    The own drum comes 5 ms later in the far mic, the other one 2 ms.
    """
    count = int(SECONDS * RATE)
    near, far = 1e-4 * rng.normal(size=(2, count))
    ring = np.sin(2 * np.pi * 110 / RATE * np.arange(8000)) * np.exp(-np.arange(8000) / 8000)
    for hit in np.arange(0.5, SECONDS - 1.0, 0.5):
        at = round(hit * RATE)
        if hit % 1.0 == 0.5:
            drum = ring.copy()
            drum[:400] += 0.5 * rng.normal(size=400) * np.exp(-np.arange(400) / 60)
            near[at : at + 8000] += drum
            far[at + 80 :][:8000] += 0.1 * drum
        else:
            snare = rng.normal(size=4000) * np.exp(-np.arange(4000) / 900)
            near[at : at + 4000] += 0.1 * others * snare
            far[at + 32 :][:4000] += others * snare
    return Track.from_array("near", near, RATE), Track.from_array("far", far, RATE)


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("others", [0.5, 0.8])
def test_a_ringing_drum_is_told_by_its_own_strokes_and_not_by_the_louder_bleed(rng, others, turned):
    near, far = ringing_kit(rng, others)
    found = measure_pair(far, near) if turned else measure_pair(near, far)
    assert found.delay_s * RATE == pytest.approx(-80 if turned else 80, abs=0.1)
    assert found.reliable


def test_own_strokes_are_those_heard_loudest_against_the_other_track():
    """Two drums at one level in the near track, 12 dB apart in the far one; three strokes are too few to tell."""
    near, far = np.zeros((2, 8 * 4000))
    for hit in range(8):
        near[hit * 4000 + 2000 :][:200] = 1.0
        far[hit * 4000 + 2000 :][:200] = 0.1 if hit % 2 else 0.4
    one, two = listen(Track.from_array("near", near, 8000)), listen(Track.from_array("far", far, 8000))
    assert len(one.struck) == 8
    assert roles.own_strokes(one, two).tolist() == one.struck[1::2].tolist()
    later = listen(Track.from_array("later", np.roll(far, 800), 8000))
    assert roles.own_strokes(one, later, later_s=0.1).tolist() == one.struck[1::2].tolist()
    few = replace(one, struck=one.struck[:3])
    assert roles.own_strokes(few, two).tolist() == few.struck.tolist()


@pytest.mark.parametrize(
    ("sigma_s", "most_s", "reach_s"),
    [(None, 0.05, 0.05), (0.002, 0.05, 0.008), (0.0002, 0.05, 0.001), (0.02, 0.05, 0.05)],
)
def test_a_prior_is_searched_to_four_sigma_a_millisecond_at_least_and_no_further_than_asked(sigma_s, most_s, reach_s):
    options = measure._Options(most_s, 0.003, sigma_s, None, False, None)
    assert measure._search(options) == pytest.approx((0.003, reach_s))
    assert measure._search(replace(options, prior_s=None)) == (0.0, most_s)


def test_doubt_keeps_an_older_reason_and_a_lower_confidence():
    sure = measure.Delay(0.001, 1e-6, 1, 0.9, 0.9, True, None)
    assert measure._doubt(sure, "why") == replace(sure, reliable=False, confidence=0.4, reason="why")
    unsure = replace(sure, reliable=False, confidence=0.3, reason="older")
    assert measure._doubt(unsure, "why") == unsure


def test_progress_tells_each_track_and_the_share_done(rng):
    tracks = [Track.from_array(name, rng.normal(size=4000), 8000) for name in "abc"]
    heard: list[tuple[str, float]] = []
    measure.measure_many(tracks[0], tracks[1:], progress=lambda words, share: heard.append((words, share)))
    assert heard == [
        ("listening to a", 0.0),
        ("measuring b", pytest.approx(1 / 3)),
        ("measuring c", pytest.approx(2 / 3)),
    ]
