"""What does a first scene hold for each thing that is recorded, by how many inputs there are?

Places to start from: sources stand about the middle of the room, mics where common practice (no source) puts them;
the more inputs, the more mics. Metres; the player looks at the front wall. Names given with their places take the
place of the usual ones; these carry the uncertainty of a guess.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, TypeAlias

from micalign.acoustics.arrangements import Arranged, arranged, moved
from micalign.acoustics.arrivals import is_close
from micalign.acoustics.tuned import (
    CLOSE_GAIN_DB,
    GUESSED_CLOSE_M,
    GUESSED_MIC_M,
    GUESSED_SOURCE_M,
    LEAST_GAP_M,
    OFF_MIDDLE,
    RUG_M,
    RUG_TAKES,
    USED_WIDTH,
    USUAL_GAP_M,
    WALL_GAP_M,
)
from micalign.errors import SceneError
from micalign.scene.model import Coordinates, Mic, Panel, Point, Room, Source

__all__ = ["FIRST_SCENES", "FirstScene", "first_scene", "first_sources", "rug"]

_Build: TypeAlias = Callable[[tuple[Source, ...], Room | None, int], Arranged]

_NOWHERE: Final[Coordinates] = (None, None, None)
_OPEN_AIR: Final[Point] = (6.0, 5.0, 0.0)
"""Where there is no room: the middle of such a floor is the middle of the scene."""


@dataclass(frozen=True, slots=True)
class FirstScene:
    """One thing to record: in words, its usual sources (x, y from the room's middle), inputs, and its mics."""

    summary: str
    sources: tuple[Source, ...]
    usual_inputs: int
    most_inputs: int
    build: _Build


def first_scene(
    what: str,
    inputs: int,
    room: Room | None,
    places: Mapping[str, Coordinates] | None = None,
    without: Sequence[str] = (),
) -> tuple[tuple[Source, ...], Arranged]:
    """Sources and mics of a first scene.

    Parameters
    ----------
    what : str
        One of `FIRST_SCENES`.
    inputs : int
        How many tracks can be recorded at once; those beyond the scene's own need stay free.
    room : Room, optional
        None for the open air.
    places : mapping of name to (x, y, z), optional
        Known places, metres; a coordinate that is not known is None.
    without : sequence of str, optional
        Usual sources that are not there.

    Raises
    ------
    SceneError
        If a name is none of the scene's, or the room is too small.

    Examples
    --------
    >>> sources, made = first_scene("kit", 3, Room((5.0, 4.0, 2.5)))
    >>> [mic.name for mic in made.mics]
    ['overhead left', 'overhead right', 'kick mic']
    """
    kind, known = FIRST_SCENES[what], dict(places or {})
    sources = first_sources(what, inputs, room, known, without)
    made = kind.build(sources, room, min(max(inputs, 1), kind.most_inputs))
    usual = (replace(mic, plus_minus_m=_guessed_to_m(mic, sources)) for mic in made.mics if mic.name not in known)
    guessed = {mic.name: mic for mic in usual}
    mics = tuple(_put(guessed.get(mic.name, mic), known.get(mic.name, mic.at), room) for mic in made.mics)
    named = [one.name for one in (*sources, *mics)]
    unknown = [name for name in known if name not in named]
    if unknown:
        names = ", ".join(f"'{name}'" for name in named)
        raise SceneError(f"'{unknown[0]}' is in no such scene: it has {names}")
    return sources, replace(made, mics=mics)


def first_sources(
    what: str,
    inputs: int,
    room: Room | None,
    places: Mapping[str, Coordinates] | None = None,
    without: Sequence[str] = (),
) -> tuple[Source, ...]:
    """The sources of a first scene: where they are said to stand, the others as far from these as is usual.

    Raises
    ------
    SceneError
        If the room is too small for the players, or `without` names what is not there or all that is.

    Examples
    --------
    >>> kick, snare, *_ = first_sources("kit", 2, Room((6.0, 5.0, 2.6)), {"kick": (1.9, 1.5, 0.3)})
    >>> kick.position, snare.position
    ((1.9, 1.5, 0.3), (2.1, 2.1, 0.66))
    """
    kind, known = FIRST_SCENES[what], places or {}
    sources = _players(known, min(max(inputs, 1), kind.most_inputs), room) if what == "several" else kind.sources
    usual = [_usual(one, room) for one in _left(sources, without)]
    # The whole group goes where the known ones stand; the height over the floor stays each one's own.
    away = (_mean_step(usual, known, 0), _mean_step(usual, known, 1))
    return tuple(_followed(one, known.get(one.name, _NOWHERE), away, room) for one in usual)


def rug(sources: tuple[Source, ...], room: Room | None) -> Panel | None:
    """What lies under a kit: a thick rug over felt, so that the overheads hear the floor 4 dB weaker."""
    if room is None:
        return None
    x, y = (sum(one.position[axis] for one in sources) / len(sources) for axis in (0, 1))
    side = min(RUG_M, 2 * min(x, y, room.size[0] - x, room.size[1] - y))
    return Panel(
        "rug under the kit", (round(x, 3), round(y, 3), 0.01), (0.0, 0.0, 1.0), (side, side), absorption=RUG_TAKES
    )


def _left(sources: tuple[Source, ...], without: Sequence[str]) -> tuple[Source, ...]:
    """The sources but those that are not there."""
    names = [one.name for one in sources]
    unknown = [name for name in without if name not in names]
    left = tuple(one for one in sources if one.name not in without)
    if unknown or not left:
        why = f"'{unknown[0]}' is in no such scene" if unknown else "nothing is left to record"
        listed = ", ".join(f"'{name}'" for name in names)
        raise SceneError(f"--without: {why}: leave out some of {listed}")
    return left


def _usual(source: Source, room: Room | None) -> Source:
    """The source about the middle of the room, a little off it.

    In the very middle every second mode of the room has its null.
    """
    x, y, z = source.position
    width, depth, _ = room.size if room is not None else _OPEN_AIR
    across, along = OFF_MIDDLE
    return replace(source, at=(round(across * width + x, 2), round(along * depth + y, 2), z))


def _mean_step(usual: Sequence[Source], known: Mapping[str, Coordinates], axis: int) -> float:
    """How far the sources whose place is known stand from their usual places along an axis."""
    given = ((known[one.name][axis], one.position[axis]) for one in usual if one.name in known)
    steps = [at - before for at, before in given if at is not None]
    return sum(steps) / len(steps) if steps else 0.0


def _followed(source: Source, at: Coordinates, away: tuple[float, float], room: Room | None) -> Source:
    """The source where it is said to stand, else moved along with the others but not into a wall."""
    x, y, z = source.position
    width, depth, _ = room.size if room is not None else (math.inf, math.inf, math.inf)
    usual = (_between(x, away[0], width), _between(y, away[1], depth), z)
    x, y, z = (new if new is not None else old for new, old in zip(at, usual, strict=True))
    sigma_m = GUESSED_SOURCE_M if None in at else source.plus_minus_m
    return replace(source, at=(x, y, z), plus_minus_m=sigma_m)


def _between(usual: float, away: float, wall: float) -> float:
    return min(max(round(usual + away, 2), WALL_GAP_M), wall - WALL_GAP_M) if away else usual


def _put(mic: Mic, at: Coordinates, room: Room | None) -> Mic:
    """The mic at a known place; its box can follow only where all of it is known."""
    x, y, z = at
    return replace(mic, at=at) if x is None or y is None or z is None else moved(mic, (x, y, z), room)


def _guessed_to_m(mic: Mic, sources: Sequence[Source]) -> float:
    """One standard deviation of a coordinate of a usual place: a close mic goes with what it is on."""
    return GUESSED_CLOSE_M if is_close(mic, sources) else GUESSED_MIC_M


def _players(known: Mapping[str, Coordinates], inputs: int, room: Room | None) -> tuple[Source, ...]:
    """Players side by side, or those that are named."""
    named = [name for name in known if not name.endswith(" mic")]
    names = named or [f"player {number + 1}" for number in range(max(inputs, 2))]
    width = room.size[0] if room is not None else USUAL_GAP_M * len(names) + 1
    gap = min(USUAL_GAP_M, USED_WIDTH * width / len(names))
    if gap < LEAST_GAP_M and not named:
        raise SceneError(f"{len(names)} players side by side do not fit into {width:g} m: give fewer --inputs")
    return tuple(
        Source(name, (round((number - (len(names) - 1) / 2) * gap, 2), 0.0, 1.2)) for number, name in enumerate(names)
    )


def _close(source: Source, room: Room | None, *, gain_db: float = 0.0) -> Mic:
    _, made = arranged("close-mic", (source,), room=room)
    return replace(made.mics[0], gain_db=gain_db)


def _before(source: Source, metres: float, up: float = 0.0) -> Mic:
    x, y, z = source.position
    at = (round(x, 3), round(y - metres, 3), round(z + up, 3))
    return Mic(f"{source.name} mic", at, aim=source.name, pattern="cardioid", on=(source.name,), reach_m=0.15)


def _kit(sources: tuple[Source, ...], room: Room | None, inputs: int) -> Arranged:
    """Overheads first, then the kick's and the snare's own mic, then the toms'."""
    _, over = arranged("equal-overheads", sources, room=room)
    if inputs == 1:
        x, y, z = (sum(pair) / 2 for pair in zip(*(mic.position for mic in over.mics), strict=True))
        only = replace(moved(over.mics[0], (x, y, z), room), name="overhead")
        return Arranged((only,), keepouts=over.keepouts)
    close = tuple(_close(one, room, gain_db=CLOSE_GAIN_DB) for one in sources[: inputs - 2])
    return replace(over, mics=(*over.mics, *close))


def _cab(sources: tuple[Source, ...], room: Room | None, inputs: int) -> Arranged:
    _, both = arranged("di-and-cab", sources, room=room)
    if inputs == 1:
        return replace(both, dis=(), remarks=())
    if inputs == 2:
        return both
    _, two = arranged("two-mics-on-cab", sources, room=room)
    return replace(two, dis=both.dis, remarks=(*two.remarks, *both.remarks))


def _voice(sources: tuple[Source, ...], room: Room | None, inputs: int) -> Arranged:
    return Arranged((_before(sources[0], 0.25),), remarks=("A hand's breadth and more: nearer, the bass swells.",))


def _guitar(sources: tuple[Source, ...], room: Room | None, inputs: int) -> Arranged:
    if inputs == 1:
        return Arranged((_before(sources[0], 0.35, up=0.05),))
    _, made = arranged("two-mics-on-cab", sources, room=room)
    x, y, z = sources[0].position
    sides = tuple(
        replace(mic, name=f"{sources[0].name} mic {word}", at=(x + side, y - 0.35, z + 0.05), move=None, reach_m=0.1)
        for mic, side, word in zip(made.mics, (-0.12, 0.12), ("left", "right"), strict=True)
    )
    pair = replace(made.pairs[0], mics=(sides[0].name, sides[1].name), tolerance_s=50e-6)
    return Arranged(sides, (pair,))


def _piano(sources: tuple[Source, ...], room: Room | None, inputs: int) -> Arranged:
    """Above the strings behind the hammers; two mics share the low and the high strings."""
    names = tuple(one.name for one in sources)
    low, high = sources[0].position, sources[-1].position
    z = max(low[2], high[2]) + 0.3
    if inputs == 1 or len(sources) == 1:
        middle = ((low[0] + high[0]) / 2, (low[1] + high[1]) / 2, z + 0.2)
        return Arranged((Mic("piano mic", middle, aim=names[0], pattern="cardioid", on=names, reach_m=0.2),))
    mics = tuple(
        Mic(f"piano mic {word}", (at[0], at[1], z), aim=name, pattern="cardioid", on=(name,), reach_m=0.1)
        for name, at, word in ((names[0], low, "low"), (names[-1], high, "high"))
    )
    return Arranged(mics)


def _several(sources: tuple[Source, ...], room: Room | None, inputs: int) -> Arranged:
    remark = "3:1: each mic three times nearer to its own player than to the next mic."
    return Arranged(tuple(_before(one, 0.3) for one in sources), remarks=(remark,))


FIRST_SCENES: Final = {
    "kit": FirstScene(
        "a drum kit",
        (
            Source("kick", (0.0, -0.6, 0.32), range_hz=(40.0, 6000.0)),
            Source("snare", (0.2, 0.0, 0.66), range_hz=(120.0, 12000.0)),
            Source("floor tom", (-0.55, 0.15, 0.60), range_hz=(60.0, 6000.0)),
            Source("rack tom", (-0.1, -0.3, 0.85), range_hz=(80.0, 6000.0)),
        ),
        4,
        6,
        _kit,
    ),
    "cab-and-di": FirstScene(
        "an amplifier's cab, with its DI", (Source("cab", (0.0, 0.3, 0.45), range_hz=(80.0, 6000.0)),), 2, 3, _cab
    ),
    "voice": FirstScene("a voice", (Source("voice", (0.0, 0.0, 1.55), range_hz=(100.0, 10000.0)),), 1, 1, _voice),
    "acoustic-guitar": FirstScene(
        "an acoustic guitar",
        (Source("acoustic guitar", (0.0, 0.0, 0.80), range_hz=(80.0, 10000.0)),),
        2,
        2,
        _guitar,
    ),
    "piano": FirstScene(
        "a piano",
        (
            Source("piano low strings", (-0.35, 0.2, 0.95), range_hz=(30.0, 3000.0)),
            Source("piano high strings", (0.35, 0.0, 0.95), range_hz=(200.0, 12000.0)),
        ),
        2,
        2,
        _piano,
    ),
    "several": FirstScene("several players or singers, a mic each", (), 2, 16, _several),
}
"""What `micalign new` knows how to begin, by the word it is asked with."""
