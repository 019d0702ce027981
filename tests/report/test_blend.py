from __future__ import annotations

import numpy as np
import pytest

from micalign.alignment.offsets import Shift, followed
from micalign.report.take_page import stretch
from micalign.take.tracks import Track

RATE = 48000


def test_after_alignment_two_copies_lie_on_each_other_at_the_blends_gains(rng: np.random.Generator) -> None:
    noise = rng.standard_normal(RATE)
    late = np.concatenate([np.zeros(133), -noise[:-133]])
    tracks = [Track.from_array("first", noise, RATE), Track.from_array("late", late, RATE)]
    shift = Shift("late", 133 / RATE, 0.0, -133 / RATE, polarity_flip=True, reliable=True, applied=True)
    offsets = followed([shift], reference="first", sample_rate=RATE)
    cut = stretch(tracks, offsets, start_s=0.25, seconds=0.5, gains_db={"late": -6.0206})
    assert np.allclose(cut.after["late"], 0.5 * cut.after["first"], atol=1e-6)
    assert np.allclose(cut.before["first"], noise[RATE // 4 : 3 * RATE // 4])
    assert np.allclose(cut.sum_after, 1.5 * cut.before["first"], atol=1e-6)
    assert np.array_equal(tracks[1].read(), late)


def test_a_stretch_that_reaches_beyond_the_take_is_silent_there() -> None:
    tracks = [Track.from_array("a", np.ones(100), RATE)]
    offsets = followed([], reference="a", sample_rate=RATE)
    cut = stretch(tracks, offsets, start_s=-0.001, seconds=0.002)
    assert cut.before["a"].shape == (96,)
    assert cut.before["a"][:48].sum() == 0
    assert cut.before["a"][48:].sum() == pytest.approx(48)
