"""Clipping: what is cut is found wherever its flat lies, and what only touches the rail is not."""

from __future__ import annotations

import numpy as np
import pytest
from clip_runs import clipping_of
from hypothesis import given
from hypothesis import strategies as st

from micalign.take.levels import measure_levels
from micalign.take.meters import ClipMeter
from micalign.take.tracks import Track

RATE = 48_000


def clipping(sound):
    return clipping_of(sound, RATE)


def sine(hz, peak=1.0, seconds=1.0):
    return peak * np.sin(2 * np.pi * hz * np.arange(int(RATE * seconds)) / RATE)


def stored(sound, bits):
    """As an integer file holds it: rounded, and cut at +2^(n-1) - 1."""
    scale = 2.0 ** (bits - 1)
    return np.clip(np.round(sound * scale), -scale, scale - 1) / scale


@pytest.mark.parametrize("bits", [8, 16, 24])
@pytest.mark.parametrize("hz", [20, 30, 50, 100, 440, 1000, 5000, 12000])
@pytest.mark.parametrize("peak", [1.0, 0.3, 0.1])
def test_a_sine_that_touches_its_own_top_is_no_clip(bits, hz, peak):
    assert clipping(stored(sine(hz, peak), bits)).runs == 0


@pytest.mark.parametrize("hz", [30, 100, 440, 997])
@pytest.mark.parametrize("bits", [16, 24])
def test_a_sine_cut_at_full_scale_is_found_on_both_rails(hz, bits):
    found = clipping(stored(sine(hz, 1.5), bits))
    assert found.runs == pytest.approx(2 * hz, abs=2)
    assert found.upper == 1.0 - 2.0 ** (1 - bits)
    assert found.lower == 1.0
    assert found.at_full_scale


def test_the_upper_rail_of_16_bit_alone_is_found():
    found = clipping(stored(sine(200, 0.7) + 0.45, 16))
    assert found.runs == 200
    assert found.lower is None
    assert found.at_full_scale


def test_a_flat_below_full_scale_is_found_and_told_apart():
    found = clipping(0.4 * np.clip(sine(200, 1.5), -1.0, 1.0))
    assert found.runs == 400
    assert found.upper == pytest.approx(0.4)
    assert not found.at_full_scale


def test_a_flat_under_the_noise_of_a_converter_is_found(rng):
    sound = 0.5 * np.clip(sine(200, 1.4), -1.0, 1.0) + 1e-5 * rng.normal(size=RATE)  # -100 dBFS
    assert clipping(sound).runs >= 390


def test_samples_runs_longest_and_places_are_those_put_in():
    sound = 0.2 * np.sin(np.arange(RATE) * 0.05)
    for start, length in ((1000, 3), (9000, 7), (20_000, 4), (30_000, 2)):
        sound[start : start + length] = 1.0
    found = clipping(sound)
    assert (found.samples, found.runs, found.longest_run) == (14, 3, 7)  # two samples are no run
    assert found.first_s == (1000 / RATE, 9000 / RATE, 20_000 / RATE)


@given(cuts=st.lists(st.integers(1, 4799), max_size=6))
def test_whole_or_in_blocks_the_clipping_is_one(cuts):
    sound = np.clip(sine(440, 1.5, 0.1), -1.0, 1.0)
    meter = ClipMeter(RATE)
    for block in np.split(sound, sorted(set(cuts))):
        meter.feed(block, float(block.max()), float(block.min()))
    assert meter.finish() == clipping(sound)


def test_a_run_over_a_whole_block_is_one_run():
    sound = np.clip(sine(1, 3.0), -1.0, 1.0)
    meter = ClipMeter(RATE)
    for block in sound.reshape(-1, 100):
        meter.feed(block, float(block.max()), float(block.min()))
    assert meter.finish().runs == 2


def test_a_flat_below_a_later_higher_peak_is_no_extreme():
    sound = np.concatenate((np.clip(sine(200, 0.6), -0.4, 0.4), sine(200, 0.9)))
    meter = ClipMeter(RATE)
    for block in sound.reshape(-1, 4800):
        meter.feed(block, float(block.max()), float(block.min()))
    assert meter.finish().runs == clipping(sound).runs == 0


@pytest.mark.parametrize("sound", [np.zeros(4800), np.full(4800, 0.5), np.linspace(-1, 1, 4800), [], [1.0]])
def test_silence_a_constant_and_a_ramp_are_no_clip(sound):
    assert clipping(sound).runs == 0


def test_noise_alone_is_no_clip(rng):
    for bits in (16, 24):
        assert clipping(stored(0.1 * rng.normal(size=10 * RATE), bits)).runs == 0
        assert clipping(stored(4e-5 * rng.normal(size=10 * RATE), bits)).runs == 0


def test_a_square_wave_is_told_as_one():
    square = np.sign(np.sin(2 * np.pi * 110.3 * np.arange(3 * RATE) / RATE) + 1e-9)
    told = measure_levels([Track.from_array("synth", square, RATE)])[0].remarks[0]
    assert told.rule == "clipped"
    assert "square-like synth wave" in told.message
    cut = measure_levels([Track.from_array("cut", np.clip(sine(110.3, 1.5, 3), -1, 1), RATE)])[0].remarks[0]
    assert "square" not in cut.message


def test_floats_beyond_full_scale_are_counted_and_no_clip():
    found = measure_levels([Track.from_array("float", sine(440, 1.3), RATE)])[0]
    assert found.verdict == "hot"
    assert found.over == int(np.sum(np.abs(sine(440, 1.3)) > 1.0))
    assert {remark.rule for remark in found.remarks} == {"over", "hot"}


def test_bright_noise_cut_at_full_scale_is_found_in_single_samples():
    """White noise whose peaks would reach 1.5 times full scale: a heap at the extreme, though hardly a run."""
    noise = np.random.default_rng(24).normal(0.0, 0.33, RATE)
    beyond = int(np.count_nonzero(np.abs(noise) >= 1.0))
    found = clipping(stored(noise, 16))
    assert found.is_cut
    assert found.heap == pytest.approx(beyond, rel=0.1)
    assert found.samples >= found.heap
    assert found.at_full_scale
    assert found.first_s


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("seed", range(6))
def test_noise_that_just_reaches_full_scale_is_no_clip(bits, seed):
    """Of the same noise, turned down until its largest sample is full scale, nothing is cut."""
    noise = np.random.default_rng(seed).normal(0.0, 1.0, RATE)
    assert not clipping(stored(noise / np.max(np.abs(noise)), bits)).is_cut


@pytest.mark.parametrize("phase", [0.0, 0.25, 1.0])
@pytest.mark.parametrize(
    "hz", [*(RATE / n for n in (3, 4, 5, 6, 7, 8, 12, 16, 25, 48, 100)), 997, 1000.5, 4001, 12345, 19_000.1]
)
def test_a_tone_in_step_with_its_rate_is_no_heap(hz, phase):
    """All its tops are alike, in step with the samples, and nothing is missing above them."""
    tone = np.sin(2 * np.pi * hz * np.arange(RATE) / RATE + phase)
    assert not clipping(stored(tone / np.max(np.abs(tone)), 16)).is_cut


def test_a_heap_is_told_and_the_verdict_is_clipped():
    """Noise cut at full scale: not 'hot' but 'clipped', with how many samples."""
    noise = np.random.default_rng(5).normal(0.0, 0.3, 2 * RATE)
    [levels] = measure_levels([Track.from_array("hat", stored(noise, 24), RATE)])
    assert levels.verdict == "clipped"
    assert "single samples at the extreme" in levels.remarks[0].message
