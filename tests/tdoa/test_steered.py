"""Strokes of sources that have no mic: which are nobody's, and from which place the tracks add up best."""

from __future__ import annotations

import numpy as np
import pytest
from heard_levels import heard_of, struck

from micalign.take.tracks import Track
from micalign.tdoa.sources import strokes_by_place, strokes_of_no_mic
from micalign.tdoa.spectra import flat_spectra

RATE = 8000
ARRIVALS = {"drum": {"a": 0.001, "b": 0.004}, "bell": {"a": 0.006, "b": 0.002}}


@pytest.mark.parametrize(("apart_s", "kept"), [(0.035, 1), (0.045, 2), (-0.035, 1), (-0.045, 2)])
def test_strokes_of_no_mic_are_forty_milliseconds_from_each_other_and_from_those_taken(apart_s, kept):
    """The weaker for itself of two in two tracks; and one beside a stroke that another source has."""
    one = heard_of(struck(4000, {1000: 1.0, 2500: 1.0}))
    other = heard_of(struck(4000, {1000: 0.1, 2500: 0.1, 3500: 0.3}), start_s=apart_s)
    found = strokes_of_no_mic([one, other], np.zeros(0))
    both = [1.0, 2.5] if kept == 1 else [1.0, 2.5, 1.0 + apart_s, 2.5 + apart_s]
    assert found == pytest.approx(sorted([*both, 3.5 + apart_s]), abs=0.002)
    assert len(strokes_of_no_mic([one], np.array([1.0 + apart_s]))) == kept


@pytest.mark.parametrize(("level_db", "kept"), [(-19.0, 3), (-21.0, 2)])
def test_strokes_of_no_mic_are_within_twenty_decibels_of_the_loudest(level_db, kept):
    """What a track's gain is does not matter."""
    for gain in (1.0, 1e-4):
        loud = {500: gain, 1500: 0.5 * gain, 2500: gain * 10 ** (level_db / 10)}
        assert len(strokes_of_no_mic([heard_of(struck(4000, loud, floor=1e-12))], np.zeros(0))) == kept


def test_of_many_strokes_of_no_mic_the_strongest_are_kept_in_order():
    levels = np.random.default_rng(3).permutation(np.linspace(0.2, 1.0, 170))
    many = heard_of(struck(52_000, {300 * (index + 1): level for index, level in enumerate(levels)}))
    found = strokes_of_no_mic([many], np.zeros(0))
    strongest = np.sort(np.argsort(-levels)[:160])
    assert found == pytest.approx((strongest + 1) * 0.3, abs=0.002)
    assert strokes_of_no_mic([], np.zeros(0)).tolist() == []


def test_strokes_are_told_apart_by_the_place_they_add_up_best_from(rng):
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
    assert sorted(alone["drum"]) == times.tolist()  # there is nobody else


def test_flattened_spectra_are_of_one_size_inside_the_band(rng):
    frames = rng.normal(size=(2, 500))
    flat = flat_spectra(frames, 1024, 32_000, (300.0, 12_000.0))
    hz = np.fft.rfftfreq(1024, 1 / 32_000)
    inside = (hz >= 300.0) & (hz <= 12_000.0)
    assert not flat[:, ~inside].any()
    size = np.abs(np.fft.rfft(frames, 1024, axis=1))
    assert np.abs(flat[:, inside]) == pytest.approx((size / (size + 1e-3 * size.max(axis=1, keepdims=True)))[:, inside])
