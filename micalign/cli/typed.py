"""How are a length, a level, a room, a place and a tape read from one word of a command line?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import click

from micalign.errors import SceneError

if TYPE_CHECKING:
    from micalign.scene.model import Coordinates, Room, Tape

__all__ = ["UNITS", "a_place", "a_room", "a_tape", "lengths_of", "spoken_unit", "two_lengths"]

UNITS: Final = ("m", "cm", "mm", "ft", "in")


def spoken_unit(texts: Sequence[str], unit: str | None) -> str:
    """The unit asked for, else the first that the lengths name, else cm."""
    from micalign.scene.quantities import unit_in  # noqa: PLC0415 - so that --help costs only click

    return unit or next((said for text in texts if (said := unit_in(text))), "cm")


def two_lengths(texts: Sequence[str], unit: str | None, option: str) -> tuple[float, float]:
    """Two different lengths between 1 mm and 100 m, in metres."""
    from micalign.scene.quantities import parse_length  # noqa: PLC0415 - as above

    shown = spoken_unit(texts, unit)
    try:
        first, second = (parse_length(text, shown) for text in texts)
    except ValueError as error:
        raise click.UsageError(f"{option}: {error}") from error
    if min(first, second) < 0.001 or max(first, second) > 100.0:
        raise click.UsageError(f"{option}: each must lie between 1 mm and 100 m")
    if abs(first - second) < 1e-4:
        raise click.UsageError(f"{option}: equal distances make no comb: give two that differ")
    return first, second


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
    width, depth, height = lengths_of(text, "--room", unit)
    if width is None or depth is None or height is None:
        raise SceneError(f"--room {text}: width, depth and height are all needed, or 'none'")
    if min(width, depth, height) <= 1.0:
        raise SceneError(f"--room {text}: a room of under 1 m is none: is --unit right ({unit})?")
    return Room((width, depth, height))


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
