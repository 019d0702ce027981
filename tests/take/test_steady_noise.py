"""Hiss under sound that never pauses is named; cymbals, wires, brushes and guitars are no hiss."""

from __future__ import annotations

import numpy as np
import pytest
from faulty_takes import level, shaped_noise

from micalign.take.levels import measure_levels
from micalign.take.tracks import Track

RATE = 48_000
SECONDS = 20
FRAMES = RATE * SECONDS
NOISE = {"hiss", "rumble", "noise"}


def read(sound):
    return measure_levels([Track.from_array("track", sound, RATE)])[0]


def named(sound):
    return {remark.rule: remark.severity for remark in read(sound).remarks if remark.rule in NOISE}


def envelope(rng, every_s, decay_s, unlike_db=1.5):
    """Strokes at uneven times and levels, whose powers add."""
    out, at = np.zeros(FRAMES), 0.0
    while at < SECONDS:
        start = round(at * RATE)
        seconds = np.arange(FRAMES - start) / RATE
        out[start:] += (level(rng.normal(0.0, unlike_db)) * np.exp(-seconds / decay_s)) ** 2
        at += every_s * rng.normal(1.0, 0.03)
    return np.sqrt(out)


def noise(rng, low, high):
    whole = shaped_noise(rng, low, high, 1.0)
    return np.concatenate([whole] * (FRAMES // len(whole) + 1))[:FRAMES]


def cymbals(rng, every_s, decay_s):
    bands = ((300.0, 2000.0, 1.2), (2000.0, 5000.0, 1.0), (5000.0, 9000.0, 0.7), (9000.0, 18_000.0, 0.45))
    return 0.02 * sum(
        noise(rng, low, high) * envelope(np.random.default_rng(1), every_s, decay_s * share)
        for low, high, share in bands
    )


def guitar(rng, *, held):
    seconds = np.arange(FRAMES) / RATE
    strings = sum(
        np.sin(2 * np.pi * 110.0 * ratio * k * seconds + rng.uniform(0, 6)) / k
        for ratio in (1.0, 1.498, 2.0)
        for k in range(1, 14)
    )
    return 0.2 * np.tanh(30.0 * strings * (1.0 if held else np.exp(-(seconds % 2.0))))


def swept(rng, hz):
    """A sound that swells and fades, at a speed and by a depth that wander."""
    places = np.arange(0.0, SECONDS + 1.0, 0.5)
    wander = np.interp(np.arange(FRAMES) / RATE, places, rng.normal(size=len(places)))
    phase = 2 * np.pi * np.cumsum(hz * (1.0 + 0.15 * wander)) / RATE
    return level(1.5 * wander) * (0.6 + 0.35 * np.sin(phase))


def wires(rng):
    seconds = np.arange(FRAMES) / RATE
    tone = envelope(rng, 0.5, 0.3) * np.sin(2 * np.pi * 55.0 * seconds)
    return 0.05 * noise(rng, 1500.0, 9000.0) * np.abs(tone) + 0.1 * tone


CLEAN = {
    "crash struck every second": lambda rng: cymbals(rng, 1.0, 3.0),
    "crash struck twice a second": lambda rng: cymbals(rng, 0.5, 5.0),
    "ride": lambda rng: cymbals(rng, 0.25, 1.0),
    "brushes": lambda rng: 0.02 * noise(rng, 800.0, 9000.0) * swept(rng, 1.5),
    "snare wires": wires,
    "a distorted guitar": lambda rng: guitar(rng, held=False),
    "a distorted guitar held on": lambda rng: guitar(rng, held=True),
}


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", CLEAN)
def test_steady_playing_is_no_hiss(name, seed):
    rng = np.random.default_rng(seed)
    assert named(CLEAN[name](rng) + level(-100.0) * rng.normal(size=FRAMES)) == {}


@pytest.mark.parametrize(
    ("chord_hz", "drive", "hiss_dbfs"),
    [((110.0, 160.0, 220.0), 15.0, -55.0), ((110.0, 160.0, 220.0), 30.0, -55.0), ((82.5, 110.0, 165.0), 1.0, -100.0)],
    ids=["steadier than chance", "as dense as noise", "spread by chance"],
)
def test_a_chord_that_repeats_in_every_tenth_of_a_second_is_no_hiss(chord_hz, drive, hiss_dbfs, rng):
    seconds = np.arange(FRAMES) / RATE
    strings = sum(np.sin(2 * np.pi * hz * seconds + rng.uniform(0, 6)) for hz in chord_hz)
    assert named(0.2 * np.tanh(drive * strings) + level(hiss_dbfs) * rng.normal(size=FRAMES)) == {}


@pytest.mark.parametrize("dbfs", [-30.0, -35.0, -40.0, -45.0])
def test_loud_hiss_under_strokes_that_never_pause_is_a_problem(dbfs, rng):
    strokes = 0.3 * envelope(rng, 0.6, 0.08) * noise(rng, 100.0, 12_000.0)
    sound = np.clip(strokes, -0.7, 0.7) + level(dbfs) * rng.normal(size=FRAMES)
    assert named(sound) == {"hiss": "problem"}
    found = read(sound)
    assert not found.floor.is_bound
    assert found.noise_floor_dbfs == pytest.approx(dbfs, abs=1.0)
    assert "hiss" in found.verdict_words


@pytest.mark.parametrize("dbfs", [-35.0, -50.0])
def test_hiss_is_heard_in_the_breaths_of_a_voice(dbfs, rng):
    """Phrases of a second with a breath of 0.3 s, so that no whole second is quiet."""
    seconds = np.arange(FRAMES) / RATE
    phrase = (seconds % 1.3 < 1.0) * swept(rng, 3.0)
    voice = sum(
        np.sin(2 * np.pi * 220.0 * k * seconds + 3.0 * np.sin(2 * np.pi * 5.3 * seconds)) / k for k in range(1, 30)
    )
    assert named(0.15 * phrase * voice + level(dbfs) * rng.normal(size=FRAMES)).keys() == {"hiss"}


def test_faint_hiss_is_called_so_in_verdict_and_text(rng):
    sound = 0.5 * envelope(rng, 3.0, 0.05) * noise(rng, 100.0, 8000.0)
    sound = 0.5 * sound / np.abs(sound).max() + level(-58.0) * rng.normal(size=FRAMES)
    found = read(sound)
    assert found.verdict_words == "good, faint hiss"
    assert [remark.message[:22] for remark in found.remarks] == ["faint broadband hiss a"]


def test_a_click_track_over_digital_silence_has_no_noise_of_a_room():
    """Its clicks are all one sound, and none follows another within a tenth."""
    seconds = np.arange(FRAMES) / RATE % 0.5
    sound = np.where(seconds < 0.018, 0.5 * np.sin(2 * np.pi * 1500.0 * seconds) * np.exp(-seconds / 0.0034), 0.0)
    assert named(np.round(sound * (1 << 15)) / (1 << 15)) == {}
