"""Where a mic may be put instead: places round it that break no limit, nearest first.

Metres; places are arrays of shape (K, 3). The steps are those a person makes at a stand: whole centimetres, or
quarters of an inch. A mic of a pair that should be equally far from something is offered such places alone.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from micalign.acoustics.placing.limits import clearance_m
from micalign.arrays import Bools, Floats
from micalign.scene.model import Mic, Pair, Scene
from micalign.units import METRES

__all__ = ["allowed", "equal_places", "nearest_first", "pair_of", "places_round", "stepped", "towards"]

_STEPS_CM: Final = (1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 18, 22, 26, 30, 36, 43, 50, 60, 72, 86, 100)
_WAYS: Final = [(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1) if (x, y, z) != (0, 0, 0)]
_FROM_SOURCE_M: Final = 0.03
_APART_M: Final = 0.03
_TO_WALL_M: Final = 0.1
_SPARE_M: Final = 0.005
_NEWTON: Final = 12
_THERE_M: Final = 1e-6  # metres: see where it is used


def stepped(metres: Floats, unit: str) -> Floats:
    """Lengths rounded to what is told of a move: whole centimetres, or quarters of an inch.

    >>> stepped(np.array([0.0712, -0.128]), "m")
    array([ 0.07, -0.13])
    """
    step = METRES["in"] / 4 if unit in {"ft", "in"} else 0.01
    return np.round(metres / step) * step


def towards(here: Floats, there: Floats, lengths: Floats) -> Floats:
    """Places along the line from one point to another, so far along it: (K,) to (K, 3)."""
    way = there - here
    return np.asarray(here + np.asarray(lengths)[:, None] * way / max(float(np.linalg.norm(way)), 1e-9))


def places_round(scene: Scene, mic: Mic, *, within_m: float = 1.0) -> Floats:
    """Places in 26 directions round a mic, and on the lines to what it is on; only allowed ones, nearest first."""
    here = np.array(mic.position)
    step = 0.0127 if scene.length_unit in {"ft", "in"} else 0.01
    lengths = np.array(_STEPS_CM) * step
    lengths = lengths[lengths <= within_m + 1e-9]
    ways = np.array(_WAYS, dtype=float)
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    star = here + stepped((lengths[:, None, None] * ways).reshape(-1, 3), scene.length_unit)
    lines = [
        towards(here, np.array(scene.source(name).position), sign * lengths) for name in mic.on for sign in (1, -1)
    ]
    places = np.concatenate([star, *lines])
    return nearest_first(places[allowed(scene, mic, places)], here)


def nearest_first(places: Floats, here: Floats) -> Floats:
    """The places in the order of their distance from here."""
    return np.asarray(places[np.argsort(np.linalg.norm(places - here, axis=1), kind="stable")])


def allowed(scene: Scene, mic: Mic, places: Floats, *, on_floor: bool = False) -> Bools:
    """Which places keep the walls, the keep-outs, the mic's own move or reach, and do not touch anything.

    ``on_floor``: the mic is laid there, so that the floor is no wall to it.
    """
    here = np.array(mic.position)
    good = _in_room(scene, here * (1, 1, 0) if on_floor else here, places)
    for keepout in scene.keepouts:
        good &= clearance_m(keepout, places) >= _SPARE_M
    if mic.move is not None:
        inside = (places >= np.array(mic.move.low) - 1e-9) & (places <= np.array(mic.move.high) + 1e-9)
        good &= inside.all(axis=1)
    if mic.reach_m is not None:
        good &= np.linalg.norm(places - here, axis=1) <= mic.reach_m + 1e-9
    for source in scene.sources:
        good &= _keeps_off(places, here, np.array(source.position), _FROM_SOURCE_M)
    for other in scene.mics:
        if other is not mic:
            good &= _keeps_off(places, here, np.array(other.position), _APART_M)
    return np.asarray(good)


def _in_room(scene: Scene, here: Floats, places: Floats) -> Bools:
    """Ten centimetres from the walls, or no nearer than now; above the floor; the floor itself is no wall here."""
    if scene.room is None:
        return np.asarray(places[:, 2] > min(0.0, float(here[2])))
    size = np.array(scene.room.size)
    margin = np.minimum(_TO_WALL_M, np.minimum(here, size - here))
    low = np.array([margin[0], margin[1], min(margin[2], 0.05)])
    return np.asarray(((places >= low - 1e-9) & (places <= size - margin + 1e-9)).all(axis=1))


def _keeps_off(places: Floats, here: Floats, thing: Floats, least_m: float) -> Bools:
    """No nearer to a thing than so, or than now."""
    least = min(least_m, float(np.linalg.norm(here - thing)))
    return np.asarray(np.linalg.norm(places - thing, axis=1) >= least - 1e-9)


def pair_of(scene: Scene, mic: Mic) -> Pair | None:
    """The pair of a mic that should be equally far from something, if it belongs to one."""
    return next((pair for pair in scene.pairs if mic.name in pair.mics and pair.equal_to), None)


def equal_places(starts: Floats, sources: Floats, wanted_m: Floats) -> Floats:
    """From each start the nearest place that is ``wanted_m`` from the sources: (K, 3), (E, 3), (E,) or (K, E).

    Gauss-Newton with the least-norm step; starts from which none is reached are left out.

    >>> equal_places(np.array([[1.0, 0.0, 2.0]]), np.array([[0.0, 0.0, 0.0]]), np.array([2.0])).round(3)
    array([[0.894, 0.   , 1.789]])
    """
    at = starts.astype(float)
    wanted = np.broadcast_to(wanted_m, (len(at), len(sources)))
    still = np.arange(len(at))
    for _ in range(_NEWTON):
        way = at[still, None, :] - sources
        length = np.maximum(np.linalg.norm(way, axis=-1), 1e-9)
        missing = wanted[still] - length
        step = np.linalg.pinv(way / length[..., None], rcond=1e-3) @ missing[..., None]
        at[still] += step[..., 0]
        # A step squares what is missing: less than a micrometre before it is next to nothing after it.
        still = still[np.abs(missing).max(axis=1, initial=0.0) > _THERE_M]
        if not still.size:
            break
    missed = np.abs(np.linalg.norm(at[:, None, :] - sources, axis=-1) - wanted).max(axis=1, initial=0.0)
    return np.asarray(at[missed < 1e-4])
