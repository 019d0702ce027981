"""What pydantic found wrong with a table, in a recordist's words."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pydantic_core import ValidationError

from micalign.scene.crosscheck import Fault, Place, nearest
from micalign.scene.entry import Entry

__all__ = ["faults_of"]


def faults_of(error: ValidationError, kind: type[Entry], place: Place, what: str) -> Iterator[Fault]:
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
        known = table.keys if table else {}
        return f"'{_short(key)}' is no key here{nearest(str(inner[-1]), known) or _listing(known)}"
    if error_type == "dict_type":
        wanted = _table_at(kind, inner)
        return f"'{_short(key)}': write a table{_listing(wanted.keys if wanted else {})}"
    said = text.removeprefix("Value error, ")
    if error_type != "value_error":
        said = said[:1].lower() + said[1:]
    return f"'{_short(key)}': {said}" if key else said


def _short(key: str) -> str:
    return key if len(key) <= 60 else key[:57] + "..."


def _listing(known: Any) -> str:
    return f"; its keys are {', '.join(known)}" if known else ""


def _table_at(kind: type[Entry], inner: Place) -> type[Entry] | None:
    """The table itself or a nested one, such as ``move`` of a mic or a track of a take; None where names are free."""
    if not inner:
        return kind
    found = kind.keys.get(str(inner[0]))
    return found.kind.inner if found and (len(inner) > 1 or not found.kind.by_name) else None
