"""How is plan against take put into words: as a document, as a table for the terminal and as a list of what to do now?

Times are how much later a source is in a track than in the reference track. Names are cleaned where they are printed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from micalign.compare.comparison import Comparison, Explanation, Row
from micalign.report.check_words import finding_rows
from micalign.report.tables import WARNING, bare_table, clean
from micalign.units import show_ms

if TYPE_CHECKING:
    from rich.table import Table

__all__ = ["compare_document", "compared_line", "comparison_table", "summary", "to_do"]

_LARGE_Z = 3.0


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
        cells = [source, clean(row.track), clean(row.reference), *_numbers(row), _polarity(row)]
        table.add_row(*cells, *([_not_counted(row)] if row.is_stray else []), style=_style(row))
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


def _not_counted(row: Row) -> str:
    return f"not counted: {row.explains}"


def _polarity(row: Row) -> str:
    if row.polarity is None or row.polarity_expected is None or row.is_stray:
        return ""
    return "as planned" if row.polarity == row.polarity_expected else "INVERTED"


def _style(row: Row) -> str | None:
    return WARNING if _polarity(row) == "INVERTED" else None


def summary(found: Comparison) -> Iterator[str]:
    """The verdict in a line or two, with its evidence."""
    heard = _heard(found.sightings, found.strays)
    if found.is_fine:
        if found.is_hazy:
            yield f"As planned as far as can be told: {heard}."
        else:
            yield f"As planned: {heard}.{_worth_a_look(found.rows)}"
        return
    for one in found.explanations:
        yield f"{one.words} ({_likelier(one.evidence)} than the plan as it stands)"
    yield f"{'Explained' if found.explained else 'NOT explained'}: {heard}."


def compared_line(found: Comparison) -> str:
    """The verdict in a line; where the take is not as planned, the causes."""
    if found.is_fine and not found.is_hazy:
        return f"as planned: {_heard(found.sightings, found.strays)}"
    if not found.explanations:
        return " ".join(summary(found))
    return "; ".join(one.words for one in found.explanations)


def _worth_a_look(rows: Sequence[Row]) -> str:
    """Which rows that count are far from the plan; in brackets stands what does not count."""
    large = [row for row in rows if row.z is not None and abs(row.z) > _LARGE_Z and not row.is_stray]
    if large:
        return f" Worth a look (|z| above 3): {', '.join(f'{row.source} in {row.track}' for row in large)}."
    return " No |z| that counts is above 3."


def _heard(delays: int, strays: int) -> str:
    if delays and not strays:
        return f"{delays} delays heard, and all of them fit"
    return f"{delays} delays heard, {strays} of them explained by nothing"


def _likelier(evidence: float) -> str:
    """How much likelier, from the natural logarithm of the odds."""
    for odds, words in ((1000.0, "a thousand"), (100.0, "a hundred"), (10.0, "ten")):
        if evidence >= math.log(odds):
            return f"more than {words} times likelier"
    return "somewhat likelier"


def to_do(found: Comparison) -> Iterator[str]:
    """What to do now, numbered, the most useful first: each finding's message and its advice."""
    for number, one in enumerate(found.findings, start=1):
        yield f"{number}. {one.message}"
        yield f"   -> {one.advice}"
