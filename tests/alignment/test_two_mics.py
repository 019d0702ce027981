"""A kit on two mics, a drum's own and one that is called an overhead: laid as a larger kit's, whichever comes first."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from bench.delay import realkit, realtakes

from micalign.alignment.network import Constraints
from micalign.alignment.pairings import measured
from micalign.alignment.session import planned
from micalign.take.tracks import Track

LOWS_HZ = (60.0, 250.0)


@pytest.fixture(scope="module")
def groove():
    kit = realkit.RealKit(Path(__file__).parents[1] / "external" / "realkit")
    return realtakes.groove(kit, "rock", seed=2, seconds=16)


def _laid(first: Track, second: Track, **more: bool):
    return planned(measured(first, [second], on_strokes=True, over_kit=True, **more), Constraints(first.name))


def _lows_db(sounds: list[np.ndarray], rate: int) -> float:
    """The level of the sum of two sounds in the lows, each at one level before."""
    spectrum = np.fft.rfft(sum(one / np.sqrt(np.mean(one**2)) for one in sounds))
    hz = np.fft.rfftfreq(len(sounds[0]), 1 / rate)
    inside = (hz >= LOWS_HZ[0]) & (hz < LOWS_HZ[1])
    return float(10 * np.log10(np.sum(np.abs(spectrum[inside]) ** 2)))


@pytest.mark.parametrize(("close", "over", "least_db"), [("KdrumR", "OHR", 0.1), ("Snare_top", "OHL", 1.0)])
def test_a_drums_mic_goes_where_its_strokes_add_up_best_with_the_overhead(groove, close, over, least_db):
    tracks = [Track.from_array(name, groove.mics[mic], groove.rate) for name, mic in (("oh", over), ("drum", close))]
    offsets = _laid(*tracks)
    assert (offsets.reference, offsets.shift("oh").shift_s) == ("oh", 0.0)
    drum = offsets.shift("drum")
    assert 2.0e-3 < drum.shift_s < 7.0e-3
    assert "strokes, at one level with the mics over it: " in drum.reason
    far, near = (groove.mics[mic] for mic in (over, close))
    hz = np.fft.rfftfreq(len(near), 1 / groove.rate)
    moved = np.fft.irfft(np.fft.rfft(near) * np.exp(-2j * np.pi * hz * drum.shift_s), len(near))
    gained_db = _lows_db([far, -moved if drum.polarity_flip else moved], groove.rate) - _lows_db(
        [far, near], groove.rate
    )
    assert gained_db > least_db
    other = _laid(*tracks[::-1])
    assert (other.onto or other.reference) == "oh"
    assert other.shift("drum").shift_s == pytest.approx(drum.shift_s, abs=1e-6)
    meant = _laid(*tracks[::-1], stays=True)
    assert (meant.reference, meant.shift("oh").shift_s) == ("drum", pytest.approx(-drum.shift_s, abs=1e-6))


def test_two_mics_at_one_source_are_no_kit_whatever_one_is_called(rng):
    """Each hears every note that the other does: laid by the delay between them."""
    rate, notes = 44100, np.zeros(12 * 44100)
    decay = np.exp(-np.arange(9000) / 2500)
    for at in np.arange(0.3, 11.0, 0.41):
        start = int((at + rng.normal(0, 0.02)) * rate)
        notes[start : start + 9000] += rng.uniform(0.3, 1.0) * rng.normal(size=9000) * decay
    near, far = (1e-4 * rng.normal(size=len(notes)) + one for one in (notes, 0.4 * np.roll(notes, 61)))
    tracks = [Track.from_array(name, sound, rate) for name, sound in (("overhead", far), ("violin", near))]
    for order in (tracks, tracks[::-1]):
        found = measured(order[0], [order[1]], on_strokes=True, over_kit=True)
        assert (found.reference, found.on_strokes) == (order[0].name, False)
        assert abs(found.tracks[0].delay.delay_s) * rate == pytest.approx(61, abs=0.5)
