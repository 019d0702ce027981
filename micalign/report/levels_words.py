"""Is this take sound, in words: the document, the table with the worst track first, and what to do about it.

Levels are decibels of full scale; root mean squares are against full scale 1, so a full-scale sine reads -3.0 dBFS.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from micalign.files.audio import Absent, Inventory, Present
from micalign.report.tables import PROBLEM, WARNING, bare_table, clean, finite, sentence
from micalign.take.levels import TrackLevels, WorkingWindow, measure_levels
from micalign.take.together import Remark, TrackFacts, remarks_together
from micalign.units import db_from_amplitude, db_from_power, dbfs_cell, many, show_percent

if TYPE_CHECKING:
    from rich.table import Table

    from micalign.report.narrow_tables import Beside

__all__ = ["TakeLevels", "advice_lines", "cautions", "levels_document", "levels_line", "levels_table", "take_levels"]

_IN_TABLE: Final = frozenset({"quiet", "hot", "pair", "silent", "dead", "rumble", "hiss", "noise"})
"""Rules whose figures, a peak or a floor, stand in the table of every track."""

_RANK: Final = ("broken", "silent", "dead", "clipped", "double", "offset", "hum", "rumble", "hiss", "noise")


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
        return tuple(sorted(self.rows, key=lambda row: _gravity(row[1])))


def _gravity(levels: TrackLevels) -> tuple[int, int, int]:
    problems = [_RANK.index(remark.rule) for remark in levels.remarks if remark.severity == "problem"]
    return (
        min(problems, default=len(_RANK)),
        -len(problems),
        -len(levels.remarks),
    )


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
    sheets = [TrackFacts(one.track.name, one.track.sample_rate, one.track.duration_s, one.start_s) for one in present]
    return TakeLevels(tuple(zip(present, found, strict=True)), call.absent, remarks_together(sheets))


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
        "flat_dbfs": [None if side is None else finite(db_from_amplitude(side)) for side in (cut.upper, cut.lower)],
        "samples_over_full_scale": levels.over,
        "gain_change_db": levels.gain_change_db,
        "double_gain_db": None if double is None else double.gain_db,
        "double_polarity": None if double is None else double.polarity,
        "double_lag_samples": None if double is None else double.lag_samples,
        "remarks": [_remark(remark) for remark in levels.remarks],
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
        table.add_row(clean(levels.name), *_cells(levels), _verdict(levels), style=_style(levels))
    return table


def levels_line(take: TakeLevels) -> str:
    """All tracks in a line: those with problems by name, the others counted by their verdicts, and what parts them."""
    count = len(take.rows) + len(take.absent)
    wrong = [f"'{one.name}' not read" for one in take.absent]
    wrong += [f"'{levels.name}' {_verdict(levels)}" for _, levels in take.worst_first if levels.has_problem]
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


def _verdict(levels: TrackLevels) -> str:
    rules = [remark.rule for remark in levels.remarks if remark.severity == "problem"]
    first = "dead" if "dead" in rules else levels.verdict
    if first == "good" and "broken" in rules:  # nobody knows what its rest is
        return ", ".join(dict.fromkeys(["broken", *rules]))
    return ", ".join(dict.fromkeys([first, *rules]))


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
