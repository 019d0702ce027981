"""Doubles: a copy at any level, inverted or a few samples late is found; two mics on one source are none."""

from __future__ import annotations

import numpy as np
import pytest
from faulty_takes import RATE, clean_take, level

from micalign.take.levels import measure_levels
from micalign.take.tracks import Track


def doubles(*sounds, rates=None):
    tracks = [
        Track.from_array(str(number), sound, rates[number] if rates else RATE) for number, sound in enumerate(sounds)
    ]
    return [levels.double for levels in measure_levels(tracks)]


@pytest.mark.parametrize("gain", [1.0, 0.1, -0.5, 2.0, -1.0])
@pytest.mark.parametrize("lag", [0, 1, -3, 40])
def test_a_copy_is_found_with_its_gain_polarity_and_lag(gain, lag, rng):
    sound = 0.4 * clean_take(0)["snare"]
    copy = np.round(np.roll(gain * sound, lag) * 2**15) / 2**15 + 1e-6 * rng.normal(size=len(sound))
    original, found = doubles(sound, copy)
    assert original is None
    assert (found.first, found.second) == (0, 1)
    assert found.gain_db == pytest.approx(20 * np.log10(abs(gain)), abs=0.05)
    assert found.polarity == np.sign(gain)
    assert found.lag_samples == lag


def test_each_of_three_copies_names_the_first():
    sound = clean_take(1)["snare"]
    found = doubles(sound, 0.5 * sound, sound)
    assert [double and double.first for double in found] == [None, 0, 0]


def test_two_mics_on_one_source_are_no_double(rng):
    sound = clean_take(2)["kick"]
    other = np.roll(sound, 12) + 0.1 * np.roll(sound, 300) + level(-80.0) * rng.normal(size=len(sound))
    assert doubles(sound, other) == [None, None]


def test_a_copy_with_a_hundredth_of_something_else_is_still_two_mics(rng):
    sound = rng.normal(size=5 * RATE)
    assert doubles(0.1 * sound, 0.1 * sound + 0.002 * rng.normal(size=len(sound))) == [None, None]


def test_silent_tracks_and_other_rates_are_no_doubles(rng):
    sound = 0.1 * rng.normal(size=3 * RATE)
    assert doubles(np.zeros(RATE), np.zeros(RATE)) == [None, None]
    assert doubles(sound, sound, rates=(48_000, 44_100)) == [None, None]


def test_a_shorter_copy_is_found():
    sound = clean_take(3)["bass"]
    assert doubles(sound, sound[: 5 * RATE])[1].first == 0


def test_both_channels_alike_are_mono_in_a_stereo_file():
    sound = clean_take(0)["snare"]
    pair = [Track.from_array(name, sound, RATE) for name in ("x:1", "x:2")]
    (told,) = measure_levels(pair, files=["x", "x"])[1].remarks
    assert "mono sound in a file of several channels" in told.advice
