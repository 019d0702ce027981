"""When a track is struck, and which strokes are its own."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from micalign.take.tracks import Track
from micalign.tdoa.strokes import listen, same_samples, struck_at
from micalign.tdoa.tuned import MOST_STROKES

RATE = 48000


def struck(times_s, levels_db, *, seconds, rng, hiss=1e-5, tau_s=0.03):
    """Bursts of noise that die away, on a faint hiss."""
    out = hiss * rng.normal(size=int(seconds * RATE))
    for at, level in zip(times_s, levels_db, strict=True):
        length = min(int(0.2 * RATE), len(out) - int(at * RATE))
        ring = np.exp(-np.arange(length) / (tau_s * RATE)) * rng.normal(size=length)
        out[int(at * RATE) :][:length] += 0.3 * 10 ** (level / 20) * ring
    return Track.from_array("mic", out, RATE)


def test_every_stroke_is_found_in_the_step_in_which_it_begins(rng):
    times = [0.3, 0.8, 1.25, 1.9]
    found = listen(struck(times, [0, -3, 0, -2], seconds=2.5, rng=rng)).strokes
    # A step is a millisecond; a rise is watched three steps ahead.
    assert np.allclose(found.samples / RATE, times, atol=3e-3)


def test_bleed_far_below_is_not_a_mics_own(rng):
    times = np.arange(0.2, 6.0, 0.25)
    levels = np.where(np.arange(len(times)) % 4 == 0, 0.0, -25.0)
    found = listen(struck(times, levels, seconds=6.5, rng=rng)).strokes
    own = found.samples[found.weight > 0] / RATE
    assert np.allclose(own, times[::4], atol=3e-3)
    assert found.gap_db > 10


def test_strokes_of_one_level_are_all_a_tracks_own_and_there_is_no_gap(rng):
    times = np.arange(0.2, 4.0, 0.3)
    found = listen(struck(times, np.zeros(len(times)), seconds=4.5, rng=rng)).strokes
    assert (found.weight > 0).sum() == len(times)
    assert found.gap_db == 0.0


def test_a_few_strokes_of_uneven_level_are_one_class_above_much_bleed(rng):
    times = np.arange(0.2, 12.0, 0.2)
    levels = np.full(len(times), -32.0)
    levels[[20, 21, 22]] = 0.0, -6.0, -4.0
    found = listen(struck(times, levels, seconds=12.5, rng=rng)).strokes
    assert np.allclose(found.samples[found.weight > 0] / RATE, times[20:23], atol=3e-3)


@pytest.mark.parametrize(("tom_db", "told"), [(14, "hats"), (21, "both")])
def test_a_soft_hat_among_toms_as_loud_is_its_mics_own_if_it_is_louder_in_the_highs(rng, tom_db, told):
    hats, toms = np.arange(0.3, 16.0, 0.8), np.arange(0.7, 16.0, 0.8)
    bright = struck(hats, rng.uniform(-12, 0, len(hats)), seconds=16.5, rng=rng)
    dark = struck(toms, rng.uniform(-12, 0, len(toms)), seconds=16.5, rng=rng)
    pole = np.exp(-2 * np.pi * 1000 / RATE)  # a low-pass: the toms tilt 9 dB less to the highs than the hat
    low = lfilter([1 - pole], [1, -pole], dark.read(0, dark.frames)) * 10 ** (tom_db / 20)
    heard = listen(Track.from_array("hat", bright.read(0, bright.frames) + low, RATE))
    own = heard.strokes.samples[heard.strokes.weight > 0] / RATE
    of_a_hat, of_a_tom = (int((np.abs(own[:, None] - times).min(axis=1) < 4e-3).sum()) for times in (hats, toms))
    assert of_a_hat == len(hats) if told == "hats" else of_a_hat > 0
    assert of_a_tom == (0 if told == "hats" else len(toms))


def test_many_strokes_are_thinned_to_as_many_as_are_compared(rng):
    times = np.arange(0.2, 20.0, 0.15)
    found = listen(struck(times, np.zeros(len(times)), seconds=20.5, rng=rng)).strokes
    assert len(found.samples) > MOST_STROKES == (found.weight > 0).sum()


def test_a_track_is_heard_alike_whole_or_in_blocks(rng, monkeypatch):
    whole = struck([0.3, 0.9, 1.4], [0, 0, -4], seconds=2.0, rng=rng)
    import micalign.tdoa.strokes as module

    one = listen(whole)
    monkeypatch.setattr(module, "_BLOCK_FRAMES", 4800)
    other = listen(whole)
    assert np.allclose(one.envelope.power, other.envelope.power, rtol=1e-6)
    assert np.allclose(one.rises, other.rises, rtol=1e-6)
    assert np.array_equal(one.strokes.samples, other.strokes.samples)


@pytest.mark.parametrize("offset", [0.0, 0.25])
def test_what_leaps_from_sample_to_sample_is_the_mean_square_of_the_differences(rng, offset):
    """At a sound 60 dB below a constant as well: rounding leaves 1e-16 of the square of that."""
    sound = 1e-3 * rng.normal(size=RATE) * np.linspace(0.0, 1.0, RATE) + offset
    heard = listen(Track.from_array("a", sound, RATE))
    step, leaps = heard.envelope.step, np.diff(sound, prepend=sound[:1]) ** 2
    wanted = leaps[: len(leaps) // step * step].reshape(-1, step).mean(axis=1)
    assert np.allclose(heard.rises, wanted, rtol=1e-5, atol=1e-15)
    still = 0.3 + 1e-10 * np.sin(np.arange(RATE) / 300)  # what it leaps by is less than what rounding leaves
    for constant in (np.full(RATE, 0.1), still):
        assert not listen(Track.from_array("still", constant, RATE)).rises.any()


def test_novelty_is_the_log_of_a_rise_of_energy():
    """Over what was before and the floor, which is as much again; where a file begins nothing rises."""
    level = np.repeat([1e-3, 1e-1], 24_000)
    heard = listen(Track.from_array("switched on", 0.2 + level * (-1.0) ** np.arange(48_000), 48_000))
    assert heard.rises[0] == pytest.approx(4e-6 * 47 / 48, rel=1e-6)
    assert heard.strokes.samples.tolist() == [24_000]
    assert heard.strokes.novelty == pytest.approx(np.log(1e-2 / 2e-6), abs=1e-3)


@pytest.mark.parametrize("samples", [np.zeros(48000), np.full(48000, 0.2)])
def test_silence_and_an_offset_have_no_strokes(samples):
    heard = listen(Track.from_array("mic", samples, RATE))
    assert heard.envelope.silent
    assert len(heard.strokes.samples) == 0


def test_strokes_that_are_known_are_all_used(rng):
    heard = listen(struck([0.3, 0.9, 1.4], [0, -30, 0], seconds=2.0, rng=rng))
    known = struck_at(heard, np.array([14400, 43200]))
    assert known.strokes.samples.tolist() == [14400, 43200]
    assert (known.strokes.weight > 0).all()
    assert len(heard.strokes.samples) == 3


def test_the_same_samples_are_known_as_such(rng):
    track = struck([0.3], [0], seconds=1.0, rng=rng)
    samples = track.read()
    samples[-1] += 1e-3
    assert same_samples(listen(track), listen(track))
    assert not same_samples(listen(track), listen(Track.from_array("mic", samples, RATE)))
