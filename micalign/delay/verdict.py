"""Which evidence is to be believed, and is it to be acted on?

Where one track is a close mic's, its own strokes are asked first: over the whole file the bleed's path is the
sharper peak and the wrong one. Otherwise the long stretches are. Reliable takes a peak that no other comes near, that
independent groups of frames find by themselves, that stands out of the noise and is not at the border of the search.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from micalign.delay.evidence import Evidence
from micalign.delay.listening import Listened, shared_strokes

__all__ = ["Verdict", "agreement_share", "choose", "judge", "rival_share", "surely_close"]

AGREE_S: Final = 0.0002
CLOSE_GAP_DB: Final = 4.0
CLOSER_BY_DB: Final = 12.0


@dataclass(frozen=True)
class Verdict:
    """Evidence and what it is worth; ``reason`` says why not to act on it, None where nothing speaks against."""

    evidence: Evidence
    uncertainty_s: float
    polarity_margin: float
    confidence: float
    reason: str | None


def judge(evidence: Evidence) -> Verdict:
    """What one kind of evidence is worth by itself."""
    rival = rival_share(evidence)
    agreement = agreement_share(evidence)
    contrast = evidence.height / max(evidence.noise, 1e-300)
    confidence = float(np.clip((1.05 - rival) / 0.4, 0, 1) * agreement * np.clip((contrast - 2.5) / 4, 0, 1))
    spread = float(np.std(evidence.nearby_s, ddof=1)) if len(evidence.nearby_s) > 1 else evidence.lobe_s / 4
    uncertainty_s = float(np.hypot(spread / np.sqrt(len(evidence.nearby_s)), 0.03 * evidence.lobe_s))
    return Verdict(
        evidence, uncertainty_s, polarity_margin(evidence), confidence, _reason(evidence, rival, agreement, contrast)
    )


def rival_share(evidence: Evidence) -> float:
    """The highest other peak as a share of the chosen one."""
    return _highest(evidence, 0) / evidence.height


def polarity_margin(evidence: Evidence) -> float:
    """How far the highest peak of the other polarity falls short of the chosen one, 0 to 1."""
    return float(np.clip(1.0 - _highest(evidence, -evidence.best.polarity) / evidence.height, 0.0, 1.0))


def _highest(evidence: Evidence, polarity: int) -> float:
    return max(
        (
            abs(peak.height)
            for peak in evidence.peaks
            if abs(peak.lag_s - evidence.best.lag_s) > 0.0004 and polarity in (0, peak.polarity)
        ),
        default=0.0,
    )


def agreement_share(evidence: Evidence) -> float:
    """The share of groups of frames that find the chosen peak by themselves, over the whole search."""
    return float(np.mean(np.abs(evidence.own_best_s - evidence.best.lag_s) < AGREE_S))


def _reason(evidence: Evidence, rival: float, agreement: float, contrast: float) -> str | None:
    strokes = evidence.kind == "strokes"
    if evidence.frames < 8 and not strokes:
        return "the tracks are too short"
    few = len(evidence.own_best_s) < 3
    if abs(evidence.best.lag_s - evidence.centre_s) > evidence.reach_s - 0.0005:
        return "the best delay lies at the border of the search: search wider"
    if contrast < 3.5:
        return "no delay stands out of the noise"
    if agreement < (0.6 if strokes else 0.7):
        return "parts of the tracks suggest different delays"
    if rival > (0.6 if few else 0.88 if strokes else 0.8):
        return "another delay fits nearly as well"
    return None


def surely_close(near: Listened, far: Listened) -> bool:
    """Whether one track is a close mic's beyond doubt, against the other."""
    return near.gap_db > CLOSE_GAP_DB and near.closeness_db - far.closeness_db > CLOSER_BY_DB


def choose(
    by_strokes: Evidence | None,
    by_stretches: Evidence | None,
    near: Listened,
    far: Listened,
    *,
    close_is_certain: bool = False,
) -> Verdict | None:
    """The verdict to report, of the strokes' and the stretches'."""
    verdicts = [judge(evidence) for evidence in (by_strokes, by_stretches) if evidence is not None]
    if not verdicts:
        return None
    if len(verdicts) == 1:
        return verdicts[0]
    strokes, long = verdicts
    if close_is_certain:
        return strokes
    if near.gap_db < CLOSE_GAP_DB or shared_strokes(near, far) > 0.75:
        return long
    # Perhaps a close mic: its strokes are believed where they speak of a wide band and of one voice.
    if strokes.reason is None and strokes.evidence.lobe_s < 0.0002 and agreement_share(strokes.evidence) > 0.7:
        return strokes
    known = [peak.lag_s for peak in strokes.evidence.peaks]
    if long.reason is None and all(abs(lag - long.evidence.best.lag_s) > AGREE_S for lag in known):
        return replace(
            long,
            confidence=0.5 * long.confidence,
            reason="the loudest strokes and the whole take suggest different delays",
        )
    return long
