"""Scenes that no placement can solve: called so, with a limit that would be enough, and not less."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import cKDTree

from micalign.acoustics.placement import Obstacle
from micalign.acoustics.placement_terms import Limits, clearance_m
from micalign.findings.placing import place
from micalign.scene.model import Box, Keepout, Mic, Pair, PlacePlan, Point, Room, Source
from micalign.scene.scene import Scene

SPEED = 343.984  # m/s at 20 C, 50 %: Cramer 1993
KICK, SNARE, TOM = Source("kick", (2.0, 1.4, 0.35)), Source("snare", (2.1, 2.0, 0.7)), Source("tom", (1.5, 2.1, 0.6))
ROOM = Room((4.5, 4.0, 2.5))


def _box(at: Point, half: float) -> Box:
    x, y, z = ((round(v - half, 3), round(v + half, 3)) for v in at)
    return Box(x, y, z)


def _mic(name: str, at: Point, half: float | None = None, reach: float | None = None) -> Mic:
    return Mic(name, at, move=None if half is None else _box(at, half), reach_m=reach)


def _scene(
    left: Mic, right: Mic, *keepouts: Keepout, sources: tuple[Source, ...] = (SNARE, KICK), **more: object
) -> Scene:
    pair = Pair("overheads", ("left", "right"), equal_to=tuple(source.name for source in sources))
    wishes = PlacePlan(wall_margin_m=float(str(more.get("margin", 0.2))))
    return Scene(room=ROOM, sources=sources, mics=(left, right), pairs=(pair,), keepouts=keepouts, place=wishes)


RIGHT: Point = (2.8, 1.9, 1.8)
FAR: Point = (1.0, 2.3, 1.5)
HEAD = Keepout("head", (2.2, 2.5, 1.25), radius_m=0.35)

IMPOSSIBLE: dict[str, tuple[Scene, set[str]]] = {
    "a box too small beside a fixed mic": (_scene(_mic("left", (1.3, 2.2, 1.5), 0.05), _mic("right", RIGHT)), {"left"}),
    "a box too high": (_scene(_mic("left", (1.4, 1.9, 2.2), 0.05), _mic("right", RIGHT)), {"left"}),
    "a box too low": (_scene(_mic("left", (1.4, 1.9, 0.9), 0.08), _mic("right", RIGHT)), {"left"}),
    "a box too far back": (_scene(_mic("left", (1.5, 3.2, 1.6), 0.1), _mic("right", RIGHT)), {"left"}),
    "a box too far to the front": (_scene(_mic("left", (1.5, 0.7, 1.6), 0.1), _mic("right", RIGHT)), {"left"}),
    "two boxes at odd heights": (
        _scene(_mic("left", (1.4, 1.9, 2.2), 0.08), _mic("right", (2.7, 1.9, 1.2), 0.08)), {"left", "right"},
    ),
    "two boxes before and behind": (
        _scene(_mic("left", (1.7, 0.6, 1.6), 0.15), _mic("right", (2.6, 3.2, 1.6), 0.15)), {"left", "right"},
    ),
    "two small boxes": (
        _scene(_mic("left", (1.2, 2.2, 1.9), 0.02), _mic("right", RIGHT, 0.02)), {"left", "right"},
    ),
    "a reach too short": (_scene(_mic("left", (1.3, 2.2, 1.5), reach=0.1), _mic("right", RIGHT)), {"left"}),
    "two reaches too short": (
        _scene(_mic("left", FAR, reach=0.08), _mic("right", (2.9, 1.2, 2.0), reach=0.08)), {"left", "right"},
    ),
    "a reach of a hair": (_scene(_mic("left", (1.4, 1.9, 1.6), reach=0.005), _mic("right", RIGHT)), {"left"}),
    "nothing may move": (_scene(_mic("left", FAR), _mic("right", RIGHT)), {"left", "right"}),
    "nothing may move, three sources": (
        _scene(_mic("left", (1.4, 1.9, 1.6)), _mic("right", RIGHT), sources=(SNARE, KICK, TOM)), {"left", "right"},
    ),
    "three sources, one small box": (
        _scene(_mic("left", FAR, 0.2), _mic("right", RIGHT), sources=(SNARE, KICK, TOM)), {"left"},
    ),
    "a box in a head": (_scene(_mic("left", (2.2, 2.5, 1.3), 0.08), _mic("right", RIGHT), HEAD), {"head", "left"}),
    "a box in a cymbal": (
        _scene(_mic("left", (1.4, 1.9, 1.3), 0.06), _mic("right", RIGHT),
               Keepout("ride", (1.4, 1.9, 1.3), radius_m=0.3, height_m=0.3)), {"ride", "left"},
    ),
    "a box in a lamp": (
        _scene(_mic("left", (1.4, 1.9, 2.0), 0.1), _mic("right", RIGHT),
               Keepout("lamp", (1.4, 1.9, 2.05), size_m=(0.5, 0.5, 0.4))), {"lamp", "left"},
    ),
    "a box at the ceiling": (_scene(_mic("left", (1.4, 1.9, 2.4), 0.05), _mic("right", RIGHT)), {"", "left"}),
    "a box in a corner": (_scene(_mic("left", (0.1, 0.1, 1.6), 0.05), _mic("right", RIGHT)), {"", "left"}),
    "the only places are in a cymbal": (
        _scene(Mic("left", (1.1, 1.9, 1.8), move=Box((1.0, 1.8), (1.9, 1.9), (1.8, 1.8))), _mic("right", RIGHT),
               Keepout("crash", (1.4, 1.9, 1.8), radius_m=0.1, height_m=0.3), sources=(SNARE,)), {"crash", "left"},
    ),
    "the only places are under the ceiling": (
        _scene(Mic("left", (1.7, 1.95, 2.2), move=Box((1.65, 1.75), (1.8, 2.1), (2.1, 2.48))),
               _mic("right", (2.9, 2.0, 2.34)), margin=0.3), {"", "left", "right"},
    ),
}  # fmt: skip


def relaxed(scene: Scene, one: Obstacle, share: float) -> Scene:
    """The scene with a limit that gives a share of what it is said to have to give."""
    give = one.give_m * share
    if one.limit.kind == "wall":
        return replace(scene, place=replace(scene.place, wall_margin_m=scene.place.wall_margin_m - give))
    if one.limit.kind == "keepout":
        return replace(
            scene, keepouts=tuple(_smaller(k, give) if k.name == one.limit.name else k for k in scene.keepouts)
        )
    if one.limit.kind == "tolerance":
        return replace(scene, pairs=tuple(replace(p, tolerance_s=p.tolerance_s + give / SPEED) for p in scene.pairs))
    return replace(scene, mics=tuple(_looser(m, give) if m.name == one.limit.name else m for m in scene.mics))


def _smaller(keepout: Keepout, give: float) -> Keepout:
    if keepout.size_m is not None:
        x, y, z = (side - 2 * give for side in keepout.size_m)
        return replace(keepout, size_m=(x, y, z))
    height = None if keepout.height_m is None else keepout.height_m - 2 * give
    return replace(keepout, radius_m=(keepout.radius_m or 0.0) - give, height_m=height)


def _looser(mic: Mic, give: float) -> Mic:
    if mic.move is None:
        return replace(mic, reach_m=(mic.reach_m or 0.0) + give)
    x, y, z = ((low - give, high + give) for low, high in zip(mic.move.low, mic.move.high, strict=True))
    return replace(mic, move=Box(x, y, z))


QUICK = [
    pytest.param(name, marks=() if row % 3 == 0 else pytest.mark.slow, id=name) for row, name in enumerate(IMPOSSIBLE)
]
"""Every third at once, the others in the slow set."""


@pytest.mark.parametrize("name", QUICK)
def test_an_impossible_scene_is_called_so_and_the_limit_is_named(name: str) -> None:
    """Infeasible, nothing worse than before, no limit broken anew, and what stands in the way has the right name."""
    scene, culprits = IMPOSSIBLE[name]
    found = place(scene)
    assert not found.feasible
    assert found.after <= found.before
    assert found.obstacles, "nothing is named"
    assert found.obstacles[0].limit.name in culprits
    for move in found.moved:
        assert _is_in_its_own(scene.mic(move.mic), move.to_m)
        assert all(clearance_m(keepout, np.array(move.to_m)) >= 0 for keepout in scene.keepouts)


def _is_in_its_own(mic: Mic, to_m: Point) -> bool:
    if mic.move is None:
        return float(np.linalg.norm(np.subtract(to_m, mic.position))) <= (mic.reach_m or 0.0) + 1e-9
    return all(low - 1e-9 <= at <= high + 1e-9 for low, at, high in zip(mic.move.low, to_m, mic.move.high, strict=True))


@pytest.mark.slow
@pytest.mark.parametrize("name", IMPOSSIBLE)
def test_what_a_limit_would_have_to_give_is_enough(name: str) -> None:
    """With 1 mm (or 2 %) more than that the scene can be solved; keepouts that would vanish are left out."""
    scene, _ = IMPOSSIBLE[name]
    found = place(scene)
    for one in found.obstacles:
        if one.limit.kind == "keepout" and _vanishes(scene, one):
            continue
        eased = place(relaxed(scene, one, 1.02 + 1e-3 / one.give_m))
        if "tolerance" in {other.limit.kind for other in found.obstacles}:
            assert eased.feasible, (one, eased.obstacles)
        else:
            # A mic had no place at all: now it has one, and the pair is the next question.
            assert eased.feasible or "tolerance" in {other.limit.kind for other in eased.obstacles}, one


def _vanishes(scene: Scene, one: Obstacle) -> bool:
    keepout = next(k for k in scene.keepouts if k.name == one.limit.name)
    sizes = [
        *(keepout.size_m or ()),
        *(2 * v for v in (keepout.radius_m,) if v),
        *(v for v in (keepout.height_m,) if v),
    ]
    return 2 * one.give_m * 1.1 >= min(sizes)


@pytest.mark.long
@pytest.mark.parametrize("name", IMPOSSIBLE)
def test_less_than_that_is_not_enough(name: str) -> None:
    """With nine tenths of it an exhaustive grid finds nothing either."""
    scene, _ = IMPOSSIBLE[name]
    for one in place(scene).obstacles:
        assert not _grid_solves(relaxed(scene, one, 0.9)), one


def _grid_solves(scene: Scene) -> bool:
    left, right = (_places(scene, mic) for mic in scene.mics)
    if not len(left) or not len(right):
        return False
    far = [
        np.stack([np.linalg.norm(points - np.array(source.position), axis=1) for source in scene.sources], axis=-1)
        for points in (left, right)
    ]
    reach = scene.pairs[0].tolerance_s * SPEED * (1 - 1e-9)
    nearest, _ = cKDTree(far[1]).query(far[0], p=np.inf, distance_upper_bound=reach)
    return bool(np.isfinite(nearest).any())


def _places(scene: Scene, mic: Mic) -> np.ndarray:
    """Every allowed place of a mic, 24 to an axis."""
    at = np.array(mic.position)
    if mic.move is None and mic.reach_m is None:
        return at[None]
    low, high = (at - mic.reach_m, at + mic.reach_m) if mic.move is None else np.array([mic.move.low, mic.move.high])
    axes = [np.linspace(a, b, 25) for a, b in zip(low, high, strict=True)]
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    if mic.reach_m is not None:
        points = points[np.linalg.norm(points - at, axis=1) <= mic.reach_m]
    margin = scene.place.wall_margin_m
    points = points[((points >= margin) & (points <= np.array(ROOM.size) - margin)).all(axis=1)]
    for keepout in scene.keepouts:
        points = points[clearance_m(keepout, points) >= 0]
    return points


def test_no_mic_is_put_into_a_source() -> None:
    """Within three centimetres of a source a limit is broken; a mic that stands nearer already may stay as near."""
    cab = Source("cab", (2.0, 2.0, 0.5))
    for start_m, place_m, broken in ((0.2, 0.02, True), (0.2, 0.031, False), (0.01, 0.01, False), (0.01, 0.005, True)):
        scene = Scene(sources=(cab,), mics=(Mic("m", (2.0, 2.0 + start_m, 0.5), on=("cab",), reach_m=0.5),))
        limits = Limits.of(scene)
        assert bool(limits.broken_m(np.array([[[2.0, 2.0 + place_m, 0.5]]])).any()) == broken
