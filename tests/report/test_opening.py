"""The three lines of a report say what its findings and its take say."""

from __future__ import annotations

from typing import Any

from micalign.findings.finding import Finding
from micalign.report.take_page import opening

WARNING = Finding("pair-equal", "warning", ("left",), "It is unequal.", "Move 'left' by 5 cm.")
NOTE = Finding("air", "note", (), "It is warm.", "Mind it.")


def take(**more: Any) -> dict[str, Any]:
    return {"is_sound": True, "remarks": [], "unreliable": 0, "gain_db": (1.0, 3.5), **more}


def test_a_plan_with_faults_says_how_many_and_what_comes_first() -> None:
    sound, first, gained = (words for _, words in opening((WARNING, NOTE)))
    assert sound == "The plan is not yet: 1 to mend, 1 to know."
    assert first == "Move 'left' by 5 cm."
    assert "Nothing is recorded yet" in gained


def test_notes_alone_leave_nothing_to_move() -> None:
    sound, first, _ = (words for _, words in opening((NOTE,)))
    assert sound == "The plan is: no rule fails, 1 to know."
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
