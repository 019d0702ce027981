"""The JSON Schema of the scene file (draft 2020-12), as pydantic makes it from the checks of its tables."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic.json_schema import GenerateJsonSchema
from pydantic_core import core_schema as core

from micalign.scene.entry import Entry
from micalign.scene.lengths import LENGTH_UNITS

__all__ = ["schema_of"]


def schema_of(single: Mapping[str, type[Entry]], listed: Mapping[str, type[Entry]]) -> dict[str, Any]:
    """The schema of a file with tables that stand once and tables that may stand several times.

    Parameters
    ----------
    single, listed : mapping of key to Entry
        ``[key]`` and ``[[key]]`` in the file.
    """
    fields = {
        "title": _field(core.str_schema(), ""),
        "length_unit": _field(core.literal_schema(list(LENGTH_UNITS)), "m"),
        **{name: _once(name, entry) for name, entry in single.items()},
        **{name: _field(core.list_schema(entry.schema()), []) for name, entry in listed.items()},
    }
    made = GenerateJsonSchema().generate(core.typed_dict_schema(fields, extra_behavior="forbid"))
    return {
        "$schema": GenerateJsonSchema.schema_dialect,
        **made,
        "title": "micalign scene",
        "description": "A scene file: sources, mics and the room around them.",
    }


def _once(name: str, entry: type[Entry]) -> core.TypedDictField:
    """A table that may be left out; air there is in any case."""
    if name == "air":
        return _field(entry.schema(), entry({}).values)
    return _field(core.nullable_schema(entry.schema()), None)


def _field(schema: core.CoreSchema, default: Any) -> core.TypedDictField:
    return core.typed_dict_field(schema, required=False, metadata={"pydantic_js_updates": {"default": default}})
