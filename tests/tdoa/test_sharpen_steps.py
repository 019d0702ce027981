"""The steps of sharpening, against chance drawn many times over and closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.tdoa import exact
from micalign.tdoa.spectra import Spectra

RATE, SIZE = 8000, 800
HZ = np.arange(SIZE // 2 + 1) * RATE / SIZE


def spectra(cross: np.ndarray, first: np.ndarray, second: np.ndarray) -> Spectra:
    times = np.arange(len(cross)) * 0.05
    return Spectra(cross, first, second, times, np.zeros(len(cross)), SIZE, RATE)


def drawn(rng, frames: int, coherence: np.ndarray, delay_s: float = 0.0, level=1.0) -> Spectra:
    """FrameSet of Gaussian spectra whose squared coherence is given at each frequency."""

    def normal() -> np.ndarray:
        return (rng.normal(size=(frames, len(HZ))) + 1j * rng.normal(size=(frames, len(HZ)))) / np.sqrt(2)

    x, shared = normal(), np.sqrt(coherence)
    y = (shared * x + np.sqrt(1.0 - coherence) * normal()) * np.exp(-2j * np.pi * HZ * delay_s)
    x, y = level * x, level * y
    return spectra(np.conj(x) * y, np.abs(x) ** 2, np.abs(y) ** 2)


@pytest.mark.parametrize(("share", "frames"), [(0.5, 10), (0.3, 24)])
def test_how_far_chance_moves_the_best_sum_is_foretold(rng, share, frames):
    """The maximum of the plain correlation of the coherent band, found 200 times by a fine search around the truth."""
    band = (HZ > 300.0) & (HZ < 3000.0)
    coherence = np.where(band, share, 0.0)
    level = 1.0 / (1.0 + HZ / 500.0)  # more of the lows, as sounds have
    lags = np.linspace(-1e-4, 1e-4, 81)
    waves = np.exp(2j * np.pi * np.outer(HZ[band], lags))
    found, foretold = [], []
    for _ in range(200):
        one = drawn(rng, frames, coherence, level=level)
        cross = one.cross.sum(axis=0)
        curve = (cross[band] @ waves).real
        top = int(np.clip(np.argmax(curve), 1, 79))
        a, b, c = curve[top - 1 : top + 2]
        found.append(lags[top] + 0.5 * (a - c) / (a - 2 * b + c) * (lags[1] - lags[0]))
        foretold.append(exact._sum_noise_s(one, cross, coherence, 0.0))
    # 200 draws tell a standard deviation to 5 %; the bend is itself drawn: 15 % holds both.
    assert np.mean(foretold) == pytest.approx(np.std(found), rel=0.15)


def test_what_is_not_coherent_and_what_is_low_adds_no_chance(rng):
    """Up to 150 Hz and to a coherence of 0.05 nothing counts, however loud."""
    coherence = np.where((HZ > 300.0) & (HZ < 3000.0), 0.6, 0.0)
    quiet = drawn(rng, 10, coherence)
    cross = quiet.cross.sum(axis=0)
    plain = exact._sum_noise_s(quiet, cross, coherence, 0.0)
    loud = np.where((HZ <= 150.0) | (HZ > 3500.0), 1e3, 1.0)
    noisy = spectra(quiet.cross * loud, quiet.first * loud, quiet.second * loud)
    told = np.where(HZ <= 150.0, 0.9, np.where(HZ > 3500.0, 0.05, coherence))
    assert exact._sum_noise_s(noisy, noisy.cross.sum(axis=0), told, 0.0) == pytest.approx(plain, rel=1e-6)
    heard = np.where(HZ > 3500.0, 0.051, coherence)
    assert exact._sum_noise_s(noisy, noisy.cross.sum(axis=0), heard, 0.0) != pytest.approx(plain, rel=0.1)


def test_the_chance_is_asked_at_the_delay(rng):
    coherence = np.full(len(HZ), 0.8)
    late = drawn(rng, 20, coherence, delay_s=0.003)
    cross = late.cross.sum(axis=0)
    there = exact._sum_noise_s(late, cross, coherence, 0.003)
    # By hand: all frequencies in phase, power one, coherence 0.8; 20 frames.
    omega = 2 * np.pi * HZ[HZ > 150.0]
    by_hand = np.sqrt((omega**2).sum() * 0.2 / (2 * 20)) / (np.sqrt(0.8) * (omega**2).sum())
    assert there == pytest.approx(by_hand, rel=0.1)
    assert exact._sum_noise_s(late, cross, coherence, 0.0) > 3 * there  # out of phase nothing bends
    nothing = np.zeros(len(HZ))
    assert exact._sum_noise_s(late, cross, nothing, 0.003) == 0.0


@pytest.mark.parametrize("share", [0.1, 0.5, 0.95])
def test_the_coherence_is_told_without_what_chance_adds(rng, share):
    """Of 40 frames, smoothed over neighbours: the mean over the band, with no bias of its own."""
    one = drawn(rng, 40, np.full(len(HZ), share), delay_s=0.002)
    told, size = exact._coherence(one, one.cross.sum(axis=0), 0.002)
    assert told[(HZ > 500.0) & (HZ < 3500.0)].mean() == pytest.approx(share, abs=0.03)
    assert told[HZ < 20.0].tolist() == [0.0, 0.0]
    assert told[2] > 0.0
    # The cross-spectrum of 40 frames of power one.
    assert size[100:300].mean() == pytest.approx(40 * np.sqrt(share), rel=0.1)


def test_strangers_have_no_coherence_and_a_track_with_itself_all_but_all_of_it(rng):
    strangers = drawn(rng, 40, np.zeros(len(HZ)))
    told, _ = exact._coherence(strangers, strangers.cross.sum(axis=0), 0.0)
    assert told.mean() < 0.01
    itself = drawn(rng, 40, np.ones(len(HZ)))
    told, _ = exact._coherence(itself, itself.cross.sum(axis=0), 0.0)
    assert told[HZ > 500.0].max() <= 1.0 - 1e-7
    assert told[HZ >= 20.0].min() > 0.97  # the power of 40 frames differs a little between neighbours


def test_the_less_two_tracks_share_the_wider_their_coherence_is_smoothed(rng):
    """100 looks in 10 overlapping frames: 20 bins at full likeness, never fewer than 25 nor more than 601."""
    for share, frames, bins in ((1.0, 10, 25), (0.25, 10, 80), (0.1, 4, 500), (0.01, 4, 601)):
        one = drawn(rng, frames, np.full(len(HZ), share))
        found = exact._smoothing(one, one.cross.sum(axis=0))
        # The likeness itself is read from the whole band of 401 bins: to a fifth.
        assert found == pytest.approx(bins, rel=0.2)


def test_the_likeness_is_the_plain_coefficient(rng):
    """A flat cross-spectrum of 0.6 of the powers, 20 Hz and below (and their offset) left out."""
    ones = np.ones((3, len(HZ)))
    cross = 0.6 * np.exp(-2j * np.pi * HZ * 0.004)[None, :] * ones
    cross[:, HZ <= 20.0] = 100.0
    one = spectra(cross, ones, ones)
    assert exact._coefficient(one, cross.sum(axis=0), 0.004) == pytest.approx(0.6)
    assert exact._coefficient(one, -cross.sum(axis=0), 0.004) == pytest.approx(0.6)
