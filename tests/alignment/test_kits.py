"""A close mic laid where its own strokes add up best, on kits of two drums made here."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.alignment.kits import best_on_strokes, laid_on_strokes, level_spread_db
from micalign.take.tracks import Track
from micalign.tdoa.delays import Delay, TrackDelay
from micalign.tdoa.strokes import listen

RATE = 44100
UNTOLD = Delay(0.0, 0.05, 1, 0.0, 0.0, False, "not measured here")


def drum(rng, hz, seconds=0.25):
    """A decaying tone with some noise on its beginning."""
    t = np.arange(int(seconds * RATE)) / RATE
    return np.sin(2 * np.pi * hz * t) * np.exp(-t / 0.06) + 0.4 * rng.normal(size=len(t)) * np.exp(-t / 0.02)


def kit(rng, *, polarity=1, late=132, seconds=12.0):
    """Two drums, a mic at each that hears the other 30 dB down, and two mics over both, the drums at other times."""
    sounds = {name: 1e-5 * rng.normal(size=int(seconds * RATE)) for name in ("one", "two", "left", "right")}
    for k, at in enumerate(np.arange(0.3, seconds - 0.5, 0.45)):
        which = ("one", "two")[k % 2]
        hit = drum(rng, 180.0 if which == "one" else 95.0) * rng.uniform(0.6, 1.0)
        start = int((at + rng.normal(0, 0.01)) * RATE)
        paths = {"one": (0, 1.0), "two": (60, 0.03)} if which == "one" else {"one": (60, 0.03), "two": (0, 1.0)}
        paths |= (
            {"left": (late, 0.2), "right": (late + 9, 0.18)}
            if which == "one"
            else {"left": (190, 0.2), "right": (160, 0.22)}
        )
        for name, (shift, gain) in paths.items():
            sign = polarity if (which, name) in (("one", "left"), ("one", "right")) else 1
            sounds[name][start + shift : start + shift + len(hit)] += sign * gain * hit
    return {name: Track.from_array(name, sound, RATE) for name, sound in sounds.items()}


@pytest.mark.parametrize("polarity", [1, -1])
def test_a_drum_that_arrives_unchanged_adds_up_best_at_its_arrival(rng, polarity):
    tracks = kit(rng, polarity=polarity)
    found = best_on_strokes(listen(tracks["one"]), [tracks["left"], tracks["right"]])
    assert found.polarity == polarity
    # Between its arrivals at the two, 132 and 141 samples later; a step is 20 us.
    assert 131 / RATE < found.shift_s < 142 / RATE
    assert found.worth_it
    assert found.strokes == 13


def test_what_is_promised_is_what_the_sum_gains(rng):
    """The gain by an own sum in the time domain: band-limited, the mic at the others' level, over the strokes."""
    tracks = kit(rng)
    found = best_on_strokes(listen(tracks["one"]), [tracks["left"], tracks["right"]])
    mic, rest = tracks["one"].read(), tracks["left"].read() + tracks["right"].read()
    moved = found.polarity * np.roll(mic, round(found.shift_s * RATE))
    own = np.zeros(len(mic), bool)
    for at in listen(tracks["one"]).strokes.samples[listen(tracks["one"]).strokes.weight > 0]:
        own[at - 200 : at + 6600] = True
    for (low, high), promised in zip(((60, 250), (250, 2000)), found.gains_db, strict=True):
        hz = np.fft.rfftfreq(len(mic), 1 / RATE)
        band = (hz >= low) & (hz < high)
        a, b, c = (np.fft.irfft(np.fft.rfft(one) * band, len(mic))[own] for one in (mic, moved, rest))
        level = np.sqrt((c**2).sum() / (a**2).sum())
        gained = 10 * np.log10(((level * b + c) ** 2).sum() / ((level * a + c) ** 2).sum())
        assert gained == pytest.approx(promised, abs=0.4)  # the bands' edges are not as steep


def test_a_mic_that_hears_noise_alone_is_left(rng):
    tracks = kit(rng)
    noise = listen(Track.from_array("noise", rng.normal(size=12 * RATE), RATE))
    assert best_on_strokes(noise, [tracks["left"]]) is None or noise.strokes.gap_db == 0.0


def test_two_mics_over_a_kit_hear_it_alike_and_a_close_mic_does_not(rng):
    heard = {name: listen(track) for name, track in kit(rng).items()}
    assert level_spread_db(heard["left"], heard["right"]) < 8
    assert level_spread_db(heard["left"], heard["one"]) > 12
    assert level_spread_db(heard["left"], heard["one"]) == pytest.approx(level_spread_db(heard["one"], heard["left"]))


def test_the_pair_stays_and_close_mics_are_laid_on_their_strokes(rng):
    tracks = kit(rng)
    names = ("one", "two", "right")
    rows = laid_on_strokes(tracks["left"], [tracks[n] for n in names], [TrackDelay(n, UNTOLD) for n in names])
    told = {row.track: row.delay for row in rows}
    assert (told["right"].delay_s, told["right"].reliable) == (0.0, True)
    assert "pair stays" in told["right"].reason
    # A shift is what alignment applies, a delay its opposite.
    assert -142 / RATE < told["one"].delay_s < -131 / RATE
    assert -191 / RATE < told["two"].delay_s < -159 / RATE
    assert all("best sum on" in told[name].reason for name in ("one", "two"))


def test_a_track_that_surely_comes_much_later_is_no_track_of_the_kit(rng):
    tracks = kit(rng)
    far = Delay(0.4, 1e-6, 1, 1.0, 1.0, True, None)
    names = ("one", "two", "right")
    rows = [TrackDelay(n, far if n == "two" else UNTOLD) for n in names]
    told = {row.track: row.delay for row in laid_on_strokes(tracks["left"], [tracks[n] for n in names], rows)}
    assert told["two"] is far
    assert "best sum on" in told["one"].reason


def test_without_a_kit_nothing_is_changed(rng):
    sound = rng.normal(size=4 * RATE)
    tracks = [Track.from_array(name, np.roll(sound, k), RATE) for k, name in enumerate(("a", "b"))]
    rows = (TrackDelay("b", UNTOLD),)
    assert laid_on_strokes(tracks[0], tracks[1:], rows) == rows
