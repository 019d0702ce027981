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
from micalign.take.model import Track
from micalign.tdoa.measure import Delay, measure_pair
from micalign.tdoa.told import PairDelay, SourceDelays

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


def laid_by_sums(source: SourceDelays, dis: Collection[str], sums: Sequence[PairSum]) -> SourceDelays:
    """The delay of a source's DI and mic as the one at which they add up best; its other mics stay with that mic."""
    known = {one.reference if one.reference in dis else one.track: one for one in sums}

    def told(pair: PairDelay) -> PairDelay:
        di = pair.reference if pair.reference in dis else pair.track
        found = known.get(di)
        if di not in dis or found is None:
            return pair
        if {pair.reference, pair.track} == {found.reference, found.track}:
            turned = found if pair.reference == found.reference else found.swapped
            return replace(pair, delay=as_best_sum(turned, as_arrival(turned, pair.delay)))
        return _with_the_mic(pair, found, di, source)

    return replace(source, pairs=tuple(told(pair) for pair in source.pairs))


def _with_the_mic(pair: PairDelay, found: PairSum, di: str, source: SourceDelays) -> PairDelay:
    """A DI and another mic on its source, by way of the mic that the DI adds up with: one DI has one place."""
    toward = found if found.reference == di else found.swapped
    other = pair.track if pair.reference == di else pair.reference
    across = next(
        (
            one.delay if one.reference == toward.track else one.turned.delay
            for one in source.reliable
            if {one.reference, one.track} == {toward.track, other}
        ),
        None,
    )
    if across is None:
        return replace(pair, delay=replace(pair.delay, reliable=False, reason=f"laid with '{toward.track}'"))
    best = toward.best
    delay = replace(
        across,
        delay_s=best.delay_s + across.delay_s,
        uncertainty_s=float(np.hypot(best.uncertainty_s, across.uncertainty_s)),
        polarity=best.polarity * across.polarity,
        reason=f"laid with '{toward.track}'",
    )
    told = PairDelay(di, other, delay)
    return told if pair.reference == di else told.turned
