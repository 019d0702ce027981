"""Where do the mics of a scene stand, by its take?

The sources of the scene are the known points: drums that were tapped, marks at which somebody clapped. Each group of
hits (`micalign.compare.groups`) is given its source in more than one way; what leaves least open is kept. The answer
is each mic's place with its uncertainty, each hit's part in it, and what would fix the rest.

Which group is which source's, `micalign.compare.labelling` proposes in more than one way; the one is kept that leaves
least unexplained. Where more is left than chance leaves, each way that differs from it by one step is tried from its
places: two hits that are alike from a plan that is 30 cm off are swapped by it, and the places bend to fit.

A place is reliable where nothing speaks against it: neither the plan, nor the room, nor what is left over, which is
held against what the scene and the take say that it may be (chi-square).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from micalign.acoustics.arrivals import speed_of_sound_in
from micalign.arrays import Floats
from micalign.compare.groups import Group, groups_of
from micalign.compare.labelling import Labelling, labellings, merged, one_step_off, relabelled
from micalign.compare.multilateration import HitArrivals, Solution, further_hits, is_flat, refined, refusal, solutions
from micalign.compare.tuned import (
    CHECKED_CHANCE,
    FAR_M,
    LEAST_LEFT_CHANCE,
    LEAST_STEP,
    LOOSE_M,
    MOST_STEPS,
    MOST_STRAYS,
    MOST_STRAYS_TO_SPARE,
    OUTSIDE_COST,
    PLAN_COST,
    REACH_M,
    STRAY_COST,
)
from micalign.errors import TakeError
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
    groups = merged(groups)
    stage = _Stage(scene, mics, groups, starts, seed)
    tried, reasons = [], []
    for used in labellings(scene, mics, groups):
        why = stage.refused(used)
        if why is None:
            tried.append(stage.tried(used))
        else:
            reasons.append(why)
    if not tried:
        raise TakeError(reasons[0])
    best = min(tried, key=lambda one: one.unexplained)
    again = relabelled(scene, groups, best.solution.mics_m)
    if again != best.used and stage.refused(again) is None:
        best = min(best, stage.tried(again), key=lambda one: one.unexplained)
    best = _stepped(stage, best)
    low_m, high_m = _box(scene, best.heard)
    placed = tuple(_placed(index, mic, best, low_m, high_m) for index, mic in enumerate(mics))
    return Location(
        placed, _used_hits(best.used, best.solution), further_hits(best.heard, best.solution, low_m, high_m)
    )


@dataclass(frozen=True, eq=False)
class _Tried:
    """The groups with the sources they were taken for, and what follows; ``unexplained`` is the chi-square with every
    arrival that is left out at what a stray costs, and how far the plan is off.
    """

    used: Labelling
    heard: HitArrivals
    solution: Solution
    allowed: tuple[Solution, ...]
    is_inside: bool
    unexplained: float
    strays: int


def _stepped(stage: _Stage, best: _Tried) -> _Tried:
    """What steps from a labelling lead to that leaves more than chance does: the best of each round, while it helps."""
    first = best
    for _ in range(MOST_STEPS):
        if best.solution.chance > CHECKED_CHANCE and best.strays == 0:
            break
        ways = one_step_off(stage.scene, stage.groups, best.used)
        steps = [stage.from_places(used, best.solution.mics_m) for used in ways if stage.refused(used) is None]
        nearest = min(steps, key=lambda one: one.unexplained, default=best)
        if nearest.unexplained > best.unexplained - LEAST_STEP:
            break
        best = nearest
    if best is first:
        return best
    whole = stage.tried(best.used)  # from all starts: what else the hits allow
    return whole if whole.unexplained < best.unexplained + LEAST_STEP else best


@dataclass(frozen=True, eq=False)
class _Stage:
    """A scene, its mics, the groups that they heard, and from how many places, of which seed, a search begins."""

    scene: Scene
    mics: Sequence[Mic]
    groups: Sequence[Group]
    starts: int
    seed: int

    def refused(self, used: Labelling) -> str | None:
        """Why hits that belong together so cannot fix the mics."""
        return refusal(_arrivals_of(self.scene, used, len(self.mics)), tuple(mic.name for mic in self.mics))

    def tried(self, used: Labelling) -> _Tried:
        """What follows from a labelling: every place that it allows."""
        heard = _arrivals_of(self.scene, used, len(self.mics))
        low_m, high_m = _box(self.scene, heard)
        return self._weighed(used, heard, solutions(heard, low_m, high_m, starts=self.starts, seed=self.seed))

    def from_places(self, used: Labelling, mics_m: Floats) -> _Tried:
        """What follows from a labelling next to places that are known, shape (M, 3)."""
        heard = _arrivals_of(self.scene, used, len(self.mics))
        return self._weighed(used, heard, (refined(heard, mics_m),))

    def _weighed(self, used: Labelling, heard: HitArrivals, found: Sequence[Solution]) -> _Tried:
        low_m, high_m = _box(self.scene, heard)
        inside = tuple(one for one in found if _is_inside(one, low_m, high_m))
        best = _nearest_to_plan(inside or found[:1], self.mics)
        known = int(np.isfinite(heard.times_s).sum())
        left_out = sum(_usable(group) for group in self.groups) - known + int(best.stray.sum())
        unexplained = best.chi_square + STRAY_COST * left_out + _off_plan(best, self.mics)
        kept = (np.isfinite(heard.times_s) & ~best.stray).sum(axis=1)
        strays = known - int(kept[kept > 1].sum())  # of a hit that but one mic hears well nothing is used
        if not inside:
            unexplained += OUTSIDE_COST
        return _Tried(used, heard, best, inside or tuple(found[:1]), bool(inside), unexplained, strays)


def _off_plan(found: Solution, mics: Sequence[Mic]) -> float:
    """How far the mics are from where they are planned, chi-square; a stand that was carried away counts once."""
    return sum(min(_plan_misfit(*one), PLAN_COST) for one in zip(mics, found.mics_m, found.sigma_m, strict=True))


def _plan_misfit(mic: Mic, at: Floats, sigma: Floats) -> float:
    """How far a mic is from where it is planned, chi-square of its three coordinates; 0 where nothing is planned."""
    if not mic.is_placed:
        return 0.0
    return float(((at - np.array(mic.position)) ** 2 / (mic.plus_minus_m**2 + sigma**2)).sum())


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
    slack = 3.0 * np.minimum(found.sigma_m, 0.1)
    return bool(np.all(found.mics_m > low_m - slack) and np.all(found.mics_m < high_m + slack))


def _nearest_to_plan(found: Sequence[Solution], mics: Sequence[Mic]) -> Solution:
    """The best solution; of mirror images that explain the hits alike, the one nearest to the plan."""
    if len(found) == 1 or not all(mic.is_placed for mic in mics):
        return found[0]
    places = np.array([mic.position for mic in mics])
    return min(found, key=lambda one: float(np.linalg.norm(one.mics_m - places, axis=1).sum()))


def _placed(index: int, mic: Mic, found: _Tried, low_m: Floats, high_m: Floats) -> LocatedMic:
    """A mic's place, held to the room: what lies beyond a wall by less than it may be off is at the wall."""
    at = np.clip(found.solution.mics_m[index], low_m, high_m)
    sigma = found.solution.sigma_m[index]
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
    share = found.strays / max(int(np.isfinite(found.heard.times_s).sum()), 1)
    if share > MOST_STRAYS or MOST_STRAYS_TO_SPARE * found.strays > max(found.solution.freedom, 1):
        return f"{share:.0%} of the arrivals fit no place and were left out: hit each point again, in the scene's order"
    if found.solution.chance < LEAST_LEFT_CHANCE:
        times = (found.solution.chi_square / found.solution.freedom) ** 0.5
        source = found.used[int(np.argmax(_left_sigmas(found)))][0]
        return (
            f"what is left over is {times:.1f} times what the scene and the take allow: check where '{source}' is and "
            "that it was hit in its turn, or hit each point again"
        )
    away = 0.0 if not mic.is_placed else float(np.linalg.norm(at - np.array(mic.position)))
    if _plan_misfit(mic, at, sigma) > PLAN_COST and away > FAR_M:
        return (
            f"it is {away:.1f} m from where the scene has it: measure one distance to it with a tape, "
            "or leave its 'at' out"
        )
    return None


def _left_sigmas(found: _Tried) -> Floats:
    """What is left over of each hit in units of what its arrivals are known to, shape (S,)."""
    left: Floats = np.nansum((found.solution.residual_s / found.heard.sigma_s) ** 2, axis=1)
    return left


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
