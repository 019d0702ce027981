"""Who says which mic is close is believed: its strokes then tell, whatever the bleed between them tells."""

from __future__ import annotations

import numpy as np

from micalign.delay.measure import measure_pair
from micalign.take.model import Track

RATE = 48000


def drum_in_a_noisy_room() -> tuple[Track, Track]:
    """A drum 96 samples later in the far mic, in a noise as loud from elsewhere that is 48 samples earlier in it."""
    rng, frames = np.random.default_rng(5), 8 * RATE
    hits = np.zeros(frames)
    for at in np.arange(0.4, 7.5, 0.6) + rng.uniform(-0.03, 0.03, 12):
        hits[int(at * RATE) :][:2400] += rng.normal(size=2400) * np.exp(-np.arange(2400) / 300)
    noise = rng.normal(size=frames) * 0.2
    near, far = hits + noise, 0.2 * np.roll(hits, 96) + np.roll(noise, -48)
    return Track.from_array("near", 0.1 * near, RATE), Track.from_array("far", 0.1 * far, RATE)


def test_a_hint_settles_what_the_tracks_alone_leave_in_doubt():
    near, far = drum_in_a_noisy_room()
    assert not measure_pair(near, far).reliable
    told = measure_pair(near, far, close="reference")
    back = measure_pair(far, near, close="track")
    assert (told.reliable, back.reliable) == (True, True)
    # A tenth of a sample: the noise is no quieter than the drum where they meet.
    assert abs(told.delay_s * RATE - 96) < 0.1
    assert abs(back.delay_s * RATE + 96) < 0.1
