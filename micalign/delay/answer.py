"""From a verdict to the answer: the delay told as exactly as the tracks allow, its one sigma, its rivals.

Signs as everywhere: positive when the event comes later. Sources: see `micalign.delay.sharpen`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from micalign.delay.gates import common_samples, stretches
from micalign.delay.listening import Listened
from micalign.delay.precedence import arrives_as_one
from micalign.delay.result import Delay, Rival
from micalign.delay.sharpen import Sharp, sharpen
from micalign.delay.verdict import Verdict, is_one_path

__all__ = ["answer"]

_TASTE: Final = 0.4


def answer(verdict: Verdict, near: Listened, far: Listened, sign: int) -> Delay:
    """The delay of the farther track against the nearer one, or with ``sign`` -1 the other way round."""
    evidence = verdict.evidence
    delay_s, uncertainty_s = evidence.best.lag_s, verdict.uncertainty_s
    if evidence.kind == "stretches":
        gate = stretches(
            near.envelope,
            near.track.frames,
            near.track.sample_rate,
            length_s=0.085,
            most=300,
            matched=True,
            within=common_samples(near.track, far.track, delay_s),
        )
        sharp = sharpen(near.track, far.track, gate, delay_s, within_s=0.0003, one_path=is_one_path(evidence))
        if sharp.summed:
            sharp = _unless_one(sharp, near, far)
        delay_s, uncertainty_s = sharp.delay_s, _spread(sharp)
    rivals = tuple(
        Rival(sign * peak.lag_s, abs(peak.height) / evidence.height, peak.polarity)
        for peak in evidence.peaks
        if abs(peak.lag_s - evidence.best.lag_s) > 0.0004
    )
    return Delay(
        sign * delay_s,
        max(uncertainty_s, 2e-10),
        evidence.best.polarity,
        verdict.polarity_margin,
        verdict.confidence,
        verdict.reason is None,
        verdict.reason,
        rivals[:4],
    )


def _unless_one(sharp: Sharp, near: Listened, far: Listened) -> Sharp:
    """Without the best sum where what begins in one track arrives unchanged in the other.

    Then it is not a filter that bends the phase but a wall near one of two mics, and the sum follows the wall.
    """
    direct_s = sharp.delay_s - sharp.moved_s
    if not arrives_as_one(near, far, direct_s):
        return sharp
    return replace(sharp, delay_s=direct_s, moved_s=0.0, summed=False)


def _spread(sharp: Sharp) -> float:
    """One sigma of a sharpened delay: the phases' own, no less than the bound, and what is a matter of taste.

    A filter's best sum is one: how far it lies from the delay of all coherent frequencies tells how much.
    """
    return float(np.hypot(max(sharp.error_s, sharp.bound_s), _TASTE * abs(sharp.moved_s)))
