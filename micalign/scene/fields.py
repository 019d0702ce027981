"""The kinds of value that a key of the scene file may hold: how each is checked, and what editors see of it.

Every kind is a type with a check, which returns what is kept or raises ``ValueError`` with a sentence in plain words,
and a JSON Schema. Lengths come out in metres; the unit of bare numbers is handed in as ``context={"unit": ...}``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Final

from pydantic import PlainValidator, ValidationInfo, WithJsonSchema

from micalign.errors import unknown
from micalign.scene.model import PATTERNS, SURFACES, Coordinates, Point
from micalign.scene.quantities import LENGTH_PATTERN, AlonePlan, alone_plan, parse_length
from micalign.scene.tuned import (
    AIR_C,
    GAIN_DB,
    KINDS,
    LEAST_SIGMA_M,
    LEVEL_DB,
    LONGEST_NAME,
    MOST_CHANNELS,
    MOST_WEIGHT,
)

__all__ = [
    "Aim",
    "Alone",
    "At",
    "Celsius",
    "Channel",
    "Direction",
    "FaceSize",
    "Gain",
    "KindName",
    "Length",
    "LengthRange",
    "Level",
    "Name",
    "NamePair",
    "Names",
    "NumberRange",
    "PatternName",
    "PlusMinus",
    "Polarity",
    "Position",
    "PositiveLength",
    "Share",
    "Size",
    "Weight",
    "file_and_channel",
    "number",
    "shares",
]

_LENGTH_SCHEMA: Final[dict[str, Any]] = {
    "anyOf": [{"type": "number"}, {"type": "string", "pattern": LENGTH_PATTERN}],
    "description": 'A number in length_unit, or text with its own unit: "41 in", "3 ft 5 in", "62 cm".',
}
_COORDINATE_SCHEMA: Final[dict[str, Any]] = {"anyOf": [*_LENGTH_SCHEMA["anyOf"], {"const": "?"}]}
_NAME_SCHEMA: Final[dict[str, Any]] = {"type": "string", "minLength": 1, "maxLength": LONGEST_NAME}
_RANGE_TEXT: Final = "From, to; the smaller first."

_ALONE_SCHEMA: Final = {
    "anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}],
    "description": 'Stretches of the take: "0:05-0:14", "5.2-14", "240000-672000 samples"; or a folder.',
}


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
    if metres < LEAST_SIGMA_M:
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
    items = _items(value, 3, 'three lengths, [x, y, z]; "?" for one that a tape will give')
    x, y, z = (None if item == "?" else _length(item, info) for item in items)
    return (x, y, z)


def _size(value: object, info: ValidationInfo) -> Point:
    x, y, z = (_positive_length(item, info) for item in _items(value, 3, "three lengths, [width, depth, height]"))
    return (x, y, z)


def _face_size(value: object, info: ValidationInfo) -> tuple[float, float]:
    width, height = (_positive_length(item, info) for item in _items(value, 2, "two lengths, [width, height]"))
    return width, height


def _direction(value: object) -> Point:
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


def number(low: float, high: float, wanted: str) -> PlainValidator:
    """A finite number from ``low`` to ``high``, for ``Annotated``; ``wanted`` says what belongs there."""

    def check(value: object) -> float:
        found = _finite(value)
        if not low <= found <= high:
            raise ValueError(f"{found:g} is out of range: {wanted}")
        return found

    return PlainValidator(check, json_schema_input_type=float)


def _number_range(value: object) -> tuple[float, float]:
    low, high = (_finite(item) for item in _items(value, 2, "two numbers, [from, to]"))
    if low < 0 or low == high:
        raise ValueError(f"{value!r} must be two different numbers of zero or more")
    return _ordered(low, high, value)


def _name(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f"{value!r} is no name: write text in quotes")
    if len(value) > LONGEST_NAME:
        raise ValueError(f"a name has at most {LONGEST_NAME} characters")
    if any("\ud800" <= char <= "\udfff" for char in value):
        raise ValueError(f"{value!r} holds half a character, which no file can: type it again")
    return value


def _names(value: object) -> tuple[str, ...]:
    items = [value] if isinstance(value, str) else value
    if not isinstance(items, list | tuple):
        raise ValueError('write one name in quotes, or several: ["snare", "kick"]')
    found = tuple(_name(item) for item in items)
    if len(set(found)) < len(found):
        raise ValueError("a name stands there twice")
    return found


def _name_pair(value: object) -> tuple[str, str]:
    first, second = (_name(item) for item in _items(value, 2, 'two names, ["one", "other"]'))
    return first, second


def _aim(value: object, info: ValidationInfo) -> str | Point:
    return _name(value) if isinstance(value, str) else _point(value, info)


def _polarity(value: object) -> int:
    if isinstance(value, bool) or value not in (1, -1):
        raise ValueError(f"{value!r} is no polarity: write 1 or -1")
    return 1 if value == 1 else -1


def _one_of(known: Iterable[str], what: str) -> PlainValidator:
    """One of a few words; another one is refused, the nearest of them named."""
    words = list(known)

    def check(value: object) -> str:
        if not isinstance(value, str) or value not in words:
            raise ValueError(unknown(value, words, what))
        return value

    return PlainValidator(check)


def _channel(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= MOST_CHANNELS:
        raise ValueError(f"{value!r} is no channel: count from 1")
    return value


def _alone(value: object) -> AlonePlan:
    written: list[object] = value if isinstance(value, list) else [value]
    texts = [text for text in written if isinstance(text, str)]
    if len(texts) < len(written):
        raise ValueError('write times in quotes, as in ["0:05-0:14"], or the folder of a recording of its own')
    return alone_plan("", texts)


def shares(value: object) -> object:
    """The absorption of each surface, where one stands for all of them."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return dict.fromkeys(SURFACES, value)
    if isinstance(value, Mapping):
        return value
    raise ValueError("write one share from 0 to 1, or { floor = 0.3, ceiling = 0.1, ... }")


def file_and_channel(value: object) -> object:
    """The keys of a track, where its file alone stands there."""
    if isinstance(value, str):
        return {"file": value}
    if isinstance(value, Mapping):
        return value
    raise ValueError('write a file name, or { file = "band.wav", channel = 2 }')


Length = Annotated[float, PlainValidator(_length), WithJsonSchema(_LENGTH_SCHEMA)]
PositiveLength = Annotated[float, PlainValidator(_positive_length), WithJsonSchema(_LENGTH_SCHEMA)]
PlusMinus = Annotated[float, PlainValidator(_plus_minus), WithJsonSchema(_LENGTH_SCHEMA)]
Position = Annotated[Point, PlainValidator(_point), WithJsonSchema(_array(_LENGTH_SCHEMA, 3, "x, y, z."))]
At = Annotated[
    Coordinates,
    PlainValidator(_coordinates),
    WithJsonSchema(_array(_COORDINATE_SCHEMA, 3, 'x, y, z; "?" where a tape will give it.')),
]
Size = Annotated[
    Point,
    PlainValidator(_size),
    WithJsonSchema(_array(_LENGTH_SCHEMA, 3, "Width (x), depth (y), height (z).")),
]
LengthRange = Annotated[
    tuple[float, float],
    PlainValidator(_length_range),
    WithJsonSchema(_array(_LENGTH_SCHEMA, 2, _RANGE_TEXT)),
]
NumberRange = Annotated[
    tuple[float, float],
    PlainValidator(_number_range),
    WithJsonSchema(_array({"type": "number", "minimum": 0}, 2, _RANGE_TEXT)),
]
FaceSize = Annotated[
    tuple[float, float],
    PlainValidator(_face_size),
    WithJsonSchema(_array(_LENGTH_SCHEMA, 2, "Width, height.")),
]
Direction = Annotated[
    Point,
    PlainValidator(_direction),
    WithJsonSchema(_array({"type": "number"}, 3, "A direction of any length: x, y, z.")),
]
Name = Annotated[str, PlainValidator(_name), WithJsonSchema(_NAME_SCHEMA)]
Names = Annotated[
    tuple[str, ...],
    PlainValidator(_names),
    WithJsonSchema({"anyOf": [_NAME_SCHEMA, {"type": "array", "items": _NAME_SCHEMA}]}),
]
NamePair = Annotated[tuple[str, str], PlainValidator(_name_pair), WithJsonSchema(_array(_NAME_SCHEMA, 2, "Two names."))]
Aim = Annotated[
    str | Point,
    PlainValidator(_aim),
    WithJsonSchema({"anyOf": [_NAME_SCHEMA, _array(_LENGTH_SCHEMA, 3, "A point: x, y, z.")]}),
]
Polarity = Annotated[int, PlainValidator(_polarity), WithJsonSchema({"enum": [1, -1]})]
PatternName = Annotated[str, _one_of(PATTERNS, "pattern"), WithJsonSchema({"enum": list(PATTERNS)})]
KindName = Annotated[str, _one_of(KINDS, "kind"), WithJsonSchema({"enum": list(KINDS)})]
Gain = Annotated[float, number(*GAIN_DB, "a level in dB lies between -200 and 100")]
Level = Annotated[float, number(*LEVEL_DB, "a level at 1 m lies between -100 and 150 dB")]
Weight = Annotated[float, number(0.0, MOST_WEIGHT, "a weight lies between 0 and 1000")]
Celsius = Annotated[float, number(*AIR_C, "-20 to 50 degrees Celsius (was it read in Fahrenheit?)")]
Share = Annotated[float, number(0.0, 1.0, "an absorption is a share of the energy, 0 to 1 (30 % is 0.30)")]
Channel = Annotated[
    int, PlainValidator(_channel), WithJsonSchema({"type": "integer", "minimum": 1, "maximum": MOST_CHANNELS})
]
Alone = Annotated[AlonePlan, PlainValidator(_alone), WithJsonSchema(_ALONE_SCHEMA)]
