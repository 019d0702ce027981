"""How are the three ways to add a DI and its mic put into words: as recorded, by delay and polarity, with all-pass?

Gains are decibels at equal loudness: +3.0 dB is wholly in step, 0 dB as two strangers.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from micalign.alignment.onepath.bestsum import ALLOWED_DB
from micalign.alignment.onepath.pair import BANDS_HZ, Line, PairSum
from micalign.report.tables import bare_table, clean
from micalign.units import show_db, show_hz, show_ms, show_plus_minus

if TYPE_CHECKING:
    from rich.table import Table

__all__ = [
    "WAY_WORDS",
    "advice",
    "named_lines",
    "sum_document",
    "sum_heads",
    "sum_lines",
    "sum_rows",
    "sum_table",
    "sum_words",
]

WAY_WORDS: Final = {"as recorded": "as recorded", "delay": "best delay and polarity", "all-pass": "with all-pass"}
"""The lines of a pair as they are called on screen."""
_NAMES: Final = ("lows", "mids", "presence")


def named_lines(found: PairSum) -> list[tuple[str, Line]]:
    """The lines there are, by name."""
    lines = [("as recorded", found.recorded), ("delay", found.plain)]
    return lines if found.turned is None else [*lines, ("all-pass", found.turned)]


def sum_lines(found: PairSum) -> list[dict[str, Any]]:
    """For a document: one entry a line, null where a band holds nothing."""
    return [
        {
            "way": name,
            "whole_db": _number(line.whole_db),
            **{f"{band}_db": _number(value) for band, value in zip(_NAMES, line.bands_db, strict=True)},
            "recommended": name == found.recommended,
        }
        for name, line in named_lines(found)
    ]


def sum_document(found: PairSum) -> dict[str, Any]:
    """A DI and its mic for ``align --json``: arrival, best sum, the three lines and what is advised."""
    return {
        "reference": found.reference,
        "track": found.track,
        "di": found.di,
        "arrival_s": found.arrival_s,
        "arrival_uncertainty_s": found.arrival_uncertainty_s,
        "best_sum_s": found.best.delay_s,
        "best_sum_uncertainty_s": found.best.uncertainty_s,
        "best_sum_polarity": found.best.polarity,
        "coherence": found.coherence,
        "ways": sum_lines(found),
        "advice": advice(found),
    }


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def sum_table(found: PairSum) -> Table:
    """Three rows: lows, mids and presence of each way to add the two up."""
    table = bare_table(f"{clean(found.reference)} and {clean(found.track)}, added at equal loudness")
    table.add_column(sum_heads()[0], overflow="fold")
    for head in sum_heads()[1:]:
        table.add_column(head.replace(" ", "\n", 1), justify="right", no_wrap=True)
    for row in sum_rows(found):
        table.add_row(*row)
    return table


def sum_heads() -> tuple[str, ...]:
    """What stands above `sum_rows`."""
    bands = (f"{name} {low:g}-{high:g} Hz" for name, (low, high) in zip(_NAMES, BANDS_HZ, strict=True))
    return ("way", *bands, "all")


def sum_rows(found: PairSum) -> list[tuple[str, ...]]:
    """A line each: its words (a star at the one that is recommended), lows, mids, presence, all."""
    return [
        (
            WAY_WORDS[name] + (" *" if name == found.recommended else ""),
            *(_shown(value) for value in (*line.bands_db, line.whole_db)),
        )
        for name, line in named_lines(found)
    ]


def _shown(value: float) -> str:
    return show_db(value, sign=True) if math.isfinite(value) else "-"


def sum_words(found: PairSum, *, matched: bool = False) -> list[str]:
    """What decides, a sentence each; ``matched``: the all-pass is in it already."""
    best = found.best
    first = (
        f"'{found.track}' arrives {show_ms(found.arrival_s, sign=True)} against '{found.reference}' "
        f"(+- {show_plus_minus(found.arrival_uncertainty_s)}); the two add up best at "
        f"{show_ms(best.delay_s, sign=True)} (+- {show_plus_minus(best.uncertainty_s)}), "
        f"{'same polarity' if best.polarity > 0 else 'one of them FLIPPED'}."
    )
    said = [first]
    if found.di is None:
        said.append(
            "Which of the two is the DI cannot be told from the tracks: all-pass would go on the earlier one; say it "
            "with a [[di]] in a scene."
        )
    said += [
        f"Delay and polarity leave {show_hz(low)} to {show_hz(high)} {show_db(-lost)} below as recorded, for more in "
        "all: listen to that band."
        for (low, high), lost in best.losses
    ]
    said.append(f"* {advice(found, matched=matched)}")
    return [clean(sentence) for sentence in said]


def advice(found: PairSum, *, matched: bool = False) -> str:
    """Which line is recommended and why, with what it costs."""
    plain, recorded, turned = found.plain, found.recorded, found.turned
    if found.recommended == "as recorded":
        return "Leave them as recorded: no delay or flip near the arrival sums better."
    if turned is None or found.phase is None:
        return f"Delay and polarity: {_changes(recorded, plain)}. All-pass was tried and adds nothing."
    delay_ms = f"{1e3 * found.phase.group_delay_s:.0f} ms"
    if found.recommended == "all-pass":
        option = "" if matched else " (--match-phase)"
        changes = f"All-pass{option} {_changes(plain, turned)} against delay and polarity"
        return f"{changes}; its filters hold the turned notes back by up to {delay_ms}."
    return (
        f"Delay and polarity: {_changes(recorded, plain)}. All-pass {_changes(plain, turned)} more, too little for "
        f"filters that hold notes back by up to {delay_ms}."
    )


def _changes(before: Line, after: Line) -> str:
    changed = [
        (name, new - old)
        for name, old, new in zip(_NAMES, before.bands_db, after.bands_db, strict=True)
        if math.isfinite(new - old)
    ]
    lifts = _listed([(name, gain) for name, gain in changed if gain >= 0.05])
    costs = _listed([(name, -gain) for name, gain in changed if gain <= -0.05])
    words = [f"lifts {lifts}"] * bool(lifts) + [f"costs {costs}"] * bool(costs)
    beyond = any(gain < -ALLOWED_DB for _, gain in changed)
    return (" and ".join(words) or "changes nothing by 0.1 dB") + (" (listen to that band)" if beyond else "")


def _listed(changed: Sequence[tuple[str, float]]) -> str:
    return ", ".join(f"the {name} by {show_db(value)}" for name, value in changed)
