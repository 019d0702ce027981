"""Filters and running maxima against scipy's own, which the package does not load to measure."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.fft import rfft as scipys_rfft
from scipy.ndimage import maximum_filter1d
from scipy.signal import butter, sosfilt

from micalign.take.tracks import Track
from micalign.tdoa.spectra import filtered, greatest_before, greatest_near, rfft
from micalign.tdoa.wavefronts import high_passed_frames

RATE = 48000


@pytest.mark.parametrize(
    ("order", "low", "high"),
    [(1, 60.0, np.inf), (1, 200.0, 5000.0), (2, 60.0, 300.0), (2, 5000.0, 14000.0), (2, 60.0, 16000.0)],
)
@pytest.mark.parametrize(("kind", "off"), [(np.float64, 2e-6), (np.float32, 3e-6)])
def test_a_filter_is_scipys_butterworth(rng, order, low, high, kind, off):
    """To -114 dB in double precision: what a filter of 60 Hz has left after 50 ms comes round the transform."""
    frames = rng.normal(size=(3, 6000))
    edges, shape = (low, "high") if np.isinf(high) else ([low, high], "band")
    expected = sosfilt(butter(order, edges, shape, fs=RATE, output="sos"), frames, axis=1)
    (found,) = filtered(frames.astype(kind), RATE, (low, high), order=order)
    assert found.dtype == kind
    assert found == pytest.approx(expected, abs=off)


@pytest.mark.parametrize(("rate", "edge", "length"), [(RATE, 60.0, RATE), (192_000, 60.0, 600), (250, 50.0, 12)])
def test_rumble_goes_as_by_scipys_butterworth(rng, rate, edge, length):
    """From 300 samples before each frame on, also where that is before the track begins."""
    sound = 0.1 + rng.normal(size=5000)
    starts, longer = np.array([-100, 150, 2000, 4600]), np.pad(sound, (1000, length))
    before = np.array([longer[1000 + start - 300 : 1000 + start + length] for start in starts])
    expected = sosfilt(butter(1, edge, "high", fs=rate, output="sos"), before, axis=1)[:, 300:]
    found = high_passed_frames(Track.from_array("mic", sound, rate), starts, length)
    assert found == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(("kind", "off"), [(np.float64, 1e-12), (np.float32, 1e-4)])
@pytest.mark.parametrize("size", [None, 1000, 1215])
def test_a_spectrum_is_scipys_in_the_precision_of_its_frames(rng, kind, off, size):
    """With zeros behind the frames or none, of an even and an odd length; the frames stay as they are."""
    frames = rng.normal(size=(3, 1000)).astype(kind)
    kept = frames.copy()
    found = rfft(frames, size)
    assert found.dtype == np.result_type(kind, 1j)
    assert found == pytest.approx(scipys_rfft(frames.astype(float), size), abs=off)
    assert np.array_equal(frames, kept)


@pytest.mark.parametrize("span", [1, 2, 30, 31, 288])
def test_running_maxima_are_those_of_scipy(rng, span):
    """At the borders, where scipy mirrors what lies inside, ours has what is there."""
    values = rng.normal(size=(2, 1000))
    origin = (span - 1) // 2
    before = maximum_filter1d(values, span, axis=1, origin=origin, mode="constant", cval=-np.inf)
    assert np.array_equal(greatest_before(values, span), before)
    near = maximum_filter1d(values, 2 * span + 1, axis=1, mode="constant", cval=-np.inf)
    assert np.array_equal(greatest_near(values, span), near)
