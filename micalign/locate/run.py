"""Where do the mics of a scene stand, as its take tells it?

The sources of the scene are the known points: drums that were tapped, marks at which somebody clapped. Each group of
hits (`micalign.delay.hearing`) is given its source: by the places the scene plans for the mics where these explain
the hits, else by the order of the scene's sources, in which they are then taken to have been hit.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from micalign.acoustics.air import speed_of_sound_in
from micalign.arrays import Floats
from micalign.delay.hearing import Group, groups_of
from micalign.errors import SceneError, TakeError
from micalign.locate.layout import further_hits, is_flat, refusal
from micalign.locate.model import LocatedMic, Location, UsedHits
from micalign.locate.multilateration import HitArrivals, Solution, solutions
from micalign.scene.model import Mic, Point, Scene
from micalign.take.model import Take

__all__ = ["arrivals_of", "locate", "located"]

_LEAST_SIGMA_S: Final = 7e-6
"""No delay is trusted further: a drum is no point, and its sound no single instant (common practice, no source)."""

_LOOSE_M: Final = 0.10
"""A place less certain than this is not to be acted on."""

_PLAN_SIGMA_S: Final = 1e-3
_PLAN_LIMIT_S: Final = 2e-3
_REACH_M: Final = 4.0


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
    used = _labelled(scene, mics, groups)
    heard = arrivals_of(scene, used, len(mics))
    why = refusal(heard, tuple(mic.name for mic in mics))
    if why is not None:
        raise TakeError(why)
    low_m, high_m = _box(scene, heard)
    found = solutions(heard, low_m, high_m, starts=starts, seed=seed)
    inside = [one for one in found if _is_inside(one, low_m, high_m)] or list(found[:1])
    best = _nearest_to_plan(inside, mics)
    flat = is_flat(heard.points_m)
    placed = tuple(_placed(index, mic, best, inside, flat=flat) for index, mic in enumerate(mics))
    return Location(placed, _used_hits(used, best), further_hits(heard, best, low_m, high_m))


def arrivals_of(scene: Scene, used: Sequence[tuple[str, Group]], mics: int) -> HitArrivals:
    """Groups with their sources as arrivals."""
    sources = [scene.source(name) for name, _ in used]
    times_s, sigma_s = np.full((len(used), mics), np.nan), np.full((len(used), mics), np.nan)
    for row, (_, group) in enumerate(used):
        for column, one in enumerate(group.heard):
            if column == group.reference or one.reliable:
                times_s[row, column] = one.delay_s
                sigma_s[row, column] = np.hypot(one.uncertainty_s, _LEAST_SIGMA_S)
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


def _labelled(scene: Scene, mics: Sequence[Mic], groups: Sequence[Group]) -> list[tuple[str, Group]]:
    """Each group with its source."""
    if not scene.sources:
        raise SceneError("the scene has no source: add each point at which you clap or tap as a [[source]]")
    if all(mic.is_placed for mic in mics):
        by_plan = _by_plan(scene, mics, groups)
        if by_plan is not None:
            return by_plan
    turns = _turns(groups)
    if len(turns) == len(scene.sources):
        return [(source.name, group) for source, group in zip(scene.sources, turns, strict=True)]
    raise TakeError(
        f"{len(turns)} places were heard but the scene has {len(scene.sources)} sources: hit each source a few times, "
        "one after the other in the order of the scene, or write into the scene about where each mic stands"
    )


def _by_plan(scene: Scene, mics: Sequence[Mic], groups: Sequence[Group]) -> list[tuple[str, Group]] | None:
    """Sources by the planned places; None where these leave too much unexplained."""
    from scipy.optimize import linear_sum_assignment  # noqa: PLC0415 - only a location needs it

    speed = speed_of_sound_in(scene.air)
    points = np.array([source.position for source in scene.sources])
    places = np.array([mic.position for mic in mics])
    planned_s = np.linalg.norm(points[:, None] - places[None], axis=2) / speed
    cost = np.array([[_misfit(group, row) for row in planned_s] for group in groups])
    first, second = linear_sum_assignment(cost)
    if np.median(cost[first, second]) > _PLAN_LIMIT_S / _PLAN_SIGMA_S:
        return None
    paired = [(int(s), int(g)) for g, s in zip(first, second, strict=True)]
    kept = sorted((s, g) for s, g in paired if cost[g, s] < 2 * _PLAN_LIMIT_S / _PLAN_SIGMA_S)
    return [(scene.sources[s].name, groups[g]) for s, g in kept]


def _misfit(group: Group, planned_s: Floats) -> float:
    """How far a group is from a source's planned differences, in units of a millisecond: a mean that strays cap."""
    usable = [index for index, one in enumerate(group.heard) if index == group.reference or one.reliable]
    away = np.array([group.heard[index].delay_s - planned_s[index] for index in usable])
    return float(np.minimum(np.abs(away - np.median(away)) / _PLAN_SIGMA_S, 10.0).mean())


def _turns(groups: Sequence[Group]) -> list[Group]:
    """Groups in the order of their turns; one whose hits fall into a larger one's turn is a stray and left out."""
    spans = [(min(group.moments_s), max(group.moments_s)) for group in groups]
    kept: list[int] = []
    for index in sorted(range(len(groups)), key=lambda i: -len(groups[i].moments_s)):
        begin, end = spans[index]
        if all(end < spans[other][0] or begin > spans[other][1] for other in kept):
            kept.append(index)
    return [groups[index] for index in sorted(kept, key=lambda i: spans[i])]


def _box(scene: Scene, heard: HitArrivals) -> tuple[Floats, Floats]:
    """Where mics may stand: the room, or some metres round the hits and above the floor."""
    if scene.room is not None:
        return np.zeros(3), np.array(scene.room.size)
    low_m = heard.points_m.min(axis=0) - _REACH_M
    high_m = heard.points_m.max(axis=0) + _REACH_M
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


def _placed(index: int, mic: Mic, best: Solution, allowed: Sequence[Solution], *, flat: bool) -> LocatedMic:
    at = best.mics_m[index]
    sigma = np.sqrt(np.diag(best.covariance_m2)).reshape(-1, 3)[index]
    others = [one.mics_m[index] for one in allowed if np.linalg.norm(one.mics_m[index] - at) > 0.05]
    planned = mic.position if mic.is_placed else None
    reason = _reason(sigma, mirrored=bool(others), flat=flat)
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


def _reason(sigma: Floats, *, mirrored: bool, flat: bool) -> str | None:
    if mirrored:
        where = "beyond the plane in which all hits lie" if flat else "elsewhere in the room"
        return f"a mirror place {where} explains the hits as well: add hits at a place off that plane"
    if float(np.linalg.norm(sigma)) > _LOOSE_M:
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
