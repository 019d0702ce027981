"""Which frames are listened to: counted by hand on small envelopes."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.take.tracks import Track
from micalign.tdoa.spectra import raised_cosine, smooth_bins
from micalign.tdoa.strokes import listen, stretches

RATE = 8000


def loud(*spans: tuple[float, float, float], seconds: float = 4.0):
    """Noise that is as loud as given from second to second."""
    rng = np.random.default_rng(2)
    samples = np.zeros(int(seconds * RATE))
    for begin, end, level in spans:
        part = slice(int(begin * RATE), int(end * RATE))
        samples[part] += level * rng.standard_normal(part.stop - part.start)
    return listen(Track.from_array("a", samples, RATE))


def test_a_window_shorter_than_its_edges_is_cut():
    assert raised_cosine(3, 8, 0) == pytest.approx(np.sin(0.5 * np.pi * (np.arange(3) + 0.5) / 8) ** 2)
    assert raised_cosine(4, 0, 0).tolist() == [1.0] * 4


def test_a_running_mean_narrows_at_the_ends_and_takes_complex_values():
    values = np.array([4.0, 0.0, 0.0, 0.0, 6.0])
    assert smooth_bins(values, 3) == pytest.approx([2.0, 4 / 3, 0.0, 2.0, 3.0])
    assert smooth_bins(values, 1) == pytest.approx(values)
    assert smooth_bins(1j * values, 3) == pytest.approx(1j * np.array([2.0, 4 / 3, 0.0, 2.0, 3.0]))
    growing = smooth_bins(values, np.where(np.arange(len(values)) < 2, 1.0, 2.0))
    assert growing == pytest.approx([4.0, 0.0, 0.0, 2.0, 3.0])


def test_short_tracks_are_heard_whole_and_long_ones_where_they_are_loudest():
    noise = loud((0.0, 4.0, 1.0))
    gate = stretches(noise, length_s=0.1, most=100)
    assert gate.starts.tolist() == list(range(-400, noise.frames, 400))
    assert gate.window == pytest.approx(np.sin(np.pi * (np.arange(800) + 0.5) / 800) ** 2)
    few = stretches(noise, length_s=0.1, most=10)
    assert len(few.starts) == 10
    assert set(few.starts) <= set(gate.starts)
    beats = loud(*((second + 0.5, second + 0.6, 1.0) for second in range(4)), (0.0, 4.0, 0.1))
    chosen = stretches(beats, length_s=0.1, most=4).starts
    assert [abs(start / RATE - (second + 0.5)) < 0.06 for second, start in enumerate(chosen)] == [True] * 4


def test_frames_thirty_decibels_below_the_loudest_are_left_out():
    noise = loud((0.0, 2.0, 1.0), (2.0, 4.0, 10**-1.4))
    assert stretches(noise, length_s=0.1, most=100).starts.max() > 3.5 * RATE
    noise = loud((0.0, 2.0, 1.0), (2.0, 4.0, 10**-1.6))
    assert stretches(noise, length_s=0.1, most=100).starts.max() < 2.1 * RATE
    silent = loud()
    assert len(stretches(silent, length_s=0.1, most=100).starts) == 81


def test_matched_windows_are_flatter():
    noise = loud((0.0, 4.0, 1.0))
    gate = stretches(noise, length_s=0.1, most=100, matched=True)
    assert gate.window == pytest.approx(np.sin(np.pi * (np.arange(800) + 0.5) / 800) ** 1.5)
    short = stretches(listen(Track.from_array("a", np.ones(100), RATE)), length_s=0.1, most=100)
    assert len(short.window) == 100


def test_moments_are_samples_of_the_track_in_order():
    heard = listen(Track.from_array("a", np.zeros(RATE), RATE, start_s=0.5))
    assert heard.samples_at(np.array([2.0, 1.00006])).tolist() == [4000, 12_000]
