"""``micalign check``: what a scene promises."""

from __future__ import annotations

from pathlib import Path

import click

from micalign.cli.options import json_option, scene_argument
from micalign.cli.output import print_json

__all__ = ["command"]


@click.command("check")
@scene_argument
@click.option("--order", type=click.IntRange(1, 3), default=1, show_default=True, help="Bounces to follow.")
@json_option
def command(scene: Path, order: int, as_json: bool) -> int:
    """Arrival times, comb notches, spacing rule, reflections and room of a scene.

    Exit status 1 where a rule failed (a warning or a problem); notes alone give 0.

    \b
    Example:
      micalign check scenes/barn.toml
    """
    from micalign.acoustics.prediction import predict  # noqa: PLC0415 - so that --help costs only click
    from micalign.acoustics.survey import surveyed  # noqa: PLC0415
    from micalign.files.scenes import read_scene  # noqa: PLC0415
    from micalign.findings.finding import is_wrong  # noqa: PLC0415
    from micalign.findings.rules import findings  # noqa: PLC0415
    from micalign.report.check import check_document  # noqa: PLC0415

    planned = surveyed(read_scene(scene))
    predicted = predict(planned, order=order)
    found = findings(planned, predicted)
    if as_json:
        print_json(check_document(planned.title or scene.name, predicted, found))
    return int(is_wrong(found))
