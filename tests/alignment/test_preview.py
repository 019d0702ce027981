"""Short sums before and after, held against sums made here."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from micalign.alignment.gain import BlendTrack, loudest_moment, preview, section_coefficients
from micalign.take.tracks import Track

RATE = 48000
PEAK = 10 ** (-1 / 20)


def track(samples, name="a") -> Track:
    return Track.from_array(name, samples, RATE)


@pytest.fixture
def noise() -> np.ndarray:
    return np.random.default_rng(11).standard_normal(2 * RATE) * 0.1


def faded(sound: np.ndarray) -> np.ndarray:
    """10 ms of half a cosine at both ends."""
    edge = RATE // 100
    ramp = np.sin(0.5 * np.pi * (np.arange(edge) + 0.5) / edge) ** 2
    out = sound.copy()
    out[:edge] *= ramp
    out[-edge:] *= ramp[::-1]
    return out


def test_the_loudest_twentieth_of_a_second_is_found_wherever_it_lies():
    for block, part in ((0, 0), (0, 7), (2, 63)):  # in the first block read, and at the very end of the third
        samples = np.full(64 * 2400 * 3, 1e-3)
        begin = (block * 64 + part) * 2400
        samples[begin : begin + 2400] = 0.01
        assert loudest_moment(track(samples)) == pytest.approx((begin + 1200) / RATE)
    assert loudest_moment(track([0.0, 0.0])) == pytest.approx(1200 / RATE)


def test_of_two_as_loud_the_first_is_taken_and_the_window_is_as_asked():
    samples = np.zeros(RATE)
    samples[4800:4900] = samples[24000:24100] = -0.5
    assert loudest_moment(track(samples)) == pytest.approx((4800 + 1200) / RATE)
    assert loudest_moment(track(samples), window_s=0.01) == pytest.approx((4800 + 240) / RATE)


def test_one_track_that_is_not_moved_is_heard_as_it_is(noise):
    before, after = preview([BlendTrack(track(noise))], middle_s=1.0, seconds=0.5)
    part = faded(noise[36000:60000])
    assert np.allclose(before, part * (PEAK / np.abs(part).max()), atol=1e-12)
    assert np.allclose(after, before, atol=1e-12)


def test_gains_shifts_polarities_and_all_passes_are_in_the_sum(noise):
    other = np.random.default_rng(12).standard_normal(2 * RATE) * 0.05
    section = (300.0, 0.7)
    moved = [
        BlendTrack(track(noise), gain_db=6.0),
        BlendTrack(track(other, "b"), 100.0, -1, gain_db=-12.0, sections=(section,)),
    ]
    before, after = preview(moved, middle_s=1.0, seconds=0.5)
    plain = faded(10**0.3 * noise[36000:60000] + 10**-0.6 * other[36000:60000])
    late = -np.concatenate([np.zeros(100), other])
    turned = signal.sosfilt(section_coefficients(*section, sample_rate=RATE)[None], late)
    aligned = faded(10**0.3 * noise[36000:60000] + 10**-0.6 * turned[36000:60000])
    # Compared by shape: both are scaled to one loudness, whose meter is checked elsewhere.
    for found, expected in ((before, plain), (after, aligned)):
        assert found @ expected / np.linalg.norm(found) / np.linalg.norm(expected) == pytest.approx(1.0, abs=1e-9)
    assert max(np.abs(before).max(), np.abs(after).max()) == pytest.approx(PEAK)


def test_what_a_track_was_before_is_what_is_heard_before(noise):
    was = np.random.default_rng(13).standard_normal(2 * RATE) * 0.1
    before, after = preview([BlendTrack(track(noise), before=track(was, "was"))], middle_s=1.0, seconds=0.25)
    for found, expected in ((before, faded(was[42000:54000])), (after, faded(noise[42000:54000]))):
        assert found @ expected / np.linalg.norm(found) / np.linalg.norm(expected) == pytest.approx(1.0, abs=1e-12)


def test_the_quieter_is_raised_to_the_louder_and_the_loudest_sample_is_a_decibel_below_full(noise):
    against = [BlendTrack(track(noise)), BlendTrack(track(-0.9 * noise, "b"), 0.0, -1)]
    before, after = preview(against, middle_s=1.0, seconds=0.5)
    assert np.allclose(before, after, atol=1e-9)  # a tenth of the noise before, 1.9 times it after: one sound
    assert np.abs(before).max() == pytest.approx(PEAK)


def test_silence_stays_silent_and_a_whisper_is_not_raised_without_end(noise):
    before, after = preview([BlendTrack(track(np.zeros(RATE)))], middle_s=0.5, seconds=0.5)
    assert not before.any()
    assert not after.any()
    faint, _ = preview([BlendTrack(track(1e-9 * noise))], middle_s=1.0, seconds=0.5)
    assert np.allclose(faint, 1e4 * 1e-9 * faded(noise[36000:60000]), atol=1e-12)
    # Sounds that cancel before alignment: nothing to match the loudness to.
    gone, there = preview(
        [BlendTrack(track(noise)), BlendTrack(track(-noise, "b"), 0.0, -1)], middle_s=1.0, seconds=0.5
    )
    assert not gone.any()
    assert np.abs(there).max() == pytest.approx(PEAK)


def test_a_stretch_shorter_than_its_fades_is_faded_from_its_middle(noise):
    before, _ = preview([BlendTrack(track(noise))], middle_s=1.0, seconds=0.01)
    ramp = np.sin(0.5 * np.pi * (np.arange(240) + 0.5) / 240) ** 2
    part = noise[47760:48240] * np.concatenate([ramp, ramp[::-1]])
    assert np.allclose(before, part * (PEAK / np.abs(part).max()), atol=1e-12)
