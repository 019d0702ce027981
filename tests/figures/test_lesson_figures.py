from __future__ import annotations

import numpy as np
import pytest
from figure_words import cut_off, overlaps

from micalign.figures.late_copies import Copy
from micalign.figures.lesson_pictures import lesson_figures, sketches

DRAWN = lesson_figures(Copy(0.0019, 10.0, label="your copy")) | sketches()


@pytest.mark.parametrize("name", DRAWN)
def test_no_word_of_the_lesson_is_cut_off_or_covers_another(name: str) -> None:
    assert cut_off(DRAWN[name]) == []
    assert overlaps(DRAWN[name]) == []


def test_the_waves_cancel_at_half_a_period_and_add_at_a_whole_one() -> None:
    sums = [axes.lines[2].get_ydata() for axes in DRAWN["waves"].axes]
    assert np.max(np.abs(sums[0])) < 1e-9
    assert np.max(np.abs(sums[1])) == pytest.approx(2.0, abs=1e-3)


def test_the_dots_on_the_depth_curve_are_the_closed_form() -> None:
    dots = DRAWN["depth"].axes[0].lines[2]
    level, depth = dots.get_data()
    assert list(level) == [1.0, 3.0, 6.0, 9.5, 12.0, 20.0]
    assert np.allclose(depth, 20 * np.log10(1 - 10 ** (-np.asarray(level) / 20)))
