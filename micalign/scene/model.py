"""A scene as a whole: everything its file says, checked against itself when made.

Positions are metres: x to the right, y away from the front wall, z up from the floor; the origin is a floor corner
of the room. Angles are degrees, levels decibels, times seconds. A position of which a coordinate is not known yet
(``None``) waits for the tape survey; everything else asks for ``position`` and gets three numbers or a `SceneError`.
What a scene is made of stands in `micalign.scene.parts`, and is offered here too.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final, TypeVar

from micalign.errors import SceneError, nearest
from micalign.scene.crosscheck import scene_faults
from micalign.scene.parts import (
    KINDS,
    PATTERNS,
    REJECTION_DB,
    SURFACES,
    Absorption,
    Air,
    Box,
    Coordinates,
    Di,
    Keepout,
    Mic,
    Pair,
    Panel,
    PlacePlan,
    PlaceWeights,
    Point,
    Room,
    Source,
    Surface,
    TakePlan,
    Tape,
    TrackPlan,
    kind_of,
)
from micalign.shown import Listing, Shown
from micalign.units import show_length

__all__ = [
    "KINDS",
    "PATTERNS",
    "REJECTION_DB",
    "SURFACES",
    "Absorption",
    "Air",
    "Box",
    "Coordinates",
    "Di",
    "Keepout",
    "Mic",
    "Pair",
    "Panel",
    "PlacePlan",
    "PlaceWeights",
    "Point",
    "Room",
    "Scene",
    "Source",
    "Surface",
    "TakePlan",
    "Tape",
    "TrackPlan",
    "kind_of",
]

_LEAST_PRESSURE_DB: Final = 40.0
"""Nothing that is recorded is softer at 1 m: the room itself is as loud (common practice, no source)."""

_Thing = TypeVar("_Thing", Source, Mic)


@dataclass(frozen=True, repr=False)
class Scene(Shown):
    """Everything a scene file says.

    Attributes
    ----------
    title : str
    length_unit : {"m", "cm", "mm", "ft", "in"}
        What lengths are shown in; the values themselves are metres.
    air : Air
    room : Room, optional
    sources, mics, dis, pairs, tapes, keepouts, panels : tuple
        What stands in the room; names are unique across sources, mics and DIs.
    place : PlacePlan
        What `place` keeps to.
    take : TakePlan, optional
        Where its recording lies.

    Raises
    ------
    SceneError
        If names clash or are not found, or a point lies outside the room: all faults together.

    Examples
    --------
    >>> scene = Scene(sources=(Source("snare", (2.0, 2.0, 0.7)),), mics=(Mic("room", (4.0, 3.0, 1.5)),))
    >>> scene.mic("room").position
    (4.0, 3.0, 1.5)
    >>> scene.placed_at({"room": (4.1, 3.0, 1.5)}).mic("room").position
    (4.1, 3.0, 1.5)
    """

    title: str = ""
    length_unit: str = "m"
    air: Air = field(default_factory=Air)
    room: Room | None = None
    sources: tuple[Source, ...] = ()
    mics: tuple[Mic, ...] = ()
    dis: tuple[Di, ...] = ()
    pairs: tuple[Pair, ...] = ()
    tapes: tuple[Tape, ...] = ()
    keepouts: tuple[Keepout, ...] = ()
    panels: tuple[Panel, ...] = ()
    place: PlacePlan = field(default_factory=PlacePlan)
    take: TakePlan | None = None

    def __post_init__(self) -> None:
        faults = [fault.sentence for fault in scene_faults(self)]
        if faults:
            raise SceneError(faults)

    def _listing(self) -> Listing:
        things: tuple[Source | Mic | Di, ...] = (*self.sources, *self.mics, *self.dis)
        rows = ((one.name, type(one).__name__.lower(), self._place_of(one)) for one in things)
        return Listing(self.title or "Scene", ("name", "kind", "at"), rows, len(things), words=2)

    def _place_of(self, one: Source | Mic | Di) -> str:
        if isinstance(one, Di):
            return f"of {one.of}"
        return ", ".join("?" if value is None else show_length(value, self.length_unit) for value in one.at)

    @cached_property
    def _by_name(self) -> Mapping[str, Source | Mic | Di]:
        things: tuple[Source | Mic | Di, ...] = (*self.sources, *self.mics, *self.dis)
        return {thing.name: thing for thing in things}

    def source(self, name: str) -> Source:
        """The source of that name; `SceneError` where there is none."""
        found = self._by_name.get(name)
        if not isinstance(found, Source):
            raise SceneError(f"no source is called '{name}'{nearest(name, [one.name for one in self.sources])}")
        return found

    def mic(self, name: str) -> Mic:
        """The mic of that name; `SceneError` where there is none."""
        found = self._by_name.get(name)
        if not isinstance(found, Mic):
            raise SceneError(f"no mic is called '{name}'{nearest(name, [one.name for one in self.mics])}")
        return found

    def placed(self) -> Iterator[Source | Mic]:
        """Sources, then mics."""
        yield from self.sources
        yield from self.mics

    @property
    def track_names(self) -> tuple[str, ...]:
        """The names of all that is recorded: the mics, then the DIs."""
        return (*(mic.name for mic in self.mics), *(di.name for di in self.dis))

    @property
    def is_placed(self) -> bool:
        """Whether every source and mic has its three coordinates."""
        return all(thing.is_placed for thing in self.placed())

    def aim_point(self, mic: Mic) -> Point | None:
        """Where a mic looks, as a point; None where it has no aim."""
        return self.source(mic.aim).position if isinstance(mic.aim, str) else mic.aim

    @cached_property
    def loudness_db(self) -> tuple[float | None, ...]:
        """How loud each source is at 1 m: as the scene says, else by its kind; None where neither is known.

        Levels too low to be sound pressure levels are against each other: kinds say nothing then.
        """
        given = [source.level_db for source in self.sources if source.level_db is not None]
        relative = bool(given) and max(given) < _LEAST_PRESSURE_DB

        def loud(source: Source) -> float | None:
            kind = source.kind or kind_of(source.name)
            if source.level_db is not None or relative or kind is None:
                return source.level_db
            return KINDS[kind]

        return tuple(map(loud, self.sources))

    def placed_at(
        self, positions: Mapping[str, Coordinates], *, plus_minus_m: Mapping[str, float] | None = None
    ) -> Scene:
        """A copy with sources and mics at new positions, and new uncertainties where they are given."""
        sigmas = plus_minus_m or {}

        def moved(thing: _Thing) -> _Thing:
            return replace(
                thing,
                at=positions.get(thing.name, thing.at),
                plus_minus_m=sigmas.get(thing.name, thing.plus_minus_m),
            )

        return replace(self, sources=tuple(map(moved, self.sources)), mics=tuple(map(moved, self.mics)))
