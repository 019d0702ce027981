"""Two mics over a whole kit: the loudest drum answers, the others are its rivals, and what is no kit is left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from micalign.delay import measure, overheads
from micalign.delay.listening import level_spread_db, listen
from micalign.delay.measure import measure_pair
from micalign.delay.overheads import drums_of, loudest_drum, over_a_kit
from micalign.take.model import Track

RATE = 48000
NEAR = 0.1  # samples: 2 us, forty times the reading's own noise and a fiftieth of the bar of 0.1 ms
SNARE, TOM = 25, -40
"""By how many samples each drum comes later in the right mic."""


def strokes(rng, at_s, later: int, gain: float, *, frames=8 * RATE, tau=400, slope=0.6):
    """One drum in two mics: bursts of noise with a drum's tilt, each stroke a little different."""
    left, right = np.zeros(frames + 4000), np.zeros(frames + 4000)
    for time_s in at_s:
        burst = rng.normal(size=3000) * np.exp(-np.arange(3000) / tau)
        burst[1:] -= slope * burst[:-1]
        burst *= gain * rng.uniform(0.8, 1.0)
        start = int(time_s * RATE)
        left[start : start + 3000] += burst
        right[start + later : start + later + 3000] += burst
    return left[:frames], right[:frames]


def take(*drums, seed=3, flip=1.0, levels=(1.0, 0.7), frames=8 * RATE) -> tuple[Track, Track]:
    """Two tracks of (first stroke, seconds between, samples later, gain) drums, each track at its level."""
    rng = np.random.default_rng(seed)
    left, right = 3e-4 * rng.normal(size=(2, frames))
    for first_s, every_s, later, gain in drums:
        a, b = strokes(rng, np.arange(first_s, 7.6, every_s), later, gain, frames=frames)
        left, right = left + a, right + b
    sounds = (0.1 * levels[0] * left, 0.1 * flip * levels[1] * right)
    first, second = (Track.from_array(name, x, RATE) for name, x in zip(("left", "right"), sounds, strict=True))
    return first, second


SNARE_LOUDER = ((0.5, 1.0, SNARE, 1.0), (0.25, 1.0, TOM, 0.4))
ALIKE = ((0.5, 1.0, SNARE, 1.0), (0.25, 1.0, TOM, 1.0))


def found(drums, **changes):
    return measure_pair(*take(*drums, **changes))


@pytest.mark.parametrize(("louder", "other"), [(SNARE, TOM), (TOM, SNARE)])
def test_the_louder_drum_answers_and_the_other_is_its_rival(louder, other):
    delay = found(((0.5, 1.0, louder, 1.0), (0.25, 1.0, other, 0.4)))
    assert delay.delay_s * RATE == pytest.approx(louder, abs=NEAR)
    assert (delay.reliable, delay.reason, delay.polarity) == (True, None, 1)
    assert delay.rivals[0].delay_s * RATE == pytest.approx(other, abs=0.5)  # half a step of the coarse lag
    # Powers are levelled to the power 0.8, which the two drums set together: near 0.4, not at it.
    assert 0.3 < delay.rivals[0].strength < 0.55


def test_more_strokes_do_not_make_a_drum_louder():
    delay = found(((0.5, 1.0, SNARE, 1.0), (0.2, 0.2, TOM, 0.4)))
    assert delay.delay_s * RATE == pytest.approx(SNARE, abs=NEAR)
    assert delay.reliable


def test_two_drums_about_equally_loud_are_said_to_be_so():
    delay = found(ALIKE)
    assert not delay.reliable
    assert delay.reason == "two drums are about equally loud and their delays differ by 1.35 ms"  # 65 samples
    assert delay.confidence < 0.3


def test_swapped_the_delay_turns_and_flipped_only_the_polarity():
    first, second = take(*SNARE_LOUDER)
    plain, back = measure_pair(first, second), measure_pair(second, first)
    assert back.delay_s == pytest.approx(-plain.delay_s, abs=1e-8)  # rounding of single precision
    assert back.rivals[0].delay_s == pytest.approx(-plain.rivals[0].delay_s, abs=1e-9)
    flipped = found(SNARE_LOUDER, flip=-1.0)
    assert flipped.polarity == -1
    assert flipped.delay_s == pytest.approx(plain.delay_s, abs=1e-8)
    assert 0.0 < flipped.polarity_margin < 1.0


def test_tracks_that_start_apart_are_held_against_one_clock():
    first, second = take(*SNARE_LOUDER)
    cut = Track.from_array("right", second.read(4800, second.frames - 4800), RATE, start_s=0.1)
    assert measure_pair(first, cut).delay_s * RATE == pytest.approx(SNARE, abs=NEAR)


def test_the_uncertainty_is_of_the_order_of_the_error():
    errors = []
    for seed in range(6):
        delay = found(SNARE_LOUDER, seed=seed)
        errors.append((delay.delay_s - SNARE / RATE) / delay.uncertainty_s)
    assert np.sqrt(np.mean(np.square(errors))) < 2.5  # six draws of unit variance lie below 1.5 in 98 of 100


def asked(drums, **changes):
    """What the loudest drum says of a take, beside whatever else is asked."""
    first, second = (listen(track) for track in take(*drums, **changes))
    return loudest_drum(first, second, 1, reach_s=0.05, centre_s=0.0)


def test_one_drum_is_no_kit():
    assert asked(((0.5, 0.5, SNARE, 1.0),)) is None
    delay = found(((0.5, 0.5, SNARE, 1.0),))
    assert delay.delay_s * RATE == pytest.approx(SNARE, abs=NEAR)
    assert delay.reliable


def test_a_drum_of_fewer_than_three_strokes_is_none():
    assert asked((SNARE_LOUDER[0], (0.25, 5.0, TOM, 0.4))) is None  # two strokes
    assert asked((SNARE_LOUDER[0], (0.25, 3.0, TOM, 0.4))) is not None  # three


@pytest.mark.parametrize(("later", "kit"), [(SNARE + 240, True), (SNARE + 320, False)])
def test_drums_of_one_kit_lie_within_two_metres(later, kit):
    assert (asked((SNARE_LOUDER[0], (0.25, 1.0, later, 0.4))) is not None) is kit


@pytest.mark.parametrize(("later", "kit"), [(130, True), (160, False)])
def test_a_pair_is_about_equally_far_from_its_loudest_drum(later, kit):
    """3 ms are 144 samples: a room mic lies further behind, and is measured as before."""
    assert (asked(((0.5, 1.0, later, 1.0), (0.25, 1.0, later - 65, 0.4))) is not None) is kit


def test_a_search_about_another_centre_counts_from_there():
    first, second = take(*((first, every, later + 480, gain) for first, every, later, gain in SNARE_LOUDER))
    heard = listen(first), listen(second)
    assert loudest_drum(*heard, 1, reach_s=0.02, centre_s=0.0) is None
    delay = loudest_drum(*heard, -1, reach_s=0.02, centre_s=0.01)
    assert delay.delay_s * RATE == pytest.approx(-(SNARE + 480), abs=NEAR)
    assert measure_pair(first, second).reliable


def test_a_delay_at_the_border_of_the_search_is_doubted():
    first, second = (listen(track) for track in take(*SNARE_LOUDER))
    delay = loudest_drum(first, second, 1, reach_s=0.0008, centre_s=0.0)
    assert not delay.reliable
    assert "border of the search" in delay.reason


def test_silence_and_single_strokes_fall_back():
    silent = Track.from_array("silent", np.zeros(RATE), RATE)
    assert loudest_drum(listen(silent), listen(silent), 1, reach_s=0.05, centre_s=0.0) is None
    assert drums_of(listen(silent), listen(silent)) == ()
    assert asked(((0.5, 9.0, SNARE, 1.0), (0.25, 9.0, TOM, 0.4))) is None


def told_otherwise(*_arguments, **_options):
    raise AssertionError("the loudest drum was asked for")


def test_who_names_moments_a_close_mic_or_a_prior_is_not_answered_with_the_loudest(monkeypatch):
    first, second = take(*SNARE_LOUDER)
    monkeypatch.setattr(measure, "loudest_drum", told_otherwise)
    toms = {"moments_s": np.arange(0.25, 7.6, 1.0)}
    assert measure_pair(first, second, **toms).delay_s * RATE == pytest.approx(TOM, abs=1.0)
    for asked_for in ({"close": "reference"}, {"prior_s": TOM / RATE}):
        assert measure_pair(first, second, **asked_for) is not None
    with pytest.raises(AssertionError, match="was asked for"):
        measure_pair(first, second)


def test_far_apart_on_the_clock_the_loudest_drum_answers_as_well():
    late = ((0.5, 1.0, SNARE + RATE // 4, 1.0), (0.25, 0.5, TOM + RATE // 4, 0.5))
    delay = measure_pair(*take(*late, frames=9 * RATE), max_delay_s=0.5)
    assert delay.delay_s * RATE == pytest.approx(SNARE + RATE // 4, abs=NEAR)
    assert [round(rival.delay_s * RATE) for rival in delay.rivals] == [TOM + RATE // 4]


def test_loudness_is_heard_where_the_stroke_is_in_each_track():
    late = [(first, every, later + 2300, gain) for first, every, later, gain in SNARE_LOUDER]
    first, second = (listen(track) for track in take(*late))
    found_ = overheads._strokes(first, second, 0.05, 0.0)
    assert np.ptp(found_.louder_db) < 1.0


def close_and_above() -> tuple[Track, Track]:
    """A snare's own mic, 20 dB nearer to it than to the tom, and one that hears both alike."""
    rng = np.random.default_rng(8)
    snare, tom = strokes(rng, np.arange(0.5, 7.6, 1.0), SNARE, 1.0), strokes(rng, np.arange(0.25, 7.6, 1.0), TOM, 0.8)
    hiss = 3e-4 * rng.normal(size=(2, len(snare[0])))
    near, far = snare[0] + 0.1 * tom[0] + hiss[0], snare[1] + tom[1] + hiss[1]
    return Track.from_array("near", 0.1 * near, RATE), Track.from_array("far", 0.1 * far, RATE)


def test_a_close_mic_is_told_by_the_levels_of_the_strokes():
    close, above = (listen(track) for track in close_and_above())
    assert level_spread_db(close, above) == pytest.approx(20.0, abs=2.0)
    assert not over_a_kit(close, above)
    pair = [listen(track) for track in take(*SNARE_LOUDER, levels=(1.0, 0.1))]
    assert level_spread_db(*pair) < 1.0  # a gain is no difference
    assert over_a_kit(*pair)


def test_too_few_strokes_tell_nothing_of_levels():
    few = [listen(track) for track in take((0.5, 1.5, SNARE, 1.0))]  # five
    assert level_spread_db(*few) == np.inf
    enough = [listen(track) for track in take((0.5, 1.4, SNARE, 1.0))]  # six
    assert level_spread_db(*enough) < 1.0


def test_levels_are_compared_at_the_delay_that_is_known():
    first, second = take(*((first, every, later + 4800, gain) for first, every, later, gain in SNARE_LOUDER))
    heard = listen(first), listen(second)
    assert level_spread_db(*heard, later_s=0.1) < 1.0
    assert level_spread_db(*heard) > 10.0


def hand_made(**changes):
    """Eight strokes of a drum at 0, four of one at 1 ms 10 dB below, of one level."""
    plain = overheads._Strokes(
        struck=np.arange(12) * 1000,
        lag_s=np.repeat([0.0, 0.001], [8, 4]),
        polarity=np.ones(12, dtype=int),
        against=np.full(12, 0.25),
        loudness=np.repeat([1.0, 0.1], [8, 4]),
        louder_db=np.zeros(12),
    )
    return replace(plain, **changes)


def test_a_drum_is_as_loud_as_its_louder_half():
    drums = overheads._drums(hand_made(loudness=np.repeat([2.0, 1.0, 0.1], [4, 4, 4])))
    assert [len(drum.struck) for drum in drums] == [8, 4]
    assert drums[0].loudness == 2.0
    assert drums[0].polarity_margin == 0.75


def test_strokes_of_the_other_polarity_are_another_drum():
    turned = np.where(np.arange(12) < 4, -1, 1)
    assert [drum.polarity for drum in overheads._drums(hand_made(polarity=turned))] in ([1, -1, 1], [-1, 1, 1])
    assert len(overheads._drums(hand_made())) == 2


def test_six_of_a_hundred_strokes_make_a_drum_of_a_long_take():
    def long(rare):
        count = 100 - rare
        return overheads._Strokes(
            np.arange(100) * 1000,
            np.repeat([0.0, 0.001], [count, rare]),
            np.ones(100, dtype=int),
            np.zeros(100),
            np.ones(100),
            np.zeros(100),
        )

    assert [len(overheads._drums(long(rare))) for rare in (5, 6)] == [1, 2]


def test_loud_strokes_at_other_delays_are_doubted():
    """Five of eight loud strokes agree, then three fifths are asked for: one more that strays is too much."""
    for stray, reason in ((5, None), (6, "the loudest strokes suggest different delays")):
        lags = np.concatenate([np.zeros(8), np.linspace(0.002, 0.005, stray)])
        strokes_ = overheads._Strokes(
            np.arange(8 + stray) * 1000,
            lags,
            np.ones(8 + stray, dtype=int),
            np.zeros(8 + stray),
            np.ones(8 + stray),
            np.zeros(8 + stray),
        )
        (drum,) = overheads._drums(strokes_)
        faint = replace(drum, loudness=0.1)
        assert overheads._reason((drum, faint), overheads._agreement(strokes_, drum)) == reason


@pytest.mark.parametrize(("second", "clear"), [(0.70, True), (0.72, False)])
def test_a_drum_stands_out_by_a_decibel_and_a_half(second, clear):
    drums = overheads._drums(hand_made(loudness=np.repeat([1.0, second], [8, 4])))
    assert (overheads._reason(drums, 1.0) is None) is clear


@pytest.mark.parametrize(("faint", "kit"), [(0.011, True), (0.009, False)])
def test_a_second_drum_is_within_twenty_decibels(faint, kit):
    strokes_ = hand_made(loudness=np.repeat([1.0, faint], [8, 4]))
    assert overheads._is_kit(overheads._drums(strokes_), strokes_) is kit


def test_a_drum_of_the_other_polarity_makes_no_kit():
    turned = hand_made(polarity=np.repeat([1, -1], [8, 4]))
    assert not overheads._is_kit(overheads._drums(turned), turned)
    assert overheads._is_kit(overheads._drums(hand_made()), hand_made())


@pytest.mark.parametrize(("stray", "kit"), [(1.46, True), (1.47, False)])
def test_half_of_what_is_struck_is_the_drums(stray, kit):
    """4.4 of 8.78 and of 8.81: a half lies between."""
    strokes_ = overheads._Strokes(
        struck=np.arange(11) * 1000,
        lag_s=np.concatenate([np.zeros(4), np.full(4, 0.001), [0.003, -0.003, 0.005]]),
        polarity=np.ones(11, dtype=int),
        against=np.zeros(11),
        loudness=np.concatenate([np.ones(4), np.full(4, 0.1), np.full(3, stray)]),
        louder_db=np.zeros(11),
    )
    assert overheads._is_kit(overheads._drums(strokes_), strokes_) is kit


@pytest.mark.parametrize(
    ("spread_db", "clearly", "middle_db", "equal_s"),
    [
        (3.9, True, 0.0, 0.003),
        (3.9, False, 0.0, 0.0015),
        (4.1, True, 0.0, 0.0015),
        (12.9, True, 0.0, 0.0015),
        (13.1, True, 0.0, 0.0),
        (3.9, False, 4.9, 0.0015),
        (3.9, False, -5.1, 0.0),
    ],
)
def test_the_less_alike_the_louder_half_is_heard_the_nearer_to_the_middle_the_drum_is(
    spread_db, clearly, middle_db, equal_s
):
    louder_db = middle_db + np.concatenate([spread_db * np.array([-0.5, -0.5, 0, 0, 0.5, 0.5]), np.full(6, 30.0)])
    strokes_ = hand_made(loudness=np.repeat([1.0, 0.1], 6), louder_db=louder_db)
    assert overheads._equal_s(strokes_, clearly) == equal_s


def test_a_stroke_in_which_two_drums_fall_together_tells_of_neither():
    """Four loud strokes at random delays: they speak against the drum unless they are as good inverted."""
    lag_s = np.concatenate([np.zeros(5), np.full(3, 0.001), [0.012, -0.02, 0.03, -0.04]])
    for against, share in ((0.74, 5 / 9), (0.76, 1.0)):
        strokes_ = hand_made(lag_s=lag_s, loudness=np.repeat([1.0, 0.1, 1.0], [5, 3, 4]))
        strokes_ = replace(strokes_, against=np.concatenate([np.full(8, 0.9), np.full(4, against)]))
        assert overheads._agreement(strokes_, overheads._drums(strokes_)[0]) == pytest.approx(share)


@pytest.mark.parametrize(("later_s", "own"), [(0.0029, False), (0.0031, True), (0.0089, True), (0.0091, False)])
def test_a_drum_a_metre_nearer_one_mic_is_that_mics_own(later_s, own):
    drums = overheads._drums(hand_made(lag_s=np.repeat([0.0, later_s], [8, 4])))
    assert overheads._own_drum(drums, 0.0, 0.0015) is own
    assert not overheads._own_drum(drums, 0.0, 0.003)  # levels that are clearly alike say enough
    assert overheads._own_drum(drums, 0.02, 0.0015) is False


@pytest.mark.parametrize(("against", "clear"), [(0.66, True), (0.67, False)])
def test_a_drum_as_good_inverted_is_not_reliable(against, clear):
    drums = overheads._drums(hand_made(against=np.full(12, against)))
    assert (overheads._reason(drums, 1.0) is None) is clear
