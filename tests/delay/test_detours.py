"""A reflection is a detour: the direct sound comes before it, and what comes after is no rival of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from micalign.delay.evidence import Evidence, stretch_evidence
from micalign.delay.gates import stretches as stretches_gate
from micalign.delay.listening import listen
from micalign.delay.measure import measure_pair
from micalign.delay.peak import Peak
from micalign.delay.verdict import is_one_path, judge
from micalign.take.model import Track

RATE = 16000


def room(taps, seed=1, seconds=4.0):
    """Noise in bursts, and the same over several paths of (samples, gain)."""
    rng = np.random.default_rng(seed)
    count = int(seconds * RATE)
    sound = rng.normal(size=count) * (1.2 + np.sin(np.arange(count) / 900.0))
    far = sum(gain * np.roll(sound, late) for late, gain in taps)
    first, second = (x + 0.05 * rng.normal(size=count) for x in (sound, far))
    return Track.from_array("near", first, RATE), Track.from_array("far", second, RATE)


@pytest.mark.parametrize("turned", [False, True])
def test_the_direct_sound_is_told_though_a_reflection_is_stronger_whichever_track_comes_first(turned):
    near, far = room([(100, 0.75), (180, 1.0)])
    found = measure_pair(far, near) if turned else measure_pair(near, far)
    assert found.delay_s * RATE == pytest.approx(-100 if turned else 100, abs=0.5)
    assert found.rivals[0].delay_s * RATE == pytest.approx(-180 if turned else 180, abs=0.5)


def test_a_reflection_nearly_as_strong_as_the_direct_sound_before_it_does_not_make_it_unreliable():
    found = measure_pair(*room([(100, 1.0), (180, 0.9)]))
    assert found.delay_s * RATE == pytest.approx(100, abs=0.5)
    assert found.reliable, found.reason


def stretches(*peaks, noise=0.05, own_best_s=(0.005,) * 8):
    best = Peak(*peaks[0])
    return Evidence(
        "stretches",
        best,
        tuple(Peak(*peak) for peak in peaks),
        abs(best.height),
        noise,
        np.array(own_best_s),
        np.full(8, best.lag_s),
        1e-6,
        80,
        0.05,
        0.0,
        3e-5,
    )


def test_a_rival_before_the_direct_sound_counts_in_full_and_one_after_it_less():
    assert judge(stretches((0.005, 1.0), (0.009, 0.9))).reason is None
    assert "another delay fits nearly as well" in (judge(stretches((0.005, 1.0), (0.002, 0.9))).reason or "")
    assert "another delay fits nearly as well" in (judge(stretches((0.005, 1.0), (0.009, -0.9))).reason or "")
    # Where it does not stand 1.6 times over what comes before, it may be no direct sound, and all rivals count in full.
    unclear = judge(stretches((0.005, 1.0), (0.009, 0.9), (0.002, 0.65))).reason
    assert "another delay fits nearly as well" in (unclear or "")


def test_groups_that_find_a_reflection_speak_for_the_direct_sound():
    groups = (0.009,) * 5 + (0.005,) * 3
    assert judge(stretches((0.005, 1.0), (0.009, 0.9), own_best_s=groups)).reason is None
    elsewhere = judge(stretches((0.005, 1.0), (0.009, 0.9), own_best_s=(0.012,) * 5 + (0.005,) * 3))
    assert "parts of the tracks" in (elsewhere.reason or "")


def test_a_wall_keeps_the_polarity_and_a_filters_ringing_does_not():
    assert not is_one_path(stretches((0.005, 1.0), (0.007, 0.4)))
    assert is_one_path(stretches((0.005, 1.0), (0.0065, -0.4)))
    assert is_one_path(stretches((0.005, 1.0), (0.020, 0.5)))


@pytest.mark.parametrize("polarity", [1, -1])
def test_what_a_track_repeats_by_itself_is_a_note_and_no_wall(polarity):
    found = stretches((0.005, polarity), (0.007, 0.4 * polarity))
    assert is_one_path(replace(found, repeats=(1.0, 0.2)))
    assert not is_one_path(replace(found, repeats=(1.0, 0.1)))
    assert not is_one_path(replace(found, repeats=(1.0, -0.2)))


def test_a_note_repeats_itself_and_a_wall_does_not(rng):
    """A string that rings comes again every 128 samples; the wall's 80 are no period of it."""
    sound = signal.lfilter([1.0], [1.0, *np.zeros(127), -0.7], rng.normal(size=4 * RATE))
    late = np.roll(sound, 100) + 0.5 * np.roll(sound, 180)
    near, far = (Track.from_array("", x, RATE) for x in (sound, late))
    gate = stretches_gate(listen(near).envelope, near.frames, RATE, length_s=0.17, most=100)
    found = stretch_evidence(near, far, gate, reach_s=0.05, centre_s=0.0)
    pairs = zip(found.peaks, found.repeats, strict=True)
    told = {round((peak.lag_s - found.best.lag_s) * RATE): repeat for peak, repeat in pairs}
    assert told[0] == pytest.approx(1.0, abs=0.01)  # the peaks are told to a quarter of a sample
    assert max(told.get(lag, 0.0) for lag in (128, -128)) > 0.1
    assert abs(told[80]) < 0.1


@pytest.mark.parametrize(("direct", "told"), [(0.8, 100), (0.75, 100), (0.6, 132)])
def test_a_close_mics_strokes_tell_the_direct_sound_before_a_stronger_reflection(direct, told):
    """Strokes in a dry take: at 16 kHz the reflection comes 2 ms after the direct sound."""
    rng = np.random.default_rng(4)
    close, far = np.zeros(4 * RATE), np.zeros(4 * RATE)
    for start in range(RATE // 4, 4 * RATE - 4000, RATE // 4):
        stroke = rng.normal(size=1600) * np.exp(-np.arange(1600) / 200.0)
        close[start : start + 1600] += stroke
        for late, gain in ((100, direct), (132, 1.0)):
            far[start + late : start + late + 1600] += 0.3 * gain * stroke
    near, farther = (Track.from_array("", sound + 1e-3 * rng.normal(size=len(sound)), RATE) for sound in (close, far))
    assert measure_pair(near, farther, close="reference").delay_s * RATE == pytest.approx(told, abs=0.5)
