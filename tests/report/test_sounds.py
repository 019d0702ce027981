from __future__ import annotations

import io

import numpy as np
import pytest

from micalign.report.sounds import RATE, TARGET_LUFS, lesson_sounds, noise, swept, wav_bytes, with_copy

SOUNDS = {sound.name: sound for sound in lesson_sounds(own_delay_s=0.00189, own_level_db=10.0)}


def transfer(dry: np.ndarray, both: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Averaged |cross spectrum / power| over overlapping windows: an estimate that shares nothing with the makers."""
    from scipy.signal import csd, welch

    count = min(len(dry), len(both))
    settings = {"fs": RATE, "nperseg": 1 << 14, "noverlap": 1 << 13}
    hertz, power = welch(dry[:count], **settings)
    _, cross = csd(dry[:count], both[:count], **settings)
    return hertz, np.abs(cross) / power


def read(name: str) -> np.ndarray:
    """A sound as a browser gets it: out of its WAV file."""
    import soundfile

    samples, rate = soundfile.read(io.BytesIO(wav_bytes(SOUNDS[name].samples)))
    assert rate == RATE
    return samples


@pytest.mark.parametrize(
    "name", ["noise-0.5ms", "noise-1ms", "noise-5ms", "noise-1ms-6db", "noise-1ms-flipped", "noise-own"]
)
def test_the_noise_pair_has_its_notches_where_the_page_says(name: str) -> None:
    sound = SOUNDS[name]
    assert sound.delay_s is not None
    hertz, gain = transfer(read("noise-dry"), read(name))
    first = 1.0 if sound.polarity < 0 else 0.5
    for notch in (first + np.arange(4)) / sound.delay_s:
        near = np.abs(hertz - notch) < 0.25 / sound.delay_s
        # A parabola through the lowest bins: the bins are 2.9 Hz apart, 1 % of the lowest notch is 1 Hz.
        low = int(np.flatnonzero(near)[np.argmin(gain[near])])
        part = slice(low - 3, low + 4)
        a, b, _ = np.polyfit(hertz[part] - notch, gain[part] ** 2, 2)
        assert -b / (2 * a) == pytest.approx(0.0, abs=0.01 * notch)


@pytest.mark.parametrize(("name", "depth_db"), [("noise-1ms-6db", -6.04), ("noise-1ms-9.5db", -3.52)])
def test_weaker_copies_make_shallower_notches(name: str, depth_db: float) -> None:
    hertz, gain = transfer(SOUNDS["noise-dry"].samples, SOUNDS[name].samples)
    notch, peak = (gain[np.argmin(np.abs(hertz - at))] for at in (1500.0, 2000.0))
    # Against the stronger alone the comb spans depth to 20 log10(2 - 10^(depth / 20)).
    span_db = 20 * np.log10(2 - 10 ** (depth_db / 20)) - depth_db
    # 0.3 dB: three seconds of noise in 35 windows.
    assert 20 * np.log10(peak / notch) == pytest.approx(span_db, abs=0.3)


def test_all_of_a_kind_are_equally_loud_and_no_peak_is_high() -> None:
    for kind in ("noise", "click", "string"):
        family = [sound for sound in SOUNDS.values() if sound.kind == kind]
        assert np.ptp([sound.loudness_lufs for sound in family]) < 1e-6
        assert max(np.max(np.abs(sound.samples)) for sound in family) <= 0.7 + 1e-9
    assert SOUNDS["noise-dry"].loudness_lufs == pytest.approx(TARGET_LUFS)
    assert SOUNDS["string-dry"].loudness_lufs == pytest.approx(TARGET_LUFS)
    assert SOUNDS["click-dry"].loudness_lufs < TARGET_LUFS


def test_the_same_sounds_are_made_every_time() -> None:
    assert np.array_equal(noise(0.5), noise(0.5))
    assert wav_bytes(noise(0.1)) == wav_bytes(noise(0.1))


@pytest.mark.parametrize("delay_samples", [24.0, 90.72, 0.31])
def test_a_copy_between_samples_is_late_by_exactly_that(delay_samples: float) -> None:
    time = np.arange(RATE) / RATE
    envelope = np.exp(-(((time - 0.5) / 0.05) ** 2))
    sound = envelope * np.sin(2 * np.pi * 3000 * time)
    copy = with_copy(sound, delay_samples / RATE)[: len(sound)] - sound
    late = time - delay_samples / RATE
    assert np.allclose(copy, np.exp(-(((late - 0.5) / 0.05) ** 2)) * np.sin(2 * np.pi * 3000 * late), atol=1e-9)


def test_the_sweep_ends_with_the_longest_delay_and_keeps_the_treble() -> None:
    # At 15 kHz the copy of a tone is as strong as the tone wherever the delay stands.
    time = np.arange(2 * RATE) / RATE
    copy = swept(np.sin(2 * np.pi * 15000 * time)) - np.sin(2 * np.pi * 15000 * time)
    late = time - np.linspace(0, 0.005, len(time))
    inside = slice(1000, -1000)
    # -60 dB: the kernel has 32 taps.
    assert np.max(np.abs(copy - np.sin(2 * np.pi * 15000 * late))[inside]) < 1e-3


def test_a_wav_file_holds_the_samples_to_a_step_and_is_held_at_full_scale() -> None:
    import soundfile

    sound = np.array([0.0, 0.5, -0.25, 1.5, -1.5])
    samples, _ = soundfile.read(io.BytesIO(wav_bytes(sound, sample_rate=44100)))
    # Triangular dither reaches one step on either side, rounding half a one.
    assert np.allclose(samples[:3], sound[:3], atol=2.5 / 32768)
    assert samples[3] == pytest.approx(1.0, abs=1e-4)
    assert samples[4] == -1.0
