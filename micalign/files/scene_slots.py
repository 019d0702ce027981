"""Where in a scene file's text does each number stand that moving a mic, a source or an aim changes?

The text is cut into pieces: what stays as the user wrote it, and slots, each with what is written in it now. Putting
new numbers into the slots and joining the pieces gives the user's own file, comments and layout kept. The places come
from the TOML library itself: a value is swapped for a marker, the document written out, and the two texts compared;
so every way to write a table is followed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, Literal, TypeAlias

from micalign.scene.quantities import unit_in

__all__ = ["Slot", "pieces", "scene_pieces"]

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
    return pieces(text, placed)


def pieces(text: str, placed: list[tuple[tuple[int, int], Slot]]) -> list[str | Slot]:
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
