"""Strokes are found where they are, and a close mic is told from one that hears everything."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.delay.gates import rest, stretches, strokes
from micalign.delay.listening import listen, shared_strokes
from micalign.delay.onsets import envelope, hits
from micalign.delay.verdict import nearer_is_second
from micalign.take.model import Track

RATE = 8000


def drum(at_s, gain, seconds=10.0, seed=0):
    rng = np.random.default_rng(seed)
    out = np.zeros(int(seconds * RATE))
    for when in at_s:
        start = int(when * RATE)
        out[start : start + 800] += gain * rng.normal(size=800) * np.exp(-np.arange(800) / 150)
    return out


def listened(samples, name="t"):
    return listen(Track.from_array(name, samples, RATE))


KICK, SNARE = np.arange(0.5, 9.5, 1.0), np.arange(1.0, 9.5, 1.0)
HISS = 1e-4 * np.random.default_rng(9).normal(size=10 * RATE)


def test_the_loud_strokes_are_found_to_two_milliseconds_and_the_bleed_is_not():
    found = hits(envelope(Track.from_array("kick", drum(KICK, 1.0) + drum(SNARE, 0.1, seed=1) + HISS, RATE)))
    assert len(found) == len(KICK)
    # A step is one millisecond, and a noise's first sample may be small.
    assert np.abs(found / RATE - KICK).max() < 0.002


def test_an_offset_is_not_sound():
    assert envelope(Track.from_array("offset", np.full(RATE, 0.25), RATE)).silent


def test_a_close_mic_scores_above_an_overhead():
    close = listened(drum(KICK, 1.0) + drum(SNARE, 0.05, seed=1) + HISS)
    above = listened(drum(KICK, 0.3) + drum(SNARE, 0.4, seed=1) + HISS)
    assert not nearer_is_second(close, above)
    assert nearer_is_second(above, close)
    assert shared_strokes(close, above) == pytest.approx(0.5, abs=0.1)
    assert shared_strokes(above, above) == 1.0


def test_the_rest_lies_outside_the_strokes_and_their_ring():
    close = listened(drum(KICK, 1.0) + drum(SNARE, 0.05, seed=1) + HISS)
    quiet = rest(close.envelope, close.struck, RATE)
    assert len(quiet) > 10
    for start in quiet.starts:
        since = start - close.struck
        assert not np.any((since > -len(quiet.window)) & (since < 0.15 * RATE))


def test_a_stroke_gate_begins_three_milliseconds_before():
    assert strokes(np.array([800]), RATE).starts.tolist() == [800 - 24]


def test_half_overlapping_stretches_count_every_sample_the_same():
    sound = np.random.default_rng(2).normal(size=4 * RATE)
    track = listened(sound)
    gate = stretches(track.envelope, len(sound), RATE, length_s=0.1, most=1000)
    total = np.zeros(len(sound) + 2 * len(gate.window))
    for start in gate.starts + len(gate.window):
        total[start : start + len(gate.window)] += gate.window
    inside = total[len(gate.window) : len(gate.window) + len(sound)]
    assert np.abs(inside[:-400] - 1.0).max() < 1e-9


def test_strokes_are_found_alike_wherever_a_minute_ends() -> None:
    """The track is looked through a minute at a time; a stroke on the border, or just beside it, is one stroke."""
    at_s = [10.0, 59.96, 100.0, 119.999]
    rng = np.random.default_rng(5)
    samples = 1e-5 * rng.standard_normal(8000 * 125)
    for when in at_s:
        start = round(when * 8000)
        samples[start : start + 800] += rng.standard_normal(800) * np.exp(-np.arange(800) / 200)
    found = hits(envelope(Track.from_array("drum", samples, 8000))) / 8000
    np.testing.assert_allclose(found, at_s, atol=0.002)
