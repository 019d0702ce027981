"""What do commands share? Their options, and how a length, a room, a place and a tape are read from one word."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol, TypeVar

import click

from micalign.errors import SceneError

if TYPE_CHECKING:
    from micalign.scene.model import Coordinates, Room, Tape

__all__ = [
    "PATH",
    "UNITS",
    "FiniteRange",
    "a_place",
    "a_room",
    "a_tape",
    "answer_options",
    "basis_options",
    "clock_options",
    "file_options",
    "lengths_of",
    "loopback_option",
    "max_delay_option",
    "name_of",
    "out_option",
    "page_path",
    "quiet_option",
    "scene_argument",
    "scene_option",
    "songs_options",
    "spoken_unit",
    "strike_option",
    "timestamps_option",
    "tracks_options",
    "two_lengths",
    "write_option",
]

_Command = TypeVar("_Command", bound=Callable[..., Any])


class Decorator(Protocol):
    """What adds an option or several to a command."""

    def __call__(self, command: _Command, /) -> _Command:
        """The command with them."""
        ...


class FiniteRange(click.FloatRange):
    """A range of numbers that 'nan' and 'inf' are not in; click's own lets 'nan' by."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number, or a refusal that says which are taken."""
        try:
            number = float(value)
        except ValueError:
            hint = ": write a point, not a comma" if "," in str(value) else ""
            self.fail(f"'{value}' is no number{hint}.", param, ctx)
        if not math.isfinite(number):
            self.fail(f"{number} is no finite number.", param, ctx)
        if (self.min is not None and number < self.min) or (self.max is not None and number > self.max):
            lowest = "" if self.min is None else f" from {self.min:g}"
            highest = "" if self.max is None else f" to {self.max:g}"
            self.fail(f"{number:g} is out of reach: give a number{lowest}{highest or ' on'}.", param, ctx)
        found: float = super().convert(value, param, ctx)
        return found


class _AnyPath(click.Path):
    """A path as it is given; existence is checked where it is opened, so that library and program refuse alike."""

    def convert(
        self, value: str | os.PathLike[str], param: click.Parameter | None, ctx: click.Context | None
    ) -> str | bytes | os.PathLike[str]:
        """The path, or a refusal of what no system can look for."""
        if str(value) == "":
            self.fail("an empty name names no file or folder.", param, ctx)
        if "\0" in str(value):
            self.fail(f"{str(value)!r} holds a zero byte, which no file's name can.", param, ctx)
        return super().convert(value, param, ctx)


PATH = _AnyPath(path_type=Path)


def _all_of(*options: Decorator) -> Decorator:
    """Several options as one, in the order in which --help lists them."""

    def decorate(command: _Command) -> _Command:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


_force_option: Decorator = click.option("--force", is_flag=True, help="Replace files that exist.")
_json_option: Decorator = click.option(
    "--json", "as_json", is_flag=True, help="One JSON document on standard output, nothing else."
)
quiet_option: Decorator = click.option(
    "-q", "--quiet", is_flag=True, help="No progress and no notes on standard error."
)
answer_options = _all_of(_json_option, quiet_option)
"""How a command that writes no files answers."""
file_options = _all_of(_force_option, answer_options)
"""How a command that writes files answers."""

scene_argument: Decorator = click.argument("scene", type=PATH, metavar="SCENE")
scene_option: Decorator = click.option(
    "--scene",
    "scenes",
    multiple=True,
    type=PATH,
    metavar="SCENE",
    help="Scene file (TOML) that names the tracks; several: a song each.  [default: none, TRACKs are given]",
)
songs_options = _all_of(
    click.option(
        "--songs",
        multiple=True,
        type=PATH,
        metavar="FOLDER",
        help="Several songs, each a folder of tracks in FOLDER; with a scene, its tracks in each. May be repeated.  "
        "[default: one take]",
    ),
    click.option(
        "--resume",
        type=PATH,
        metavar="FILE",
        help="With several songs: keep in FILE what is done, and go on from there when run again.  "
        "[default: 'songs.json' beside aligned sets, else nothing is kept]",
    ),
)
tracks_options = _all_of(
    click.argument("tracks", nargs=-1, metavar="[REFERENCE TRACK...]"), scene_option, songs_options
)
"""Which tracks are measured, and against which."""

strike_option: Decorator = click.option(
    "--strike",
    "strike",
    multiple=True,
    metavar="FROM-TO",
    help='A stretch that was found by itself and is wrong, as in "0:03.1-0:11.8": it is not used. May be '
    "repeated.  [default: none]",
)
basis_options = _all_of(
    click.option(
        "--reference",
        metavar="TRACK",
        help="The track the others are held against; a file that is not among them is added.  [default: with --scene "
        "one that suits, else the first]",
    ),
    click.option(
        "--alone",
        "alone",
        multiple=True,
        metavar="SOURCE=FROM-TO",
        help='With --scene: where a source sounds alone, as in "snare=0:05-0:14" (seconds, m:ss or samples; or a '
        "folder). May be repeated.  [default: as the scene says]",
    ),
    strike_option,
)
"""Against which track and on which stretches is measured."""

max_delay_option: Decorator = click.option(
    "--max-delay-ms",
    type=FiniteRange(min=0.1, max=60_000.0),
    default=50.0,
    show_default=True,
    help="Largest delay looked for, either way, in ms; beyond 2000 ms the rough place is found by loudness first.",
)
loopback_option: Decorator = click.option(
    "--loopback",
    metavar="FILE",
    help="REFERENCE recorded back through the interface: its latency is used for all.  [default: none]",
)
timestamps_option: Decorator = click.option(
    "--ignore-timestamps",
    is_flag=True,
    help="Take all files to begin at one instant, whatever their time stamps say.",
)
clock_options = _all_of(
    timestamps_option,
    click.option("--resample", is_flag=True, help="Bring tracks of other sample rates to the reference's."),
)
"""How files come to one clock."""


def out_option(help_text: str, *names: str, default: str | None = None) -> Decorator:
    """``-o/--out`` with the command's own words, and other names for it."""
    return click.option(
        "-o",
        "--out",
        *names,
        "out",
        type=PATH,
        default=default,
        show_default=default is not None,
        metavar="PATH",
        help=help_text,
    )


def write_option(help_text: str) -> Decorator:
    """``--write``, or ``-o/--out``, of a command that writes a new scene where it is asked to."""
    return click.option("--write", "-o", "--out", "write", type=PATH, metavar="NEW.toml", help=help_text)


def name_of(scene: Path) -> str:
    """What files made from a scene are called after: its own name without the ending."""
    return "scene" if str(scene) == "-" else scene.stem


def page_path(out: Path | None, default: Path) -> Path:
    """Where a page goes; a name that promises another kind of file is refused."""
    target = out or default
    if target.suffix.casefold() not in {"", ".html", ".htm"}:
        raise click.UsageError(
            f"--out: '{target}' is no name of a page: end it in .html (a browser prints the page to PDF)"
        )
    return target


UNITS: Final = ("m", "cm", "mm", "ft", "in")
_SHORTEST_M: Final = 0.001  # a shorter way is a slip of the pen
_LONGEST_M: Final = 100.0  # so is a longer one, beyond any room
_ALIKE_M: Final = 1e-4  # their first notch would lie above 1.7 MHz
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
    if min(first, second) < _SHORTEST_M or max(first, second) > _LONGEST_M:
        raise click.UsageError(f"{option}: each must lie between 1 mm and 100 m")
    if abs(first - second) < _ALIKE_M:
        raise click.UsageError(f"{option}: equal distances make no comb: give two that differ")
    return first, second


def _refuse_no_unit(texts: Sequence[str], unit: str | None, option: str) -> None:
    """Two bare numbers may be metres or centimetres, a hundredfold apart: neither is guessed."""
    from micalign.scene.quantities import parse_length, unit_in  # noqa: PLC0415 - as above

    if unit is not None or any(unit_in(text) for text in texts):
        return
    try:
        bare = [f"{parse_length(text, 'm'):g}" for text in texts]
    except ValueError:
        return  # no length at all, which is refused by who reads it
    readings = (" ".join(f"{number}{name}" for number in bare) for name in ("cm", "m"))
    raise click.UsageError(
        f"{option}: {' and '.join(bare)} have no unit: write {' or '.join(readings)}, or give --unit"
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
