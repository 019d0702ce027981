"""Which group of hits is which source's, where mics are found by a take?

Which source was hit is read by the places that the scene plans for the mics, where these explain the hits, and by the
order of the scene's sources, in which they are then taken to have been hit. Neither is sure: a plan that is 30 cm off
swaps two hits that are nearly alike from it, a hit that was missed shifts all that follow it, and a part of the take
where all play together is no place at all. So every labelling that can be is handed out, and the steps that lead from
one to the next: which leaves least unexplained, the places that follow from it tell.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations, groupby
from typing import TypeAlias

import numpy as np

from micalign.acoustics.arrivals import speed_of_sound_in
from micalign.arrays import Floats
from micalign.compare.groups import Group
from micalign.compare.tuned import PLAN_LIMIT_S, PLAN_SIGMA_S, SAME_GROUP_S, SAME_TRACKS, SURE_LIMIT_S
from micalign.errors import SceneError, TakeError
from micalign.scene.model import Mic
from micalign.scene.scene import Scene

__all__ = ["Labelling", "labellings", "merged", "one_step_off", "relabelled"]

Labelling: TypeAlias = list[tuple[str, Group]]
"""Groups with the names of their sources, in the scene's order."""


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
        planned_m = np.array([mic.position for mic in mics])
        told = [group for group in groups if len(_usable(group)) > 1]  # one arrival alone fits every place
        by_plan = _assigned(scene, told, planned_m, limit_s=PLAN_LIMIT_S)
        found = [*([by_plan] if by_plan else []), _in_order_by_plan(scene, told, planned_m), *found]
    if not found:
        raise TakeError(
            f"{len(_turns(groups))} places were heard but the scene has {len(scene.sources)} sources: hit each source "
            "a few times, one after the other in the order of the scene, or write into the scene about where each mic "
            "stands"
        )
    return [one for index, one in enumerate(found) if one and one not in found[:index]]


def merged(groups: Sequence[Group]) -> list[Group]:
    """Groups of which none came from the place of another: three tracks and more tell both alike.

    One group is found as two where tracks hear its hits unlike: the one with most hits is measured best.
    """
    out: list[Group] = []
    for group in sorted(groups, key=lambda one: -len(one.moments_s)):
        same = next((index for index, one in enumerate(out) if _is_same(one, group)), None)
        if same is None:
            out.append(group)
        else:
            out[same] = replace(out[same], moments_s=tuple(sorted((*out[same].moments_s, *group.moments_s))))
    return out


def _is_same(one: Group, other: Group) -> bool:
    both = sorted({*_usable(one)} & {*_usable(other)})
    if len(both) < SAME_TRACKS:
        return False
    away = np.array([one.heard[index].delay_s - other.heard[index].delay_s for index in both])
    return bool(np.all(np.abs(away - np.median(away)) < SAME_GROUP_S))


def relabelled(scene: Scene, groups: Sequence[Group], mics_m: Floats) -> Labelling:
    """The groups' sources by the places at which the mics were found, shape (M, 3); none for what fits no source."""
    return _assigned(scene, groups, mics_m, limit_s=SURE_LIMIT_S) or []


def one_step_off(scene: Scene, groups: Sequence[Group], used: Labelling) -> Iterator[Labelling]:
    """Every labelling in which two sources have changed their groups, one has another group, or one has none."""
    has = dict(used)
    free = [group for group in groups if all(group is not one for one in has.values())]
    names = [source.name for source in scene.sources]
    changes: list[dict[str, Group | None]] = [{one: has[two], two: has[one]} for one, two in combinations(has, 2)]
    changes += [{one: None} for one in has]
    changes += [{name: group} for name in names for group in free]
    changes += [{name: has[one], one: None} for name in names if name not in has for one in has]
    for change in changes:
        now = {**has, **change}
        yield [(name, group) for name in names for group in (now.get(name),) if group is not None]


def _assigned(scene: Scene, groups: Sequence[Group], mics_m: Floats, *, limit_s: float) -> Labelling | None:
    """Sources by the mics' places; None where these leave too much unexplained."""
    from scipy.optimize import linear_sum_assignment  # noqa: PLC0415 - only a location needs it

    cost = _misfits(scene, groups, mics_m)
    first, second = linear_sum_assignment(cost)
    if np.median(cost[first, second]) > limit_s / PLAN_SIGMA_S:
        return None
    paired = [(int(s), int(g)) for g, s in zip(first, second, strict=True)]
    kept = sorted((s, g) for s, g in paired if cost[g, s] < 2 * limit_s / PLAN_SIGMA_S)
    return [(scene.sources[s].name, groups[g]) for s, g in kept]


def _in_order_by_plan(scene: Scene, groups: Sequence[Group], mics_m: Floats) -> Labelling:
    """Sources by the mics' places where these come in the scene's order: what fits none of them is passed over.

    The cheapest way through groups and sources (dynamic programming); to pass over both costs as much as a pair that is
    off by the limit of a plan.
    """
    turns = _by_start(groups)
    cost = _misfits(scene, turns, mics_m)
    over = 0.5 * PLAN_LIMIT_S / PLAN_SIGMA_S
    least = np.zeros((len(turns) + 1, len(scene.sources) + 1))
    least[1:, 0], least[0, 1:] = over * np.arange(1, least.shape[0]), over * np.arange(1, least.shape[1])
    for g in range(len(turns)):
        for s in range(len(scene.sources)):
            passed = min(least[g, s + 1], least[g + 1, s]) + over
            least[g + 1, s + 1] = min(least[g, s] + cost[g, s], passed)
    paired: Labelling = []
    g, s = len(turns), len(scene.sources)
    while g and s:
        if least[g, s] == least[g - 1, s - 1] + cost[g - 1, s - 1]:
            g, s = g - 1, s - 1
            paired.append((scene.sources[s].name, turns[g]))
        elif least[g, s] == least[g - 1, s] + over:
            g -= 1
        else:
            s -= 1
    return paired[::-1]


def _misfits(scene: Scene, groups: Sequence[Group], mics_m: Floats) -> Floats:
    """How far each group is from each source, shape (groups, sources): see `_misfit`."""
    points = np.array([source.position for source in scene.sources])
    planned_s = np.linalg.norm(points[:, None] - mics_m[None], axis=2) / speed_of_sound_in(scene.air)
    return np.array([[_misfit(group, row) for row in planned_s] for group in groups])


def _misfit(group: Group, planned_s: Floats) -> float:
    """How far a group is from a source's planned differences, in units of a millisecond: a mean that strays cap."""
    away = np.array([group.heard[index].delay_s - planned_s[index] for index in _usable(group)])
    return float(np.minimum(np.abs(away - np.median(away)) / PLAN_SIGMA_S, 10.0).mean())


def _usable(group: Group) -> list[int]:
    """The tracks that hear a group well."""
    return [index for index, one in enumerate(group.heard) if index == group.reference or one.reliable]


def _in_order(scene: Scene, turns: Sequence[Group]) -> Labelling:
    return [(source.name, group) for source, group in zip(scene.sources, turns, strict=True)]


def _likely_turns(groups: Sequence[Group], count: int) -> list[list[Group]]:
    """The turns where there are as many as sources; of more, the first ones, and those with most hits: what follows
    when all play together, or a knock between two turns, is no turn. Where there are fewer, a group that has had none
    may be one of which but one hit was heard in its turn.
    """
    turns = _turns(groups)
    if len(turns) < count:
        return [_by_start(groups)] if len(groups) == count else []
    most = sorted(range(len(turns)), key=lambda index: -len(turns[index].moments_s))[:count]
    return [turns[:count], [turns[index] for index in sorted(most)]]


def _turns(groups: Sequence[Group]) -> list[Group]:
    """Groups that had a turn, in the order of these."""
    longest = _longest_runs(groups)
    return [groups[index] for index in sorted(longest, key=lambda index: longest[index])]


def _by_start(groups: Sequence[Group]) -> list[Group]:
    """All groups in the order of their turns, or of the first hits of those that had none."""
    longest = _longest_runs(groups)
    starts = [longest.get(index, min(group.moments_s)) for index, group in enumerate(groups)]
    return [groups[index] for index in sorted(range(len(groups)), key=lambda index: starts[index])]


def _longest_runs(groups: Sequence[Group]) -> dict[int, float]:
    """When a group's turn began, seconds: the longest run of its hits without another's between them.

    A group that nowhere has two hits in a row has had no turn.
    """
    hits = sorted((moment, index) for index, group in enumerate(groups) for moment in group.moments_s)
    runs = [[*run] for _, run in groupby(hits, key=lambda hit: hit[1])]
    longest: dict[int, list[tuple[float, int]]] = {}
    for run in runs:
        if len(run) > max(1, len(longest.get(run[0][1], []))):
            longest[run[0][1]] = run
    return {index: run[0][0] for index, run in longest.items()}
