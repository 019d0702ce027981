"""A string straight from the pickup and through an amplifier's loudspeaker: the same sound, one of them filtered."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, firwin2, lfilter, minimum_phase, oaconvolve, sosfilt

from micalign.delay.measure import measure_pair
from micalign.take.model import Track

RATE = 48000


def plucked(rng, hz, seconds):
    """A string as a loop of noise that loses its highs on each turn (Karplus and Strong 1983)."""
    turn, frames = int(RATE / hz), int(seconds * RATE)
    push = np.zeros(frames)
    push[:turn] = rng.normal(size=turn)
    ring = np.zeros(turn + 2)
    ring[0], ring[turn:] = 1.0, -0.498
    fade = np.exp(-np.arange(frames) / (0.6 * RATE)) * (1 - np.exp(-np.arange(frames) / (0.002 * RATE)))
    sound = lfilter([1.0], ring, push)
    return sound / np.abs(sound).max() * fade


def bass_line(rng, seconds=5.0):
    out, at = np.zeros(int(seconds * RATE)), 0.2
    while at < seconds - 0.7:
        hold = rng.choice([0.25, 0.3, 0.5])
        note = plucked(rng, 41.0 * 2 ** (rng.integers(0, 15) / 12), hold + 0.1) * rng.uniform(0.6, 1.0)
        out[int(at * RATE) :][: len(note)] += note
        at += hold
    return out / np.abs(out).max()


def bright_cabinet(sound):
    hz = [0, 60, 90, 200, 800, 2500, 4000, 5500, 8000, 24000]
    level_db = np.array([-40, -14, -2, 0, -3, 2, 4, -12, -38, -60])
    return oaconvolve(sound, minimum_phase(firwin2(4097, hz, 10 ** (level_db / 20), fs=RATE), half=False))[: len(sound)]


def late(sound, samples, sign):
    return sign * np.concatenate([np.zeros(samples), sound])[: len(sound)]


@pytest.mark.parametrize(("seed", "sign"), [(0, 1), (1, -1), (2, 1)])
def test_a_bass_and_its_bright_cabinet_are_not_taken_half_a_period_off(seed, sign):
    """The attacks alone are best alike at the wrong lobe of the cabinet's 4 kHz, upside down."""
    rng = np.random.default_rng(seed)
    direct = bass_line(rng)
    amped = late(bright_cabinet(np.tanh(3 * direct)), 700, sign)
    found = measure_pair(Track.from_array("di", direct, RATE), Track.from_array("cab", 0.3 * amped, RATE))
    assert (found.polarity, found.reliable) == (sign, True)
    # From what was inserted to 0.1 ms later, where a minimum-phase cabinet adds up best.
    assert -0.02e-3 < found.delay_s - 700 / RATE < 0.12e-3


def test_the_best_sum_of_a_bass_is_told_by_its_harmonics_not_by_a_fundamental_below_the_cabinets_resonance():
    rng = np.random.default_rng(3)
    direct = sosfilt(butter(2, 600, output="sos", fs=RATE), bass_line(rng))
    boxy = sosfilt(butter(2, 110, "highpass", fs=RATE, output="sos"), direct)
    boxy = late(sosfilt(butter(4, 3500, fs=RATE, output="sos"), boxy), 400, 1)
    boxy += 1e-4 * np.abs(direct).max() * rng.normal(size=len(boxy))
    found = measure_pair(Track.from_array("di", direct, RATE), Track.from_array("cab", boxy, RATE))
    assert (found.polarity, found.reliable) == (1, True)
    # Four poles at 3.5 kHz delay all coherent frequencies by 0.12 ms; the fundamental alone adds up best 1 ms early.
    assert 0.0 < found.delay_s - 400 / RATE < 0.09e-3


def test_the_harmonics_best_sum_counts_half_where_the_lows_would_pull_it_far_away():
    """Loud lows 0.8 ms early, harmonics 0.12 ms late, many faint highs in time: halfway to what the harmonics say.

    Their best sum comes from a grid over the known delays; up the plain correlation one ends half a millisecond off.
    """
    rng, frames = np.random.default_rng(4), 6 * RATE
    hz = np.fft.rfftfreq(frames, 1 / RATE)
    bands = [hz < 50, hz < 80, hz < 150, hz < 1000, hz < 6000]
    level = np.select(bands, [0.0, 250.0, 0.0, 3.0, 0.3])
    late_s = np.select([hz < 150, hz < 1000], [-0.8e-3, 0.12e-3])
    near, far = (np.fft.rfft(rng.normal(size=frames)) * level * 0.02 for _ in range(2))
    sound = np.fft.rfft(rng.normal(size=frames)) * level
    near += sound
    far += sound * np.exp(-2j * np.pi * hz * (late_s + 300 / RATE))
    scale = 0.1 / np.abs(np.fft.irfft(near)).max()
    tracks = [Track.from_array(name, np.fft.irfft(one) * scale, RATE) for name, one in (("a", near), ("b", far))]
    found = measure_pair(*tracks)

    grid_s, heard = np.linspace(0.0, 0.12e-3, 121), hz > 150
    sums = [np.sum(level[heard] ** 2 * np.cos(2 * np.pi * hz[heard] * (at - late_s[heard]))) for at in grid_s]
    best_s = grid_s[int(np.argmax(sums))]
    assert 40e-6 < best_s < 50e-6
    # Noise 34 dB down moves the peak by less than 2 us (22.5 to 23.1 over seeds).
    assert found.delay_s - 300 / RATE == pytest.approx(best_s / 2, abs=2e-6)
    assert (found.polarity, found.reliable) == (1, True)
