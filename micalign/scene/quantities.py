"""Lengths and stretches of time as people write them.

A bare length is in the scene's ``length_unit``; text may carry its own unit or units: ``"41 in"``,
``"3 ft 5 1/2 in"``, ``"62 cm"``, ``3' 5"``. Lengths come out in metres.

A stretch is ``begin-end``; each bound is seconds (``5.2``), ``m:ss`` (``0:05.2``), ``h:mm:ss``, or a count of samples
with the word behind it (``240000-672000 samples``). Times count from the first sample of the reference. What is no
stretch is the folder of a recording that holds one source and nothing else.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from micalign.errors import SceneError
from micalign.scene.tuned import FARTHEST_M, LONGEST_LENGTH
from micalign.units import METRES

__all__ = [
    "LENGTH_PATTERN",
    "LENGTH_UNITS",
    "AlonePlan",
    "AloneStretch",
    "alone_plan",
    "alone_plans",
    "parse_length",
    "struck_stretches",
    "unit_in",
]

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

_FORMS: Final = "write seconds or m:ss, as in '0:05-0:14', '5.2-14', or '240000-672000 samples'"
_CLOCK: Final = r"(?:(?:\d{1,3}:)?\d{1,3}:[0-5]?\d|\d{1,9})(?:\.\d{1,9})?"
_STRETCH: Final = re.compile(rf"({_CLOCK})\s*(?:s\s*)?[-\u2013]\s*({_CLOCK})\s*(s|samples)?", re.ASCII)

_LIKE_TIMES: Final = re.compile(
    r"[-+\d.:\s\u2013]*(?:s|samples?|sec|ms|min)?\s*[-+\d.:\s\u2013]*(?:s|samples?|sec|ms|min)?"
)


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


def unit_in(text: str) -> str | None:
    """The first unit that a length names, None where it names none or is no length.

    >>> unit_in("3 ft 5 in"), unit_in("1.2 metres"), unit_in("12")
    ('ft', 'm', None)
    """
    spelled = [spelling.casefold() for _, spelling in _parts(text.strip()[:LONGEST_LENGTH]) if spelling]
    return _SPELLINGS.get(spelled[0]) if spelled else None


def _as_float(value: float) -> float:
    try:
        return float(value)
    except OverflowError:
        return math.inf


def _checked(metres: float, value: object) -> float:
    if not math.isfinite(metres):
        raise ValueError(f"{_shown(value)} is no length: write a finite number")
    if abs(metres) > FARTHEST_M:
        raise ValueError(f"{_shown(value)} is more than 10 km: is the unit right?")
    return metres


def _parse_text(text: str, unit: str) -> float:
    body = text.strip()
    sign = -1.0 if body.startswith(("-", "−")) else 1.0
    body = body.lstrip("+-−") if body[1:2].isdigit() or body[1:2] in {" ", "."} else body
    parts = _parts(body) if len(text) <= LONGEST_LENGTH else []
    if not parts:
        hint = ' (a decimal point, not a comma: "0.62 m")' if "," in text[:LONGEST_LENGTH] else ""
        raise ValueError(f'{_shown(text)} is no length: write for example "62 cm", "41 in" or "3 ft 5 in"{hint}')
    units = [_SPELLINGS.get(written.lower()) if written else unit for _, written in parts]
    for (_, written), known in zip(parts, units, strict=True):
        if known is None:
            raise ValueError(f"{_shown(text)} has the unit {_shown(written)}: micalign knows m, cm, mm, ft and in")
    if len(parts) > 1 and any(not written for _, written in parts):
        raise ValueError(f"{_shown(text)} has a number without a unit beside one that has it")
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


@dataclass(frozen=True, slots=True)
class AloneStretch:
    """From ``begin`` to ``end``, in seconds or in samples; ``text`` is how it was written."""

    begin: float
    end: float
    is_samples: bool
    text: str

    def seconds(self, sample_rate: int) -> tuple[float, float]:
        """Beginning and end in seconds of a take of that rate."""
        scale = sample_rate if self.is_samples else 1
        return self.begin / scale, self.end / scale

    @classmethod
    def parse(cls, text: str) -> AloneStretch:
        """A stretch from its text; ``ValueError`` with one sentence where it is none.

        >>> AloneStretch.parse("0:05-1:02.5").seconds(48000), AloneStretch.parse("48000-96000 samples").seconds(48000)
        ((5.0, 62.5), (1.0, 2.0))
        """
        found = _STRETCH.fullmatch(text.strip())
        if found is None:
            raise ValueError(f"'{text[:60]}' is no stretch of time: {_FORMS}{_comma_hint(text)}")
        samples = found.group(3) == "samples"
        if samples and not (found.group(1) + found.group(2)).isdigit():
            raise ValueError(f"'{text[:60]}' counts samples in fractions or minutes: {_FORMS}")
        begin, end = _seconds(found.group(1)), _seconds(found.group(2))
        if end == begin:
            raise ValueError(f"'{text[:60]}' lasts no time: write a later time at its end")
        if end < begin:
            raise ValueError(f"'{text[:60]}' ends before it begins: write the earlier time first")
        return cls(begin, end, samples, text.strip())


@dataclass(frozen=True, slots=True)
class AlonePlan:
    """Where a source sounds alone: stretches of the take, or the ``folder`` of a recording of its own."""

    source: str
    stretches: tuple[AloneStretch, ...] = ()
    folder: str | None = None

    @property
    def no_stretch(self) -> str:
        """What is wrong where its folder is not there: as a rule times were meant."""
        return f"alone '{self.source}': '{(self.folder or '')[:60]}' is no stretch of time: {_FORMS}"


def alone_plan(source: str, written: str | Iterable[str]) -> AlonePlan:
    """What stands behind a source's name: one stretch, several, or a folder; ``ValueError`` where it is neither.

    >>> alone_plan("snare", "linecheck/snare/").folder
    'linecheck/snare/'
    """
    texts = [written] if isinstance(written, str) else list(written)
    folders = [text for text in texts if not _LIKE_TIMES.fullmatch(text.strip())]
    if not texts or not all(text.strip() for text in texts):
        raise ValueError(f"no time stands there: {_FORMS}")
    if folders and len(texts) > 1:
        raise ValueError(f"'{folders[0][:60]}' is no stretch of time: {_FORMS}; a folder stands by itself")
    if folders:
        return AlonePlan(source, folder=folders[0])
    return AlonePlan(source, tuple(AloneStretch.parse(text) for text in texts))


def alone_plans(texts: Iterable[str]) -> tuple[AlonePlan, ...]:
    """What ``--alone "snare=0:05-0:14"`` says, once for each source; stretches of one source are put together.

    Raises
    ------
    SceneError
        With one sentence for each that cannot be read.

    Examples
    --------
    >>> [len(plan.stretches) for plan in alone_plans(["snare=0:05-0:14", "snare=20-25"])]
    [2]
    """
    written: dict[str, list[str]] = {}
    faults = []
    for text in texts:
        name, equals, said = text.partition("=")
        if not equals or not name.strip():
            faults.append(f"--alone '{text[:60]}' names no source: write it as in \"snare=0:05-0:14\"")
            continue
        written.setdefault(name.strip(), []).extend(part.strip() for part in said.split(","))
    plans = []
    for name, parts in written.items():
        try:
            plans.append(alone_plan(name, parts))
        except ValueError as error:
            faults.append(f"--alone '{name}': {error}{_comma_hint(','.join(parts))}")
    if faults:
        raise SceneError(faults)
    return tuple(plans)


def struck_stretches(texts: Iterable[str]) -> tuple[AloneStretch, ...]:
    """What ``--strike "0:03.1-0:11.8"`` says; `SceneError` with a sentence for each that is no stretch.

    >>> [one.begin for one in struck_stretches(["0:03.1-0:11.8"])]
    [3.1]
    """
    found, faults = [], []
    for text in texts:
        try:
            found.append(AloneStretch.parse(text))
        except ValueError as error:
            faults.append(f"--strike: {error}")
    if faults:
        raise SceneError(faults)
    return tuple(found)


def _comma_hint(text: str) -> str:
    return " (a decimal point, not a comma)" if re.search(r"\d,\d", text[:LONGEST_LENGTH]) else ""


def _seconds(clock: str) -> float:
    total = 0.0
    for part in clock.split(":"):
        total = 60.0 * total + float(part)
    return total
