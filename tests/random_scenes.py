"""Seeded scenes of five kinds in small rooms, as people set them up: roughly right, never exactly."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from micalign.scene.model import Absorption, Box, Keepout, Mic, Pair, Point, Room, Source
from micalign.scene.scene import Scene

__all__ = ["KINDS", "random_scene"]

Rng = np.random.Generator


def random_scene(kind: str, seed: int) -> Scene:
    """A scene of one of `KINDS`; the same for the same seed."""
    return KINDS[kind](np.random.default_rng([seed, list(KINDS).index(kind)]))


def _room(rng: Rng) -> Room:
    size = rng.uniform((3.2, 3.6, 2.3), (6.5, 7.0, 3.2)).round(2)
    share = rng.uniform(0.05, 0.35, 6).round(2)
    return Room(tuple(size.tolist()), Absorption(*share.tolist()))


def _near(rng: Rng, at: Point, spread: float) -> Point:
    """A place scattered about another one, above the floor."""
    x, y, z = (np.array(at) + rng.uniform(-spread, spread, 3)).round(3).tolist()
    return (x, y, max(z, 0.05))


def _middle(room: Room, rng: Rng) -> tuple[float, float]:
    return (room.size[0] * rng.uniform(0.42, 0.58), room.size[1] * rng.uniform(0.35, 0.6))


def _inside(room: Room, at: Point) -> Point:
    x, y, z = (float(np.clip(value, 0.12, size - 0.12)) for value, size in zip(at, room.size, strict=True))
    return (x, y, z)


def _mic(rng: Rng, room: Room, name: str, at: Point, spread: float, **more: object) -> Mic:
    return Mic(name, _inside(room, _near(rng, at, spread)), **more)  # type: ignore[arg-type]


def _kit(rng: Rng) -> Scene:
    room = _room(rng)
    x, y = _middle(room, rng)
    places = {
        "kick": (x, y - 0.3, 0.35),
        "snare": (x + 0.3, y + 0.1, 0.72),
        "floor tom": (x - 0.45, y + 0.15, 0.6),
        "hi-hat": (x + 0.65, y + 0.05, 0.9),
    }
    ranges = {"kick": (40, 5000), "snare": (120, 9000), "floor tom": (60, 5000), "hi-hat": (300, 12000)}
    sources = tuple(
        Source(name, _inside(room, _near(rng, at, 0.06)), range_hz=ranges[name]) for name, at in places.items()
    )
    pattern = str(rng.choice(["cardioid", "omni", "supercardioid"]))
    move = {"reach_m": float(rng.choice([0.3, 0.5, 0.8]))} if rng.random() < 0.5 else {}
    over = {"aim": "snare", "pattern": pattern, "on": ("snare", "kick", "floor tom", "hi-hat"), **move}
    height = min(1.9, room.size[2] - 0.3)
    mics = [
        _mic(rng, room, "kick mic", (x, y - 0.42, 0.35), 0.06, aim="kick", pattern="cardioid", on=("kick",)),
        _mic(
            rng, room, "snare mic", (x + 0.33, y + 0.22, 0.8), 0.05, aim="snare", pattern="supercardioid", on=("snare",)
        ),
        _mic(rng, room, "overhead left", (x + 0.8, y + 0.3, height), 0.2, **over),
        _mic(rng, room, "overhead right", (x - 0.5, y + 0.5, height), 0.2, **over),
    ]
    if rng.random() < 0.5:
        far = (x, room.size[1] - 0.6, 1.5)
        mics.append(_mic(rng, room, "room", far, 0.3, on=tuple(places)))
    head = Keepout("player's head", _inside(room, (x, y + 0.65, 1.3)), radius_m=0.35)
    return Scene(
        room=room,
        sources=sources,
        mics=tuple(mics),
        keepouts=(head,),
        pairs=(Pair("overheads", ("overhead left", "overhead right"), equal_to=("snare", "kick")),),
    )


def _guitar(rng: Rng) -> Scene:
    room = _room(rng)
    x, y = _middle(room, rng)
    cab = Source("guitar cab", (x, y, 0.45), range_hz=(80, 6000))
    flip = -1 if rng.random() < 0.25 else 1
    mics = (
        _mic(rng, room, "dynamic", (x, y + 0.08, 0.45), 0.03, aim="guitar cab", pattern="cardioid", on=("guitar cab",)),
        _mic(
            rng,
            room,
            "ribbon",
            (x + 0.1, y + float(rng.choice([0.12, 0.3, 0.8])), 0.5),
            0.06,
            aim="guitar cab",
            pattern="figure-8",
            on=("guitar cab",),
            polarity=flip,
            gain_db=float(rng.integers(0, 7)),
        ),
        *([_mic(rng, room, "room", (x, y + 1.4, 1.3), 0.3, on=("guitar cab",))] if rng.random() < 0.4 else []),
    )
    return Scene(room=room, sources=(cab,), mics=mics)


def _duet(rng: Rng) -> Scene:
    room = _room(rng)
    x, y = _middle(room, rng)
    apart = float(rng.uniform(0.4, 0.9))
    names = ("alto", "tenor")
    sources = tuple(
        Source(name, _inside(room, (x + side * apart / 2, y, 1.55)), range_hz=(100, 9000))
        for name, side in zip(names, (-1, 1), strict=True)
    )
    mics = tuple(
        _mic(
            rng,
            room,
            f"{source.name} mic",
            (source.position[0], y + float(rng.uniform(0.12, 0.5)), 1.5),
            0.05,
            on=(source.name,),
            aim=source.name,
            pattern=str(rng.choice(["omni", "cardioid", "figure-8"])),
        )
        for source in sources
    )
    return Scene(room=room, sources=sources, mics=mics)


def _horns(rng: Rng) -> Scene:
    room = _room(rng)
    x, y = _middle(room, rng)
    names = ("trumpet", "alto sax", "trombone")
    sources = tuple(
        Source(name, _inside(room, _near(rng, (x + (index - 1) * 0.8, y, 1.3), 0.08)), range_hz=(90, 9000))
        for index, name in enumerate(names)
    )
    close = tuple(
        _mic(
            rng,
            room,
            f"{source.name} mic",
            (source.position[0], y + float(rng.uniform(0.25, 0.6)), 1.3),
            0.08,
            on=(source.name,),
            aim=source.name,
            pattern="cardioid",
        )
        for source in sources
    )
    pair = tuple(
        _mic(
            rng,
            room,
            name,
            (x + side * 0.3, y + 1.2, 1.8),
            0.1,
            on=names,
            aim=_inside(room, (x + side * 1.0, y, 1.3)),
            pattern="cardioid",
        )
        for name, side in (("pair left", -1), ("pair right", 1))
    )
    return Scene(
        room=room,
        sources=sources,
        mics=(*close, *pair),
        pairs=(Pair("pair", ("pair left", "pair right"), equal_to=("alto sax",)),),
    )


def _piano(rng: Rng) -> Scene:
    room = _room(rng)
    x, y = _middle(room, rng)
    sources = (
        Source("bass strings", _inside(room, (x - 0.35, y + 0.4, 0.95)), range_hz=(30, 4000)),
        Source("treble strings", _inside(room, (x + 0.35, y, 0.95)), range_hz=(200, 10000)),
    )
    on = ("bass strings", "treble strings")
    box = Box((x - 0.9, x + 0.9), (y - 0.5, y + 1.4), (0.9, min(2.0, room.size[2] - 0.15)))
    spaced = tuple(
        _mic(
            rng,
            room,
            name,
            (x + side * 0.35, y + 0.3, 1.45),
            0.12,
            on=on,
            aim=on[(side + 1) // 2],
            pattern="cardioid",
            move=box,
        )
        for name, side in (("low", -1), ("high", 1))
    )
    mics = [*spaced]
    if rng.random() < 0.6:
        mics.append(_mic(rng, room, "room", (room.size[0] / 2, room.size[1] - 0.5, 1.6), 0.3, on=on))
    return Scene(room=room, sources=sources, mics=tuple(mics), pairs=(Pair("strings", ("low", "high")),))


KINDS: dict[str, Callable[[Rng], Scene]] = {
    "kit": _kit,
    "guitar": _guitar,
    "duet": _duet,
    "horns": _horns,
    "piano": _piano,
}
"""A drum kit, two mics on a cabinet, two singers, three horns with a pair, a piano with a pair."""
