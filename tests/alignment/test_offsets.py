"""One value holds what is done to a track, and hands out the samples that follow from it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from micalign import __version__
from micalign.alignment.gain import ring_samples, section_coefficients
from micalign.alignment.offsets import MovedTrack, on_one_clock
from micalign.alignment.shift import Span
from micalign.take.tracks import Track

RATE = 48000


@pytest.fixture
def sound() -> np.ndarray:
    return np.random.default_rng(3).uniform(-1, 1, 3000)


def moved(sound, *, span=None, whole=False, gain=1.0, block_frames=700, **options) -> np.ndarray:
    one = MovedTrack(Track.from_array("a", sound, RATE), **options)
    span = span or one.span(whole=whole)
    return np.concatenate(list(one.blocks(span, whole=whole, gain=gain, block_frames=block_frames)))


def test_a_whole_shift_is_the_same_samples_elsewhere(sound):
    assert np.array_equal(moved(sound, shift_samples=5.0, span=Span(5, 3005)), sound)
    assert np.array_equal(moved(sound, shift_samples=4.6, whole=True, span=Span(5, 3005)), sound)
    assert np.array_equal(moved(sound, shift_samples=5.0, span=Span(5, 3005), polarity=-1), -sound)
    assert np.allclose(moved(sound, shift_samples=-5.0, span=Span(-5, 2995), gain=0.5, polarity=-1), -0.5 * sound)


def test_blocks_have_the_length_that_is_asked_for(sound):
    for options in ({}, {"shift_samples": 0.5}, {"drift_ppm": 50.0}):
        one = MovedTrack(Track.from_array("a", sound, RATE), **options)
        lengths = [len(b) for b in one.blocks(Span(0, 3000), whole=False, gain=1.0, block_frames=900)]
        assert lengths == [900, 900, 900, 300]


def test_a_drift_is_taken_out_with_shift_polarity_and_gain():
    n = np.arange(30_000)
    tone = np.sin(2 * np.pi * 0.05 * n)
    out = moved(tone, shift_samples=100.5, drift_ppm=80.0, polarity=-1, gain=0.25, span=Span(5000, 20_000))
    at = np.arange(5000, 20_000) * (1 + 80e-6) - 100.5
    assert np.abs(out + 0.25 * np.sin(2 * np.pi * 0.05 * at)).max() < 1e-6  # the kernel's error at 0.05 of the rate


def test_spans_hold_tails_drift_and_ring(sound):
    long = Track.from_array("a", np.zeros(1_000_000), RATE)
    assert MovedTrack(long, 7.0).span() == Span(7, 1_000_007)
    assert MovedTrack(long, 7.5).span() == Span(7 - 63, 1_000_007 + 64)
    assert MovedTrack(long, 7.6).span(whole=True) == Span(8, 1_000_008)
    drifting = MovedTrack(long, 0.0, drift_ppm=-100.0).span()
    assert drifting.start <= -64
    assert drifting.stop >= 1_000_000 * (1 + 100e-6) + 64
    ringing = MovedTrack(long, 7.0, sections=((100.0, 0.5),)).span()
    assert ringing.start == 7
    # Poles of the section at Q 0.5 lie at radius (1 - tan(w/2)) / (1 + tan(w/2)); 120 dB are 6 ln(10) / -ln(radius).
    t = np.tan(np.pi * 100.0 / RATE)
    assert ringing.stop - 1_000_007 == pytest.approx(6 * np.log(10) / -np.log((1 - t) / (1 + t)), abs=1)


def test_all_passes_come_last_and_ring_to_the_end(sound):
    sections = ((120.0, 0.5), (900.0, 2.0))
    ring = ring_samples(sections, sample_rate=RATE)
    out = moved(sound, shift_samples=9.0, polarity=-1, sections=sections, span=Span(0, 3009 + ring))
    sos = np.array([section_coefficients(*section, sample_rate=RATE) for section in sections])
    plain = np.concatenate([np.zeros(9), -sound, np.zeros(ring)])
    assert np.allclose(out, signal.sosfilt(sos, plain), atol=1e-12)
    # An all-pass keeps the energy: what lies behind the ring is 120 dB down.
    assert np.sum(out**2) == pytest.approx(np.sum(sound**2), rel=1e-6)
    assert np.abs(out[-50:]).max() < 1e-4


@pytest.mark.parametrize(
    ("options", "whole", "exact"),
    [
        ({}, False, True),
        ({"shift_samples": 3.0}, False, True),
        ({"shift_samples": 3.2}, False, False),
        ({"shift_samples": 3.2}, True, True),
        ({"drift_ppm": 1.0}, True, False),
        ({"sections": ((100.0, 1.0),)}, True, False),
    ],
)
def test_exact_is_what_leaves_every_sample_as_it_was(options, whole, exact):
    assert MovedTrack(Track.from_array("a", [1.0], RATE), **options).is_exact(whole=whole) is exact


def test_the_history_says_what_was_done_and_nothing_else():
    track = Track.from_array("a", [1.0], RATE)
    begin = f"micalign {__version__}: moved "
    assert MovedTrack(track).history(Span(0, 1), whole=False, gain=1.0) == begin + "+0.000 samples"
    assert MovedTrack(track, -3.4).history(Span(0, 1), whole=True, gain=1.0) == begin + "-3 samples"
    full = MovedTrack(track, 2.3456, -1, 12.345, ((100.4, 0.707), (2000.0, 1.5)))
    assert full.history(Span(-63, 1), whole=False, gain=0.5) == begin + (
        "+2.346 samples; polarity flipped; drift +12.35 ppm taken out; all-pass 100 Hz Q 0.71; "
        "all-pass 2000 Hz Q 1.50; "
        "gain -6.0 dB; starts +63 samples earlier"
    )


def test_a_track_on_one_clock_reads_as_the_reference_would_have_taken_it():
    n = np.arange(20_000)
    tone = np.sin(2 * np.pi * 0.02 * n)
    drifting = Track.from_array("late", tone, RATE)
    track = on_one_clock(MovedTrack(drifting, -250.0, drift_ppm=150.0))
    assert (track.name, track.sample_rate) == ("late", RATE)
    at = np.arange(4000, 9000) * (1 + 150e-6) + 250.0
    assert np.abs(track.read(4000, 5000) - np.sin(2 * np.pi * 0.02 * at)).max() < 1e-6
    assert track.frames == MovedTrack(drifting, -250.0, drift_ppm=150.0).span().stop
    gone = on_one_clock(MovedTrack(drifting, -30_000.0, drift_ppm=150.0))
    assert gone.frames == 0
