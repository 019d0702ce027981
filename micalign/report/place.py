"""How is a placement told: as a document, and in the words of an assistant with a tape and a stand?

Positions are metres in the document; on the terminal lengths are in the scene's own unit. Names are cleaned where
they are printed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any, Final

from micalign.acoustics.air import speed_of_sound_in
from micalign.acoustics.placement import Placement, StringLength
from micalign.acoustics.prediction import Prediction
from micalign.findings.finding import Finding
from micalign.report.check import finding_rows, rows
from micalign.report.moves import move_words, obstacle_words, string_length
from micalign.report.plain import clean
from micalign.report.tables import ruled_table
from micalign.scene.model import Pair, Scene
from micalign.units import METRES, show_hz, show_length, show_ms, show_percent

if TYPE_CHECKING:
    from rich.table import Table

__all__ = [
    "error_words",
    "findings_table",
    "move_table",
    "place_document",
    "string_table",
    "summary",
    "wish_rows",
    "wish_table",
]

_ERROR_M: Final = 0.01

WISHES: Final = {
    "equal": "pairs equal to their sources",
    "distance": "distances as wanted",
    "spacing": "spacing 3:1, mics on one source",
    "reflections": "notches of reflections, nulls of modes",
    "stereo": "aims, stereo angle, spread, centre",
    "rules": "what check warns of",
    "move": "length of the moves",
}


def place_document(
    placement: Placement,
    before: Scene,
    prediction: Prediction,
    findings_before: Sequence[Finding],
    findings_after: Sequence[Finding],
) -> dict[str, Any]:
    """What ``place --json`` prints; ``before`` and ``after`` are the cost, lower is better."""
    return {
        "feasible": placement.feasible,
        "moved": bool(placement.moved),
        "mics": [
            {
                "mic": move.mic,
                "from_m": list(move.from_m),
                "to_m": list(move.to_m),
                "move_m": move.move_m,
                "words": move_words(before, move),
            }
            for move in placement.moves
        ],
        "tapes": [{"between": list(one.between), "distance_m": one.distance_m} for one in placement.strings],
        "pairs": rows(prediction.pairs),
        "before": placement.before,
        "after": placement.after,
        "wishes": {"before": dict(placement.wishes_before), "after": dict(placement.wishes_after)},
        "limits": [
            {
                "limit": one.limit.kind,
                "name": one.limit.name or None,
                "give_m": one.give_m,
                "message": obstacle_words(before, one),
            }
            for one in placement.obstacles
        ],
        "one_cm_costs_s": _ERROR_M / prediction.speed_of_sound_m_s,
        "findings": finding_rows(findings_after),
        "findings_before": finding_rows(findings_before),
    }


def summary(placement: Placement, before: Scene) -> Iterator[str]:
    """The verdict, and what stands in the way where there is no solution."""
    if placement.feasible:
        yield "Move these:" if placement.moved else _nothing(placement)
        return
    out = "The limits leave no solution: not every pair can be within its tolerance, or a mic has no place to stand."
    yield out + (" The best compromise is below." if placement.moved else " Nothing is moved.")
    if all(one.limit.kind == "tolerance" for one in placement.obstacles):
        yield "No single limit is enough by itself: several would have to give."
    for order, one in enumerate(placement.obstacles):
        yield f"{'In the way:' if order == 0 else '  or'} {clean(obstacle_words(before, one))}"


def _nothing(placement: Placement) -> str:
    if not placement.moves:
        return "No mic may move (give one 'move' or 'reach'), and every pair is within its tolerance: nothing to do."
    return (
        "Nothing to improve by a move: every limit holds, every pair is within its tolerance, and no warning is left "
        "that a free mic could mend. Leave the stands where they are; what stays below is for aims, alignment and "
        "absorbers."
    )


def move_table(placement: Placement, before: Scene) -> Table:
    """From, to and the move in words."""
    rows = (
        (
            move.mic,
            *(_point(point, before.length_unit) for point in (move.from_m, move.to_m)),
            move_words(before, move),
        )
        for move in placement.moves
    )
    return ruled_table("Mics", ("mic", "from", "to", "move"), (), rows)


def _point(point: Sequence[float], unit: str) -> str:
    if unit in {"in", "ft"}:
        return ", ".join(show_length(value, unit) for value in point)
    decimals = {"m": 2, "cm": 0, "mm": 0}[unit]
    scale = {"m": 1.0, "cm": 100.0, "mm": 1000.0}[unit]
    return ", ".join(f"{value * scale:.{decimals}f}" for value in point) + f" {unit}"


def string_table(placement: Placement, prediction: Prediction) -> Table:
    """Strings to cut, and how far apart the pair then hears the source."""
    scene = placement.scene
    rows = (
        (
            *one.between,
            string_length(one.distance_m, scene.length_unit),
            ", ".join(show_ms(_apart(prediction, pair, one), sign=True) for pair in _pairs_of(scene, one)),
        )
        for one in placement.strings
    )
    return ruled_table("Strings to cut", ("from", "to"), ("length", "pair then apart"), rows)


def _pairs_of(scene: Scene, one: StringLength) -> list[Pair]:
    source, mic = one.between
    return [pair for pair in scene.pairs if source in pair.equal_to and mic in pair.mics]


def _apart(prediction: Prediction, pair: Pair, one: StringLength) -> float:
    return next(row.difference_s for row in prediction.pairs if (row.pair, row.source) == (pair.name, one.between[0]))


def error_words(scene: Scene) -> Iterator[str]:
    """What a centimetre costs, pair by pair."""
    error_m, length = (METRES["in"] / 2, "1/2 in") if scene.length_unit in {"in", "ft"} else (_ERROR_M, "1 cm")
    late = error_m / speed_of_sound_in(scene.air)
    for pair in scene.pairs:
        if pair.equal_to:
            share = show_percent(100 * late / pair.tolerance_s)
            yield (
                f"{length} too long or short on one string puts '{clean(pair.name)}' {show_ms(late)} further apart: "
                f"{share} of the tolerance of {show_ms(pair.tolerance_s)}, a first notch at {show_hz(0.5 / late)}."
            )


def wish_rows(placement: Placement) -> list[tuple[str, str, str]]:
    """What each wish costs before and after; only those that cost anything."""
    pairs = [(words, placement.wishes_before[name], placement.wishes_after[name]) for name, words in WISHES.items()]
    return [(words, f"{then:.2f}", f"{now:.2f}") for words, then, now in pairs if max(then, now) >= 0.005]


def wish_table(placement: Placement) -> Table:
    """The wishes, each in its own unit: 0 is met, 1 is a unit missed."""
    return ruled_table("What is missed (0 is nothing)", ("wish",), ("before", "after"), wish_rows(placement))


def findings_table(before: Sequence[Finding], after: Sequence[Finding]) -> Table:
    """Every finding, and whether the move mends it or brings it."""
    then, now = ({(one.rule, one.where): one for one in findings} for findings in (before, after))
    rows = [("new" if key not in then else "stays", one.severity, one.message) for key, one in now.items()]
    rows += [("mended", one.severity, one.message) for key, one in then.items() if key not in now]
    return ruled_table("Findings, before and after", ("", "", "what"), (), rows)
