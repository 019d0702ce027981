"""Samples to integers: exact ones stay exact, others get an error whose mean and power know nothing of the signal."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from micalign.alignment.shift import to_integers


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
def test_integers_come_back_bit_for_bit(bits: int, rng: np.random.Generator) -> None:
    """Every integer of the width, both rails among them, survives the way through float64."""
    low, high = -(1 << (bits - 1)), (1 << (bits - 1)) - 1
    values = np.concatenate([[low, high, 0, -1, 1], rng.integers(low, high, 1000, endpoint=True)])
    made = to_integers(values / (1 << (bits - 1)), bits)
    assert np.array_equal(made.values, values)
    assert made.clipped == 0


@pytest.mark.parametrize("level", [0.0, 0.25, 0.5, 0.9])
def test_the_mean_of_dithered_samples_is_the_sample_itself(level: float) -> None:
    """A constant between two steps is heard as that constant: the first moment of the error is zero."""
    count = 400_000
    made = to_integers(np.full(count, level / 32768), 16, dither=np.random.default_rng(1))
    # The total error has a standard deviation of half a step; five standard errors of the mean.
    assert made.values.mean() == pytest.approx(level, abs=5 * 0.5 / np.sqrt(count))


@pytest.mark.parametrize("level", [0.0, 0.25, 0.5, 0.9])
def test_the_noise_of_dithered_samples_does_not_breathe(level: float) -> None:
    """The error's power is a quarter of a step squared (-96.33 dBFS at 16 bits) at every level: no modulation."""
    made = to_integers(np.full(400_000, level / 32768), 16, dither=np.random.default_rng(2))
    # The variance of an estimate from 400 000 draws is about 0.2 %; 1 % is five times that.
    assert np.mean((made.values - level) ** 2) == pytest.approx(0.25, rel=0.01)


def test_without_dither_a_tone_below_half_a_step_is_lost() -> None:
    """And with dither it is there: what dither is for."""
    n = np.arange(200_000)
    tone = 0.4 / 32768 * np.sin(2 * np.pi * n / 50)
    assert not to_integers(tone, 16).values.any()
    kept = to_integers(tone, 16, dither=np.random.default_rng(3)).values
    assert 2 * np.mean(kept * np.sin(2 * np.pi * n / 50)) == pytest.approx(0.4, abs=0.01)


def test_what_does_not_fit_is_held_and_counted() -> None:
    """A clipped sample is never silent: 16 bits reach from -32768 to 32767."""
    made = to_integers(np.array([1.0, -1.0, 1.5, -1.5, 0.0, 32767 / 32768]), 16)
    assert made.values.tolist() == [32767, -32768, 32767, -32768, 0, 32767]
    assert made.clipped == 3


def test_one_seed_gives_one_file() -> None:
    """Two runs write the same bytes; two seeds do not."""
    samples = np.random.default_rng(4).uniform(-0.5, 0.5, 1000)
    first, again, other = (to_integers(samples, 16, dither=np.random.default_rng(seed)).values for seed in (7, 7, 8))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


@given(arrays(np.float64, (3, 4), elements=st.floats(-2, 2)), st.sampled_from([8, 16, 24, 32]))
def test_samples_stay_as_they_were(samples: np.ndarray, bits: int) -> None:
    """The caller's array is read only, and the result keeps its shape and lies within a step of it or at a rail."""
    before = samples.copy()
    made = to_integers(samples, bits, dither=np.random.default_rng(0))
    assert np.array_equal(samples, before)
    full = 1 << (bits - 1)
    wanted = np.clip(samples * full, -full, full - 1)
    assert made.values.shape == (3, 4)
    assert np.abs(made.values - wanted).max() <= 1.5 + full * 1e-9
