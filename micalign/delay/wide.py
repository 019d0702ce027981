"""Roughly where is a delay of up to seconds?

Long frames, whitened and summed as everywhere else; the answer is good to a few milliseconds and is measured again
from there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from micalign.delay.evidence import stretch_evidence
from micalign.delay.gates import stretches
from micalign.delay.listening import Listened
from micalign.delay.verdict import agreement_share, rival_share

__all__ = ["Coarse", "coarse_delay"]

_FRAME_S: Final = 1.0
_MOST: Final = 16


@dataclass(frozen=True)
class Coarse:
    """A rough delay in seconds, and whether no other is nearly as good."""

    delay_s: float
    clear: bool


def coarse_delay(reference: Listened, track: Listened, *, centre_s: float, reach_s: float) -> Coarse | None:
    """The best delay within ``reach_s`` of ``centre_s``, to a few milliseconds."""
    gate = stretches(
        reference.envelope, reference.track.frames, reference.track.sample_rate, length_s=_FRAME_S, most=_MOST
    )
    evidence = stretch_evidence(reference.track, track.track, gate, reach_s=reach_s, centre_s=centre_s)
    if evidence is None:
        return None
    return Coarse(evidence.best.lag_s, rival_share(evidence) < 0.8 and agreement_share(evidence) > 0.5)
