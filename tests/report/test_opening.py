"""The three lines of a report say what its findings and its take say."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from micalign.findings.finding import Finding
from micalign.report.take_page import opening
from micalign.scene.scene import Change

WARNING = Finding("pair-equal", "warning", ("left",), "It is unequal.", "Move 'left' by 5 cm.")
NOTE = Finding("air", "note", (), "It is warm.", "Mind it.")
_MOVED = Change("mic", "right", "at", (1.0, 2.0, 1.5), "m")


def take(**more: Any) -> dict[str, Any]:
    bare = {"is_sound": True, "remarks": [], "unreliable": 0, "gain_db": (1.0, 3.5), "levels": [], "delays": []}
    return bare | more


def test_a_plan_with_faults_says_how_many_and_what_comes_first() -> None:
    sound, first, gained = (words for _, words in opening((WARNING, NOTE)))
    assert sound == "The plan is not sound yet: 1 to mend, 1 to know."
    assert first == "It is unequal. Move 'left' by 5 cm."  # without its message nobody knows what "it" is
    assert "Nothing is recorded yet" in gained


def test_notes_alone_leave_nothing_to_move() -> None:
    sound, first, _ = (words for _, words in opening((NOTE,)))
    assert sound == "The plan is sound: no rule fails, 1 to know."
    assert first == "Nothing needs to be moved."


def test_a_spoiled_track_comes_before_a_stand() -> None:
    """What is lost in the recording is mended while the player is there."""
    remark = {"track": "kick", "severity": "problem", "message": "clips", "advice": "turn it down 6 dB"}
    sound, first, gained = (w for _, w in opening((WARNING,), take(is_sound=False, remarks=[remark], unreliable=2)))
    assert "1 of its tracks has a problem and 2 of its delays cannot be relied on" in sound
    assert first == "kick: turn it down 6 dB"
    assert "+2.5 dB" in gained


def test_a_sum_that_cannot_be_had_gains_nothing() -> None:
    assert opening((), take(gain_db=None))[2][1].startswith("Nothing")


def test_the_verdict_is_the_worst_of_what_the_tables_say() -> None:
    """Tracks that are quiet and a source without a delay are no fault, and not "all well" either."""
    levels = [("left", "-34.8", "quiet"), ("right", "-33.0", "quiet"), ("kick mic", "-6.0", "good")]
    delays = [("kick", "left", "yes"), ("floor tom", "left", "no: it cannot be told"), ("kick", "right", "no: faint")]
    remark = {"track": "left", "severity": "note", "message": "is quiet", "advice": "Turn up 29 dB."}
    sound, first, _ = (words for _, words in opening((), take(levels=levels, delays=delays, remarks=[remark])))
    assert "all tracks are well" not in sound
    assert "'left', 'right' are quiet" in sound
    assert "of 'floor tom' no delay is reliable" in sound
    assert "; 2 of 3 delays of single sources cannot be relied on." in sound  # the floor tom's is one of them
    assert first == "left: Turn up 29 dB."
    turned = take(levels=levels[2:], delays=[("kick", "left", "yes, but its polarity is open")])
    assert opening((), turned)[0][1].startswith("The take is sound: all tracks are")
    assert opening((), take(levels=levels[2:], delays=delays[:1]))[0][1].startswith("The take is sound: all tracks are")


def test_what_has_a_remedy_comes_first() -> None:
    mended = replace(WARNING, where=("right",), advice="Move 'right' by 9 cm.", changes=(_MOVED,))
    assert opening((WARNING, mended))[1][1] == "Move 'right' by 9 cm."
