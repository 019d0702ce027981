"""A simulated take is what its scene says: heard with oracles that share no code with the package."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from micalign.errors import SceneError
from micalign.scene.model import Absorption, Air, Di, Mic, Room, Source
from micalign.scene.scene import Scene
from micalign.simulate.players import LEVEL_DB, note, sound_of
from micalign.simulate.virtual_take import CAB_DELAY_S, PEAK_DBFS, Faults, simulate

RATE = 48000
# 20 C, 50 %: 343.98 m/s by Cramer 1993 (J. Acoust. Soc. Am. 93, 2510); 0.1 m/s is its own claim.
SPEED = 343.98
SOURCE = Source("noise", (1.0, 2.0, 1.0), sound="noise")
MICS = (Mic("near", (1.5, 2.0, 1.0)), Mic("far", (3.2, 2.9, 1.4)))
SCENE = Scene(sources=(SOURCE,), mics=MICS)


def lag_samples(first: np.ndarray, second: np.ndarray) -> tuple[float, int]:
    """How much later the second is, and with which sign: the slope of the cross-spectrum's phase, 300 Hz to 8 kHz."""
    from scipy.signal import correlate, correlation_lags

    values = correlate(second, first)
    lag = int(correlation_lags(len(second), len(first))[np.argmax(np.abs(values))])
    sign = 1 if values[np.argmax(np.abs(values))] > 0 else -1
    moved = np.roll(second, -lag)
    cross = np.conj(np.fft.rfft(first)) * np.fft.rfft(moved) * sign
    frequency = np.fft.rfftfreq(len(first))
    band = (frequency > 300 / RATE) & (frequency < 8000 / RATE)
    weight = np.abs(cross[band])
    slope = np.sum(weight * np.angle(cross[band]) * frequency[band]) / np.sum(weight * frequency[band] ** 2)
    return lag - slope / (2 * np.pi), sign


def test_delays_are_distances_over_the_speed_of_sound():
    """In a free field two mics part by their distances' difference: within 0.05 sample (1 us, 0.4 mm of air)."""
    made = simulate(SCENE, seconds=4.0, snr_db=80.0)
    expected = (np.sqrt(2.2**2 + 0.9**2 + 0.4**2) - 0.5) / SPEED * RATE
    found, sign = lag_samples(made.tracks["near"], made.tracks["far"])
    # The speed's own 0.1 m/s is 0.08 sample on this way of 1.9 m.
    assert found == pytest.approx(expected, abs=0.13)
    assert found == pytest.approx(made.delay_s("noise", "far", "near") * RATE, abs=0.05)
    assert sign == 1


def test_levels_follow_distance_and_the_blends_fader_is_not_recorded():
    """A mic of four times the distance hears 12 dB less, whatever its gain in the blend: readers of a take apply it."""
    scene = replace(SCENE, mics=(Mic("near", (1.5, 2.0, 1.0)), Mic("far", (3.0, 2.0, 1.0), gain_db=6.0206)))
    made = simulate(scene, seconds=3.0, snr_db=80.0)
    rms = {name: np.sqrt(np.mean(samples**2)) for name, samples in made.tracks.items()}
    assert 20 * np.log10(rms["near"] / rms["far"]) == pytest.approx(12.0412, abs=0.02)


def test_the_loudest_track_peaks_at_the_recording_level():
    """-6 dBFS, whatever the distances: nothing clips."""
    made = simulate(replace(SCENE, mics=(Mic("touching", (1.01, 2.0, 1.0)),)), seconds=2.0)
    assert 20 * np.log10(np.abs(made.tracks["touching"]).max()) == pytest.approx(PEAK_DBFS, abs=1e-6)


def test_noise_lies_as_far_below_as_asked():
    """The silence before the first note is 30 dB below the rms of the notes."""
    made = simulate(replace(SCENE, mics=(MICS[0],)), seconds=6.0, snr_db=30.0)
    samples = made.tracks["near"]
    quiet = np.sqrt(np.mean(samples[: int(0.45 * RATE)] ** 2))
    power = np.mean(samples[: len(samples) // 480 * 480].reshape(-1, 480) ** 2, axis=1)
    loud = np.sqrt(np.mean(power[power > 1e-2 * power.max()]))
    assert 20 * np.log10(loud / quiet) == pytest.approx(30.0, abs=0.7)


def test_one_seed_one_take():
    """The same seed gives the same samples; another gives others; the scene stays as it was."""
    before = repr(SCENE)
    first, again, other = (simulate(SCENE, seconds=2.0, seed=seed).tracks["far"] for seed in (3, 3, 4))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)
    assert repr(SCENE) == before


def test_a_di_comes_before_the_air_and_its_cab_a_little_after():
    """DI: its latency alone. Mic: the way, and the cabinet's own delay; both to 1 us in the truth."""
    scene = Scene(
        sources=(Source("guitar cab", (1.0, 1.0, 0.5)),),
        mics=(Mic("mic", (1.0, 1.8, 0.5)),),
        dis=(Di("line", "guitar cab", latency_s=1.5e-3),),
    )
    made = simulate(scene, seconds=4.0, snr_db=70.0)
    arrivals = {truth.track: truth.arrival_s for truth in made.truths}
    assert arrivals["line"] == pytest.approx(1.5e-3, abs=1e-9)
    assert arrivals["mic"] == pytest.approx(0.8 / SPEED + CAB_DELAY_S, abs=1e-6)
    found, sign = lag_samples(made.tracks["line"], made.tracks["mic"])
    # The cabinet colours the sound without delay; 0.2 sample is what the noise and the colour leave.
    assert found == pytest.approx((arrivals["mic"] - arrivals["line"]) * RATE, abs=0.2)
    assert sign == 1


def test_planted_faults_are_in_the_samples_and_in_the_truth():
    """Late by 64 samples, inverted and swapped: each is heard, and the truth says so."""
    plain = simulate(SCENE, seconds=3.0, snr_db=80.0)
    late = simulate(SCENE, seconds=3.0, snr_db=80.0, faults=Faults(late_s={"far": 64 / RATE}))
    assert lag_samples(plain.tracks["far"], late.tracks["far"])[0] == pytest.approx(64.0, abs=0.02)
    assert late.delay_s("noise", "far", "near") - plain.delay_s("noise", "far", "near") == pytest.approx(64 / RATE)
    flipped = simulate(SCENE, seconds=3.0, snr_db=80.0, faults=Faults(flipped=("far",)))
    assert lag_samples(flipped.tracks["near"], flipped.tracks["far"])[1] == -1
    assert [truth.polarity for truth in flipped.truths] == [1, -1]
    swapped = simulate(SCENE, seconds=3.0, faults=Faults(swapped=(("near", "far"),)))
    assert np.array_equal(swapped.tracks["near"], simulate(SCENE, seconds=3.0).tracks["far"])
    assert swapped.delay_s("noise", "far", "near") == pytest.approx(-plain.delay_s("noise", "far", "near"))


def test_a_moved_mic_and_warm_air_change_the_truth_only():
    """The take is of the true scene; 10 C more is 1.7 % less delay (c goes with the root of the temperature)."""
    moved = simulate(SCENE, seconds=2.0, faults=Faults(moved={"far": (2.0, 2.0, 1.0)}))
    assert moved.delay_s("noise", "far", "near") == pytest.approx(0.5 / SPEED, abs=1e-6)
    warm = simulate(replace(SCENE, air=Air(temperature_c=20.0)), seconds=2.0, faults=Faults(temperature_c=30.0))
    cold = simulate(SCENE, seconds=2.0)
    ratio = warm.delay_s("noise", "far", "near") / cold.delay_s("noise", "far", "near")
    assert ratio == pytest.approx(np.sqrt(293.15 / 303.15), abs=2e-3)


def test_reflections_of_a_room_are_in_the_take():
    """A hard floor adds its echo: the autocorrelation peaks at the way's difference, 2 h for a mic above a source."""
    room = Room((30.0, 30.0, 20.0), Absorption(floor=0.0, ceiling=1.0, front=1.0, back=1.0, left=1.0, right=1.0))
    scene = Scene(room=room, sources=(Source("noise", (15.0, 15.0, 2.0)),), mics=(Mic("m", (15.0, 15.0, 4.0)),))
    samples = simulate(scene, seconds=4.0, snr_db=80.0).tracks["m"]
    spectrum = np.abs(np.fft.rfft(samples, 2 * len(samples))) ** 2
    values = np.fft.irfft(spectrum)[:2000]
    lag = 300 + int(np.argmax(values[300:]))
    assert lag == pytest.approx(4.0 / SPEED * RATE, abs=1.0)
    assert values[lag] / values[0] == pytest.approx((1 / 6) / (1 / 2) / (1 + 1 / 9), abs=0.03)


def test_each_source_plays_by_itself_first():
    """The first notes of the sources come one after the other, in the scene's order."""
    sources = tuple(Source(name, (1.0 + i, 1.0, 1.0)) for i, name in enumerate(("kick", "snare", "hi-hat")))
    made = simulate(Scene(sources=sources, mics=(Mic("m", (2.0, 2.0, 1.5)),)), seconds=9.0)
    firsts = [made.moments_s[name][0] for name in ("kick", "snare", "hi-hat")]
    assert firsts == sorted(firsts)
    assert firsts[1] - firsts[0] > 1.0


@pytest.mark.parametrize("sound", LEVEL_DB)
def test_every_sound_is_finite_band_limited_and_ends(sound: str):
    """Peak 1, less than a thousandth of its power above 21 kHz, silent at its end."""
    made = note(sound, RATE, np.random.default_rng(2))
    spectrum = np.abs(np.fft.rfft(made)) ** 2
    high = np.fft.rfftfreq(len(made), 1 / RATE) > 21000
    assert np.isfinite(made).all()
    assert np.abs(made).max() == pytest.approx(1.0)
    assert spectrum[high].sum() < 1e-3 * spectrum.sum()
    assert abs(made[-1]) < 1e-9


def test_the_sound_of_a_source_may_be_asked_for_or_guessed():
    """``sound`` wins over the name; the name is read as people write it."""
    guesses = {"Bass Drum": "kick", "Snare top": "snare", "OH": "clap", "vocal": "voice", "acoustic guitar": "guitar"}
    assert {name: sound_of(name) for name in guesses} == guesses
    assert sound_of("kick", "voice") == "voice"


@pytest.mark.parametrize(
    ("scene", "options", "words"),
    [
        (Scene(mics=MICS), {}, "no source"),
        (Scene(sources=(SOURCE,)), {}, "no mic and no DI"),
        (SCENE, {"seconds": 0.1}, "0.5 s to 3600 s"),
        (SCENE, {"sample_rate": 100}, "8000 Hz to 192000 Hz"),
        (SCENE, {"faults": Faults(flipped=("nobody",))}, "'nobody'"),
        (Scene(sources=(Source("s"),), mics=MICS), {}, "no full position"),
    ],
)
def test_what_cannot_be_played_is_refused_in_words(scene: Scene, options: dict, words: str):
    """Each refusal says what is missing."""
    with pytest.raises(SceneError, match=words):
        simulate(scene, **options)
