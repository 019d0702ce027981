"""Where a sound begins."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from micalign.take.tracks import Track
from micalign.tdoa.wavefronts import _likeliest_change, first_wavefronts, later_by_picks, onsets, picks

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


def struck_twice(rng, *, later: int) -> tuple[Track, Track, np.ndarray]:
    """A ring in a near track, and softer and ``later`` samples later in a far one, three times; and when."""
    times = np.array([9000, 21000, 33000])
    near, far = 1e-5 * rng.normal(size=(2, RATE))
    for at in times:
        ring = np.exp(-np.arange(3000) / 500) * rng.normal(size=3000)
        near[at : at + 3000] += ring
        far[at + later : at + later + 3000] += 0.1 * ring
    return Track.from_array("near", near, RATE), Track.from_array("far", far, RATE), times


def test_simple_pickers_agree_where_nothing_else_sounds(rng):
    near, far, times = struck_twice(rng, later=144)
    found = later_by_picks(picks(near, times, np.ones(3)), picks(far, times + 130, np.ones(3)), np.ones(3))
    assert {band: len(later) for band, later in found.items()} == {"whole": 4, "steep": 10, "low": 10}
    # Noise rings on in its band for some samples, before the wave in neither; 0.1 ms is 4.8.
    assert all(np.abs(later - 14).max() <= {"whole": 1, "steep": 1, "low": 4}[band] for band, later in found.items())


def test_picks_come_after_the_times_they_are_asked_near(rng):
    near, _, times = struck_twice(rng, later=144)
    at, off = (picks(near, times + off, np.ones(3)) for off in (0, 20))
    assert np.abs(at["steep"][-2:]).max() <= 2  # of noise the first samples may be small: thresholds come later
    for band in at:
        assert np.abs(at[band] - off[band] - 20).max() <= 1  # the background is another


def test_one_stroke_that_came_otherwise_moves_no_middle():
    near, far = {"low": np.zeros((1, 6), int)}, {"low": np.array([[50, 50, 900, 50, 50, 52]])}
    assert later_by_picks(near, far, np.ones(5))["low"].tolist() == [50, 52]
    assert later_by_picks(near, far, np.array([1, 1, 9, 1, 1.0]))["low"].tolist() == [900, 52]


@pytest.mark.parametrize("loud", [1.0, 30.0, 1000.0])
def test_the_likeliest_change_is_where_noise_grows_by_any_factor(loud, rng):
    """Maeda 1985: the least of k log var(before) + (n - k) log var(after); by brute force over every split."""
    rows = rng.normal(size=(8, 300)) * np.where(np.arange(300) < 180, 1.0, 1.0 + loud)
    for row, found in zip(rows, _likeliest_change(rows, 120), strict=True):
        last = 120 + int(np.argmax(np.abs(row[120:])))
        splits = range(10, last - 9)
        chance = [k * np.log(row[:k].var()) + (last + 1 - k) * np.log(row[k : last + 1].var()) for k in splits]
        assert found == splits[int(np.argmin(chance))]
