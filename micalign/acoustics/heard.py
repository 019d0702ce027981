"""How loud is a source at a mic with the room in it, and what else does the mic hear?

A level here is a power: the direct sound, each surface's first bounce by its image, and from the second bounce on the
reverberant field, the same everywhere. Hopkins and Stryker's field after the first bounce has 16 pi (1 - a) / A of
the power of an omni at 1 m (A the absorption area after Sabine, a its mean); a bounce more leaves (1 - a) of that, so
16 pi (1 - a)^2 / A, times the mic's random energy efficiency. Directions are heard as a real mic hears them
(`Pattern.heard`), and nearer than its size a source stops rising: on the axis of a piston of radius a at low
frequency the pressure goes with 2 (sqrt(r^2 + a^2) - r) / a^2 in place of 1 / r.

Sources: H. F. Hopkins and N. R. Stryker, "A proposed loudness-efficiency rating for loud-speakers and the
determination of system power requirements for enclosures", Proc. IRE 36(3), 315-335, 1948; L. E. Kinsler, A. R. Frey
and others, Fundamentals of Acoustics, chapter 7 (the piston; from memory). The bench in `tests/bench/acoustics`
holds this against rooms worked out by images.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.acoustics.arrivals import Arrivals, floored_db
from micalign.acoustics.reflections import Bounces
from micalign.acoustics.room import absorption_area_m2
from micalign.arrays import Bools, Floats
from micalign.scene.model import Room, Scene
from micalign.units import power_from_db

__all__ = ["Bleed", "Heard", "bleed", "heard"]

_LEAST_ABSORPTION: Final = 0.01
"""No real room takes less than 1 % at every bounce: bare concrete and tiles take 1 to 2 % (handbooks' tables)."""


@dataclass(frozen=True, eq=False)
class Heard:
    """Every source at every mic, shapes (S, M); 0 dB is 1 m on the axis without a room, the mic's gain not in it.

    ``direct_db`` is the direct sound alone, ``level_db`` with the bounces and the room; ``source_db`` (S,) is how
    loud each source is at 1 m against the others, where that is known (``is_known``); ``near`` marks mics nearer to a
    source than its size.
    """

    direct_db: Floats
    level_db: Floats
    source_db: Floats
    is_known: Bools
    near: Bools


@dataclass(frozen=True, slots=True)
class Bleed:
    """What a mic hears of another source against what it is on: negative is quieter, patterns and loudness included.

    ``direct_db`` is the direct sound of both alone, ``heard_db`` with the room; where ``level_known`` is False the
    two are taken to be equally loud.
    """

    mic: str
    own: str
    source: str
    direct_db: float
    heard_db: float
    level_known: bool


def heard(scene: Scene, found: Arrivals, first: Sequence[Bounces], *, bounces: int | None = None) -> Heard:
    """The levels of a scene with its room; ``first`` are its bounces, those of a higher order are left to the field.

    ``bounces`` cuts the field off after so many, as a rendering of that order does; None is the room itself.
    """
    direct = found.pattern.heard(found.gain) * _spread(scene, found)
    power = direct**2
    for one in first:
        if one.order == 1:
            power = power + np.where(one.heard, power_from_db(one.level_db + found.level_db), 0.0)
    if scene.room is not None:
        power = power + _field(scene.room, bounces) * found.pattern.random_energy_efficiency
    loud = scene.loudness_db
    size = np.array([source.size_m or 0.0 for source in scene.sources])
    return Heard(
        floored_db(direct),
        floored_db(np.sqrt(power)),
        np.array([one or 0.0 for one in loud]),
        np.array([one is not None for one in loud], dtype=np.bool_),
        found.distance_m < size[:, None],
    )


def _spread(scene: Scene, found: Arrivals) -> Floats:
    """Amplitude by distance: one over it, less close to a source that has a size."""
    radius = np.array([(source.size_m or 0.0) / 2 for source in scene.sources])[:, None]
    near = np.hypot(found.distance_m, radius) + found.distance_m  # a^2 / (sqrt(r^2 + a^2) - r), without cancellation
    spread: Floats = 2.0 / np.maximum(near, 2e-6)
    return spread


def _field(room: Room, bounces: int | None) -> float:
    """Power of the reverberant field from the second bounce on, against an omni at 1 m.

    The n-th bounce alone has 16 pi (1 - a)^n / S: summed to the end that is 16 pi (1 - a)^2 / (a S).
    """
    area, surface = absorption_area_m2(room)
    kept = 1.0 - max(area / surface, _LEAST_ABSORPTION)
    cut = 1.0 if bounces is None else 1.0 - kept ** max(bounces - 1, 0)
    return float(16 * np.pi * kept**2 * cut / ((1.0 - kept) * surface))


def bleed(scene: Scene, found: Arrivals, levels: Heard) -> tuple[Bleed, ...]:
    """What each mic hears besides what it is on, the loudest first for each mic."""
    return tuple(row for column in range(len(scene.mics)) for row in _rows(scene, found, levels, column))


def _rows(scene: Scene, found: Arrivals, levels: Heard, column: int) -> Iterator[Bleed]:
    own = [found.sources.index(name) for name in scene.mics[column].on]
    if not own:
        return
    main = max(own, key=lambda row: levels.source_db[row] + levels.level_db[row, column])
    others = [_row(found, levels, column, main, row) for row in range(len(found.sources)) if row not in own]
    yield from sorted(others, key=lambda one: -one.heard_db)


def _row(found: Arrivals, levels: Heard, column: int, main: int, row: int) -> Bleed:
    known = bool(levels.is_known[row] and levels.is_known[main])
    louder = float(levels.source_db[row] - levels.source_db[main]) if known else 0.0
    direct, all_of_it = (float(db[row, column] - db[main, column]) for db in (levels.direct_db, levels.level_db))
    names = (found.mics[column], found.sources[main], found.sources[row])
    return Bleed(*names, direct + louder, all_of_it + louder, known)
