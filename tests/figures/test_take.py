from __future__ import annotations

import numpy as np
import pytest
from figure_words import cut_off, overlaps

from micalign.alignment.gain import BandGain, SumGain
from micalign.figures.take import (
    CorrelatedPair,
    correlation_figure,
    gain_figure,
    hit_figure,
    levels_figure,
    spectrum_figure,
    sums_figure,
)
from micalign.take.levels import measure_levels
from micalign.take.tracks import Track
from micalign.tdoa.delays import Candidate, Delay

RATE = 48000


def delayed(noise: np.ndarray, samples: int, polarity: int = 1) -> np.ndarray:
    return polarity * np.concatenate([np.zeros(samples), noise[: len(noise) - samples]])


@pytest.mark.parametrize("polarity", [1, -1])
def test_the_likeness_peaks_at_the_delay_with_the_sign_of_the_polarity(polarity: int, rng: np.random.Generator) -> None:
    noise = rng.standard_normal(2 * RATE)
    first = Track.from_array("first", noise, RATE)
    late = Track.from_array("late", delayed(noise, 120, polarity), RATE)
    delay = Delay(
        120 / RATE,
        1e-6,
        polarity,
        1.0,
        1.0,
        True,
        None,
        (Candidate(120 / RATE, polarity, 0.9), Candidate(0.001, 1, 0.1)),
    )
    figure = correlation_figure([CorrelatedPair("first to late", first, late, delay)])
    lag_ms, value = (np.asarray(part) for part in figure.axes[0].lines[1].get_data())
    best = int(np.argmax(np.abs(value)))
    # Half a sample, the step of the curve, is 0.0104 ms.
    assert lag_ms[best] == pytest.approx(2.5, abs=0.0105)
    assert np.sign(value[best]) == polarity
    assert figure.axes[0].lines[2].get_xdata()[0] == pytest.approx(2.5)
    assert cut_off(figure) == []
    assert overlaps(figure) == []


def test_the_rings_lie_on_the_drawn_curves_own_peaks(rng: np.random.Generator) -> None:
    """A second copy 1.5 ms after the first, nine tenths as loud: one ring, at 4 ms, on the curve."""
    noise = rng.standard_normal(2 * RATE)
    first = Track.from_array("first", noise, RATE)
    both = Track.from_array("both", delayed(noise, 120) - 0.9 * delayed(noise, 192), RATE)
    axes = correlation_figure(
        [CorrelatedPair("two", first, both, Delay(120 / RATE, 1e-6, 1, 1.0, 1.0, True, None))]
    ).axes[0]
    curve, rings = axes.lines[1], axes.lines[3]
    (late,), (height,) = (np.asarray(part) for part in rings.get_data())
    assert late == pytest.approx(4.0, abs=0.0105)
    assert height == pytest.approx(float(np.interp(late, *map(np.asarray, curve.get_data()))), abs=1e-9)
    assert height < -0.7


def test_a_number_that_is_not_reliable_says_so() -> None:
    track = Track.from_array("a", np.random.default_rng(1).standard_normal(RATE), RATE)
    figure = correlation_figure([CorrelatedPair("a", track, track, Delay(0.0, 1e-6, 1, 0.0, 0.0, False, "noise"))])
    assert any("not reliable" in text.get_text() for text in figure.axes[0].texts)


def test_one_hit_is_drawn_before_and_after_for_every_track() -> None:
    time = np.arange(960) / RATE
    before = {f"mic {n}": np.sin(2 * np.pi * 200 * (time - n * 1e-3)) for n in range(3)}
    after = {name: np.sin(2 * np.pi * 200 * time) for name in before}
    figure = hit_figure(before, after, sample_rate=RATE, start_s=1.25, of="snare")
    for axes in figure.axes:
        assert np.allclose(axes.lines[1].get_ydata(), np.sin(2 * np.pi * 200 * time), atol=2e-3)
    assert figure.axes[-1].get_xlabel() == "time after 1.250 s (ms)"
    assert cut_off(figure) == []


def test_the_spectrum_of_noise_is_flat_and_a_tone_stands_out() -> None:
    rng = np.random.default_rng(2)
    noise = rng.standard_normal(4 * RATE)
    tone = noise + 5 * np.sin(2 * np.pi * 1000 * np.arange(len(noise)) / RATE)
    before, after = spectrum_figure(noise, tone, sample_rate=RATE).axes[0].lines
    hertz, level = (np.asarray(part) for part in before.get_data())
    wide = hertz > 500  # below, a sixth of an octave holds too few bins to be smooth
    assert np.ptp(level[wide]) < 1.5
    hertz, level = (np.asarray(part) for part in after.get_data())
    assert hertz[np.argmax(level)] == pytest.approx(1000, rel=0.06)


def test_bands_without_sound_leave_a_gap_and_silence_no_curve() -> None:
    bands = (BandGain(100.0, 1.0, 3.0), BandGain(125.0, None, None), BandGain(160.0, -2.0, 2.5))
    axes = gain_figure(SumGain(0.0, 3.0, bands)).axes[0]
    assert [len(line.get_xdata()) for line in axes.lines[:2]] == [2, 2]
    assert list(axes.lines[1].get_ydata()) == [3.0, 2.5]
    assert gain_figure(SumGain(None, None, ())).axes[0].get_legend() is None


def test_the_ways_to_add_a_di_and_its_mic_lie_over_one_another_by_third_octave() -> None:
    centres = [100.0, 125.9, 158.5]
    ways = {
        "as recorded": [-3.0, float("nan"), 1.0],
        "best delay and polarity": [2.0, 2.5, 2.0],
        "with all-pass": [2.8, 2.9, 2.7],
    }
    figure = sums_figure([("di and close", ways), ("di and far", dict(list(ways.items())[:2]))], centres)
    first, second = figure.axes
    drawn = [np.asarray(line.get_ydata()) for line in first.lines[1:]]
    np.testing.assert_array_equal(drawn, list(ways.values()))
    assert [len(axes.lines) - 1 for axes in (first, second)] == [3, 2]
    assert [text.get_text() for text in figure.legends[0].get_texts()] == list(ways)
    assert cut_off(figure) == []
    assert overlaps(figure) == []


def test_the_levels_are_drawn_in_the_order_and_words_of_the_table_each_in_its_lane(rng: np.random.Generator) -> None:
    seconds = np.arange(6 * RATE) / RATE
    strokes = np.exp(-(seconds % 0.75) / 0.05) * np.sin(2 * np.pi * 180 * seconds) + 1e-4 * rng.normal(size=6 * RATE)
    sounds = {
        "good": 0.5 * strokes,
        "over": 3.0 * rng.permutation(strokes),
        "offset": 0.4 * np.roll(strokes, RATE // 5) ** 3 + 0.03,
        "clipped": np.clip(2.0 * strokes, -0.6, 0.6) + 0.02 + 0.05 * np.sin(2 * np.pi * 50 * seconds),
    }
    levels = measure_levels([Track.from_array(name, sound, RATE) for name, sound in sounds.items()])
    figure = levels_figure(levels)
    words = [[text.get_text() for text in axes.texts] for axes in figure.axes]
    table = sorted(levels, key=lambda one: one.gravity)
    assert [name for name, _ in words] == [one.name for one in table]
    assert [" ".join(said.split("\n")[:-1]) for _, said in words] == [one.verdict_words for one in table]
    for axes in figure.axes:
        drawn = axes.collections[0].get_paths()[0].get_extents()
        low, high = axes.get_ylim()
        assert low <= drawn.ymin
        assert drawn.ymax <= high
    assert cut_off(figure) == []
    assert overlaps(figure) == []
