"""Which of its own strokes does each track of a take have for itself?

A hat is struck with the snare on two and four and with the kick on one and three: what an overhead hears then is two
sounds, and either delay follows the hat's mic. The strokes between tell the hat alone. Of a pair nothing says which
they are; of a take the other close mics do: strokes at which another track has one of its own are laid aside where
enough are left. Two mics at one drum have nearly all strokes in common, and keep them. Fewer strokes also tell less:
`micalign.tdoa.measure` looks at the pair both ways and believes the surer answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from micalign.arrays import Bools, Floats
from micalign.tdoa.strokes import Listened, own_weight
from micalign.tdoa.tuned import CLOSE_GAP_DB, FEWEST_APART, ONE_DRUM

__all__ = ["apart"]

_TOGETHER_S: Final = 0.02  # seconds: so far one stroke's arrivals in the close mics of a kit lie apart, and a flam


def apart(heard: Sequence[Listened]) -> list[Listened]:
    """Each track with the strokes that it has for itself, or as it is where they are too few or all of them."""
    parted = [0.0 if one.envelope.silent else one.strokes.gap_db for one in heard]
    close = [one for one, gap_db in zip(heard, parted, strict=True) if gap_db > CLOSE_GAP_DB]
    return [
        _apart(one, [other for other in close if other is not one]) if gap_db > 0 else one
        for one, gap_db in zip(heard, parted, strict=True)
    ]


def _apart(one: Listened, others: Sequence[Listened]) -> Listened:
    strokes, own = one.strokes, _own(one)
    times, shared = _times_s(one)[own], np.zeros(int(own.sum()), bool)
    for other in others:
        together = _near(times, _times_s(other)[_own(other)])
        if np.mean(together) < ONE_DRUM:
            shared |= together
    if not shared.any() or np.sum(~shared) < FEWEST_APART:
        return one
    own[own] = ~shared
    found = replace(one)
    found.__dict__["strokes"] = replace(strokes, weight=own_weight(strokes.level_db, own))
    return found


def _own(one: Listened) -> Bools:
    """Which strokes are the track's own, those too that are too many to be compared."""
    strokes = one.strokes
    own: Bools = strokes.level_db >= np.min(strokes.level_db[strokes.weight > 0], initial=np.inf)
    return own


def _times_s(one: Listened) -> Floats:
    """When the strokes are, in order, on the take's clock."""
    times: Floats = one.strokes.samples / one.track.sample_rate + one.track.start_s
    return times


def _near(times_s: Floats, others_s: Floats) -> Bools:
    """At which times another is near."""
    index = np.searchsorted(others_s, times_s - _TOGETHER_S)
    near: Bools = np.append(others_s, np.inf)[index] <= times_s + _TOGETHER_S
    return near
