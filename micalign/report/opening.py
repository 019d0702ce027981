"""The three lines a report opens with: is it sound, what to move or mend first, what was gained."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from micalign.findings.finding import Finding
from micalign.units import show_db

__all__ = ["opening"]


def opening(findings: Sequence[Finding], take: Mapping[str, Any] | None = None) -> list[tuple[str, str]]:
    """Name and sentence of each line.

    Parameters
    ----------
    findings : sequence of Finding
        The heaviest first.
    take : mapping, optional
        What `report.take_page.take_values` makes of a recording.

    Examples
    --------
    >>> [words for _, words in opening(())][:2]
    ['The plan is: no rule fails.', 'Nothing needs to be moved.']
    """
    return [("Sound?", _sound(findings, take)), ("First", _first(findings, take)), ("Gained", _gained(take))]


def _sound(findings: Sequence[Finding], take: Mapping[str, Any] | None) -> str:
    failures = [one for one in findings if one.severity != "note"]
    notes = len(findings) - len(failures)
    if failures:
        plan = f"The plan is not yet: {len(failures)} to mend, {notes} to know."
    else:
        plan = f"The plan is: no rule fails{f', {notes} to know' if notes else ''}."
    if take is None:
        return plan
    recorded = "The take is: all tracks are well, all delays reliable." if take["is_sound"] else _unsound(take)
    return f"{recorded} {plan}"


def _unsound(take: Mapping[str, Any]) -> str:
    spoiled = {remark["track"] for remark in take["remarks"] if remark["severity"] == "problem"}
    said = [f"{len(spoiled)} of its tracks {'has' if len(spoiled) == 1 else 'have'} a problem"] if spoiled else []
    said += [f"{take['unreliable']} of its delays cannot be relied on"] if take["unreliable"] else []
    return f"The take is not: {' and '.join(said)}."


def _first(findings: Sequence[Finding], take: Mapping[str, Any] | None) -> str:
    spoiled = [one for one in take["remarks"] if one["severity"] == "problem"] if take else []
    if spoiled:
        return f"{spoiled[0]['track']}: {spoiled[0]['advice']}"
    failures = [one for one in findings if one.severity != "note"]
    return failures[0].advice if failures else "Nothing needs to be moved."


def _gained(take: Mapping[str, Any] | None) -> str:
    if take is None:
        return (
            "Nothing is recorded yet. With a take (or one made by 'micalign simulate') this says what alignment gains."
        )
    if take["gain_db"] is None:
        return "Nothing: there is no sum of two tracks to hold against its parts."
    before, after = take["gain_db"]
    return (
        f"Aligned, the sum keeps {show_db(after - before, sign=True)} of its parts' energy "
        f"({show_db(before, sign=True)} before, {show_db(after, sign=True)} after)."
    )
