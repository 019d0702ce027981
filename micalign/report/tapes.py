"""Which distances are to be measured with a tape? Those that a scene needs to know better; all of them where asked.

A pair whose positions leave it unsure whether it keeps its tolerance needs its two tapes; a thing whose place is known
worse than a stick measures needs three, to the things nearest to it that are known.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from itertools import combinations
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from micalign.acoustics.prediction import Prediction
from micalign.report.tables import ruled_table
from micalign.scene.model import Mic, Scene, Source
from micalign.units import show_length

if TYPE_CHECKING:
    from rich.table import Table

__all__ = ["needed_tapes", "tape_document", "tape_tables"]

_ROUGH_M: Final = 0.02
"""A place known worse than this was paced or guessed (judgement)."""
_TO_FIX: Final = 3


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
            key=lambda thing, of=rough: _apart(of, thing),  # type: ignore[misc]
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
            yield mic, source, _apart(mic, source)
    groups: tuple[tuple[Source | Mic, ...], ...] = (scene.mics, scene.sources)
    for group in groups:
        for a, b in combinations(group, 2):
            yield a, b, _apart(a, b)


def _apart(a: Source | Mic, b: Source | Mic) -> float:
    return float(np.linalg.norm(np.subtract(a.position, b.position)))
