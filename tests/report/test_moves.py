"""Moves and limits in words."""

from __future__ import annotations

import pytest

from micalign.acoustics.placement import Limit, Move, Obstacle
from micalign.findings.finding import Finding
from micalign.report.place_words import findings_table, move_words, obstacle_words
from micalign.scene.model import Box, Keepout, Mic, Pair, Room, Source
from micalign.scene.scene import Scene
from micalign.units import string_length

SCENE = Scene(
    room=Room((6.0, 5.0, 2.5)),
    sources=(Source("hi-hat", (3.0, 2.0, 0.9)), Source("kick", (2.0, 1.0, 0.3))),
    mics=(
        Mic("over", (2.0, 2.0, 1.8), move=Box((1.8, 2.2), (1.8, 2.2), (1.6, 2.0))),
        Mic("under", (2.0, 2.0, 0.4), reach_m=0.3),
        Mic("still", (4.0, 2.0, 1.8)),
    ),
    pairs=(Pair("pair", ("over", "still"), equal_to=("kick",)),),
    keepouts=(Keepout("head", (2.0, 3.0, 1.3), radius_m=0.3),),
)


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ((0.04, 0.0, 0.06), "4 cm toward the hi-hat, 6 cm up"),
        ((0.0, -0.2, 0.0), "20 cm toward the kick"),
        ((-0.1, 0.0, -0.05), "10 cm away from the hi-hat, 5 cm down"),
        ((0.07, 0.07, 0.0), "7 cm to the right, 7 cm toward the back"),
        ((-0.07, -0.07, 0.0), "7 cm to the left, 7 cm toward the front"),
        ((0.0, 0.0, 1.2), "1.20 m up"),
        ((0.003, 0.0, 0.5), "50 cm up"),
        ((0.002, 0.002, 0.002), "3 mm in all"),
    ],
)
def test_a_move_is_told_by_what_lies_that_way(step: tuple[float, float, float], words: str) -> None:
    """A source within 20 degrees names the direction; else the walls do. Up and down are told apart."""
    x, y, z = (2.0 + step[0], 2.0 + step[1], 1.8 + step[2])
    length = sum(value**2 for value in step) ** 0.5
    assert move_words(SCENE, Move("over", (2.0, 2.0, 1.8), (x, y, z), length)) == words


def test_a_source_nearer_than_the_move_is_no_landmark() -> None:
    """Nobody is sent 'toward the kick' past the kick."""
    move = Move("over", (2.0, 2.0, 1.8), (2.0, 0.5, 1.8), 1.5)
    assert move_words(SCENE, move) == "1.50 m toward the front"


@pytest.mark.parametrize(
    ("obstacle", "words"),
    [
        (Obstacle(Limit("keepout", "head"), 0.05), "keepout 'head', which would have to give way by 5 cm"),
        (
            Obstacle(Limit("wall", ""), 0.08),
            "the margin to the walls, 12 cm instead of 20 cm ([place] wall_margin)",
        ),
        (
            Obstacle(Limit("move", "over"), 0.1, (2.3, 2.0, 1.5)),
            "the box of 'over' ('move'), which would have to reach 10 cm further to the right and 10 cm further down",
        ),
        (Obstacle(Limit("reach", "under"), 0.12, (2.4, 2.0, 0.4)), "the reach of 'under', 42 cm instead of 30 cm"),
        (
            Obstacle(Limit("fixed", "still"), 0.07, (4.0, 2.07, 1.8)),
            "'still' may not move: it would have to stand 7 cm from where it is (give it 'move' or 'reach')",
        ),
        # 34.4 mm of travel at 343.98 m/s are 0.1 ms: 0.15 instead of 0.05, rounded so that it is enough.
        (
            Obstacle(Limit("tolerance", "pair"), 0.0344),
            "the tolerance of pair 'pair', 0.151 ms instead of 0.05 ms ('tolerance_ms')",
        ),
    ],
)
def test_a_limit_says_what_it_would_have_to_give(obstacle: Obstacle, words: str) -> None:
    """Each kind by its own key, in numbers that the scene file takes."""
    assert obstacle_words(SCENE, obstacle) == words


@pytest.mark.parametrize(
    ("metres", "unit", "words"),
    [
        (1.2669, "cm", "126.7 cm"),
        (0.0254 * 12, "ft", "1 ft"),
        (0.0254 * 12.25, "ft", "1 ft 1/4 in"),
        (0.0254 * 0.5, "in", "1/2 in"),
        (0.0, "in", "0 in"),
    ],
)
def test_a_string_is_cut_to_what_a_tape_can_tell(metres: float, unit: str, words: str) -> None:
    """The millimetre, or the eighth of an inch."""
    assert string_length(metres, unit) == words


def test_a_finding_that_stays_says_what_became_of_it() -> None:
    """A floor tom that cancels deeper after the move is not merely still there."""
    told = [("kick", "by 6 dB", 6.0), ("snare", "by 9 dB", 9.0), ("tom", "by 15 dB", 15.0), ("hat", "by 7 dB", 7.0)]
    then = [Finding("mono-sum", "note", (name,), message, "", weight) for name, message, weight in told]
    told = [("snare", "by 8 dB", 8.0), ("tom", "by 23 dB", 23.0), ("hat", "by 7 dB", 7.01), ("ride", "by 6 dB", 6.0)]
    now = [Finding("mono-sum", "note", (name,), message, "", weight) for name, message, weight in told]
    became = list(findings_table(then, now).columns[0].cells)
    assert became == ["better", "worse", "stays", "new", "mended"]


def test_a_finding_is_not_both_new_and_mended() -> None:
    """Of findings that are alike another one is the heaviest after the move; one more is no longer reported at all."""

    def note(name: str, alike: str, weight: float) -> Finding:
        return Finding("floor", "note", (name,), f"{name} by {weight:g} dB.", "", weight, alike=(alike,))

    every = [
        note("kick", "floor", 6.0),
        note("snare", "floor", 5.0),
        note("hat", "wall", 4.0),
        note("tom", "roof", 3.0),
    ]
    after = [
        note("snare", "floor", 4.5),
        note("kick", "floor", 4.0),
        note("ride", "pane", 4.0),
        note("hat", "wall", 1.0),
    ]
    table = findings_table([every[0], *every[2:]], after[::2], found_before=every, found_after=after)
    rows = list(zip(*(column.cells for column in table.columns), strict=True))
    assert [(row[0], row[2]) for row in rows] == [
        ("better", "snare by 4.5 dB."),
        ("new", "ride by 4 dB."),
        ("mended", "tom by 3 dB."),
    ]
