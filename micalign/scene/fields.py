"""What may stand in a table of the scene file: how a table is checked, and the kinds of value its keys may hold.

A table is a class whose attributes are made by `key` and `optional`: the class says what may stand in the file, an
instance what stood in it. Every kind of value is a check, which raises ``ValueError`` with a sentence in plain words,
and the JSON Schema that editors see. Lengths come out in metres; the unit of bare numbers is handed in as
``context={"unit": ...}``.

The checks are put together with `pydantic_core.core_schema`, each table's when the first of its kind is read. The same
tables as plain pydantic models were tried: to read a scene then took 0.24 s of processor time instead of 0.13, imports
and all (importing numpy and pydantic: 0.11), which ``check`` may not spend.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from typing import Any, ClassVar, Final, Generic, TypeVar, cast

from pydantic_core import CoreSchema, SchemaValidator
from pydantic_core import core_schema as core
from pydantic_core.core_schema import ValidationInfo

from micalign.errors import nearest
from micalign.scene.kinds import KINDS
from micalign.scene.lengths import LENGTH_PATTERN, parse_length
from micalign.scene.model import PATTERNS, Coordinates, Point

__all__ = [
    "AIM",
    "AT",
    "DIRECTION",
    "FACE_SIZE",
    "GAIN",
    "KIND",
    "LENGTH",
    "LENGTH_RANGE",
    "NAME",
    "NAMES",
    "NAME_PAIR",
    "NUMBER_RANGE",
    "PATTERN",
    "PLUS_MINUS",
    "POINT",
    "POLARITY",
    "POSITIVE_LENGTH",
    "SHARE",
    "SIZE",
    "Entry",
    "Key",
    "Kind",
    "key",
    "kind",
    "mapping",
    "number",
    "optional",
    "table",
]

_Kept = TypeVar("_Kept")
_Kept_co = TypeVar("_Kept_co", covariant=True)
_Made = TypeVar("_Made", bound="Entry")

_REQUIRED: Final[Any] = object()


class Kind(Generic[_Kept_co]):
    """What a key may hold; ``inner`` is the table whose keys stand in it, ``by_name`` below names of the user's own."""

    __slots__ = ("by_name", "inner", "schema")

    def __init__(self, schema: CoreSchema, inner: type[Entry] | None = None, *, by_name: bool = False) -> None:
        self.schema = schema
        self.inner = inner
        self.by_name = by_name


def kind(check: Callable[[Any, ValidationInfo], _Kept], json_schema: Mapping[str, Any]) -> Kind[_Kept]:
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


_LENGTH_SCHEMA: Final[dict[str, Any]] = {
    "anyOf": [{"type": "number"}, {"type": "string", "pattern": LENGTH_PATTERN}],
    "description": 'A number in length_unit, or text with its own unit: "41 in", "3 ft 5 in", "62 cm".',
}
_COORDINATE_SCHEMA: Final[dict[str, Any]] = {"anyOf": [*_LENGTH_SCHEMA["anyOf"], {"const": "?"}]}
_NAME_SCHEMA: Final[dict[str, Any]] = {"type": "string", "minLength": 1, "maxLength": 200}


def _array(items: dict[str, Any], count: int, description: str) -> dict[str, Any]:
    return {"type": "array", "items": items, "minItems": count, "maxItems": count, "description": description}


def _unit(info: ValidationInfo) -> str:
    context: dict[str, str] = info.context or {}
    return context.get("unit", "m")


def _length(value: object, info: ValidationInfo) -> float:
    return parse_length(value, _unit(info))


def _positive_length(value: object, info: ValidationInfo) -> float:
    metres = _length(value, info)
    if metres <= 0:
        raise ValueError(f"{value!r} must be more than zero")
    return metres


def _plus_minus(value: object, info: ValidationInfo) -> float:
    metres = _positive_length(value, info)
    if metres < 1e-6:
        raise ValueError(f"{value!r} is less than a thousandth of a millimetre: no tape is that sure")
    return metres


def _items(value: object, count: int, wanted: str) -> list[object]:
    if not isinstance(value, list | tuple) or len(value) != count:
        raise ValueError(f"write {wanted}")
    return list(value)


def _point(value: object, info: ValidationInfo) -> Point:
    x, y, z = (_length(item, info) for item in _items(value, 3, "three lengths, [x, y, z]"))
    return (x, y, z)


def _coordinates(value: object, info: ValidationInfo) -> Coordinates:
    items = _items(value, 3, 'three lengths, [x, y, z]; "?" for one that a tape will tell')
    x, y, z = (None if item == "?" else _length(item, info) for item in items)
    return (x, y, z)


def _size(value: object, info: ValidationInfo) -> Point:
    x, y, z = (_positive_length(item, info) for item in _items(value, 3, "three lengths, [width, depth, height]"))
    return (x, y, z)


def _face_size(value: object, info: ValidationInfo) -> tuple[float, float]:
    width, height = (_positive_length(item, info) for item in _items(value, 2, "two lengths, [width, height]"))
    return width, height


def _direction(value: object, _: ValidationInfo) -> Point:
    x, y, z = (_finite(item) for item in _items(value, 3, "three numbers, [x, y, z]"))
    largest = max(abs(x), abs(y), abs(z))
    # Only its way counts; squares of very small or large parts would be none.
    return (x, y, z) if largest == 0 or 1e-9 < largest < 1e9 else (x / largest, y / largest, z / largest)


def _length_range(value: object, info: ValidationInfo) -> tuple[float, float]:
    low, high = (_length(item, info) for item in _items(value, 2, "two lengths, [from, to]"))
    return _ordered(low, high, value)


def _ordered(low: float, high: float, value: object) -> tuple[float, float]:
    if low > high:
        raise ValueError(f"{value!r} runs backwards: write the smaller first")
    return low, high


def _finite(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{value!r} is no number" if len(repr(value)) < 60 else "is no number")
    try:
        result = float(value)
    except OverflowError:
        result = math.inf
    if not math.isfinite(result):
        raise ValueError(f"{result} is no finite number")
    return result


def number(low: float, high: float, wanted: str) -> Kind[float]:
    """A finite number from ``low`` to ``high``; ``wanted`` says what belongs there."""

    def check(value: object, _: ValidationInfo) -> float:
        found = _finite(value)
        if not low <= found <= high:
            raise ValueError(f"{found:g} is out of range: {wanted}")
        return found

    return kind(check, {"type": "number"})


def _number_range(value: object, _: ValidationInfo) -> tuple[float, float]:
    low, high = (_finite(item) for item in _items(value, 2, "two numbers, [from, to]"))
    if low < 0 or low == high:
        raise ValueError(f"{value!r} must be two different numbers of zero or more")
    return _ordered(low, high, value)


def _name(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f"{value!r} is no name: write text in quotes")
    if len(value) > 200:
        raise ValueError("a name has at most 200 characters")
    if any("\ud800" <= char <= "\udfff" for char in value):
        raise ValueError(f"{value!r} holds half a character, which no file can: type it again")
    return value


def _names(value: object, _: ValidationInfo) -> tuple[str, ...]:
    items = [value] if isinstance(value, str) else value
    if not isinstance(items, list | tuple):
        raise ValueError('write one name in quotes, or several: ["snare", "kick"]')
    found = tuple(_name(item) for item in items)
    if len(set(found)) < len(found):
        raise ValueError("a name stands there twice")
    return found


def _name_pair(value: object, _: ValidationInfo) -> tuple[str, str]:
    first, second = (_name(item) for item in _items(value, 2, 'two names, ["one", "other"]'))
    return first, second


def _aim(value: object, info: ValidationInfo) -> str | Point:
    return _name(value) if isinstance(value, str) else _point(value, info)


def _polarity(value: object, _: ValidationInfo) -> int:
    if isinstance(value, bool) or value not in (1, -1):
        raise ValueError(f"{value!r} is no polarity: write 1 or -1")
    return 1 if value == 1 else -1


def _one_of(known: Iterable[str], what: str) -> Kind[str]:
    """One of a few words; another one is refused, the nearest of them named."""
    words = list(known)

    def check(value: object, _: ValidationInfo) -> str:
        if not isinstance(value, str) or value not in words:
            hint = nearest(value, words) if isinstance(value, str) else ""
            raise ValueError(f"{value!r} is no {what} micalign knows ({', '.join(words)}){hint}")
        return value

    return kind(check, {"enum": words})


_RANGE_TEXT: Final = "From, to; the smaller first."

LENGTH: Final = kind(_length, _LENGTH_SCHEMA)
POSITIVE_LENGTH: Final = kind(_positive_length, _LENGTH_SCHEMA)
PLUS_MINUS: Final = kind(_plus_minus, _LENGTH_SCHEMA)
POINT: Final = kind(_point, _array(_LENGTH_SCHEMA, 3, "x, y, z."))
AT: Final = kind(_coordinates, _array(_COORDINATE_SCHEMA, 3, 'x, y, z; "?" where a tape will tell.'))
SIZE: Final = kind(_size, _array(_LENGTH_SCHEMA, 3, "Width (x), depth (y), height (z)."))
LENGTH_RANGE: Final = kind(_length_range, _array(_LENGTH_SCHEMA, 2, _RANGE_TEXT))
NUMBER_RANGE: Final = kind(_number_range, _array({"type": "number", "minimum": 0}, 2, _RANGE_TEXT))
FACE_SIZE: Final = kind(_face_size, _array(_LENGTH_SCHEMA, 2, "Width, height."))
DIRECTION: Final = kind(_direction, _array({"type": "number"}, 3, "A direction of any length: x, y, z."))
NAME: Final = kind(lambda value, _: _name(value), _NAME_SCHEMA)
NAMES: Final = kind(_names, {"anyOf": [_NAME_SCHEMA, {"type": "array", "items": _NAME_SCHEMA}]})
NAME_PAIR: Final = kind(_name_pair, _array(_NAME_SCHEMA, 2, "Two names."))
AIM: Final = kind(_aim, {"anyOf": [_NAME_SCHEMA, _array(_LENGTH_SCHEMA, 3, "A point: x, y, z.")]})
POLARITY: Final = kind(_polarity, {"enum": [1, -1]})
PATTERN: Final = _one_of(PATTERNS, "pattern")
KIND: Final = _one_of(KINDS, "kind")
GAIN: Final = number(-200.0, 100.0, "a level in dB lies between -200 and 100")
SHARE: Final = number(0.0, 1.0, "an absorption is a share of the energy, 0 to 1 (30 % is 0.30)")
