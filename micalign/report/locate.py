"""How are located mics told: as a document, as tables for the terminal, and what to hit next?

Positions are metres in the document and the scene's own unit in the tables. Names are cleaned where they are printed.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from micalign.locate.model import LocatedMic, Location
from micalign.report.plain import clean
from micalign.report.tables import WARNING, bare_table
from micalign.scene.model import Point
from micalign.units import show_centimetres, show_length, show_ms

if TYPE_CHECKING:
    from rich.table import Table

__all__ = ["advice", "hit_table", "locate_document", "mic_table"]


def locate_document(found: Location) -> dict[str, Any]:
    """What ``locate --json`` prints."""
    return {
        "mics": [_mic(mic) for mic in found.mics],
        "hits": [
            {
                "source": one.source,
                "hits": one.hits,
                "tracks": one.tracks,
                "strays": one.strays,
                "residual_s": one.residual_s,
            }
            for one in found.hits
        ],
        "further_hits_m": [list(point) for point in found.further_m],
        "reliable": found.is_reliable,
    }


def _mic(mic: LocatedMic) -> dict[str, Any]:
    return {
        "mic": mic.mic,
        "at_m": _rounded(mic.at_m),
        "uncertainty_m": round(mic.uncertainty_m, 4),
        "axis_uncertainty_m": _rounded(mic.sigma_m),
        "planned_m": None if mic.planned_m is None else _rounded(mic.planned_m),
        "move_m": None if mic.move_m is None else round(mic.move_m, 4),
        "reliable": mic.reliable,
        "reason": mic.reason,
        "mirror_m": None if mic.mirror_m is None else _rounded(mic.mirror_m),
    }


def _rounded(point: Point) -> list[float]:
    return [round(value, 4) for value in point]


def mic_table(found: Location, unit: str) -> Table:
    """One row for each mic: where it stands, how surely, and how far from the plan."""
    table = bare_table("Where the mics stand")
    table.add_column("mic", overflow="fold")
    for heading in ("x", "y", "z", "+-", "from plan"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("verdict", overflow="fold")
    for mic in found.mics:
        cells = [show_length(value, unit) for value in mic.at_m]
        cells.append(show_centimetres(mic.uncertainty_m))
        cells.append("-" if mic.move_m is None else show_centimetres(mic.move_m))
        if not mic.reliable:
            cells = [f"({cell})" for cell in cells]
        verdict = "reliable" if mic.reliable else f"not reliable: {mic.reason}"
        table.add_row(clean(mic.mic), *cells, verdict, style=None if mic.reliable else WARNING)
    return table


def hit_table(found: Location) -> Table:
    """One row for each source that was hit: how well its hits agree with the places."""
    table = bare_table("Hits they rest on")
    table.add_column("source", overflow="fold")
    for heading in ("hits", "heard by", "left out", "left over"):
        table.add_column(heading, justify="right", no_wrap=True)
    for one in found.hits:
        cells = (str(one.hits), f"{one.tracks} mics", str(one.strays), show_ms(one.residual_s))
        table.add_row(clean(one.source), *cells)
    return table


def advice(found: Location, unit: str) -> Iterator[str]:
    """How many further hits, and where, would fix what is loose."""
    if not found.further_m:
        yield "Every mic is known to 2 cm: no further hits are needed."
        return
    count = len(found.further_m)
    places = "; ".join(", ".join(show_length(value, unit) for value in point) for point in found.further_m)
    hits = "Hits at one further place" if count == 1 else f"Hits at {count} further places"
    yield f"{hits} would help most (x, y, z from the floor corner): {places}."
    yield "Measure each place, add it to the scene as a [[source]], clap there three times and record again."
