"""The steps of sharpening, against chance drawn many times over and closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.tdoa import measure
from micalign.tdoa.spectra import Spectra

RATE, SIZE = 8000, 800
HZ = np.arange(SIZE // 2 + 1) * RATE / SIZE


def spectra(cross: np.ndarray, first: np.ndarray, second: np.ndarray) -> Spectra:
    return Spectra(cross, first, second, 0.0, SIZE, RATE)


def drawn(rng, frames: int, coherence: np.ndarray, delay_s: float = 0.0, level=1.0) -> Spectra:
    """Frames of Gaussian spectra whose squared coherence is given at each frequency."""

    def normal() -> np.ndarray:
        return (rng.normal(size=(frames, len(HZ))) + 1j * rng.normal(size=(frames, len(HZ)))) / np.sqrt(2)

    x, shared = normal(), np.sqrt(coherence)
    y = (shared * x + np.sqrt(1.0 - coherence) * normal()) * np.exp(-2j * np.pi * HZ * delay_s)
    x, y = level * x, level * y
    return spectra(np.conj(x) * y, np.abs(x) ** 2, np.abs(y) ** 2)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.95])
def test_the_coherence_is_told_without_what_chance_adds(rng, share):
    """Of 40 frames, smoothed over neighbours: the mean over the band, with no bias of its own."""
    one = drawn(rng, 40, np.full(len(HZ), share), delay_s=0.002)
    told, size = measure._coherence(one, one.cross.sum(axis=0), 0.002)
    assert told[(HZ > 500.0) & (HZ < 3500.0)].mean() == pytest.approx(share, abs=0.03)
    assert told[HZ < 20.0].tolist() == [0.0, 0.0]
    assert told[2] > 0.0
    # The cross-spectrum of 40 frames of power one.
    assert size[100:300].mean() == pytest.approx(40 * np.sqrt(share), rel=0.1)


def test_strangers_have_no_coherence_and_a_track_with_itself_all_but_all_of_it(rng):
    strangers = drawn(rng, 40, np.zeros(len(HZ)))
    told, _ = measure._coherence(strangers, strangers.cross.sum(axis=0), 0.0)
    assert told.mean() < 0.01
    itself = drawn(rng, 40, np.ones(len(HZ)))
    told, _ = measure._coherence(itself, itself.cross.sum(axis=0), 0.0)
    assert told[HZ > 500.0].max() <= 1.0 - 1e-7
    assert told[HZ >= 20.0].min() > 0.97  # the power of 40 frames differs a little between neighbours


def test_what_is_left_is_told_by_groups_of_frames():
    """Eight groups of five frames, each with a delay of its own."""
    hz, left_s = np.arange(0.0, 2000.0, 40.0), 1e-6 * np.array([3.0, -2.0, 5.0, 0.0, 1.0, -4.0, 2.0, -1.0])
    frames = np.exp(-2j * np.pi * np.outer(np.repeat(left_s, 5), hz))
    assert measure._groups_s(frames, np.ones(len(hz)), hz, 0.0) == pytest.approx(left_s, abs=1e-11)
    assert len(measure._groups_s(frames[:3], np.ones(len(hz)), hz, 0.0)) == 3
