"""How are measured delays told: as a document and as tables for the terminal?

Delays are positive when the event comes later in the track. Names are cleaned where they are printed.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from micalign.alignment.onepath.pair import PairSum
from micalign.alignment.pairings import Measured
from micalign.alignment.solo import FoundAlone
from micalign.files.stamps import Laid
from micalign.report.tables import WARNING, bare_table, clean
from micalign.report.threelines import sum_lines
from micalign.tdoa.delays import SourceDelays, TrackDelay
from micalign.tdoa.measure import Delay
from micalign.units import many, show_ms, show_percent, show_plus_minus, show_samples

if TYPE_CHECKING:
    from rich.table import Table

__all__ = [
    "delay_table",
    "found_rows",
    "latency_words",
    "measure_document",
    "measured_line",
    "polarity_words",
    "source_table",
]


def measure_document(found: Measured, laid: Laid | None = None) -> dict[str, Any]:
    """What ``measure --json`` prints; ``sources`` only where a scene tells them apart.

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
        "notes": list(laid.notes),
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
        "confidence": delay.confidence,
        "reliable": delay.reliable,
        "reason": None if delay.reliable else delay.reason,
        "remark": delay.reason if delay.reliable else None,
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


def polarity_words(polarity: int) -> str:
    """``same`` as the reference, or ``INVERTED``."""
    return "same" if polarity > 0 else "INVERTED"


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
    for one in tracks:
        delay = one.delay
        cells = [show_ms(delay.delay_s, sign=True), show_samples(delay.delay_s * sample_rate)]
        cells += [show_plus_minus(delay.uncertainty_s), polarity_words(delay.polarity)]
        if drift:
            cells.append("-" if delay.drift_ppm is None else f"{delay.drift_ppm:+.2f} ppm")
        if not delay.reliable:
            cells = [f"({cell})" if delay.is_known else "-" for cell in cells]
        table.add_row(clean(one.track), *cells, clean(_verdict(delay)), style=None if delay.reliable else WARNING)
    return table


def _verdict(delay: Delay) -> str:
    if delay.reliable:
        note = f" ({delay.reason})" if delay.reason else ""
        return f"reliable, confidence {show_percent(100 * delay.confidence)}{note}"
    return f"no reliable delay: {delay.reason or 'the tracks have too little in common'}"


def measured_line(found: Measured) -> str:
    """All tracks in a line: how many delays are reliable, from where to where they reach, and which are not."""
    sure = [one for one in found.tracks if one.delay.reliable]
    delays_s = sorted(one.delay.delay_s for one in sure)
    told = f"{len(sure)} of {len(found.tracks)} delays reliable"
    if delays_s:
        low, high = (show_ms(value, sign=True) for value in (delays_s[0], delays_s[-1]))
        told += f", {low}" if low == high else f", {low} to {high}"
    turned = [f"'{one.track}'" for one in sure if one.delay.polarity < 0]
    told += f"; inverted: {', '.join(turned)}" if turned else ""
    rest = [f"'{one.track}'" for one in found.tracks if not one.delay.reliable]
    told += f"; not: {', '.join(rest)}" if rest else ""
    return f"{told} (against '{found.reference}')"


def latency_words(found: Measured) -> str:
    """What a loopback says: the latency to use for every track that came the same way."""
    delay = found.tracks[0].delay
    if not delay.reliable:
        return "The loopback tells no latency: is it a recording of the reference?"
    samples = show_samples(delay.delay_s * found.sample_rate).lstrip("+")
    return (
        f"Latency of the way out and back: {show_ms(delay.delay_s)}, {samples} samples "
        f"(+- {show_plus_minus(delay.uncertainty_s)}). Use it for every track recorded this way."
    )


def source_table(source: SourceDelays, sample_rate: int) -> Table:
    """One source on its own, against the track that has it first."""
    told = f", on {many(source.moments, 'moment')} of its own" if source.moments else ""
    if source.alone_hits:
        told = f", on {many(source.alone_hits, 'hit')} alone"
    table = delay_table(f"{source.source}, against {source.reference}{told}", source.tracks, sample_rate)
    if source.alone_hits and source.remark:
        table.caption = clean(source.remark)
    return table
