"""Where do the mics of a usual arrangement stand round a kit, a cabinet or a singer?

Places to start from, metres, for `micalign place` to better. Distances and angles are common practice, no source,
but for the near-coincident pair of 17 cm and 110 degrees (a broadcasters' standard of the 1960s, from memory). The
names are descriptive. ``facing`` is the level direction in which a source sounds or a player looks.

A pair of the arrangement's name, mics of its names, or two mics that carry the arrangement's word ("overhead") are
taken for it and moved; a space to keep out of that is there already (a head) is not made twice.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final, TypeAlias

from micalign.acoustics.tuned import BODY_M
from micalign.errors import SceneError
from micalign.scene.model import Box, Di, Keepout, Mic, Pair, PlacePlan, Point, Room, Source
from micalign.scene.scene import Change, Scene

__all__ = [
    "ARRANGEMENTS",
    "FACINGS",
    "USUAL_ROOM",
    "Arranged",
    "Arrangement",
    "Ground",
    "arranged",
    "moved",
    "renamed",
    "reused",
]

_Level: TypeAlias = tuple[float, float]

FACINGS: Final[dict[str, _Level]] = {"front": (0.0, -1.0), "back": (0.0, 1.0), "left": (-1.0, 0.0), "right": (1.0, 0.0)}
"""Which wall a source faces, as a level direction."""

USUAL_ROOM: Final = Room((6.0, 5.0, 2.6))
"""Metres: a large room in a house (common practice, no source); where none is said."""

_MARGIN_M: Final = PlacePlan().wall_margin_m
"""Metres to a wall that boxes keep, as `micalign place` does where the scene says nothing else."""


@dataclass(frozen=True)
class Ground:
    """What an arrangement is built round: sources, the room (None: open), and where the source or player looks."""

    sources: tuple[Source, ...]
    room: Room | None
    facing: _Level

    def find(self, *words: str) -> Source | None:
        """The first source whose name holds one of the words."""
        return next((one for word in words for one in self.sources if word in one.name.lower()), None)

    @property
    def first(self) -> Source:
        """The source it is all about."""
        return self.sources[0]

    def beside(self, origin: Point, forward: float, right: float, up: float) -> Point:
        """A point so far before, to the right of and above another, seen by who looks along ``facing``."""
        fx, fy = self.facing
        # Looking along +y, right is +x.
        return (origin[0] + forward * fx + right * fy, origin[1] + forward * fy - right * fx, origin[2] + up)

    def below_ceiling(self, height_m: float) -> float:
        """The height, or as high as the ceiling lets a stand go."""
        return height_m if self.room is None else min(height_m, self.room.size[2] - _MARGIN_M - 0.05)


@dataclass(frozen=True)
class Arranged:
    """What an arrangement adds to its sources; ``remarks`` are for the user to read."""

    mics: tuple[Mic, ...]
    pairs: tuple[Pair, ...] = ()
    dis: tuple[Di, ...] = ()
    keepouts: tuple[Keepout, ...] = ()
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True)
class Arrangement:
    """A usual arrangement: what it is, the sources it stands round when none are given, and how it is built."""

    summary: str
    build: Callable[[Ground], Arranged]
    usual: tuple[Source, ...]
    fewest: int = 1


def arranged(
    name: str,
    sources: tuple[Source, ...] = (),
    *,
    room: Room | None = USUAL_ROOM,
    facing: str | None = None,
) -> tuple[tuple[Source, ...], Arranged]:
    """The sources and what the arrangement adds to them.

    Parameters
    ----------
    name : str
        One of `ARRANGEMENTS`.
    sources : tuple of Source
        With their positions; usual ones where none are given.
    room : Room, optional
        None for the open air.
    facing : {"front", "back", "left", "right"}, optional
        The wall that the source or player looks at; None where the user has no say in it: the front.

    Raises
    ------
    SceneError
        If there are too few sources, or a mic would stand in a wall.

    Examples
    --------
    >>> sources, made = arranged("near-coincident-pair")
    >>> [round(mic.position[0], 3) for mic in made.mics], made.pairs[0].angle_degrees
    ([2.915, 3.085], (100.0, 120.0))
    """
    kind = ARRANGEMENTS[name]
    ground = Ground(sources or kind.usual, room, FACINGS[facing or "front"])
    if len(ground.sources) < kind.fewest:
        raise SceneError(f"'{name}' needs {kind.fewest} sources, {len(ground.sources)} given: name them with --at")
    made = kind.build(ground)
    for mic in made.mics:
        if room is not None and not all(
            BODY_M <= c <= s - BODY_M for c, s in zip(mic.position, room.size, strict=True)
        ):
            shown = ", ".join(f"{value:.2f}" for value in mic.position)
            mend = "move the source, turn it with --facing," if facing else "move the source"
            raise SceneError(
                f"'{name}' would put '{mic.name}' at ({shown}) m, in a wall or outside the room: {mend} "
                "or give a larger --room"
            )
    return ground.sources, made


def renamed(made: Arranged, taken: frozenset[str]) -> Arranged:
    """The same with a number behind each name that is in use already."""
    names = [mic.name for mic in made.mics] + [di.name for di in made.dis]
    new = {name: _unused(name, taken) for name in names}
    return replace(
        made,
        mics=tuple(replace(mic, name=new[mic.name]) for mic in made.mics),
        dis=tuple(replace(di, name=new[di.name]) for di in made.dis),
        pairs=tuple(
            replace(
                pair,
                name=_unused(pair.name, taken),
                mics=(new.get(pair.mics[0], pair.mics[0]), new.get(pair.mics[1], pair.mics[1])),
            )
            for pair in made.pairs
        ),
        keepouts=tuple(replace(keepout, name=_unused(keepout.name, taken)) for keepout in made.keepouts),
    )


def _unused(name: str, taken: frozenset[str]) -> str:
    number = 2
    wanted = name
    while wanted in taken:
        wanted, number = f"{name} {number}", number + 1
    return wanted


def moved(mic: Mic, at: Point, room: Room | None) -> Mic:
    """The mic in another place, with its box of the same size round it there.

    >>> mic = Mic("room", (1.0, 1.0, 1.0), move=Box((0.5, 1.5), (0.5, 1.5), (0.5, 1.5)))
    >>> moved(mic, (2.0, 3.0, 2.0), Room((6.0, 5.0, 2.25))).move
    Box(x=(1.5, 2.5), y=(2.5, 3.5), z=(1.5, 2.05))
    """
    if not isinstance(mic.move, Box):
        return replace(mic, at=at)
    half = max(high - low for low, high in (mic.move.x, mic.move.y, mic.move.z)) / 2
    return replace(mic, at=at, move=_box(room, at, half))


def _box(room: Room | None, at: Point, half_m: float) -> Box:
    """Where a mic may go from here: a cube, cut by the walls' margin but never below the place itself."""
    ranges = []
    for axis, value in enumerate(at):
        low, high = max(value - half_m, min(_MARGIN_M, value)), value + half_m
        if room is not None:
            high = min(high, max(room.size[axis] - _MARGIN_M, value))
        ranges.append((low, high))
    return Box(*ranges)


def _free(ground: Ground, name: str, at: Point, aim: str | Point, on: tuple[str, ...], half_m: float = 0.3) -> Mic:
    return Mic(name, at, aim=aim, pattern="cardioid", on=on, move=_box(ground.room, at, half_m))


def _overheads(ground: Ground) -> Arranged:
    """Mirror images at the upright plane through kick and snare, so that both are equal at once."""
    snare = ground.find("snare") or ground.first
    kick = ground.find("kick", "bass drum")
    ahead = ground.facing
    if kick is not None and kick is not snare:
        dx, dy = kick.position[0] - snare.position[0], kick.position[1] - snare.position[1]
        length = math.hypot(dx, dy)
        ahead = (dx / length, dy / length) if length > 0.05 else ahead
    plane = Ground(ground.sources, ground.room, ahead)
    names = tuple(one.name for one in ground.sources)
    equal = tuple(dict.fromkeys(one.name for one in (snare, kick) if one is not None))
    head = plane.beside(snare.position, -0.45, 0.0, 1.25 - snare.position[2])
    up = ground.below_ceiling(2.05) - snare.position[2]
    # Who looks at the player has the player's right on the left.
    places = (plane.beside(snare.position, -0.1, 0.5, up), plane.beside(snare.position, -0.1, -0.5, up))
    mics = tuple(
        _free(ground, f"overhead {side}", at, snare.name, names)
        for side, at in zip(("left", "right"), places, strict=True)
    )
    pair = Pair("overheads", (mics[0].name, mics[1].name), equal_to=equal, centre_on=snare.name)
    remarks = (
        "Overhead left and right are those of who looks at the kit from before it.",
        "Keep both strings to the snare of one length, and both to the kick.",
    )
    return Arranged(mics, (pair,), (), (Keepout("player's head", head, radius_m=0.35),), remarks)


def _pair_before(ground: Ground, half_m: float, half_degrees: float, pair: Pair, up: float = 0.0) -> Arranged:
    """Two mics before the first source, ``half_m`` to each side, turned outward by ``half_degrees``."""
    names = tuple(one.name for one in ground.sources)
    height = ground.below_ceiling(1.6) - ground.first.position[2]
    middle = ground.beside(ground.first.position, 1.2, 0.0, height)
    looking = Ground(ground.sources, ground.room, (-ground.facing[0], -ground.facing[1]))
    mics = []
    for name, side in zip(pair.mics, (-1.0, 1.0), strict=True):
        at = looking.beside(middle, 0.0, side * half_m, max(side, 0.0) * up)
        turn = math.radians(half_degrees) * side
        aim = looking.beside(at, 0.3 * math.cos(turn), 0.3 * math.sin(turn), 0.0)
        mics.append(_free(ground, name, at, aim, names))
    return Arranged(tuple(mics), (pair,))


_SIDES: Final = ("pair left", "pair right")


def _spaced(ground: Ground) -> Arranged:
    centre = ground.first.name
    return _pair_before(ground, 0.3, 0.0, Pair("spaced pair", _SIDES, (centre,), centre_on=centre, spread_m=(0.4, 1.0)))


def _coincident(ground: Ground) -> Arranged:
    made = Pair("coincident pair", _SIDES, (ground.first.name,), angle_degrees=(85.0, 95.0), spread_m=(0.0, 0.05))
    remark = "One capsule straight above the other: no time between them for anything level, so mono sums stay clean."
    return replace(_pair_before(ground, 0.0, 45.0, made, up=0.03), remarks=(remark,))


def _near_coincident(ground: Ground) -> Arranged:
    centre = ground.first.name
    made = Pair("pair", _SIDES, (), centre_on=centre, angle_degrees=(100.0, 120.0), spread_m=(0.16, 0.18))
    return _pair_before(ground, 0.085, 55.0, made)


def _close(ground: Ground) -> Arranged:
    """5 cm off the middle at 45 degrees, from the side away from the player."""
    off = 0.05 * math.sqrt(0.5)
    mics = tuple(
        Mic(f"{one.name} mic", ground.beside(one.position, off, 0.0, off), aim=one.name, pattern="cardioid",
            on=(one.name,), reach_m=0.05, distance_m=(0.04, 0.07))
        for one in ground.sources
    )  # fmt: skip
    return Arranged(mics, remarks=("Out of the sticks' way; mind the player's hands before the mic's place.",))


def _two_on_cab(ground: Ground) -> Arranged:
    """Two capsules at one distance from the cone: on its axis, and 45 degrees off it."""
    cab, off = ground.first, 0.08 * math.sqrt(0.5)
    places = (ground.beside(cab.position, 0.08, 0.0, 0.0), ground.beside(cab.position, off, off, 0.0))
    names = (f"{cab.name} mic on axis", f"{cab.name} mic off axis")
    mics = tuple(_free(ground, name, at, cab.name, (cab.name,), 0.06) for name, at in zip(names, places, strict=True))
    pair = Pair(f"{cab.name} mics", names, (cab.name,), tolerance_s=20e-6)
    return Arranged(mics, (pair,), remarks=("Measure to the middle of the cone behind the cloth, not to the cloth.",))


def _di_and_cab(ground: Ground) -> Arranged:
    cab = ground.first
    mic = _free(ground, f"{cab.name} mic", ground.beside(cab.position, 0.08, 0.0, 0.0), cab.name, (cab.name,), 0.06)
    remark = "The wire is first: the mic comes later by its distance. Align the two afterwards, or leave both alone."
    return Arranged((mic,), (), (Di(f"{cab.name} di", cab.name),), remarks=(remark,))


def _two_singers(ground: Ground) -> Arranged:
    """Mics before the lips, near enough for a ratio of 3 with something to spare."""
    one, other = ground.sources[:2]
    near = min(0.25, math.dist(one.position, other.position) / 3.5)
    mics = tuple(
        Mic(f"{singer.name} mic", ground.beside(singer.position, near, 0.0, 0.0), aim=singer.name, pattern="cardioid",
            on=(singer.name,), reach_m=0.15, distance_m=(min(0.08, near), near))
        for singer in (one, other)
    )  # fmt: skip
    remark = "3:1: each mic no farther from its singer than it stands here; further back, the singers go further apart."
    return Arranged(mics, remarks=(remark,))


_KIT: Final = (
    Source("kick", (3.0, 2.2, 0.32), range_hz=(40.0, 6000.0)),
    Source("snare", (3.15, 2.8, 0.66), range_hz=(120.0, 12000.0)),
)
"""Metres and hertz: usual sources about the middle of the usual room, and where each matters (common practice)."""

_CAB: Final = (Source("cab", (3.0, 2.5, 0.45), range_hz=(80.0, 6000.0)),)  # likewise
_VOICE: Final = (Source("voice", (3.0, 2.5, 1.5), range_hz=(100.0, 10000.0)),)  # likewise
_VOICES: Final = (*_VOICE, Source("second voice", (4.0, 2.5, 1.5), range_hz=(100.0, 10000.0)))  # likewise

ARRANGEMENTS: Final = {
    "equal-overheads": Arrangement(
        "a pair over the player's head, both as far from the snare, both as far from the kick", _overheads, _KIT
    ),
    "spaced-pair": Arrangement("two cardioids 60 cm apart, 1.2 m before the source", _spaced, _VOICE),
    "coincident-pair": Arrangement("two cardioids in one place, 90 degrees apart", _coincident, _VOICE),
    "near-coincident-pair": Arrangement("two cardioids, 17 cm and 110 degrees apart", _near_coincident, _VOICE),
    "close-mic": Arrangement("a mic on each source, 5 cm off and at 45 degrees", _close, _KIT[1:]),
    "two-mics-on-cab": Arrangement("two mics at one distance from the cone, on and off its axis", _two_on_cab, _CAB),
    "di-and-cab": Arrangement("a DI and a close mic on one cab", _di_and_cab, _CAB),
    "two-singers": Arrangement("a mic each, by the 3:1 rule", _two_singers, _VOICES, fewest=2),
}
"""Every ready arrangement by its descriptive name."""


_SIDE: Final = re.compile(r"\b(left|right|l|r)\b", re.IGNORECASE)
_OVERHEADS: Final = re.compile(r"overhead|\boh\b", re.IGNORECASE)


def reused(scene: Scene, made: Arranged) -> tuple[tuple[Change, ...], Arranged]:
    """What is changed of the scene's own mics, and what is still to be added.

    Examples
    --------
    >>> from micalign.acoustics.arrangements import arranged
    >>> from micalign.scene.model import Source
    >>> mics = (Mic("OH left", (1.0, 1.0, 1.8)), Mic("OH right", (2.0, 1.0, 1.8)))
    >>> scene = Scene(sources=(Source("snare", (2.0, 2.0, 0.7)),), mics=mics)
    >>> _, made = arranged("equal-overheads", scene.sources)
    >>> changes, rest = reused(scene, made)
    >>> sorted({change.name for change in changes}), rest.mics, rest.pairs[0].mics
    (['OH left', 'OH right'], (), ('OH left', 'OH right'))
    """
    own = _own_mics(scene, made)
    changes = [change for mic in made.mics if mic.name in own for change in _changes(own[mic.name], mic)]
    pairs = tuple(_renamed(pair, own) for pair in made.pairs if not _has_pair(scene, _renamed(pair, own)))
    mics = tuple(mic for mic in made.mics if mic.name not in own)
    keepouts = made.keepouts if not any("head" in one.name.casefold() for one in scene.keepouts) else ()
    return tuple(changes), replace(made, mics=mics, pairs=pairs, keepouts=keepouts)


def _own_mics(scene: Scene, made: Arranged) -> Mapping[str, Mic]:
    """The scene's mic for each mic of the arrangement that it has already."""
    named = {mic.name.casefold(): mic for mic in scene.mics}
    own = {mic.name: named[mic.name.casefold()] for mic in made.mics if mic.name.casefold() in named}
    for pair in made.pairs:
        theirs = _own_pair(scene, pair)
        if theirs is not None:
            own.update(dict(zip(pair.mics, theirs, strict=True)))
    return own


def _own_pair(scene: Scene, pair: Pair) -> tuple[Mic, Mic] | None:
    """The two mics of a pair of that name, or the only two that are called overheads where these are asked for."""
    for one in scene.pairs:
        if one.name.casefold() == pair.name.casefold():
            return _in_order(scene.mic(one.mics[0]), scene.mic(one.mics[1]))
    over = [mic for mic in scene.mics if _OVERHEADS.search(mic.name)]
    if _OVERHEADS.search(pair.name) and len(over) == 2:
        return _in_order(over[0], over[1])
    return None


def _in_order(first: Mic, second: Mic) -> tuple[Mic, Mic]:
    """The left one first, where their names say so."""
    side = _SIDE.search(first.name)
    return (second, first) if side and side.group().casefold().startswith("r") else (first, second)


def _changes(own: Mic, made: Mic) -> list[Change]:
    """Place and aim; the pattern stays the user's."""
    x, y, z = made.position
    changes = [Change("mic", own.name, "at", (x, y, z), "m")]
    if made.aim is not None and made.aim != own.aim:
        changes.append(Change("mic", own.name, "aim", made.aim, "" if isinstance(made.aim, str) else "m"))
    return changes


def _renamed(pair: Pair, own: Mapping[str, Mic]) -> Pair:
    first, second = (own[name].name if name in own else name for name in pair.mics)
    return replace(pair, mics=(first, second))


def _has_pair(scene: Scene, pair: Pair) -> bool:
    same = {pair.name.casefold()}
    return any(one.name.casefold() in same or set(one.mics) == set(pair.mics) for one in scene.pairs)
