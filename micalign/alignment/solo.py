"""Which stretches of a take are a source's alone, and what is believed when they and the song differ?

What is measured where nothing else sounds outranks the song: there is no bleed in it. Where the two disagree by more
than three sigma, that is said: a stand was moved between line check and take, sooner than either is wrong. Where they
agree, the surer counts: first wavefronts are right but coarse, the song is fine where it is right.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from micalign.alignment.tuned import CLEARLY_DB, DISAGREE_Z, LED_S
from micalign.arrays import Floats
from micalign.errors import TakeError
from micalign.scene.quantities import AlonePlan, AloneStretch
from micalign.take.tracks import Take
from micalign.tdoa.alone import StruckStretch, found_stretches, heard_alone, hits_alone
from micalign.tdoa.delays import Alone, PairDelay, SourceDelays, Wanted
from micalign.units import show_ms

__all__ = ["FoundAlone", "alone_in", "found_alone", "joined", "measured_on", "outranked", "refuse_silent", "with_found"]


@dataclass(frozen=True, slots=True)
class FoundAlone:
    """A stretch that was found by itself, and whose it seems to be: of a source with a track of its own, or None."""

    stretch: StruckStretch
    source: str | None

    @property
    def span_words(self) -> str:
        """Its times, as they are written in a scene."""
        return f"{_short_clock(self.stretch.begin_s)}-{_short_clock(self.stretch.end_s)}"

    @property
    def words(self) -> str:
        """What is believed of it, in a sentence."""
        whose = "one source" if self.source is None else f"'{self.source}'"
        said = f"{self.span_words} seems to be {whose} alone, {self.stretch.hits} hits"
        return f"{said}, loudest in '{self.stretch.loudest}'"


def found_alone(
    take: Take, own: Mapping[str, Sequence[str]], *, struck: Sequence[AloneStretch] = ()
) -> tuple[FoundAlone, ...]:
    """The stretches of a take in which one source sounds alone, as they are found by themselves.

    Whose a stretch is, the levels say in the tracks that are some source's own, whatever their gains and however
    loud the source: the track that has it louder against the other stretches, and against the other tracks; and that
    hears it first.

    Parameters
    ----------
    take : Take
    own : mapping
        The tracks that are a source's own, by source.
    struck : sequence of AloneStretch
        Times that are no one's alone, whatever is found there.
    """
    gone = [one.seconds(take.sample_rate) for one in struck]
    found = [
        one
        for one in found_stretches(take.tracks)
        if not any(low < one.end_s and one.begin_s < high for low, high in gone)
    ]
    heard = found[0].level_db if found else {}
    close = {track: source for source, tracks in own.items() for track in tracks if track in heard}
    if not close:
        return tuple(FoundAlone(one, None) for one in found)
    level = np.array([[one.level_db[track] for track in close] for one in found])
    if len(found) > 1 and len(close) > 1:
        level = level - level.mean(axis=0) - level.mean(axis=1, keepdims=True) + level.mean()
    else:
        level = level - np.array([max(found[0].level_db.values())])
    best = level.max(axis=0)
    named = [FoundAlone(one, _whose(row, best, list(close.values()))) for one, row in zip(found, level, strict=True)]
    return tuple(one if _is_first(take, one, own) else replace(one, source=None) for one in named)


def _is_first(take: Take, found: FoundAlone, own: Mapping[str, Sequence[str]]) -> bool:
    """Whether no line hears it before the source's own: a source without a line of its own is near another's."""
    if found.source is None:
        return True
    names, span = tuple(found.stretch.level_db), (found.stretch.begin_s, found.stretch.end_s)
    lone = heard_alone(
        Alone(found.source, take.tracks, (span,)), Wanted(found.source, names, own[found.source][0])
    ).delays
    others = [one.delay for one in lone.tracks if one.track not in own[found.source]]
    return not any(one.reliable and one.delay_s < -LED_S for one in others)


def joined(take: Take, found: Sequence[FoundAlone]) -> tuple[Alone, ...]:
    """The stretches by source, in order of time; one that is nobody's is called by its times."""
    spans: dict[str, list[tuple[float, float]]] = {}
    for one in found:
        spans.setdefault(one.source or one.span_words, []).append((one.stretch.begin_s, one.stretch.end_s))
    return tuple(Alone(source, take.tracks, tuple(given)) for source, given in spans.items())


def with_found(take: Take, given: Sequence[Alone], found: Sequence[FoundAlone]) -> tuple[Alone, ...]:
    """What is given, and of sources of which nothing is given what was found."""
    known = {one.source for one in given}
    spans = [span for one in given for span in one.spans_s if one.tracks == take.tracks]
    free = [
        one
        for one in found
        if one.source not in (None, *known)
        and not any(low < one.stretch.end_s and one.stretch.begin_s < high for low, high in spans)
    ]
    return (*given, *joined(take, free))


def _whose(own_db: Floats, best_db: Floats, sources: Sequence[str]) -> str | None:
    """The source whose own track stands out most; nobody's where two do, or where another stretch does much more."""
    first = int(np.argmax(own_db))
    others = [value for value, source in zip(own_db, sources, strict=True) if source != sources[first]]
    if others and own_db[first] - max(others) < CLEARLY_DB:
        return None
    return sources[first] if best_db[first] - own_db[first] < 2 * CLEARLY_DB else None


def alone_in(take: Take, plans: Sequence[AlonePlan]) -> tuple[Alone, ...]:
    """The stretches of a take, in seconds of its clock.

    Parameters
    ----------
    take : Take
    plans : sequence of AlonePlan
        A plan that names a folder is a whole take's: ``take`` is then that one.

    Raises
    ------
    TakeError
        With one sentence for each stretch that lies outside the take or overlaps another.

    Examples
    --------
    >>> from micalign.scene.quantities import alone_plans
    >>> from micalign.take.tracks import Track
    >>> take = Take((Track.from_array("near", np.zeros(96000), 48000),))
    >>> alone_in(take, alone_plans(["snare=0.5-1.5"]))[0].spans_s
    ((0.5, 1.5),)
    """
    found = []
    for plan in plans:
        spans = tuple(stretch.seconds(take.sample_rate) for stretch in plan.stretches)
        found.append(Alone(plan.source, take.tracks, spans or ((0.0, take.frames / take.sample_rate),)))
    faults = [*_outside(take, plans), *_overlapping(found)]
    if faults:
        raise TakeError(faults)
    return tuple(found)


def _outside(take: Take, plans: Sequence[AlonePlan]) -> Iterator[str]:
    length_s = take.frames / take.sample_rate
    for plan in plans:
        for stretch in plan.stretches:
            if stretch.seconds(take.sample_rate)[1] > length_s + 0.01:
                yield (
                    f"alone '{plan.source}': '{stretch.text}' reaches beyond the take, which ends at "
                    f"{_clock(length_s)}: write times within it"
                )


def _overlapping(found: Sequence[Alone]) -> Iterator[str]:
    spans = sorted((span, one.source) for one in found for span in one.spans_s)
    for (first, source), (second, other) in pairwise(spans):
        if second[0] < first[1]:
            yield (
                f"alone '{other}': {_span(second)} overlaps {_span(first)} of '{source}': no second can be two "
                "sources' alone or count twice"
            )


def measured_on(stretches: Sequence[Alone], wanted: Sequence[Wanted]) -> dict[str, SourceDelays]:
    """Each source on its own stretches, by name.

    Raises
    ------
    TakeError
        With one sentence for each stretch without a hit.
    """
    asked = {one.source: one for one in wanted if len(one.tracks) >= 2}
    refuse_silent(stretches)
    return {one.source: heard_alone(one, asked[one.source]).delays for one in stretches if one.source in asked}


def refuse_silent(stretches: Sequence[Alone]) -> None:
    """Refuse stretches in which nothing is struck: `TakeError` with one sentence for each."""
    silent = [fault for one in stretches for fault in _without_hit(one)]
    if silent:
        raise TakeError(silent)


def _without_hit(alone: Alone) -> Iterator[str]:
    hits = hits_alone(alone).strokes
    for begin, end in alone.spans_s:
        if not len(hits.within(begin, end).times_s):
            yield (
                f"alone '{alone.source}': nothing is struck from {_span((begin, end))}: are the times those of the "
                "reference's file?"
            )


def outranked(song: Sequence[SourceDelays], alone: Mapping[str, SourceDelays]) -> tuple[SourceDelays, ...]:
    """The sources by the song, and by their stretches alone where they have some."""
    return tuple(_outranked(one, alone[one.source]) if one.source in alone else one for one in song)


def _outranked(song: SourceDelays, alone: SourceDelays) -> SourceDelays:
    given = {frozenset((pair.reference, pair.track)): pair for pair in alone.pairs if pair.delay.reliable}
    taken = [_taken(pair, given.pop(frozenset((pair.reference, pair.track)), None)) for pair in song.pairs]
    remark = "; ".join(words for words in (song.remark if song.moments else None, alone.remark) if words) or None
    amplitudes = {**song.amplitudes, **alone.amplitudes}
    return replace(
        song,
        pairs=(*taken, *given.values()),
        amplitudes=amplitudes,
        moments=song.moments or alone.moments,
        remark=remark,
        alone_hits=alone.alone_hits,
    )


def _taken(song: PairDelay, alone: PairDelay | None) -> PairDelay:
    """A pair by its hits alone; where the song agrees, by the surer of the two."""
    if alone is None:
        return song
    delay = alone.delay
    if alone.reference != song.reference:
        delay = replace(delay, delay_s=-delay.delay_s + 0.0)
    if not song.delay.reliable:
        return replace(song, delay=delay)
    apart_s = abs(song.delay.delay_s - delay.delay_s)
    if apart_s > DISAGREE_Z * float(np.hypot(song.delay.uncertainty_s, delay.uncertainty_s)):
        said = show_ms(song.delay.delay_s, sign=True)
        reason = f"the song says {said}: was a stand moved after the line check?"
        return replace(song, delay=replace(delay, reason=reason))
    # The same mics in the same room err alike: two answers that agree are no surer than the better of them.
    return replace(song, delay=min((delay, song.delay), key=lambda one: one.uncertainty_s))


def _span(span: tuple[float, float]) -> str:
    return f"{_clock(span[0])} to {_clock(span[1])}"


def _short_clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds, 1), 60)
    return f"{minutes:.0f}:{rest:04.1f}"


def _clock(seconds: float) -> str:
    """``m:ss.ss``, as it is written in a scene.

    >>> _clock(65.5)
    '1:05.50'
    """
    minutes, rest = divmod(round(seconds, 2), 60)
    return f"{minutes:.0f}:{rest:05.2f}"
