"""How is what was recorded held against its scene, in words: a take (`compare`), and a line check (`linecheck`)?

Times are how much later a source is in a track than in the reference track, or in a line than in its own; levels are
decibels of full scale; bleed is a source in a line against the same source in its own. Each command has a document for
scripts, a verdict and tables for the terminal, and what to do now. Names are cleaned where they are printed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from micalign.alignment.solo import FoundAlone
from micalign.compare.comparison import Comparison, Explanation, Row
from micalign.compare.linecheck import CheckedLine, HeardLine, LineCheck, LineSource
from micalign.report.check_words import finding_rows
from micalign.report.measure_words import found_rows
from micalign.report.tables import GOOD, PROBLEM, WARNING, bare_table, clean, finite, sentence
from micalign.tdoa.tuned import CLEAR_POLARITY
from micalign.units import FAINT_DBFS, dbfs_cell, many, show_db, show_ms, show_ms_known, show_plus_minus

if TYPE_CHECKING:
    from rich.table import Table

    from micalign.report.narrow_tables import Beside

__all__ = [
    "compare_document",
    "compared_line",
    "comparison_table",
    "linecheck_document",
    "linecheck_screen",
    "summary",
    "to_do",
]

_LARGE_Z: Final = 3.0
"""Standard deviations: of a hundred rows as planned fewer than one lies further out (normal errors: 0.3 %)."""


def compare_document(found: Comparison) -> dict[str, Any]:
    """What ``compare --json`` prints; the reference track of each row is said in it."""
    return {
        "tracks": [_row(row) for row in found.rows],
        "explanations": [_explanation(one) for one in found.explanations],
        "flipped": list(found.flips.tracks),
        "flipped_instead": list(found.flips.instead),
        "explained": found.explained,
        "delays": found.sightings,
        "strays": found.strays,
        "unheard": list(found.unheard),
        "findings": finding_rows(found.findings),
    }


def _row(row: Row) -> dict[str, Any]:
    return {
        "track": row.track,
        "source": row.source,
        "reference": row.reference,
        "predicted_s": row.predicted_s,
        "predicted_uncertainty_s": row.predicted_sigma_s,
        "measured_s": row.measured_s,
        "uncertainty_s": row.measured_sigma_s,
        "difference_s": row.difference_s,
        "z": row.z,
        "polarity_expected": row.polarity_expected,
        "polarity": row.polarity,
        "explains": row.explains,
    }


def _explanation(one: Explanation) -> dict[str, Any]:
    return {
        "cause": one.kind,
        "names": list(one.names),
        "words": one.words,
        "evidence": round(one.evidence, 2),
        "rivals": list(one.rivals),
        "moved_m": None if one.moved_m is None else [round(value, 4) for value in one.moved_m],
        "moved_uncertainty_m": None if one.moved_sigma_m is None else round(one.moved_sigma_m, 4),
        "other_m": None if one.other_m is None else [round(value, 4) for value in one.other_m],
        "other_probability": None if one.other_probability is None else round(one.other_probability, 3),
        "late_s": one.late_s,
        "temperature_c": None if one.temperature_c is None else round(one.temperature_c, 1),
    }


def comparison_table(found: Comparison) -> Table:
    """One row for each source and track."""
    table = bare_table("Plan against take")
    for heading in ("source", "track", "against"):
        table.add_column(heading, overflow="fold")
    for heading in ("planned", "measured", "off by", "z"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("polarity", no_wrap=True)
    if any(row.is_stray for row in found.rows):
        table.add_column("remark", overflow="fold")
    before = None
    for row in found.rows:
        source = "" if row.source == before else clean(row.source)
        polarity = _polarity(row)
        cells = [source, clean(row.track), clean(row.reference), *_numbers(row), polarity]
        cells += [f"not counted: {row.explains}"] if row.is_stray else []
        table.add_row(*cells, style=WARNING if polarity == "INVERTED" else None)
        before = row.source
    return table


def _numbers(row: Row) -> list[str]:
    planned = show_ms(row.predicted_s, sign=True)
    if row.measured_s is None or row.difference_s is None or row.z is None:
        return [planned, "not heard", "", ""]
    z = f"{round(row.z, 1) + 0.0:+.1f}"
    cells = [show_ms(row.measured_s, sign=True), show_ms(row.difference_s, sign=True)]
    if row.is_stray:
        return [planned, *(f"({cell})" for cell in (*cells, z))]
    return [planned, *cells, f"{z} !" if abs(row.z) > _LARGE_Z else z]


def _polarity(row: Row) -> str:
    if row.polarity is None or row.polarity_expected is None or row.is_stray:
        return ""
    return "as planned" if row.polarity == row.polarity_expected else "INVERTED"


def summary(found: Comparison) -> Iterator[str]:
    """The verdict in a line or two, with its evidence."""
    if not found.sightings:
        yield "Nothing to compare: no delay was heard clearly."
        return
    heard = _heard(found.sightings, found.strays, sum(row.measured_s is not None for row in found.rows))
    if found.is_fine:
        if found.is_hazy:
            yield f"As planned as far as was heard: {heard}."
        else:
            yield f"As planned: {heard}.{_worth_a_look(found.rows)}"
        return
    if found.explained:
        for one in found.explanations:
            yield f"{one.words} ({_likelier(one.evidence)} than the plan as it stands)"
    yield f"{'Explained' if found.explained else 'NOT explained'}: {heard}."


def compared_line(found: Comparison) -> str:
    """The verdict in a line; where the take is not as planned, the causes."""
    if found.is_fine and not found.is_hazy:
        return f"as planned: {_heard(found.sightings, found.strays, found.sightings)}"
    if not found.explanations or not found.explained:
        return " ".join(summary(found))
    return "; ".join(one.words for one in found.explanations)


def _worth_a_look(rows: Sequence[Row]) -> str:
    """Which rows that count are far from the plan; in brackets stands what does not count."""
    large = [row for row in rows if row.z is not None and abs(row.z) > _LARGE_Z and not row.is_stray]
    if large:
        return f" Worth a look (|z| above {_LARGE_Z:g}): {', '.join(f'{row.source} in {row.track}' for row in large)}."
    return f" No |z| that counts is above {_LARGE_Z:g}."


def _heard(delays: int, strays: int, shown: int) -> str:
    """How many delays were heard; of one source that is heard at two places the table shows one."""
    heard = f"{many(delays, 'delay')} heard" + (f", {shown} of them shown above" if shown < delays else "")
    if delays and not strays:
        return f"{heard}, and {'it fits' if delays == 1 else 'all of them fit'}"
    return f"{heard}, and nothing explains it" if delays == 1 else f"{heard}, {strays} of them explained by nothing"


def _likelier(evidence: float) -> str:
    """How much likelier, from the natural logarithm of the odds."""
    for odds, words in ((1000.0, "a thousand"), (100.0, "a hundred"), (10.0, "ten")):
        if evidence >= math.log(odds):
            return f"more than {words} times likelier"
    return "somewhat likelier"


def to_do(found: Comparison) -> Beside:
    """What to do now, numbered, the most useful first: each finding's message and its advice."""
    from rich.text import Text  # noqa: PLC0415 - only a terminal needs it

    from micalign.report.narrow_tables import Beside  # noqa: PLC0415

    said = (Text(f"{clean(one.message)}\n-> {clean(one.advice)}") for one in found.findings)
    return Beside((([Text(f"{number}.")], words) for number, words in enumerate(said, start=1)), gap=1)


Cell = Callable[[LineSource, HeardLine], str]


_MARKS: Final = {"good": ("+ good", GOOD), "note": ("+ good, see below", WARNING)}
_DOUBTED: Final = {"opposite": "polarity", "late": "time"}  # what a note leaves in doubt of a line, by its rule
_SIGNS: Final = {1: "positive", -1: "negative", None: None}


def linecheck_document(found: LineCheck, stretches: Sequence[FoundAlone]) -> dict[str, Any]:
    """What ``linecheck --json`` prints; what is not heard has no figures."""
    return {
        "pop": _SIGNS[found.pop],
        "good": found.is_good,
        "sources": [_source(one) for one in found.sources],
        "lines": [_line(one) for one in found.lines],
        "found": found_rows(stretches),
        "plan": None if found.plan is None else compare_document(found.plan),
    }


def _source(one: LineSource) -> dict[str, Any]:
    return {
        "source": one.source,
        "seems": one.seems,
        "found_by_itself": one.is_found,
        "spans_s": [[round(value, 3) for value in span] for span in one.spans_s],
        "hits": one.hits,
        "reference": one.own,
        "remark": one.remark,
        "tracks": [_line_heard(line) for line in one.heard],
    }


def _line_heard(line: HeardLine) -> dict[str, Any]:
    return {
        "track": line.track,
        "heard": line.is_heard,
        "delay_s": line.later_s,
        "uncertainty_s": line.uncertainty_s,
        "polarity": line.polarity,
        "polarity_margin": line.polarity_margin if line.is_heard else None,
        "first_wave": _SIGNS[line.first_wave],
        "level_dbfs": line.level_dbfs if line.is_heard else None,
        "bleed_db": line.bleed_db if line.is_heard else None,
        "reliable": line.reliable,
    }


def _line(line: CheckedLine) -> dict[str, Any]:
    levels, hum = line.levels, line.levels.hum
    return {
        "track": line.track,
        "sources": list(line.own),
        "good": line.is_good,
        "verdict": _verdict(line),
        "peak_dbfs": finite(levels.peak_dbfs),
        "headroom_db": finite(-levels.peak_dbfs),
        "noise_floor_dbfs": finite(levels.noise_floor_dbfs),
        "hum_hz": None if hum is None else hum.mains_hz,
        "hum_dbfs": None if hum is None else finite(hum.dbfs),
        "remarks": [
            {"rule": one.rule, "severity": one.severity, "message": one.message, "advice": one.advice}
            for one in line.remarks
        ],
    }


def _verdict(line: CheckedLine) -> str:
    rules = dict.fromkeys(one.rule for one in line.remarks if one.severity == "problem")
    return ", ".join(rules) or "good"


def linecheck_screen(found: LineCheck, stretches: Sequence[FoundAlone]) -> Iterator[Any]:
    """What a terminal shows, from the verdict on."""
    from rich.text import Text  # noqa: PLC0415 - only a terminal needs it

    yield Text(_summary(found), style=GOOD if found.is_good else PROBLEM)
    short = _short_names(found, stretches)
    for one in stretches:
        name = short[one.source or one.span_words]
        yield f"{name}: {clean(one.words)}" if one.source is None else clean(one.words)
    yield ""
    yield _line_table(found, short)
    yield ""
    caption = f"INV: opposite to its own line, inv?: perhaps. ?: not reliable. -: not heard.{_within(found)}"
    yield _matrix("How much later than in its own line, ms", found, short, _arrival, caption)
    yield ""
    yield _matrix("Bleed against its own line, dB", found, short, _bleed, "-: not heard.")
    for source in found.sources:
        if source.remark:
            yield f"{short[source.source]}: {clean(source.remark)}."
    advice = _advice(found)
    if advice is not None:
        yield Text("\nWhat to do now", style="bold")
        yield advice
    for caution in dict.fromkeys(one.caution for line in found.lines for one in line.remarks if one.caution):
        yield f"Caution. {caution}"


def _short_names(found: LineCheck, stretches: Sequence[FoundAlone]) -> dict[str, str]:
    """What heads a column: a source's name, or a letter for one that has none."""
    nameless = {one.span_words for one in stretches if one.source is None}
    letters = (f"{chr(65 + index % 26)}{index // 26 or ''}" for index in range(len(nameless)))
    return {
        one.source: clean(one.seems or (next(letters) if one.source in nameless else one.source))
        for one in found.sources
    }


def _summary(found: LineCheck) -> str:
    good = sum(line.is_good for line in found.lines)
    heard = f"{many(len(found.sources), 'source')} heard alone"
    doubted = {
        what: [f"'{clean(line.track)}'" for line in found.lines if any(one.rule == rule for one in line.remarks)]
        for rule, what in _DOUBTED.items()
    }
    doubts = [f"the {what} of {', '.join(names)}" for what, names in doubted.items() if names]
    if found.is_good and doubts:
        return f"Ready but for {' and '.join(doubts)}, see below: {good} lines, {heard}."
    if found.is_good:
        return f"Ready: all {good} lines are good, {heard}."
    bad = [f"'{clean(line.track)}'" for line in found.lines if not line.is_good]
    where = f": look at {', '.join(bad)}" if bad else ": what was heard is not as planned"
    return f"Not ready, {good} of {len(found.lines)} lines are good, {heard}{where}."


def _line_table(found: LineCheck, short: Mapping[str, str]) -> Table:
    table = bare_table("Lines")
    table.add_column("line", overflow="fold")
    table.add_column("its own source", overflow="fold")
    for heading in ("peak\ndBFS", "headroom\ndB", "noise\ndBFS"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("verdict", overflow="fold")
    for line in found.lines:
        levels = line.levels
        room_db = -levels.peak_dbfs if levels.peak_dbfs >= FAINT_DBFS else None
        cells = [dbfs_cell(levels.peak_dbfs), dbfs_cell(room_db), dbfs_cell(levels.noise_floor_dbfs)]
        table.add_row(clean(line.track), ", ".join(short[one] for one in line.own), *cells, *_marked(line))
    return table


def _marked(line: CheckedLine) -> tuple[Any, ...]:
    from rich.text import Text  # noqa: PLC0415

    if not line.is_good:
        return (Text(f"x {_verdict(line)}", style=PROBLEM),)
    words, style = _MARKS["note" if line.remarks else "good"]
    return (Text(words, style=style),)


def _matrix(title: str, found: LineCheck, short: Mapping[str, str], cell: Cell, caption: str) -> Table:
    """Lines down, sources across."""
    table = bare_table(title, caption=caption)
    table.add_column("line", overflow="fold")
    for source in found.sources:
        table.add_column(short[source.source], justify="right")
    for line in found.lines:
        table.add_row(clean(line.track), *(cell(source, source.at(line.track)) for source in found.sources))
    return table


def _arrival(source: LineSource, heard: HeardLine) -> str:
    if heard.track == source.own:
        return "own"
    if heard.later_s is None:
        return "-"
    said = show_ms_known(heard.later_s, heard.uncertainty_s or 0.0, sign=True).removesuffix(" ms")
    if not heard.reliable:  # of bleed too faint for its delay the polarity is nobody's matter
        return f"{said}?"
    if heard.polarity == -1:
        said += " inv?" if heard.polarity_margin < CLEAR_POLARITY else " INV"
    return said


def _within(found: LineCheck) -> str:
    """How exactly the reliable arrivals are known."""
    every = [one for source in found.sources for one in source.heard if one.reliable and one.track != source.own]
    known_s = sorted(one.uncertainty_s for one in every if one.uncertainty_s)
    if not known_s:
        return ""
    least, most = (show_plus_minus(value) for value in (known_s[0], known_s[-1]))
    return f" Each is known to +- {least}." if least == most else f" Each is known to +- {least} to {most}."


def _bleed(source: LineSource, heard: HeardLine) -> str:
    if heard.track == source.own:
        return "own"
    return show_db(heard.bleed_db, sign=True).removesuffix(" dB") if heard.is_heard else "-"


def _advice(found: LineCheck) -> Beside | None:
    """What was found and what to do, problems first; what concerns several lines stands once."""
    from rich.text import Text  # noqa: PLC0415

    from micalign.report.narrow_tables import Beside  # noqa: PLC0415

    tracks: dict[tuple[str, str, str], list[str]] = {}
    for line in found.lines:
        for one in line.remarks:
            tracks.setdefault((one.severity, one.message, one.advice), []).append(line.track)
    for finding in found.plan.findings if found.plan and found.against_plan else ():
        if finding.severity != "note" and not any(message.startswith(finding.message[:-1]) for _, message, _ in tracks):
            tracks["problem", finding.message, finding.advice] = ["the plan"]
    rows = []
    for (severity, message, advice), names in sorted(tracks.items(), key=lambda one: one[0][0] != "problem"):
        style = "bold" if severity == "problem" else ""
        said = " ".join(sentence(part) for part in (message, advice) if part)
        rows.append(([Text(clean(", ".join(names)), style=style)], Text(clean(said), style=style)))
    return Beside(rows) if rows else None
