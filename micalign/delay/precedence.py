"""Is what the whole take follows the direct sound, or a reflection that is stronger?

Where the whole take is in doubt, or another of its peaks comes near the highest, the fronts are asked as well: what a
room sends back never begins a sound (`micalign.delay.fronts`). They are acted on only where they leave no doubt: most
of eight groups of frames find the front by themselves and no other front comes near it. Two players on one grid, waves
that repeat and clicks begin together as well, but never in one way only.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from micalign.delay.evidence import Evidence, front_evidence
from micalign.delay.gates import stretches
from micalign.delay.listening import Listened
from micalign.delay.verdict import (
    AGREE_S,
    CLOSE_GAP_DB,
    HEARD,
    Verdict,
    agreement_share,
    is_one_path,
    judge,
    rival_share,
)

__all__ = ["arrives_as_one", "heard_first", "seconded", "with_fronts"]

_TORN: Final = "what begins first suggests another delay than what is loudest"
_ASK_SHARE: Final = 0.4
_ASK_STROKES: Final = 0.55
_AT_ONCE_S: Final = 1e-4
_FRAME_S: Final = 0.34
_MOST: Final = 60
_MOST_SECONDS: Final = 30  # where they are to second strokes
_SPEAKS_CONTRAST: Final = 12.0
_CLEAR_CONTRAST: Final = 25.0
_ALONE_CONTRAST: Final = 100.0
_ALONE: Final = 0.9
_LOST: Final = 0.25
_KNOWN: Final = 0.6
_BESIDE_S: Final = 0.01
_ONE_S: Final = 1e-5
_ONE: Final = 0.95
_ONE_ERROR_S: Final = 6e-7


def with_fronts(verdict: Verdict, near: Listened, far: Listened) -> Verdict:
    """The verdict, or what its fronts know better."""
    whole, close = verdict.evidence, near.gap_db >= CLOSE_GAP_DB
    if verdict.reason is None and rival_share(whole) < (_ASK_STROKES if whole.kind == "strokes" else _ASK_SHARE):
        return verdict
    second = close or whole.kind == "strokes"
    most = _MOST_SECONDS if second else _MOST
    begun = _begun(near, far, most, reach_s=whole.reach_s, centre_s=whole.centre_s)
    if begun is None or (begun.reason is None and abs(begun.evidence.best.lag_s) < _AT_ONCE_S):
        # What begins in both at the very same moment may be the recorder's own: a step of DC, a gate, a click track.
        return verdict
    # Beside a close mic's own drum it is the bleed that begins most often.
    return seconded(verdict, begun, close=close) if second else heard_first(verdict, begun)


def arrives_as_one(near: Listened, far: Listened, delay_s: float) -> bool:
    """Whether the fronts of one track are those of the other, as sharp, at a delay: no filter lies between the two."""
    begun = _begun(near, far, _MOST, reach_s=_BESIDE_S, centre_s=delay_s)
    if begun is None or begun.reason is not None:
        return False
    best = begun.evidence.best
    return abs(best.lag_s - delay_s) < _ONE_S and abs(best.height) > _ONE and begun.evidence.error_s < _ONE_ERROR_S


def _begun(near: Listened, far: Listened, most: int, *, reach_s: float, centre_s: float) -> Verdict | None:
    gate = stretches(near.envelope, near.track.frames, near.track.sample_rate, length_s=_FRAME_S, most=most)
    evidence = front_evidence(near.track, far.track, gate, reach_s=reach_s, centre_s=centre_s)
    return None if evidence is None else judge(evidence)


def heard_first(whole: Verdict, begun: Verdict) -> Verdict:
    """Which of two verdicts to report of a pair without a close mic, that of the whole take or that of its fronts."""
    same = _same(whole, begun)
    if begun.reason is None:
        # A filter's path is told by all of a sound, not by how it begins.
        return _sure(whole, begun) if same and is_one_path(whole.evidence) else begun
    if same or not _better_guess(begun, whole):
        return whole
    return replace(begun, reason=whole.reason or _TORN)


def seconded(own: Verdict, begun: Verdict, *, close: bool = True) -> Verdict:
    """The doubtful verdict of what may be a close mic, believed where its fronts say the same as its strokes.

    Neither knows of the other. Where nearly all that begins in both tracks is one sound, there is no bleed, and the
    fronts are believed; where the strokes say nothing, they are the better guess.
    """
    chosen, first = own.evidence, begun.evidence
    if begun.reason is None and _alone(first):
        return begun
    if chosen.kind != "strokes":
        return own
    if own.reason is None:
        return replace(begun, reason=_TORN) if _known_earlier(first, chosen) else own
    if _same(own, begun) and agreement_share(first) >= 0.7 and _clear(first, _SPEAKS_CONTRAST, 0.45):
        return _sure(own, begun)
    lost = _unheard(chosen) or (not close and agreement_share(chosen) < _LOST)
    return replace(begun, reason=own.reason, confidence=own.confidence) if lost and _better_guess(begun, own) else own


def _alone(fronts: Evidence) -> bool:
    """Whether one sound is all that begins: in kits the bleed's fronts stood 80 times over the rest at most."""
    one = abs(fronts.best.height) > _ALONE and agreement_share(fronts) > 0.8
    return one and _clear(fronts, _ALONE_CONTRAST, 0.2)


def _known_earlier(fronts: Evidence, strokes: Evidence) -> bool:
    """Whether all fronts tell of an earlier path that the strokes know nearly as well as the one they chose."""
    side = 1 if strokes.best.lag_s >= 0 else -1
    if side * fronts.best.lag_s > side * strokes.best.lag_s - AGREE_S:
        return False
    near = [p for p in strokes.peaks if abs(p.lag_s - fronts.best.lag_s) < AGREE_S]
    known = max((abs(peak.height) for peak in near), default=0.0) > _KNOWN * strokes.height
    return known and agreement_share(fronts) > 0.8 and _clear(fronts, _CLEAR_CONTRAST, 0.7)


def _better_guess(begun: Verdict, other: Verdict) -> bool:
    """Whether the fronts are the better guess where neither is sure: a steady noise has none of its own."""
    fronts = begun.evidence
    return _clear(fronts, _CLEAR_CONTRAST, 0.5) or (
        _unheard(other.evidence) and _clear(fronts, _SPEAKS_CONTRAST, np.inf)
    )


def _clear(evidence: Evidence, contrast: float, rival: float) -> bool:
    """Whether a peak stands so high over the noise, and all others so far below it."""
    return evidence.height > contrast * evidence.noise and rival_share(evidence) < rival


def _unheard(evidence: Evidence) -> bool:
    return evidence.height < HEARD * evidence.noise


def _same(verdict: Verdict, begun: Verdict) -> bool:
    best, first = verdict.evidence.best, begun.evidence.best
    return abs(first.lag_s - best.lag_s) < AGREE_S and first.polarity == best.polarity


def _sure(verdict: Verdict, begun: Verdict) -> Verdict:
    return replace(verdict, confidence=max(verdict.confidence, begun.confidence), reason=None)
