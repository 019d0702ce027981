"""Strokes of sources that have no mic: from which place their first wavefronts come."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.take.tracks import Track
from micalign.tdoa import leading
from micalign.tdoa.leading import strokes_by_place

RATE = 8000
ARRIVALS = {"drum": {"a": 0.001, "b": 0.004}, "bell": {"a": 0.006, "b": 0.002}}


def test_strokes_are_told_apart_by_the_place_they_come_from(rng):
    made = [1e-4 * rng.normal(size=4 * RATE) for _ in range(2)]
    for source, times in {"drum": (0.5, 1.5), "bell": (1.0, 2.0)}.items():
        for at_s in times:
            sound = rng.normal(size=800) * np.exp(-np.arange(800) / 120)
            for samples, late in zip(made, ARRIVALS[source].values(), strict=True):
                samples[round((at_s + late) * RATE) :][:800] += sound
    tracks = [Track.from_array(name, samples, RATE) for name, samples in zip("ab", made, strict=True)]
    times = np.array([0.5, 1.0, 1.5, 2.0])
    found = strokes_by_place(tracks, times, ARRIVALS)
    assert sorted(found["drum"]) == [0.5, 1.5]
    assert sorted(found["bell"]) == [1.0, 2.0]
    assert strokes_by_place(tracks, np.zeros(0), ARRIVALS) == {}
    alone = strokes_by_place(tracks, times, {"drum": ARRIVALS["drum"]})
    assert sorted(alone["drum"]) == [0.5, 1.5]  # the others come from nowhere that is known


def test_a_credit_is_a_track_within_a_third_of_a_millisecond_of_the_others():
    """Of three tracks: as expected, one a sigma off, one far off, one that hears nothing, and one alone."""
    expected = {"drum": {"a": 0.001, "b": 0.004, "c": 0.009}}
    arrival_s = (
        0.5
        + np.array([[1.0, 4.0, 9.0], [1.0, 4.3, 9.0], [1.0, 6.0, 9.0], [1.0, 4.0, np.nan], [1.0, np.nan, np.nan]]) / 1e3
    )
    credit = leading._credits(arrival_s, ["a", "b", "c"], expected)[:, 0]
    assert credit == pytest.approx([2.0, 1.0 + np.exp(-0.5), 1.0, 1.0, 0.0], abs=1e-6)
