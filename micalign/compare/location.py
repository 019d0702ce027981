"""Where do the mics of a scene stand, by its take?

The sources of the scene are the known points: drums that were tapped, marks at which somebody clapped. Each group of
hits (`micalign.compare.groups`) is given its source in more than one way; what leaves least open is kept. The answer
is each mic's place with its uncertainty, each hit's part in it, and what would fix the rest.

Which source was hit is read by the places that the scene plans for the mics, where these explain the hits, and by the
order of the scene's sources, in which they are then taken to have been hit. Neither is sure: a plan that is 30 cm off
swaps two hits that are nearly alike from it, and a part of the take where all play together is no place at all. So
every labelling that can be is handed out, and the one is kept that leaves least unexplained.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TypeAlias

import numpy as np

from micalign.acoustics.arrivals import speed_of_sound_in
from micalign.arrays import Floats
from micalign.compare.groups import Group, groups_of
from micalign.compare.multilateration import HitArrivals, Solution, further_hits, is_flat, refusal, solutions
from micalign.compare.tuned import (
    FAR_FROM_PLAN,
    FAR_M,
    LOOSE_M,
    MOST_STRAYS,
    OUTSIDE_COST,
    PLAN_LIMIT_S,
    PLAN_SIGMA_S,
    REACH_M,
    STRAY_COST,
    SURE_LIMIT_S,
)
from micalign.errors import SceneError, TakeError
from micalign.scene.model import Mic, Point
from micalign.scene.scene import Scene
from micalign.take.tracks import Take
from micalign.tdoa.tuned import SOUND_SIGMA_S

__all__ = [
    "LocatedMic",
    "Location",
    "UsedHits",
    "locate",
    "located",
]

_Labelling: TypeAlias = list[tuple[str, Group]]
"""Groups with the names of their sources, in the scene's order."""


def _labellings(scene: Scene, mics: Sequence[Mic], groups: Sequence[Group]) -> list[_Labelling]:
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
        by_plan = _assigned(scene, groups, np.array([mic.position for mic in mics]), limit_s=PLAN_LIMIT_S)
        found = [*([by_plan] if by_plan else []), *found]
    if not found:
        raise TakeError(
            f"{len(_turns(groups))} places were heard but the scene has {len(scene.sources)} sources: hit each source "
            "a few times, one after the other in the order of the scene, or write into the scene about where each mic "
            "stands"
        )
    return [one for index, one in enumerate(found) if one not in found[:index]]


def _relabelled(scene: Scene, groups: Sequence[Group], mics_m: Floats) -> _Labelling:
    """The groups' sources by the places at which the mics were found, shape (M, 3); none for what fits no source."""
    return _assigned(scene, groups, mics_m, limit_s=SURE_LIMIT_S) or []


def _assigned(scene: Scene, groups: Sequence[Group], mics_m: Floats, *, limit_s: float) -> _Labelling | None:
    """Sources by the mics' places; None where these leave too much unexplained."""
    from scipy.optimize import linear_sum_assignment  # noqa: PLC0415 - only a location needs it

    points = np.array([source.position for source in scene.sources])
    planned_s = np.linalg.norm(points[:, None] - mics_m[None], axis=2) / speed_of_sound_in(scene.air)
    cost = np.array([[_misfit(group, row) for row in planned_s] for group in groups])
    first, second = linear_sum_assignment(cost)
    if np.median(cost[first, second]) > limit_s / PLAN_SIGMA_S:
        return None
    paired = [(int(s), int(g)) for g, s in zip(first, second, strict=True)]
    kept = sorted((s, g) for s, g in paired if cost[g, s] < 2 * limit_s / PLAN_SIGMA_S)
    return [(scene.sources[s].name, groups[g]) for s, g in kept]


def _misfit(group: Group, planned_s: Floats) -> float:
    """How far a group is from a source's planned differences, in units of a millisecond: a mean that strays cap."""
    usable = [index for index, one in enumerate(group.heard) if index == group.reference or one.reliable]
    away = np.array([group.heard[index].delay_s - planned_s[index] for index in usable])
    return float(np.minimum(np.abs(away - np.median(away)) / PLAN_SIGMA_S, 10.0).mean())


def _in_order(scene: Scene, turns: Sequence[Group]) -> _Labelling:
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


@dataclass(frozen=True, slots=True)
class LocatedMic:
    """A mic's place in metres, one standard deviation along each axis, and how far that is from the plan.

    ``mirror_m`` is another place that the hits allow as well as this one. ``reason`` says why a place that is not
    ``reliable`` is not to be acted on.
    """

    mic: str
    at_m: Point
    sigma_m: Point
    planned_m: Point | None
    move_m: float | None
    reliable: bool
    reason: str | None = None
    mirror_m: Point | None = None

    @property
    def uncertainty_m(self) -> float:
        """One standard deviation of the place, all axes together."""
        return float(sum(value**2 for value in self.sigma_m) ** 0.5)


@dataclass(frozen=True, slots=True)
class UsedHits:
    """The hits on one source: how many, in how many tracks they were heard well, and what the places leave over.

    ``residual_s`` is the root mean square of measured minus explained; ``strays`` counts tracks left out since they
    fit no place (a reflection taken for the direct sound).
    """

    source: str
    hits: int
    tracks: int
    strays: int
    residual_s: float


@dataclass(frozen=True)
class Location:
    """Every mic's place, the hits they rest on, and points at which further hits would help, the best first."""

    mics: tuple[LocatedMic, ...]
    hits: tuple[UsedHits, ...]
    further_m: tuple[Point, ...]

    @property
    def is_reliable(self) -> bool:
        """Whether every mic's place is."""
        return all(mic.reliable for mic in self.mics)


def locate(scene: Scene, take: Take, *, starts: int = 32, seed: int = 1) -> Location:
    """The places of the mics from a take of hits at the scene's sources.

    Parameters
    ----------
    scene : Scene
        Its sources have positions; its mics may have.
    take : Take
        Tracks named after the scene's mics, on one clock; DIs are not used.
    starts : int
        From how many places the search begins.
    seed : int
        Of these starts: the same seed gives the same answer.

    Raises
    ------
    SceneError
        If a source has no position.
    TakeError
        If the hits cannot fix the mics: the sentence says why, and what to add.
    """
    mics = [mic for mic in scene.mics if any(track.name == mic.name for track in take.tracks)]
    if len(mics) < 2:
        raise TakeError("one mic alone hears no difference in time: record at least two mics on one clock")
    groups = groups_of(Take(tuple(take.track(mic.name) for mic in mics)))
    if not groups:
        raise TakeError("no hits were found that two mics share: clap or tap a few times at each point")
    return located(scene, mics, groups, starts=starts, seed=seed)


def located(scene: Scene, mics: Sequence[Mic], groups: Sequence[Group], *, starts: int = 32, seed: int = 1) -> Location:
    """The places of mics from groups of hits that were already heard."""
    tried, reasons = [], []
    for used in _labellings(scene, mics, groups):
        heard = _arrivals_of(scene, used, len(mics))
        why = refusal(heard, tuple(mic.name for mic in mics))
        if why is None:
            tried.append(_tried(scene, mics, groups, used, starts=starts, seed=seed))
        else:
            reasons.append(why)
    if not tried:
        raise TakeError(reasons[0])
    best = min(tried, key=lambda one: one.unexplained)
    again = _relabelled(scene, groups, best.solution.mics_m)
    if again != best.used and refusal(_arrivals_of(scene, again, len(mics)), tuple(mic.name for mic in mics)) is None:
        best = min(best, _tried(scene, mics, groups, again, starts=starts, seed=seed), key=lambda one: one.unexplained)
    low_m, high_m = _box(scene, best.heard)
    placed = tuple(_placed(index, mic, best) for index, mic in enumerate(mics))
    return Location(
        placed, _used_hits(best.used, best.solution), further_hits(best.heard, best.solution, low_m, high_m)
    )


@dataclass(frozen=True, eq=False)
class _Tried:
    """The groups with the sources they were taken for, and what follows; ``unexplained`` is the chi-square with every
    arrival that is left out at what a stray costs.
    """

    used: _Labelling
    heard: HitArrivals
    solution: Solution
    allowed: tuple[Solution, ...]
    is_inside: bool
    unexplained: float
    strays: float


def _tried(
    scene: Scene, mics: Sequence[Mic], groups: Sequence[Group], used: _Labelling, *, starts: int, seed: int
) -> _Tried:
    heard = _arrivals_of(scene, used, len(mics))
    low_m, high_m = _box(scene, heard)
    found = solutions(heard, low_m, high_m, starts=starts, seed=seed)
    inside = tuple(one for one in found if _is_inside(one, low_m, high_m))
    best = _nearest_to_plan(inside or found[:1], mics)
    arrivals = sum(_usable(group) for group in groups)
    kept = int(np.isfinite(heard.times_s).sum() - best.stray.sum())
    unexplained = best.chi_square + STRAY_COST * (arrivals - kept) + (0.0 if inside else OUTSIDE_COST)
    strays = float(best.stray.sum()) / max(float(np.isfinite(heard.times_s).sum()), 1.0)
    return _Tried(used, heard, best, inside or found[:1], bool(inside), unexplained, strays)


def _usable(group: Group) -> int:
    return sum(index == group.reference or one.reliable for index, one in enumerate(group.heard))


def _arrivals_of(scene: Scene, used: Sequence[tuple[str, Group]], mics: int) -> HitArrivals:
    """Groups with their sources as arrivals."""
    sources = [scene.source(name) for name, _ in used]
    times_s, sigma_s = np.full((len(used), mics), np.nan), np.full((len(used), mics), np.nan)
    for row, (_, group) in enumerate(used):
        for column, one in enumerate(group.heard):
            if column == group.reference or one.reliable:
                times_s[row, column] = one.delay_s
                sigma_s[row, column] = np.hypot(one.uncertainty_s, SOUND_SIGMA_S)
    speed = speed_of_sound_in(scene.air)
    share = 0.5 * scene.air.temperature_plus_minus_c / (273.15 + scene.air.temperature_c)
    return HitArrivals(
        np.array([source.position for source in sources]).reshape(-1, 3),
        np.array([max(source.plus_minus_m, 1e-4) for source in sources]),
        times_s,
        sigma_s,
        speed,
        speed * max(share, 1e-5),
    )


def _box(scene: Scene, heard: HitArrivals) -> tuple[Floats, Floats]:
    """Where mics may stand: the room, or some metres round the hits and above the floor."""
    if scene.room is not None:
        return np.zeros(3), np.array(scene.room.size)
    low_m = heard.points_m.min(axis=0) - REACH_M
    high_m = heard.points_m.max(axis=0) + REACH_M
    low_m[2], high_m[2] = 0.0, max(3.0, float(heard.points_m[:, 2].max()) + 1.5)
    return low_m, high_m


def _is_inside(found: Solution, low_m: Floats, high_m: Floats) -> bool:
    """Whether all mics stand in the box, as far as their uncertainty lets one say."""
    sigma_m = np.sqrt(np.diag(found.covariance_m2)).reshape(-1, 3)
    slack = 3.0 * np.minimum(sigma_m, 0.1)
    return bool(np.all(found.mics_m > low_m - slack) and np.all(found.mics_m < high_m + slack))


def _nearest_to_plan(found: Sequence[Solution], mics: Sequence[Mic]) -> Solution:
    """The best solution; of mirror images that explain the hits alike, the one nearest to the plan."""
    if len(found) == 1 or not all(mic.is_placed for mic in mics):
        return found[0]
    places = np.array([mic.position for mic in mics])
    return min(found, key=lambda one: float(np.linalg.norm(one.mics_m - places, axis=1).sum()))


def _placed(index: int, mic: Mic, found: _Tried) -> LocatedMic:
    at = found.solution.mics_m[index]
    sigma = np.sqrt(np.diag(found.solution.covariance_m2)).reshape(-1, 3)[index]
    others = [one.mics_m[index] for one in found.allowed if np.linalg.norm(one.mics_m[index] - at) > 0.05]
    planned = mic.position if mic.is_placed else None
    reason = _doubt(mic, at, sigma, found) or _reason(sigma, mirrored=bool(others), flat=is_flat(found.heard.points_m))
    return LocatedMic(
        mic.name,
        _point(at),
        _point(sigma),
        planned,
        None if planned is None else float(np.linalg.norm(at - np.array(planned))),
        reason is None,
        reason,
        _point(others[0]) if others else None,
    )


def _doubt(mic: Mic, at: Floats, sigma: Floats, found: _Tried) -> str | None:
    """What cannot be, or hardly: a place that the plan or the take itself speaks against."""
    if not found.is_inside:
        return "no place in the room explains the hits: check that they were made in the scene's order, and its points"
    if found.strays > MOST_STRAYS:
        return (
            f"{found.strays:.0%} of the arrivals fit no place and were left out: hit each point again, "
            "in the scene's order"
        )
    if mic.is_placed:
        away = float(np.linalg.norm(at - np.array(mic.position)))
        if away > FAR_FROM_PLAN * float(np.hypot(mic.plus_minus_m * 3**0.5, np.linalg.norm(sigma))) and away > FAR_M:
            return (
                f"it is {away:.1f} m from where the scene has it: measure one distance to it with a tape, "
                "or leave its 'at' out"
            )
    return None


def _reason(sigma: Floats, *, mirrored: bool, flat: bool) -> str | None:
    if mirrored:
        where = "beyond the plane in which all hits lie" if flat else "elsewhere in the room"
        return f"a mirror place {where} explains the hits as well: add hits at a place off that plane"
    if float(np.linalg.norm(sigma)) > LOOSE_M:
        axis = ("to the left and right", "toward the front and back", "in height")[int(np.argmax(sigma))]
        return f"the hits leave it loose {axis}: add hits on its other sides"
    return None


def _used_hits(used: Sequence[tuple[str, Group]], best: Solution) -> tuple[UsedHits, ...]:
    return tuple(
        UsedHits(
            source,
            len(group.moments_s),
            int(np.isfinite(residual).sum()),
            int(stray.sum()),
            float(np.sqrt(np.nanmean(residual**2))) if np.isfinite(residual).any() else 0.0,
        )
        for (source, group), residual, stray in zip(used, best.residual_s, best.stray, strict=True)
    )


def _point(values: Floats) -> Point:
    x, y, z = values
    return (float(x), float(y), float(z))
