"""Do the delays of one source agree with each other, the long way round and the short?

The way round any triangle of tracks sums to zero. A track's delay against the source's own track counts for more than
a pair of two others, since only that one hears the source clean.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from micalign.tdoa.result import Delay
from micalign.tdoa.told import PairDelay

__all__ = ["closed"]

_CLOSES_S: Final = 30e-6  # 1.4 samples at 48 kHz: what reflections shift a peak by


def closed(pairs: Sequence[PairDelay], reference: str) -> tuple[PairDelay, ...]:
    """The pairs, held against each other round the triangles with the source's own track.

    A track's delay against that one counts for more than a pair of two others, since only it hears the source clean.
    A pair that does not close is not acted on; a track in doubt is believed where another way round says the same.
    """
    own = {pair.track: pair.delay for pair in pairs if pair.reference == reference}
    sure = {track: delay for track, delay in own.items() if delay.reliable}
    for pair in pairs:
        track, delay = _in_doubt(pair, sure, own)
        if (
            track is not None
            and delay is not None
            and abs(delay.delay_s - own[track].delay_s) <= _closes_s(delay, own[track])
        ):
            own[track] = replace(own[track], reliable=True, reason=None)
    return tuple(_held(pair, reference, own) for pair in pairs)


def _in_doubt(pair: PairDelay, sure: Mapping[str, Delay], own: Mapping[str, Delay]) -> tuple[str | None, Delay | None]:
    """The track of a reliable pair that is in doubt, and what the way over the other one, which is not, says of it."""
    if not pair.delay.reliable or pair.reference not in own or (pair.reference in sure) == (pair.track in sure):
        return None, None
    forth = pair.reference in sure
    over = sure[pair.reference if forth else pair.track]
    way_s = over.delay_s + (pair.delay.delay_s if forth else -pair.delay.delay_s)
    sigma_s = float(np.hypot(over.uncertainty_s, pair.delay.uncertainty_s))
    return (pair.track if forth else pair.reference), replace(pair.delay, delay_s=way_s, uncertainty_s=sigma_s)


def _closes_s(one: Delay, other: Delay) -> float:
    """How far two ways may differ and still say the same."""
    return max(_CLOSES_S, 3.0 * min(float(np.hypot(one.uncertainty_s, other.uncertainty_s)), _CLOSES_S))


def _held(pair: PairDelay, reference: str, own: Mapping[str, Delay]) -> PairDelay:
    if pair.reference == reference:
        return replace(pair, delay=own[pair.track])
    first, second, delay = own[pair.reference], own[pair.track], pair.delay
    if not delay.reliable:
        return pair
    if not (first.reliable and second.reliable):
        return replace(pair, delay=replace(delay, reliable=False, reason="no second way round says the same"))
    if abs(second.delay_s - first.delay_s - delay.delay_s) > _closes_s(first, second):
        return replace(pair, delay=replace(delay, reliable=False, reason=f"it does not close with '{reference}'"))
    return pair
