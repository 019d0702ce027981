"""``micalign check``: what a scene promises."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from micalign.cli.options import PATH, json_option, quiet_option
from micalign.cli.output import console, note, print_json

if TYPE_CHECKING:
    from micalign.acoustics.prediction import Prediction
    from micalign.findings.finding import Finding
    from micalign.scene.model import Scene

__all__ = ["command"]


def _print_rules(context: click.Context, _: click.Parameter, asked: bool) -> None:
    """Print the table of rules and end, before a scene is asked for."""
    if asked and not context.resilient_parsing:
        from micalign.report.checkwords import rule_table  # noqa: PLC0415 - so that --help costs only click

        console().print(rule_table())
        context.exit()


@click.command("check")
@click.argument("scene", type=PATH, metavar="SCENE")
@click.option(
    "--order", type=click.IntRange(1, 3), default=1, show_default=True, help="Follow reflections up to so many bounces."
)
@click.option("--all", "everything", is_flag=True, help="Every row of every table, not only those that matter most.")
@click.option("--tapes", is_flag=True, help="Only the distances between things: the list to carry into the room.")
@click.option(
    "--rules", is_flag=True, is_eager=True, expose_value=False, callback=_print_rules, help="Only the list of rules."
)
@json_option
@quiet_option
def command(scene: Path, order: int, everything: bool, tapes: bool, as_json: bool, quiet: bool) -> int:
    """Arrival times, comb notches, spacing rule, reflections and room of a scene.

    Ends with findings: what is wrong, how much, and one move that mends it. Exit status 1 where a rule failed (a
    warning or a problem); notes alone give 0.

    \b
    Examples:
      micalign check scenes/jazz-kit.toml
      micalign check scenes/jazz-kit.toml --tapes
    """
    from micalign.acoustics.prediction import predict  # noqa: PLC0415 - so that --help costs only click
    from micalign.files.scenes import read_scene  # noqa: PLC0415

    planned = read_scene(scene)
    if not planned.is_placed:
        from micalign.acoustics.survey import surveyed  # noqa: PLC0415 - only tapes need the solver

        planned = surveyed(planned)
        note(
            "Positions left out in the scene are found from its tapes; 'micalign survey' tells how surely.", quiet=quiet
        )
    if tapes:
        _print_tapes(planned, as_json=as_json)
        return 0
    from micalign.findings.cautions import cautions  # noqa: PLC0415
    from micalign.findings.finding import is_wrong  # noqa: PLC0415
    from micalign.findings.rules import findings  # noqa: PLC0415

    predicted = predict(planned, order=order)
    found, minded = findings(planned, predicted), cautions(planned)
    if as_json:
        from micalign.report.check import check_document  # noqa: PLC0415

        print_json(check_document(planned.title or scene.name, predicted, found, cautions=minded))
    else:
        _print_words(planned, predicted, found, minded, everything=everything, name=planned.title or scene.name)
    return int(is_wrong(found))


def _print_tapes(scene: Scene, *, as_json: bool) -> None:
    from micalign.report import checkwords  # noqa: PLC0415

    if as_json:
        print_json(checkwords.tape_document(scene))
        return
    _print_blocks(*checkwords.tape_tables(scene))


def _print_words(
    scene: Scene,
    predicted: Prediction,
    found: tuple[Finding, ...],
    minded: tuple[str, ...],
    *,
    everything: bool,
    name: str,
) -> None:
    from micalign.cli.output import clean  # noqa: PLC0415
    from micalign.report import bleedtables as bleed  # noqa: PLC0415
    from micalign.report import checktables as tables  # noqa: PLC0415
    from micalign.report import checkwords as words  # noqa: PLC0415

    width = console().width
    _print_blocks(
        f"{clean(name)}\n{tables.heading(scene, predicted)}",
        *tables.arrival_tables(scene, predicted, everything=everything, width=width),
        tables.difference_table(scene, predicted, everything=everything),
        bleed.spacing_table(scene, predicted, everything=everything),
        bleed.bleed_table(predicted, everything=everything),
        tables.reflection_table(scene, predicted, everything=everything),
        *tables.pair_tables(scene, predicted),
        tables.direct_table(predicted),
        "\n".join(words.room_lines(predicted.room)),
        words.mode_table(scene, predicted, everything=everything),
        _count(found),
        words.finding_table(found),
        words.caution_lines(minded),
    )


def _count(found: tuple[Finding, ...]) -> str:
    if not found:
        return "No findings: every rule is met."
    wrong = sum(finding.severity != "note" for finding in found)
    return f"Findings: {wrong} to mend, {len(found) - wrong} to know. 'micalign check --rules' lists the rules."


def _print_blocks(*blocks: Any) -> None:
    """Tables and sentences with a line between them; what is None or empty is left out."""
    out = console()
    for block in blocks:
        if block:
            out.print(block)
            out.print()
