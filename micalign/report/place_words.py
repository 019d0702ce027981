"""How is a placement put into words: as a document, and in the words of an assistant with a tape and a stand?

Positions are metres in the document; on the terminal lengths are in the scene's own unit. A move is given towards a
source where one lies that way within 20 degrees ("4 cm toward the hi-hat"), else along the walls: right is larger x,
the back is larger y. Names are cleaned where they are printed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from micalign.acoustics.arrivals import speed_of_sound_in
from micalign.acoustics.placement import Move, Obstacle, Placement, StringLength
from micalign.acoustics.prediction import Prediction
from micalign.arrays import Floats
from micalign.findings.finding import WAYS, Finding, rank
from micalign.report.check_words import finding_rows, rows
from micalign.report.tables import clean, ruled_table
from micalign.scene.model import Box, Pair
from micalign.scene.scene import Scene
from micalign.units import METRES, short_length, show_hz, show_length, show_ms, show_percent, string_length

if TYPE_CHECKING:
    from rich.table import Table

__all__ = [
    "error_words",
    "findings_table",
    "move_table",
    "move_words",
    "obstacle_words",
    "place_document",
    "string_table",
    "summary",
    "term_rows",
    "term_table",
]

_WORTH_MOVING_M: Final = 0.004
"""Metres: a share of a move below this is left unsaid: nobody sets a stand to it (judgement, no source)."""

_ALONG: Final = float(np.cos(np.radians(20.0)))  # a move within 20 degrees of a source is one towards it
_MM: Final = 1e-3  # metres: less beyond a box is not said
_SHOWN_COST: Final = 0.005  # of a term; less is printed as 0.00
_ERROR_M: Final = 0.01  # for which the cost is given; half an inch in feet and inches

TERMS: Final = {
    "equal": "pairs equal to their sources",
    "distance": "distances as wanted",
    "spacing": "spacing 3:1, mics on one source",
    "reflections": "notches of reflections, nulls of modes",
    "stereo": "aims, stereo angle, spread, centre",
    "rules": "what check warns of",
    "move": "length of the moves",
}


def move_words(scene: Scene, move: Move) -> str:
    """The move as one would call it across the room; ``scene`` is the one before the move.

    >>> from micalign.scene.model import Mic, Source
    >>> scene = Scene(sources=(Source("hi-hat", (3.0, 2.0, 0.9)),), mics=(Mic("overhead", (2.0, 2.0, 1.8)),))
    >>> move_words(scene, Move("overhead", (2.0, 2.0, 1.8), (2.04, 2.0, 1.86), 0.072))
    '4 cm toward the hi-hat, 6 cm up'
    >>> move_words(scene, Move("overhead", (2.0, 2.0, 1.8), (2.0, 2.1, 1.8), 0.1))
    '10 cm toward the back'
    >>> move_words(scene, Move("overhead", (2.0, 2.0, 1.8), (2.0, 2.0, 1.8), 0.0))
    'stays'
    """
    if move.move_m == 0:
        return "stays"
    unit = scene.length_unit
    dx, dy, dz = (new - old for new, old in zip(move.to_m, move.from_m, strict=True))
    words = _level_words(scene, move, dx, dy)
    if abs(dz) >= _WORTH_MOVING_M:
        words.append(f"{short_length(abs(dz), unit)} {'up' if dz > 0 else 'down'}")
    return ", ".join(words) or f"{short_length(move.move_m, unit)} in all"


def _level_words(scene: Scene, move: Move, dx: float, dy: float) -> list[str]:
    unit, level = scene.length_unit, float(np.hypot(dx, dy))
    if level < _WORTH_MOVING_M:
        return []
    landmark = _landmark(scene, move, np.array([dx, dy]) / level, level)
    if landmark:
        return [f"{short_length(level, unit)} {landmark}"]
    return [
        f"{short_length(abs(step), unit)} {ways[int(step < 0)]}"
        for step, ways in zip((dx, dy), WAYS, strict=False)
        if abs(step) >= _WORTH_MOVING_M
    ]


def _landmark(scene: Scene, move: Move, direction: Floats, level: float) -> str:
    """The source that lies most nearly that way, or the other way, and further than the move."""
    best, words = _ALONG, ""
    for source in scene.sources:
        way = np.array(source.position[:2]) - np.array(move.from_m[:2])
        away = float(np.hypot(*way))
        if away <= max(level, 0.05):
            continue
        cosine = float(way @ direction) / away
        # Towards is easier to follow than away from: the latter must be clearly the better sign.
        for likeness, word in ((cosine, "toward"), (-cosine - 0.03, "away from")):
            if likeness > best:
                best, words = likeness, f"{word} {_the(source.name)}"
    return words


def _the(name: str) -> str:
    return name if name.lower().startswith(("the ", "a ")) else f"the {name}"


def obstacle_words(scene: Scene, one: Obstacle) -> str:
    """What a limit would have to give."""
    name, unit = one.limit.name, scene.length_unit
    give = short_length(one.give_m, unit)
    if one.limit.kind == "keepout":
        return f"keepout '{name}', which would have to give way by {give}"
    if one.limit.kind == "wall":
        margin = scene.place.wall_margin_m
        left = short_length(max(margin - one.give_m, 0.0), unit)
        return f"the margin to the walls, {left} instead of {short_length(margin, unit)} ([place] wall_margin)"
    if one.limit.kind == "fixed":
        return f"'{name}' may not move: it would have to stand {give} from where it is (give it 'move' or 'reach')"
    if one.limit.kind == "reach":
        reach = scene.mic(name).reach_m or 0.0
        return f"the reach of '{name}', {short_length(reach + one.give_m, unit)} instead of {short_length(reach, unit)}"
    if one.limit.kind == "move":
        return f"the box of '{name}' ('move'), which would have to reach {_further(scene, one)}"
    tolerance = next(pair.tolerance_s for pair in scene.pairs if pair.name == name)
    # Rounded up, so that the number is enough.
    wanted = math.ceil((tolerance + one.give_m / speed_of_sound_in(scene.air)) * 1e6) / 1e3
    return f"the tolerance of pair '{name}', {wanted:g} ms instead of {tolerance * 1e3:g} ms ('tolerance_ms')"


def _further(scene: Scene, one: Obstacle) -> str:
    """How far beyond which faces of its box a mic would have to stand."""
    box, unit = scene.mic(one.limit.name).move, scene.length_unit
    if not isinstance(box, Box) or one.to_m is None:
        return f"{short_length(one.give_m, unit)} further"
    words = []
    for value, low, high, (more, less) in zip(one.to_m, box.low, box.high, WAYS, strict=True):
        beyond, side = (low - value, less) if value < low else (value - high, more)
        if beyond >= _MM:
            words.append(f"{short_length(beyond, unit)} further {side}")
    return " and ".join(words) or f"{short_length(one.give_m, unit)} further"


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
        "wishes": {"before": dict(placement.terms_before), "after": dict(placement.terms_after)},
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


def summary(placement: Placement, before: Scene, findings: Sequence[Finding] = ()) -> Iterator[str]:
    """The verdict, and what stands in the way where there is no solution; ``findings`` are those after the move."""
    if placement.feasible:
        yield "Move these:" if placement.moved else f"{_nothing(placement)}{_by_taste(before, findings)}"
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


def _by_taste(scene: Scene, findings: Sequence[Finding]) -> str:
    """What is worth a note and no stand: moves of free mics that `check` reports all the same."""
    free = {mic.name for mic in scene.mics if mic.may_move}
    count = sum(
        bool(one.changes) and all(change.key == "at" and change.name in free for change in one.changes)
        for one in findings
    )
    if not count:
        return ""
    notes = "A note names" if count == 1 else f"{count} notes name"
    return f" {notes} a move in 'micalign check' all the same: worth it where you hear it."


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


def term_rows(placement: Placement) -> list[tuple[str, str, str]]:
    """What each term costs before and after; only those that cost anything."""
    pairs = [(words, placement.terms_before[name], placement.terms_after[name]) for name, words in TERMS.items()]
    return [(words, f"{then:.2f}", f"{now:.2f}") for words, then, now in pairs if max(then, now) >= _SHOWN_COST]


def term_table(placement: Placement) -> Table:
    """The terms of the cost, each in its own unit: 0 is met, 1 is a unit missed."""
    return ruled_table(
        "What is missed, as a cost without unit: 0 is nothing", ("wish",), ("before", "after"), term_rows(placement)
    )


def _become(then: Finding | None, now: Finding) -> str:
    """What became of a finding that is there after the move; a change that no figure of it shows is none."""
    if then is None:
        return "new"
    if then.message == now.message:
        return "stays"
    were, are = ((-rank(one.severity), one.weight) for one in (then, now))
    return "worse" if are > were else "better" if are < were else "stays"


def findings_table(
    before: Sequence[Finding],
    after: Sequence[Finding],
    *,
    found_before: Sequence[Finding] = (),
    found_after: Sequence[Finding] = (),
) -> Table:
    """Every finding, and whether the move mends it, brings it, or makes it better or worse.

    ``found_before`` and ``found_after`` are all that the rules find, the heaviest first, of which the others report one
    of each kind: another head of the same kind, or one that is no longer among the heaviest, is neither new nor mended.
    """
    then = {one.kind: one for one in (*reversed(found_before), *reversed(before))}
    left = {one.kind for one in (*found_after, *after)}
    rows = [(_become(then.get(one.kind), one), one.severity, one.message) for one in after]
    rows += [("mended", one.severity, one.message) for one in before if one.kind not in left]
    return ruled_table("Findings, before and after", ("", "", "what"), (), rows)
