"""Whether the delay of two tracks changes within the take (`micalign.tdoa.change`)."""

import numpy as np
import pytest

from micalign.take.tracks import Track
from micalign.tdoa.change import change_between
from micalign.tdoa.strokes import listen

RATE = 8000


def between(rng, late_before, late_after):
    """What is told of ten claps that come late by some samples, by one or two copies, before the middle and after."""
    near, far = np.zeros(64_000), np.zeros(64_000)
    for k in range(10):
        clap, at = rng.standard_normal(400) * np.exp(-np.arange(400) / 60), 6000 * k + 100
        near[at : at + 400] = clap
        for late in late_before if k < 5 else late_after:
            far[at + late : at + late + 400] += clap / np.sqrt(len(late_before if k < 5 else late_after))
    return change_between(*(listen(Track.from_array(name, x, RATE)) for name, x in (("near", near), ("far", far))))


def test_one_shift_that_brings_both_parts_together_is_a_change(rng):
    found = between(rng, [20], [60])
    assert found.change.by_s == pytest.approx(40 / RATE, abs=1 / RATE)
    assert found.shifted > 0.8
    assert not found.is_steady


def test_two_shifts_that_do_so_as_well_as_each_other_are_none(rng):
    """What arrives by another way after the moment than before is another sound, and no mic that was moved."""
    found = between(rng, [20], [60, 100])
    assert found.change is None
    assert found.shifted == pytest.approx(np.sqrt(0.5), abs=0.15)
    assert not found.is_steady


def test_what_stays_as_it_is_is_steady(rng):
    found = between(rng, [20], [20])
    assert found.is_steady
    assert found.as_it_is > 0.8
