"""The steps of a drift, each on spectra whose best line is known: unit phases of a delay that grows with time."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.take.tracks import Track
from micalign.tdoa import drift
from micalign.tdoa.exact import groups_s
from micalign.tdoa.spectra import Spectra
from micalign.tdoa.strokes import FrameSet, matched_window

HZ = np.arange(0.0, 2000.0, 40.0)
TIMES = np.linspace(-10.0, 10.0, 41)


def turned(delay_s: float, slope: float, hz=HZ, times=TIMES, weight=1.0) -> np.ndarray:
    """FrameSet of a delay d + s t: the phase of each is -2 pi f (d + s t), a delay being later in the second track."""
    return weight * np.exp(-2j * np.pi * np.outer(delay_s + slope * times, hz))


@pytest.mark.parametrize("polarity", [1, -1])
@pytest.mark.parametrize(("delay_s", "slope"), [(4e-5, 3e-6), (-6e-5, 2e-6), (3e-5, -4e-6)])
def test_newtons_rule_finds_offset_and_slope_whatever_the_weights(rng, polarity, delay_s, slope):
    weight = rng.uniform(0.1, 1.0, (len(TIMES), len(HZ)))  # and so times that are not about zero
    frames = polarity * turned(delay_s, slope, weight=weight)
    found = drift._newton(frames, HZ, TIMES + 3.0, polarity)
    # The line is exact and the rule stops at 1e-11 s and 1e-12: rounding is all that is left.
    assert found == pytest.approx((delay_s - 3.0 * slope, slope), abs=1e-11)


def test_newtons_rule_leaves_alone_what_it_cannot_mend():
    upside_down = -turned(1e-5, 1e-6)
    assert drift._newton(upside_down, HZ, TIMES, 1) == (0.0, 0.0)
    low = np.arange(0.0, 200.0, 10.0)
    near, far = turned(4.9e-4, 0.0, hz=low), turned(5.1e-4, 0.0, hz=low)
    assert drift._newton(near, low, TIMES, 1) == pytest.approx((4.9e-4, 0.0), abs=1e-11)
    assert drift._newton(far, low, TIMES, 1) == (0.0, 0.0)  # more than half a millisecond is another peak's


def test_what_is_left_is_told_by_groups_of_frames():
    """Eight groups of five frames, each with a delay of its own."""
    left_s = 1e-6 * np.array([3.0, -2.0, 5.0, 0.0, 1.0, -4.0, 2.0, -1.0])
    frames = turned(0.0, 1.0, times=np.repeat(left_s, 5))
    assert groups_s(frames, np.ones(len(HZ)), HZ, 0.0) == pytest.approx(left_s, abs=1e-11)
    assert len(groups_s(frames[:3], np.ones(len(HZ)), HZ, 0.0)) == 3


@pytest.mark.parametrize(("half", "shifts"), [(5, (0, 3, -7)), (5, (5, 6, -6)), (5, (-5, -30, 30)), (0, (0, 1, -1))])
def test_correlations_are_read_along_a_line(rng, half, shifts):
    rows = rng.normal(size=(3, 100))
    lags = np.arange(-half, half + 1)
    by_hand = sum(row[(lags + shift) % 100] for row, shift in zip(rows, shifts, strict=True))
    assert drift._read_along(rows, np.array(shifts), half).sum(axis=0) == pytest.approx(by_hand)


def flat(rate: int, delay_s: float, slope: float, *, size: int, centre_s: float = 0.0, seconds: float = 20.0):
    """FrameSet of equal power at every frequency, the second read ``centre_s`` later."""
    hz, times = np.arange(size // 2 + 1) * rate / size, np.linspace(0.0, seconds, 41)
    cross = turned(delay_s - centre_s - slope * seconds / 2, slope, hz, times).astype(np.complex64)
    ones = np.ones(cross.shape, np.float32)
    return Spectra(cross, ones, ones, times, np.full(len(times), centre_s), size, rate)


@pytest.mark.parametrize(
    ("rate", "held"), [(8000, 8000), (16000, 16000), (24000, 12000), (48000, 12000), (96000, 24000)]
)
@pytest.mark.parametrize("slope", [0.0, 120e-6, -298e-6])
def test_the_ridge_is_the_line_to_half_its_steps(rate, held, slope):
    """A step of the slope turns the ends of 20 s by 80 us over the whole; lags are samples of the held rate."""
    size = rate // 10
    found = drift._ridge(flat(rate, 0.0103, slope, size=size, centre_s=0.002), 10.0, 0.02)
    assert found.delay_s == pytest.approx(0.0103, abs=1.01 / held)
    assert found.slope == pytest.approx(slope, abs=4.01e-6)
    assert found.polarity == 1
    assert found.contrast > 20.0
    assert found.rival < 0.25  # the side lobes of a band that ends sharply


def test_an_inverted_ridge_and_a_second_way():
    rate, size = 12000, 1200
    one, other = flat(rate, 0.005, 50e-6, size=size), flat(rate, -0.010, 50e-6, size=size)
    both = Spectra(-one.cross + 0.6 * other.cross, one.first, one.second, one.times_s, one.centre_s, size, rate)
    found = drift._ridge(both, 10.0, 0.02)
    assert (found.polarity, found.delay_s) == (-1, pytest.approx(0.005, abs=1 / rate))
    assert found.rival == pytest.approx(0.6, abs=0.05)
    # A height of 1 and one of 0.6 in 481 lags, the first with a millisecond on both sides left out.
    assert found.contrast == pytest.approx(np.sqrt(481 - 25) / 0.6, rel=0.25)


def test_a_ridge_beyond_the_search_is_not_seen():
    rate, size = 12000, 1200
    spectra = flat(rate, 0.008, 0.0, size=size)
    assert drift._ridge(spectra, 10.0, 0.0082).delay_s == pytest.approx(0.008, abs=1 / rate)
    assert abs(drift._ridge(spectra, 10.0, 0.005).delay_s) <= 0.005


@pytest.mark.parametrize(
    ("contrast", "rival", "agreement", "reason"),
    [
        (6.0, 0.85, 0.8, None),
        (5.9, 0.1, 1.0, "no delay stands out of the noise"),
        (9.0, 0.86, 1.0, "another delay fits nearly as well"),
        (9.0, 0.1, 0.79, "the delay does not change evenly along the tracks"),
    ],
)
def test_reasons_not_to_believe_a_drift(contrast, rival, agreement, reason):
    assert drift._reason(drift._Ridge(0.0, 0.0, 1, rival, contrast), agreement) == reason


def bells(rng, times_s):
    """Tones that end within a frame: sums of Gaussian bells, whose value at any instant is known."""
    out = np.zeros(np.shape(times_s))
    for _ in range(12):
        at, wide, hz, phase = (
            rng.uniform(0.012, 0.068),
            rng.uniform(0.001, 0.003),
            rng.uniform(200, 17000),
            rng.normal(),
        )
        out += np.exp(-(((times_s - at) / wide) ** 2)) * np.cos(2 * np.pi * hz * (times_s - at) + phase)
    return out


@pytest.mark.parametrize("rate", [48000, 96000])
@pytest.mark.parametrize("slope", [0.0, 80e-6, -300e-6])
@pytest.mark.parametrize("late", [0.0, 17.3, -40.5])
def test_a_frame_on_another_clock_has_the_spectrum_of_its_own(late, slope, rate):
    """Nothing is left of a delay that grows within a frame: the cross-spectrum is the first's power."""
    length = round(0.08 * rate)
    gate = FrameSet(np.array([2000]), matched_window(length, 0.0))
    clock = np.arange(length + 4000)
    middle = 2000 + (length - 1) / 2
    event = middle + (clock - middle - late) / (1 + slope)
    first, second = (bells(np.random.default_rng(3), (at - 2000) / rate) for at in (clock, event))
    tracks = [Track.from_array(name, x, rate) for name, x in (("a", first), ("b", second))]
    spectra, cross = drift._deskewed(*tracks, gate, np.array([late / rate]), slope)
    # The second is longer by the slope; each frame is read about its own mean, and single precision is used.
    assert np.abs(cross - spectra.first * (1 + slope)).max() < 3e-5 * spectra.first.max()


def test_one_sigma_is_that_of_frames_or_frequencies_whichever_err_more(rng):
    """Noise of every frame's own is told by both; what all frames share, an early reflection, by frequencies alone."""
    hz, times = np.arange(0.0, 8000.0, 20.0), np.arange(-100.0, 100.0)
    noise = 0.1 * (rng.normal(size=(200, len(hz))) + 1j * rng.normal(size=(200, len(hz))))
    # Phases of 0.1 at all frequencies: 0.1 / (2 pi times their root of the sum of squares).
    expected = 0.1 / (2 * np.pi * np.sqrt(200 * (hz**2).sum()))
    assert drift._one_sigma_s(1.0 + noise, hz, times) == pytest.approx(expected, rel=0.35)
    shared = np.exp(-2j * np.pi * hz * 0.002) * 0.1
    assert drift._one_sigma_s(1.0 + shared + noise, hz, times) > 3 * expected
    assert drift._one_sigma_s(np.ones((200, len(hz)), complex), hz, times) == 1e-11
    assert drift._one_sigma_s(np.ones((2, len(hz)), complex), hz, times[:2]) == np.inf
