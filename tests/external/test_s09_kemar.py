"""Measured responses of a dummy head: the delay from ear to ear, against values of other correlators.

W. G. Gardner and K. D. Martin, "HRTF measurements of a KEMAR dummy-head microphone", MIT Media Lab Technical
Report 280, 1994 (the data are free to use with this citation), as packed with the slab library.
"""

from __future__ import annotations

import sys
import warnings

import numpy as np
import pytest
from outside import confirm, rows

from micalign.take.tracks import Track
from micalign.tdoa.measure import measure_pair

SOURCE = "Gardner and Martin, MIT Media Lab TR 280, 1994"
RATE = 44100


@pytest.fixture(scope="module")
def ears():
    """Impulse responses by azimuth at ear height: near ear, far ear."""
    # slab plays sound through a library that a test machine may lack; without it slab still reads its data.
    with pytest.MonkeyPatch.context() as patch, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        patch.setitem(sys.modules, "sounddevice", None)
        slab = pytest.importorskip("slab")
    hrtf = slab.HRTF.kemar()
    places = hrtf.sources.vertical_polar
    found = {}
    for index in np.flatnonzero(np.abs(places[:, 1]) < 0.1):
        azimuth = round(float(places[index, 0])) % 360
        if azimuth <= 90:
            left, right = np.asarray(hrtf.data[index].data).reshape(-1, 2).T
            near_first = np.argmax(np.abs(left)) <= np.argmax(np.abs(right))
            found[azimuth] = (left, right) if near_first else (right, left)
    return found


def _sound(kind, seed=9):
    rng = np.random.default_rng(seed)
    times = np.arange(5 * RATE) / RATE
    out = np.zeros(len(times))
    for at in range(2000, len(times) - 14000, 15000):
        if kind == "percussive":
            out[at : at + 6000] += rng.normal(size=6000) * np.exp(-np.arange(6000) / 700)
        else:
            hz = 110 * 2 ** (rng.integers(0, 25) / 12)
            note = sum(np.sin(2 * np.pi * k * hz * times[:13000] + k) / k for k in range(1, 24))
            out[at : at + 13000] += note * np.exp(-times[:13000] * 6) * np.minimum(times[:13000] / 0.002, 1)
    return 0.1 * out


@pytest.mark.parametrize("kind", ["percussive", "tonal"])
@pytest.mark.parametrize("azimuth", [0, 15, 30, 45, 60, 75, 90])
def test_the_far_ear_hears_later_by_the_measured_time(ears, azimuth, kind):
    """The far ear of a dummy head hears later, by what other correlators read from the same measured responses."""
    expected = rows(9, f"itd_{azimuth}")[0]["expected"]
    rng = np.random.default_rng(azimuth)
    pair = [np.convolve(_sound(kind), ear)[: 5 * RATE] for ear in ears[azimuth]]
    pair = [ear + 1e-5 * rng.normal(size=len(ear)) for ear in pair]
    found = measure_pair(Track.from_array("near", pair[0], RATE), Track.from_array("far", pair[1], RATE))
    columns = [expected[name] for name in ("cc_20_20k", "cc_200_3k", "cc_200_1500", "phat_200_16k")]
    assert found.polarity == 1
    assert found.reliable, found.reason
    # Between what four correlators say of the responses themselves, and their own tolerance of 25 us beyond.
    middle, half = (min(columns) + max(columns)) / 2, (max(columns) - min(columns)) / 2
    what = f"ear to ear, {azimuth} degrees, {kind}"
    confirm(what, found.delay_s * 1e6, middle, within=half + 25, source=SOURCE, unit="us")
