"""Roughly where is a delay of up to seconds?

Long frames, whitened and summed as everywhere else; the answer is good to a few milliseconds and is measured again
from there. What is that late has mostly come back over one path (a re-amp, an overdub, a loopback): then the long
frames, which hold the whole sound, are asked again, and not single strokes, which distortion and ring blur.
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
_LONE: Final = 0.4
_AGREED: Final = 0.75
_ALIKE: Final = 0.47  # of full agreement of all frequencies


@dataclass(frozen=True)
class Coarse:
    """A rough delay in seconds; ``clear``: no other is nearly as good; ``one_path``: nothing but one path is heard."""

    delay_s: float
    clear: bool
    one_path: bool


def coarse_delay(reference: Listened, track: Listened, *, centre_s: float, reach_s: float) -> Coarse | None:
    """The best delay within ``reach_s`` of ``centre_s``, to a few milliseconds."""
    gate = stretches(
        reference.envelope, reference.track.frames, reference.track.sample_rate, length_s=_FRAME_S, most=_MOST
    )
    evidence = stretch_evidence(reference.track, track.track, gate, reach_s=reach_s, centre_s=centre_s)
    if evidence is None:
        return None
    rival, agreement = rival_share(evidence), agreement_share(evidence)
    one_path = rival < _LONE and agreement > _AGREED and abs(evidence.best.height) > _ALIKE
    return Coarse(evidence.best.lag_s, rival < 0.8 and agreement > 0.5, one_path)
