"""Is a take as its scene says, and if not, what is the simplest reason?

Hears the groups of sounds in the take (`micalign.delay.hearing`), asks which beliefs about the scene explain their
delays (`fit`, `causes`, `verdict`) and polarities (`polarity`), and tells it row by row and in words.
"""

from __future__ import annotations

import numpy as np

from micalign.compare.beliefs import Beliefs, beliefs_of
from micalign.compare.fit import Fit, Sightings, sightings_of
from micalign.compare.model import Comparison, Explanation, Row
from micalign.compare.polarity import expected_signs, flips_of
from micalign.compare.verdict import verdict_on
from micalign.compare.words import explanation_of, findings_of
from micalign.delay.hearing import Group, Heard, groups_of
from micalign.errors import TakeError
from micalign.scene.model import Scene
from micalign.take.model import Take

__all__ = ["compare", "compared"]


def compare(scene: Scene, take: Take) -> Comparison:
    """Hold a take against its scene.

    Parameters
    ----------
    scene : Scene
        With every position known.
    take : Take
        Tracks named after the scene's mics and DIs, on one clock.

    Returns
    -------
    Comparison
        Rows, explanations and what to do.

    Raises
    ------
    TakeError
        If the take has fewer than two tracks, or no sound that two of them share.
    SceneError
        If a position is not known.
    """
    if len(take.tracks) < 2:
        raise TakeError("one track has no other to be compared with: name at least two under [take.tracks]")
    groups = groups_of(take)
    if not groups:
        raise TakeError(
            "no sound was found that two tracks share: are these tracks of one take, with hits or notes in them?"
        )
    return compared(scene, tuple(track.name for track in take.tracks), groups)


def compared(scene: Scene, tracks: tuple[str, ...], groups: tuple[Group, ...]) -> Comparison:
    """The comparison of a scene with groups of sounds that were already heard."""
    planned = beliefs_of(scene, tracks)
    seen = sightings_of(groups)
    verdict = verdict_on(scene, tracks, planned, seen)
    flips = flips_of(scene, tracks, groups, verdict.beliefs, seen, verdict.fit)
    explanations = tuple(explanation_of(scene, taken, verdict, planned) for taken in verdict.taken)
    unheard = _unheard(scene, seen, verdict.fit)
    return Comparison(
        rows=_rows(scene, tracks, groups, planned, seen, verdict.fit, explanations),
        explanations=explanations,
        flips=flips,
        explained=verdict.explained,
        strays=int((verdict.fit.weight <= 0.5).sum()),
        sightings=len(seen.delay_s),
        unheard=unheard,
        findings=findings_of(scene, explanations, flips, explained=verdict.explained, unheard=unheard),
    )


def _unheard(scene: Scene, seen: Sightings, fit: Fit) -> tuple[str, ...]:
    heard = {int(fit.source_of[group]) for group, weight in zip(seen.group, fit.weight, strict=True) if weight > 0.5}
    return tuple(source.name for index, source in enumerate(scene.sources) if index not in heard)


def _rows(
    scene: Scene,
    tracks: tuple[str, ...],
    groups: tuple[Group, ...],
    planned: Beliefs,
    seen: Sightings,
    fit: Fit,
    explanations: tuple[Explanation, ...],
) -> tuple[Row, ...]:
    arrival, slope = planned.linearised(planned.mean)
    signs = expected_signs(scene)
    explained = {name: one.words for one in reversed(explanations) for name in one.names}
    strays = {(int(g), int(t)) for g, t, w in zip(seen.group, seen.track, fit.weight, strict=True) if w <= 0.5}
    out = []
    for index, source in enumerate(scene.sources):
        own = [number for number in range(len(groups)) if fit.source_of[number] == index and number in seen.group]
        group = max(own, key=lambda number: len(groups[number].moments_s), default=None)
        ears = [ear for ear in planned.ear_of if np.isfinite(arrival[index, ear])]
        if len(ears) < 2:
            continue
        first = min(ears, key=lambda ear: arrival[index, ear])
        for track, ear in enumerate(planned.ear_of):
            if ear == first or ear not in ears:
                continue
            sigma = float(np.sqrt(((slope[index, ear] - slope[index, first]) ** 2) @ planned.sigma**2))
            reference = planned.ear_of.index(first)
            measured = None if group is None else _between(groups[group], reference, track)
            predicted = float(arrival[index, ear] - arrival[index, first])
            sign = int(signs[index, ear] * signs[index, first]) or None
            away = measured is not None and abs(measured[0] - predicted) > 3 * np.hypot(sigma, measured[1])
            out.append(
                Row(
                    tracks[track],
                    source.name,
                    tracks[reference],
                    predicted,
                    sigma,
                    None if measured is None else measured[0],
                    None if measured is None else measured[1],
                    None if measured is None else (measured[0] - predicted) / float(np.hypot(sigma, measured[1])),
                    sign,
                    None if measured is None else measured[2],
                    _explains(tracks[track], tracks[reference], explained, stray=(group, track) in strays, away=away),
                )
            )
    return tuple(out)


def _between(group: Group, reference: int, track: int) -> tuple[float, float, int] | None:
    """Delay, sigma and polarity of a group between two tracks; None where one of them is not reliable."""
    first, second = group.heard[reference], group.heard[track]
    if not (_is_heard(group, reference, first) and _is_heard(group, track, second)):
        return None
    sigma = float(np.hypot(first.uncertainty_s, second.uncertainty_s))
    return second.delay_s - first.delay_s, sigma, first.polarity * second.polarity


def _is_heard(group: Group, track: int, heard: Heard) -> bool:
    return track == group.reference or heard.reliable


def _explains(track: str, reference: str, explained: dict[str, str], *, stray: bool, away: bool) -> str | None:
    if not away:
        return None
    for name in (track, reference):
        if name in explained:
            return explained[name]
    if stray:
        return "not the direct sound: perhaps a reflection, or too weak"
    return next(iter(explained.values()), None) if explained else None
