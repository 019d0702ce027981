"""Dropouts, tracks that die and clicks of one sample are told; gates, edits and strokes are not taken for them."""

from __future__ import annotations

import numpy as np
import pytest
from faulty_takes import RATE, clean_take

from micalign.take.digital_faults import ClickMeter, GapMeter
from micalign.take.levels import measure_levels
from micalign.take.tracks import Track


def read(sound, rate=RATE):
    return measure_levels([Track.from_array("track", sound, rate)])[0]


def rules(found):
    return {remark.rule for remark in found.remarks}


@pytest.fixture
def sound(rng):
    """Ten seconds of tones that ring on, with a peak of 0.5."""
    seconds = np.arange(10 * RATE) / RATE
    tones = sum(np.sin(2 * np.pi * hz * seconds + rng.uniform(0, 6)) for hz in rng.uniform(80, 2500, 12))
    one = tones * (0.001 + np.exp(-(seconds % 0.7) / 0.08)) + 1e-4 * rng.normal(size=len(seconds))
    return 0.5 * one / np.abs(one).max()


@pytest.mark.parametrize("at_s", [0.05, 0.99, 3.21, 5.0])
@pytest.mark.parametrize("long_s", [0.002, 0.05, 0.25])
def test_a_dropout_is_found_with_its_place_and_length(sound, at_s, long_s):
    start, end = round(at_s * RATE), round((at_s + long_s) * RATE)
    sound[start:end] = 0.0
    sound[[start - 1, end]] = 0.01  # no zero of chance beside it
    sound[start - 300 : start], sound[end : end + 300] = 0.02, 0.02
    found = read(sound)
    assert found.gaps.dropouts == 1
    assert found.gaps.first_s == (pytest.approx(at_s, abs=1.0 / RATE),)
    assert found.gaps.longest_s == pytest.approx(long_s, abs=1.0 / RATE)
    assert found.verdict_words.startswith("good, dropout")


@pytest.mark.parametrize("block", [100, 777, RATE])
def test_gaps_and_clicks_are_the_same_however_a_track_is_read(sound, block):
    sound[3 * RATE : 3 * RATE + 2000] = 0.0
    sound[7 * RATE :] = 0.0
    sound[5 * RATE - 1], sound[6 * RATE] = 0.9, -0.9

    def told(step):
        gaps, clicks = GapMeter(RATE), ClickMeter(RATE)
        for start in range(0, len(sound), step):
            gaps.feed(sound[start : start + step])
            clicks.feed(sound[start : start + step])
        return gaps.finish(2.0**-23), clicks.finish()

    gaps, clicks = told(block)
    assert (gaps.dropouts, gaps.first_s, gaps.dies_s) == (1, (3.0,), 7.0)
    assert (clicks.count, clicks.first_s) == (2, (5.0 - 1.0 / RATE, 6.0))
    assert clicks.peak == pytest.approx(np.abs(np.delete(sound, [5 * RATE - 1, 6 * RATE])).max())


def test_a_track_that_turns_to_zero_dies_and_no_gain_follows(sound):
    sound *= 0.4
    sound[5 * RATE :] = 0.0
    found = read(sound)
    assert found.verdict_words == "quiet, dies"
    assert rules(found) == {"dies"}
    assert "at 0:05.000" in found.remarks[0].message


@pytest.mark.parametrize("threshold", [0.03, 0.1])
def test_a_gated_track_has_neither_dropouts_nor_an_end(sound, threshold):
    gate = np.convolve(np.abs(sound), np.ones(2000) / 2000, "same") > threshold
    sound[8 * RATE :] = 0.0
    gated = read(np.where(gate, sound, 0.0))
    assert not rules(gated) & {"dropout", "dies"}


def test_fades_and_silence_before_the_first_sound_are_no_fault(sound):
    faded = sound * np.clip((8.0 - np.arange(len(sound)) / RATE) / 2.0, 0.0, 1.0)
    assert not rules(read(faded)) & {"dropout", "dies"}
    late = sound.copy()
    late[: 2 * RATE] = 0.0
    assert not rules(read(late)) & {"dropout", "dies"}


def test_clicks_of_one_sample_do_not_make_a_track_hot(sound):
    sound[round(2.3 * RATE)], sound[round(7.1 * RATE)] = 0.95, -0.95
    found = read(sound)
    assert found.verdict_words == "good, clicks"
    assert found.clicks.first_s == (pytest.approx(2.3, abs=1e-4), pytest.approx(7.1, abs=1e-4))
    assert rules(found) == {"clicks"}


def test_strokes_and_trains_of_pulses_have_no_clicks(sound):
    assert read(sound).clicks.count == 0
    assert all(read(one).clicks.count == 0 for one in clean_take(3).values())
    train = np.zeros(10 * RATE)
    train[RATE // 8 :: RATE // 4] = 0.6
    assert read(train).clicks.count == 0
    train[RATE:] = 0.0  # a few clicks with nothing else are what the track is for
    assert (read(train).clicks.count, read(train).clicks.peak) == (0, 0.6)


def test_clipping_names_one_time_for_a_stroke(rng):
    seconds = np.arange(6 * RATE) / RATE
    strokes = np.exp(-(seconds % 1.0) / 0.03) * np.sin(2 * np.pi * 180.0 * seconds) + 1e-3 * rng.normal(size=6 * RATE)
    found = read(np.clip(strokes, -0.5, 0.5)).clipping
    assert found.runs > 20
    assert found.first_s == pytest.approx([0.0, 1.0, 2.0, 3.0, 4.0], abs=0.01)
