from __future__ import annotations

import numpy as np
import pytest

from micalign.figures.late_copies import Copy, Recorded, comb_figure, recorded_combs_figure


def test_the_curve_is_the_sum_of_a_sound_and_its_copy() -> None:
    line = comb_figure(Copy(0.00123, 4.0, -1)).axes[0].lines[0]
    hertz, level = (np.asarray(part) for part in line.get_data())
    sum_ = np.abs(1 - 10 ** (-4.0 / 20) * np.exp(-2j * np.pi * hertz * 0.00123))
    assert np.allclose(level, 20 * np.log10(sum_), atol=1e-9)


@pytest.mark.parametrize("delay_s", [0.0005, 0.001, 0.005])
def test_every_notch_up_to_where_teeth_are_shaded_is_a_point_of_the_curve(delay_s: float) -> None:
    hertz, level = comb_figure(Copy(delay_s)).axes[0].lines[0].get_data()
    expected = (np.arange(20) + 0.5) / delay_s
    expected = expected[expected <= max(hertz)]
    assert len(expected) > 0
    nearest = [int(np.argmin(np.abs(hertz - notch))) for notch in expected]
    assert np.allclose(np.asarray(hertz)[nearest], expected)
    assert np.max(np.asarray(level)[nearest]) <= -30


@pytest.mark.parametrize("polarity", [1, -1])
def test_the_band_holds_every_curve_within_one_standard_deviation(polarity: int, rng: np.random.Generator) -> None:
    copy = Copy(0.0008, 3.0, polarity, 0.00006)
    figure = comb_figure(copy)
    outline = figure.axes[0].collections[0].get_paths()[0].vertices
    hertz = np.asarray(figure.axes[0].lines[0].get_xdata())
    half = len(hertz)
    # fill_between goes along the lower edge, then back along the upper one.
    low, high = outline[1 : half + 1, 1], outline[half + 2 : 2 * half + 2, 1][::-1]
    for delay in 0.0008 + 0.00006 * rng.uniform(-1, 1, 50):
        level = 20 * np.log10(np.abs(1 + polarity * 10 ** (-3 / 20) * np.exp(-2j * np.pi * hertz * delay)))
        assert np.all(level >= low - 1e-9)
        assert np.all(level <= high + 1e-9)
    assert np.max(high - low) > 5


def test_before_and_after_differ_by_dash_and_are_both_named() -> None:
    lines = comb_figure(Copy(0.001, label="before"), Copy(0.0, label="after")).axes[0].lines
    assert [line.get_label() for line in lines[:2]] == ["before", "after"]
    assert lines[0].get_linestyle() != lines[1].get_linestyle()


def test_a_recorded_sum_is_drawn_beside_the_promise_and_both_are_named() -> None:
    recorded = Recorded(np.array([100.0, 1000.0]), np.array([-3.0, 3.0]))
    figure = recorded_combs_figure([("before", Copy(0.003, label="promised"), recorded)], title="snare")
    axes = figure.axes[0]
    assert {"promised", "recorded"} <= {text.get_text() for text in axes.get_legend().get_texts()}
    assert list(axes.lines[-1].get_ydata()) == [-3.0, 3.0]
    assert axes.lines[-1].get_linestyle() != axes.lines[0].get_linestyle()


def test_the_lowest_audible_notch_is_named() -> None:
    texts = [text.get_text() for text in comb_figure(Copy(0.002, polarity=-1)).axes[0].texts]
    assert texts == ["first notch 500 Hz"]


def test_an_uncertain_notch_is_named_by_the_range_it_lies_in() -> None:
    """1/(2 x 0.529 ms) = 945 Hz to 1/(2 x 0.425 ms) = 1176 Hz, and no more digits than that width leaves."""
    texts = [text.get_text() for text in comb_figure(Copy(0.000477, uncertainty_s=0.000052)).axes[0].texts]
    assert texts == ["first notch 900-1200 Hz"]
