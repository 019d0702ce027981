"""Peaks are found where a continuous signal has them."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.take.tracks import Track
from micalign.tdoa.spectra import frame_spectra, irfft, refine


@pytest.mark.parametrize("offset", [0.1, 0.25, 0.33108, 0.5])
def test_a_wide_band_peak_between_samples_has_no_bias(offset):
    hz = np.arange(1.0, 513.0)
    cross = np.exp(-2j * np.pi * hz * (7 + offset) / 1024)
    found = refine(cross, hz, 7 / 1024, within_s=1 / 1024)
    # A parabola through three samples is off by 0.05 to 0.12 sample here.
    assert found * 1024 == pytest.approx(7 + offset, abs=1e-6)


def test_whole_lags_agree_with_the_sum_of_products():
    """The sign and place of the lag, against numpy's own correlation."""
    rng = np.random.default_rng(1)
    first = rng.normal(size=4000)
    second = np.roll(first, 37) * -0.5
    spectra = frame_spectra(
        Track.from_array("a", first, 8000),
        Track.from_array("b", second, 8000),
        np.array([1000]),
        np.ones(1000),
        margin=100,
    )
    ours = irfft(spectra.cross[0].astype(complex), spectra.size)
    part = first[1000:2000] - first[1000:2000].mean()
    for lag in (-50, 0, 36, 37, 38, 90):
        assert ours[lag] == pytest.approx(float(part @ second[1000 + lag : 2000 + lag]), abs=2.0)
    assert int(np.argmax(np.abs(ours[:100]))) == 37
    assert ours[37] < 0
