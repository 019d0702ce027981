"""Tables on a narrow terminal: closer columns first, then folded names, and numbers whole."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import pytest
from rich.console import Console
from rich.style import Style

from micalign.alignment.pairings import Measured
from micalign.alignment.solo import FoundAlone
from micalign.compare.linecheck import HeardLine, LineSource
from micalign.report.compare_words import _arrival
from micalign.report.measure_words import delay_table, measure_document, measured_line, source_table, stretch_lines
from micalign.report.tables import NOTE, PROBLEM, WARNING, bare_table, ruled_table
from micalign.tdoa.alone import StruckStretch
from micalign.tdoa.delays import Delay, PairDelay, SourceDelays, TrackDelay

ROWS = [("snare", "overhead left", "overhead right", "+0.477 ms", "900-1200 Hz", "-14.2 dB")]
HEADINGS = ("source", "first mic", "second mic"), ("later by", "first notch", "dip")


def _lines(width: int) -> list[str]:
    out = io.StringIO()
    Console(file=out, width=width).print(ruled_table("Two mics", *HEADINGS, ROWS))
    return [line.rstrip() for line in out.getvalue().splitlines()]


@pytest.mark.parametrize(("width", "between"), [(100, 3), (76, 3), (75, 2), (71, 2)])
def test_columns_move_closer_before_a_name_is_folded(width: int, between: int) -> None:
    """The cells are 61 characters wide: 76 with three between each two columns, 71 with two."""
    row = next(line for line in _lines(width) if line.startswith("snare"))
    gap = re.search(r"ms( +)900-1200 Hz", row)
    assert gap is not None
    assert len(gap[1]) == between
    assert "overhead right" in row


def test_numbers_stay_whole_where_names_fold() -> None:
    """Nothing of a figure is cut off or put on a second line."""
    text = "\n".join(_lines(64))
    assert "…" not in text
    assert all(cell in text for cell in ROWS[0][3:])


@pytest.mark.parametrize("width", [50, 40])
def test_rows_stack_where_even_the_figures_do_not_fit(width: int) -> None:
    """Every word and figure of the row is there and whole, each with its heading."""
    lines = _lines(width)
    assert lines[1] == "source: snare"
    pairs = [*zip(sum(HEADINGS, ()), ROWS[0], strict=True)]
    assert "   ".join(line.strip() for line in lines[2:]) == "   ".join(f"{head}: {cell}" for head, cell in pairs[1:])
    assert max(map(len, lines)) <= width


@pytest.mark.parametrize("style", [PROBLEM, WARNING, NOTE])
def test_colours_are_legible_on_black_and_on_white(style: str) -> None:
    """WCAG 2.1's contrast, coded here: 4.5:1 on both grounds, from colours that no palette changes."""
    colour = Style.parse(style).color
    assert colour is not None
    assert colour.number is not None
    assert colour.number >= 16
    channels = [value / 255 for value in colour.get_truecolor()]
    red, green, blue = (v / 12.92 if v <= 0.03928 else ((v + 0.055) / 1.055) ** 2.4 for v in channels)
    luminance = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    assert 1.05 / (luminance + 0.05) >= 4.5
    assert (luminance + 0.05) / 0.05 >= 4.5


@pytest.mark.parametrize("width", [80, 20])
def test_only_the_verdict_is_coloured(width: int) -> None:
    """Side by side or stacked: the word that says what is wrong, and nothing else of its row."""
    table = bare_table("Delays")
    table.add_column("track")
    table.add_column("delay", no_wrap=True)
    table.add_column("verdict")
    table.add_row("snare", "+0.477 ms", "unreliable", style=WARNING)
    out = io.StringIO()
    Console(file=out, width=width, force_terminal=True, color_system="256").print(table)
    coloured = re.findall(r"\x1b\[38;5;131m(.*?)\x1b\[0m", out.getvalue())
    assert [words.strip() for words in coloured] == ["unreliable"]


def test_a_delay_that_was_never_measured_is_a_dash() -> None:
    """A doubtful number stands in brackets; where there is none, no 0.000 ms is made up."""
    doubt = Delay(0.0012, 2e-5, 1, 0.1, 0.3, False, "too little in common")
    nothing = Delay(0.0, 0.0, 1, 0.0, 0.0, False, "no track of its own")
    out = io.StringIO()
    Console(file=out, width=120).print(delay_table("", [TrackDelay("left", doubt), TrackDelay("room", nothing)], 48000))
    left, room = (next(line for line in out.getvalue().splitlines() if name in line) for name in ("left", "room"))
    assert "(+1.200 ms)" in left
    assert room.split()[:5] == ["room", "-", "-", "-", "-"]


def _printed(table: object, width: int = 120) -> str:
    out = io.StringIO()
    Console(file=out, width=width).print(table)
    return out.getvalue()


def test_a_polarity_in_doubt_has_a_question_mark() -> None:
    """Nobody is to flip a track on a sign that might as well be the other; the delay is as reliable as it was."""
    sure = Delay(0.0012, 2e-6, -1, 0.9, 0.98, True, None)
    doubt = replace(sure, polarity_margin=0.02)
    said = _printed(delay_table("", [TrackDelay("left", sure), TrackDelay("room", doubt)], 48000))
    left, room = (next(line for line in said.splitlines() if line.startswith(name)) for name in ("left", "room"))
    assert "INVERTED" in left
    assert "inverted?" in room
    assert "delay reliable, polarity open, confidence 98 %" in room
    assert "open" not in left
    assert "the polarity is open" in said.replace("\n", " ")
    assert "?" not in _printed(delay_table("", [TrackDelay("left", sure)], 48000))
    source = SourceDelays("kick", "kick mic", (PairDelay("kick mic", "left", doubt),), {}, 6)
    rows = measure_document(Measured("left", 48000, (TrackDelay("room", doubt),), (source,)))
    assert [row["polarity_clear"] for row in (rows["tracks"][0], rows["sources"][0]["tracks"][0])] == [False, False]
    for row in (rows["tracks"][0], rows["sources"][0]["tracks"][0]):
        assert (row["reliable"], row["reason"], row["remark"].split(":")[0]) == (True, None, "its polarity is open")
    assert "inverted?" in _printed(source_table([source]))
    assert "polarity open, 98 %" in _printed(source_table([source]))
    line = measured_line(Measured("left", 48000, (TrackDelay("near", sure), TrackDelay("room", doubt)), None))
    assert "inverted: 'near'; polarity open: 'room'" in line


def test_sources_share_one_table() -> None:
    """A source's name stands once, beside its first track; what it was measured on, and what is doubted, below all."""
    sure, doubt = Delay(0.0012, 2e-6, 1, 0.9, 0.98, True, None), Delay(0.002, 2e-5, 1, 0.9, 0.3, False, None)
    kick = SourceDelays(
        "kick", "kick mic", (PairDelay("kick mic", "left", sure), PairDelay("kick mic", "room", doubt)), {}, 6,
        remark="one stroke was left out", alone_hits=6,
    )  # fmt: skip
    snare = SourceDelays("snare", "top", (PairDelay("top", "left", sure),), {}, 4)
    said = _printed(source_table([kick, snare]))
    assert "own track or the nearest mic that is on it" in said  # another may have it earlier, as bleed
    assert [said.count(name) for name in ("kick mic", "(+2.000 ms)", "no: the tracks have too little in common")] == [
        1
    ] * 3
    assert "Struck alone: kick on 6 hits." in said
    assert "Moments of its own: snare on 4." in said
    assert "kick: one stroke was left out." in said


def test_what_was_found_alone_is_a_line_each_and_one_word_how_to_leave_it_out() -> None:
    """However many stretches: the option that strikes one out is named once; without any, nothing is said."""
    found = [FoundAlone(StruckStretch(at, at + 2.0, 6, {"kick mic": -9.0}), "kick") for at in (0.5, 3.0)]
    *lines, last = stretch_lines(found)
    assert [line.split(" seems")[0] for line in lines] == [one.span_words for one in found]
    assert "--strike" in last
    assert not any("--strike" in line for line in lines)
    assert list(stretch_lines([])) == []


@pytest.mark.parametrize(
    ("polarity", "margin", "reliable", "said"),
    [
        (1, 0.9, True, "+2.00"),
        (-1, 0.9, True, "+2.00 INV"),
        (-1, 0.1, True, "+2.00 inv?"),
        (-1, 0.1, False, "+2.00?"),
    ],
)
def test_a_line_that_is_perhaps_inverted_says_perhaps(polarity: int, margin: float, reliable: bool, said: str) -> None:
    """In the matrix of a line check as in the table of delays; what is not reliable has its mark already."""
    top = HeardLine("top", True, 0.002, 1e-5, polarity, margin, 1, -9.0, -6.0, reliable)
    assert _arrival(LineSource("kick", False, True, (), 6, "kick mic", (top,), None), top) == said
