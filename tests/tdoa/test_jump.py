"""A jump of the delay within a take is told from honest drift, whatever its size, sign, moment and polarity."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy import signal

from micalign.take.tracks import Track
from micalign.tdoa.change import measure_clock

RATE = 8000
SECONDS = 30
FINER = 4
JUMPED = "the delay jumps within the take"


@cache
def plucked() -> np.ndarray:
    """Strings of a low register, decaying, four times too fine: a narrow band and a period in every frame."""
    rng = np.random.default_rng(20)
    count = SECONDS * RATE
    sound = np.zeros(count)
    times = np.arange(RATE // 2) / RATE
    for at in range(0, count - RATE // 2, RATE // 4):
        hz = 55.0 * 2 ** (rng.integers(0, 24) / 12)
        overtones = np.arange(1, 20)
        phases = np.exp(2j * np.pi * rng.random(len(overtones))) / overtones
        note = (phases[:, None] * np.exp(2j * np.pi * hz * np.outer(overtones, times))).real.sum(axis=0)
        sound[at : at + RATE // 2] += note * np.exp(-times / 0.2) * (1 - np.exp(-times / 0.002))
    return signal.resample_poly(sound + 0.003 * rng.normal(size=count), FINER, 1)


def heard(fine, late_ms, ppm: float = 0.0) -> np.ndarray:
    """The sound later by ``late_ms``, one number or one for each sample, on a clock that runs ``ppm`` slow."""
    times = np.arange(len(fine) // FINER) / RATE
    event = times - np.asarray(late_ms) / 1e3 - ppm * 1e-6 * (times - times.mean())
    return np.interp(event * FINER * RATE, np.arange(len(fine)), fine)


def found(fine, second, rng):
    first = fine[::FINER] + 1e-3 * rng.normal(size=len(second))
    second = second + 1e-3 * rng.normal(size=len(second))
    return measure_clock(
        *(Track.from_array(name, x, RATE) for name, x in (("a", first), ("b", second))), max_delay_s=0.05
    )


@pytest.mark.parametrize("polarity", [1, -1])
@pytest.mark.parametrize("share", [0.3, 0.5])
@pytest.mark.parametrize("jump_ms", [0.5, -0.5, 5.0, -5.0, 20.0, -20.0])
def test_a_jump_is_not_reliable(rng, jump_ms, share, polarity):
    fine = plucked()
    late_ms = np.where(np.arange(SECONDS * RATE) < share * SECONDS * RATE, 3.0, 3.0 + jump_ms)
    delay = found(fine, polarity * heard(fine, late_ms), rng)
    assert not delay.reliable
    assert delay.reason == JUMPED
    assert delay.confidence <= 0.4


@pytest.mark.parametrize("share", [0.1, 0.9])
@pytest.mark.parametrize("ppm", [0.0, 90.0])
def test_a_jump_near_the_ends_is_told_beside_a_drift(rng, share, ppm):
    fine = signal.resample_poly(rng.normal(size=SECONDS * RATE), FINER, 1)
    late_ms = np.where(np.arange(SECONDS * RATE) < share * SECONDS * RATE, 3.0, 2.0)
    delay = found(fine, heard(fine, late_ms, ppm), rng)
    assert (delay.reliable, delay.reason) == (False, JUMPED)
    assert delay.confidence <= 0.4


@pytest.mark.parametrize("polarity", [1, -1])
@pytest.mark.parametrize("ppm", [0.0, 20.0, -100.0, 295.0])
@pytest.mark.parametrize("sound", ["plucked", "noise"])
def test_an_honest_drift_stays_reliable(rng, sound, ppm, polarity):
    fine = plucked() if sound == "plucked" else signal.resample_poly(rng.normal(size=SECONDS * RATE), FINER, 1)
    delay = found(fine, polarity * heard(fine, -4.0, ppm), rng)
    assert delay.reliable, delay.reason
    assert delay.drift_ppm == pytest.approx(ppm, abs=1.0)


def test_a_sound_that_stops_half_way_does_not_jump(rng):
    """The second half is nothing but noise of another sound: no line of its own."""
    fine = signal.resample_poly(rng.normal(size=SECONDS * RATE), FINER, 1)
    second = heard(fine, 2.0)
    second[SECONDS * RATE // 2 :] = rng.normal(size=SECONDS * RATE // 2)
    assert found(fine, second, rng).reason != JUMPED


@pytest.mark.parametrize("jump_ms", [0.0, 10.0])
def test_another_drum_in_the_second_half_is_no_jump_and_a_jump_beside_it_is_one(rng, jump_ms):
    """One drum comes 2 ms later than the other; each is struck all along, louder in its own half."""
    count, far = SECONDS * RATE, np.zeros(SECONDS * RATE)
    near = np.zeros(count)
    for k, at in enumerate(range(RATE // 4, count - RATE // 2, RATE // 4)):
        drum, is_early = k % 2, at < count // 2
        hit = rng.normal(size=800) * np.exp(-np.arange(800) / 200) * (1.0 if (drum == 0) == is_early else 0.6)
        late = round((3.0 + 2.0 * drum + (0.0 if is_early else jump_ms)) / 1e3 * RATE)
        near[at : at + 800] += hit
        far[at + late : at + late + 800] += hit
    tracks = [Track.from_array(name, x + 1e-3 * rng.normal(size=count), RATE) for name, x in (("a", near), ("b", far))]
    assert (measure_clock(*tracks, max_delay_s=0.05).reason == JUMPED) is (jump_ms > 0.0)
