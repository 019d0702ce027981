"""Stages of eight hits and four mics: what `locate` has to solve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from micalign.compare.groups import Group
from micalign.scene.model import Absorption, Mic, Point, Room, Source
from micalign.scene.scene import Scene
from micalign.simulate.virtual_take import Faults, simulate
from micalign.take.tracks import Take, Track
from micalign.tdoa.delays import Delay

RATE = 48000
_POINTS = {
    "kick": (3.2, 2.3, 0.35),
    "snare": (3.4, 2.9, 0.66),
    "floor tom": (2.7, 3.0, 0.6),
    "ride": (2.6, 2.5, 1.0),
    "mark one": (1.2, 1.2, 1.7),
    "mark two": (5.2, 1.3, 0.3),
    "mark three": (5.1, 4.1, 1.8),
    "mark four": (1.3, 4.2, 0.4),
}
_MICS = {
    "overhead left": (2.5, 2.8, 1.9),
    "overhead right": (4.0, 2.8, 1.85),
    "room": (3.2, 1.0, 1.5),
    "front": (3.3, 1.8, 0.5),
}


@dataclass(frozen=True)
class Stage:
    """What the user knows (points to a centimetre, no mic) and where everything truly is."""

    known: Scene
    take: Take
    mics: dict[str, Point]


def stage(seed: int, *, sigma_m: float = 0.01, points: int = 8) -> Stage:
    """Drums and marks in a room of hard walls; the true points lie ``sigma_m`` off along each axis, the air 1 C."""
    rng = np.random.default_rng(seed)
    room = Room((6.5, 5.2, 2.9), Absorption(*(float(value) for value in rng.uniform(0.15, 0.45, 6))))

    def about(place: Point, spread: float) -> Point:
        x, y, z = np.array(place) + rng.uniform(-spread, spread, 3)
        return (float(x), float(y), float(z))

    sources = tuple(
        Source(name, about(place, 0.15), sigma_m, sound="clap" if "mark" in name else None)
        for name, place in list(_POINTS.items())[:points]
    )
    mics = {name: about(place, 0.15) for name, place in _MICS.items()}
    true = Scene(room=room, sources=sources, mics=tuple(Mic(name, place) for name, place in mics.items()))
    moved = {source.name: _off(source.position, rng.normal(0.0, sigma_m, 3)) for source in sources}
    faults = Faults(moved=moved, temperature_c=20.0 + float(rng.normal()))
    made = simulate(true, seconds=14.0, seed=seed, snr_db=30.0, together=0.0, faults=faults, sample_rate=RATE)
    take = Take(tuple(Track.from_array(name, samples, RATE) for name, samples in made.tracks.items()))
    known = Scene(room=room, sources=sources, mics=tuple(Mic(name) for name in mics))
    return Stage(known, take, mics)


def _off(point: Point, by: np.ndarray) -> Point:
    x, y, z = np.array(point) + by
    return (float(x), float(y), float(z))


def exact_hits(points: np.ndarray, mics: np.ndarray, *, sigma_s: float = 2e-6) -> list[Group]:
    """Two hits at each point in turn, as they arrive at mics in the open."""
    arrival = np.linalg.norm(points[:, None] - mics[None], axis=2) / 344.0
    return [
        Group(
            0,
            (float(turn), turn + 0.4),
            tuple(Delay(value - row[0], sigma_s, 1, 1.0, 1.0, True, None) for value in row),
        )
        for turn, row in enumerate(arrival)
    ]
