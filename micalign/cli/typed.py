"""How are a length, a level, a room, a place and a tape read from one word of a command line?"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import click

from micalign.errors import SceneError

if TYPE_CHECKING:
    from micalign.scene.model import Coordinates, Room, Tape

__all__ = ["UNITS", "a_place", "a_room", "a_tape", "lengths_of", "spoken_unit", "two_lengths"]

UNITS: Final = ("m", "cm", "mm", "ft", "in")
_BETWEEN: Final = re.compile("[,x×]", re.IGNORECASE)
"""What people write between the lengths of a room."""


def spoken_unit(texts: Sequence[str], unit: str | None) -> str:
    """The unit asked for, else the first that the lengths name, else cm."""
    from micalign.scene.quantities import unit_in  # noqa: PLC0415 - so that --help costs only click

    return unit or next((said for text in texts if (said := unit_in(text))), "cm")


def two_lengths(texts: Sequence[str], unit: str | None, option: str) -> tuple[float, float]:
    """Two different lengths between 1 mm and 100 m, in metres."""
    from micalign.scene.quantities import parse_length  # noqa: PLC0415 - as above

    shown = spoken_unit(texts, unit)
    _refuse_no_unit(texts, unit, option)
    try:
        first, second = (parse_length(text, shown) for text in texts)
    except ValueError as error:
        raise click.UsageError(f"{option}: {error}") from error
    if min(first, second) < 0.001 or max(first, second) > 100.0:
        raise click.UsageError(f"{option}: each must lie between 1 mm and 100 m")
    if abs(first - second) < 1e-4:
        raise click.UsageError(f"{option}: equal distances make no comb: give two that differ")
    return first, second


def _refuse_no_unit(texts: Sequence[str], unit: str | None, option: str) -> None:
    """Two bare numbers may be metres or centimetres, a hundredfold apart: neither is guessed."""
    from micalign.scene.quantities import parse_length, unit_in  # noqa: PLC0415 - as above

    if unit is not None or any(unit_in(text) for text in texts):
        return
    try:
        told = [f"{parse_length(text, 'm'):g}" for text in texts]
    except ValueError:
        return  # no length at all, which is told by who reads it
    readings = (" ".join(f"{number}{name}" for number in told) for name in ("cm", "m"))
    raise click.UsageError(
        f"{option}: {' and '.join(told)} have no unit: write {' or '.join(readings)}, or give --unit"
    )


def lengths_of(text: str, option: str, unit: str) -> Coordinates:
    """Three lengths with commas between; '?' is one that is not known."""
    parts = [part.strip() for part in text.split(",")]
    if len(parts) != 3:
        raise SceneError(f'{option} {text}: write three lengths with commas between, such as "2.1,2.0,0.7"')
    x, y, z = (None if part == "?" else _length(part, f"{option} {text}", unit) for part in parts)
    return (x, y, z)


def _length(text: str, where: str, unit: str) -> float:
    from micalign.scene.quantities import parse_length  # noqa: PLC0415 - as above

    try:
        return parse_length(text.strip(), unit)
    except ValueError as error:
        raise SceneError(f"{where}: {error}") from error


def a_room(text: str, unit: str) -> Room | None:
    """A room of three lengths; None for 'none', the open air."""
    from micalign.scene.model import Room  # noqa: PLC0415 - as above

    if text.strip().casefold() == "none":
        return None
    width, depth, height = lengths_of(_room_text(text, unit), "--room", unit)
    if width is None or depth is None or height is None:
        raise SceneError(f"--room {text}: width, depth and height are all needed, or 'none'")
    if min(width, depth, height) <= 1.0:
        raise SceneError(f"--room {text}: a room of under 1 m is none: is --unit right ({unit})?")
    return Room((width, depth, height))


def _room_text(text: str, unit: str) -> str:
    """A room with commas between its lengths; after '4 x 5 x 2.5 m' the one unit is that of all three."""
    from micalign.scene.quantities import unit_in  # noqa: PLC0415 - as above
    from micalign.units import METRES  # noqa: PLC0415 - numpy, which --help must not pay for

    parts = [part.strip() for part in _BETWEEN.split(text)]
    named = [unit_in(part) for part in parts]
    last = named[-1]
    if "," not in text and last and not any(named[:-1]):
        parts = [f"{part} {last}" for part in parts[:-1]] + parts[-1:]
    whole = ", ".join(parts)
    if len(parts) == 2 and all(parts):
        height = f"{2.5 / METRES[last or unit]:.3g} {last or ''}".rstrip()
        raise SceneError(f"--room {text}: the height is missing: write all three, such as '{whole}, {height}'")
    if len(parts) != 3:
        raise SceneError(f"--room {text}: write width, depth and height, such as 4,5,2.5 or '4 x 5 x 2.5 m', or 'none'")
    return whole


def a_place(text: str, unit: str) -> tuple[str, Coordinates]:
    """``NAME=X,Y,Z``."""
    name, equals, at = text.partition("=")
    if not equals or not name.strip():
        raise SceneError(f'--at {text}: write a name and a place, such as --at "snare=2.1,2.0,0.7"')
    return name.strip(), lengths_of(at, "--at", unit)


def a_tape(text: str, unit: str) -> Tape:
    """``NAME,NAME=LENGTH``."""
    from micalign.scene.model import Tape  # noqa: PLC0415 - as above

    names, equals, length = text.rpartition("=")
    ends = [name.strip() for name in names.split(",")]
    if not equals or len(ends) != 2 or not all(ends):
        raise SceneError(f'--tape {text}: write two names and a distance, such as --tape "snare,overhead left=41 in"')
    return Tape((ends[0], ends[1]), _length(length, f"--tape {text}", unit))
