"""Stated uncertainties against the Cramer-Rao bound worked out here, drift of either polarity, the best sum of a DI."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal
from scipy.interpolate import make_interp_spline

from micalign.take.tracks import Track
from micalign.tdoa.change import measure_clock
from micalign.tdoa.measure import measure_pair, sharpen
from micalign.tdoa.spectra import cramer_rao_s
from micalign.tdoa.strokes import FrameSet, Listened, listen

RATE = 8000


def track(samples, name="a", start_s=0.0, rate=RATE) -> Listened:
    return listen(Track.from_array(name, samples, rate, start_s=start_s))


def later(samples, delay_samples):
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(samples)) * delay_samples)
    return np.fft.irfft(np.fft.rfft(samples) * turn, len(samples))


def pair(rng, delay: float, noise: float, seconds: float) -> tuple[np.ndarray, np.ndarray]:
    """White noise in both, ``delay`` samples later in the second, with strangers' noise in each."""
    count = int(seconds * RATE)
    sound = rng.normal(size=count + 2000)
    first = sound[1000:-1000] + noise * rng.normal(size=count)
    second = later(sound, delay)[1000:-1000] + noise * rng.normal(size=count)
    return first, second


def between(samples, at):
    """The sound at instants between its samples: splines of the fifth degree between points eight times as fine."""
    fine = signal.resample(samples, 8 * len(samples))
    return make_interp_spline(np.arange(len(fine)) / 8, fine, k=5)(np.clip(at, 0, len(samples) - 1))


def bound_s(noise: float, seconds: float, *, noisy: int = 2) -> float:
    """Knapp and Carter 1976 for coherence C the same at all frequencies to half the rate: the integral by hand."""
    coherence = 1.0 / (1.0 + noise**2) ** noisy
    integral = (2 * np.pi) ** 2 * (RATE / 2) ** 3 / 3
    return float((2 * seconds * integral * coherence / (1 - coherence)) ** -0.5)


def test_the_bound_is_the_published_integral():
    hz = np.arange(0.0, 4000.0, 0.5)
    # Evenly spaced frequencies sum what the integral holds, to half a step at the end.
    assert cramer_rao_s(hz, np.full(len(hz), 0.25), 2.0) == pytest.approx(
        (2 * 2.0 * (2 * np.pi) ** 2 * 4000.0**3 / 3 * (1 / 3)) ** -0.5, rel=1e-3
    )


@pytest.mark.parametrize(("noise", "seconds"), [(0.1, 2.0), (0.5, 2.0), (0.5, 8.0), (1.0, 8.0)])
def test_the_stated_uncertainty_is_the_bound_and_the_errors_keep_to_it(rng, noise, seconds):
    errors = []
    for _ in range(8):
        true = rng.uniform(-60, 60)
        first, second = pair(rng, true, noise, seconds)
        found = measure_pair(track(first), track(second, "b"))
        assert found.reliable
        # The coherence is estimated from the sound itself, and scatter of eight groups may add: within a third above.
        assert 0.85 <= found.uncertainty_s / bound_s(noise, seconds) <= 1.6
        errors.append((found.delay_s - true / RATE) / found.uncertainty_s)
    # Eight of a standard deviation of 1.2 at the most: a mean square above 3.6 comes once in a hundred times.
    assert np.mean(np.square(errors)) < 3.6


def window(length: int) -> np.ndarray:
    return np.sin(np.pi * (np.arange(length) + 0.5) / length) ** 1.5


def gate(frames: int, length: int = 680) -> FrameSet:
    return FrameSet(np.arange(0, frames - length, length // 2), window(length))


@pytest.mark.parametrize("start_s", [0.0, 0.0371])
def test_sharpening_moves_a_rough_delay_to_the_true_one(rng, start_s):
    first, second = pair(rng, 37.37, 0.2, 4.0)
    cut = round(start_s * RATE)
    found = sharpen(
        track(first), track(second[cut:], "b", cut / RATE), gate(len(first) - 400), 37.37 / RATE + 8e-5, within_s=3e-4
    )
    assert found.delay_s == pytest.approx(37.37 / RATE, abs=5 * bound_s(0.2, 4.0))
    assert found.bound_s == pytest.approx(bound_s(0.2, 4.0), rel=0.25)
    # Forty cells of frequencies tell their own spread to a ninth; three times that.
    assert 0.65 <= found.error_s / found.bound_s <= 1.4


def test_two_groups_tell_no_scatter(rng):
    first, second = pair(rng, 5.0, 0.2, 1.0)
    second[4000:] = later(second[4000:], 0.3)
    found = [
        sharpen(track(first), track(second, "b"), FrameSet(at, window(680)), 5 / RATE, within_s=3e-4).error_s
        for at in (np.array([0, 4000]), np.array([0, 1000, 4000, 5000]))
    ]
    assert found[0] < found[1]


def test_a_filters_best_sum_is_where_the_plain_correlation_peaks(rng):
    """A low-pass turns the low frequencies, where the power is, later than the high: the sum's delay, found here."""
    rate = 48000
    tone = signal.sosfilt(signal.butter(2, [100, 4000], "bandpass", fs=rate, output="sos"), rng.normal(size=6 * rate))
    cab = signal.sosfilt(signal.butter(1, 800, fs=rate, output="sos"), tone)
    second = np.concatenate([np.zeros(24), cab])[: len(cab)] + 0.05 * cab.std() * rng.normal(size=len(cab))
    one, other = track(tone, rate=rate), track(second, "b", rate=rate)
    frames = FrameSet(np.arange(0, len(tone) - 8160, 4080), window(8160))
    lags = np.arange(-20, 80)
    product = np.array([tone[1000:-1000] @ second[1000 + lag : len(tone) - 1000 + lag] for lag in lags])
    top = int(np.argmax(product))
    left, middle, right = product[top - 1 : top + 2]
    best = lags[top] + 0.5 * (left - right) / (left - 2 * middle + right)
    found, plain = (sharpen(one, other, frames, 24 / rate, within_s=3e-4, one_path=sums) for sums in (True, False))
    # A parabola through three samples of a band below 4 kHz is true to a twentieth of one.
    assert found.delay_s * rate == pytest.approx(best, abs=0.05)
    assert abs(plain.delay_s * rate - best) > 0.1


@pytest.mark.parametrize(
    ("polarity", "ppm", "late_ms", "start_s"), [(-1, 40.0, 3.0, 0.0), (1, -120.0, -2.0, 0.5), (1, 10.0, 2.0, 0.0)]
)
def test_a_drift_is_told_of_either_polarity_sign_and_start(rng, polarity, ppm, late_ms, start_s):
    count, noise = 12 * RATE, 0.05
    sound = rng.normal(size=count)
    times = np.arange(count) / RATE
    middle = (start_s + count / RATE) / 2  # of what both hold
    event = (times - late_ms / 1e3 + ppm * 1e-6 * middle) / (1 + ppm * 1e-6)
    second = polarity * between(sound, event * RATE) + noise * rng.normal(size=count)
    cut = round(start_s * RATE)
    found = measure_clock(track(sound), track(second[cut:], "b"), max_delay_s=start_s + 0.05)
    assert found.reliable, found.reason
    assert found.polarity == polarity
    assert found.confidence == 1.0
    assert found.polarity_margin > 0.7
    # One of the two has the noise, so its coherence alone counts; less than 0.2 us a piece is taken for rounding.
    # A straight line is told half as exactly where it begins as in its middle.
    assert bound_s(noise, 12.0 - start_s, noisy=1) < found.uncertainty_s / 2 < 1e-7
    in_the_middle_s = found.delay_s + start_s + ppm * 1e-6 * middle
    assert abs(in_the_middle_s - late_ms / 1e3) < 2 * found.uncertainty_s
    # The slope of a straight line over a time T is told to sqrt(12) / T of what its middle is.
    assert abs(found.drift_ppm - ppm) < 2e6 * found.uncertainty_s * np.sqrt(12) / (12.0 - start_s)


@pytest.mark.parametrize("ppm", [200.0, -200.0])
def test_what_is_loud_early_in_its_frames_does_not_pull_a_drift(rng, ppm):
    """One stroke in each of the frames that are chosen, louder before their middle than after it."""
    count = 30 * RATE
    sound = rng.normal(size=count) * np.exp(-(np.arange(count) % round(0.25 * RATE)) / (0.008 * RATE))
    times = np.arange(count)
    event = (times - 24.0 + ppm * 1e-6 * (count - 1) / 2) / (1 + ppm * 1e-6)
    noise = 1e-4 * rng.normal(size=(2, count))
    found = measure_clock(track(sound + noise[0]), track(between(sound, event) + noise[1], "b"), max_delay_s=0.05)
    # A twentieth of what a millisecond at that drift is worth.
    in_the_middle_s = found.delay_s + ppm * 1e-6 * count / 2 / RATE
    assert in_the_middle_s == pytest.approx(24.0 / RATE, abs=1e-8)
    assert found.drift_ppm == pytest.approx(ppm, abs=1e-3)
    assert found.uncertainty_s < 1e-7


def test_half_a_take_of_echo_makes_the_uncertainty_larger(rng):
    """Reflections at half the height bend the top of the peak: that is counted."""
    first, second = pair(rng, 20.0, 0.1, 3.0)
    clean = measure_pair(track(first), track(second, "b"))
    echoed = second + 0.5 * np.concatenate([np.zeros(90), second])[: len(second)]
    found = measure_pair(track(first), track(echoed, "b"))
    assert found.delay_s == pytest.approx(20.0 / RATE, abs=0.1 / RATE)
    assert found.uncertainty_s > 2 * clean.uncertainty_s
    swapped = measure_pair(track(echoed, "b"), track(first))
    assert swapped.delay_s == pytest.approx(-found.delay_s, abs=0.1 / RATE)
