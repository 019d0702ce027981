"""How are distances put into words: which to measure with a tape, how far mics keep apart, what else they take up?

A pair whose positions leave it unsure whether it keeps its tolerance needs its two tapes; a thing whose place is known
worse than a stick measures needs three, to the things nearest to it that are known.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Any, Final

from micalign.acoustics.prediction import Prediction
from micalign.acoustics.received import CLOSE_M, Bleed, Spacing
from micalign.report.tables import counted, ruled_table
from micalign.scene.model import Mic, Scene, Source
from micalign.units import show_db, show_length, show_ratio

if TYPE_CHECKING:
    from rich.table import Table

__all__ = ["bleed_table", "needed_tapes", "spacing_table", "tape_document", "tape_tables"]

_ROUGH_M: Final = 0.02
"""A place known worse than this was paced or guessed (judgement)."""
_TO_FIX: Final = 3
_MOST_ROWS: Final = 10


def needed_tapes(scene: Scene, predicted: Prediction) -> frozenset[frozenset[str]]:
    """The ends of the tapes to measure."""
    tolerances = {pair.name: pair for pair in scene.pairs}
    wanted = {
        frozenset((mic, row.source))
        for row in predicted.pairs
        if row.equal_to and row.uncertainty_s > tolerances[row.pair].tolerance_s
        for mic in tolerances[row.pair].mics
    }
    things = list(scene.placed())
    for rough in (thing for thing in things if thing.plus_minus_m > _ROUGH_M):
        known = sorted(
            (thing for thing in things if thing is not rough and thing.plus_minus_m <= _ROUGH_M),
            key=lambda thing, of=rough: of.metres_to(thing),  # type: ignore[misc]
        )
        wanted |= {frozenset((rough.name, thing.name)) for thing in known[:_TO_FIX]}
    return frozenset(wanted)


def tape_document(scene: Scene, needed: Collection[frozenset[str]]) -> dict[str, Any]:
    """Every distance between two named things, metres and in the scene's own unit, and whether it is to be measured."""
    rows = [
        {
            "between": [a.name, b.name],
            "distance_m": round(metres, 6),
            "shown": show_length(metres, scene.length_unit),
            "needed": frozenset((a.name, b.name)) in needed,
        }
        for a, b, metres in _distances(scene)
    ]
    return {"scene": scene.title, "tapes": rows}


def tape_tables(scene: Scene, needed: Collection[frozenset[str]], *, everything: bool) -> Iterator[Table | str]:
    """The list to carry into the room: how high and how far out each thing stands, and the distances."""
    unit = scene.length_unit
    yield ruled_table(
        "Places",
        ["name"],
        ["from the left", "from the front", "above the floor"],
        [[thing.name, *(show_length(value, unit) for value in thing.position)] for thing in scene.placed()],
    )
    every = list(_distances(scene))
    shown = every if everything else [row for row in every if frozenset((row[0].name, row[1].name)) in needed]
    if not shown:
        yield f"No tape is needed: every place is known well enough. All {len(every)} distances: --tapes --all."
        return
    rest = "" if everything else f" (all {len(every)} with --all)"
    yield ruled_table(
        f"Distances{rest}" if everything else f"Distances to measure{rest}",
        ["from", "to"],
        ["distance"],
        [[a.name, b.name, show_length(metres, unit)] for a, b, metres in shown],
    )


def _distances(scene: Scene) -> Iterator[tuple[Source | Mic, Source | Mic, float]]:
    """Mics to sources first, then mics to mics, then sources to sources."""
    for mic in scene.mics:
        for source in scene.sources:
            yield mic, source, mic.metres_to(source)
    groups: tuple[tuple[Source | Mic, ...], ...] = (scene.mics, scene.sources)
    for group in groups:
        for a, b in combinations(group, 2):
            yield a, b, a.metres_to(b)


def spacing_table(scene: Scene, predicted: Prediction, *, everything: bool = False) -> Table | None:
    """The three-to-one rule in both readings, failures first; of close mics alone unless all are asked for."""
    distance, cell = predicted.arrivals.distance_m, predicted.arrivals.cell
    title = f"Three to one, for mics within {show_length(CLOSE_M, scene.length_unit)} of their source"
    rows = [row for row in predicted.spacing if everything or distance[cell(row.source, row.mic)] <= CLOSE_M]
    chosen = sorted(rows, key=lambda row: (row.passes or row.bleed_passes, row.passes, -row.bleed_db))
    shown = chosen if everything else chosen[:_MOST_ROWS]
    if not shown:
        return None
    return ruled_table(
        counted("Three to one" if everything else title, len(shown), len(chosen)),
        ["mic", "on", "other mic"],
        ["mics apart", "path", "bleed direct", "with room", "verdict"],
        [_spacing_cells(row) for row in shown],
        caption="Two readings. Mics apart: the distance between the mics against the mic's to its source, 3:1 or more. "
        "Bleed: the source at the other mic against its own, -9.5 dB or less (the patterns help here); with the room: "
        "its bounces and its reverberation in both, and no null deeper than the mic's rejection.",
    )


def _spacing_cells(row: Spacing) -> list[str]:
    verdict = {(True, True): "ok", (True, False): "bleed fails", (False, True): "distance fails"}
    return [
        row.mic,
        row.source,
        row.other_mic,
        show_ratio(row.mic_distance_ratio),
        show_ratio(row.path_ratio),
        show_db(row.bleed_db, sign=True),
        show_db(row.bleed_heard_db, sign=True),
        verdict.get((row.passes, row.bleed_passes), "BOTH FAIL"),
    ]


def bleed_table(predicted: Prediction, *, everything: bool = False) -> Table | None:
    """What else each mic hears: the loudest other source of each, or all of them."""
    chosen = [row for index, row in enumerate(predicted.bleed) if everything or _is_loudest(predicted.bleed, index)]
    shown = chosen if everything else sorted(chosen, key=lambda row: -row.heard_db)[:_MOST_ROWS]
    if not shown:
        return None
    unknown = "" if all(row.level_known for row in shown) else " * taken as equally loud: tell level_db or kind."
    return ruled_table(
        counted("What else a mic hears", len(shown), len(chosen)),
        ["mic", "on", "hears"],
        ["direct", "with room"],
        [
            [
                row.mic,
                row.own,
                f"{row.source}{'' if row.level_known else ' *'}",
                show_db(row.direct_db, sign=True),
                show_db(row.heard_db, sign=True),
            ]
            for row in shown
        ],
        caption="Against the source that the mic is on, by how loud both are at 1 m. Statistical: a room's modes make "
        f"it some decibels more or less.{unknown}",
    )


def _is_loudest(rows: Sequence[Bleed], index: int) -> bool:
    """Whether a row is the first of its mic: they come loudest first."""
    return index == 0 or rows[index - 1].mic != rows[index].mic
