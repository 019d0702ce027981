"""Scene files: read one; write a copy with new positions or other changes, comments and layout kept; what they hold.

For a page on which things are moved the text is cut into pieces: what stays as the user wrote it, and slots, each with
the number that is written in it now. The places come from the TOML library itself: a value is swapped for a marker, the
document written out, and the two texts compared; so every way to write a table is followed.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

from micalign.errors import SceneError
from micalign.files import tuned
from micalign.scene.quantities import unit_in
from micalign.units import METRES

if TYPE_CHECKING:
    from micalign.scene.model import Coordinates
    from micalign.scene.scene import Change, Scene

__all__ = [
    "Slot",
    "changes_text",
    "positions_text",
    "read_scene",
    "read_text",
    "scene_pieces",
    "scene_reference",
    "write_changes",
    "write_positions",
]

Kind: TypeAlias = Literal["source", "mic", "tape"]
_MARK: Final = "true"  # begins and ends with letters that no number, string or array begins or ends with


@dataclass(frozen=True, slots=True)
class Slot:
    """A place for one value.

    ``index`` counts the tables of its ``kind``; ``axis`` is the coordinate, None for a value that is written whole (an
    aim that was a name, a tape's distance, a key that is not there yet). ``written`` is what stands there, ``unit``
    its own unit where the text names one, ``lead`` what must precede a key that is put in new.
    """

    kind: Kind
    index: int
    key: Literal["at", "aim", "distance"]
    axis: int | None
    written: str = ""
    unit: str | None = None
    lead: str = ""


def scene_pieces(text: str) -> list[str | Slot] | None:
    """Text and slots in turn, in the order of the file; None where the file is written in a way that hides a place.

    >>> made = scene_pieces('[[mic]]\\nname = "room"\\nat = [1, "2 ft", 1.5]  # tripod\\n')
    >>> [one.written if isinstance(one, Slot) else one for one in made]
    ['[[mic]]\\nname = "room"', '', '\\nat = [', '1', ', ', '"2 ft"', ', ', '1.5', ']  # tripod\\n']
    """
    import tomlkit  # noqa: PLC0415 - only the pages need it

    text = text.removeprefix("\ufeff")
    document: Any = tomlkit.parse(text)
    if tomlkit.dumps(document) != text:
        return None
    placed = []
    for slot, holder, key in _sites(document):
        span = _span(document, text, holder, key)
        if span is None:
            return None
        placed.append((span, slot))
    return _pieces(text, placed)


def _pieces(text: str, placed: list[tuple[tuple[int, int], Slot]]) -> list[str | Slot]:
    """A text cut at the spans of its slots; a slot with a ``lead`` stands behind its span and holds nothing yet."""
    cut: list[str | Slot] = []
    at = 0
    for (start, end), slot in sorted(placed, key=lambda one: one[0]):
        start_here = end if slot.lead else start
        cut.append(text[at:start_here])
        written = text[start_here:end]
        cut.append(replace(slot, written=written, unit=_unit_of(written)))
        at = end
    return [*cut, text[at:]]


def _unit_of(written: str) -> str | None:
    return unit_in(written[1:-1]) if written[:1] in {'"', "'"} else None


def _sites(document: Mapping[str, Any]) -> Iterator[tuple[Slot, Any, Any]]:
    """Each slot, and the container and key in the parsed document where its value stands."""
    for kind in ("source", "mic"):
        for index, table in enumerate(document.get(kind, [])):
            yield from _coordinates(Slot(kind, index, "at", None), table)
            if kind == "mic":
                yield from _coordinates(Slot(kind, index, "aim", None), table)
    for index, table in enumerate(document.get("tape", [])):
        yield Slot("tape", index, "distance", None), table, "distance"


def _coordinates(slot: Slot, table: Any) -> Iterator[tuple[Slot, Any, Any]]:
    value = table.get(slot.key)
    if value is None:
        yield replace(slot, lead=_lead(table, slot.key)), table, "name"
    elif isinstance(value, list):
        for axis in range(3):
            yield replace(slot, axis=axis), value, axis
    else:
        yield slot, table, slot.key


def _lead(table: Any, key: str) -> str:
    """A key of an inline table follows a comma, any other a new line."""
    import tomlkit  # noqa: PLC0415 - as above

    return f", {key} = " if isinstance(table, tomlkit.items.InlineTable) else f"\n{key} = "


def _span(document: Any, text: str, holder: Any, key: Any) -> tuple[int, int] | None:
    """Where a value stands: between what the text with a marker in its place has in common with it on both sides."""
    import tomlkit  # noqa: PLC0415 - as above

    kept = holder[key]
    holder[key] = True
    marked = tomlkit.dumps(document)
    holder[key] = kept
    start = next(place for place, pair in enumerate(zip(text, marked, strict=False)) if pair[0] != pair[1])
    end = len(text) - (len(marked) - start - len(_MARK))
    return (start, end) if text[:start] + _MARK + text[end:] == marked else None


def read_text(path: str | Path) -> str:
    """The text of a scene file, of standard input for "-"; `SceneError` where it cannot be read or is no text."""
    path = Path(path)
    if str(path) == "-":
        return _standard_input()
    try:
        if path.is_dir():
            raise SceneError(f"{path}: this is a folder: name the scene file in it")
        if path.exists() and not path.is_file():
            raise SceneError(f"{path}: this is a device or a pipe: give a file, or hand the scene over as '-'")
        if not path.is_file():
            raise SceneError(f"{path}: there is no such scene file: is the name spelled right, and the folder?")
        if path.stat().st_size > tuned.LARGEST_SCENE_BYTES:
            raise SceneError(f"{path}: more than 1 MB is no scene file: was an audio file named?")
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SceneError(f"{path}: this is no text in UTF-8: was an audio file named?") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise SceneError(f"{path}: the scene cannot be read ({reason})") from error


@cache
def _standard_input() -> str:
    """The scene that another program hands over, read once however often it is asked for."""
    if sys.stdin is None or sys.stdin.isatty():
        raise SceneError("-: a scene is awaited on standard input: hand one over by a pipe, or name its file")
    data = sys.stdin.buffer.read(tuned.LARGEST_SCENE_BYTES + 1)
    if len(data) > tuned.LARGEST_SCENE_BYTES:
        raise SceneError("-: more than 1 MB is no scene file: was an audio file handed over?")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SceneError("-: this is no text in UTF-8: was an audio file handed over?") from error


def read_scene(path: str | Path) -> Scene:
    """The scene of a file, its positions as written: the tapes are not yet used.

    Parameters
    ----------
    path : path
        TOML, as `micalign schema --explain` describes it.

    Raises
    ------
    SceneError
        With every fault of the file.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "barn.toml"
    >>> tables = ("[[source]]", 'name = "oud"', "at = [2, 2, 1]", "[[mic]]", 'name = "room"', "at = [4, 3, 1]")
    >>> written = path.write_text("\\n".join(tables), encoding="utf-8")
    >>> read_scene(path).mic("room").position
    (4.0, 3.0, 1.0)
    """
    return _parsed(read_text(path), path)


def _parsed(text: str, path: str | Path) -> Scene:
    from micalign.scene.document import parse_scene  # noqa: PLC0415 - pydantic, which tracks without a scene need not

    return parse_scene(text, str(path))


def scene_reference() -> str:
    """Every key of the scene file and the terms, in words (Markdown), as they travel with the program."""
    return files("micalign.scene").joinpath("README.md").read_text(encoding="utf-8")


def write_positions(
    scene_path: str | Path,
    out_path: str | Path,
    positions: Mapping[str, Coordinates],
    *,
    force: bool = False,
    plus_minus_m: Mapping[str, float] | None = None,
    tapes_m: Mapping[frozenset[str], float] | None = None,
) -> None:
    """Write a copy of a scene file in which sources and mics stand at new positions.

    Parameters
    ----------
    scene_path, out_path : path
        The user's file, and the new one; they may be the same with ``force``.
    positions : mapping of name to (x, y, z)
        Metres; written in the file's own length unit, to the tenth of a millimetre.
    plus_minus_m : mapping of name to float, optional
        New uncertainties, metres.
    tapes_m : mapping of two names to float, optional
        New lengths of the tapes between them, metres: what was measured before a move holds no longer.
    """
    from micalign.files.whole import SCENE, write_text  # noqa: PLC0415

    text = positions_text(read_text(scene_path), positions, plus_minus_m=plus_minus_m, tapes_m=tapes_m)
    _parsed(text, out_path)
    write_text(Path(out_path), text, force=force, kind=SCENE)


def write_changes(
    scene_path: str | Path,
    out_path: str | Path,
    changes: Sequence[Change],
    *,
    force: bool = False,
    tapes_m: Mapping[frozenset[str], float] | None = None,
) -> None:
    """Write a copy of a scene file after some changes, its comments and layout kept.

    Parameters
    ----------
    changes : sequence of Change
        Lengths in metres; written in the file's own length unit.
    tapes_m : mapping of two names to float, optional
        New lengths of the tapes between them, metres.
    """
    from micalign.files.whole import SCENE, write_text  # noqa: PLC0415

    text = changes_text(read_text(scene_path), changes, tapes_m=tapes_m)
    _parsed(text, out_path)
    write_text(Path(out_path), text, force=force, kind=SCENE)


def changes_text(text: str, changes: Sequence[Change], *, tapes_m: Mapping[frozenset[str], float] | None = None) -> str:
    """The text of a scene after some changes, comments and layout kept.

    >>> from micalign.scene.scene import Change
    >>> text = '[[mic]]  # by the door\\nname = "room"\\nat = [1, 2, 1.5]  # tripod\\n'
    >>> print(changes_text(text, [Change("mic", "room", "polarity", -1)]))
    [[mic]]  # by the door
    name = "room"
    at = [1, 2, 1.5]  # tripod
    polarity = -1
    <BLANKLINE>
    """
    import tomlkit  # noqa: PLC0415 - only writers need it

    document: Any = tomlkit.parse(positions_text(text, {}, tapes_m=tapes_m))
    unit = METRES[document.get("length_unit", "m")]
    for change in changes:
        table = _entry(document, change)
        if change.unit != "m":
            _put(table, change.key, list(change.value) if isinstance(change.value, tuple) else change.value)
        elif isinstance(change.value, tuple):
            _put(table, change.key, _array(tuple(float(value) for value in change.value), unit))
        else:
            _put(table, change.key, _rounded(float(change.value), unit))
    result: str = tomlkit.dumps(document)
    return result


def _entry(document: Any, change: Change) -> Any:
    """The table that a change is about; a panel that is not there yet is added."""
    import tomlkit  # noqa: PLC0415 - as above

    for table in document.get(change.table, []):
        if table.get("name") == change.name:
            return table
    if change.table not in document:
        document.append(change.table, tomlkit.aot())
    made = tomlkit.table()
    made.add("name", change.name)
    document[change.table].append(made)
    return document[change.table][-1]


def positions_text(
    text: str,
    positions: Mapping[str, Coordinates],
    *,
    plus_minus_m: Mapping[str, float] | None = None,
    tapes_m: Mapping[frozenset[str], float] | None = None,
) -> str:
    """The text of a scene with new positions, comments and layout kept.

    >>> text = '[[mic]]  # by the door\\nname = "room"\\nat = [1, 2, 1.5]  # tripod\\n'
    >>> print(positions_text(text, {"room": (1.25, 2, 1.5)}))
    [[mic]]  # by the door
    name = "room"
    at = [1.25, 2.0, 1.5]  # tripod
    <BLANKLINE>
    """
    import tomlkit  # noqa: PLC0415 - only writers need it

    document: Any = tomlkit.parse(text)
    unit = METRES[document.get("length_unit", "m")]
    for key in ("source", "mic"):
        for table in document.get(key, []):
            name = table.get("name")
            if name in positions:
                _put(table, "at", _array(positions[name], unit))
            if plus_minus_m and name in plus_minus_m:
                _put(table, "plus_minus", _rounded(plus_minus_m[name], unit))
    for table in document.get("tape", []):
        ends = frozenset(table.get("between", ()))
        if tapes_m and ends in tapes_m:
            _put(table, "distance", _rounded(tapes_m[ends], unit))
    result: str = tomlkit.dumps(document)
    return result


def _array(position: Sequence[float | None], unit: float) -> Any:
    import tomlkit  # noqa: PLC0415 - as above

    array = tomlkit.array()
    array.extend("?" if value is None else _rounded(value, unit) for value in position)
    return array


def _rounded(metres: float, unit: float) -> float:
    decimals = {1.0: 4, 0.01: 2, 0.001: 1}.get(unit, 3)
    return round(metres / unit, decimals) + 0.0


def _put(table: Any, key: str, value: Any) -> None:
    import tomlkit  # noqa: PLC0415 - as above

    item = tomlkit.item(value)
    if key in table:
        # The old value's trivia holds the comment at the end of its line.
        old = table[key].trivia
        item.trivia.comment_ws, item.trivia.comment, item.trivia.trail = (
            old.comment_ws,
            old.comment,
            old.trail,
        )
        table[key] = item
        return
    table.add(key, item)
