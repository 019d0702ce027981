"""Is one sigma one sigma? Held by drawing the errors it speaks of."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from micalign.tdoa.spectra import phase_error_s, refine

HZ = np.arange(100.0, 8000.0, 10.0)


def room(rng, level: float):
    """A burst of noise, its direct sound at 3 ms and the decaying reflections that follow it, 60 within 30 ms."""
    later_s = 0.0005 + 0.03 * rng.random(60)
    heights = level * rng.normal(size=60) * np.exp(-later_s / 0.01)
    burst = rng.exponential(size=len(HZ))
    return burst * np.exp(-2j * np.pi * HZ * 0.003) * (1.0 + np.exp(-2j * np.pi * np.outer(HZ, later_s)) @ heights)


def hiss(rng, level: float):
    """A direct sound at 3 ms and noise that differs from frequency to frequency."""
    noise = level * (rng.normal(size=len(HZ)) + 1j * rng.normal(size=len(HZ)))
    return np.exp(-2j * np.pi * HZ * 0.003) + noise


def shares(make, level: float) -> list[float]:
    """Of 400 drawn errors, those within one and within two sigma."""
    rng = np.random.default_rng(5)
    drawn = []
    for _ in range(400):
        spectrum = make(rng, level)
        found = refine(spectrum, HZ, 0.003, within_s=0.0003)
        drawn.append((found - 0.003) / phase_error_s(spectrum, HZ, found))
    return [float(np.mean(np.abs(drawn) < sigmas)) for sigmas in (1.0, 2.0)]


@pytest.mark.parametrize("level", [0.1, 1.0])
def test_two_thirds_of_the_errors_in_noise_lie_within_one_sigma_and_nineteen_in_twenty_within_two(level):
    one, two = shares(hiss, level)
    # Twenty cells weighted by frequency are worth eleven: Student's t of eleven degrees of freedom has 66.1 and 92.9 %
    # there; one standard error of 400 draws is 2.4 and 1.3 %, and three are allowed.
    assert one == pytest.approx(2 * stats.t.cdf(1.0, 11) - 1, abs=0.071)
    assert two == pytest.approx(2 * stats.t.cdf(2.0, 11) - 1, abs=0.039)


@pytest.mark.parametrize("level", [0.02, 0.08])
def test_in_a_room_sigma_is_no_less_than_the_errors(level):
    # A reflection's pushes on neighbouring cells partly undo each other, so more errors than 68 % may lie within.
    one, two = shares(room, level)
    assert one > 0.66
    assert two > 0.93


@given(st.floats(-0.02, 0.02), st.floats(1e-3, 1e3), st.sampled_from([1.0, -1.0]))
def test_neither_level_nor_polarity_nor_the_delay_itself_matter(later_s, gain, sign):
    spectrum = room(np.random.default_rng(1), 0.05)
    moved = sign * gain * spectrum * np.exp(-2j * np.pi * HZ * later_s)
    assert phase_error_s(moved, HZ, 0.003 + later_s) == pytest.approx(phase_error_s(spectrum, HZ, 0.003), rel=1e-6)


def test_twice_the_reflections_twice_the_error():
    one, two = (phase_error_s(room(np.random.default_rng(3), level), HZ, 0.003) for level in (0.005, 0.01))
    assert two == pytest.approx(2 * one, rel=0.02)  # to first order in the reflections' height, here 1 %


@pytest.mark.parametrize(
    ("top", "pushed", "undone"),
    [(8000, (5000, 5150), True), (8000, (5000, 5350), False), (900, (510, 560), True), (900, (510, 660), False)],
)
def test_pushes_within_a_cell_undo_each_other_and_cells_grow_with_the_band_from_100_to_400_hz(top, pushed, undone):
    hz = np.arange(100.0, top, 10.0)
    spectrum = np.ones(len(hz), dtype=complex)
    for at, push in zip(pushed, (1.0, -1.0), strict=True):
        spectrum[round((at - 100) / 10)] += 1j * push / at
    # Two pushes of one over 2 pi against the bend, the sum of (2 pi f)^2.
    apart = np.sqrt(2) / (2 * np.pi * float((hz**2).sum()))
    assert phase_error_s(spectrum, hz, 0.0) == pytest.approx(0.0 if undone else apart, rel=1e-9, abs=1e-6 * apart)


def test_where_nothing_peaks_nothing_is_known():
    assert phase_error_s(np.zeros(len(HZ), dtype=complex), HZ, 0.0) == float("inf")
