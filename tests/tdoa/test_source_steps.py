"""The steps by which one source is told from another: triangles, gates, moments, half-seconds, each by hand."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.take.tracks import Track
from micalign.tdoa import closure, gated, moments, sources, steered
from micalign.tdoa.gated import Gate, as_planned, gated_delay, off_plan
from micalign.tdoa.measure import Delay
from micalign.tdoa.moments import HOP_S, Envelope
from micalign.tdoa.peak import Correlogram, Peak
from micalign.tdoa.told import Expected, PairDelay, Wanted

RATE = 16000


def told(delay_us: float, sigma_us: float = 1.0, *, reliable=True) -> Delay:
    return Delay(delay_us / 1e6, sigma_us / 1e6, 1, 1.0, 1.0, reliable, None if reliable else "in doubt")


@pytest.mark.parametrize(
    ("off_us", "sigmas_us", "closes"),
    [
        (29.0, (1.0, 1.0), True),  # 30 us in any case
        (31.0, (1.0, 1.0), False),
        (62.0, (12.0, 16.0), False),  # three of their standard deviations of 20 us together
        (58.0, (12.0, 16.0), True),
        (88.0, (300.0, 400.0), True),  # and never more than three times 30 us
        (92.0, (300.0, 400.0), False),
    ],
)
def test_a_triangle_closes_to_thirty_microseconds_or_three_sigma_of_its_legs(off_us, sigmas_us, closes):
    first, second = told(1000.0, sigmas_us[0]), told(3000.0, sigmas_us[1])
    for sign in (1, -1):
        third = PairDelay("b", "c", told(2000.0 + sign * off_us))
        pairs = closure.closed([PairDelay("a", "b", first), PairDelay("a", "c", second), third], "a")
        assert [pair.delay.reliable for pair in pairs] == [True, True, closes]


@pytest.mark.parametrize("doubtful", ["b", "c"])
@pytest.mark.parametrize(("off_us", "believed"), [(0.0, True), (29.0, True), (-31.0, False)])
def test_a_track_in_doubt_is_believed_by_the_way_over_the_other_in_either_direction(doubtful, off_us, believed):
    rows = {"b": told(1000.0, reliable=doubtful != "b"), "c": told(3000.0, reliable=doubtful != "c")}
    pairs = [PairDelay("a", name, delay) for name, delay in rows.items()]
    kept = closure.closed([*pairs, PairDelay("b", "c", told(2000.0 + off_us))], "a")
    assert {pair.track: pair.delay.reliable for pair in kept[:2]} == {
        doubtful: believed,
        ("c" if doubtful == "b" else "b"): True,
    }
    assert kept[0].delay.reason is None or not believed
    if not believed:
        assert kept[2].delay.reason == "no second way round says the same"


def test_two_tracks_in_doubt_do_not_vouch_for_each_other():
    pairs = [PairDelay("a", "b", told(1000.0, reliable=False)), PairDelay("a", "c", told(3000.0, reliable=False))]
    kept = closure.closed([*pairs, PairDelay("b", "c", told(2000.0))], "a")
    assert [pair.delay.reliable for pair in kept] == [False] * 3
    sure = [PairDelay("a", "b", told(1000.0)), PairDelay("a", "c", told(3000.0))]
    assert closure.closed([*sure, PairDelay("b", "c", told(2000.0, reliable=False))], "a")[2].delay.reason == "in doubt"


def correlogram(*peaks: tuple[float, float], reach_s=0.02) -> Correlogram:
    """Lone values at some lags, a step of 1/16 ms apart, on a low wave."""
    step = 1 / RATE
    lags = np.arange(-round(reach_s / step), round(reach_s / step) + 1) * step
    values = np.zeros(len(lags))
    for lag_s, height in peaks:
        values[np.argmin(np.abs(lags - lag_s))] = height
    return Correlogram(lags, values)


@pytest.mark.parametrize(("share", "expected"), [(0.36, True), (0.34, False), (-0.36, True)])
def test_a_peak_of_a_third_of_the_highest_where_the_scene_has_it_is_believed(share, expected):
    whole = correlogram((0.010, 1.0), (0.004, share), (0.0045, 0.2))
    prior = Expected(0.0042, 1e-4)
    chosen = gated._choose(whole, gated._near(whole, 0.0042, prior))
    assert chosen.as_expected == expected
    assert chosen.peak.lag_s == pytest.approx(0.004 if expected else 0.010, abs=1e-5)
    assert [round(peak.lag_s, 4) for peak in chosen.rivals][:1] == [0.0045 if expected else 0.004]


@pytest.mark.parametrize(("sigma_s", "reach_s"), [(1e-4, 0.8e-3), (2e-4, 1.2e-3)])
def test_near_the_scene_is_eight_tenths_of_a_millisecond_or_six_sigma(sigma_s, reach_s):
    near = gated._near(correlogram(), 0.005, Expected(0.005, sigma_s))
    assert near.lags_s[0] == pytest.approx(0.005 - reach_s, abs=1 / RATE)
    assert near.lags_s[-1] == pytest.approx(0.005 + reach_s, abs=1 / RATE)
    assert np.abs(near.lags_s - 0.005).max() <= reach_s


def test_without_a_scene_or_room_near_it_the_highest_peak_is_taken():
    whole = correlogram((0.010, -1.0), (0.004, 0.5))
    assert gated._choose(whole, None).peak == Peak(pytest.approx(0.010), -1.0)
    few = Correlogram(whole.lags_s[:7], whole.values[:7])
    assert gated._choose(whole, few) == gated._choose(whole, None)
    assert gated._choose(correlogram(), None).peak.height > 0.0


@pytest.mark.parametrize(
    ("expected", "ratio", "contrast", "agreement", "reason"),
    [
        (True, 1.21, 3.51, 0.6, None),
        (True, 9.0, 3.49, 1.0, "no delay stands out of the noise"),
        (True, 9.0, 9.0, 0.59, "its moments suggest different delays"),
        (True, 1.19, 9.0, 1.0, "another delay fits nearly as well"),
        (False, 1.49, 9.0, 1.0, "another delay fits nearly as well"),
        (False, 1.51, 9.0, 1.0, None),
    ],
)
def test_reasons_not_to_act_on_a_source(expected, ratio, contrast, agreement, reason):
    chosen = gated._Chosen(Peak(0.0, 1.0), (), as_expected=expected)
    assert gated._reason(chosen, ratio, contrast, agreement) == reason


@pytest.mark.parametrize(
    ("off_s", "sigma_s", "confidence", "reliable"),
    [
        (0.29e-3, 1e-4, 0.1, True),
        (-0.31e-3, 1e-4, 0.49, False),
        (0.31e-3, 1e-4, 0.5, True),
        (0.39e-3, 2e-4, 0.1, True),  # two sigma
        (0.41e-3, 2e-4, 0.1, False),
    ],
)
def test_the_further_beside_the_plan_the_clearer(off_s, sigma_s, confidence, reliable):
    assert gated._against_plan(Expected(0.002, sigma_s), off_s, confidence)[1] == reliable


def test_what_the_scene_says_is_said_in_milliseconds_and_decibels():
    assert as_planned(Expected(0.0, 0.0, -40.0)) == (None, True)
    assert as_planned(Expected(0.0, 0.0, -40.1))[1] is False
    assert off_plan(Expected(-0.0012, 0.0, -20.0)) == ("the scene says -1.20 ms: was something moved?", True)
    assert off_plan(Expected(0.0012, 0.0, -20.1))[1] is False


def test_the_margin_is_what_the_other_polarity_leaves():
    for sign in (1, -1):
        found = gated._margin(correlogram((0.0, sign), (0.003, -0.3 * sign), (0.006, 0.9 * sign)), Peak(0.0, sign))
        assert found == pytest.approx(0.7)
    assert gated._margin(correlogram((0.0, 1.0), (0.003, -1.5)), Peak(0.0, 1.0)) == 0.0
    assert gated._margin(correlogram((0.0, 1.0)), Peak(0.0, 1.0)) == 1.0


def test_the_uncertainty_is_the_mean_of_groups_and_a_twentieth_of_a_sample():
    own = np.array([1.0, 3.0, 2.0, 6.0]) * 1e-5
    by_hand = np.sqrt(np.var(own, ddof=1) / 4 + (0.05 / RATE) ** 2)
    assert gated._uncertainty_s(own, RATE) == pytest.approx(by_hand)
    assert gated._uncertainty_s(own[:1], RATE) == pytest.approx(np.hypot(1.0, 0.05) / RATE)


def struck(rng, late: int, hits=(0.1, 0.3, 0.5, 0.7), count: int = 16000) -> tuple[np.ndarray, np.ndarray]:
    near, far = 1e-5 * rng.normal(size=(2, count))
    for hit in hits:
        sound = rng.normal(size=1200) * np.exp(-np.arange(1200) / 100)
        at = round(hit * RATE)
        near[at : at + 1200] += sound
        far[at + late : at + late + 1200] += sound
    return near, far


@pytest.mark.parametrize("strays", [0, 1, 2])
def test_the_share_of_moments_that_find_the_delay_is_part_of_its_confidence(rng, strays):
    """Four moments, one to a group; those of other sounds in the far track find something else."""
    near, far = struck(rng, 30)
    for hit in (0.1, 0.3)[:strays]:
        far[round(hit * RATE) :][:2000] = 0.0
        far[round(hit * RATE) + 150 :][:1200] = rng.normal(size=1200) * np.exp(-np.arange(1200) / 100)
    tracks = {name: Track.from_array(name, s, RATE) for name, s in (("near", near), ("far", far))}
    gate = Gate(tracks, np.array([0.1, 0.3, 0.5, 0.7]), max_delay_s=0.02, high_hz=7000.0)
    found = gated_delay(gate, "near", "far", None)
    assert found.delay_s * RATE == pytest.approx(30, abs=0.1)
    assert found.reliable == (strays < 2)
    assert found.confidence == pytest.approx(1.0 - strays / 4, abs=1e-9)


def test_a_gate_follows_the_sound_to_the_reference(rng):
    """Half a millisecond before 6 ms of delay: with no word of it the gate would hold the rise alone."""
    near, far = struck(rng, 30)
    third = np.roll(far, 290)
    tracks = {name: Track.from_array(name, s, RATE) for name, s in (("near", near), ("far", far), ("third", third))}
    gate = Gate(tracks, np.array([0.1, 0.3, 0.5, 0.7]), max_delay_s=0.03, high_hz=7000.0)
    for first, second, later, true in (("near", "far", 0, 30), ("third", "far", 320, -290), ("far", "third", 30, 290)):
        found = gated_delay(gate, first, second, Expected(true / RATE, 1e-4), later_s=later / RATE)
        assert found.reliable
        assert found.delay_s * RATE == pytest.approx(true, abs=0.05)
    with_none = gated_delay(gate, "near", "far", None)
    assert with_none.delay_s * RATE == pytest.approx(30, abs=0.05)


def envelope(loud: dict[int, float], *, count: int = 2000, floor: float = 1e-9, name: str = "a") -> Envelope:
    energy = np.full(count, floor)
    for at, level in loud.items():
        energy[at] = level
    return Envelope(name, energy, np.arange(count) * HOP_S, energy)


@pytest.mark.parametrize(("apart_s", "kept"), [(0.039, 1), (0.041, 2), (-0.039, 1), (-0.041, 2)])
def test_hits_of_no_mic_are_forty_milliseconds_from_each_other_and_from_those_taken(apart_s, kept):
    """The weaker for itself of two in two tracks; and one beside a hit that another source has."""
    one, other = envelope({400: 1.0, 1000: 1.0}), envelope({400: 0.1, 1000: 0.1, 1600: 0.3})
    other = Envelope("b", other.energy, other.times_s + apart_s, other.sharp)
    found = steered.hits_of_no_mic({"a": one, "b": other}, ["a", "b"], [])
    both = [1.0, 2.5] if kept == 1 else [1.0, 2.5, 1.0 + apart_s, 2.5 + apart_s]
    assert found == pytest.approx(sorted([*both, 4.0 + apart_s]))
    assert len(steered.hits_of_no_mic({"a": one}, ["a"], [1.0 + apart_s])) == kept


@pytest.mark.parametrize(("level_db", "kept"), [(-19.0, 3), (-21.0, 2)])
def test_hits_of_no_mic_are_within_twenty_decibels_of_the_two_loudest(level_db, kept):
    """Their mean, of 1.5 and 0.5, is 1; what a track's gain is does not matter."""
    for gain in (1.0, 1e-4):
        one = envelope({200: 1.5 * gain, 600: 0.5 * gain, 1000: gain * 10 ** (level_db / 10)}, floor=1e-12)
        assert len(steered.hits_of_no_mic({"a": one}, ["a"], [])) == kept


def test_of_many_hits_of_no_mic_the_strongest_are_kept_in_order():
    levels = np.random.default_rng(3).permutation(np.linspace(0.2, 1.0, 170))
    many = envelope({100 * (index + 1): level for index, level in enumerate(levels)}, count=17_500)
    found = steered.hits_of_no_mic({"a": many}, ["a"], [])
    strongest = np.sort(np.argsort(-levels)[:160])
    assert found == pytest.approx((strongest + 1) * 100 * HOP_S)


def test_a_place_is_credited_within_a_fifth_of_a_millisecond(rng):
    """Correlations of 32 lags to a millisecond: the highest of 13 about the expected one, negative ones at the end."""
    rows = rng.uniform(size=(3, 1024))
    for delay_s, lags in ((0.005, range(154, 167)), (-0.002, range(-70, -57)), (0.0, range(-6, 7))):
        expected = rows[:, [lag % 1024 for lag in lags]].max(axis=1)
        assert steered._near(rows, delay_s, 32_000) == pytest.approx(expected)


def test_flattened_spectra_are_of_one_size_inside_the_band(rng):
    frames = rng.normal(size=(2, 500))
    flat = steered._flat(frames, 1024, 32_000)
    hz = np.fft.rfftfreq(1024, 1 / 32_000)
    inside = (hz >= 300.0) & (hz <= 12_000.0)
    assert not flat[:, ~inside].any()
    size = np.abs(np.fft.rfft(frames, 1024, axis=1))
    assert np.abs(flat[:, inside]) == pytest.approx((size / (size + 1e-3 * size.max(axis=1, keepdims=True)))[:, inside])


def test_all_rivals_of_the_highest_peak_are_told():
    whole = correlogram((0.010, 1.0), (0.004, 0.5), (-0.003, 0.4))
    few = Correlogram(whole.lags_s[:7], whole.values[:7])
    for near in (None, few):
        assert [peak.height for peak in gated._choose(whole, near).rivals] == [0.5, 0.4]


def test_a_held_source_leads_where_every_other_is_quieter_for_itself():
    """Three singers in turn and the first two at once: a stretch is its own only against both of the others."""
    turns = {"a": range(4), "b": range(3, 8), "c": range(9, 12)}
    energies = {
        name: np.repeat([1.0 if part in own else 1e-4 for part in range(12)], 200) for name, own in turns.items()
    }
    heard = {name: Envelope(name, e, np.arange(len(e)) * HOP_S, e) for name, e in energies.items()}
    close = {name: name for name in turns}
    leads = moments.leading_stretches(heard, close, "a")
    # 50 ms of smoothing blur each border by ten hops.
    assert leads[10:590].all()
    assert not leads[610:].any()


def test_half_seconds_are_taken_where_a_source_leads_for_three_fifths_of_them():
    """200 hops to a half-second: 120 are enough, 119 are not."""
    leads = np.zeros(1000, bool)
    leads[:120] = leads[200:319] = leads[400:600] = True
    energy = envelope({}, count=1000, floor=1.0)
    assert sources._segments(energy, leads) == pytest.approx([0.0, 1.0])
    assert len(sources._segments(envelope({}, count=199), leads[:199])) == 0


def test_of_many_half_seconds_the_sixty_loudest_are_taken_in_order():
    level = np.random.default_rng(4).permutation(70) + 1.0
    energy = np.repeat(level, 200)
    found = sources._segments(Envelope("a", energy, np.arange(len(energy)) * HOP_S, energy), np.ones(len(energy), bool))
    assert found == pytest.approx(0.5 * np.flatnonzero(level > 10.0))


def test_outside_the_half_seconds_a_track_is_silenced_softly():
    track = Track.from_array("a", np.ones(1000), 100)
    found = sources._only(track, np.array([2.0, 9.8]), 0.5).read()
    assert found[200:250] == pytest.approx([1 / 6, 1 / 2, 5 / 6, *np.ones(44), 5 / 6, 1 / 2, 1 / 6])
    assert found[980:1000] == pytest.approx([1 / 6, 1 / 2, 5 / 6, *np.ones(17)])
    assert not found[:200].any()
    assert not found[250:980].any()


def test_the_amplitude_of_a_struck_source_is_over_twenty_milliseconds_the_median_of_its_moments():
    energy = np.zeros(400)
    for at, level in ((100, 4.0), (200, 9.0), (392, 16.0)):
        energy[at : at + 8] = level
    one = Envelope("a", energy, np.arange(400) * HOP_S, energy)
    assert sources._at({"a": one}, ["a"], np.array([0.25, 0.5, 0.98])) == {"a": pytest.approx(3.0)}
    # Two hops early a quarter of what is looked at is silent.
    assert sources._at({"a": one}, ["a"], np.array([0.245])) == {"a": pytest.approx(np.sqrt(4.0 * 6 / 8))}


def test_what_a_scene_says_of_a_pair_is_the_difference_of_its_arrivals():
    expected = {"a": Expected(0.002, 3e-4, -5.0), "b": Expected(0.005, 4e-4, -9.0)}
    found = sources._prior(Wanted("drum", ("a", "b"), "a", expected), "a", "b")
    assert found is not None
    assert (found.arrival_s, found.sigma_s, found.level_db) == pytest.approx((0.003, 5e-4, -9.0))
    assert sources._prior(Wanted("drum", ("a", "c"), "a", expected), "a", "c") is None
    assert sources._prior(Wanted("drum", ("a", "c"), "a", expected), "c", "b") is None


@pytest.mark.parametrize(("before", "after"), [(0, 6), (2, 6)])
def test_the_peak_about_a_hit_is_the_highest_within_fifteen_milliseconds(before, after):
    energy = np.arange(40.0)[::-1].copy()
    energy[[7, 8, 26]] = 100.0, 50.0, 200.0
    found = moments._peaks(energy, np.array([10, 20, 38]), before)
    by_hand = [max(energy[max(hit - before, 0) : hit + after]) for hit in (10, 20, 38)]
    assert found.tolist() == by_hand
    assert (
        moments._loud(energy, np.array([10, 20, 30])) == sorted(moments._peaks(energy, np.array([10, 20, 30]), 0))[-2]
    )
    assert moments._loud(energy, np.array([10])) == energy[10]
    assert moments._loud(energy, np.zeros(0, int)) == 200.0
