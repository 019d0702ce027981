"""Where gates begin, end and leave out: borders counted by hand on envelopes written down."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.take.tracks import Track
from micalign.tdoa import spectra, strokes
from micalign.tdoa.strokes import Energies, Listened

RATE = 8000  # a step of an envelope is 8 samples, a stroke's window 160


def envelope(*loud: tuple[int, float], count: int = 400, floor: float = 1.0) -> Energies:
    """Steps of a millisecond, one power each."""
    power = np.full(count, floor, np.float32)
    for step, level in loud:
        power[step] = level
    return Energies(power, 8)


def heard(env: Energies, frames: int | None = None) -> Listened:
    """A track of which the envelope is known."""
    frames = 8 * len(env.power) if frames is None else frames
    return Listened.of(Track.from_array("a", np.zeros(frames), RATE), env, env.power)


def test_levels_of_frames_are_what_their_steps_hold():
    env = Energies(np.arange(1.0, 11.0, dtype=np.float32), 8)
    starts = np.array([-16, 0, 8, 15, 64, 200])
    # FrameSet of 24 samples: three steps, fewer where the file ends.
    assert env.sum(starts // 8, (starts + 24) // 8).tolist() == [1.0, 6.0, 9.0, 9.0, 19.0, 0.0]


def test_a_mean_is_of_the_steps_that_there_are():
    env = Energies(np.arange(1.0, 11.0, dtype=np.float32), 8)
    assert env.mean(np.array([-2, 0, 8, 12]), np.array([1, 3, 12, 15])).tolist() == [1.0, 2.0, 9.5, 0.0]


def test_of_each_equal_part_the_loudest_frame_is_taken():
    """Frames of 16 samples from -8 on by 8: 31 of them, in thirds 0 to 9, 10 to 19 and 20 to 30."""
    one = heard(envelope((3, 9.0), (12, 9.0), (14, 5.0), (29, 9.0), count=30))
    assert strokes.stretches(one, length_s=0.002, most=3).starts.tolist() == [16, 88, 224]
    assert strokes.stretches(one, length_s=0.002, most=31).starts.tolist() == list(range(-8, 240, 8))


@pytest.mark.parametrize(("share", "kept"), [(2.01e-3, [0, 16]), (1.99e-3, [0])])
def test_a_frame_thirty_decibels_below_the_loudest_is_left_out(share, kept):
    one = heard(Energies(np.array([1.0, 1.0, share / 2, share / 2], np.float32), 8))
    starts = strokes.stretches(one, length_s=0.002, most=9).starts
    assert [start for start in starts.tolist() if start in (0, 16)] == kept


def test_in_silence_all_frames_are_kept():
    silent = heard(Energies(np.zeros(4, np.float32), 8))
    assert strokes.stretches(silent, length_s=0.002, most=9).starts.tolist() == [-8, 0, 8, 16, 24]


def test_frames_begin_half_a_frame_before_the_file_and_go_on_by_halves():
    one = heard(envelope(count=101), 801)
    gate = strokes.stretches(one, length_s=0.02, most=100)
    assert gate.starts.tolist() == list(range(-80, 801, 80))
    # Exactly as many as are allowed are all taken; one more and the loudest of each part are.
    assert len(strokes.stretches(one, length_s=0.02, most=12).starts) == 12
    assert len(strokes.stretches(one, length_s=0.02, most=11).starts) == 11


def test_frames_are_cut_about_their_mean_and_faded_where_the_file_ends(rng):
    """At 1 kHz the fade is 4 samples: sines of an eighth, three, five and seven eighths of a quarter turn, squared."""
    samples = rng.normal(size=40) + 3.0
    track = Track.from_array("a", samples, 1000)
    window = rng.uniform(0.5, 1.0, 16).astype(np.float32)
    fade = np.sin(0.5 * np.pi * np.array([0.125, 0.375, 0.625, 0.875])) ** 2
    starts = np.array([-6, 10, 24, 30, 40, -16])
    rows = spectra._cut_frames(track, starts, window)
    whole, last = samples[10:26], samples[24:40]
    assert rows[1] == pytest.approx((whole - whole.mean()) * window, abs=1e-6)
    assert rows[2] == pytest.approx((last - last.mean()) * window, abs=1e-6)
    early = samples[:10] - samples[:10].mean()
    early[:4] *= fade
    assert rows[0] == pytest.approx(np.concatenate([np.zeros(6), early]) * window, abs=1e-6)
    late = samples[30:] - samples[30:].mean()
    late[-4:] *= fade[::-1]
    assert rows[3] == pytest.approx(np.concatenate([late, np.zeros(6)]) * window, abs=1e-6)
    assert not rows[4:].any()


@pytest.mark.parametrize(("margin", "starts_s"), [(60, (0.0, 0.0)), (0, (0.0, 0.0)), (60, (0.5, 0.5125))])
def test_cross_spectra_are_those_of_the_cuts_with_the_lag_where_it_belongs(rng, margin, starts_s):
    """Twenty frames, more than are worked on at once; the correlation of each by numpy's own sum of products."""
    first, second = rng.normal(size=(2, 4000))
    a, b = (Track.from_array("t", x, 1000, start_s=s) for x, s in zip((first, second), starts_s, strict=True))
    window = np.hanning(50)
    starts, centre_s = np.arange(500, 2500, 100), 0.02 + 0.0003
    found = spectra.frame_spectra(a, b, starts, window, margin=margin, centre_s=centre_s)
    clocks = (starts_s[0] - starts_s[1]) * 1000
    offset = round(20.3 + clocks)
    assert found.centre_s == pytest.approx((offset - clocks) / 1000)  # what was taken out, and no more
    assert found.frequencies_hz == pytest.approx(np.arange(found.size // 2 + 1) * 1000 / found.size)
    edge = 16 if margin else 0
    wide = margin + edge
    ramp = np.sin(0.5 * np.pi * (np.arange(edge) + 0.5) / max(edge, 1)) ** 2
    outer = np.concatenate([ramp, np.ones(50 + 2 * margin), ramp[::-1]]) if margin else window
    for row, start in enumerate(starts):
        x = (first[start : start + 50] - first[start : start + 50].mean()) * window
        begin = start + offset - wide
        y = second[begin : begin + 50 + 2 * wide]
        y = (y - y.mean()) * outer
        by_hand = np.correlate(y, x, "valid")  # lag 0 of the frame is `wide` samples in
        correlated = spectra.irfft(found.cross[row].astype(complex), found.size)
        lags = np.arange(-margin, margin + 1)
        assert correlated[lags] == pytest.approx(by_hand[wide + lags] if margin else by_hand, abs=1e-4)
        assert found.first[row].sum() > 0.0
        assert found.second[row, 5] == pytest.approx(abs(np.fft.rfft(y, found.size)[5]) ** 2, rel=1e-3, abs=1e-4)


def test_a_smooth_spectrum_is_a_mean_over_a_fifth_and_eight_bins_at_least(rng):
    power = rng.uniform(size=400)
    smooth = spectra.whitening(power) ** (-1 / 0.4)
    assert smooth[20] == pytest.approx(power[16:25].mean())  # eight bins: four on both sides
    assert smooth[200] == pytest.approx(power[180:221].mean())
    assert smooth[44] == pytest.approx(power[40:49].mean())
    assert smooth[50] == pytest.approx(power[45:56].mean())
