"""``micalign comb``: two distances to one sound, without a scene."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from micalign.cli.options import UNITS, FiniteRange, answer_options, spoken_unit, two_lengths

if TYPE_CHECKING:
    from micalign.report.comb_words import TwoPaths

__all__ = ["command"]


@click.command("comb")
@click.argument("distances", nargs=-1, metavar="[NEAR FAR]")
@click.option(
    "--ms",
    "--delay-ms",
    "delay_ms",
    type=FiniteRange(0.0, 1000.0, min_open=True),
    help="A delay in ms instead of two distances.  [default: none]",
)
@click.option(
    "--level-difference",
    "level_db",
    type=FiniteRange(-100.0, 100.0),
    metavar="DB",
    help="How much softer the later one is, in dB.  [default: as the distances make it; 0 with --ms]",
)
@click.option("--unit", type=click.Choice(UNITS), help="The unit of lengths.  [default: as the distances say]")
@answer_options
def command(
    distances: tuple[str, ...],
    *,
    delay_ms: float | None,
    level_db: float | None,
    unit: str | None,
    as_json: bool,
    quiet: bool,
) -> int:
    """Two mics at two distances from one sound: delay, level, notches, their depth, and what to move.

    No scene is needed. Distances carry their unit: 30cm, '3 ft 5 in', 0.3m. With -q only the figures.

    \b
    Examples:
      micalign comb 30cm 95cm
      micalign comb --ms 1.2 --level-difference 6
    """
    if delay_ms is not None and distances:
        raise click.UsageError("give two distances or --ms, not both")
    if delay_ms is None and len(distances) != 2:
        raise click.UsageError("give two distances to one sound, such as 'micalign comb 30cm 95cm', or --ms 1.2")
    paths = _paths(distances, delay_ms, level_db, unit)
    from micalign.cli.output import console, print_json  # noqa: PLC0415 - so that --help costs only click
    from micalign.report.comb_words import comb_document, comb_table, moves  # noqa: PLC0415

    if as_json:
        print_json(comb_document(paths))
        return 0
    shown = spoken_unit(distances, unit)
    out = console()
    out.print(comb_table(paths, shown))
    if not quiet:
        out.print("")
        for line in moves(paths, shown):
            out.print(line)
    return 0


def _paths(distances: tuple[str, ...], delay_ms: float | None, level_db: float | None, unit: str | None) -> TwoPaths:
    from micalign.report.comb_words import TwoPaths  # noqa: PLC0415 - numpy, which --help must not pay for

    if delay_ms is not None:
        return TwoPaths(delay_ms / 1e3, level_db or 0.0)
    first, second = two_lengths(distances, unit, "NEAR FAR")
    return TwoPaths.of_distances(first, second, level_db)
