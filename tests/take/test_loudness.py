from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from micalign.take.loudness import at_loudness, k_weighting, loudness_lufs

RATE = 48000


def tone(hertz: float, seconds: float, level_db: float = 0.0) -> np.ndarray:
    return 10 ** (level_db / 20) * np.sin(2 * np.pi * hertz * np.arange(round(seconds * RATE)) / RATE)


def test_a_full_scale_tone_of_997_hz_reads_minus_3_01() -> None:
    # ITU-R BS.1770-4, annex 1: "if a 0 dB FS, 997 Hz sine wave is applied to the left, centre, or right channel
    # input, the indicated loudness will equal -3.01 LKFS". The ends of the tone are within a hundredth.
    assert loudness_lufs(tone(997, 5)) == pytest.approx(-3.01, abs=0.01)


@pytest.mark.parametrize("hertz", [40.0, 250.0, 4000.0, 12000.0])
def test_the_weighting_is_that_of_the_recursive_filters(hertz: float) -> None:
    from scipy.signal import lfilter

    # The two stages as the standard prints them, run sample by sample by scipy.
    sound = tone(hertz, 3)
    shelf = lfilter(
        [1.53512485958697, -2.69169618940638, 1.19839281085285], [1, -1.69065929318241, 0.73248077421585], sound
    )
    weighted = lfilter([1.0, -2.0, 1.0], [1, -1.99004745483398, 0.99007225036621], shelf)
    steady = -0.691 + 10 * np.log10(np.mean(weighted[RATE:-RATE] ** 2))
    # The start-up of the high-pass at 40 Hz lies in the first block.
    assert loudness_lufs(sound) == pytest.approx(steady, abs=0.02)


def test_silence_between_sounds_does_not_count() -> None:
    # The relative gate: half of the time 40 dB lower changes nothing but the blocks that straddle the edge.
    loud, quiet = tone(997, 20, -20), tone(997, 20, -60)
    assert loudness_lufs(np.concatenate([loud, quiet])) == pytest.approx(-23.01, abs=0.1)


def test_silence_has_no_loudness_and_stays_silent() -> None:
    assert loudness_lufs(np.zeros(RATE)) == -np.inf
    assert np.all(at_loudness(np.zeros(RATE), -20.0) == 0)


def test_a_sound_shorter_than_a_block_is_measured() -> None:
    assert np.isfinite(loudness_lufs(tone(997, 0.1)))


def test_the_weighting_is_the_standards_own_filter() -> None:
    """The coefficients that ITU-R BS.1770-4 prints in tables 1 and 2 for 48 kHz, to a thousandth of a decibel."""
    frequency_hz = np.geomspace(10.0, 20_000.0, 200)
    _, shelf = signal.freqz(
        [1.53512485958697, -2.69169618940638, 1.19839281085285],
        [1.0, -1.69065929318241, 0.73248077421585],
        worN=frequency_hz,
        fs=48000,
    )
    _, high_pass = signal.freqz(
        [1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621], worN=frequency_hz, fs=48000
    )
    ours = k_weighting(frequency_hz, 48000)
    assert 20 * np.log10(np.abs(ours / (shelf * high_pass))) == pytest.approx(np.zeros(200), abs=0.001)
