"""What does the room do to a sound: which modes does it have, how long does it ring?

Frequencies in hertz, times in seconds, volumes in cubic metres.

A box with hard walls. Sources: modes after Rayleigh, f = c/2 sqrt(sum (n/L)^2); reverberation after W. C. Sabine
(1922), T = 24 ln 10 / c V / A, and C. F. Eyring (J. Acoust. Soc. Am. 1, 217, 1930), A = -S ln(1 - mean absorption);
transition after M. R. Schroeder (J. Acoust. Soc. Am. 34, 1819, 1962; and 99, 3240, 1996), 2000 sqrt(T/V). Pile-ups and
gaps: O. J. Bonello (J. Audio Eng. Soc. 29(9), 1981: modes that coincide are borne only among five or more in a third of
an octave) and C. L. S. Gilford (1959: more than 20 Hz to both neighbours is heard by itself), both from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from typing import Final, Literal

import numpy as np

from micalign.acoustics.tuned import LOWEST, MODES_TO_HZ, MOST_ORDERS
from micalign.arrays import Floats
from micalign.scene.surroundings import Point, Room, Surface
from micalign.shown import Listing, Shown
from micalign.units import show_hz

__all__ = [
    "Gap",
    "Mode",
    "PileUp",
    "RoomFigures",
    "absorption_area_m2",
    "critical_distance_m",
    "gaps",
    "mode_strengths",
    "modes",
    "pile_ups",
    "reverberation_s",
    "room_figures",
    "surface_area_m2",
    "transition_hz",
]


_GAP_HZ: Final = 20.0
"""Hertz: modes farther apart than this on both sides are heard by themselves (C. L. S. Gilford 1959, from memory)."""
_CROWD: Final = 5
"""Modes in a third of an octave among which two that coincide are borne (O. J. Bonello 1981, from memory)."""


@dataclass(frozen=True, slots=True)
class Mode:
    """One standing wave: ``order`` counts its half waves along x, y and z."""

    hz: float
    order: tuple[int, int, int]

    @property
    def kind(self) -> Literal["axial", "tangential", "oblique"]:
        """Between two, four or six surfaces."""
        return ("axial", "tangential", "oblique")[sum(n > 0 for n in self.order) - 1]


@dataclass(frozen=True, slots=True)
class Gap:
    """Two neighbouring modes more than 20 Hz apart."""

    from_hz: float
    to_hz: float


@dataclass(frozen=True, slots=True)
class PileUp:
    """Modes that fall together, with fewer than five in their third of an octave."""

    hz: float
    orders: tuple[tuple[int, int, int], ...]


@dataclass(frozen=True, slots=True, repr=False)
class RoomFigures(Shown):
    """A room in figures.

    ``reverberation_s`` is Sabine's, ``eyring_s`` Eyring's; all three times and frequencies are None where nothing
    absorbs. ``strengths`` maps a mic's or source's name to the strength, 0 to 1, of each of the lowest ten modes
    where it stands (1 at a wall or corner of the wave, 0 in its null).
    """

    volume_m3: float
    modes: tuple[Mode, ...]
    reverberation_s: float | None
    eyring_s: float | None
    transition_hz: float | None
    critical_distance_m: float | None
    gaps: tuple[Gap, ...]
    pile_ups: tuple[PileUp, ...]
    strengths: dict[str, tuple[float, ...]]

    def _listing(self) -> Listing:
        ring = "" if self.reverberation_s is None else f", rings for {self.reverberation_s:.2f} s"
        turn = "" if self.transition_hz is None else f", single modes below {show_hz(self.transition_hz)}"
        rows = ((show_hz(mode.hz), mode.kind, " ".join(map(str, mode.order))) for mode in self.modes)
        return Listing(
            f"{self.volume_m3:.0f} m3{ring}{turn}", ("mode", "kind", "order"), rows, len(self.modes), words=3
        )


def room_figures(room: Room, places: dict[str, Point], speed_m_s: float) -> RoomFigures:
    """All figures of a room, with the strength of its lowest modes at each place."""
    figures = _wherever(room, speed_m_s)
    points = np.array(list(places.values()), dtype=float).reshape(-1, 3)
    strength = mode_strengths(room.size, figures.modes[:LOWEST], points)
    return replace(figures, strengths={name: tuple(row) for name, row in zip(places, strength.tolist(), strict=True)})


@lru_cache(maxsize=4)
def _wherever(room: Room, speed_m_s: float) -> RoomFigures:
    """What does not hang on where things stand: kept, for remedies move them dozens of times in one room."""
    found = modes(room.size, speed_m_s)
    sabine, eyring = reverberation_s(room, speed_m_s)
    turn = transition_hz(room, sabine) if sabine is not None else None
    return RoomFigures(
        float(np.prod(room.size)),
        found,
        sabine,
        eyring,
        turn,
        critical_distance_m(room) if sabine is not None else None,
        gaps(found, min(MODES_TO_HZ, turn or MODES_TO_HZ)),
        pile_ups(found),
        {},
    )


@lru_cache(maxsize=32)
def modes(size_m: Point, speed_m_s: float, *, upper_hz: float = MODES_TO_HZ) -> tuple[Mode, ...]:
    """The modes of a box up to ``upper_hz``, lowest first; in a huge hall to where some fifty thousand are listed.

    >>> [(round(mode.hz, 1), mode.order) for mode in modes((5.0, 4.0, 3.0), 343.0)[:3]]
    [(34.3, (1, 0, 0)), (42.9, (0, 1, 0)), (54.9, (1, 1, 0))]
    """
    while math.prod(2 * side * upper_hz / speed_m_s + 1 for side in size_m) > MOST_ORDERS:
        upper_hz *= 0.9
    most = [np.arange(int(2 * side * upper_hz / speed_m_s) + 1) for side in size_m]
    order = np.stack(np.meshgrid(*most, indexing="ij"), axis=-1).reshape(-1, 3)
    hz = speed_m_s / 2 * np.linalg.norm(order / np.array(size_m), axis=-1)
    made = [
        Mode(f, (nx, ny, nz)) for f, (nx, ny, nz) in zip(hz.tolist(), order.tolist(), strict=True) if 0 < f <= upper_hz
    ]
    return tuple(sorted(made, key=lambda mode: (mode.hz, mode.order)))


def mode_strengths(size_m: Point, found: tuple[Mode, ...], points_m: Floats) -> Floats:
    """How strongly points sit in modes: |product of cos(pi n x / L)|, shape (points, modes), 0 to 1.

    >>> mode_strengths((4.0, 4.0, 4.0), (Mode(43.0, (1, 0, 0)),), np.array([[0, 2, 2], [2.0, 2, 2]])).round(6)
    array([[1.], [0.]])
    """
    order = np.array([mode.order for mode in found], dtype=float).reshape(-1, 3)
    phase = np.pi * points_m[:, None, :] * order[None, :, :] / np.array(size_m)
    strength: Floats = np.abs(np.prod(np.cos(phase), axis=-1))
    return strength


def surface_area_m2(size_m: Point) -> dict[Surface, float]:
    """The area of each surface."""
    x, y, z = size_m
    return {"left": y * z, "right": y * z, "front": x * z, "back": x * z, "floor": x * y, "ceiling": x * y}


def absorption_area_m2(room: Room) -> tuple[float, float]:
    """Sabine's absorption area, and the whole surface.

    >>> absorption_area_m2(Room((5.0, 4.0, 3.0)))
    (9.4, 94.0)
    """
    areas = surface_area_m2(room.size)
    sabine = sum(area * room.absorption.of(name) for name, area in areas.items())
    return sabine, sum(areas.values())


def reverberation_s(room: Room, speed_m_s: float) -> tuple[float | None, float | None]:
    """Reverberation times after Sabine and Eyring; None where nothing absorbs.

    >>> from micalign.scene.surroundings import Absorption
    >>> room = Room((5.0, 4.0, 3.0), Absorption(*[0.19] * 6))
    >>> [round(time, 3) for time in reverberation_s(room, 343.0)]
    [0.541, 0.488]
    """
    sabine, surface = absorption_area_m2(room)
    if sabine <= 0:
        return None, None
    numerator = 24 * np.log(10) / speed_m_s * float(np.prod(room.size))
    mean = sabine / surface
    eyring = 0.0 if mean >= 1 else float(numerator / (-surface * np.log1p(-mean)))
    return float(numerator / sabine), eyring


def transition_hz(room: Room, reverberation: float) -> float:
    """Schroeder's frequency: below it single modes rule, above it they overlap and rays tell the truth."""
    return float(2000.0 * np.sqrt(reverberation / np.prod(room.size)))


def critical_distance_m(room: Room) -> float:
    """Where the direct sound of an omni source falls to the level of the reverberant one: sqrt(A / 16 pi)."""
    return float(np.sqrt(absorption_area_m2(room)[0] / (16 * np.pi)))


@lru_cache(maxsize=32)
def gaps(found: tuple[Mode, ...], upper_hz: float) -> tuple[Gap, ...]:
    """Neighbouring modes more than 20 Hz apart, up to ``upper_hz``."""
    return tuple(Gap(a.hz, b.hz) for a, b in pairwise(found) if b.hz - a.hz > _GAP_HZ and a.hz < upper_hz)


@lru_cache(maxsize=32)
def pile_ups(found: tuple[Mode, ...]) -> tuple[PileUp, ...]:
    """Modes within half a hertz of each other where fewer than five share their third of an octave."""
    hz = np.array([mode.hz for mode in found])
    made, start = [], 0
    for stop in range(1, len(found) + 1):
        if stop < len(found) and hz[stop] - hz[start] <= 0.5:
            continue
        low, high = np.searchsorted(hz, (hz[start] * 2 ** (-1 / 6), hz[start] * 2 ** (1 / 6)))
        if stop - start > 1 and high - low < _CROWD:
            made.append(PileUp(found[start].hz, tuple(mode.order for mode in found[start:stop])))
        start = stop
    return tuple(made)
