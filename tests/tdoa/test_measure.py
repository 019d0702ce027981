"""What a measured delay promises, whatever the tracks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from micalign.errors import TakeError
from micalign.take.tracks import Track
from micalign.tdoa.change import measure_clock
from micalign.tdoa.measure import measure_many, measure_pair

RATE = 16000  # the laws hold at any rate; a low one keeps them quick
ONE_SAMPLE_S = 1 / RATE


def track(samples, name="a", rate=RATE, start_s=0.0):
    return Track.from_array(name, samples, rate, start_s=start_s)


def later(samples, delay_samples):
    """An oracle of its own: the samples later by any fraction, by the phases of their spectrum."""
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(samples)) * delay_samples)
    return np.fft.irfft(np.fft.rfft(samples) * turn, len(samples))


def noises(seed, delay_samples, seconds=1.5, gain=0.5, hiss=0.05):
    rng = np.random.default_rng(seed)
    count = int(seconds * RATE)
    sound = rng.normal(size=count + 4000)
    first = sound[2000 : 2000 + count] + hiss * rng.normal(size=count)
    second = gain * later(sound, delay_samples)[2000 : 2000 + count] + abs(gain) * hiss * rng.normal(size=count)
    return first, second


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 1000), delay=st.floats(-700, 700), sign=st.sampled_from([-1, 1]))
@example(seed=0, delay=1.5, sign=-1)  # half a sample: Newton's step led to a lobe beside
def test_a_delay_is_positive_when_the_event_comes_later_in_the_track(seed, delay, sign):
    first, second = noises(seed, delay, gain=0.5 * sign)
    found = measure_pair(track(first), track(second, "b"))
    assert found.reliable
    assert found.polarity == sign
    # A hundredth of a sample: forty times the Cramer-Rao bound of this pair (8 kHz band, 26 dB, 1.5 s).
    assert abs(found.delay_s - delay * ONE_SAMPLE_S) < 0.01 * ONE_SAMPLE_S


def test_swapping_the_tracks_negates_the_delay():
    first, second = noises(3, 123.4)
    there, back = measure_pair(track(first), track(second, "b")), measure_pair(track(second, "b"), track(first))
    assert there.delay_s == pytest.approx(-back.delay_s, abs=0.01 * ONE_SAMPLE_S)
    assert (there.polarity, there.reliable) == (back.polarity, back.reliable)


def test_flipping_one_track_changes_nothing_but_the_polarity():
    first, second = noises(4, -57.2)
    plain, flipped = measure_pair(track(first), track(second, "b")), measure_pair(track(first), track(-second, "b"))
    assert plain.polarity == -flipped.polarity == 1
    assert flipped.delay_s == pytest.approx(plain.delay_s, abs=1e-12)


@pytest.mark.parametrize("gain", [1e-4, 7.3])
def test_the_level_of_a_track_does_not_matter(gain):
    first, second = noises(5, 31.7)
    plain, scaled = (
        measure_pair(track(first), track(second, "b")),
        measure_pair(track(first), track(gain * second, "b")),
    )
    # Single precision inside: a millionth of the delay.
    assert scaled.delay_s == pytest.approx(plain.delay_s, rel=1e-5)
    assert scaled.reliable


def test_many_tracks_are_measured_as_each_alone():
    first, second = noises(6, 12.0)
    _, third = noises(6, -99.0)
    tracks = [track(second, "b"), track(third, "c")]
    together = measure_many(track(first), tracks)
    assert together == tuple(measure_pair(track(first), other) for other in tracks)


def test_the_samples_come_back_unchanged():
    first, second = noises(7, 5.0)
    kept = first.copy(), second.copy()
    measure_pair(track(first), track(second, "b"))
    assert np.array_equal(first, kept[0])
    assert np.array_equal(second, kept[1])


def test_a_track_against_itself_has_no_delay():
    first, _ = noises(8, 0)
    found = measure_pair(track(first), track(first, "b"))
    assert (found.delay_s, found.polarity, found.reliable) == (0.0, 1, True)


def test_the_clock_of_the_take_counts_not_the_place_in_the_file():
    first, second = noises(9, 40.0)
    cut = measure_pair(track(first), track(second[800:], "b", start_s=800 / RATE))
    assert cut.delay_s == pytest.approx(40.0 * ONE_SAMPLE_S, abs=0.01 * ONE_SAMPLE_S)


def test_the_prior_holds_the_search_near_itself():
    first, second = noises(10, 300.0)
    second += 0.8 * noises(10, -300.0)[1]
    near = measure_pair(track(first), track(second, "b"), prior_s=-300 / RATE, max_delay_s=0.004)
    assert near.delay_s == pytest.approx(-300 / RATE, abs=0.05 * ONE_SAMPLE_S)


@pytest.mark.parametrize("reach_s", [0.0007, 0.001, 0.0012])
def test_a_narrow_search_still_knows_the_noise(reach_s):
    """Within a millisecond of the prior there is no room to see the noise in: it is looked for further out."""
    first, second = noises(16, 300.0)
    for prior in (300.0, 302.5):
        found = measure_pair(track(first), track(second, "b"), prior_s=prior / RATE, max_delay_s=reach_s)
        assert found.reliable, found.reason
        assert found.delay_s == pytest.approx(300 / RATE, abs=0.01 * ONE_SAMPLE_S)
    strange = np.random.default_rng(17).normal(size=len(first))
    assert not measure_pair(track(first), track(strange, "c"), prior_s=300 / RATE, max_delay_s=reach_s).reliable


def test_a_delay_of_more_than_a_second_is_found_when_asked_for():
    first, second = noises(11, 1600.0, seconds=6)
    late = np.concatenate([np.zeros(RATE), second])
    found = measure_pair(track(first), track(late, "b"), max_delay_s=2.0)
    assert found.reliable
    assert found.delay_s == pytest.approx(1.1, abs=0.01 * ONE_SAMPLE_S)


def test_a_delay_beyond_the_search_is_not_called_reliable():
    first, second = noises(12, 1500.0)
    assert not measure_pair(track(first), track(second, "b")).reliable


def test_clocks_that_run_apart_are_told_in_parts_per_million():
    rng = np.random.default_rng(13)
    count = 16 * RATE
    lines = rng.normal(size=60), rng.uniform(100, 5000, 60), rng.uniform(0, 6, 60)
    times = np.arange(count) / RATE

    def sound(t):
        swell = 1 + 0.8 * np.sin(2 * np.pi * 3 * t)
        return swell * sum(a * np.sin(2 * np.pi * f * t + p) for a, f, p in zip(*lines, strict=True))

    # Event time t is heard at t + 4 ms + 80 ppm * (t - middle): invert that.
    middle = times[-1] / 2
    event = (times - 0.004 + 80e-6 * middle) / (1 + 80e-6)
    found = measure_clock(track(sound(times)), track(0.5 * sound(event), "b"))
    assert found.drift_ppm == pytest.approx(80, abs=0.2)
    assert found.delay_s + 80e-6 * middle == pytest.approx(0.004, abs=2e-6)


@pytest.mark.parametrize("wound", ["clipped", "offset", "faint", "hum", "one hit", "half silent"])
def test_a_wounded_pair_is_still_measured(wound):
    rng = np.random.default_rng(14)
    count = 6 * RATE
    strokes = np.zeros(count)
    for at in [3 * RATE] if wound == "one hit" else rng.integers(1000, count - 4000, 12):
        strokes[at : at + 2400] += rng.normal(size=2400) * np.exp(-np.arange(2400) / 300)
    first, second = strokes, 0.4 * later(strokes, 70.0)
    times = np.arange(count) / RATE
    if wound == "clipped":
        first, second = np.clip(2 * first, -1, 1), np.clip(4 * second, -1, 1)
    if wound == "offset":
        first, second = first + 0.3, second - 0.2
    if wound == "faint":
        first, second = 1e-4 * first, 1e-4 * second
    if wound == "hum":
        first, second = first + 0.05 * np.sin(314 * times), second + 0.05 * np.sin(314 * times + 1)
    if wound == "half silent":
        second = second * (times > 3)
    hiss = 1e-7 if wound == "faint" else 1e-4
    first, second = (x + hiss * rng.normal(size=count) for x in (first, second))
    found = measure_pair(track(first), track(second, "b"))
    assert found.delay_s == pytest.approx(70 / RATE, abs=0.2 * ONE_SAMPLE_S)
    assert (found.polarity, found.reliable) == (1, True), found.reason


def _hopeless():
    rng = np.random.default_rng(15)
    times = np.arange(4 * RATE) / RATE
    noise = rng.normal(size=(4, len(times)))
    clicks = (np.arange(len(times)) % 160 == 0).astype(float)
    hum = sum(np.sin(2 * np.pi * 50 * k * times + k) / k for k in range(1, 9))
    impulse = (np.arange(len(times)) == 30000).astype(float)
    yield "two noises", noise[0], noise[1]
    yield "two sines", np.sin(2764 * times), np.sin(2764 * times + 1)
    yield "hum", hum + 1e-3 * noise[0], np.roll(hum, 77) + 1e-3 * noise[1]
    yield "click train", clicks + 1e-3 * noise[0], np.roll(clicks, 50) + 1e-3 * noise[1]
    yield "silence", np.zeros(len(times)), np.zeros(len(times))
    yield "one silent", noise[0], np.zeros(len(times))
    yield "offsets alone", np.full(len(times), 0.2), np.full(len(times), 0.1)
    yield "impulse and hiss", impulse, 1e-4 * noise[1]
    yield "very short", noise[0][:40], noise[1][:40]
    yield "empty", np.zeros(0), np.zeros(0)


@pytest.mark.parametrize(("kind", "first", "second"), list(_hopeless()), ids=lambda x: x if isinstance(x, str) else "")
def test_what_has_no_delay_is_never_called_reliable(kind, first, second):
    found = measure_pair(track(first), track(second, "b"))
    assert not found.reliable
    assert found.reason
    assert all(np.isfinite([found.delay_s, found.uncertainty_s, found.confidence, found.polarity_margin]))


def test_two_sounds_that_one_gate_keys_do_begin_together():
    """What is told of sounds that are struck is when they begin, whatever they sound like."""
    noise, open_ = np.random.default_rng(15).normal(size=(2, 4 * RATE)), np.arange(4 * RATE) % (RATE // 2) < RATE // 10
    found = measure_pair(track(noise[0] * open_), track(noise[1] * open_, "b"))
    assert found.delay_s == pytest.approx(0.0, abs=1e-4)


def test_two_rates_are_refused_with_both_named():
    with pytest.raises(TakeError, match="'b' is at 44100 Hz but 'a' at 48000 Hz"):
        measure_pair(track(np.ones(9), rate=48000), track(np.ones(9), "b", rate=44100))


def test_a_search_of_no_width_is_refused():
    with pytest.raises(TakeError, match="must be positive"):
        measure_pair(track(np.ones(9)), track(np.ones(9), "b"), max_delay_s=0.0)
