"""``micalign compare``: a take held against its scene."""

from __future__ import annotations

from pathlib import Path

import click

from micalign.cli.options import json_option, quiet_option, scene_argument, timestamps_option

__all__ = ["command"]


@click.command("compare")
@scene_argument
@timestamps_option
@json_option
@quiet_option
def command(scene: Path, *, ignore_timestamps: bool, as_json: bool, quiet: bool) -> int:
    """Hold the take that SCENE names against the scene itself.

    For every source and track: the difference in arrival that the positions promise, the one that was recorded, and
    how many standard deviations part them. Then the simplest cause that explains the take: all as planned, a flipped
    polarity, two swapped inputs, a stand or source that was moved, another temperature, a track that is late
    throughout, a scene in the wrong unit. At the end what to do now, the most useful first.

    The take should hold a few single hits or notes of each source, at best one source after the other.

    \b
    Example:
      micalign compare scenes/jazz-kit.toml

    Exit status 1 says that the take is not as the scene says.
    """
    from micalign.cli.output import clean, console, note, print_json  # noqa: PLC0415 - so that --help costs only click
    from micalign.compare.run import compare  # noqa: PLC0415
    from micalign.files.sessions import Clock, open_scene  # noqa: PLC0415
    from micalign.findings.finding import is_wrong  # noqa: PLC0415
    from micalign.report.compare import compare_document, comparison_table, summary, to_do  # noqa: PLC0415

    opened = open_scene(scene, clock=Clock(ignore_timestamps))
    for sentence in opened.laid.notes:
        note(sentence, quiet=quiet)
    found = compare(opened.scene, opened.take)
    if as_json:
        print_json(compare_document(found))
        return int(is_wrong(found.findings))
    out = console()
    out.print(comparison_table(found))
    for line in summary(found):
        out.print(clean(line))
    out.print("\nWhat to do now", style="bold")
    for line in to_do(found):
        out.print(clean(line))
    return int(is_wrong(found.findings))
