"""How are a room, a place and a tape read from one word of a command line?"""

from __future__ import annotations

from micalign.errors import SceneError
from micalign.scene.model import Coordinates, Room, Tape
from micalign.scene.quantities import parse_length

__all__ = ["a_place", "a_room", "a_tape", "lengths_of"]


def lengths_of(text: str, option: str, unit: str) -> Coordinates:
    """Three lengths with commas between; '?' is one that is not known."""
    parts = [part.strip() for part in text.split(",")]
    if len(parts) != 3:
        raise SceneError(f'{option} {text}: write three lengths with commas between, such as "2.1,2.0,0.7"')
    x, y, z = (None if part == "?" else _length(part, f"{option} {text}", unit) for part in parts)
    return (x, y, z)


def _length(text: str, where: str, unit: str) -> float:
    try:
        return parse_length(text.strip(), unit)
    except ValueError as error:
        raise SceneError(f"{where}: {error}") from error


def a_room(text: str, unit: str) -> Room | None:
    """A room of three lengths; None for 'none', the open air."""
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
    names, equals, length = text.rpartition("=")
    ends = [name.strip() for name in names.split(",")]
    if not equals or len(ends) != 2 or not all(ends):
        raise SceneError(f'--tape {text}: write two names and a distance, such as --tape "snare,overhead left=41 in"')
    return Tape((ends[0], ends[1]), _length(length, f"--tape {text}", unit))
