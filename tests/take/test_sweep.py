"""The sweep against an independent library and Farina's formulas; what is read from a response against known ones."""

from __future__ import annotations

import numpy as np
import pyfar
import pyroomacoustics
import pytest

from micalign.errors import TakeError
from micalign.take.sweep import LEAD_S, Sweep, clicks, response
from micalign.take.tracks import Track

RATE = 48000


def recorded(sweep: Sweep, impulse: np.ndarray, *, noise: float = 1e-6) -> Track:
    """What a way of that impulse response makes of the file, at a low level."""
    sound = np.convolve(0.03 * sweep.file_signal(), impulse)[: len(sweep.file_signal())]
    return Track.from_array("mic", sound + noise * np.random.default_rng(2).normal(size=len(sound)), sweep.sample_rate)


def test_the_sweep_is_the_librarys() -> None:
    """Sample for sample where neither is faded (pyfar.signals.exponential_sweep_time, after Farina)."""
    sweep = Sweep(2.0, RATE)
    theirs = pyfar.signals.exponential_sweep_time(2 * RATE, [50, 20000], n_fade_out=0, sampling_rate=RATE).time[0]
    inner = slice(round(0.06 * RATE), round(1.98 * RATE))
    np.testing.assert_allclose(sweep.signal()[inner], theirs[inner], atol=1e-6)


def test_deconvolution_agrees_with_the_librarys() -> None:
    """A way with three arrivals, deconvolved by us and by pyfar's regularized inversion."""
    sweep = Sweep(2.0, RATE)
    impulse = np.zeros(6000)
    impulse[[2100, 2250, 2700]] = 1.0, 0.5, -0.3
    track = recorded(sweep, impulse, noise=0.0)
    ours = sweep.deconvolved(track.read())[:6000]
    wave = pyfar.Signal(0.03 * sweep.file_signal(), RATE)
    inverted = pyfar.dsp.RegularizedSpectrumInversion.from_frequency_range(wave, (60, 18000)).invert
    theirs = np.fft.irfft(np.fft.rfft(track.read()) * inverted.freq_raw[0], wave.n_samples)[:6000] * 0.03
    band = [np.fft.rfft(one, 8192)[30:3000] for one in (ours / 0.03, theirs / 0.03)]  # 176 Hz to 17.6 kHz
    assert np.abs(20 * np.log10(np.abs(band[0] / band[1]))).max() < 0.1  # dB
    for at, level in ((2100, 1.0), (2250, 0.5), (2700, -0.3)):
        assert ours[at] / ours[2100] == pytest.approx(level, abs=0.04)


def test_a_harmonic_lies_where_farina_says() -> None:
    """The n-th harmonic lies L ln n before the linear response (Farina 2000, from memory)."""
    sweep = Sweep(3.0, RATE)
    wave = sweep.signal()
    inverse = (wave * np.exp(np.arange(len(wave)) / RATE / sweep.rate_s))[::-1]
    bent = np.fft.irfft(np.fft.rfft(wave**2, 1 << 19) * np.fft.rfft(inverse, 1 << 19))
    second = len(wave) - 1 - round(sweep.rate_s * np.log(2.0) * RATE)
    reach = np.abs(bent[second - 400 : second + 401])
    assert reach.argmax() == pytest.approx(400, abs=3)
    assert reach.max() > 20 * np.abs(bent[len(wave) - 300 : len(wave) + 300]).max()
    file = sweep.file_signal()
    straight, distorted = (np.abs(sweep.deconvolved(sound)[480:48000]).max() for sound in (file, file + 0.1 * file**2))
    assert 20 * np.log10(distorted / np.abs(sweep.deconvolved(file)[0])) < -50.0  # none of it is taken for a bounce
    assert straight <= distorted


def test_arrivals_of_a_room_by_images_are_read() -> None:
    """Direct sound and the first bounces of a shoe box by an independent library's image sources."""
    room = pyroomacoustics.ShoeBox([6.0, 5.0, 3.0], fs=RATE, materials=pyroomacoustics.Material(0.4), max_order=1)
    room.add_source([2.0, 2.0, 1.2])
    room.add_microphone([3.6, 2.8, 1.3])
    room.compute_rir()
    impulse = room.rir[0][0]
    told = response(recorded(Sweep(2.0, RATE), impulse), Sweep(2.0, RATE))
    source, mic = np.array([2.0, 2.0, 1.2]), np.array([3.6, 2.8, 1.3])
    images = [source * [1, 1, -1], source * [1, -1, 1], source * [-1, 1, 1]]
    direct = np.linalg.norm(mic - source)
    library_s = 40 / RATE  # half of the library's fractional delay filter of 81 samples
    assert told.arrival_s - library_s == pytest.approx(direct / room.c, abs=2e-5)
    assert told.polarity == 1
    found = [echo.delay_s for echo in told.echoes]
    for image in images:
        later = (np.linalg.norm(mic - image) - direct) / room.c
        assert min(abs(later - one) for one in found) < 5e-5  # 1.7 cm of air


def test_decay_of_an_exponential_tail_is_its_own() -> None:
    """Noise that falls 60 dB in 0.6 s has that reverberation and that early decay; polarity turns with the way."""
    time = np.arange(RATE) / RATE
    tail = np.random.default_rng(4).normal(size=RATE) * 10 ** (-3 * time / 0.6) * 0.05
    tail[0] = 1.0
    told = response(recorded(Sweep(3.0, RATE), -tail, noise=1e-7), Sweep(3.0, RATE))
    assert told.reverberation_s == pytest.approx(0.6, rel=0.05)
    theirs = pyroomacoustics.experimental.measure_rt60(tail, fs=RATE, decay_db=20)
    assert told.reverberation_s == pytest.approx(theirs, rel=0.08)
    assert told.early_decay_s == pytest.approx(0.6, rel=0.15)
    assert told.polarity == -1


def test_what_holds_no_sweep_is_refused() -> None:
    """Too short, of another rate, or something else."""
    sweep = Sweep(2.0, RATE)
    with pytest.raises(TakeError, match=r"cannot hold a sweep of 2 s"):
        response(Track.from_array("mic", np.zeros(RATE), RATE), sweep)
    with pytest.raises(TakeError, match="44100 Hz"):
        response(Track.from_array("mic", np.zeros(5 * 44100), 44100), sweep)
    with pytest.raises(TakeError, match="no sweep of 2 s stands out"):
        response(Track.from_array("mic", np.random.default_rng(1).normal(size=5 * RATE), RATE), sweep)


def test_clicks_are_positive_and_apart() -> None:
    """Five, after a second of silence, none below zero."""
    made = clicks(RATE)
    starts = np.flatnonzero((made[1:] > 0) & (made[:-1] == 0))
    assert len(starts) == 5
    assert starts[0] == pytest.approx(LEAD_S * RATE, abs=2)
    assert np.diff(starts) == pytest.approx(0.6 * RATE, abs=2)
    assert made.min() == 0.0
