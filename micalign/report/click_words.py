"""How are a test signal and what came back of it put into words? Documents, words and tables.

Arrivals count from the beginning of the sweep, latency and flight together; levels are against the direct sound.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from micalign.acoustics.prediction import Prediction
from micalign.acoustics.room import Reflection
from micalign.report.tables import bare_table, clean
from micalign.report.tuned import SAME_BOUNCE_S
from micalign.take.sweep import CLICKS, LEAD_S, Echo, Response
from micalign.units import show_db, show_ms, show_plus_minus

if TYPE_CHECKING:
    from rich.table import Table

__all__ = ["CAUTION", "Planned", "made_document", "made_words", "response_document", "response_screen"]

CAUTION: Final = (
    "Turn the monitors down before you play it and come up slowly; take headphones off and wear protection beside a "
    "loudspeaker. Test signals are louder than they look."
)


@dataclass(frozen=True)
class Planned:
    """What a scene predicts of a loudspeaker at a source, and the mic of each recording."""

    predicted: Prediction
    source: str
    mics: tuple[str, ...]

    def reflections(self, mic: str) -> list[Reflection]:
        """Those of one mic, in order of time."""
        own = [one for one in self.predicted.reflections if (one.source, one.mic) == (self.source, mic)]
        return sorted(own, key=lambda one: one.delay_s)


def made_document(path: Path, seconds: float, rate: int, level_dbfs: float, sweep_s: float | None) -> dict[str, Any]:
    """What ``click --json`` prints of a file that was written."""
    return {
        "file": str(path),
        "signal": "sweep" if sweep_s else "clicks",
        "sample_rate": rate,
        "duration_s": seconds,
        "peak_dbfs": level_dbfs,
        "begins_s": LEAD_S,
        "sweep_s": sweep_s,
        "clicks": None if sweep_s else CLICKS,
        "caution": CAUTION,
    }


def made_words(document: Mapping[str, Any]) -> Iterator[str]:
    """What was written, and how it is used."""
    yield f"written: {clean(document['file'])}, {document['duration_s']:.1f} s, peak {document['peak_dbfs']:.0f} dBFS"
    name = shlex.quote(clean(document["file"]))
    if document["sweep_s"]:
        yield (
            f"Play it, record each mic from the same instant, then: micalign click --sweep {document['sweep_s']:g} "
            "--recorded FILE"
        )
        return
    yield f"Latency: cable an output to an input, record it, then: micalign measure {name} --loopback BACK.wav"
    yield "Polarity: play it near each mic in turn, record all, then: micalign linecheck TRACKS --pop positive"


def response_document(found: Sequence[Response], planned: Planned | None) -> dict[str, Any]:
    """What ``click --recorded --json`` prints."""
    first = found[0]
    room = planned.predicted.room if planned else None
    return {
        "recordings": [
            {
                "track": one.track,
                "arrival_s": one.arrival_s,
                "uncertainty_s": one.uncertainty_s,
                "later_than_first_s": one.arrival_s - first.arrival_s,
                "polarity": one.polarity,
                "clear_db": one.clear_db,
                "early_decay_s": one.early_decay_s,
                "reverberation_s": one.reverberation_s,
                "reflections": [{"delay_s": echo.delay_s, "level_db": echo.level_db} for echo in one.echoes],
                "mic": planned.mics[index] if planned else None,
                "planned_later_than_first_s": _flight_s(planned, index),
                "planned_reflections": [
                    {"surface": one.surface, "delay_s": one.delay_s, "level_db": one.level_db}
                    for one in (planned.reflections(planned.mics[index]) if planned else ())
                ],
            }
            for index, one in enumerate(found)
        ],
        "planned_reverberation_s": None if room is None else room.reverberation_s,
        "planned_eyring_s": None if room is None else room.eyring_s,
    }


def _flight_s(planned: Planned | None, index: int) -> float | None:
    """By how much later the plan has a mic than the first."""
    if planned is None:
        return None
    row = planned.predicted.sources.index(planned.source)
    flight = [float(planned.predicted.arrival_s[row, planned.predicted.mics.index(mic)]) for mic in planned.mics]
    return flight[index] - flight[0]


def response_screen(found: Sequence[Response], planned: Planned | None) -> Iterator[Any]:
    """Arrivals, then each recording's reflections, then the room's figure."""
    yield _arrivals(found, planned)
    for index, one in enumerate(found):
        yield _echoes(one, planned.reflections(planned.mics[index]) if planned else None)
    room = planned.predicted.room if planned else None
    if room is not None and room.reverberation_s is not None and room.eyring_s is not None:
        yield f"The scene's room: {room.reverberation_s:.2f} s by Sabine, {room.eyring_s:.2f} s by Eyring."


def _arrivals(found: Sequence[Response], planned: Planned | None) -> Table:
    caption = "Arrival: after the sweep's beginning, latency and flight together. Decay times: for 60 dB."
    table = bare_table("First arrivals", caption=caption)
    table.add_column("recording", overflow="fold")
    for heading in ("arrival", "+-", "after the first", *(["planned"] if planned else [])):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("polarity", no_wrap=True)
    for heading in ("early decay", "reverberation"):
        table.add_column(heading, justify="right", no_wrap=True)
    for index, one in enumerate(found):
        later = show_ms(one.arrival_s - found[0].arrival_s, sign=True)
        plan = _flight_s(planned, index)
        table.add_row(
            clean(one.track),
            show_ms(one.arrival_s),
            show_plus_minus(one.uncertainty_s),
            later,
            *([] if plan is None else [show_ms(plan, sign=True)]),
            "positive" if one.polarity > 0 else "NEGATIVE",
            _seconds(one.early_decay_s),
            _seconds(one.reverberation_s),
        )
    return table


def _seconds(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f} s"


def _echoes(one: Response, planned: Sequence[Reflection] | None) -> Table:
    table = bare_table(f"Reflections in {clean(one.track)}, after the direct sound and against it")
    for heading in ("after", "level"):
        table.add_column(heading, justify="right", no_wrap=True)
    if planned is not None:
        table.add_column("as planned", overflow="fold")
    for echo in one.echoes:
        cells = [show_ms(echo.delay_s), show_db(echo.level_db, sign=True)]
        table.add_row(*cells, *([] if planned is None else [_as_planned(echo, planned)]))
    return table


def _as_planned(echo: Echo, planned: Sequence[Reflection]) -> str:
    near = [one for one in planned if abs(one.delay_s - echo.delay_s) <= SAME_BOUNCE_S]
    if not near:
        return "-"
    best = min(near, key=lambda one: abs(one.delay_s - echo.delay_s))
    return f"{clean(best.surface)}: {show_ms(best.delay_s)}, {show_db(best.level_db, sign=True)}"
