"""``micalign report``: one self-contained page of a scene, and of its take."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from micalign.cli.options import force_option, json_option, out_option, quiet_option, scene_argument

if TYPE_CHECKING:
    from micalign.acoustics.prediction import Prediction
    from micalign.scene.model import Scene

__all__ = ["command"]


@click.command("report")
@scene_argument
@out_option("The page to write.  [default: the scene's name with .html]")
@click.option(
    "--take/--no-take",
    "with_take",
    default=None,
    help="With or without the recording that the scene names.  [default: with it where its files are there]",
)
@force_option
@json_option
@quiet_option
def command(scene: Path, out: Path | None, *, with_take: bool | None, force: bool, as_json: bool, quiet: bool) -> int:
    r"""Make one self-contained HTML page of SCENE: setup sheet, findings, figures; with a take also what was recorded.

    The first printed page (A4 or Letter) is the setup sheet: plan, channel list, string lengths. The page needs no
    network and no other file.

    Exit status 1 where a rule failed or a track is not as it should be.

    \b
    Example:
      micalign report scenes/jazz-kit.toml -o jazz-kit.html
    """
    from micalign.acoustics.prediction import predict  # noqa: PLC0415 - so that --help costs only click
    from micalign.acoustics.survey import surveyed  # noqa: PLC0415
    from micalign.cli.output import clean, note, print_json  # noqa: PLC0415
    from micalign.files.scenes import read_scene  # noqa: PLC0415
    from micalign.files.whole import write_text  # noqa: PLC0415
    from micalign.findings.finding import is_wrong  # noqa: PLC0415
    from micalign.findings.rules import findings  # noqa: PLC0415
    from micalign.report.scene_page import report_page  # noqa: PLC0415

    planned = surveyed(read_scene(scene))
    prediction = predict(planned)
    found = findings(planned, prediction)
    target = out or scene.with_suffix(".html").name
    text = report_page(planned, prediction, found, _figures(planned, prediction), name=scene.stem)
    write_text(target, text, force=force)
    if as_json:
        print_json({"scene": str(scene), "file": str(target)})
    else:
        click.echo(clean(str(target)))
    note(f"{len(text.encode()) / 1e6:.1f} MB, opens in any browser", quiet=quiet)
    return int(is_wrong(found))


def _figures(scene: Scene, prediction: Prediction) -> dict[str, str]:
    from micalign.figures.gallery import scene_figures  # noqa: PLC0415 - as above
    from micalign.figures.plan import floor_figure  # noqa: PLC0415
    from micalign.figures.style import inline_svg  # noqa: PLC0415
    from micalign.report.scene_page import sheet_plan_in  # noqa: PLC0415

    floor = floor_figure(scene, height_in=sheet_plan_in(scene, prediction))
    return {"floor": inline_svg(floor)} | {n: inline_svg(f) for n, f in scene_figures(scene, prediction)}
