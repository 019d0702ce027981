"""What pydantic found wrong with a table, in a recordist's words."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from micalign.scene.crosscheck import Fault, Place, nearest

__all__ = ["faults_of"]


def faults_of(error: ValidationError, kind: type[BaseModel], place: Place, what: str) -> Iterator[Fault]:
    """One fault for each thing that is wrong with a table of ``kind`` at ``place``; ``what`` is its name."""
    for detail in error.errors(include_url=False, include_context=False):
        inner = tuple(detail["loc"])
        yield Fault((*place, *inner), what, _message(detail["type"], detail["msg"], inner, kind))


def _message(error_type: str, text: str, inner: Place, kind: type[BaseModel]) -> str:
    key = ".".join(str(word) for word in inner)
    if error_type == "missing":
        return f"'{key}' is missing"
    if error_type == "extra_forbidden":
        table = _table_at(kind, inner[:-1])
        known = table.model_fields if table else {}
        return f"'{_short(key)}' is no key here{nearest(str(inner[-1]), known) or _listing(known)}"
    said = text.removeprefix("Value error, ")
    if error_type != "value_error":
        said = said[:1].lower() + said[1:]
    return f"'{_short(key)}': {said}" if key else said


def _short(key: str) -> str:
    return key if len(key) <= 60 else key[:57] + "..."


def _listing(known: Any) -> str:
    return f"; its keys are {', '.join(known)}" if known else ""


def _table_at(kind: type[BaseModel], inner: Place) -> type[BaseModel] | None:
    """The model of a nested table, such as ``move`` of a mic."""
    if not inner:
        return kind
    field = kind.model_fields.get(str(inner[0]))
    candidates = [field.annotation, *get_args(field.annotation)] if field else []
    tables = [found for found in candidates if isinstance(found, type) and issubclass(found, BaseModel)]
    if tables:
        return _table_at(tables[0], inner[1:])
    values = [found for found in candidates if hasattr(found, "__metadata__")]
    nested = values[0].__origin__ if values else None
    return nested if isinstance(nested, type) and issubclass(nested, BaseModel) else None
