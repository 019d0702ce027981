"""How far mics keep apart and what else they hear, as tables for a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from micalign.acoustics.heard import CLOSE_M, Bleed, Spacing
from micalign.acoustics.prediction import Prediction
from micalign.report.tables import counted, ruled_table
from micalign.scene.model import Scene
from micalign.units import show_db, show_length, show_ratio

if TYPE_CHECKING:
    from rich.table import Table

__all__ = ["bleed_table", "spacing_table"]

_MOST_ROWS: Final = 10


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
