"""Hum and noise: levels that were put in come back, and a bass note is no hum."""

from __future__ import annotations

import numpy as np
import pytest
from faulty_takes import FRAMES, RATE, bass, clean_take, hum, kick, level, room_noise, shaped_noise

from micalign.take.levels import measure_levels
from micalign.take.noise import noise_floor
from micalign.take.tracks import Track

MATTERS_DB = 1.0  # of a hum's level
FLOOR_DB = 1.5


def read(sound, rate=RATE):
    return measure_levels([Track.from_array("track", sound, rate)])[0]


def rms_db(sound) -> float:
    return 10.0 * np.log10(np.mean(np.square(sound)))


@pytest.mark.parametrize("mains", [49.6, 49.9, 50.0, 50.07, 50.4, 59.5, 59.95, 60.0, 60.06, 60.5])
@pytest.mark.parametrize("dbfs", [-40.0, -55.0, -70.0])
def test_hum_is_named_and_its_level_found(mains, dbfs):
    rng = np.random.default_rng(round(mains * 100))
    found = read(0.3 * kick(rng) + room_noise(rng) + hum(rng, mains, dbfs)).hum
    assert found is not None
    assert found.mains_hz == round(mains / 10) * 10
    assert found.dbfs == pytest.approx(dbfs, abs=MATTERS_DB)
    assert [round(line.hz / mains) for line in found.lines][:3] == [1, 2, 3]


def test_the_level_of_each_harmonic_is_found(rng):
    t = np.arange(FRAMES) / RATE
    sizes = {50: -60.0, 100: -52.0, 150: -66.0, 250: -70.0}
    wave = sum(level(dbfs) * np.sqrt(2) * np.sin(2 * np.pi * hz * t + hz) for hz, dbfs in sizes.items())
    found = read(0.3 * kick(rng) + room_noise(rng) + wave).hum
    assert {round(line.hz): pytest.approx(line.dbfs, abs=MATTERS_DB) for line in found.lines} == sizes


@pytest.mark.parametrize("hz", [49.0, 58.27, 61.74, 51.91, 98.0, 116.54, 123.47])
@pytest.mark.parametrize("seed", range(2))
def test_a_bass_that_plays_notes_near_the_mains_is_no_hum(hz, seed):
    rng = np.random.default_rng(seed)
    assert read(0.3 * bass(rng, (hz,)) + room_noise(rng)).hum is None


@pytest.mark.parametrize("hz", [49.0, 58.27, 61.74])
def test_not_even_a_note_held_all_through_is_hum(hz, rng):
    t = np.arange(FRAMES) / RATE
    drone = sum(0.1 / k * np.sin(2 * np.pi * k * hz * t) for k in range(1, 8))
    assert read(drone + room_noise(rng)).hum is None


def test_a_note_on_the_mains_frequency_that_comes_and_goes_is_no_hum(rng):
    assert read(0.3 * bass(rng, (50.0,)) + room_noise(rng)).hum is None


def test_a_note_on_the_mains_frequency_held_in_the_pauses_alone_is_no_hum(rng):
    t = np.arange(FRAMES) / RATE
    pause = (t < 2.5) | (t > 7.0)
    melody = 0.2 * np.sin(2 * np.pi * 330.0 * t) * ~pause
    assert read(melody + level(-50.0) * np.sin(2 * np.pi * 50.0 * t) * pause + room_noise(rng)).hum is None


def _rung(rng, hz, decay_s):
    """Strokes a second apart that ring on at one frequency, over faint noise."""
    t = np.arange(FRAMES) / RATE
    ring = 0.3 * np.exp(-(t % 1.0) / decay_s) * np.sin(2 * np.pi * hz * t)
    return ring + level(-80.0) * rng.normal(size=FRAMES)


def test_a_drum_that_rings_on_a_harmonic_is_louder_than_the_floor_and_no_hum(rng):
    """As a tom tuned to 100 Hz in a march: it rings in every second, and is gone in the quietest tenths."""
    found = read(_rung(rng, 100.0, 0.08))
    assert found.noise_floor_dbfs < -70.0
    assert found.hum is None


def test_a_cymbal_that_never_stops_ringing_beside_the_mains_is_no_hum(rng):
    """One line alone, 1 in 200 beside where mains are: as a ride's at 99.5 Hz, of which the floor is made."""
    assert read(_rung(rng, 99.5, 30.0)).hum is None
    assert read(_rung(rng, 100.0, 1e9)).hum is not None


@pytest.mark.parametrize("seed", range(12))
def test_noise_alone_shows_no_hum(seed):
    rng = np.random.default_rng(seed)
    shaped = shaped_noise(rng, 18.0, 90.0, 0.01) if seed % 2 else 0.01 * rng.normal(size=FRAMES)
    assert read(shaped[: (2 + seed // 2) * RATE]).hum is None


@pytest.mark.parametrize("dbfs", [-45.0, -60.0, -75.0, -90.0])
@pytest.mark.parametrize("kind", ["white", "low", "rest"])
def test_the_floor_is_that_of_the_noise_not_of_the_music(dbfs, kind):
    rng = np.random.default_rng(3)
    bands = {"white": (0.0, 24_000.0), "low": (18.0, 90.0), "rest": (100.0, 4000.0)}
    noise = shaped_noise(rng, *bands[kind], level(dbfs))
    assert read(0.5 * kick(rng) + noise).noise_floor_dbfs == pytest.approx(dbfs, abs=FLOOR_DB)


def test_the_floor_is_found_at_other_rates(rng):
    for rate in (8000, 22_050, 44_100, 96_000):
        noise = level(-60.0) * rng.normal(size=4 * rate)
        sound = noise.copy()
        sound[2 * rate : 2 * rate + rate // 2] += 0.3 * rng.normal(size=rate // 2)
        assert read(sound, rate).noise_floor_dbfs == pytest.approx(-60.0, abs=FLOOR_DB)


def test_one_pause_of_a_second_and_a_half_shows_the_floor(rng):
    sound = 0.1 * rng.normal(size=FRAMES)
    sound[4 * RATE : 4 * RATE + RATE * 3 // 2] *= 0.0
    found = read(sound + level(-60.0) * rng.normal(size=FRAMES))
    assert found.noise_floor_dbfs == pytest.approx(-60.0, abs=FLOOR_DB)


def test_muted_parts_are_no_floor(rng):
    sound = 0.5 * kick(rng) + level(-60.0) * rng.normal(size=FRAMES)
    sound[: RATE // 2 * 3] = 0.0
    assert read(sound).noise_floor_dbfs == pytest.approx(-60.0, abs=FLOOR_DB)


def test_gated_pauses_leave_a_bound_that_holds(rng):
    """A gate that mutes every pause leaves no noise to read: the floor told is a number, never below the true one."""
    seconds = np.arange(FRAMES) / RATE
    sound = 0.3 * np.exp(-(seconds % 1.0) / 0.08) * rng.normal(size=FRAMES) + level(-70.0) * rng.normal(size=FRAMES)
    found = read(np.where(seconds % 1.0 < 0.45, sound, 0.0))
    assert found.floor.is_bound
    assert np.isfinite(found.noise_floor_dbfs)
    assert found.noise_floor_dbfs >= -70.0 - FLOOR_DB
    assert not [remark for remark in found.remarks if remark.rule == "noise"]


def test_a_room_that_rings_from_hit_to_hit_has_no_noise_to_be_warned_of(rng):
    """A tenth of quiet, then tails of 26 dB in half a second: what remains between hits is no noise."""
    seconds = np.arange(FRAMES) / RATE
    tail = 0.3 * np.exp(-(seconds % 0.5) / 0.17) * rng.normal(size=FRAMES)
    found = read(np.where(seconds < 0.1, 0.0, tail) + level(-80.0) * rng.normal(size=FRAMES))
    assert found.floor.is_bound
    assert found.noise_floor_dbfs >= -80.0 - FLOOR_DB
    assert not [remark for remark in found.remarks if remark.rule == "noise"]


def _in_tenths(decibels):
    return 10.0 ** (np.asarray(decibels) / 10.0)


def test_what_rings_through_a_pause_is_no_noise():
    """A tom of a real kit's groove, in tenths: 0.3 s before its first stroke, and one rest that it rings through."""
    strokes = np.tile([-22.0, -28.0, -33.0, -35.0], 58)
    rest = [-47.0, -47.0, -46.0, -45.0, -45.0, -45.0, -46.0, -48.0, -49.0, -51.0]
    tom = _in_tenths([-80.0, -80.0, -80.0, *strokes[:60], *rest, *strokes[60:]])
    assert noise_floor(tom).is_bound
    assert not noise_floor(tom[3:]).is_bound  # nothing tells such a rest from noise where it is never quieter


@pytest.mark.parametrize("seed", range(3))
def test_rumble_has_a_floor_however_uneven_it_is(seed):
    """Noise of 10 to 25 Hz for two minutes varies by more than 8 dB from tenth to tenth, with a hit every 3 s."""
    rng, rate, frames = np.random.default_rng(seed), 1000, 120_000
    spectrum = np.zeros(frames // 2 + 1, complex)
    inside = slice(10 * frames // rate, 25 * frames // rate)
    spectrum[inside] = rng.normal(size=(2, len(spectrum[inside]))).T @ (1, 1j)
    low = np.fft.irfft(spectrum, frames)
    tenths = (low.reshape(-1, rate // 10) ** 2).mean(axis=1) / np.mean(low**2) * _in_tenths(-45.0)
    assert tenths.min() < _in_tenths(-53.0)
    since = np.arange(len(tenths)) % 30
    floor = noise_floor(tenths + np.where(since < 12, 0.02 * np.exp(-since / 2.0), 0.0))
    assert not floor.is_bound


def test_a_track_that_never_pauses_says_that_its_floor_is_a_bound(rng):
    assert read(0.3 * rng.normal(size=FRAMES)).floor.is_bound
    assert not read(clean_take(0)["kick"]).floor.is_bound


def test_rumble_hiss_and_hum_are_told_apart_with_their_levels(rng):
    sound = 0.3 * kick(rng) + room_noise(rng)
    rumble = read(sound + shaped_noise(rng, 18.0, 90.0, level(-50.0))).noise
    hiss = read(sound + shaped_noise(rng, 20.0, 24_000.0, level(-50.0))).noise
    hummed = read(sound + hum(rng, 50.0, -50.0)).noise
    assert (rumble.kind, hiss.kind, hummed.kind) == ("rumble", "hiss", "hum")
    assert 10 * np.log10(rumble.rumble) == pytest.approx(-50.0, abs=FLOOR_DB)
    assert 10 * np.log10(hiss.hiss) == pytest.approx(-50.0, abs=FLOOR_DB)
    assert read(sound).noise.kind == "room"


def test_rms_crest_and_offset_are_those_of_the_samples(rng):
    sound = 0.1 * rng.normal(size=FRAMES + 1234) + 0.013
    found = read(sound)
    assert found.rms_dbfs == pytest.approx(rms_db(sound), abs=1e-9)
    assert found.crest_db == pytest.approx(20 * np.log10(np.abs(sound).max()) - rms_db(sound), abs=1e-9)
    assert found.offset == pytest.approx(0.013, abs=5e-4)  # a tenth of a second of this noise is steady to 0.0014
    assert found.peak == np.abs(sound).max()


def test_mains_advice_never_lifts_an_earth(rng):
    found = read(0.3 * kick(rng) + room_noise(rng) + hum(rng, 50.0, -45.0))
    (told,) = [remark for remark in found.remarks if remark.rule == "hum"]
    assert told.severity == "problem"
    assert "Never lift or cut a protective earth" in told.caution
    assert "licensed electrician" in told.caution


def test_a_plain_tone_of_the_mains_under_a_voice_is_one_line():
    """Where all else pauses for a second, the window's own edge and the rounding of the file are no harmonics."""
    seconds = np.arange(FRAMES) / RATE
    voice = sum(np.sin(2 * np.pi * 150.0 * k * seconds + 3.0 * np.sin(2 * np.pi * 5.3 * seconds)) for k in range(1, 20))
    wave = 0.02 * voice * (seconds > 2.0) + level(-45.0) * np.sin(2 * np.pi * 50.0 * seconds)
    found = read(np.round(wave * 2.0**23) / 2.0**23).hum
    assert [round(line.hz) for line in found.lines] == [50]
