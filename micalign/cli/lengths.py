"""How are two distances to one sound read from a command line?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import click

__all__ = ["UNITS", "spoken_unit", "two_lengths"]

UNITS: Final = ("m", "cm", "mm", "ft", "in")


def spoken_unit(texts: Sequence[str], unit: str | None) -> str:
    """The unit asked for, else the first that the lengths name, else cm."""
    from micalign.scene.quantities import unit_in  # noqa: PLC0415 - so that --help costs only click

    return unit or next((told for text in texts if (told := unit_in(text))), "cm")


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
