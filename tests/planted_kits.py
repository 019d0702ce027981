"""Random kits in random rooms, and one planted mistake each: what `compare` has to find.

Every kit differs in its places, its room and its mics. Nothing in the take is exactly as the scene says: each source
and mic stands a centimetre off along each axis (one standard deviation), the air a degree off. On top of that one
thing is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from micalign.compare.comparison import Comparison
from micalign.scene.model import Absorption, Air, Mic, Room, Source
from micalign.scene.scene import Scene
from micalign.simulate.virtual_take import Faults, simulate
from micalign.take.tracks import Take, Track

KINDS = ("none", "swapped", "flipped", "moved", "temperature", "late")
LATE_SAMPLES = 64
RATE = 48000
SNR_DB = 30.0
POSITION_SIGMA_M = 0.01

_SOURCES = {
    "kick": (0.0, -0.5, 0.35),
    "snare": (0.22, 0.1, 0.66),
    "floor tom": (-0.55, 0.27, 0.6),
    "rack tom": (0.05, -0.25, 0.85),
    "hi-hat": (0.6, -0.03, 0.9),
    "ride": (-0.64, -0.3, 1.0),
}
_CLOSE = {
    "snare mic": ("snare", (0.08, -0.15, 0.08)),
    "kick mic": ("kick", (0.0, -0.15, 0.0)),
    "tom mic": ("floor tom", (-0.1, 0.1, 0.08)),
    "ride mic": ("ride", (-0.1, 0.0, -0.14)),
}
_FAR = {
    "overhead left": (-0.6, 0.0, 1.8),
    "overhead right": (0.8, 0.0, 1.75),
    "room": (0.0, -1.6, 1.4),
    "corner": (-1.4, 1.2, 1.1),
}


@dataclass(frozen=True)
class Planted:
    """A scene, the kind of mistake, the names it concerns and the faults that plant it."""

    scene: Scene
    kind: str
    names: frozenset[str]
    faults: Faults

    def take(self, seed: int, *, seconds: float = 14.0) -> Take:
        made = simulate(self.scene, seconds=seconds, seed=seed, snr_db=SNR_DB, faults=self.faults, sample_rate=RATE)
        return Take(tuple(Track.from_array(name, samples, RATE) for name, samples in made.tracks.items()))


def kit(rng: np.random.Generator) -> Scene:
    """Six sources, six to eight mics, in a room of 5 to 10 m."""
    width, depth, height = (float(value) for value in rng.uniform([5.0, 4.6, 2.5], [10.0, 8.0, 4.0]))
    room = Room((width, depth, height), Absorption(*(float(value) for value in rng.uniform(0.15, 0.5, 6))))
    centre = np.array([rng.uniform(2.0, width - 2.0), rng.uniform(2.2, depth - 2.2), 0.0])

    def about(place: object, spread: float) -> tuple[float, float, float]:
        x, y, z = np.asarray(place, dtype=float) + rng.uniform(-spread, spread, 3)
        return (float(x), float(y), float(z))

    sources = tuple(Source(name, about(centre + place, 0.08)) for name, place in _SOURCES.items())
    at = {source.name: np.array(source.position) for source in sources}
    everything = tuple(_SOURCES)
    close = [
        Mic(name, about(at[source] + offset, 0.02), aim=source, pattern="cardioid", on=(source,), gain_db=-14.0)
        for name, (source, offset) in _CLOSE.items()
    ]
    far = [
        Mic(
            name,
            about(centre + place, 0.08),
            aim="snare",
            pattern="cardioid" if "over" in name else "omni",
            on=everything,
        )
        for name, place in _FAR.items()
    ]
    mics = close[: 2 + int(rng.integers(3))] + far
    temperature_c = float(rng.uniform(15.0, 24.0))
    return Scene(room=room, sources=sources, mics=tuple(mics), air=Air(temperature_c=temperature_c))


def planted(kind: str, rng: np.random.Generator, *, position_sigma_m: float = POSITION_SIGMA_M) -> Planted:
    """A kit with one mistake of a kind; ``none`` for none."""
    scene = kit(rng)
    true = {
        thing.name: _inside(scene, np.array(thing.position) + rng.normal(0.0, position_sigma_m, 3))
        for thing in scene.placed()
    }
    temperature_c = scene.air.temperature_c + float(rng.normal(0.0, scene.air.temperature_plus_minus_c))
    mics = [mic.name for mic in scene.mics]
    one, other = (str(name) for name in rng.choice(mics, 2, replace=False))
    if kind == "moved":
        true[one] = _elsewhere(scene, true[one], rng)
    if kind == "temperature":
        temperature_c += 10.0
    faults = Faults(
        moved=true,
        temperature_c=temperature_c,
        flipped=(one,) if kind == "flipped" else (),
        late_s={one: LATE_SAMPLES / RATE} if kind == "late" else {},
        swapped=((one, other),) if kind == "swapped" else (),
    )
    names = {"swapped": {one, other}, "flipped": {one}, "moved": {one}, "late": {one}}.get(kind, set())
    return Planted(scene, kind, frozenset(names), faults)


def _inside(scene: Scene, point: np.ndarray) -> tuple[float, float, float]:
    assert scene.room is not None
    x, y, z = np.clip(point, 0.02, np.array(scene.room.size) - 0.02)
    return (float(x), float(y), float(z))


def _elsewhere(scene: Scene, point: tuple[float, float, float], rng: np.random.Generator) -> tuple[float, float, float]:
    """5 to 30 cm away, in the room and not inside an instrument."""
    assert scene.room is not None
    while True:
        away = rng.normal(size=3)
        there = np.array(point) + rng.uniform(0.05, 0.30) * away / np.linalg.norm(away)
        nearest = min(float(np.linalg.norm(there - np.array(source.position))) for source in scene.sources)
        if (there > 0.05).all() and (there < np.array(scene.room.size) - 0.05).all() and nearest > 0.06:
            x, y, z = there
            return (float(x), float(y), float(z))


def kinds(found: Comparison) -> list[tuple[str, frozenset[str]]]:
    """What was found, and of what."""
    return [(one.kind, frozenset(one.names)) for one in found.explanations]
