"""How is a placement told: as a document, and in the words of an assistant with a tape and a stand?

Positions are metres in the document; on the terminal lengths are in the scene's own unit. Names are cleaned where
they are printed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any, Final

from micalign.acoustics.air import speed_of_sound_in
from micalign.acoustics.placement import Placement
from micalign.acoustics.prediction import Prediction
from micalign.findings.finding import Finding
from micalign.report.check import finding_rows, rows
from micalign.report.moves import move_words, obstacle_words, short_length, string_length
from micalign.report.plain import clean
from micalign.scene.model import Pair, Scene
from micalign.units import show_hz, show_length, show_ms, show_percent

if TYPE_CHECKING:
    from rich.table import Table

__all__ = [
    "cautions",
    "error_words",
    "findings_table",
    "move_table",
    "place_document",
    "string_table",
    "summary",
    "wish_table",
]

_ERROR_M: Final = 0.01
_OVERHEAD_M: Final = 1.7

WISHES: Final = {
    "equal": "pairs equal to their sources",
    "distance": "distances as wanted",
    "spacing": "spacing rule, 3:1",
    "reflections": "first notches of reflections",
    "stereo": "stereo angle, spread, centre",
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
    single = [one for one in placement.obstacles if one.limit.kind != "tolerance"]
    if not single:
        yield "No single limit is enough by itself: several would have to give."
    for order, one in enumerate(placement.obstacles):
        yield f"{'In the way' if order == 0 else 'or'}: {clean(obstacle_words(before, one))}"


def _nothing(placement: Placement) -> str:
    if not placement.moves:
        return "No mic may move (give one 'move' or 'reach'), and every pair is within its tolerance: nothing to do."
    return "Nothing to improve: every limit holds, every pair is within its tolerance. Leave the stands where they are."


def move_table(placement: Placement, before: Scene) -> Table:
    """From, to and the move in words."""
    from rich.table import Table  # noqa: PLC0415 - only a terminal needs it

    table = Table(title="Mics", title_justify="left", title_style="bold")
    table.add_column("mic", overflow="fold")
    table.add_column("from", no_wrap=True)
    table.add_column("to", no_wrap=True)
    table.add_column("move", overflow="fold")
    for move in placement.moves:
        places = [_point(point, before.length_unit) for point in (move.from_m, move.to_m)]
        table.add_row(clean(move.mic), *places, clean(move_words(before, move)))
    return table


def _point(point: Sequence[float], unit: str) -> str:
    if unit in {"in", "ft"}:
        return ", ".join(show_length(value, unit) for value in point)
    decimals = {"m": 2, "cm": 0, "mm": 0}[unit]
    scale = {"m": 1.0, "cm": 100.0, "mm": 1000.0}[unit]
    return ", ".join(f"{value * scale:.{decimals}f}" for value in point) + f" {unit}"


def string_table(placement: Placement, prediction: Prediction) -> Table:
    """Strings to cut, and what an error of 1 cm on one of them costs."""
    from rich.table import Table  # noqa: PLC0415 - only a terminal needs it

    scene = placement.scene
    table = Table(title="Strings to cut", title_justify="left", title_style="bold")
    table.add_column("from", overflow="fold")
    table.add_column("to", overflow="fold")
    table.add_column("length", justify="right", no_wrap=True)
    table.add_column("pair then apart", justify="right", no_wrap=True)
    for one in placement.strings:
        source, mic = one.between
        apart = [show_ms(_apart(prediction, pair, source), sign=True) for pair in _pairs_of(scene, source, mic)]
        length = string_length(one.distance_m, scene.length_unit)
        table.add_row(clean(source), clean(mic), length, ", ".join(apart))
    return table


def _pairs_of(scene: Scene, source: str, mic: str) -> list[Pair]:
    return [pair for pair in scene.pairs if source in pair.equal_to and mic in pair.mics]


def _apart(prediction: Prediction, pair: Pair, source: str) -> float:
    return next(row.difference_s for row in prediction.pairs if (row.pair, row.source) == (pair.name, source))


def error_words(scene: Scene) -> Iterator[str]:
    """What a centimetre costs, pair by pair."""
    late = _ERROR_M / speed_of_sound_in(scene.air)
    for pair in scene.pairs:
        if pair.equal_to:
            share = show_percent(100 * late / pair.tolerance_s)
            yield (
                f"1 cm too long or short on one string puts {clean(pair.name)} {show_ms(late)} further apart: {share} "
                f"of the tolerance of {show_ms(pair.tolerance_s)}, a first notch at {show_hz(0.5 / late)}."
            )


def wish_table(placement: Placement) -> Table:
    """What the wishes cost before and after; only those that cost anything."""
    from rich.table import Table  # noqa: PLC0415 - only a terminal needs it

    table = Table(title="What is missed (0 is nothing; 1 is one unit)", title_justify="left", title_style="bold")
    table.add_column("wish")
    table.add_column("before", justify="right")
    table.add_column("after", justify="right")
    for name, words in WISHES.items():
        costs = placement.wishes_before[name], placement.wishes_after[name]
        if max(costs) >= 0.005:
            table.add_row(words, *(f"{cost:.2f}" for cost in costs))
    return table


def findings_table(before: Sequence[Finding], after: Sequence[Finding]) -> Table:
    """Every finding, and whether the move mends it or brings it."""
    from rich.table import Table  # noqa: PLC0415 - only a terminal needs it

    table = Table(title="Findings", title_justify="left", title_style="bold")
    table.add_column("")
    table.add_column("severity")
    table.add_column("what", overflow="fold")
    keys = [[(one.rule, one.where) for one in findings] for findings in (before, after)]
    for one in after:
        new = (one.rule, one.where) not in keys[0]
        table.add_row("new" if new else "stays", one.severity, clean(one.message), style="yellow" if new else None)
    for one in before:
        if (one.rule, one.where) not in keys[1]:
            table.add_row("mended", one.severity, clean(one.message), style="green")
    return table


def cautions(placement: Placement) -> Iterator[str]:
    """What can fall on somebody."""
    high = [move.mic for move in placement.moved if move.to_m[2] >= _OVERHEAD_M]
    if high:
        yield (
            f"Caution: {', '.join(clean(name) for name in high)} hang at head height or above: put a leg of the stand "
            "under the load, weight its base, tighten and tie what hangs over a person."
        )
    if placement.moved:
        far = max(placement.moved, key=lambda move: move.move_m)
        yield f"The longest move is {short_length(far.move_m, placement.scene.length_unit)} ({clean(far.mic)})."
