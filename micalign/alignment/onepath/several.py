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

from micalign.alignment.onepath.frames import framed
from micalign.alignment.onepath.pair import PairSum, as_arrival, as_best_sum
from micalign.alignment.onepath.recognise import recognise
from micalign.take.tracks import Take, Track
from micalign.tdoa.delays import PairDelay, SourceDelays
from micalign.tdoa.measure import Delay, measure_pair

__all__ = ["OPEN_S", "by_loudest", "doubted", "laid_by_sums", "laid_together"]

OPEN_S: Final = 0.3e-3
_REACH_S: Final = 0.02
_LOUD_HZ: Final = (
    200.0,
    1500.0,
)  # below, a period is longer than the ways differ; above, drums are louder than strings
_LOUD_REACH_S: Final = 8e-3  # 2.7 m of air
_LOUD_STEP_S: Final = 2e-5
_AGREED: Final = 0.95  # of all energy: 0.97 and more at the truth, 0.29 to 0.90 at the drums' delay (development half)
_LOUD_SIGMA_S: Final = 0.15e-3  # what it is off there, two different cabinets included
_LOUD_TRUST: Final = 0.9
_ROUGH_S: Final = 1e-3


@dataclass(frozen=True)
class _Leg:
    names: tuple[str, str]
    delay_s: float
    coherence: float


def doubted(
    reference: Track, tracks: Sequence[Track], arrivals: Mapping[str, Delay], *, dis: Collection[str] = ()
) -> dict[str, tuple[bool, str]]:
    """The tracks with a loop that stays open: whether they are not to be trusted after all, and what is to be said.

    A DI (``dis``) hears no drums: of three legs it is the one between the two mics that may follow them.

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
    said: dict[str, tuple[bool, str]] = {}
    for one, other in combinations(sure, 2):
        across = _across(one, other, direct)
        if across is None:
            continue
        open_s = direct[one.name].delay_s + across.delay_s - direct[other.name].delay_s
        if abs(open_s) <= OPEN_S:
            continue
        legs = (across,) if reference.name in dis else (direct[one.name], direct[other.name], across)
        worst = min(legs, key=lambda leg: leg.coherence)
        opening = f"stays open by {abs(open_s) * 1e3:.2f} ms"
        if worst is across:
            between = f"what '{one.name}' and '{other.name}' alone have in common, such as bleed, is not followed"
            said.setdefault(other.name, (False, f"the way round over '{one.name}' {opening}: {between}"))
        else:
            over = (one if worst.names[1] == other.name else other).name
            said[worst.names[1]] = (True, f"the way round over '{over}' {opening}, and these two are the least alike")
    return said


def _across(one: Track, other: Track, direct: Mapping[str, _Leg]) -> _Leg | None:
    expected_s = direct[other.name].delay_s - direct[one.name].delay_s
    found = measure_pair(one, other, prior_s=expected_s, max_delay_s=_REACH_S, close="neither")
    if not found.reliable:
        return None
    return _Leg((one.name, other.name), found.delay_s, recognise(one, other, found.delay_s).coherence)


def by_loudest(reference: Track, track: Track, delay: Delay) -> Delay:
    """The delay of two mics on one held sound, also where both hear drums besides: by what is loudest in both.

    Strokes are sharp and notes are not, so that a kit 30 dB below may be what was measured. Here every frequency of
    `_LOUD_HZ` counts by its energy: where the phases of all of them agree, the loud sound arrives. The delay stays as
    it was measured where they agree there too, or agree nowhere (a room, strangers, a tone that never changes).
    """
    frames = framed(reference, track, delay.delay_s)
    inside = frames.within(*_LOUD_HZ)
    cross = frames.cross[:, inside].sum(axis=0)
    lags = np.arange(-_LOUD_REACH_S, _LOUD_REACH_S, _LOUD_STEP_S)
    met = np.exp(2j * np.pi * np.outer(lags, frames.hz[inside])) @ cross / max(float(np.abs(cross).sum()), 1e-30)
    best, here = int(np.argmax(np.abs(met))), int(np.argmin(np.abs(lags - (delay.delay_s - frames.delay_s))))
    agree = float(np.abs(met[best]))
    if agree < _AGREED or (delay.reliable and np.abs(met[here]) >= _AGREED * agree):
        return delay
    place_s = float(lags[best]) + frames.delay_s
    seen = recognise(reference, track, place_s)
    if not seen.is_one_sound:
        return delay
    words = f"by the loudest sound in both: {delay.delay_s * 1e3:+.2f} ms fits something softer, such as drums"
    polarity = 1 if met[best].real >= 0 else -1
    same = abs(place_s - delay.delay_s) <= 2 * _LOUD_SIGMA_S
    return Delay(place_s, _LOUD_SIGMA_S, polarity, 0.0, _LOUD_TRUST, True, None if same else words)


def laid_together(reference: Track, tracks: Sequence[Track], sums: Mapping[str, PairSum]) -> dict[str, Delay]:
    """Of several mics against their DI, those that lie with the mic most like it: mics stay together, the DI adds up.

    Mics of which no one delay holds between each other (two cabinets) are not among them: each has its own best sum.
    """
    mics = [track for track in tracks if track.name in sums and sums[track.name].filtered == reference.name]
    if len(mics) < 2:
        return {}
    lead = max(mics, key=lambda track: sums[track.name].coherence)
    first, out = sums[lead.name], {}
    for track in mics:
        if track is not lead:
            guess = Delay(sums[track.name].arrival_s - first.arrival_s, _ROUGH_S, 1, 0.0, 0.0, False, None)
            laid = _with_the_mic(first, by_loudest(lead, track, guess))
            if laid is not None:
                out[track.name] = laid
    return out


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

    def doubted_pair(pair: PairDelay) -> PairDelay:
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

    return replace(source, pairs=tuple(doubted_pair(pair) for pair in source.pairs))


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
