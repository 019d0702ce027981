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
from micalign.delay.fronts import front_doubt
from micalign.delay.listening import Listened, lead_db, level_spread_db, shared_strokes
from micalign.delay.peak import Peak
from micalign.delay.spread import one_sigma_s

__all__ = ["Verdict", "agreement_share", "choose", "judge", "nearer_is_second", "rival_share", "surely_close"]

AGREE_S: Final = 0.0002
CLOSE_GAP_DB: Final = 4.0
CLOSER_BY_DB: Final = 12.0
_HELD_DB: Final = -5.0
_APART_DB: Final = 9.0
_LEAD_DB: Final = 3.0
_ONE_DELAY_S: Final = 1e-4
_FEW_SHARED: Final = 0.5
_ENOUGH: Final = 6
_WIDE_LOBE_S: Final = 1e-4
_ALIKE: Final = 0.47
_ONE_SOUND: Final = 0.6
_CLEAR_CONTRAST: Final = 8.0
_CLEAR: Final = 1.6
_DETOUR: Final = 0.7  # what a reflection counts as a rival of the direct sound before it
_DETOUR_S: Final = 0.03
_ONE_PATH_S: Final = 0.0005
HEARD: Final = 4.5
_ALONE_CONTRAST: Final = 30.0
_WIDE_S: Final = 0.02
_LEAST_CONTRAST: Final = 8.5  # two players on one grid reach 8.3 over the whole take
_SHORTEST_PERIOD_S: Final = 0.009
_FRONT_SHARE: Final = 0.015
LEAST_MARGIN: Final = 1 / 3
_OWN_SHARE: Final = 0.4  # of a peak's height: notes 0.5 to 0.7 through an amplifier, walls below 0.3


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
    late = _reflections(evidence)
    rival = _doubtful_share(evidence, late)
    agreement = agreement_share(evidence, late)
    contrast = evidence.height / max(evidence.noise, 1e-300)
    confidence = float(np.clip((1.05 - rival) / 0.4, 0, 1) * agreement * np.clip((contrast - 2.5) / 4, 0, 1))
    reason = _reason(evidence, rival, agreement, contrast)
    uncertainty_s = one_sigma_s(evidence.error_s, evidence.nearby_s)
    if evidence.kind == "fronts":
        uncertainty_s = float(np.hypot(uncertainty_s, _FRONT_SHARE * evidence.lobe_s))
    return Verdict(evidence, uncertainty_s, polarity_margin(evidence), confidence, reason)


def rival_share(evidence: Evidence) -> float:
    """The highest other peak as a share of the chosen one."""
    return _highest(evidence, 0) / evidence.height


def is_one_path(evidence: Evidence) -> bool:
    """Whether nothing but a filter seems to lie between the tracks.

    A wall keeps the polarity of what it sends back, a filter's ringing alternates; a note's periods are in the track
    itself.
    """
    sent = [peak for peak in evidence.peaks if peak not in _periods(evidence)]
    near = [p for p in sent if 0.0004 < abs(p.lag_s - evidence.best.lag_s) < _SHORTEST_PERIOD_S]
    sent_back = max((abs(p.height) for p in near if p.polarity == evidence.best.polarity), default=0.0)
    ringing = max((abs(p.height) for p in near), default=0.0)
    return sent_back < 0.3 * evidence.height and ringing < 0.55 * evidence.height


def _periods(evidence: Evidence) -> tuple[Peak, ...]:
    """The peaks that lie from the chosen one as far as the first track is like itself."""
    chosen = evidence.best.polarity * evidence.height
    known = zip(evidence.peaks, evidence.repeats, strict=False)
    return tuple(peak for peak, repeat in known if repeat / (peak.height / chosen) > _OWN_SHARE)


def polarity_margin(evidence: Evidence) -> float:
    """How far the highest peak of the other polarity falls short of the chosen one, 0 to 1."""
    return float(np.clip(1.0 - _highest(evidence, -evidence.best.polarity) / evidence.height, 0.0, 1.0))


def _highest(evidence: Evidence, polarity: int, without: tuple[Peak, ...] = ()) -> float:
    return max(
        (
            abs(peak.height)
            for peak in evidence.peaks
            if abs(peak.lag_s - evidence.best.lag_s) > 0.0004 and polarity in (0, peak.polarity) and peak not in without
        ),
        default=0.0,
    )


def agreement_share(evidence: Evidence, reflections: tuple[Peak, ...] = ()) -> float:
    """The share of groups of frames that find the chosen peak, or a reflection after it, by themselves."""
    agreed = np.abs(evidence.own_best_s - evidence.best.lag_s) < AGREE_S
    for peak in reflections:
        agreed |= np.abs(evidence.own_best_s - peak.lag_s) < AGREE_S
    return float(np.mean(agreed))


def _reflections(evidence: Evidence) -> tuple[Peak, ...]:
    """The peaks of stretches that may be detours of the chosen path, where that stands clear of all before it.

    A wall keeps the polarity of what it sends back.
    """
    if evidence.kind != "stretches" or evidence.height < _CLEAR_CONTRAST * evidence.noise:
        return ()
    side = 1 if evidence.best.lag_s >= 0 else -1
    others = [peak for peak in evidence.peaks if abs(peak.lag_s - evidence.best.lag_s) > 0.0004]
    after = [peak for peak in others if 0.0 < side * (peak.lag_s - evidence.best.lag_s) < _DETOUR_S]
    late = tuple(peak for peak in after if peak.polarity == evidence.best.polarity)
    clear = all(abs(peak.height) * _CLEAR < evidence.height for peak in others if peak not in after)
    return late if clear else ()


def _doubtful_share(evidence: Evidence, reflections: tuple[Peak, ...]) -> float:
    """The highest other peak as a share of the chosen one; a reflection counts less."""
    late = max((abs(peak.height) for peak in reflections), default=0.0) * _DETOUR
    return max(late, _highest(evidence, 0, reflections)) / evidence.height


def _reason(evidence: Evidence, rival: float, agreement: float, contrast: float) -> str | None:
    if evidence.kind == "fronts":
        return front_doubt(len(evidence.own_best_s), rival, agreement, contrast)
    strokes = evidence.kind == "strokes"
    few = len(evidence.own_best_s) < 3
    if abs(evidence.best.lag_s - evidence.centre_s) > evidence.reach_s - 0.0005:
        return "the best delay lies at the border of the search: search wider"
    # A narrow search, where a scene knows the delay, sees hardly more noise than the reflections beside the peak.
    if contrast < (3.5 if strokes or evidence.reach_s < _WIDE_S else _LEAST_CONTRAST):
        return "no delay stands out of the noise"
    # A sharp peak among reflections may be outvoted by other sounds in some groups: two overheads above a whole kit.
    amid_others = not strokes and contrast > 12.0 and 0.3 < rival_share(evidence) < 0.6
    # One hit that dies away into the noise: most parts hold nothing, what is heard leaves no doubt.
    alone = not strokes and contrast > _ALONE_CONTRAST and rival_share(evidence) < 0.3
    if agreement < (0.2 if alone else 0.5 if amid_others else 0.6 if strokes else 0.7):
        return "parts of the tracks suggest different delays (if the two were recorded on two clocks, look for drift)"
    if rival > (0.6 if few else 0.82 if strokes else 0.75) or (strokes and contrast < 6.5 * rival):
        return "another delay fits nearly as well"
    # Two drums that are struck together resemble each other, but no better upright than inverted.
    if strokes and polarity_margin(evidence) < LEAST_MARGIN:
        return "its polarity is not clear"
    return None


def nearer_is_second(first: Listened, second: Listened) -> bool:
    """Which of two tracks is rather a close mic's: the closer by its score.

    Where the scores are near each other, the one whose own strokes are more among the other's than the other way
    round: a close mic's drum is heard by an overhead, whose other strokes the close mic does not know.
    """
    ahead_db = second.closeness_db - first.closeness_db
    if abs(ahead_db) < 10.0 and min(len(first.struck), len(second.struck)) >= 4:
        lean = shared_strokes(first, second) - shared_strokes(second, first)
        if abs(lean) > (0.2 if abs(ahead_db) < 4.0 else 0.35):
            return lean > 0
    return ahead_db > 0


def surely_close(near: Listened, far: Listened) -> bool:
    """Whether one track is a close mic's beyond doubt, against the other."""
    ahead_db, shared = near.closeness_db - far.closeness_db, shared_strokes(near, far)
    if near.gap_db <= CLOSE_GAP_DB:
        return False
    return ahead_db > 20.0 or (ahead_db > CLOSER_BY_DB and shared < 0.75) or (ahead_db > 2.0 and shared < 0.6)


def choose(
    by_strokes: Evidence | None,
    by_stretches: Evidence | None,
    near: Listened,
    far: Listened,
    *,
    close_is_certain: bool = False,
    later_s: float = 0.0,
) -> Verdict | None:
    """The verdict to report, of the strokes' and the stretches'; ``later_s``: about how much later the far track is."""
    verdicts = [judge(evidence) for evidence in (by_strokes, by_stretches) if evidence is not None]
    if not verdicts:
        return None
    if len(verdicts) == 1 or close_is_certain:
        return verdicts[0]
    strokes, long = verdicts
    leads, apart = _hears_one_drum(near, far, later_s=later_s), levels_apart(near, far, later_s=later_s)
    between_s = abs(strokes.evidence.best.lag_s - long.evidence.best.lag_s)
    sharp = strokes.reason is None and strokes.evidence.lobe_s < _WIDE_LOBE_S
    # Of one delay a sure whole take knows more.
    sharp = sharp and (between_s > _ONE_DELAY_S or long.reason is not None)
    if leads and apart and sharp:
        # What is struck in a close mic is its own drum, however long that rings and however alike the bleed is.
        return strokes
    if _one_sound(strokes, long):
        return long
    if surely_close(near, far) or ((leads or apart) and sharp):
        return strokes
    if strokes.reason is not None and _is_held(strokes, long, near):
        return long
    if leads and apart and between_s > AGREE_S:
        return _torn(strokes, long)
    return _perhaps_close(strokes, long, near, far)


def _is_held(strokes: Verdict, long: Verdict, near: Listened) -> bool:
    """Whether the whole take knows more: what is louder between strokes than in them is no drum, nor what is alike."""
    if near.gap_db < _HELD_DB and agreement_share(long.evidence) > agreement_share(strokes.evidence):
        return True
    return long.reason is None and (near.gap_db < _HELD_DB or abs(long.evidence.best.height) > _ONE_SOUND)


def _perhaps_close(strokes: Verdict, long: Verdict, near: Listened, far: Listened) -> Verdict:
    """The strokes' verdict or the stretches', where no track is a close mic's beyond doubt."""
    shared = shared_strokes(near, far)
    apart = all(abs(peak.lag_s - long.evidence.best.lag_s) > AGREE_S for peak in strokes.evidence.peaks)
    voice = strokes.evidence.lobe_s < _WIDE_LOBE_S
    # A mic that knows few of the other's loudest strokes is one drum's, however loud the bleed; but two overheads, or
    # a DI and its cabinet, are alike over the whole take, whatever their strokes.
    alike = abs(long.evidence.best.height) > _ALIKE
    if apart and voice and not alike and shared < _FEW_SHARED and len(far.struck) >= _ENOUGH:
        return strokes
    if near.gap_db >= CLOSE_GAP_DB and long.reason is not None and strokes.reason is None and voice:
        return strokes
    if near.gap_db < CLOSE_GAP_DB or shared > 0.75:
        torn = apart and voice and not alike and near.gap_db >= CLOSE_GAP_DB
        return _torn(strokes, long) if torn else long
    # Perhaps a close mic: its strokes are believed where they speak of a wide band and of one voice.
    clear = strokes.reason is None or strokes.evidence.height > 6.0 * strokes.evidence.noise
    if clear and strokes.evidence.lobe_s < 0.0002 and agreement_share(strokes.evidence) > 0.7:
        return strokes
    return _torn(strokes, long) if apart and not alike else long


def _hears_one_drum(near: Listened, far: Listened, *, later_s: float = 0.0) -> bool:
    """Whether a track hears what it is struck by louder, against the other, than the other's further strokes."""
    return lead_db(near, far, later_s=later_s) >= _LEAD_DB


def levels_apart(near: Listened, far: Listened, *, later_s: float = 0.0) -> bool:
    """Whether loud strokes differ so in level between two tracks that one of them may be a close mic's."""
    return _APART_DB <= level_spread_db(near, far, later_s=later_s) < np.inf


def may_be_one_sound(strokes: Evidence | None) -> bool:
    """Whether the strokes of a pair are so alike that one track may be the other through a filter."""
    return strokes is not None and abs(strokes.best.height) > _ONE_SOUND


def _one_sound(strokes: Verdict, long: Verdict) -> bool:
    """Whether strokes and stretches tell of one path: then the stretches, which hold the low notes, tell its lobe."""
    near = abs(strokes.evidence.best.lag_s - long.evidence.best.lag_s) < _ONE_PATH_S
    alike = may_be_one_sound(strokes.evidence) and abs(long.evidence.best.height) > _ONE_SOUND
    return near and alike


def _torn(strokes: Verdict, long: Verdict) -> Verdict:
    """The better guess where the two disagree about what may be a close mic, and that it is one.

    Then it is the bleed that the whole take follows, as long as the strokes speak at all.
    """
    heard = strokes.evidence.height > HEARD * strokes.evidence.noise
    return _doubted(strokes if heard else long)


def _doubted(verdict: Verdict) -> Verdict:
    if verdict.reason is not None:
        return verdict
    reason = "the loudest strokes and the whole take suggest different delays"
    return replace(verdict, confidence=0.5 * verdict.confidence, reason=reason)
