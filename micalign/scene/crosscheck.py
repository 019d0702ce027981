"""Faults that show only when the parts of a scene are held against each other.

Names that clash or are not found, points outside the room, aims that are missing. Each fault carries its place as
a path of keys and indices, so that the scene file's reader can name the line.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol, TypeAlias

from micalign.errors import nearest

if TYPE_CHECKING:
    from micalign.scene.model import Di, Mic, Pair, Source, TakePlan, Tape
    from micalign.scene.surroundings import Coordinates, Keepout, Panel, Room

from micalign.scene.tuned import LEAST_DISTANCE_M

__all__ = ["Fault", "Names", "Parts", "Place", "scene_faults"]


Place: TypeAlias = tuple[str | int, ...]


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
    size = " x ".join(f"{side:g}" for side in room.size)
    for place, what, point in _points(parts):
        if not room.contains(point):
            shown = ", ".join("?" if value is None else f"{value:g}" for value in point)
            yield Fault(
                place,
                what,
                f"({shown}) m lies outside the room of {size} m: is the length unit right, or a sign wrong?",
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
