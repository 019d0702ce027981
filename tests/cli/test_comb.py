"""``micalign comb``: two distances without a scene, held against closed forms."""

from __future__ import annotations

import math

import pytest
from commands import micalign

SPEED_M_S = 343.99  # Cramer 1993 at 20 C, 50 % humidity, from the table of tests/external


@pytest.mark.parametrize(("near", "far"), [("30cm", "95cm"), ("0.30", "0.95"), ("1 ft", "3 ft"), ("95cm", "30cm")])
def test_figures_are_those_of_two_paths(near: str, far: str) -> None:
    """Delay from the longer way, level by 20 log10 of the ratio, notches at odd halves of 1/delay."""
    scale = {"30cm": 0.30, "95cm": 0.95, "0.30": 0.30, "0.95": 0.95, "1 ft": 0.3048, "3 ft": 0.9144}
    low, high = sorted((scale[near], scale[far]))
    unit = ["--unit", "m"] if near == "0.30" else []
    document = micalign("comb", near, far, *unit, "--json").document
    delay = (high - low) / SPEED_M_S
    weaker = low / high
    assert document["delay_s"] == pytest.approx(delay, rel=2e-4)
    assert document["level_difference_db"] == pytest.approx(20 * math.log10(high / low), abs=1e-9)
    assert document["notches_hz"][:3] == pytest.approx([0.5 / delay, 1.5 / delay, 2.5 / delay], rel=2e-4)
    assert document["notch_depth_db"] == pytest.approx(20 * math.log10(1 - weaker), abs=1e-6)
    assert document["peak_height_db"] == pytest.approx(20 * math.log10(1 + weaker), abs=1e-6)
    assert [round(row["delay_samples"] / delay) for row in document["samples"]] == pytest.approx(
        [44100, 48000, 96000], rel=2e-4
    )


def test_a_bare_number_is_never_guessed() -> None:
    """30 and 0.3 may both be meant: refused with both readings; a unit once named is told in the first line."""
    said = micalign("comb", "0.3", "0.95")
    assert said.status == 2
    assert "write 0.3cm 0.95cm or 0.3m 0.95m" in said.err
    first, second = micalign("comb", "0.3", "0.95", "--unit", "m").out.splitlines()[:2]
    assert first.split() == ["distances", "30", "cm", "and", "95", "cm"]
    assert "344 m/s" in second
    assert micalign("comb", "30", "95cm").out.splitlines()[0] == first
    assert "1129 ft/s" in micalign("comb", "1ft", "3ft").out


def test_a_delay_alone_is_equally_loud_unless_said() -> None:
    """Two equal copies cancel wholly, which is no number; 6 dB apart they fall by 6 dB."""
    assert micalign("comb", "--ms", "1", "--json").document["notch_depth_db"] is None
    assert "total" in micalign("comb", "--ms", "1").out
    document = micalign("comb", "--delay-ms", "1", "--level-difference", "6.0206", "--json").document
    assert document["first_notch_hz"] == pytest.approx(500.0)
    assert document["notch_depth_db"] == pytest.approx(-6.02, abs=0.01)


def test_it_says_what_to_move() -> None:
    """Nearer by the difference; by 3:1 further out where it is not yet; -q leaves the figures alone."""
    said = micalign("comb", "30cm", "60cm").out
    assert "30 cm nearer" in said
    assert "out to 90 cm" in said
    assert "3.5 dB at most" in said
    assert "Move" not in micalign("comb", "30cm", "60cm", "-q").out
    assert len(said.splitlines()) <= 24
    assert "Nothing to move" in micalign("comb", "30cm", "31cm").out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["30cm"], "two distances"),
        (["30cm", "far"], "no length"),
        (["30cm", "30cm"], "equal distances make no comb"),
        (["1m", "2m", "--ms", "2"], "not both"),
        (["1m", "2km"], "km"),
    ],
)
def test_what_cannot_be_is_refused(arguments: list[str], words: str) -> None:
    """One sentence, status 2."""
    said = micalign("comb", *arguments)
    assert said.status == 2
    assert words in said.err


def test_what_stands_at_three_to_one_already_is_not_moved_there() -> None:
    """1.2 m is 3 times 40 cm but for the last bits of the two numbers."""
    said = micalign("comb", "40cm", "1.2m").out
    assert "move it out" not in said
    assert "Or leave it: 3.0:1" in said
