"""What does a scene ask of its free mics? All limits and terms as one problem, with what the rules warn of among them.

The *cost* is a weighted sum of terms plus a heavy charge for every pair out of its tolerance and every hard limit that
is broken; lower is better, 0 is all that is wanted without moving a stand. ``variables`` are the coordinates that may
change, shape (N, V) for N layouts: those of the free mics whose range has a width.

What a move could mend of what the rules warn of are terms here: combs by reflections and between mics, nulls of modes.
Their limits are those of the rules on combs, late copies and mode nulls (`micalign.findings`), so that what is warned
of is charged. Every term's ``cost`` takes N layouts, shape (N, M, 3), and gives shape (N,).

Combs by reflections: for each free mic, each source it is on, and each surface, the first-order image of the source. A
reflection is strong where it ripples the sum as much as the three-to-one rule forbids (9.54 dB down or less, against
the direct sound at that mic, pattern included). Its first notch 1/(2 delay) should fall outside the source's range;
one octave inside, or more, counts in full. Image sources: Allen and Berkley 1979.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final, Self

import numpy as np

from micalign.acoustics.arrivals import speed_of_sound_in
from micalign.acoustics.placement_terms import (
    AimTerm,
    Cases,
    DistanceTerm,
    Ears,
    Equality,
    Limits,
    SpacingTerm,
    StereoTerm,
    indices,
    lengths_m,
)
from micalign.acoustics.room import (
    PanelFrame,
    critical_distance_m,
    image_sources,
    mirror,
    mode_strengths,
    modes,
    panel_frame,
    reverberation_s,
    strikes,
)
from micalign.acoustics.tuned import (
    BARE_MOVE,
    BLEED_DB,
    BROKEN_PER_M,
    COMB_UNIT_M,
    COMB_WITHIN_DB,
    EXCITED,
    LATE_S,
    LATE_UNIT_M,
    LOWEST,
    MOVE_UNIT_M,
    NOTCH_SPARE,
    NULL_KEPT,
    OUT_OF_TOLERANCE,
    SECOND_HIT_KEPT_DB,
    SHARED_M,
    WORKS_HZ,
)
from micalign.arrays import Bools, Floats, Ints
from micalign.scene.model import PlaceWeights, Point, Source
from micalign.scene.scene import Scene
from micalign.units import db_from_amplitude

__all__ = ["Combs", "NullsTerm", "Problem", "SharedTerm"]

_LOWEST_HZ: Final = 20.0
"""Hertz: nothing below is heard."""


@dataclass(frozen=True, slots=True)
class _Case:
    mic: int
    source_m: Point
    image_m: Point
    kept: float
    range_hz: tuple[float, float]
    share: float
    frame: PanelFrame | None = None


@dataclass(frozen=True, eq=False)
class Combs(Cases):
    """The cases, Q of them; ``share`` is one over the number of sources of the mic, ``panels`` the struck faces."""

    mic: Ints
    source_m: Floats
    image_m: Floats
    kept: Floats
    range_hz: Floats
    share: Floats
    panels: tuple[tuple[PanelFrame, Ints], ...]
    speed_m_s: float

    @classmethod
    def of(cls, scene: Scene, speed_m_s: float) -> Combs:
        """The cases of a scene."""
        cases = list(_cases(scene))
        frames = dict.fromkeys(case.frame for case in cases if case.frame is not None)
        return cls(
            indices([case.mic for case in cases]),
            np.array([case.source_m for case in cases], dtype=float).reshape(-1, 3),
            np.array([case.image_m for case in cases], dtype=float).reshape(-1, 3),
            np.array([case.kept for case in cases], dtype=float),
            np.array([case.range_hz for case in cases], dtype=float).reshape(-1, 2),
            np.array([case.share for case in cases], dtype=float),
            tuple((frame, indices([row for row, case in enumerate(cases) if case.frame is frame])) for frame in frames),
            speed_m_s,
        )

    def part(self, chosen: Bools) -> Self:
        """The cases of the chosen mics, shape (M,); the rows that a panel has are counted anew."""
        kept = chosen[self.mic]
        row = np.cumsum(kept) - 1
        return replace(super().part(chosen), panels=tuple((at, row[rows[kept[rows]]]) for at, rows in self.panels))

    def cost(self, positions: Floats, ears: Ears, axes: Floats) -> Floats:
        """Squares of strength times depth in the range, the mean over a mic's sources: (N, M, 3) to (N,)."""
        if not len(self.mic):
            return np.zeros(len(positions))
        missed = self._strength(positions, ears, axes) * self._depth(positions)
        cost: Floats = (missed**2 * self.share).sum(axis=1)
        return cost

    def _strength(self, positions: Floats, ears: Ears, axes: Floats) -> Floats:
        """0 at 9.54 dB below the direct sound, 1 where both are equally strong."""
        direct = ears.amplitude(positions, axes, self.mic, self.source_m)
        later = ears.amplitude(positions, axes, self.mic, self.image_m) * self.kept
        level = db_from_amplitude(np.maximum(later, 1e-12) / np.maximum(direct, 1e-12))
        return np.clip(level / BLEED_DB + 1.0, 0.0, 2.0) * self._struck(positions)

    def _depth(self, positions: Floats) -> Floats:
        """Octaves by which the first notch lies inside the range, 1 at most."""
        heard = positions[:, self.mic]
        later_m = np.maximum(lengths_m(self.image_m - heard) - lengths_m(self.source_m - heard), 1e-6)
        notch = self.speed_m_s / (2.0 * later_m)
        inside = np.minimum(notch / self.range_hz[:, 0], self.range_hz[:, 1] / notch)
        return np.clip(np.log2(inside), 0.0, 1.0)

    def _struck(self, positions: Floats) -> Bools:
        """Whether a panel throws the source to the mic; walls always do."""
        struck = np.ones((len(positions), len(self.mic)), dtype=bool)
        for frame, rows in self.panels:
            struck[:, rows] = strikes(frame, self.source_m[rows], positions[:, self.mic[rows]])
        return struck


def _cases(scene: Scene) -> Iterator[_Case]:
    frames = [(panel_frame(panel), float(np.sqrt(1.0 - panel.absorption))) for panel in scene.panels]
    for row, mic in enumerate(scene.mics):
        heard = [scene.source(name) for name in mic.on if mic.may_move]
        for source in heard:
            at, wanted = source.position, _wanted(source)
            images = image_sources(scene.room, at) if scene.room else ()
            for image in images:
                yield _Case(row, at, image.position, image.gain, wanted, 1.0 / len(heard))
            for frame, kept in frames:
                x, y, z = mirror(frame, np.array(at)).tolist()
                yield _Case(row, at, (x, y, z), kept, wanted, 1.0 / len(heard), frame)


def _wanted(source: Source) -> tuple[float, float]:
    """Where a source matters; where the scene does not say, as the rules take it."""
    low, high = source.range_hz or WORKS_HZ
    return max(low, _LOWEST_HZ), high


@dataclass(frozen=True, eq=False)
class SharedTerm(Cases):
    """Each source and two mics on it that form no pair.

    ``free_m`` of way between them does no harm, ``within_db`` is how near in level they must be for more of it to be
    heard, ``unit_m`` is one unit of it: of close mics a comb, of mics far apart a second hit.
    """

    MICS = ("first", "second")
    first: Ints
    second: Ints
    source_m: Floats
    gain_db: Floats
    free_m: Floats
    within_db: Floats
    unit_m: Floats

    @classmethod
    def of(cls, scene: Scene, speed_m_s: float) -> SharedTerm:
        """The cases of a scene of which a mic may move."""
        cases = list(_shared(scene, speed_m_s))
        limits = np.array([case[3] for case in cases], dtype=float).reshape(-1, 3)
        return cls(
            indices([case[0] for case in cases]),
            indices([case[1] for case in cases]),
            np.array([case[2].position for case in cases], dtype=float).reshape(-1, 3),
            np.array([scene.mics[case[1]].gain_db - scene.mics[case[0]].gain_db for case in cases], dtype=float),
            *limits.T,
        )

    def cost(self, positions: Floats, ears: Ears, axes: Floats) -> Floats:
        """What the way is too long by, where both are near enough in level in the blend."""
        if not len(self.first):
            return np.zeros(len(positions))
        ways = [lengths_m(positions[:, mic] - self.source_m) for mic in (self.first, self.second)]
        loud = [ears.amplitude(positions, axes, mic, self.source_m) for mic in (self.first, self.second)]
        apart_db = np.abs(db_from_amplitude(loud[1] / np.maximum(loud[0], 1e-9)) + self.gain_db)
        heard = np.clip(self.within_db - apart_db, 0.0, 1.0)
        missed = np.maximum(np.abs(ways[1] - ways[0]) - self.free_m, 0.0) / self.unit_m
        # Square while it is small, then in proportion, so that no single case outweighs all others.
        cost: Floats = (2 * (np.sqrt(1 + missed**2) - 1) * heard).sum(axis=1)
        return cost


def _shared(scene: Scene, speed_m_s: float) -> Iterator[tuple[int, int, Source, tuple[float, float, float]]]:
    """Two mics, a source, and the limits that hold for them."""
    together = {frozenset(pair.mics) for pair in scene.pairs}
    for row, mic in enumerate(scene.mics):
        for column, other in enumerate(scene.mics[:row]):
            if not (mic.may_move or other.may_move) or frozenset((mic.name, other.name)) in together:
                continue
            for source in scene.sources:
                if source.name in mic.on and source.name in other.on:
                    close = max(source.metres_to(one) for one in (mic, other)) <= SHARED_M
                    without_notch = NOTCH_SPARE * speed_m_s / (2 * (source.range_hz or WORKS_HZ)[1])
                    comb = (without_notch, COMB_WITHIN_DB, COMB_UNIT_M)
                    yield column, row, source, comb if close else (LATE_S * speed_m_s, SECOND_HIT_KEPT_DB, LATE_UNIT_M)


@dataclass(frozen=True, eq=False)
class NullsTerm(Cases):
    """Each free mic beyond the critical distance of a source, and the low modes that this excites and needs."""

    mic: Ints
    order: Ints
    size_m: Point

    @classmethod
    def of(cls, scene: Scene, speed_m_s: float) -> NullsTerm:
        """The cases of a scene."""
        cases = list(dict.fromkeys(_missed_modes(scene, speed_m_s)))
        size = scene.room.size if scene.room else (1.0, 1.0, 1.0)
        order = np.array([case[1] for case in cases], dtype=np.intp).reshape(-1, 3)
        return cls(indices([case[0] for case in cases]), order, size)

    def cost(self, positions: Floats) -> Floats:
        """Squares of what each mode is missed by: 1 in a null, 0 from where the rule is silent."""
        phase = np.pi * positions[:, self.mic] * self.order / np.array(self.size_m)
        strength = np.abs(np.prod(np.cos(phase), axis=-1))
        cost: Floats = (np.clip(1.0 - strength / NULL_KEPT, 0.0, 1.0) ** 2).sum(axis=1)
        return cost


def _missed_modes(scene: Scene, speed_m_s: float) -> Iterator[tuple[int, tuple[int, int, int]]]:
    room = scene.room
    if room is None or reverberation_s(room, speed_m_s)[0] is None:
        return
    lowest, critical = modes(room.size, speed_m_s)[:LOWEST], critical_distance_m(room)
    for row, mic in enumerate(scene.mics):
        for source in scene.sources if mic.may_move else ():
            if source.name not in mic.on or source.range_hz is None or source.metres_to(mic) < critical:
                continue
            strength = mode_strengths(room.size, lowest, np.array([source.position]))[0]
            for mode, excited in zip(lowest, strength.tolist(), strict=True):
                if excited > EXCITED and source.range_hz[0] <= mode.hz <= source.range_hz[1]:
                    yield row, mode.order


@dataclass(frozen=True, eq=False)
class Problem:
    """Everything that placement needs of a scene, as arrays."""

    start_m: Floats
    limits: Limits
    ears: Ears
    equality: Equality
    distance: DistanceTerm
    spacing: SpacingTerm
    combs: Combs
    stereo: StereoTerm
    shared: SharedTerm
    nulls: NullsTerm
    aims: AimTerm
    weights: PlaceWeights
    held: Bools

    @classmethod
    def of(cls, scene: Scene) -> Problem:
        """The problem of a scene whose positions are all known."""
        speed = speed_of_sound_in(scene.air)
        limits = Limits.of(scene)
        return cls(
            start_m=np.array([mic.position for mic in scene.mics], dtype=float).reshape(-1, 3),
            limits=limits,
            ears=Ears.of(scene),
            equality=Equality.of(scene, speed),
            distance=DistanceTerm.of(scene),
            spacing=SpacingTerm.of(scene),
            combs=Combs.of(scene, speed),
            stereo=StereoTerm.of(scene),
            shared=SharedTerm.of(scene, speed),
            nulls=NullsTerm.of(scene, speed),
            aims=AimTerm.of(scene),
            weights=scene.place.weights,
            held=np.zeros(len(limits.free), dtype=bool),
        )

    def part(self, rows: tuple[int, ...], free_m: Floats) -> Problem:
        """The same for some of the free mics alone, the others fixed where ``free_m``, shape (F, 3), has them."""
        limits = self.limits.part(rows)
        chosen = np.zeros(len(self.start_m), dtype=bool)
        chosen[limits.free] = True
        return replace(
            self,
            start_m=self.positions(free_m[None])[0],
            limits=limits,
            equality=self.equality.part(chosen),
            **self._terms_of(chosen),
            held=self.held[list(rows)],
        )

    def _terms_of(self, chosen: Bools) -> dict[str, Any]:
        """The terms without the cases in which no chosen mic, shape (M,), has a part."""
        names = ("distance", "spacing", "combs", "stereo", "shared", "nulls", "aims")
        return {name: getattr(self, name).part(chosen) for name in names}

    def tighter(self, by_m: float) -> Problem:
        """The same with tolerances that are narrower by so many metres of sound travel, by half at most."""
        tolerance = self.equality.tolerance_m
        narrower = np.maximum(tolerance - by_m, tolerance / 2)
        return replace(self, equality=replace(self.equality, tolerance_m=narrower))

    def bare(self) -> Problem:
        """The same without terms, but for a slight one for short moves: what is allowed at all?"""
        none = np.zeros(len(self.start_m), dtype=bool)
        return replace(
            self,
            **self._terms_of(none),
            weights=PlaceWeights(0.0, 0.0, 0.0, 0.0, 0.0, BARE_MOVE),
        )

    @cached_property
    def varies(self) -> Bools:
        """Which coordinates of the free mics are variables, shape (F, 3)."""
        width: Bools = self.limits.high_m - self.limits.low_m > 1e-9
        return width & ~self.held[:, None]

    @cached_property
    def base_m(self) -> Floats:
        """Where the free mics stand before any variable is set, shape (F, 3): at the start, inside the ranges."""
        limits = self.limits
        inside = np.clip(limits.start_m, limits.low_m, np.maximum(limits.low_m, limits.high_m))
        return np.where(self.held[:, None], limits.start_m, inside)

    @property
    def low(self) -> Floats:
        """Least values of the variables, shape (V,)."""
        return self.limits.low_m[self.varies]

    @property
    def high(self) -> Floats:
        """Greatest values of the variables, shape (V,)."""
        return self.limits.high_m[self.varies]

    def free_m(self, variables: Floats) -> Floats:
        """Places of the free mics: (N, V) to (N, F, 3)."""
        points = np.repeat(self.base_m[None], len(variables), axis=0)
        points[:, self.varies] = variables
        return points

    def positions(self, free_m: Floats) -> Floats:
        """Places of all mics: (N, F, 3) to (N, M, 3)."""
        every = np.repeat(self.start_m[None], len(free_m), axis=0)
        every[:, self.limits.free] = free_m
        return every

    def terms(self, free_m: Floats, *, smooth_m: float = 0.0) -> dict[str, Floats]:
        """The weighted cost of each term, shape (N,) each.

        ``smooth_m`` rounds the corner of the move's cost at the start, for descents that need a slope there.
        """
        positions, weights = self.positions(free_m), self.weights
        axes = self.ears.axes(positions)
        missed = self.equality.differences_m(positions) / self.equality.tolerance_m
        move = np.sqrt(((free_m - self.limits.start_m) ** 2).sum(axis=-1) + smooth_m**2) - smooth_m
        return {
            "equal": weights.equal * (missed**2).sum(axis=1),
            "distance": weights.distance * self.distance.cost(positions),
            "spacing": weights.spacing
            * (self.spacing.cost(positions, self.ears, axes) + self.shared.cost(positions, self.ears, axes)),
            "reflections": weights.reflections
            * (self.combs.cost(positions, self.ears, axes) + self.nulls.cost(positions)),
            "stereo": weights.stereo * (self.stereo.cost(positions, axes) + self.aims.cost(positions, self.ears, axes)),
            "move": weights.move * move.sum(axis=1) / MOVE_UNIT_M,
        }

    def charges(self, free_m: Floats, *, spare_m: float = 0.0) -> Floats:
        """The charge for pairs out of tolerance and for broken limits, shape (N,); 0 where all is allowed."""
        excess = self.equality.excess(self.positions(free_m))
        first, second = OUT_OF_TOLERANCE
        charge: Floats = (first * excess + second * excess**2).sum(axis=1)
        charge += BROKEN_PER_M * self.limits.broken_m(free_m, spare_m=spare_m).sum(axis=1)
        return charge

    def cost(self, free_m: Floats) -> Floats:
        """Terms and charges together, shape (N,)."""
        total: Floats = sum(self.terms(free_m).values(), self.charges(free_m))
        return total

    def is_feasible(self, free_m: Floats) -> bool:
        """Whether one layout, shape (F, 3), keeps every hard limit and every pair within its tolerance."""
        return not self.limits.broken_m(free_m[None]).any() and self.equality.holds(self.positions(free_m[None]))
