"""Is a take as its scene says, and if not, what is the simplest reason?

Hears the groups of sounds in the take (`micalign.tdoa.event_groups`), asks which beliefs about the scene explain their
delays (`fit`, `causes`, `verdict`) and polarities (`polarity`), and gives it row by row and in words.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial
from typing import Final

from micalign.compare.comparison import Comparison, Explanation, flips_of, rows_of
from micalign.compare.fit import Fit, Sightings, fitted, sightings_of, verdict_on
from micalign.compare.priors import Beliefs, beliefs_of
from micalign.compare.words import explanation_of, findings_of, left_or_put_back
from micalign.errors import TakeError
from micalign.findings.finding import Finding
from micalign.findings.rules import with_remedies
from micalign.scene.model import Scene
from micalign.take.tracks import Take
from micalign.tdoa.event_groups import Group, groups_of

__all__ = ["compare", "compared"]

_OPEN_C: Final = 20.0
"""A thermometer that is off by more stands in another building."""


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
    explanations = tuple(explanation_of(scene, taken, verdict, planned, seen) for taken in verdict.taken)
    strays = int((verdict.fit.weight <= 0.5).sum())
    unheard = _unheard(scene, seen, verdict.fit)
    return Comparison(
        rows=rows_of(scene, tracks, groups, planned, seen, verdict.fit, explanations),
        explanations=explanations,
        flips=flips,
        explained=verdict.explained,
        strays=strays,
        sightings=len(seen.delay_s),
        unheard=unheard,
        heard_as=tuple(scene.sources[index].name for index in verdict.fit.source_of),
        findings=_tried(
            scene,
            findings_of(
                explanations,
                flips,
                explained=verdict.explained,
                unheard=unheard,
                heard=(strays, len(seen.delay_s)),
                hidden_c=_hidden_temperature_c(scene, planned, seen),
            ),
            explanations,
        ),
    )


def _tried(scene: Scene, findings: tuple[Finding, ...], explanations: tuple[Explanation, ...]) -> tuple[Finding, ...]:
    """What is advised on a mic that was moved is tried on the scene as `check` tries its remedies; cables, switches,
    clocks and thermometers are no part of a scene, so advice on them changes none.
    """
    moved = {one.names: one for one in explanations if one.kind == "moved"}
    asked = [
        replace(one, propose=partial(left_or_put_back, scene, moved[one.where]))
        if one.rule == "moved" and one.where in moved
        else one
        for one in findings
    ]
    return with_remedies(scene, asked)


def _hidden_temperature_c(scene: Scene, planned: Beliefs, seen: Sightings) -> float:
    """How wrong the scene's temperature may be without the take showing it: three standard deviations, degrees."""
    kelvin = 273.15 + scene.air.temperature_c
    slow = planned.layout.slow
    fit = fitted(planned.doubting(slow, 0.5 * _OPEN_C / kelvin), seen)
    return 3.0 * 2.0 * kelvin * math.sqrt(float(fit.covariance[slow, slow]))


def _unheard(scene: Scene, seen: Sightings, fit: Fit) -> tuple[str, ...]:
    heard = {int(fit.source_of[group]) for group, weight in zip(seen.group, fit.weight, strict=True) if weight > 0.5}
    return tuple(source.name for index, source in enumerate(scene.sources) if index not in heard)
