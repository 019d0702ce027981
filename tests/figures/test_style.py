from __future__ import annotations

from itertools import combinations

import matplotlib as mpl
import numpy as np
import pytest

from micalign.errors import OutputError
from micalign.figures.style import (
    COLOURS,
    DARK,
    DASHES,
    SERIES,
    dress,
    frequency_axis,
    inline_svg,
    new_figure,
    render,
    stacked,
    words,
)

# Linear RGB seen with no red cones and no green cones: Viénot, Brettel and Mollon, Color Research and Application
# 24(4), 243-252, 1999 (the two matrices from memory; rows sum to 1, so greys stay grey).
WITHOUT_RED = np.array([[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]])
WITHOUT_GREEN = np.array([[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]])


def linear(colour: str) -> np.ndarray:
    values = np.array([int(colour[place : place + 2], 16) for place in (1, 3, 5)]) / 255
    return np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* under D65, from linear sRGB (IEC 61966-2-1)."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    x = (to_xyz @ np.clip(rgb, 0, 1)) / np.array([0.9505, 1.0, 1.089])
    f = np.where(x > (6 / 29) ** 3, np.cbrt(x), x * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def luminance(colour: str) -> float:
    return float(np.array([0.2126, 0.7152, 0.0722]) @ linear(colour))


def contrast(one: str, other: str) -> float:
    """WCAG 2.1, contrast ratio."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("palette", [COLOURS, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("sight", [np.eye(3), WITHOUT_RED, WITHOUT_GREEN], ids=["all", "no red", "no green"])
def test_no_two_series_look_alike_to_any_common_eye(palette: dict[str, str], sight: np.ndarray) -> None:
    # 20 in CIE 1976 is several times what is just told apart side by side (2.3).
    for one, other in combinations(SERIES, 2):
        apart = np.linalg.norm(lab(sight @ linear(palette[one])) - lab(sight @ linear(palette[other])))
        assert apart > 20, f"{one} and {other}: {apart:.1f}"


def test_series_drawn_together_differ_in_a_grey_print() -> None:
    # Figures of two series use the first two; all four also differ by their dash.
    greys = [lab(linear(COLOURS[name]))[0] for name in SERIES]
    assert abs(greys[0] - greys[1]) > 15
    assert len(set(map(str, DASHES))) == len(SERIES)


@pytest.mark.parametrize("palette", [COLOURS, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("name", ["ink", "soft", "umber", "blue", "brick", "plum"])
def test_words_stand_out_from_the_paper(palette: dict[str, str], name: str) -> None:
    # WCAG 2.1, success criterion 1.4.3: 4.5 to 1 for text.
    assert contrast(palette[name], palette["paper"]) >= 4.5


def test_both_pages_have_the_same_colours() -> None:
    assert set(COLOURS) == set(DARK)


@pytest.mark.parametrize(("suffix", "start"), [(".png", b"\x89PNG"), (".svg", b"<?xml"), (".PDF", b"%PDF")])
def test_a_figure_is_written_as_its_ending_says_and_twice_the_same(suffix: str, start: bytes) -> None:
    figure, panels = stacked(1, panel_in=1.0)
    panels[0].plot([1, 2], [3, 4], label="curve")
    first = render(figure, suffix)
    assert first.startswith(start)
    assert first == render(figure, suffix)


def test_another_ending_is_refused() -> None:
    with pytest.raises(OutputError, match=r"'\.jpg'.*\.png, \.svg or \.pdf"):
        render(new_figure(1, 1), ".jpg")


def test_drawing_leaves_the_callers_settings_alone() -> None:
    before = dict(mpl.rcParams)
    figure, panels = stacked(1, panel_in=1.0)
    dress(panels[0], x="x (m)")
    render(figure, ".svg")
    assert dict(mpl.rcParams) == before


def test_every_octave_is_equally_wide_and_carries_the_trades_labels() -> None:
    figure, panels = stacked(1, panel_in=1.0)
    axes = frequency_axis(dress(panels[0]))
    figure.draw_without_rendering()
    places = axes.transData.transform([(hertz, 1.0) for hertz in (50, 100, 200, 400)])[:, 0]
    assert np.ptp(np.diff(places)) < 1e-6
    labels = [label.get_text() for label in axes.get_xticklabels()]
    assert labels == ["20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"]


def test_a_figure_in_a_page_takes_its_colours_from_the_page() -> None:
    figure, panels = stacked(1, panel_in=1.0)
    panels[0].plot([1, 2], [3, 4], color=COLOURS["blue"])
    svg = inline_svg(figure)
    assert svg.startswith("<svg")
    assert "var(--blue)" in svg
    assert not [colour for colour in COLOURS.values() if colour in svg]


@pytest.mark.parametrize("name", ["$x^2$", r"\frac{1}{2} $a$", "Ω 日本 🥁", "<b>&\"'", "a\nb\t"])
def test_any_name_is_written_as_it_stands_without_a_complaint(name: str) -> None:
    figure = new_figure(3, 1)
    figure.text(0.1, 0.5, words(name))
    assert render(figure, ".png")


def test_a_name_that_no_glyph_shows_is_boxed_and_a_long_one_cut() -> None:
    assert words("日本") == "□□"
    assert words("x" * 100, longest=10) == "x" * 9 + "…"
