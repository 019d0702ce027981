"""A scene: what stands in a room together, checked against itself, and changed one key at a time.

Everything a scene file says is one frozen value. Names that clash or are not found, points outside the room and aims
that are missing are faults of the whole: each carries its place as a path of keys and indices, so that the scene file's
reader can name the line. A source whose level the scene does not give is as loud as its kind (`micalign.scene.tuned`).

A *change* is a value: table, name, key, new value, unit. Lengths are metres, times milliseconds, levels decibels; a
panel that no table has yet is made of its changes. When a mic moves, the tapes that end at it take their new lengths:
what was measured before a move holds no longer.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property
from typing import Any, Final, Literal, Protocol, TypeAlias, TypeVar

from micalign.errors import SceneError, nearest
from micalign.scene.model import (
    Air,
    Coordinates,
    Di,
    Keepout,
    Mic,
    Pair,
    Panel,
    PlacePlan,
    Point,
    Room,
    Source,
    TakePlan,
    Tape,
    kind_of,
)
from micalign.scene.tuned import KINDS, LEAST_DISTANCE_M, LEAST_PRESSURE_DB
from micalign.units import METRES, Listing, Shown, show_length

__all__ = [
    "Change",
    "Fault",
    "Names",
    "Parts",
    "Place",
    "Scene",
    "Table",
    "Value",
    "changed",
    "scene_faults",
    "tape_lengths_m",
]

Place: TypeAlias = tuple[str | int, ...]
Table: TypeAlias = Literal["mic", "di", "panel", "tape"]
Value: TypeAlias = str | float | int | tuple[float, ...] | tuple[str, ...]

_FIELDS: Final[Mapping[Table, Mapping[str, str]]] = {
    "mic": {name: name for name in ("at", "aim", "pattern", "polarity", "gain_db", "on")},
    "di": {"latency_ms": "latency_s", "polarity": "polarity"},
    "panel": {name: name for name in ("centre", "normal", "size", "absorption")},
    "tape": {"distance": "distance_m", "plus_minus": "plus_minus_m"},
}
"""The keys of the scene file that a change may set, and the field of the value behind each."""

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

    def metres_between(self, one: str, other: str) -> float:
        """How far apart two of its sources and mics are; `SceneError` where a position is not known."""
        ends = {thing.name: thing for thing in self.placed() if thing.name in {one, other}}
        return ends[one].metres_to(ends[other])

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
        relative = bool(given) and max(given) < LEAST_PRESSURE_DB

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


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong, where, and how to mend it."""

    place: Place
    what: str
    message: str

    @property
    def sentence(self) -> str:
        """Place and message in one sentence."""
        return f"{self.what}: {self.message}" if self.what else self.message


class _Named(Protocol):
    @property
    def name(self) -> str: ...


class Parts(Protocol):
    """What the check reads of a scene: whole, or as far as its file could be read."""

    @property
    def length_unit(self) -> str: ...
    @property
    def room(self) -> Room | None: ...
    @property
    def sources(self) -> tuple[Source, ...]: ...
    @property
    def mics(self) -> tuple[Mic, ...]: ...
    @property
    def dis(self) -> tuple[Di, ...]: ...
    @property
    def pairs(self) -> tuple[Pair, ...]: ...
    @property
    def tapes(self) -> tuple[Tape, ...]: ...
    @property
    def keepouts(self) -> tuple[Keepout, ...]: ...
    @property
    def panels(self) -> tuple[Panel, ...]: ...
    @property
    def take(self) -> TakePlan | None: ...


@dataclass(frozen=True, slots=True)
class Names:
    """The names that references may use; wider than the parts where some parts could not be read."""

    sources: frozenset[str] = field(default_factory=frozenset)
    mics: frozenset[str] = field(default_factory=frozenset)
    dis: frozenset[str] = field(default_factory=frozenset)

    @classmethod
    def of(cls, parts: Parts) -> Names:
        """The names of the parts themselves."""
        return cls(
            frozenset(source.name for source in parts.sources),
            frozenset(mic.name for mic in parts.mics),
            frozenset(di.name for di in parts.dis),
        )


def scene_faults(parts: Parts, names: Names | None = None) -> Iterator[Fault]:
    """Every fault between the parts of a scene."""
    known = names or Names.of(parts)
    yield from _clashes(parts)
    yield from _mic_faults(parts, known)
    yield from _di_faults(parts, known)
    yield from _pair_faults(parts, known)
    yield from _tape_faults(parts, known)
    yield from _take_faults(parts, known)
    yield from _room_faults(parts)


def _clashes(parts: Parts) -> Iterator[Fault]:
    groups: tuple[tuple[str, list[tuple[str, Sequence[_Named]]]], ...] = (
        ("source, mic and DI", [("source", parts.sources), ("mic", parts.mics), ("di", parts.dis)]),
        ("pair", [("pair", parts.pairs)]),
        ("keepout", [("keepout", parts.keepouts)]),
        ("panel", [("panel", parts.panels)]),
    )
    for kind, sections in groups:
        named = [(key, index, thing.name) for key, things in sections for index, thing in enumerate(things)]
        counts = Counter(name for _, _, name in named)
        seen: set[str] = set()
        for key, index, name in named:
            if counts[name] > 1 and name in seen:
                yield Fault(
                    (key, index, "name"),
                    f"{key} '{name}'",
                    f"the name is used twice: each {kind} needs its own",
                )
            seen.add(name)


def _unknown(place: Place, what: str, key: str, kind: str, name: str, known: Iterable[str]) -> Fault:
    return Fault(place, what, f"'{key}' names '{name}', but no {kind} is called that{nearest(name, known)}")


def _mic_faults(parts: Parts, known: Names) -> Iterator[Fault]:
    for index, mic in enumerate(parts.mics):
        what = f"mic '{mic.name}'"
        if isinstance(mic.aim, str) and mic.aim not in known.sources:
            yield _unknown(("mic", index, "aim"), what, "aim", "source", mic.aim, known.sources)
        if mic.aim is None and mic.pattern != "omni":
            yield Fault(
                ("mic", index, "pattern"),
                what,
                f"a {mic.pattern} needs 'aim': a source's name or a point it looks at",
            )
        if isinstance(mic.aim, tuple) and mic.aim == mic.at:
            yield Fault(("mic", index, "aim"), what, "'aim' is the mic's own place: give a point in front of it")
        for name in mic.on:
            if name not in known.sources:
                yield _unknown(("mic", index, "on"), what, "on", "source", name, known.sources)
        yield from _same_place(parts, index)


def _same_place(parts: Parts, index: int) -> Iterator[Fault]:
    mic = parts.mics[index]
    for source in parts.sources:
        if mic.is_placed and None not in source.at and math.dist(source.at, mic.at) < LEAST_DISTANCE_M:  # type: ignore[arg-type]
            yield Fault(
                ("mic", index, "at"),
                f"mic '{mic.name}'",
                f"it stands exactly where source '{source.name}' is: move one",
            )


def _di_faults(parts: Parts, known: Names) -> Iterator[Fault]:
    for index, di in enumerate(parts.dis):
        if di.of not in known.sources:
            yield _unknown(("di", index, "of"), f"di '{di.name}'", "of", "source", di.of, known.sources)


def _pair_faults(parts: Parts, known: Names) -> Iterator[Fault]:
    for index, pair in enumerate(parts.pairs):
        what = f"pair '{pair.name}'"
        for name in pair.mics:
            if name not in known.mics:
                yield _unknown(("pair", index, "mics"), what, "mics", "mic", name, known.mics)
        if pair.mics[0] == pair.mics[1]:
            yield Fault(("pair", index, "mics"), what, "'mics' names one mic twice: a pair needs two")
        for key, wanted in (
            ("equal_to", pair.equal_to),
            ("centre_on", (pair.centre_on,) if pair.centre_on else ()),
        ):
            for name in wanted:
                if name not in known.sources:
                    yield _unknown(("pair", index, key), what, key, "source", name, known.sources)


def _tape_faults(parts: Parts, known: Names) -> Iterator[Fault]:
    ends = known.sources | known.mics
    for index, tape in enumerate(parts.tapes):
        what = f"tape {index + 1}"
        for name in tape.between:
            if name not in ends:
                yield _unknown(("tape", index, "between"), what, "between", "source or mic", name, ends)
        if tape.between[0] == tape.between[1]:
            yield Fault(("tape", index, "between"), what, "'between' names one thing twice: a tape needs two ends")


def _take_faults(parts: Parts, known: Names) -> Iterator[Fault]:
    recorded = known.mics | known.dis
    for plan in parts.take.tracks if parts.take else ():
        if plan.name not in recorded:
            yield _unknown(("take", "tracks", plan.name), "take", "tracks", "mic or DI", plan.name, recorded)
    for alone in parts.take.alone if parts.take else ():
        if alone.source not in known.sources:
            yield _unknown(("take", "alone", alone.source), "take", "alone", "source", alone.source, known.sources)


def _room_faults(parts: Parts) -> Iterator[Fault]:
    room = parts.room
    if room is None:
        return
    unit, unit_m = parts.length_unit, METRES[parts.length_unit]
    size = " x ".join(f"{side / unit_m:.6g}" for side in room.size)
    for place, what, point in _points(parts):
        if not room.contains(point):
            shown = ", ".join("?" if value is None else f"{value / unit_m:.6g}" for value in point)
            yield Fault(
                place,
                what,
                f"({shown}) {unit} lies outside the room of {size} {unit}: is the length unit right, or a sign wrong?",
            )


def _points(parts: Parts) -> Iterator[tuple[Place, str, Coordinates]]:
    groups: tuple[tuple[str, Sequence[Source | Mic | Keepout]], ...] = (
        ("source", parts.sources),
        ("mic", parts.mics),
        ("keepout", parts.keepouts),
    )
    for key, things in groups:
        for index, thing in enumerate(things):
            yield (key, index, "at"), f"{key} '{thing.name}'", thing.at
    for index, panel in enumerate(parts.panels):
        yield ("panel", index, "centre"), f"panel '{panel.name}'", panel.centre
    for index, mic in enumerate(parts.mics):
        if isinstance(mic.aim, tuple):
            yield ("mic", index, "aim"), f"mic '{mic.name}' aim", mic.aim


@dataclass(frozen=True, slots=True)
class Change:
    """One key of one table's entry set to a new value.

    ``name`` is the entry's name, of a tape its two ends; ``unit`` is that of ``value``: "m", "ms", "dB", or "" for
    none.
    """

    table: Table
    name: str | tuple[str, str]
    key: str
    value: Value
    unit: str = ""

    def __post_init__(self) -> None:
        if self.key not in _FIELDS[self.table]:
            raise SceneError(f"'{self.key}' of a {self.table} is nothing that a remedy changes")


def changed(scene: Scene, changes: Iterable[Change]) -> Scene:
    """The scene after some changes; the one given stays as it is.

    Raises
    ------
    SceneError
        If a change names what is not there, or the new scene would not be one (a mic outside the room).

    Examples
    --------
    >>> from micalign.scene.model import Mic, Source
    >>> scene = Scene(sources=(Source("oud", (2.0, 2.0, 0.7)),), mics=(Mic("top", (2.0, 2.0, 1.7)),))
    >>> changed(scene, [Change("mic", "top", "at", (2.0, 2.0, 1.5), "m")]).mic("top").position
    (2.0, 2.0, 1.5)
    """
    wanted: dict[Table, dict[Any, dict[str, Any]]] = {"mic": {}, "di": {}, "panel": {}, "tape": {}}
    for change in changes:
        name = frozenset(change.name) if change.table == "tape" else change.name
        wanted[change.table].setdefault(name, {})[_FIELDS[change.table][change.key]] = _in_si(change)
    mics = tuple(replace(mic, **wanted["mic"].pop(mic.name, {})) for mic in scene.mics)
    dis = tuple(replace(di, **wanted["di"].pop(di.name, {})) for di in scene.dis)
    for table, called in (("mic", wanted["mic"]), ("DI", wanted["di"])):
        if called:
            raise SceneError(f"no {table} is called '{next(iter(called))}'")
    after = replace(scene, mics=mics, dis=dis, panels=_panels(scene, wanted["panel"]))
    return replace(after, tapes=_tapes(scene, after, wanted["tape"]))


def _in_si(change: Change) -> Value:
    return change.value / 1e3 if change.unit == "ms" and isinstance(change.value, float) else change.value


def tape_lengths_m(before: Scene, after: Scene) -> dict[frozenset[str], float]:
    """New lengths of the tapes that end at a mic which has moved, metres."""
    moved = {old.name for old, new in zip(before.mics, after.mics, strict=True) if old.at != new.at}
    ends = [tape.between for tape in before.tapes if moved.intersection(tape.between)]
    return {frozenset(pair): after.metres_between(*pair) for pair in ends}


def _panels(scene: Scene, wanted: dict[Any, dict[str, Any]]) -> tuple[Panel, ...]:
    kept = tuple(replace(panel, **wanted.pop(panel.name, {})) for panel in scene.panels)
    return (*kept, *(Panel(name, **keys) for name, keys in wanted.items()))


def _tapes(before: Scene, after: Scene, wanted: dict[Any, dict[str, Any]]) -> tuple[Tape, ...]:
    lengths = tape_lengths_m(before, after)
    made = []
    for tape in before.tapes:
        ends = frozenset(tape.between)
        keys = {"distance_m": lengths.get(ends, tape.distance_m), **wanted.pop(ends, {})}
        made.append(Tape(**{**asdict(tape), "between": tape.between, **keys}))
    return (*made, *(Tape((min(ends), max(ends)), **keys) for ends, keys in wanted.items()))
