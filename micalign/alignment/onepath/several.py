"""Several mics on one performance: do their arrivals agree all the way round, and where do they lie beside a DI?

With a DI and two mics there are three pairs; the way round must come back to 0. A loop that stays open by more than
`OPEN_S` has a wrong leg: the one whose tracks are least alike (a mic that followed a drum's bleed) is distrusted. A DI
has one place: it is laid by one mic, and the other mics lie with that mic.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

import numpy as np

from micalign.alignment.onepath.pair import PairSum, as_arrival, as_best_sum
from micalign.alignment.onepath.recognise import recognise
from micalign.take.tracks import Take, Track
from micalign.tdoa.delays import PairDelay, SourceDelays
from micalign.tdoa.measure import Delay, measure_pair

__all__ = ["OPEN_S", "doubted", "laid_by_sums"]

OPEN_S: Final = 0.3e-3
_REACH_S: Final = 0.02


@dataclass(frozen=True)
class _Leg:
    names: tuple[str, str]
    delay_s: float
    coherence: float


def doubted(reference: Track, tracks: Sequence[Track], arrivals: Mapping[str, Delay]) -> dict[str, str]:
    """Of the tracks that arrived reliably, those not to be trusted after all, each with the reason.

    Parameters
    ----------
    reference : Track
    tracks : sequence of Track
    arrivals : mapping of name to Delay
        Arrival of each track against the reference.
    """
    sure = [track for track in tracks if arrivals[track.name].reliable]
    direct = {
        track.name: _Leg(
            (reference.name, track.name),
            arrivals[track.name].delay_s,
            recognise(reference, track, arrivals[track.name].delay_s).coherence,
        )
        for track in sure
    }
    said: dict[str, str] = {}
    for one, other in combinations(sure, 2):
        across = _across(one, other, direct)
        if across is None:
            continue
        open_s = direct[one.name].delay_s + across.delay_s - direct[other.name].delay_s
        worst = min((direct[one.name], direct[other.name], across), key=lambda leg: leg.coherence)
        if abs(open_s) > OPEN_S and worst is not across:
            said[worst.names[1]] = (
                f"the way round over '{(one if worst.names[1] == other.name else other).name}' stays open by "
                f"{abs(open_s) * 1e3:.2f} ms, and these two are the least alike"
            )
    return said


def _across(one: Track, other: Track, direct: Mapping[str, _Leg]) -> _Leg | None:
    expected_s = direct[other.name].delay_s - direct[one.name].delay_s
    found = measure_pair(one, other, prior_s=expected_s, max_delay_s=_REACH_S, close="neither")
    if not found.reliable:
        return None
    return _Leg((one.name, other.name), found.delay_s, recognise(one, other, found.delay_s).coherence)


def laid_by_sums(source: SourceDelays, take: Take, dis: Collection[str], sums: Sequence[PairSum]) -> SourceDelays:
    """The delay of a source's DI and mic as the one at which they add up best; its other mics stay with that mic."""
    for one in sums:
        di = next((name for name in (one.reference, one.track) if name in dis), None)
        if di is not None:
            source = _laid_by(one if one.reference == di else one.swapped, source, take)
    return source


def _laid_by(found: PairSum, source: SourceDelays, take: Take) -> SourceDelays:
    """``found`` has the DI as its reference."""
    di, mic = found.reference, found.track
    pairs = [pair for pair in source.pairs if di not in (pair.reference, pair.track)]
    beside = {pair: _seconded(pair, take) if mic in (pair.reference, pair.track) else pair for pair in pairs}
    across = {
        pair.track: pair.delay for pair in (one if one.reference == mic else one.turned for one in beside.values())
    }

    def told(pair: PairDelay) -> PairDelay:
        if di not in (pair.reference, pair.track):
            return beside[pair]
        other = pair.track if pair.reference == di else pair.reference
        direct = pair if pair.reference == di else pair.turned
        delay = (
            as_best_sum(found, as_arrival(found, direct.delay))
            if other == mic
            else _with_the_mic(found, across.get(other))
        )
        laid = replace(direct, delay=delay or replace(direct.delay, reliable=False, reason=f"laid with '{mic}'"))
        return laid if pair.reference == di else laid.turned

    return replace(source, pairs=tuple(told(pair) for pair in source.pairs))


def _seconded(pair: PairDelay, take: Take) -> PairDelay:
    """Two mics on a DI's source, believed where the two tracks as they are say the same."""
    if pair.delay.reliable:
        return pair
    alone = measure_pair(take.track(pair.reference), take.track(pair.track))
    same = abs(alone.delay_s - pair.delay.delay_s) <= OPEN_S and alone.polarity == pair.delay.polarity
    return replace(pair, delay=alone) if alone.reliable and same else pair


def _with_the_mic(found: PairSum, across: Delay | None) -> Delay | None:
    """Another mic against the DI, by way of the mic that the DI adds up with."""
    if across is None or not across.reliable:
        return None
    best = found.best
    return replace(
        across,
        delay_s=best.delay_s + across.delay_s,
        uncertainty_s=float(np.hypot(best.uncertainty_s, across.uncertainty_s)),
        polarity=best.polarity * across.polarity,
        reason=f"laid with '{found.track}'",
    )
