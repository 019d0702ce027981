"""How much do strong reflections comb the mics where their sources matter?

For each free mic, each source it is on, and each surface: the first-order image of the
source. A reflection is strong where it ripples the sum as much as the three-to-one rule forbids (9.54 dB down or
less, against the direct sound at that mic, pattern included). Its first notch 1/(2 delay) should fall outside the
source's range; one octave inside, or more, counts in full. Image sources: Allen and Berkley 1979.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.acoustics.panels import PanelFrame, mirror, panel_frame
from micalign.acoustics.placing.geometry import Ears, indices, lengths_m
from micalign.acoustics.reflections import image_sources
from micalign.acoustics.spacing import BLEED_DB
from micalign.arrays import Bools, Floats, Ints
from micalign.scene.model import Mic, Point, Scene, Source
from micalign.units import db_from_amplitude

__all__ = ["WORKS_HZ", "Combs"]

WORKS_HZ: Final = (50.0, 10_000.0)
"""Where a source matters of which the scene does not say it (common practice, no source)."""
_LOWEST_HZ: Final = 20.0


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
class Combs:
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

    def part(self, chosen: Bools) -> Combs:
        """The cases of the chosen mics, shape (M,)."""
        kept = chosen[self.mic]
        row = np.cumsum(kept) - 1
        return Combs(
            self.mic[kept],
            self.source_m[kept],
            self.image_m[kept],
            self.kept[kept],
            self.range_hz[kept],
            self.share[kept],
            tuple((frame, row[rows[kept[rows]]]) for frame, rows in self.panels),
            self.speed_m_s,
        )

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
            struck[:, rows] = _by_panel(frame, self.source_m[rows], positions[:, self.mic[rows]])
        return struck


def _by_panel(frame: PanelFrame, source_m: Floats, mic_m: Floats) -> Bools:
    """As `micalign.acoustics.panels.strikes`, case by case: (Q, 3) and (N, Q, 3) to (N, Q)."""
    above_source = (source_m - frame.centre) @ frame.normal
    above_mic = (mic_m - frame.centre) @ frame.normal
    same_side = above_source * above_mic > 1e-12
    way = np.where(same_side, above_source + above_mic, 1.0)
    point = source_m + (above_source / way)[..., None] * (mic_m - source_m) - frame.centre
    across, along = np.abs(point @ frame.across), np.abs(point @ frame.along)
    struck: Bools = same_side & (across <= frame.half[0]) & (along <= frame.half[1])
    return struck


def _cases(scene: Scene) -> Iterator[_Case]:
    frames = [(panel_frame(panel), float(np.sqrt(1.0 - panel.absorption))) for panel in scene.panels]
    for row, mic in enumerate(scene.mics):
        heard = [source for source in _sources(scene, mic) if mic.may_move]
        for source in heard:
            at, wanted = source.position, _wanted(source)
            images = image_sources(scene.room, at) if scene.room else ()
            for image in images:
                yield _Case(row, at, image.position, image.gain, wanted, 1.0 / len(heard))
            for frame, kept in frames:
                x, y, z = mirror(frame, np.array(at)).tolist()
                yield _Case(row, at, (x, y, z), kept, wanted, 1.0 / len(heard), frame)


def _sources(scene: Scene, mic: Mic) -> Iterator[Source]:
    """What the mic is on."""
    for name in mic.on:
        yield scene.source(name)


def _wanted(source: Source) -> tuple[float, float]:
    """Where a source matters; where the scene does not say, as the rules take it."""
    low, high = source.range_hz or WORKS_HZ
    return max(low, _LOWEST_HZ), high
