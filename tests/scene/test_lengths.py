"""Lengths are read as people write them, and nothing else is taken for a length."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from micalign.scene.quantities import LENGTH_PATTERN, parse_length

# The international yard and pound agreement of 1959: one inch is 25.4 mm, one foot 304.8 mm, exactly.
INCH_M = 0.0254


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("41 in", 41 * INCH_M),
        ("3 ft 5 in", 41 * INCH_M),
        ("3ft 5in", 41 * INCH_M),
        ("3' 5\"", 41 * INCH_M),
        ("5 1/2 in", 5.5 * INCH_M),
        ("1/4 inch", 0.25 * INCH_M),
        ("2 feet", 24 * INCH_M),
        ("62 cm", 0.62),
        ("1 m 4 cm", 1.04),
        (".5 metre", 0.5),
        ("-7 mm", -0.007),
        ("1.04", 0.0104),
        ("-3", -0.03),
        (" 2  M ", 2.0),
    ],
)
def test_a_length_is_read_as_written(text: str, metres: float) -> None:
    """Bare numbers are in the unit given, here centimetres."""
    assert parse_length(text, "cm") == pytest.approx(metres, abs=1e-12)


@pytest.mark.parametrize(
    ("value", "why"),
    [
        ("", "no length"),
        ("snare", "no length"),
        ("3 5 in", "without a unit"),
        ("3 in 5 ft", "larger unit to the smaller"),
        ("3 ft 5 ft", "larger unit to the smaller"),
        ("2 furlong", "unit 'furlong'"),
        ("0,62 m", "decimal point"),
        ("1/0 in", "divides by zero"),
        ("1e3 m", "unit 'e'|no length"),
        ("1e9", "unit 'e'"),
        ("9" * 100, "no length"),
        ("20 km", "unit 'km'"),
        (float("nan"), "finite"),
        (float("inf"), "finite"),
        (10**400, "finite"),
        (1e9, "more than 10 km"),
        (True, "no length"),
        (None, "no length"),
        ([1], "no length"),
    ],
)
def test_what_is_no_length_is_refused_in_words(value: object, why: str) -> None:
    """The message says what was met."""
    with pytest.raises(ValueError, match=why):
        parse_length(value)


@given(
    st.floats(0.001, 900.0),
    st.sampled_from([("m", 1.0), ("cm", 0.01), ("mm", 0.001), ("ft", 12 * INCH_M), ("in", INCH_M)]),
)
def test_a_number_and_its_text_are_one_length(number: float, unit: tuple[str, float]) -> None:
    """Whether the unit stands in the text or is the file's, the length is the same."""
    name, metres = unit
    text = f"{number:.6f}"
    assert parse_length(f"{text} {name}") == pytest.approx(float(text) * metres, rel=1e-12)
    assert parse_length(float(text), name) == pytest.approx(float(text) * metres, rel=1e-12)


@given(st.text(max_size=80))
def test_any_text_is_a_finite_length_or_a_plain_refusal(text: str) -> None:
    """No text breaks the reader, and what it reads the schema's pattern allows."""
    import re

    try:
        metres = parse_length(text)
    except ValueError as error:
        assert str(error)
        return
    assert math.isfinite(metres)
    assert re.match(LENGTH_PATTERN, text.replace("−", "-"))
