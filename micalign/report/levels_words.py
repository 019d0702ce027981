"""Is a take sound, and the way that it took, in words: levels of its tracks, test signals and what came back of one?

Of a take: the document, the table with the worst track first, and what to do about it. Levels are decibels of full
scale; root mean squares are against full scale 1, so a full-scale sine reads -3.0 dBFS. Of a recorded sweep: arrivals
count from its beginning, latency and flight together; levels are against the direct sound.
"""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from micalign.files.audio import Absent, Inventory, Present, original_of
from micalign.report.tables import PROBLEM, WARNING, bare_table, clean, finite, sentence
from micalign.take.levels import measure_levels
from micalign.take.sweep import CLICKS, LEAD_S, Echo, Response
from micalign.take.together import Remark, TrackFacts, remarks_together
from micalign.take.track_levels import TrackLevels, WorkingWindow
from micalign.take.tracks import Track
from micalign.units import (
    db_from_amplitude,
    db_from_power,
    dbfs_cell,
    many,
    show_db,
    show_ms,
    show_percent,
    show_plus_minus,
)

if TYPE_CHECKING:
    from rich.table import Table

    from micalign.acoustics.prediction import Prediction
    from micalign.acoustics.room import Reflection
    from micalign.report.narrow_tables import Beside

__all__ = [
    "SIGNAL_CAUTION",
    "Planned",
    "TakeLevels",
    "advice_lines",
    "cautions",
    "levels_document",
    "levels_line",
    "levels_table",
    "made_document",
    "made_words",
    "response_document",
    "response_screen",
    "take_levels",
]

_SAME_BOUNCE_S: Final = 0.4e-3
"""Seconds: an echo and a planned reflection nearer than this, 14 cm of way, are taken as one (judgement, no source)."""

_IN_TABLE: Final = frozenset({"quiet", "hot", "pair", "silent", "dead", "rumble", "hiss", "noise"})
"""Rules whose figures, a peak or a floor, stand in the table of every track."""

SIGNAL_CAUTION: Final = (
    "Turn the monitors down before you play it and come up slowly; take headphones off and wear protection beside a "
    "loudspeaker. Test signals are louder than they look."
)


@dataclass(frozen=True, eq=False)
class TakeLevels:
    """The tracks of a take with what they read, those that could not be read, and what is said of all together."""

    rows: tuple[tuple[Present, TrackLevels], ...]
    absent: tuple[Absent, ...]
    together: tuple[Remark, ...]

    @property
    def has_problem(self) -> bool:
        """Whether anything is wrong with a track or the take."""
        return (
            bool(self.absent)
            or any(levels.has_problem for _, levels in self.rows)
            or any(remark.severity == "problem" for remark in self.together)
        )

    @property
    def worst_first(self) -> tuple[tuple[Present, TrackLevels], ...]:
        """The rows with problems, the gravest first, then those with notes, then the good ones."""
        return tuple(sorted(self.rows, key=lambda row: row[1].gravity))


def take_levels(
    call: Inventory, *, window: WorkingWindow | None = None, progress: Callable[[float], None] | None = None
) -> TakeLevels:
    """Measure all tracks that answered, and judge the take."""
    present = call.present
    found = measure_levels(
        [one.track for one in present],
        window=window,
        files=[one.path for one in present],
        progress=progress,
    )
    sheets = [
        TrackFacts(one.track.name, one.track.sample_rate, one.track.duration_s, one.start_s, _unread_s(one.track))
        for one in present
    ]
    return TakeLevels(tuple(zip(present, found, strict=True)), call.absent, remarks_together(sheets))


def _unread_s(track: Track) -> float:
    info, _ = original_of(track)
    return info.unread_frames / info.sample_rate


def levels_document(take: TakeLevels) -> dict[str, Any]:
    """What ``levels --json`` prints; levels of silence are null."""
    names = [levels.name for _, levels in take.rows]
    faults = [_absent(one) for one in take.absent]
    return {
        "tracks": [_row(present, levels, names) for present, levels in take.rows],
        "faults": faults + [{"track": None, **_remark(remark)} for remark in take.together],
    }


def _absent(one: Absent) -> dict[str, Any]:
    return {
        "track": one.name,
        **_remark(Remark(one.kind, "problem", one.message)),
        "held_frames": one.held_frames,
    }


def _row(present: Present, levels: TrackLevels, names: list[str]) -> dict[str, Any]:
    cut, hum, double = levels.clipping, levels.hum, levels.double
    return {
        "track": present.name,
        "channel": present.channel,
        "peak_dbfs": finite(levels.peak_dbfs),
        "peak_percent": 100.0 * levels.peak,
        "true_peak_dbtp": finite(levels.true_peak_dbtp),
        "clipped_samples": cut.samples,
        "clipped_runs": cut.runs,
        "rms_dbfs": finite(levels.rms_dbfs),
        "noise_floor_dbfs": finite(levels.noise_floor_dbfs),
        "hum_hz": None if hum is None else hum.mains_hz,
        "hum_dbfs": None if hum is None else finite(hum.dbfs),
        "dc_percent": 100.0 * levels.offset,
        "verdict": levels.verdict,
        "doubles": None if double is None else names[double.first],
        "sample_rate": levels.sample_rate,
        "duration_s": levels.duration_s,
        "start_s": present.start_s,
        "crest_db": finite(levels.crest_db),
        "snr_db": finite(levels.snr_db),
        "noise_floor_is_bound": None if levels.floor is None else levels.floor.is_bound,
        "noise_kind": levels.noise.kind,
        "rumble_dbfs": finite(db_from_power(levels.noise.rumble)),
        "hiss_dbfs": finite(db_from_power(levels.noise.hiss)),
        "hum_lines": [] if hum is None else [{"hz": line.hz, "dbfs": finite(line.dbfs)} for line in hum.lines],
        "longest_run": cut.longest_run,
        "first_clips_s": list(cut.first_s),
        **_broken_places(levels),
        "flat_dbfs": [None if side is None else finite(db_from_amplitude(side)) for side in (cut.upper, cut.lower)],
        "samples_over_full_scale": levels.over,
        "gain_change_db": levels.gain_change_db,
        "double_gain_db": None if double is None else double.gain_db,
        "double_polarity": None if double is None else double.polarity,
        "double_lag_samples": None if double is None else double.lag_samples,
        "remarks": [_remark(remark) for remark in levels.remarks],
    }


def _broken_places(levels: TrackLevels) -> dict[str, Any]:
    return {
        "clicks": levels.clicks.count,
        "first_clicks_s": list(levels.clicks.first_s),
        "dropouts": levels.gaps.dropouts,
        "first_dropouts_s": list(levels.gaps.first_s),
        "breaks_off_s": levels.gaps.dies_s,
    }


def _remark(remark: Remark) -> dict[str, Any]:
    return {
        "rule": remark.rule,
        "severity": remark.severity,
        "message": remark.message,
        "advice": remark.advice,
        "caution": remark.caution or None,
    }


def levels_table(take: TakeLevels) -> Table:
    """One row a track, the worst first."""
    table = bare_table("Levels")
    table.add_column("track", overflow="fold")
    for heading in ("peak\nof full", "peak\ndBFS", "true\ndBTP", "RMS\ndBFS", "floor\ndBFS"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("verdict", overflow="fold")
    for one in take.absent:
        table.add_row(clean(one.name), *["-"] * 5, "not read", style=PROBLEM)
    for _, levels in take.worst_first:
        table.add_row(clean(levels.name), *_cells(levels), levels.verdict_words, style=_style(levels))
    return table


def levels_line(take: TakeLevels) -> str:
    """All tracks in a line: those with problems by name, the others counted by their verdicts, and what parts them."""
    count = len(take.rows) + len(take.absent)
    wrong = [f"'{one.name}' not read" for one in take.absent]
    wrong += [f"'{levels.name}' {levels.verdict_words}" for _, levels in take.worst_first if levels.has_problem]
    wrong += [f"the take: {remark.message}" for remark in take.together if remark.severity == "problem"]
    rest = Counter(levels.verdict for _, levels in take.rows if not levels.has_problem)
    others = [f"{number} {verdict}" for verdict, number in rest.most_common()]
    # In one line only that it is so: which tracks, the song alone tells.
    others += [remark.message.split(":")[0] for remark in take.together if remark.severity == "note"]
    return f"{many(count, 'track')}: {', '.join([*wrong, *others])}"


def _cells(levels: TrackLevels) -> Iterator[str]:
    yield "-" if levels.verdict == "broken" else show_percent(100.0 * levels.peak)
    for level in (levels.peak_dbfs, levels.true_peak_dbtp, levels.rms_dbfs):
        yield dbfs_cell(level)
    # The floor of a track that is never quiet is no more than a bound.
    bound = "<" if levels.floor is not None and levels.floor.is_bound and levels.verdict != "silent" else ""
    yield bound + dbfs_cell(levels.noise_floor_dbfs).removeprefix(bound)


def _style(levels: TrackLevels) -> str | None:
    if levels.has_problem:
        return PROBLEM
    return WARNING if levels.remarks else None


def advice_lines(take: TakeLevels) -> Beside | None:
    """What is said of each track and what to try, the worst first; None where there is nothing to say.

    What several tracks are advised alike is said once, beside all their names.
    """
    from rich.text import Text  # noqa: PLC0415 - only a terminal needs it

    from micalign.report.narrow_tables import Beside  # noqa: PLC0415

    said = []
    for names, remark in _alike(_said(take)):
        beside = "\n".join(map(clean, names)), clean(_sentences(remark))
        labels, words = (Text(one, style=_loudly(remark)) for one in beside)
        said.append(([labels], words))
    return Beside(said) if said else None


def _alike(said: Iterable[tuple[str, Remark]]) -> Iterator[tuple[list[str], Remark]]:
    """Remarks of one rule and advice together, with the first one's figure; the others' must stand in the table."""
    groups: dict[tuple[str, ...], list[tuple[str, Remark]]] = {}
    for name, remark in said:
        figure = "" if remark.rule in _IN_TABLE else remark.message
        groups.setdefault((remark.rule, remark.severity, remark.advice, figure), []).append((name, remark))
    for group in groups.values():
        remark = group[0][1]
        if any(one.message != remark.message for _, one in group):
            remark = replace(remark, message=f"{remark.message} (the others as in the table)")
        yield [name for name, _ in group], remark


def _loudly(remark: Remark) -> str:
    return "bold" if remark.severity == "problem" else ""


def _sentences(remark: Remark) -> str:
    return " ".join(sentence(part) for part in (remark.message, remark.advice) if part)


def _said(take: TakeLevels) -> Iterator[tuple[str, Remark]]:
    for one in take.absent:
        yield one.name, Remark(one.kind, "problem", f"not read: {one.message}")
    for remark in take.together:
        yield "the take", remark
    for _, levels in take.worst_first:
        for remark in levels.remarks:
            yield levels.name, remark


def cautions(take: TakeLevels) -> tuple[str, ...]:
    """What keeps people safe, each once."""
    return tuple(dict.fromkeys(remark.caution for _, remark in _said(take) if remark.caution))


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
        "caution": SIGNAL_CAUTION,
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
    near = [one for one in planned if abs(one.delay_s - echo.delay_s) <= _SAME_BOUNCE_S]
    if not near:
        return "-"
    best = min(near, key=lambda one: abs(one.delay_s - echo.delay_s))
    return f"{clean(best.surface)}: {show_ms(best.delay_s)}, {show_db(best.level_db, sign=True)}"
