"""How are measured delays put into words, and what a DI and its mic gain from each way to add them?

A delay is positive where the event comes later in the track. Gains are decibels at equal loudness: +3.0 dB is wholly in
step, 0 dB as two strangers; the ways are as recorded, by delay and polarity, and with all-pass filters, and beside them
what the arrival alone would give in either polarity. Names are cleaned where they are printed.
"""

from __future__ import annotations

import math
import shlex
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, Final

from micalign.alignment.di_and_mics import Line, PairSum
from micalign.alignment.pairings import Measured
from micalign.alignment.tuned import ALLOWED_DB, LINE_BANDS_HZ
from micalign.files.sessions import Laid
from micalign.report.tables import WARNING, bare_table, clean, finite, once, ruled_table
from micalign.tdoa.delays import SourceDelays, TrackDelay
from micalign.tdoa.measure import Delay
from micalign.units import (
    many,
    show_db,
    show_hz,
    show_ms,
    show_ms_known,
    show_percent,
    show_plus_minus,
    show_polarity,
    show_samples,
)

if TYPE_CHECKING:
    from rich.table import Table

    from micalign.alignment.solo import FoundAlone

__all__ = [
    "WAY_WORDS",
    "advice",
    "delay_cells",
    "delay_table",
    "found_rows",
    "kit_command",
    "kit_lines",
    "latency_words",
    "measure_document",
    "measured_line",
    "named_lines",
    "source_table",
    "stretch_lines",
    "sum_document",
    "sum_heads",
    "sum_lines",
    "sum_rows",
    "sum_table",
    "sum_words",
]

_HEARD_DB: Final = 0.05
"""Decibels: a change that is shown as 0.1 dB, the smallest that is printed; less is none."""

WAY_WORDS: Final = {
    "as recorded": "as recorded",
    "arrival, kept": "at arrival, polarity kept",
    "arrival, flipped": "at arrival, flipped",
    "delay": "best delay and polarity",
    "all-pass": "with all-pass",
}
"""The lines of a pair as they are called on screen."""
_NAMES: Final = ("lows", "mids", "presence")
_DOUBTED: Final = "?: the polarity is open; look at one hit in both tracks before you flip."
_OPEN: Final = "its polarity is open: look at one hit in both tracks before you flip"


def named_lines(found: PairSum) -> list[tuple[str, Line]]:
    """The lines that may be chosen, by name."""
    lines = [("as recorded", found.recorded), ("delay", found.plain)]
    return lines if found.turned is None else [*lines, ("all-pass", found.turned)]


def _with_arrival(found: PairSum) -> list[tuple[str, Line]]:
    """Those, and beside them what the two sum to where the sound arrives, in either polarity."""
    recorded, *chosen = named_lines(found)
    arrival = zip(("arrival, kept", "arrival, flipped"), found.at_arrival, strict=True)
    return [recorded, *arrival, *chosen]


def sum_lines(found: PairSum) -> list[dict[str, Any]]:
    """For a document: one entry a line, null where a band holds nothing."""
    return [
        {
            "way": name,
            "whole_db": finite(line.whole_db),
            **{f"{band}_db": finite(value) for band, value in zip(_NAMES, line.bands_db, strict=True)},
            "recommended": name == found.recommended,
        }
        for name, line in _with_arrival(found)
    ]


def sum_document(found: PairSum) -> dict[str, Any]:
    """A DI and its mic for ``align --json``: arrival, best sum, each way to add them and what is advised."""
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


def sum_table(found: PairSum) -> Table:
    """Lows, mids and presence of each way to add the two up."""
    way, *figures = (head.replace(" ", "\n", 1) for head in sum_heads())
    return ruled_table(f"{found.reference} and {found.track}, added at equal loudness", [way], figures, sum_rows(found))


def sum_heads() -> tuple[str, ...]:
    """What stands above `sum_rows`."""
    bands = (f"{name} {low:g}-{high:g} Hz" for name, (low, high) in zip(_NAMES, LINE_BANDS_HZ, strict=True))
    return ("way", *bands, "all")


def sum_rows(found: PairSum) -> list[tuple[str, ...]]:
    """Words (a star at what is recommended), lows, mids, presence, all; ways that show the same are one row."""
    ways: dict[tuple[str, ...], list[str]] = {}
    for name, line in _with_arrival(found):
        words = WAY_WORDS[name] + (" *" if name == found.recommended else "")
        ways.setdefault(tuple(map(_shown, (*line.bands_db, line.whole_db))), []).append(words)
    return [(" = ".join(words), *shown) for shown, words in ways.items()]


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
            "Which of the two is the DI cannot be seen from the tracks: all-pass would go on the earlier one; say it "
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
    said, more = f"Delay and polarity: {_changes(recorded, plain)}.", _changes(plain, turned)
    if matched:
        return f"{said} All-pass, which is in it, {more} more; its filters hold notes back by up to {delay_ms}."
    if _gives_back(found):
        return (
            f"{said} All-pass (--match-phase) {more} more, little in all; its filters hold notes back by up to "
            f"{delay_ms}: hear it where the band that is lost matters."
        )
    return f"{said} All-pass {more} more, too little for filters that hold notes back by up to {delay_ms}."


def _gives_back(found: PairSum) -> bool:
    """Whether all-pass mends a band that delay and polarity leave below as recorded."""
    bands = zip(found.recorded.bands_db, found.plain.bands_db, (found.turned or found.plain).bands_db, strict=True)
    return any(plain < old - ALLOWED_DB <= turned for old, plain, turned in bands if math.isfinite(plain - old))


def _changes(before: Line, after: Line) -> str:
    changed = [
        (name, new - old)
        for name, old, new in zip(_NAMES, before.bands_db, after.bands_db, strict=True)
        if math.isfinite(new - old)
    ]
    lifts = _listed([(name, gain) for name, gain in changed if gain >= _HEARD_DB])
    costs = _listed([(name, -gain) for name, gain in changed if gain <= -_HEARD_DB])
    words = [f"lifts {lifts}"] * bool(lifts) + [f"costs {costs}"] * bool(costs)
    beyond = any(gain < -ALLOWED_DB for _, gain in changed)
    return (" and ".join(words) or "changes nothing by 0.1 dB") + (" (listen to that band)" if beyond else "")


def _listed(changed: Sequence[tuple[str, float]]) -> str:
    return ", ".join(f"the {name} by {show_db(value)}" for name, value in changed)


def measure_document(found: Measured, laid: Laid | None = None) -> dict[str, Any]:
    """What ``measure --json`` prints; ``sources`` only where a scene names them.

    ``timestamps`` and ``start_s`` say how tracks came to one clock: delays count from where stamps place a track.
    """
    laid = laid or Laid(())
    document: dict[str, Any] = {
        "reference": found.reference,
        "sample_rate": found.sample_rate,
        "tracks": [
            {
                **_row(one, found.sample_rate),
                "start_s": laid.starts_s.get(one.track, 0.0),
                **_arrival(found.sum_of(one.track)),
            }
            for one in found.tracks
        ],
        "timestamps": laid.timestamps,
        "notes": [*laid.notes, *kit_lines(found)],
    }
    if found.sources is not None:
        document["sources"] = [_source(one, found.sample_rate) for one in found.sources]
        document["stretches"] = found_rows(found.stretches)
    return document


def found_rows(stretches: Sequence[FoundAlone]) -> list[dict[str, Any]]:
    """The stretches that were found by themselves, for a document."""
    return [
        {
            "begin_s": round(one.stretch.begin_s, 3),
            "end_s": round(one.stretch.end_s, 3),
            "hits": one.stretch.hits,
            "loudest_in": one.stretch.loudest,
            "source": one.source,
            "words": one.words,
        }
        for one in stretches
    ]


def _source(one: SourceDelays, sample_rate: int) -> dict[str, Any]:
    return {
        "source": one.source,
        "reference": one.reference,
        "tracks": [_row(track, sample_rate) for track in one.tracks],
        "pairs": [
            {"reference": pair.reference, **_row(TrackDelay(pair.track, pair.delay), sample_rate)}
            for pair in one.pairs
            if pair.reference != one.reference
        ],
        "moments": one.moments,
        "alone_hits": one.alone_hits,
        "remark": one.remark,
    }


def _row(one: TrackDelay, sample_rate: int) -> dict[str, Any]:
    delay = one.delay
    return {
        "track": one.track,
        "delay_s": delay.delay_s,
        "delay_samples": delay.delay_s * sample_rate,
        "uncertainty_s": delay.uncertainty_s,
        "polarity": delay.polarity,
        "polarity_margin": delay.polarity_margin,
        "polarity_clear": delay.is_polarity_clear,
        "confidence": delay.confidence,
        "reliable": delay.reliable,
        "reason": None if delay.reliable else delay.reason,
        "remark": _remark(delay) or None if delay.reliable else None,
        "drift_ppm": delay.drift_ppm,
        "candidates": [
            {"delay_s": one.delay_s, "polarity": one.polarity, "probability": one.probability}
            for one in delay.candidates
        ],
    }


def _arrival(found: PairSum | None) -> dict[str, Any]:
    """What a DI and its mic have beside the delay of their best sum: when the same event arrives."""
    if found is None:
        return {}
    return {
        "arrival_s": found.arrival_s,
        "arrival_uncertainty_s": found.arrival_uncertainty_s,
        "arrival_polarity": found.arrival.polarity,
        "coherence": found.coherence,
        "di": found.di,
        "sums": sum_lines(found),
    }


def delay_table(title: str, tracks: Sequence[TrackDelay], sample_rate: int, *, drift: bool = False) -> Table:
    """One row a track; an unreliable row says why, its number in brackets, or a dash where nothing was measured."""
    table = bare_table(title)
    table.add_column("track", overflow="fold")
    for heading in ("delay", "samples", "+-"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("polarity")
    if drift:
        table.add_column("clock", justify="right", no_wrap=True)
    table.add_column("verdict", overflow="fold")
    for one, doubt in zip(tracks, once([(one.track, _doubt(one.delay)) for one in tracks]), strict=True):
        late, *known = delay_cells(one.delay)
        sigma = one.delay.uncertainty_s * sample_rate
        cells = [late, show_samples(one.delay.delay_s * sample_rate, sigma), *known]
        if drift:
            cells.append("-" if one.delay.drift_ppm is None else f"{one.delay.drift_ppm:+.2f} ppm")
        _add_row(table, [one.track], one.delay, cells, _verdict(one.delay, doubt))
    if _is_any_doubted(tracks):
        table.caption = _DOUBTED
    return table


def delay_cells(delay: Delay) -> tuple[str, str, str]:
    """Delay to two digits of its standard deviation, that, and polarity."""
    polarity = show_polarity(delay.polarity, clear=delay.is_polarity_clear)
    late = show_ms_known(delay.delay_s, delay.uncertainty_s / 10, sign=True)
    return late, show_plus_minus(delay.uncertainty_s), polarity


def _add_row(table: Table, names: Sequence[str], delay: Delay, cells: Sequence[str], verdict: str) -> None:
    if not delay.reliable:
        cells = [f"({cell})" if delay.is_known else "-" for cell in cells]
    table.add_row(*map(clean, names), *cells, clean(verdict), style=None if delay.reliable else WARNING)


def _verdict(delay: Delay, doubt: str) -> str:
    if not delay.reliable:
        return f"no reliable delay: {doubt}"
    sure = "reliable" if delay.is_polarity_clear else "delay reliable, polarity open"
    return f"{sure}, confidence {_sure(delay)}"


def _sure(delay: Delay) -> str:
    """How sure, and what is to be said of it all the same."""
    return f"{show_percent(100 * delay.confidence)}{f' ({delay.reason})' if delay.reason else ''}"


def _remark(delay: Delay) -> str:
    """What a reader of a document must know of a delay that can be relied on: its polarity perhaps cannot."""
    said = (delay.reason, None if delay.is_polarity_clear else _OPEN)
    return "; ".join(words for words in said if words)


def _doubt(delay: Delay) -> str:
    return delay.reason or "the tracks have too little in common"


def _is_any_doubted(tracks: Iterable[TrackDelay]) -> bool:
    return any(one.delay.is_known and not one.delay.is_polarity_clear for one in tracks)


def measured_line(found: Measured) -> str:
    """All tracks in a line: how many delays are reliable, the smallest and the largest, and which are not."""
    sure = [one for one in found.tracks if one.delay.reliable]
    delays_s = sorted(one.delay.delay_s for one in sure)
    line = f"{len(sure)} of {len(found.tracks)} delays reliable"
    if delays_s:
        low, high = (show_ms(value, sign=True) for value in (delays_s[0], delays_s[-1]))
        line += f", {low}" if low == high else f", {low} to {high}"
    turned = [f"'{one.track}'" for one in sure if one.delay.polarity < 0 and one.delay.is_polarity_clear]
    line += f"; inverted: {', '.join(turned)}" if turned else ""
    either = [f"'{one.track}'" for one in sure if not one.delay.is_polarity_clear]
    line += f"; polarity open: {', '.join(either)}" if either else ""
    rest = [f"'{one.track}'" for one in found.tracks if not one.delay.reliable]
    line += f"; not: {', '.join(rest)}" if rest else ""
    against = f" (against '{found.reference}')"
    if not found.of_a_kit:
        return line + against
    better = "TRACK" if found.better is None else shlex.quote(found.better)
    return f"a kit, better measured with --reference {better}; {line}{against}"


def kit_command(found: Measured, words: Sequence[str]) -> str:
    """The command that measures a kit against what stands over it, as a shell takes it; empty where none surely does.

    ``words`` are those of the command that was given, its files or folder among them.

    >>> kit_command(Measured("Kick", 48000, (), None, of_a_kit=True, better="OH L"), ("measure", "Kick", "OH L"))
    "micalign measure Kick 'OH L' --reference 'OH L'"
    """
    if not found.of_a_kit or found.better is None:
        return ""
    return clean(shlex.join(["micalign", *words, "--reference", found.better]))


def kit_lines(found: Measured) -> Iterator[str]:
    """That delays against a mic which is not over its kit are of various drums, and what to hold the others against."""
    if found.of_a_kit:
        better = "one that stands over the kit" if found.better is None else f"'{found.better}', which stands over it,"
        yield clean(
            f"These are mics of a kit, over which '{found.reference}' does not stand: each delay is that of whichever "
            f"drum its two tracks share best, so that they need not agree with each other. Against {better} each close "
            f"mic's is its own drum's: --reference {'TRACK' if found.better is None else shlex.quote(found.better)}."
        )


def latency_words(found: Measured) -> str:
    """What a loopback says: the latency to use for every track that came the same way."""
    delay = found.tracks[0].delay
    if not delay.reliable:
        return "No latency can be measured on the loopback: is it a recording of the reference?"
    samples = show_samples(delay.delay_s * found.sample_rate).lstrip("+")
    return (
        f"Latency of the way out and back: {show_ms(delay.delay_s)}, {samples} samples "
        f"(+- {show_plus_minus(delay.uncertainty_s)}). Use it for every track recorded this way."
    )


def stretch_lines(stretches: Sequence[FoundAlone]) -> Iterator[str]:
    """What was found by itself in the take, a line each, and how to leave one out."""
    yield from (clean(one.words) for one in stretches)
    if stretches:
        yield "Where one is wrong, leave it out: --strike FROM-TO."


def source_table(sources: Sequence[SourceDelays]) -> Table:
    """Each source on its own, a row a track; the samples stand in the document."""
    table = bare_table("Each source on its own, against its own track or the nearest mic that is on it")
    for heading in ("source", "against", "track"):
        table.add_column(heading, overflow="fold")
    for heading in ("delay", "+-"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("polarity")
    table.add_column("reliable", overflow="fold")
    for source in sources:
        beside = (source.source, source.reference)
        doubts = once([(one.track, _doubt(one.delay)) for one in source.tracks])
        for one, doubt in zip(source.tracks, doubts, strict=True):
            sure = ("" if one.delay.is_polarity_clear else "polarity open, ") + _sure(one.delay)
            verdict = sure if one.delay.reliable else f"no: {doubt}"
            _add_row(table, [*beside, one.track], one.delay, delay_cells(one.delay), verdict)
            beside = ("", "")
    doubted = _is_any_doubted(one for source in sources for one in source.tracks)
    table.caption = "\n".join(map(clean, [*_basis(sources), *([_DOUBTED] if doubted else [])])) or None
    return table


def _basis(sources: Sequence[SourceDelays]) -> Iterator[str]:
    """What each source was measured on."""
    alone = [f"{one.source} on {many(one.alone_hits, 'hit')}" for one in sources if one.alone_hits]
    own = [f"{one.source} on {one.moments}" for one in sources if one.moments and not one.alone_hits]
    if alone:
        yield f"Struck alone: {', '.join(alone)}."
    if own:
        yield f"Moments of its own: {', '.join(own)}."
    yield from (f"{one.source}: {one.remark}." for one in sources if one.alone_hits and one.remark)
