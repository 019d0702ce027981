"""The renderer against closed forms: a delayed sine is a sine of another phase."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.simulate.virtual_take import impulse_responses, rendered

RATE = 48000


@pytest.mark.parametrize("frequency_hz", [50.0, 997.0, 5000.0, 15000.0, 19500.0])
@pytest.mark.parametrize("delay_samples", [0.0, 0.31, 7.5, 133.37])
def test_a_way_delays_a_sine_to_a_hundred_thousandth(frequency_hz: float, delay_samples: float):
    """Between samples as on them, up to 0.4 of the rate: within 1e-5 of the closed form (-100 dB)."""
    time_s = np.arange(12000) / RATE
    signal = np.sin(2 * np.pi * frequency_hz * time_s)
    response = impulse_responses(np.full((1, 1, 1), delay_samples / RATE), np.full((1, 1, 1), 0.5), RATE)
    found = rendered(signal[None], response)[0]
    expected = 0.5 * np.sin(2 * np.pi * frequency_hz * (time_s - delay_samples / RATE))
    assert np.abs(found - expected)[1000:-1000].max() < 1e-5


def test_ways_and_sources_add_up():
    """What a mic hears of two sources by two ways is the sum of the four, whatever the block size."""
    rng = np.random.default_rng(5)
    signals = rng.standard_normal((2, 30000))
    arrival_s, amplitude = rng.uniform(0.0, 0.01, (2, 3, 2)), rng.standard_normal((2, 3, 2))
    whole = rendered(signals, impulse_responses(arrival_s, amplitude, RATE))
    parts = sum(
        rendered(
            signals[s : s + 1], impulse_responses(arrival_s[s : s + 1, :, [w]], amplitude[s : s + 1, :, [w]], RATE)
        )
        for s in range(2)
        for w in range(2)
    )
    assert np.abs(whole - parts).max() < 1e-10
    assert whole.shape == (3, 30000)


def test_whole_delays_are_plain_shifts():
    """A way of a whole number of samples moves the signal and does nothing else."""
    rng = np.random.default_rng(6)
    signal = rng.standard_normal(5000)
    found = rendered(signal[None], impulse_responses(np.full((1, 1, 1), 40 / RATE), np.ones((1, 1, 1)), RATE))[0]
    assert np.abs(found[40:] - signal[:-40]).max() < 1e-12
    assert np.abs(found[:40]).max() < 1e-12
