"""Where a sound begins."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from micalign.take.tracks import Track
from micalign.tdoa.wavefronts import first_wavefronts, onsets, picks_near

RATE = 48000


@settings(max_examples=30, deadline=None)
@given(begin=st.integers(150, 900), gain=st.floats(1e-4, 1e3), seed=st.integers(0, 99))
def test_a_step_in_noise_is_found_to_a_few_samples_at_any_level(begin, gain, seed):
    rng = np.random.default_rng(seed)
    sound = 0.01 * rng.normal(size=1200)
    sound[begin:] += rng.normal(size=1200 - begin)
    (at,), (clear,) = onsets((gain * sound)[None] ** 2, 100)
    # 40 dB above the noise: Page's test waits for the first sample of the step that is not near zero.
    assert abs(at - begin) <= 6
    assert clear > 1000


def test_a_wave_that_grows_slowly_is_found_at_its_beginning_and_not_at_its_crest():
    wave = np.sin(np.linspace(0, np.pi, 400))  # its crest comes 200 samples later
    sound = np.concatenate([1e-4 * np.random.default_rng(1).normal(size=500), wave])
    assert 500 <= onsets(sound[None] ** 2, 200)[0][0] <= 510


@pytest.mark.parametrize("off", [-150, 0, 180])
def test_a_rough_time_is_led_to_the_first_wavefront(off, rng):
    sound = 1e-4 * rng.normal(size=RATE)
    for at in (10000, 25000, 40000):
        sound[at : at + 4000] += np.exp(-np.arange(4000) / 800) * rng.normal(size=4000)
    found = first_wavefronts(Track.from_array("mic", sound, RATE), np.array([10000, 25000, 40000]) + off)
    assert np.abs(found - [10000, 25000, 40000]).max() <= 6  # as above; 0.1 ms is 4.8


def test_arrivals_are_told_alike_in_all_four_ways_where_nothing_else_sounds(rng):
    ring = np.exp(-np.arange(3000) / 500) * rng.normal(size=3000)
    times = np.array([9000, 21000, 33000])
    far = 1e-5 * rng.normal(size=RATE)
    for at in times:
        far[at + 144 : at + 3144] += 0.1 * ring
    found, alike = picks_near(Track.from_array("far", far, RATE), times, np.ones(3), 0.0028)
    assert set(found) == {"sw", "mw", "sd", "md"}
    assert all(abs(delay_s - 144 / RATE) < 4 / RATE for delay_s in found.values())
    assert alike > 0.95
