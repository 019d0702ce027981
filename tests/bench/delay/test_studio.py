"""The second renderer: its direct sound, its near fields and its clocks are what its truth says."""

from __future__ import annotations

import numpy as np
import pytest
from bench.delay import studio, studio_pairs

RATE = studio.RATE
UP = np.array([0.0, 0.0, 1.0])


@pytest.fixture
def heard(rng):
    """The response from one source at a distance, by order of multipole, in a room of soft walls."""
    room = studio.Room(rng, [5.0, 4.0, 2.8], dull=1.0)
    source = np.array([2.2, 1.9, 0.9])
    hz = np.fft.rfftfreq(studio.SHORT, 1 / RATE)

    def response(distance_m, order=0, shadow_hz=None):
        shadow = {"drum": shadow_hz} if shadow_hz else {}
        mic = studio.Mic(source + np.array([distance_m, 0, 0]), UP, 1.0, shadow, 6.0 if shadow_hz else 0.0)
        part = studio.Part(np.zeros(1), order, np.array([1.0, 0.0, 0.0]))
        return np.fft.irfft(room.response(source, part, mic, "drum", hz, studio.SHORT), studio.SHORT)

    return response


@pytest.mark.parametrize("distance_m", [0.31, 0.8, 1.37])
def test_the_direct_sound_comes_after_its_path(heard, distance_m):
    """The first wavefront comes at distance over 343 m/s, to half a sample, and falls as one over the distance."""
    response = heard(distance_m)
    at = int(np.argmax(np.abs(response[: int(0.006 * RATE)])))
    assert at == pytest.approx(distance_m / 343.0 * RATE, abs=0.51)
    assert np.sum(response[at - 8 : at + 9]) == pytest.approx(1 / distance_m, rel=0.1)


def test_a_multipole_is_boomy_near_by(heard):
    """A quadrupole at 8 cm against one at 80 cm: 100 Hz grows by far more than distance's 20 dB, 8 kHz does not."""
    # Before the first reflection, with an end that leaks nothing of the low frequencies into the high ones.
    fade = np.r_[np.ones(130), np.hanning(140)[70:], np.zeros(60)]
    near, far = (np.abs(np.fft.rfft(heard(distance, order=2)[:260] * fade, 4800)) for distance in (0.08, 0.8))
    rise_db = 20 * np.log10(near / far)
    assert rise_db[10] > 40
    assert np.mean(rise_db[750:850]) == pytest.approx(20, abs=2)


def test_a_shadowed_path_is_dull_and_weak(heard):
    """Behind a shell the first 2 ms lose 6 dB at low frequencies and much more at high ones."""
    clear, dark = (np.abs(np.fft.rfft(heard(1.0, shadow_hz=hz)[:190], 4800)) for hz in (None, 1000.0))
    loss_db = 20 * np.log10(clear / dark)
    assert np.mean(loss_db[20:30]) == pytest.approx(6, abs=1.5)
    assert np.mean(loss_db[750:850]) > 18


def test_two_clocks_part_at_the_told_rate(rng):
    """A sound on a clock that is 200 ppm off is later by 200 us more for each second, and by the told delay midway."""
    sound = rng.normal(size=4 * RATE)
    late = studio_pairs._resampled(sound, 200.0, 0.002)
    for second, expected_ms in ((0.5, 1.7), (2.0, 2.0), (3.5, 2.3)):
        cut = slice(int((second - 0.1) * RATE), int((second + 0.1) * RATE))
        cross = np.conj(np.fft.rfft(sound[cut], 1 << 15)) * np.fft.rfft(late[cut], 1 << 15)
        lag = int(np.argmax(np.fft.irfft(cross, 1 << 18))) / 8
        assert 1e3 * lag / RATE == pytest.approx(expected_ms, abs=0.03)


def test_a_loudspeaker_answers_at_once(rng):
    """A minimum-phase filter has its largest sample within 0.5 ms: the inserted delay is the first arrival."""
    assert int(np.argmax(np.abs(studio_pairs.minimum_phase(rng)))) < 24


@pytest.mark.slow
def test_hopeless_pairs_are_no_copies():
    """No pair that is called hopeless is one sound twice within the range that is searched."""
    for case in studio_pairs.hopeless(0):
        first, second = (np.fft.rfft(x, 1 << 20) for x in (case.reference, case.track))
        cross = np.fft.irfft(np.conj(first) * second)
        reach = int(0.05 * RATE)
        top = np.max(np.abs(np.r_[cross[:reach], cross[-reach:]]))
        limit = 0.75 if "machines" in case.label or "hum" in case.label else 0.5
        assert top < limit * np.linalg.norm(case.reference) * np.linalg.norm(case.track), case.label
