"""What every table of the scene file has in common: its keys, told one by one, and how pydantic's core checks it.

A table is a class whose attributes are made by `key` and `optional`: the class says what may stand in the file, an
instance what stood in it. The checks are put together with `pydantic_core.core_schema`, each table's when the first
of its kind is read: building the same tables as models took longer than everything else that ``check`` does.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, ClassVar, Final, Generic, TypeVar, cast

from pydantic_core import CoreSchema, SchemaValidator
from pydantic_core import core_schema as core

__all__ = ["Entry", "Key", "Kind", "key", "kind", "mapping", "optional", "table"]

_Kept = TypeVar("_Kept")
_Kept_co = TypeVar("_Kept_co", covariant=True)
_Made = TypeVar("_Made", bound="Entry")
_Context = core.ValidationInfo

_REQUIRED: Final[Any] = object()


class Kind(Generic[_Kept_co]):
    """What a key may hold; ``inner`` is the table whose keys stand in it, ``by_name`` below names of the user's own."""

    __slots__ = ("by_name", "inner", "schema")

    def __init__(self, schema: CoreSchema, inner: type[Entry] | None = None, *, by_name: bool = False) -> None:
        self.schema = schema
        self.inner = inner
        self.by_name = by_name


def kind(check: Callable[[Any, _Context], _Kept], json_schema: Mapping[str, Any]) -> Kind[_Kept]:
    """A kind by its check, which returns what is kept or raises ``ValueError``, and by what editors see of it."""
    return Kind(core.with_info_plain_validator_function(check, metadata=_told_as(json_schema)))


def table(entry: type[_Made], *, before: Callable[[Any], Any] | None = None, also: str = "") -> Kind[_Made]:
    """A table inside a table; ``before`` turns shorter ways to write it into its keys, of the JSON type ``also``."""
    if before is None:
        return Kind(entry.schema(), entry)
    written = core.union_schema([entry.schema(), cast(CoreSchema, {"type": also})])
    return Kind(core.no_info_before_validator_function(before, entry.schema(), json_schema_input_schema=written), entry)


def mapping(inner: Kind[_Kept]) -> Kind[dict[str, _Kept]]:
    """A table whose keys are the user's own names."""
    return Kind(core.dict_schema(core.str_schema(), inner.schema), inner.inner, by_name=True)


def _told_as(json_schema: Mapping[str, Any]) -> dict[str, Any]:
    return {"pydantic_js_functions": [lambda _schema, _handler: dict(json_schema)]}


class Key(Generic[_Kept]):
    """What may stand under one key; ``told`` is its description in the JSON Schema."""

    __slots__ = ("default", "kind", "schema", "told")

    def __init__(self, kind: Kind[_Kept], default: Any, told: str, *, may_be_null: bool = False) -> None:
        self.kind = kind
        self.schema = core.nullable_schema(kind.schema) if may_be_null else kind.schema
        self.default = default
        self.told = told

    @property
    def is_required(self) -> bool:
        """Whether the table is incomplete without it."""
        return self.default is _REQUIRED

    @property
    def field(self) -> core.TypedDictField:
        """For pydantic's core."""
        told: dict[str, Any] = {"description": self.told} if self.told else {}
        if not self.is_required:
            told["default"] = self.default.values if isinstance(self.default, Entry) else self.default
        return core.typed_dict_field(self.schema, required=self.is_required, metadata={"pydantic_js_updates": told})


def key(kind: Kind[_Kept], default: _Kept = _REQUIRED, *, told: str = "") -> _Kept:
    """A key that must stand there, or has a default; to a type checker it is the value that an instance holds."""
    return cast(_Kept, Key(kind, default, told))


def optional(kind: Kind[_Kept], *, told: str = "") -> _Kept | None:
    """A key that may be left out."""
    return cast("_Kept | None", Key(kind, None, told, may_be_null=True))


class Entry:
    """One table of the file; an unknown key is a fault."""

    keys: ClassVar[Mapping[str, Key[Any]]] = {}
    _validator: ClassVar[SchemaValidator | None] = None

    def __init_subclass__(cls) -> None:
        cls.keys = {name: found for name, found in vars(cls).items() if isinstance(found, Key)}

    def __init__(self, written: Mapping[str, Any]) -> None:
        self.__dict__.update({name: one.default for name, one in self.keys.items()} | dict(written))
        fault = self.fault()
        if fault:
            raise ValueError(fault)

    @property
    def values(self) -> dict[str, Any]:
        """What it holds under each of its keys."""
        return dict(self.__dict__)

    def fault(self) -> str:
        """What is wrong between the keys, each right by itself; nothing where all is well."""
        return ""

    @classmethod
    def schema(cls) -> CoreSchema:
        """For pydantic's core."""
        fields = core.typed_dict_schema({name: one.field for name, one in cls.keys.items()}, extra_behavior="forbid")
        told = {"title": cls.__name__, "description": cls.__doc__}
        return core.no_info_after_validator_function(
            cls, fields, ref=cls.__name__, metadata={"pydantic_js_updates": told}
        )

    @classmethod
    def read(cls: type[_Made], written: Mapping[str, object], unit: str) -> _Made:
        """The entry of a table as TOML gives it; bare lengths are in ``unit``.

        Raises
        ------
        pydantic.ValidationError
            With everything that is wrong in it.
        """
        if cls._validator is None:
            cls._validator = SchemaValidator(cls.schema())
        made: _Made = cls._validator.validate_python(written, context={"unit": unit})
        return made
