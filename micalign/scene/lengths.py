"""Lengths as people write them, in metres.

A bare number is in the scene's ``length_unit``; a string may carry its own unit or units: ``"41 in"``,
``"3 ft 5 1/2 in"``, ``"62 cm"``, ``3' 5"``.
"""

from __future__ import annotations

import math
import re
from itertools import pairwise
from typing import Final

from micalign.units import METRES

__all__ = ["LENGTH_PATTERN", "LENGTH_UNITS", "parse_length", "told_unit"]

LENGTH_UNITS: Final = tuple(METRES)

_SPELLINGS: Final = {
    **{unit: unit for unit in METRES},
    "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "centimetre": "cm", "centimetres": "cm", "centimeter": "cm", "centimeters": "cm",
    "millimetre": "mm", "millimetres": "mm", "millimeter": "mm", "millimeters": "mm",
    "foot": "ft", "feet": "ft", "inch": "in", "inches": "in",
    "'": "ft", "′": "ft", "’": "ft", '"': "in", "″": "in", "”": "in", "''": "in",
}  # fmt: skip

_NUMBER: Final = r"\d+\s+\d+/\d+|\d+/\d+|\d+\.\d*|\.\d+|\d+"
_UNIT: Final = r"[A-Za-z]+|''|['′’\"″”]"
_PART: Final = re.compile(rf"\s*({_NUMBER})\s*({_UNIT})?\s*", re.ASCII)

LENGTH_PATTERN: Final = rf"^\s*[+-]?(\s*({_NUMBER})\s*({_UNIT})?\s*)+$"
"""What a length string looks like, for the JSON Schema."""

_LONGEST: Final = 64  # characters; a length is short, and a hostile string must not cost time
_FARTHEST_M: Final = 10_000.0


def parse_length(value: object, unit: str = "m") -> float:
    """Metres of a number or a string.

    Parameters
    ----------
    value : int, float or str
        A bare number (also in a string) is in ``unit``.
    unit : {"m", "cm", "mm", "ft", "in"}
        The unit of bare numbers.

    Returns
    -------
    float
        Metres; negative where the text begins with a minus.

    Raises
    ------
    ValueError
        If it is no length; the message says what was met and how a length is written.

    Examples
    --------
    >>> [round(parse_length(text, "cm"), 4) for text in ("41 in", "3 ft 5 1/2 in", 62)]
    [1.0414, 1.0541, 0.62]
    >>> parse_length('5\\' 6"') == parse_length("5.5 ft")
    True
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise ValueError(f'{_shown(value)} is no length: write a number, or a string such as "62 cm"')
    if isinstance(value, str):
        return _checked(_parse_text(value, unit), value)
    return _checked(_as_float(value) * METRES[unit], value)


def told_unit(text: str) -> str | None:
    """The first unit that a length names, None where it names none or is no length.

    >>> told_unit("3 ft 5 in"), told_unit("1.2 metres"), told_unit("12")
    ('ft', 'm', None)
    """
    spelled = [spelling.casefold() for _, spelling in _parts(text.strip()[:_LONGEST]) if spelling]
    return _SPELLINGS.get(spelled[0]) if spelled else None


def _as_float(value: float) -> float:
    try:
        return float(value)
    except OverflowError:
        return math.inf


def _checked(metres: float, value: object) -> float:
    if not math.isfinite(metres):
        raise ValueError(f"{_shown(value)} is no length: write a finite number")
    if abs(metres) > _FARTHEST_M:
        raise ValueError(f"{_shown(value)} is more than 10 km: is the unit right?")
    return metres


def _parse_text(text: str, unit: str) -> float:
    body = text.strip()
    sign = -1.0 if body.startswith(("-", "−")) else 1.0
    body = body.lstrip("+-−") if body[1:2].isdigit() or body[1:2] in {" ", "."} else body
    parts = _parts(body) if len(text) <= _LONGEST else []
    if not parts:
        hint = ' (a decimal point, not a comma: "0.62 m")' if "," in text[:_LONGEST] else ""
        raise ValueError(f'{_shown(text)} is no length: write for example "62 cm", "41 in" or "3 ft 5 in"{hint}')
    if len(parts) > 1 and any(not written for _, written in parts):
        raise ValueError(f"{_shown(text)} has a number without a unit beside one that has it")
    units = [_SPELLINGS.get(written.lower()) if written else unit for _, written in parts]
    for (_, written), known in zip(parts, units, strict=True):
        if known is None:
            raise ValueError(f"{_shown(text)} has the unit {_shown(written)}: micalign knows m, cm, mm, ft and in")
    scales = [METRES[known] for known in units if known is not None]
    if any(later >= earlier for earlier, later in pairwise(scales)):
        raise ValueError(f"{_shown(text)} must go from the larger unit to the smaller, each once")
    return sign * sum(_number(number) * scale for (number, _), scale in zip(parts, scales, strict=True))


def _parts(body: str) -> list[tuple[str, str]]:
    parts, position = [], 0
    while position < len(body):
        match = _PART.match(body, position)
        if match is None:
            return []
        parts.append((match[1], match[2] or ""))
        position = match.end()
    return parts


def _number(text: str) -> float:
    whole, _, fraction = text.rpartition(" ") if "/" in text else (text, "", "")
    if not fraction:
        return float(whole)
    above, below = fraction.split("/")
    if int(below) == 0:
        raise ValueError(f"{_shown(text)} divides by zero")
    return (float(whole) if whole.strip() else 0.0) + int(above) / int(below)


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."
