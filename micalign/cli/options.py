"""Every option that commands share, defined once."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

__all__ = [
    "PATH",
    "FiniteRange",
    "force_option",
    "json_option",
    "name_of",
    "out_option",
    "page_path",
    "quiet_option",
    "scene_argument",
    "scene_option",
    "strike_option",
]

_Command = TypeVar("_Command", bound=Callable[..., Any])


class FiniteRange(click.FloatRange):
    """A range of numbers that 'nan' and 'inf' are not in; click's own lets 'nan' by."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number, or a refusal."""
        number: float = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{number} is no finite number.", param, ctx)
        return number


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


def json_option(command: _Command) -> _Command:
    """``--json``."""
    return click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output, nothing else.")(
        command
    )


def quiet_option(command: _Command) -> _Command:
    """``-q/--quiet``."""
    return click.option("-q", "--quiet", is_flag=True, help="No progress and no notes on standard error.")(command)


def force_option(command: _Command) -> _Command:
    """``--force``."""
    return click.option("--force", is_flag=True, help="Replace files that exist.")(command)


def out_option(help_text: str, *names: str, default: str | None = None) -> Callable[[_Command], _Command]:
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


def name_of(scene: Path) -> str:
    """What files made from a scene are called after: its own name without the ending."""
    return "scene" if str(scene) == "-" else scene.stem


def scene_argument(command: _Command) -> _Command:
    """The scene file as the argument."""
    return click.argument("scene", type=PATH, metavar="SCENE")(command)


def scene_option(command: _Command) -> _Command:
    """``--scene``."""
    return click.option(
        "--scene",
        "scenes",
        multiple=True,
        type=PATH,
        metavar="SCENE",
        help="Scene file (TOML) that names the tracks; several: a song each.  [default: none, TRACKs are given]",
    )(command)


def page_path(out: Path | None, default: Path) -> Path:
    """Where a page goes; a name that promises another kind of file is refused."""
    target = out or default
    if target.suffix.casefold() not in {"", ".html", ".htm"}:
        raise click.UsageError(
            f"--out: '{target}' is no name of a page: end it in .html (a browser prints the page to PDF)"
        )
    return target


def tracks_argument(command: _Command) -> _Command:
    """The reference and the tracks held against it."""
    return click.argument("tracks", nargs=-1, metavar="[REFERENCE TRACK...]")(command)


def reference_option(command: _Command) -> _Command:
    """``--reference``."""
    return click.option(
        "--reference",
        metavar="TRACK",
        help="With --scene: the track the others are held against.  [default: one that suits]",
    )(command)


def max_delay_option(command: _Command) -> _Command:
    """``--max-delay-ms``."""
    return click.option(
        "--max-delay-ms",
        type=FiniteRange(min=0.1, max=60_000.0),
        default=50.0,
        show_default=True,
        help="Largest delay looked for, either way, in ms; beyond 2000 ms the rough place is found by loudness first.",
    )(command)


def drift_option(command: _Command) -> _Command:
    """``--drift``."""
    return click.option("--drift", is_flag=True, help="Look for a difference between the clocks of two recorders.")(
        command
    )


def timestamps_option(command: _Command) -> _Command:
    """``--ignore-timestamps``."""
    return click.option(
        "--ignore-timestamps",
        is_flag=True,
        help="Take all files to begin at one instant, whatever their time stamps say.",
    )(command)


def resample_option(command: _Command) -> _Command:
    """``--resample``."""
    return click.option("--resample", is_flag=True, help="Bring tracks of other sample rates to the reference's.")(
        command
    )


def loopback_option(command: _Command) -> _Command:
    """``--loopback``."""
    return click.option(
        "--loopback",
        metavar="FILE",
        help="REFERENCE recorded back through the interface: its latency is used for all.  [default: none]",
    )(command)


def alone_option(command: _Command) -> _Command:
    """``--alone``."""
    return click.option(
        "--alone",
        "alone",
        multiple=True,
        metavar="SOURCE=FROM-TO",
        help='With --scene: where a source sounds alone, as in "snare=0:05-0:14" (seconds, m:ss or samples; or a '
        "folder). May be repeated.  [default: as the scene says]",
    )(command)


def strike_option(command: _Command) -> _Command:
    """``--strike``."""
    return click.option(
        "--strike",
        "strike",
        multiple=True,
        metavar="FROM-TO",
        help='A stretch that was found by itself and is wrong, as in "0:03.1-0:11.8": it is not used. May be '
        "repeated.  [default: none]",
    )(command)
