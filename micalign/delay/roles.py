"""Which of two tracks is the close mic's, and which of its strokes are its own drum's?

Asked where what the nearer track's strokes say is in doubt, and loud strokes differ in level between the two tracks,
so that one may be a close mic's. Then both tracks are tried as the nearer, with those of their loud strokes alone that
they hear loudest against the other: the own drum's are 15 to 30 dB louder than the other drums'. A close mic's own
strokes leave one sharp delay, later in the other; anything else leaves a blur.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from micalign.arrays import Ints
from micalign.delay.evidence import Evidence, stroke_evidence
from micalign.delay.gates import rest, strokes
from micalign.delay.listening import Listened, louder_db
from micalign.delay.verdict import HEARD, judge, levels_apart

__all__ = ["Side", "own_strokes", "sound_out", "surer"]

_EARLY_S: Final = 0.0003
_OWN_DB: Final = 4.0
_FEWEST: Final = 4
_SHARPER: Final = 1.3


class Side(NamedTuple):
    """The nearer track, the farther, the sign of their delay, and what the nearer one's strokes say."""

    near: Listened
    far: Listened
    sign: int
    heard: Evidence | None


def sound_out(near: Listened, far: Listened, sign: int, struck: Ints, *, reach_s: float, centre_s: float) -> Side:
    """What some strokes of one track say about the other; ``centre_s`` as the sign has it."""
    if len(struck) == 0:
        return Side(near, far, sign, None)
    rate = near.track.sample_rate
    quiet = rest(near.envelope, struck, rate)
    gate = strokes(struck, rate)
    heard = stroke_evidence(near.track, far.track, gate, quiet, reach_s=reach_s, centre_s=sign * centre_s)
    return Side(near, far, sign, heard)


def surer(first: Side, *, reach_s: float, centre_s: float) -> Side:
    """The side that may be believed, where the first is in doubt."""
    if _sure(first):
        return first
    apart = levels_apart(first.near, first.far, later_s=first.sign * centre_s)
    if not apart and (first.heard is None or not _early(first.heard)):
        return first
    near, far, sign, _ = first
    if not apart:
        other = sound_out(far, near, -sign, far.struck, reach_s=reach_s, centre_s=centre_s)
        return first if other.heard is None or _early(other.heard) else other
    tried = [first]
    for one, two, turn in ((near, far, sign), (far, near, -sign)):
        own = own_strokes(one, two, later_s=turn * centre_s)
        tried.append(sound_out(one, two, turn, own, reach_s=reach_s, centre_s=centre_s))
        if _sure(tried[-1]):
            return tried[-1]
    sharpest = max(tried, key=_contrast)
    return sharpest if _contrast(sharpest) > max(_SHARPER * _contrast(first), HEARD) else first


def own_strokes(near: Listened, far: Listened, *, later_s: float = 0.0) -> Ints:
    """The loud strokes of a track that it hears within 4 dB of the loudest tenth, against another track."""
    if len(near.struck) < _FEWEST:
        return near.struck
    louder = louder_db(near, far, near.struck, later_s=later_s)
    own: Ints = near.struck[louder >= np.quantile(louder, 0.9) - _OWN_DB]
    return own


def _early(heard: Evidence) -> bool:
    """Whether the other track is earlier: a close mic never hears its own drum last."""
    return heard.best.lag_s <= -_EARLY_S


def _sure(side: Side) -> bool:
    return side.heard is not None and not _early(side.heard) and judge(side.heard).reason is None


def _contrast(side: Side) -> float:
    return 0.0 if side.heard is None or _early(side.heard) else side.heard.height / side.heard.noise
