"""The true peak: against exact tones, against a rebuilt sound of sixteen times the rate, and block by block."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from micalign.take.loudness import TruePeak, true_peak

RATE = 48_000


def decibels(ratio: float) -> float:
    return 20.0 * np.log10(ratio)


def rebuilt_peak(sound: np.ndarray, times: int = 16) -> float:
    """The peak of the band-limited sound itself: its spectrum padded to a multiple of the rate, silence around it."""
    padded = np.concatenate((np.zeros(4096), sound, np.zeros(4096)))
    return float(np.abs(np.fft.irfft(np.fft.rfft(padded), times * len(padded)) * times).max())


def drums(rng: np.random.Generator, frames: int) -> np.ndarray:
    out = np.zeros(frames)
    t = np.arange(6000) / RATE
    for start in rng.integers(0, frames - 6000, size=5):
        tone = np.sin(2 * np.pi * rng.uniform(50, 3000) * t + rng.uniform(0, 6))
        out[start : start + 6000] += (tone + rng.uniform(0, 2) * rng.normal(size=6000)) * np.exp(-t / 0.02)
    return out


@pytest.mark.parametrize("number", range(50))
def test_noise_and_drums_read_as_the_rebuilt_sound_does(number):
    rng = np.random.default_rng(number)
    frames = 24_000
    sound = rng.normal(size=frames) if number % 2 else drums(rng, frames)
    if number % 4 == 1:
        # Half of the noises are cut at 0.45 of the rate, as converters do; the others reach to half the rate.
        spectrum = np.fft.rfft(sound)
        spectrum[int(0.9 * len(spectrum)) :] = 0.0
        sound = np.fft.irfft(spectrum, frames)
    sound *= 0.7 / np.abs(sound).max()
    assert abs(decibels(true_peak(sound) / rebuilt_peak(sound))) < 0.2  # a meter's digit is 0.1 dB


@given(
    lengths=st.lists(st.integers(1, 700), min_size=1, max_size=8),
    seed=st.integers(0, 1000),
)
def test_whole_or_in_blocks_the_peak_is_one(lengths, seed):
    rng = np.random.default_rng(seed)
    sound = rng.normal(size=sum(lengths)) * rng.uniform(0.1, 1.0, size=sum(lengths)) ** 3
    meter = TruePeak()
    at = 0
    for length in lengths:
        block = sound[None, at : at + length]
        meter.feed(block, np.abs(block).max(axis=1))
        at += length
    # What one block's peak lets the meter skip, another order may look at: the skipped ones are never higher.
    assert meter.finish() == pytest.approx(true_peak(sound), rel=1e-3)


def test_the_peak_is_never_below_the_largest_sample(rng):
    for _ in range(20):
        sound = rng.normal(size=500)
        assert true_peak(sound) >= np.abs(sound).max()


def test_a_peak_at_the_very_end_is_seen():
    sound = np.zeros(1000)
    sound[-2:] = 0.7
    assert decibels(true_peak(sound) / rebuilt_peak(sound)) == pytest.approx(0.0, abs=0.1)


def test_silence_and_nothing_have_no_peak():
    assert true_peak(np.zeros(100)) == 0.0
    assert true_peak([]) == 0.0


def test_the_sound_is_left_as_it_was(rng):
    sound = rng.normal(size=2000)
    before = sound.copy()
    true_peak(sound)
    assert np.array_equal(sound, before)
