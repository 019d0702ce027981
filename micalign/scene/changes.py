"""What may be changed in a scene, one key at a time, and the scene after it.

A *change* is a value: table, name, key, new value, unit. Lengths are metres, times milliseconds, levels decibels; a
panel that no table has yet is made of its changes. When a mic moves, the tapes that end at it take their new lengths:
what was measured before a move holds no longer.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Final, Literal, TypeAlias

from micalign.errors import SceneError
from micalign.scene.model import Scene, Tape
from micalign.scene.surroundings import Panel

__all__ = ["Change", "Table", "Value", "changed", "tape_lengths_m"]

Table: TypeAlias = Literal["mic", "di", "panel", "tape"]
Value: TypeAlias = str | float | int | tuple[float, ...] | tuple[str, ...]

_FIELDS: Final[Mapping[Table, Mapping[str, str]]] = {
    "mic": {name: name for name in ("at", "aim", "pattern", "polarity", "gain_db", "on")},
    "di": {"latency_ms": "latency_s", "polarity": "polarity"},
    "panel": {name: name for name in ("centre", "normal", "size", "absorption")},
    "tape": {"distance": "distance_m", "plus_minus": "plus_minus_m"},
}
"""The keys of the scene file that a change may set, and the field of the value behind each."""


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
