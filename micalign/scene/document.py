"""The text of a scene file to a `Scene`: every fault of the file together, each with its line and its mend.

The file is TOML. Its tables and keys are the models in `micalign.scene.entries`. A fault in one table does not hide
those in the others: each table is read by itself, and what could be read is held against the rest.

The reader of the standard library gives no lines of keys, so `_line_finder` looks for them: table headers are counted,
keys are looked for below their header. Where a file is written in an unusual way (tables inline in one array, say) the
line of the header, or none, is given rather than a wrong one. Nor does it say how a bad line is mended: text stands in
quotes, a list in brackets, a table that may come again in two brackets each side; `_mended_line` looks for usual slips.
"""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Set
from dataclasses import dataclass, field
from typing import Any, Final, TypeVar, get_args, get_origin

from pydantic import ValidationError

from micalign.errors import SceneError, nearest
from micalign.scene import model
from micalign.scene.entries import (
    AirEntry,
    DiEntry,
    Entry,
    KeepoutEntry,
    MicEntry,
    PairEntry,
    PanelEntry,
    PlaceEntry,
    RoomEntry,
    SceneEntry,
    SourceEntry,
    TakeEntry,
    TapeEntry,
)
from micalign.scene.quantities import LENGTH_UNITS
from micalign.scene.scene import Fault, Names, Place, Scene, scene_faults
from micalign.scene.tuned import MOST_FAULTS

__all__ = [
    "parse_scene",
    "scene_schema",
]

_Made = TypeVar("_Made", bound=Entry)


def scene_schema() -> dict[str, Any]:
    """The JSON Schema of the scene file, for editors.

    >>> scene_schema()["title"]
    'micalign scene'
    """
    dialect = "https://json-schema.org/draft/2020-12/schema"
    return {"$schema": dialect, **SceneEntry.model_json_schema(), "title": "micalign scene"}


def parse_scene(text: str, where: str = "scene") -> Scene:
    """A scene from the text of its file.

    Parameters
    ----------
    text : str
        TOML.
    where : str
        What to call the file in faults.

    Raises
    ------
    SceneError
        With every fault of the file, in the order of its lines.

    Examples
    --------
    >>> parse_scene('''
    ... length_unit = "cm"
    ... [[source]]
    ... name = "snare"
    ... at = [200, 210, 70]
    ... [[mic]]
    ... name = "room"
    ... at = ["13 ft", 300, "1.5 m"]
    ... ''').mic("room").position
    (3.9624, 3.0, 1.5)
    >>> parse_scene("sources = 1", "barn.toml")
    Traceback (most recent call last):
    micalign.errors.SceneError: barn.toml, line 1: 'sources' is no key of a scene; did you mean 'source'?
    barn.toml: there is no [[source]]: name what sounds and where
    barn.toml: there is no [[mic]] and no [[di]]: name what takes the sound
    """
    data = _toml(text, where)
    parts = _Reading(data)
    found = [*parts.faults, *_missing(data), *scene_faults(parts, parts.names)]
    if found:
        raise SceneError(_sentences(found, text, where))
    return Scene(
        title=parts.title,
        length_unit=parts.length_unit,
        air=parts.air,
        room=parts.room,
        sources=parts.sources,
        mics=parts.mics,
        dis=parts.dis,
        pairs=parts.pairs,
        tapes=parts.tapes,
        keepouts=parts.keepouts,
        panels=parts.panels,
        place=parts.place,
        take=parts.take,
    )


def _toml(text: str, where: str) -> dict[str, Any]:
    if not text.strip():
        raise SceneError(f"{where}: the file is empty: write at least one [[source]] and one [[mic]]")
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except ValueError as error:
        raise SceneError(f"{where}: this is no TOML: {str(error)[:200]}{_mended_line(text, str(error))}") from error
    except RecursionError as error:
        raise SceneError(f"{where}: its brackets are nested too deep to be a scene") from error


def _missing(data: Mapping[str, Any]) -> Iterator[Fault]:
    if not data.get("source"):
        yield Fault((), "", "there is no [[source]]: name what sounds and where")
    if not data.get("mic") and not data.get("di"):
        yield Fault((), "", "there is no [[mic]] and no [[di]]: name what takes the sound")


def _sentences(found: list[Fault], text: str, where: str) -> list[str]:
    line_of = _line_finder(text)
    placed = [(line_of(fault.place), fault.sentence) for fault in found]
    unique = dict.fromkeys(sorted(placed, key=lambda item: item[0] or 1 << 30))
    sentences = [f"{where}, line {line}: {said}" if line else f"{where}: {said}" for line, said in unique]
    rest = len(sentences) - MOST_FAULTS
    return sentences if rest <= 0 else [*sentences[:MOST_FAULTS], f"{where}: and {rest} more faults like these"]


@dataclass
class _Reading:
    """What could be read of a scene file, and the faults of the rest."""

    data: Mapping[str, Any]
    faults: list[Fault] = field(default_factory=list)

    def __post_init__(self) -> None:
        known = SceneEntry.model_fields
        for key in self.data:
            if key not in known:
                self.faults.append(Fault((key,), "", f"'{key}' is no key of a scene{nearest(key, known)}"))
        self.title = self._title()
        self.length_unit = self._unit()
        air = self._single("air", AirEntry)
        room = self._single("room", RoomEntry)
        place = self._single("place", PlaceEntry)
        take = self._single("take", TakeEntry)
        self.air = air.made() if air else model.Air()
        self.room = room.made() if room else None
        self.place = place.made() if place else model.PlacePlan()
        self.take = take.made() if take else None
        self.sources = tuple(entry.made() for entry in self._listed("source", SourceEntry))
        self.mics = tuple(entry.made() for entry in self._listed("mic", MicEntry))
        self.dis = tuple(entry.made() for entry in self._listed("di", DiEntry))
        self.pairs = tuple(entry.made() for entry in self._listed("pair", PairEntry))
        self.tapes = tuple(entry.made() for entry in self._listed("tape", TapeEntry))
        self.keepouts = tuple(entry.made() for entry in self._listed("keepout", KeepoutEntry))
        self.panels = tuple(entry.made() for entry in self._listed("panel", PanelEntry))

    @property
    def names(self) -> Names:
        """All names that stand in the file, also in tables that have other faults."""
        return Names(self._named("source"), self._named("mic"), self._named("di"))

    def _named(self, key: str) -> frozenset[str]:
        tables = self.data.get(key)
        found = [table.get("name") for table in tables if isinstance(table, dict)] if isinstance(tables, list) else []
        return frozenset(name for name in found if isinstance(name, str))

    def _title(self) -> str:
        title = self.data.get("title", "")
        if not isinstance(title, str):
            self.faults.append(Fault(("title",), "", "'title' must be text in quotes"))
            return ""
        return title

    def _unit(self) -> str:
        unit = self.data.get("length_unit", "m")
        if unit not in LENGTH_UNITS:
            hint = nearest(unit, LENGTH_UNITS) if isinstance(unit, str) else ""
            self.faults.append(
                Fault(("length_unit",), "", f"'length_unit' must be one of {', '.join(LENGTH_UNITS)}{hint}")
            )
            return "m"
        return str(unit)

    def _single(self, key: str, kind: type[_Made]) -> _Made | None:
        table = self.data.get(key)
        if table is None:
            return None
        if not isinstance(table, dict):
            wanted = f"write [{key}] once, with its keys below it"
            self.faults.append(Fault((key,), "", f"'{key}' is no table: {wanted}"))
            return None
        return self._made(kind, table, (key,), key)

    def _listed(self, key: str, kind: type[_Made]) -> Iterator[_Made]:
        tables = self.data.get(key, [])
        if not isinstance(tables, list):
            self.faults.append(Fault((key,), "", f"write [[{key}]] with two brackets for each {key}"))
            return
        for index, table in enumerate(tables):
            if not isinstance(table, dict):
                self.faults.append(Fault((key, index), key, f"is no table: write [[{key}]] with its keys below it"))
                continue
            name = table.get("name")
            what = f"{key} '{name}'" if isinstance(name, str) and name else f"{key} {index + 1}"
            made = self._made(kind, table, (key, index), what)
            if made is not None:
                yield made

    def _made(
        self, kind: type[_Made], table: Mapping[str, Any], place: tuple[str | int, ...], what: str
    ) -> _Made | None:
        try:
            return kind.model_validate(table, context={"unit": self.length_unit})
        except ValidationError as error:
            self.faults.extend(_faults_of(error, kind, place, what))
            return self._rest(kind, table, {detail["loc"][0] for detail in error.errors() if detail["loc"]})

    def _rest(self, kind: type[_Made], table: Mapping[str, Any], faulty: Set[Any]) -> _Made | None:
        """What a table says without its faulty keys, so that what it names is checked too; None: that is too little."""
        out = faulty | {"pattern"} if "aim" in faulty else faulty  # a pattern asks for an aim
        try:
            return kind.model_validate(
                {key: value for key, value in table.items() if key not in out}, context={"unit": self.length_unit}
            )
        except ValidationError:
            return None


def _faults_of(error: ValidationError, kind: type[Entry], place: Place, what: str) -> Iterator[Fault]:
    """One fault for each thing that is wrong with a table of ``kind`` at ``place``; ``what`` is its name."""
    for detail in error.errors(include_url=False, include_context=False):
        inner = tuple(detail["loc"])
        yield Fault((*place, *inner), what, _message(detail["type"], detail["msg"], inner, kind))


def _message(error_type: str, text: str, inner: Place, kind: type[Entry]) -> str:
    key = ".".join(str(word) for word in inner)
    if error_type == "missing":
        return f"'{key}' is missing"
    if error_type == "extra_forbidden":
        table = _table_at(kind, inner[:-1])
        known = table.model_fields if table else ()
        return f"'{_short(key)}' is no key here{nearest(str(inner[-1]), known) or _listing(known)}"
    if error_type in {"dict_type", "model_type"}:
        wanted = _table_at(kind, inner)
        return f"'{_short(key)}': write a table{_listing(wanted.model_fields if wanted else ())}"
    said = text.removeprefix("Value error, ")
    if error_type != "value_error":
        said = said[:1].lower() + said[1:]
    return f"'{_short(key)}': {said}" if key else said


def _short(key: str) -> str:
    return key if len(key) <= 60 else key[:57] + "..."


def _listing(known: Iterable[str]) -> str:
    return f"; its keys are {', '.join(known)}" if known else ""


def _table_at(kind: type[Entry], inner: Place) -> type[Entry] | None:
    """The table itself or a nested one, such as ``move`` of a mic or a track of a take; None where names are free."""
    if not inner:
        return kind
    found = kind.model_fields.get(str(inner[0]))
    if found is None or (len(inner) == 1 and get_origin(found.annotation) is dict):
        return None
    return _entry_in(found.annotation)


def _entry_in(annotation: Any) -> type[Entry] | None:
    """The table that a type speaks of, alone, or none, or several by name."""
    if isinstance(annotation, type) and issubclass(annotation, Entry):
        return annotation
    return next((found for part in get_args(annotation) if (found := _entry_in(part))), None)


_HEADER: Final = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY_LINE: Final = re.compile(r"""\s*("(?:[^"\\]|\\.)*"|'[^']*'|[A-Za-z0-9_-]+)\s*[=.]""")
_NUMBER: Final = r"[+-]?\d+(?:\.\d+)?"
_KEY: Final = r"\s*(\"[^\"]+\"|[\w-]+)"
_REMARK: Final = r"\s*(#.*)?"


class _Lines:
    """The line of each table and key, by place."""

    def __init__(self, text: str) -> None:
        self._lines: dict[Place, int] = {}
        counts: Counter[str] = Counter()
        table: Place = ()
        for number, line in enumerate(text.splitlines(), start=1):
            header = _HEADER.match(line)
            if header:
                table = self._table(header[1] == "[[", header[2], counts)
                self._lines.setdefault(table, number)
                continue
            key = _KEY_LINE.match(line)
            if key:
                self._lines.setdefault((*table, key[1].strip("\"'")), number)

    @staticmethod
    def _table(is_array: bool, name: str, counts: Counter[str]) -> Place:
        words = tuple(word.strip().strip("\"'") for word in name.split("."))
        if not is_array:
            # [mic.move] belongs to the last [[mic]]
            return (words[0], counts[words[0]] - 1, *words[1:]) if words[0] in counts else words
        counts[words[0]] += 1
        return (words[0], counts[words[0]] - 1, *words[1:])

    def __call__(self, place: Place) -> int | None:
        for length in range(len(place), 0, -1):
            if place[:length] in self._lines:
                return self._lines[place[:length]]
        return None


def _line_finder(text: str) -> _Lines:
    """A function from a place (keys and indices, counted from 0) to a line (counted from 1), or None.

    >>> find = _line_finder('title = "barn"\\n[[mic]]\\nname = "room"\\n[[mic]]\\nname = "kick"\\naimm = 1\\n')
    >>> find(("mic", 1, "aimm")), find(("mic", 0, "at")), find(("room", "size"))
    (6, 2, None)
    """
    return _Lines(text)


_TABLE: Final = "(?:source|mic|di|pair|tape|keepout|panel)"
_ITEM: Final = rf"(?:{_NUMBER}|\"[^\"]*\"|\?)"
_SLIPS: Final[tuple[tuple[str, str], ...]] = (
    # [[mic], or [source] for the second time; a right header is none
    (
        rf"(?!\s*\[\[{_TABLE}\]\])\s*\[+\s*({_TABLE})s?\s*\]*{_REMARK}",
        "each one begins a table of its own, in two brackets: [[{0}]]",
    ),
    # distance = 41 in: a length with its unit is text
    (
        rf"{_KEY}\s*=\s*({_NUMBER}\s*[A-Za-z]+(?:\s+[\d./ ]+[A-Za-z]+)?){_REMARK}",
        'a length with its unit stands in quotes: {0} = "{1}"',
    ),
    # distance = 1,62: a number, not a list
    (rf"{_KEY}\s*=\s*(\d+),(\d+){_REMARK}", "a decimal point, not a comma: {0} = {1}.{2}"),
    # at = 1, 2, 3, with or without an end of the bracket, or in round ones
    (
        rf"(?!(?=.*\[).*\]){_KEY}\s*=\s*[\[(]?\s*({_ITEM}(?:\s*[,;]?\s+|\s*[,;]\s*){_ITEM}.*?)\s*[\])]?{_REMARK}",
        "a list stands in brackets, with commas: {0} = [{listed}]",
    ),
    # name "snare", at [1, 2, 3], name: "snare"
    (
        rf"{_KEY}\s*[:\s]\s*([\"'\[{{\d+-][^=]*?){_REMARK}",
        "an equals sign stands between key and value: {0} = {1}",
    ),
    # name = snare drum
    (rf"{_KEY}\s*=\s*([^\W\d][^\"'#\[\]{{}}=]{{0,60}}?){_REMARK}", 'text stands in quotes: {0} = "{1}"'),
    # name = "snare
    (rf"{_KEY}\s*=\s*\"([^\"#]*?){_REMARK}", 'the quotes are closed: {0} = "{1}"'),
)
"""Usual slips in a line of TOML, the more particular ones first, and what is said of each."""


def _slip(line: str) -> str:
    """What is wrong with a line, where a usual slip is seen in it."""
    for pattern, said in _SLIPS:
        found = re.fullmatch(pattern, line)
        if found:
            items = re.findall(_ITEM, found[2] or "")
            listed = ", ".join('"?"' if item == "?" else item for item in items)
            return said.format(*found.groups(), listed=listed)
    return ""


def _mended_line(text: str, fault: str) -> str:
    """How to mend the line that a TOML reader's complaint is about; nothing where no usual slip is seen.

    A slip at a line's end is often reported at the next one, so the line above is looked at too.

    >>> _mended_line("name = snare", "Invalid value (at line 1, column 8)")
    ': text stands in quotes: name = "snare"'
    >>> _mended_line("at = 1,2,3", "Expected newline (at line 1, column 7)")
    ': a list stands in brackets, with commas: at = [1, 2, 3]'
    """
    found = re.search(r"at line (\d+)", fault)
    lines = text.splitlines()
    number = int(found[1]) if found else len(lines)
    if "overwrite" in fault:  # a key that stands in its table already
        key = re.match(rf"{_KEY}\s*=", lines[number - 1]) if number <= len(lines) else None
        return f": {key[1]} is given twice in one table: is a [[source]] or [[mic]] missing above it?" if key else ""
    for place in (number, number - 1):
        line = lines[place - 1] if 1 <= place <= len(lines) else ""
        hint = _slip(line) if line.strip() else ""
        if hint:
            return f": {hint}"
    return ""
