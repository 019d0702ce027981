"""What do the rules warn of that a move could mend: combs by reflections and between mics, nulls of modes, aims?

The limits are those of the rules on combs, late copies, mode nulls, aims and rear lobes (`micalign.findings`), so that
what is warned of is charged. Every ``cost`` takes N layouts, shape (N, M, 3), and gives shape (N,).

Combs by reflections: for each free mic, each source it is on, and each surface, the first-order image of the source. A
reflection is strong where it ripples the sum as much as the three-to-one rule forbids (9.54 dB down or less, against
the direct sound at that mic, pattern included). Its first notch 1/(2 delay) should fall outside the source's range;
one octave inside, or more, counts in full. Image sources: Allen and Berkley 1979.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np

from micalign.acoustics.placement_terms import Cases, Ears, indices, lengths_m
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
    AHEAD_KEPT,
    AHEAD_UNIT,
    BLEED_DB,
    CLEARLY,
    COMB_UNIT_M,
    COMB_WITHIN_DB,
    EXCITED,
    LATE_S,
    LATE_UNIT_M,
    LOWEST,
    NOTCH_SPARE,
    NULL_KEPT,
    SECOND_HIT_KEPT_DB,
    SHARED_M,
    WORKS_HZ,
)
from micalign.arrays import Bools, Floats, Ints
from micalign.scene.model import Pair, Scene, Source
from micalign.scene.surroundings import Point
from micalign.units import db_from_amplitude

__all__ = [
    "AimTerm",
    "Combs",
    "NullsTerm",
    "SharedTerm",
]

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
class AimTerm(Cases):
    """Each free mic with a direction and each source it is on: heard near its axis, and not with its rear lobe.

    Of a pair it is enough that one of the two (``mic`` or ``partner``) hears the source near its axis; both are to
    hear it in one polarity. A mic without a partner is its own.
    """

    MICS = ("mic", "partner")
    mic: Ints
    partner: Ints
    source_m: Floats

    @classmethod
    def of(cls, scene: Scene) -> AimTerm:
        """The cases of a scene of which a mic may move."""
        row = {mic.name: index for index, mic in enumerate(scene.mics)}
        pairs = [pair.mics for pair in scene.pairs if not _is_mid_side(scene, pair)]
        partner = {name: other for mics in pairs for name, other in (mics, mics[::-1])}
        cases = [
            (row[mic.name], row[partner.get(mic.name, mic.name)], scene.source(name).position)
            for mic in scene.mics
            for name in mic.on
            if any(one.may_move and one.aim is not None for one in (mic, scene.mic(partner.get(mic.name, mic.name))))
        ]
        points = np.array([case[2] for case in cases], dtype=float).reshape(-1, 3)
        return cls(indices([case[0] for case in cases]), indices([case[1] for case in cases]), points)

    def cost(self, positions: Floats, ears: Ears, axes: Floats) -> Floats:
        """Squares of what is missed, in quarters of the axis; a source in opposite polarities misses all of both."""
        if not len(self.mic):
            return np.zeros(len(positions))
        own, other = (ears.gain(positions, axes, mic, self.source_m) for mic in (self.mic, self.partner))
        best = np.where(self.mic == self.partner, own, np.maximum(np.abs(own), np.abs(other)))
        away = np.maximum(AHEAD_KEPT - best, 0.0)
        alike = np.minimum(np.abs(own), np.abs(other)) * np.sign(own * other)
        opposite = np.where(self.mic == self.partner, 0.0, np.maximum(CLEARLY - alike, 0.0))
        cost: Floats = ((away + opposite) ** 2).sum(axis=1) / AHEAD_UNIT**2
        return cost


def _is_mid_side(scene: Scene, pair: Pair) -> bool:
    """A figure-8 beside another pattern hears sideways on purpose, and inverted on one side."""
    patterns = {scene.mic(name).pattern for name in pair.mics}
    return len(patterns) == 2 and "figure-8" in patterns


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
