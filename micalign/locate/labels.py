"""Which source was hit in each group of hits?

By the places that the scene plans for the mics, where these explain the hits, and by the order of the scene's sources,
in which they are then taken to have been hit. Neither is sure: a plan that is 30 cm off swaps two hits that are nearly
alike from it, and a part of the take where all play together is no place at all. So every labelling that can be is
handed out, and `run` keeps the one that leaves least unexplained.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Final, TypeAlias

import numpy as np

from micalign.acoustics.air import speed_of_sound_in
from micalign.arrays import Floats
from micalign.errors import SceneError, TakeError
from micalign.scene.model import Mic, Scene
from micalign.tdoa.event_groups import Group

__all__ = ["Labelling", "labellings", "relabelled"]

Labelling: TypeAlias = list[tuple[str, Group]]
"""Groups with the names of their sources, in the scene's order."""

_PLAN_SIGMA_S: Final = 1e-3
_PLAN_LIMIT_S: Final = 2e-3
_SURE_LIMIT_S: Final = 0.3e-3
"""Once places are found a group is assigned to 10 cm of path: its points and delays are known better."""


def labellings(scene: Scene, mics: Sequence[Mic], groups: Sequence[Group]) -> list[Labelling]:
    """Each way in which the groups may belong to the sources.

    Raises
    ------
    SceneError
        If the scene has no source.
    TakeError
        If neither the plan nor the order decides.
    """
    if not scene.sources:
        raise SceneError("the scene has no source: add each point at which you clap or tap as a [[source]]")
    found = [_in_order(scene, turns) for turns in _likely_turns(groups, len(scene.sources))]
    if all(mic.is_placed for mic in mics):
        by_plan = _assigned(scene, groups, np.array([mic.position for mic in mics]), limit_s=_PLAN_LIMIT_S)
        found = [*([by_plan] if by_plan else []), *found]
    if not found:
        raise TakeError(
            f"{len(_turns(groups))} places were heard but the scene has {len(scene.sources)} sources: hit each source "
            "a few times, one after the other in the order of the scene, or write into the scene about where each mic "
            "stands"
        )
    return [one for index, one in enumerate(found) if one not in found[:index]]


def relabelled(scene: Scene, groups: Sequence[Group], mics_m: Floats) -> Labelling:
    """The groups' sources by the places at which the mics were found, shape (M, 3); none for what fits no source."""
    return _assigned(scene, groups, mics_m, limit_s=_SURE_LIMIT_S) or []


def _assigned(scene: Scene, groups: Sequence[Group], mics_m: Floats, *, limit_s: float) -> Labelling | None:
    """Sources by the mics' places; None where these leave too much unexplained."""
    from scipy.optimize import linear_sum_assignment  # noqa: PLC0415 - only a location needs it

    points = np.array([source.position for source in scene.sources])
    planned_s = np.linalg.norm(points[:, None] - mics_m[None], axis=2) / speed_of_sound_in(scene.air)
    cost = np.array([[_misfit(group, row) for row in planned_s] for group in groups])
    first, second = linear_sum_assignment(cost)
    if np.median(cost[first, second]) > limit_s / _PLAN_SIGMA_S:
        return None
    paired = [(int(s), int(g)) for g, s in zip(first, second, strict=True)]
    kept = sorted((s, g) for s, g in paired if cost[g, s] < 2 * limit_s / _PLAN_SIGMA_S)
    return [(scene.sources[s].name, groups[g]) for s, g in kept]


def _misfit(group: Group, planned_s: Floats) -> float:
    """How far a group is from a source's planned differences, in units of a millisecond: a mean that strays cap."""
    usable = [index for index, one in enumerate(group.heard) if index == group.reference or one.reliable]
    away = np.array([group.heard[index].delay_s - planned_s[index] for index in usable])
    return float(np.minimum(np.abs(away - np.median(away)) / _PLAN_SIGMA_S, 10.0).mean())


def _in_order(scene: Scene, turns: Sequence[Group]) -> Labelling:
    return [(source.name, group) for source, group in zip(scene.sources, turns, strict=True)]


def _likely_turns(groups: Sequence[Group], count: int) -> list[list[Group]]:
    """The turns where there are as many as sources; of more, the first ones, and those with most hits: what follows
    when all play together, or a knock between two turns, is no turn.
    """
    turns = _turns(groups)
    if len(turns) < count:
        return []
    most = sorted(range(len(turns)), key=lambda index: -len(turns[index].moments_s))[:count]
    return [turns[:count], [turns[index] for index in sorted(most)]]


def _turns(groups: Sequence[Group]) -> list[Group]:
    """Groups in the order of their turns: the longest run of a group's hits without another's between them.

    A group that nowhere has two hits in a row has had no turn.
    """
    hits = sorted((moment, index) for index, group in enumerate(groups) for moment in group.moments_s)
    runs = [[*run] for _, run in groupby(hits, key=lambda hit: hit[1])]
    longest: dict[int, list[tuple[float, int]]] = {}
    for run in runs:
        if len(run) > max(1, len(longest.get(run[0][1], []))):
            longest[run[0][1]] = run
    return [groups[index] for index in sorted(longest, key=lambda index: longest[index][0])]
